"""In which order several processes take the files of tests."""

from __future__ import annotations

from pathlib import Path

from tests.order import turns


def test_one_file_makes_the_county_while_others_do_what_needs_none():
    quick, slow, first, second = files = [Path(name) for name in ("q", "s", "c1", "c2")]
    turn = turns(files, {slow, first, second}, {first, second})
    assert sorted(files, key=turn) == [first, slow, second, quick]


def test_where_nothing_needs_the_county_slow_files_come_first():
    quick, slow = files = [Path("q"), Path("s")]
    assert sorted(files, key=turns(files, {slow}, set())) == [slow, quick]
