"""What the wheel and the sdist carry, what their metadata says, and that the wheel works."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from email import message_from_string
from email.message import Message
from pathlib import Path

import pytest

import spreadplan

pytest.importorskip("hatchling", reason="hatchling is not installed: no packages can be built")

REPO = Path(__file__).parents[2]
VERSION = spreadplan.__version__
INFO = f"spreadplan-{VERSION}.dist-info/"
#: folders below which nothing belongs to the project
CACHES = {"__pycache__", ".hypothesis", ".mypy_cache", ".ruff_cache"}
#: where a folder of the checkout lies in the wheel
IN_WHEEL = {
    "spreadplan": "spreadplan",
    "templates": "spreadplan/_data/templates",
    "sample_routes/county": "spreadplan/_data/sample_routes/county",
}
IN_SDIST = (".ci", ".github", "spreadplan", "templates", "sample_routes", "tests")


def build(source: Path, target: Path) -> tuple[Path, Path]:
    """The wheel and the sdist of a source tree. No package is fetched for it."""
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-d", str(target)],
        cwd=source,
        check=True,
        capture_output=True,
        text=True,
    )
    return next(target.glob("*.whl")), next(target.glob("*.tar.gz"))


@pytest.fixture(scope="module")
def packages(tmp_path_factory) -> tuple[Path, Path]:
    return build(REPO, tmp_path_factory.mktemp("dist"))


def on_disk(folder: str) -> set[str]:
    """Files of a folder of the checkout, as paths below it, without caches."""
    return {
        path.relative_to(REPO / folder).as_posix()
        for path in (REPO / folder).rglob("*")
        if path.is_file() and not CACHES & set(path.parts)
    }


def metadata(wheel: Path) -> Message:
    with zipfile.ZipFile(wheel) as archive:
        return message_from_string(archive.read(INFO + "METADATA").decode("utf-8"))


def test_the_wheel_carries_the_package_its_templates_and_the_county_and_nothing_else(packages):
    with zipfile.ZipFile(packages[0]) as archive:
        inside = {name for name in archive.namelist() if not name.startswith(INFO)}
    wanted = {f"{there}/{name}" for here, there in IN_WHEEL.items() for name in on_disk(here)}
    assert inside == wanted
    for part in ("fonts/Roboto-Regular.ttf", "static/vendor/maplibre-gl/maplibre-gl.js"):
        assert f"spreadplan/_data/templates/{part}" in inside
    assert not [name for name in inside if "axe" in Path(name).name or "/tests/" in name]


def test_the_sdist_carries_what_building_and_testing_need_and_no_caches(packages):
    with tarfile.open(packages[1]) as archive:
        inside = {name.partition("/")[2] for name in archive.getnames()}
    wanted = {f"{folder}/{name}" for folder in IN_SDIST for name in on_disk(folder)}
    top = {
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "pyproject.toml",
        "PKG-INFO",
        ".gitignore",
        ".pre-commit-config.yaml",
    }
    assert inside == wanted | top


def test_the_sdist_builds_the_same_wheel(packages, tmp_path):
    # the filter came with 3.11.4, and later ones ask for it
    safely = {"filter": "data"} if hasattr(tarfile, "data_filter") else {}
    with tarfile.open(packages[1]) as archive:
        archive.extractall(tmp_path, **safely)
    again, _ = build(tmp_path / f"spreadplan-{VERSION}", tmp_path / "dist")
    assert again.name == packages[0].name
    with zipfile.ZipFile(again) as one, zipfile.ZipFile(packages[0]) as two:
        assert one.namelist() == two.namelist()
        assert [name for name in one.namelist() if one.read(name) != two.read(name)] == []


def test_the_metadata_names_licences_and_no_address(packages):
    fields = metadata(packages[0])
    assert fields["License-Expression"] == "Apache-2.0"
    licences = fields.get_all("License-File")
    assert set(licences) == {
        "LICENSE",
        "templates/fonts/LICENSE.txt",
        "templates/static/vendor/notices.txt",
        "templates/static/vendor/maplibre-gl/LICENSE.txt",
        "templates/static/vendor/maplibre-gl/LICENSES-inside.txt",
    }
    with zipfile.ZipFile(packages[0]) as archive:
        for name in licences:
            assert archive.read(f"{INFO}licenses/{name}") == (REPO / name).read_bytes()
    assert not {"Home-page", "Project-URL", "Author-email"} & set(fields)


def test_the_metadata_is_what_an_index_accepts(packages):
    trove = pytest.importorskip("trove_classifiers", reason="no list of classifiers is installed")
    fields = metadata(packages[0])
    assert set(fields.get_all("Classifier")) <= set(trove.classifiers)
    assert not [one for one in fields.get_all("Classifier") if one.startswith("License ::")]
    assert len(fields["Summary"]) < 512
    assert fields["Description-Content-Type"] == "text/markdown"
    assert str(fields.get_payload()).strip() == (REPO / "README.md").read_text("utf-8").strip()


def test_every_place_names_the_same_oldest_python():
    project = tomllib.loads((REPO / "pyproject.toml").read_text("utf-8"))
    oldest = project["project"]["requires-python"].removeprefix(">=")
    assert project["tool"]["mypy"]["python_version"] == oldest
    assert project["tool"]["ruff"]["target-version"] == "py" + oldest.replace(".", "")
    named = [
        one.rsplit(" ", 1)[1]
        for one in project["project"]["classifiers"]
        if re.search(r":: 3\.\d+$", one)
    ]
    assert named[0] == oldest
    assert f"Python {oldest} or newer" in (REPO / "README.md").read_text("utf-8")
    assert f"({oldest.replace('.', ', ')})" in (REPO / ".ci/setup").read_text("utf-8")


def test_the_wheel_works_far_from_the_checkout(packages, tmp_path):
    """Unpacked as an installer would, used from a folder whose name needs quoting."""
    site, away = tmp_path / "site", tmp_path / "Straße nach Süden"
    away.mkdir()
    with zipfile.ZipFile(packages[0]) as archive:
        archive.extractall(site)
    program = (
        "import sys, spreadplan; from spreadplan.cli import main;"
        "assert spreadplan.__file__.startswith(sys.argv[1]), spreadplan.__file__;"
        "from spreadplan.resources import resource;"
        "assert (resource('sample_routes') / 'county' / 'workspace.toml').is_file();"
        "sys.exit(main(['new', 'Bezirk Ä']) or main(['check', 'Bezirk Ä']))"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", program, str(site)],
        cwd=away,
        env={**os.environ, "PYTHONPATH": str(site)},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    # the example's season may lie ahead of the day, which is a caution
    assert "no problems found" in done.stdout or "nothing that stops the work" in done.stdout
    assert (away / "Bezirk Ä" / "about-the-files.html").is_file()
