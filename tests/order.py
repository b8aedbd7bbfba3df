"""Which tests are quick, and which run in one process when several share the work.

A test is slow if it says so, if it stands in a folder of long trials, or if it uses something that
was dear enough to be made once for several tests. All others are ``quick``: ``pytest -m quick``.

With ``--dist loadgroup`` tests that share something made for their module stay in one process, so
that it is made once; the others go wherever there is time. The dear ones are begun first.
"""

from __future__ import annotations

from pathlib import Path

import pytest

SLOW_FOLDERS = {"differential", "faults", "hostile", "release"}
HERE = Path(__file__).parent


@pytest.hookimpl(tryfirst=True)  # before `-m` chooses and pytest-xdist reads the groups
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mark every test, and sort them where several processes share the work."""
    for item in items:
        group = shared(item)
        if group or item.get_closest_marker("slow") or SLOW_FOLDERS & set(folders(item)):
            item.add_marker("slow")
        else:
            item.add_marker("quick")
        if group and not item.get_closest_marker("xdist_group"):
            item.add_marker(pytest.mark.xdist_group(group))
    if hasattr(config, "workerinput"):  # each process sorts alike, as pytest-xdist asks for
        items.sort(key=rank)


def folders(item: pytest.Item) -> tuple[str, ...]:
    """The folders below `tests` that a test stands in."""
    return item.path.relative_to(HERE).parts[:-1] if item.path.is_relative_to(HERE) else ()


def shared(item: pytest.Item) -> str:
    """A name for what is made once for the module of a test, with its parameter; or nothing.

    ``_fixtureinfo`` is how plugins learn of the reach of fixtures: pytest has no other way yet.
    """
    found = getattr(item, "_fixtureinfo", None)
    chosen = getattr(getattr(item, "callspec", None), "params", {})
    wide = [
        name
        for name, made in (found.name2fixturedefs.items() if found else ())
        if made[-1].scope in ("module", "package", "class") and "tests." in made[-1].func.__module__
    ]
    kinds = [str(chosen[name]) for name in wide if name in chosen]
    return "-".join([item.path.stem, *kinds]) if wide else ""


def rank(item: pytest.Item) -> int:
    """What takes long comes first, so that no process is left with it at the end."""
    if item.get_closest_marker("xdist_group"):
        return 0
    return 1 if item.get_closest_marker("slow") else 2
