"""Which tests are quick, and in which order several processes take them.

A test is slow if it says so, if it stands in a folder of long trials, or if it uses something that
was dear enough to be made once for several tests. All others are ``quick``: ``pytest -m quick``.

With ``--dist loadfile`` a file's tests stay in one process, so that what they share is made once.
Groups (``xdist_group``) would be finer, but pytest-xdist 3.8 writes them where pytest 9.2 does not
look: they are silently not kept. The dear files are begun first, and of those that look at the
finished county one before the others: while one process makes it, no other has to wait for it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

SLOW_FOLDERS = {"differential", "faults", "hostile", "release"}
HERE = Path(__file__).parent


@pytest.hookimpl(tryfirst=True)  # before `-m` chooses
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mark every test, and sort the files where several processes share the work."""
    slow_files, county_files = set(), set()
    for item in items:
        if "finished_county" in getattr(item, "fixturenames", ()):
            county_files.add(item.path)
        if is_slow(item):
            item.add_marker("slow")
            slow_files.add(item.path)
        else:
            item.add_marker("quick")
    if hasattr(config, "workerinput"):  # each process sorts alike, as pytest-xdist asks for
        turn = turns([item.path for item in items], slow_files, county_files)
        items.sort(key=lambda item: turn(item.path))


def turns(
    paths: Iterable[Path], slow: set[Path], county: set[Path]
) -> Callable[[Path], tuple[bool, bool, bool]]:
    """When a file's turn comes, as a key to sort by.

    One file that makes the county, slow ones that do not need it, the others that do, quick ones.
    """
    maker = next((path for path in paths if path in county), None)
    return lambda path: (path != maker, path not in slow, path in county)


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
