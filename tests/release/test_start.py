"""Help and mistyped commands answer at once: they load none of the heavy libraries."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

REPO = Path(__file__).parents[2]
HEAVY = {
    "argon2",
    "geopandas",
    "jinja2",
    "markdown_it",
    "matplotlib",
    "numba",
    "numpy",
    "ortools",
    "pandas",
    "pint",
    "pyarrow",
    "pyogrio",
    "pyproj",
    "scipy",
    "shapely",
    "starlette",
    "tqdm",
    "uvicorn",
    "weasyprint",
    "xlsxwriter",
}
PROGRAM = """
import json, sys
from spreadplan.cli import main
try:
    code = main(sys.argv[1:])
except SystemExit as stopped:
    code = stopped.code
names = sorted({name.partition(".")[0] for name in sys.modules})
print(json.dumps([code, names, sorted(n for n in sys.modules if n.startswith("spreadplan"))]))
"""


def loaded_by(*arguments: str) -> tuple[int, set[str], list[str]]:
    """Exit code, libraries, and our own modules that a command has loaded when it ends."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *arguments],
        cwd=REPO,
        check=True,
        capture_output=True,
        text=True,
    )
    code, names, ours = json.loads(done.stdout.splitlines()[-1])
    return int(code or 0), set(names), ours


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["--help"], 0),
        (["--version"], 0),
        (["reconcile", "--help"], 0),
        ([], 2),
        (["paln"], 2),
        (["plan", "county"], 2),
        (["plan", "county", "storm", "--pick", "most"], 2),
    ],
)
def test_help_and_mistakes_load_no_heavy_library(arguments, code):
    ended, names, ours = loaded_by(*arguments)
    assert ended == code
    assert HEAVY & names == set()
    assert ours == ["spreadplan", "spreadplan.cli", "spreadplan.errors"]


def test_the_list_of_heavy_libraries_holds_every_dependency():
    """So that a new one is not forgotten above; filelock and tzdata are small."""
    project = tomllib.loads((REPO / "pyproject.toml").read_text("utf-8"))["project"]
    names = {re.match(r"[\w-]+", one)[0] for one in project["dependencies"]}
    module = {"argon2-cffi": "argon2", "markdown-it-py": "markdown_it"}
    assert {module.get(name, name) for name in names} - {"filelock", "tzdata"} == HEAVY


def test_a_command_does_load_them(tmp_path):
    """The measure itself: were it blind, the tests above would prove nothing."""
    code, names, ours = loaded_by("check", str(tmp_path / "nowhere"))
    assert code == 2
    assert "pandas" in names
    assert "spreadplan.runs" in ours


#: what a command never needs, on the starter workspace: each takes as long to import as reading it
NOT_FOR = {
    "check": {"pint", "scipy", "matplotlib", "jinja2", "numba", "weasyprint", "xlsxwriter"},
    "calibrate": {"pint", "geopandas", "numba", "weasyprint", "xlsxwriter"},
    "plan": {"pint", "numba", "ortools", "weasyprint", "xlsxwriter"},
}


def test_a_command_loads_what_it_uses_and_no_more(tmp_path):
    assert loaded_by("new", str(tmp_path / "w"))[0] == 0
    for command, spared in NOT_FOR.items():
        words = {"plan": ["first-storm"]}.get(command, [])
        more = [] if command == "check" else ["--no-pdf"]
        code, names, _ = loaded_by(command, str(tmp_path / "w"), *words, *more)
        assert code == 0
        assert spared & names == set(), command
