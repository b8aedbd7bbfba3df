"""The sample county with what every command makes of it: made once for all tests and processes."""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from filelock import FileLock

COUNTY = Path(__file__).parents[1] / "sample_routes" / "county"
STORM = "2026-12-31-year-end-snow"
COMMANDS = (
    ("check", "{}"),
    ("calibrate", "{}", "--as-of", "2026-12-30", "--no-pdf"),
    ("plan", "{}", STORM, "--no-pdf"),
    ("reconcile", "{}", STORM, "--no-pdf"),
    ("season", "{}", "--as-of", "2027-03-31", "--no-pdf"),
)


@pytest.fixture(scope="session")
def finished_county(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A county to look at. Whoever wants to change something takes a `writable_copy`."""
    base = tmp_path_factory.getbasetemp()
    place = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "finished-county"
    seal = place.with_suffix(".json")
    with FileLock(place.with_suffix(".lock")):
        if not seal.exists():  # no other process has made it
            shutil.rmtree(place, ignore_errors=True)
            said = make(place)
            for path in places(place):
                path.chmod(path.stat().st_mode & ~0o222)
            seal.write_text(json.dumps({"said": said, "files": state(place)}))
    yield place
    was, now = json.loads(seal.read_text())["files"], state(place)
    changed = {name for name in was.keys() | now.keys() if was.get(name) != now.get(name)}
    assert not changed, f"a test changed the county that all share: {sorted(changed)}"


def said_by(place: Path, command: str) -> str:
    """What a command said on both streams while the finished county was made."""
    said: dict[str, str] = json.loads(place.with_suffix(".json").read_text())["said"]
    return said[command]


def make(place: Path) -> dict[str, str]:
    """Copy the county and run the commands on it, in this process; what each of them said."""
    from spreadplan.cli import main

    shutil.copytree(COUNTY, place, ignore=shutil.ignore_patterns("results", ".*"))
    said = {}
    for words in COMMANDS:
        out = io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
            assert main([word.format(place) for word in words]) == 0, (words, out.getvalue())
        said[words[0]] = out.getvalue()
    return said


def writable_copy(place: Path, target: Path) -> Path:
    """A county of a test's own."""
    shutil.copytree(place, target)
    for path in places(target):
        path.chmod(path.stat().st_mode | 0o200)
    return target


def places(folder: Path) -> list[Path]:
    """A folder and all that is in it."""
    return [folder, *folder.rglob("*")]


def state(folder: Path) -> dict[str, list[int]]:
    """Size and time of the last change of everything in a folder (root may write anywhere)."""
    found = ((path.relative_to(folder).as_posix(), path.stat()) for path in places(folder))
    return {name: [one.st_size, one.st_mtime_ns] for name, one in found}
