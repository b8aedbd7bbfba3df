"""Accounts without a home, folders that cannot be written to, terminals that lack letters."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from numba.core import caching

from spreadplan.compiled import compiled, inlined

REPO = Path(__file__).parents[2]
SUM = """
def total(values):
    found = 0.0
    for value in values:
        found += value
    return found
"""


@pytest.fixture
def kernel(tmp_path, monkeypatch):
    """A function in a file of its own, as numba wants it for keeping machine code."""
    (tmp_path / "kernel_of_a_test.py").write_text(SUM)
    monkeypatch.syspath_prepend(tmp_path)
    sys.modules.pop("kernel_of_a_test", None)
    import kernel_of_a_test

    return kernel_of_a_test.total


def test_machine_code_is_kept_beside_the_source(kernel, tmp_path):
    assert compiled(kernel)(np.array([1.0, 2.5])) == 3.5
    assert list((tmp_path / "__pycache__").glob("*.nbi"))


@pytest.mark.parametrize("decorate", [compiled, inlined])
def test_kernels_run_where_nothing_can_be_kept(kernel, tmp_path, monkeypatch, decorate):
    """Nowhere to write: no folder of the user's, none beside the source, none named."""
    monkeypatch.setattr(caching.CacheImpl, "_locator_classes", [])
    assert decorate(kernel)(np.array([1.0, 2.5])) == 3.5
    assert not list(tmp_path.rglob("*.nb?"))


def run(tmp_path: Path, *arguments: str, **settings: str) -> subprocess.CompletedProcess[bytes]:
    known = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("LC_", "LANG", "PYTHON", "MPL", "XDG"))
    }
    return subprocess.run(
        [sys.executable, "-m", "spreadplan.cli", *arguments],
        cwd=tmp_path,
        env={**known, "PYTHONPATH": str(REPO), **settings},
        capture_output=True,
    )


def test_letters_that_the_terminal_lacks_are_spelt_out(tmp_path):
    done = run(tmp_path, "new", "Bezirk Ä", PYTHONIOENCODING="ascii", PYTHONUTF8="1")
    assert done.returncode == 0, done.stderr
    assert rb"spreadplan check Bezirk \xc4" in done.stdout
    assert (tmp_path / "Bezirk Ä" / "workspace.toml").is_file()


def test_a_bare_locale_changes_no_file(tmp_path):
    assert (
        run(tmp_path, "new", "a", LC_ALL="C", PYTHONCOERCECLOCALE="0", PYTHONUTF8="0").returncode
        == 0
    )
    assert run(tmp_path, "new", "b", LC_ALL="C.UTF-8").returncode == 0
    files = {
        one.relative_to(tmp_path / "a") for one in (tmp_path / "a").rglob("*") if one.is_file()
    }
    assert len(files) > 15
    for name in files:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


def test_an_account_without_a_home_gets_no_stray_lines(tmp_path):
    """The drawing library would say at each command where it keeps its list of fonts."""
    (tmp_path / "file").write_text("")
    home = str(tmp_path / "file" / "home")
    assert run(tmp_path, "new", "w", HOME=home).stderr == b""
    done = run(tmp_path, "calibrate", "w", "--no-pdf", HOME=home)
    assert done.returncode == 0
    assert b"atplotlib" not in done.stderr
