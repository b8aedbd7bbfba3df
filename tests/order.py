"""Which tests are quick, and in which order several processes take them.

A test is slow if it says so, if it stands in a folder of long trials, or if it uses something that
was dear enough to be made once for several tests. All others are ``quick``: ``pytest -m quick``.

With ``--dist loadfile`` a file's tests stay in one process, so that what they share is made once.
Groups (``xdist_group``) would be finer, but pytest-xdist 3.8 writes them where pytest 9.2 does not
look: they are silently not kept. The dear files are begun first.
"""

from __future__ import annotations

from pathlib import Path

import pytest

SLOW_FOLDERS = {"differential", "faults", "hostile", "release"}
HERE = Path(__file__).parent


@pytest.hookimpl(tryfirst=True)  # before `-m` chooses
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mark every test, and sort the files where several processes share the work."""
    slow_files = set()
    for item in items:
        if is_slow(item):
            item.add_marker("slow")
            slow_files.add(item.path)
        else:
            item.add_marker("quick")
    if hasattr(config, "workerinput"):  # each process sorts alike, as pytest-xdist asks for
        items.sort(key=lambda item: item.path not in slow_files)


def is_slow(item: pytest.Item) -> bool:
    """Whether a test says so, stands in a folder of long trials, or uses something dear."""
    here = item.path.relative_to(HERE).parts if item.path.is_relative_to(HERE) else ()
    return bool(item.get_closest_marker("slow") or SLOW_FOLDERS & set(here) or uses_dear(item))


def uses_dear(item: pytest.Item) -> bool:
    """Whether a test uses what a fixture of ours makes once for several tests.

    What stands in `tests/conftest.py` itself is around every test and costs nothing.
    ``_fixtureinfo`` is how plugins learn of the reach of fixtures: pytest has no other way yet.
    """
    found = getattr(item, "_fixtureinfo", None)
    made = [named[-1] for named in found.name2fixturedefs.values()] if found else []
    return any(
        one.scope != "function"
        and one.func.__module__.startswith("tests.")
        and one.func.__module__ != "tests.conftest"
        for one in made
    )
