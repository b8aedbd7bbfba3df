"""The set-up on machines that lack something: what it says, and where it stops.

The machine is played by short scripts that stand before everything else on the path.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

REPO = Path(__file__).parents[2]
#: a Python that has only what the names in its variable HAS say, and notes what it is asked to do
PYTHON = """#!/bin/bash
case "$*" in
*version_info*'< (3, 11)'*) [[ $HAS == *new* ]] ;;
*'import ensurepip'*) [[ $HAS == *ensurepip* ]] ;;
*find_library*) [[ $HAS == *pango* ]] ;;
*'"%d.%d"'*) echo 3.11 ;;
*'-m venv'*) echo "$*" >>"$NOTES"; mkdir -p .venv/bin; cp "$0" .venv/bin/python ;;
*'-m pip --version'*) [[ $HAS == *whole* ]] ;;
*) echo "$*" >>"$NOTES" ;;
esac
"""


@pytest.fixture
def machine(tmp_path):
    """Runs the set-up with the Python given, as someone who may not install packages."""
    (tmp_path / "project").mkdir()
    shutil.copytree(REPO / ".ci", tmp_path / "project" / ".ci")
    tools = tmp_path / "bin"
    tools.mkdir()
    for name in ("bash", "dirname", "mkdir", "cp", "env"):
        (tools / name).symlink_to(shutil.which(name))
    for name, text in {"id": "echo 1000", "apt-get": "exit 99"}.items():
        (tools / name).write_text(f"#!/bin/bash\n{text}\n")
    (tools / "python3").write_text(PYTHON)
    for path in tools.iterdir():
        if not path.is_symlink():
            path.chmod(0o755)

    def run(has: str, *arguments: str, lacking: str = "") -> tuple[int, str, str]:
        notes = tmp_path / "notes"
        if lacking:  # someone who may, on a system whose packages lack one
            (tools / "id").write_text("#!/bin/bash\necho 0\n")
            refuses = f'[[ " $* " != *" {lacking} "* ]] && echo "apt-get $*" >>"$NOTES"'
            (tools / "apt-get").write_text(f"#!/bin/bash\n{refuses}\n")
        notes.write_text("")
        done = subprocess.run(
            [tools / "bash", str(tmp_path / "project/.ci/setup"), *arguments],
            env={"PATH": str(tools), "HAS": has, "NOTES": str(notes)},
            capture_output=True,
            text=True,
        )
        return done.returncode, done.stdout + done.stderr, notes.read_text()

    return run


def test_an_old_python_is_named(machine):
    code, said, did = machine("ensurepip pango")
    assert code == 1
    assert "needs Python 3.11 or newer" in said
    assert did == ""


def test_without_venv_and_without_root_it_stops_and_says_what_to_run(machine):
    code, said, did = machine("new pango")
    assert code == 1
    assert "apt-get install --no-install-recommends python3.11-venv\n" in said
    assert "nothing can be set up without python3.11-venv" in said
    assert did == ""


def test_without_pango_it_says_what_to_run_and_goes_on(machine):
    code, said, did = machine("new ensurepip")
    assert code == 0
    assert "apt-get install --no-install-recommends libpango-1.0-0 " in said
    assert "fonts-dejavu-core\n" in said
    assert "going on without: PDF files" in said
    assert "--editable .\n" in did


def test_a_browser_is_asked_for_only_by_the_tests(machine):
    assert "chromium" not in machine("new ensurepip pango")[1]
    code, said, did = machine("new ensurepip pango", "test")
    assert code == 0
    assert "apt-get install --no-install-recommends chromium chromium-driver\n" in said
    assert "--editable .[test]\n" in did


def test_a_venv_is_made_once_and_again_only_where_it_is_broken(machine):
    assert "-m venv --clear .venv\n" in machine("new ensurepip pango")[2]
    assert "-m venv" in machine("new ensurepip pango")[2], "its pip does not answer"
    assert "-m venv" not in machine("new ensurepip pango whole")[2]


def test_one_package_that_the_system_lacks_keeps_none_of_the_others_away(machine):
    code, said, did = machine("new ensurepip", "test", lacking="chromium")
    assert code == 0
    for name in ("libpango-1.0-0", "fonts-dejavu-core", "chromium-driver"):
        assert f"--no-install-recommends {name}\n" in did
    assert "apt-get install --no-install-recommends chromium\n" in said
    assert "--editable .[test]\n" in did


def test_without_venv_nothing_is_set_up_whoever_asks(machine):
    code, said, did = machine("new pango", lacking="python3.11-venv")
    assert code == 1
    assert "nothing can be set up without python3.11-venv" in said
    assert "--editable" not in did
