"""What someone meets who comes from outside: workflow, forms and hooks say what is so."""

from __future__ import annotations

import os
import re
import shlex
import tomllib
from pathlib import Path
from typing import Any

import pytest
import yaml

import spreadplan

REPO = Path(__file__).parents[2]
HOME = REPO / ".github"
FORMS = sorted(
    path for path in (HOME / "ISSUE_TEMPLATE").glob("*.yml") if path.name != "config.yml"
)
PROJECT = tomllib.loads((REPO / "pyproject.toml").read_text("utf-8"))["project"]
#: what a form may be made of, and the part of each that nobody may leave out
FIELDS = {"markdown": "value", "textarea": "label", "input": "label", "dropdown": "options"}


def read(path: Path) -> Any:
    """A YAML file. ``on`` is a word here, not a truth value as YAML 1.1 has it."""
    text = re.sub(r"^on:", "'on':", path.read_text("utf-8"), flags=re.M)
    return yaml.safe_load(text)


def jobs() -> dict[str, Any]:
    (path,) = (HOME / "workflows").iterdir()
    return dict(read(path)["jobs"])


def test_the_workflow_tries_every_python_that_the_project_names():
    tried = jobs()["tests"]["strategy"]["matrix"]["python"]
    named = [
        one.rsplit(" ", 1)[1] for one in PROJECT["classifiers"] if re.search(r":: 3\.\d+$", one)
    ]
    assert tried == named
    assert tried[0] == PROJECT["requires-python"].removeprefix(">=")
    assert all(isinstance(one, str) for one in tried), "3.10 without quotes would be 3.1"


def test_the_workflow_runs_the_projects_own_command_with_its_python():
    steps = jobs()["tests"]["steps"]
    assert [one["uses"].partition("@")[0] for one in steps if "uses" in one] == [
        "actions/checkout",
        "actions/setup-python",
    ]
    assert all(re.search(r"@v\d+$", one["uses"]) for one in steps if "uses" in one)
    (run,) = [one for one in steps if "run" in one]
    words = shlex.split(run["run"])
    assert words[0] == "bash"
    assert os.access(REPO / words[1], os.X_OK)
    assert (REPO / words[1]).read_bytes() != b""
    (asked,) = run["env"]
    assert f"${{{asked}:-}}" in (REPO / ".ci" / "setup").read_text("utf-8")
    (python,) = [one for one in steps if "setup-python" in one.get("uses", "")]
    assert (REPO / python["with"]["cache-dependency-path"]).is_file()
    assert python["with"]["python-version"] == "${{ matrix.python }}"


def test_the_workflow_may_read_and_nothing_else():
    (path,) = (HOME / "workflows").iterdir()
    whole = read(path)
    assert whole["permissions"] == {"contents": "read"}
    assert not any("permissions" in job for job in whole["jobs"].values())
    assert "pull_request_target" not in whole["on"]
    assert "secrets." not in path.read_text("utf-8")


def test_hooks_are_our_own_tools_with_words_that_they_know():
    """Local ones, which fetch nothing; each is a check of `.ci/test` too."""
    found = read(REPO / ".pre-commit-config.yaml")["repos"]
    assert [one["repo"] for one in found] == ["local"]
    checks = (REPO / ".ci" / "test").read_text("utf-8")
    extras = " ".join(PROJECT["optional-dependencies"]["test"])
    for hook in found[0]["hooks"]:
        assert hook["language"] == "system"
        tool, *words = shlex.split(hook["entry"])
        assert tool in checks, tool
        assert tool.removeprefix(".venv/bin/") in extras
        for word in (one for one in words if one != "--force-exclude"):
            assert word in checks, hook["entry"]
        if (REPO / ".venv").exists():
            assert os.access(REPO / tool, os.X_OK), tool
        if "files" in hook:
            assert re.search(hook["files"], "spreadplan/units.py")


@pytest.mark.parametrize("path", FORMS, ids=lambda path: path.stem)
def test_a_form_can_be_filled_in(path: Path):
    form = read(path)
    assert {"name", "description", "body"} <= set(form) <= {"name", "description", "body", "labels"}
    ids = [one["id"] for one in form["body"] if one["type"] != "markdown"]
    assert len(ids) == len(set(ids)) >= 2
    for one in form["body"]:
        assert one["attributes"][FIELDS[one["type"]]], one
        if one["type"] != "markdown":
            assert one["attributes"]["label"]
            assert one.get("validations", {}) in ({}, {"required": True})
    assert any("validations" in one for one in form["body"])


def test_the_contributors_page_names_the_forms_that_there_are():
    text = (HOME / "CONTRIBUTING.md").read_text("utf-8")
    assert set(re.findall(r"form \*\*(.+?)\*\*", text)) == {read(path)["name"] for path in FORMS}
    assert read(HOME / "ISSUE_TEMPLATE" / "config.yml") == {"blank_issues_enabled": False}


@pytest.mark.parametrize("path", sorted(HOME.rglob("*.md")), ids=lambda path: path.stem)
def test_links_lead_somewhere_and_name_no_host(path: Path):
    text = path.read_text("utf-8")
    assert "://" not in text
    for target in re.findall(r"\]\(([^)#]+)", text):
        assert (path.parent / target).exists(), target


def test_commands_of_the_contributors_page_are_there():
    text = (HOME / "CONTRIBUTING.md").read_text("utf-8")
    (block,) = re.findall(r"```sh\n(.*?)```", text, re.S)
    lines = [shlex.split(line, comments=True) for line in block.splitlines()]
    assert [line[:2] for line in lines if line[0] == "bash"] == [
        ["bash", ".ci/setup"],
        ["bash", ".ci/test"],
    ]
    pytest_ini = tomllib.loads((REPO / "pyproject.toml").read_text("utf-8"))["tool"]["pytest"]
    marks = [one.partition(":")[0] for one in pytest_ini["ini_options"]["markers"]]
    assert [line[line.index("-m") + 1] for line in lines if "-m" in line] == ["quick"]
    assert "quick" in marks


def test_the_change_log_begins_with_the_version_that_there_is():
    text = (HOME / "CHANGELOG.md").read_text("utf-8")
    first = re.search(r"^## (\S+) \((\d{4}-\d{2}(?:-\d{2})?|unreleased)\)$", text, re.M)
    assert first, "a heading like: ## 0.1.0 (2026-11)"
    assert first[1] == spreadplan.__version__


def test_no_file_for_strangers_names_where_packages_are_kept():
    """Packages come from wherever the reader's own tools are set to."""
    for path in [*HOME.rglob("*.*"), REPO / ".pre-commit-config.yaml"]:
        if path.is_file():
            assert not re.search(r"\b[\w-]+\.(org|com|io|dev|net)\b", path.read_text("utf-8")), path
