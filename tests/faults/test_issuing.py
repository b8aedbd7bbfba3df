"""Issuing that is stopped or refused: the issue is there whole, or nothing of it counts."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from spreadplan.workspace.issued import read_issues
from tests.faults.rig import STORM, Nursery, inputs_of, wait_for, write_county
from tests.faults.trials import may_mount, small_disk

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals and forks of POSIX systems")


@pytest.fixture(scope="module")
def nursery(tmp_path_factory):
    with Nursery(tmp_path_factory.mktemp("issuing"), ("plan",)) as made:
        yield made


@pytest.fixture
def county(tmp_path) -> Path:
    return write_county(tmp_path / "county")


def issued(folder: Path) -> Path:
    return folder / "storms" / STORM / "issued"


def words(folder: Path, by: str = "Ann") -> list[object]:
    return ["issue", folder, STORM, "--no-pdf", "--by", by]


def sound(folder: Path) -> list[int]:
    """Numbers of the issues, all of them as they should be."""
    found = read_issues(folder, STORM)
    assert found.problems == []
    return [one.issue.number for one in found.plans]


@pytest.mark.parametrize("files", [1, 5, 12])
def test_a_kill_leaves_a_whole_issue_or_none(nursery, county, files):
    assert nursery.run(*words(county))[0] == 0
    before = inputs_of(county)
    running = nursery.start(*words(county, "Bo"))
    drafts = issued(county)

    def begun() -> bool:
        return sum(path.is_file() for path in drafts.glob(".draft-*/**/*")) >= files

    wait_for(begun, running)
    running.kill(signal.SIGKILL)
    running.code()
    numbers = sound(county)
    assert numbers in ([1], [1, 2])
    if numbers == [1]:
        visible = {name: data for name, data in inputs_of(county).items() if "/.draft-" not in name}
        assert visible == before
    assert nursery.run(*words(county, "Cy"))[0] == 0
    assert sound(county) == [*numbers, len(numbers) + 1]
    assert not list(drafts.glob(".draft-*"))


def test_a_kill_between_the_move_and_the_note_of_the_last_number_loses_nothing(nursery, county):
    assert nursery.run(*words(county))[0] == 0
    assert nursery.run(*words(county))[0] == 0
    latest = issued(county) / "latest.json"
    newest = latest.read_text()
    latest.write_text(newest.replace('"number": 2', '"number": 1'))  # as it was before the note
    first = (issued(county) / "1/issue.json").read_bytes()
    import hashlib
    import json

    latest.write_text(json.dumps({"number": 1, "sha256": hashlib.sha256(first).hexdigest()}))
    assert sound(county) == [1, 2]
    assert nursery.run(*words(county))[0] == 0
    assert sound(county) == [1, 2, 3]


def test_who_is_asked_to_stop_tidies_up(nursery, county):
    running = nursery.start(*words(county))
    wait_for(lambda: any(issued(county).glob(".draft-*")), running)
    running.kill(signal.SIGINT)
    running.code()
    assert sound(county) in ([], [1])
    assert not list(issued(county).glob(".draft-*"))


@pytest.mark.parametrize("limit", [1_000, 3_000])
def test_a_file_that_cannot_grow_issues_nothing(nursery, county, limit):
    code, said = nursery.run(*words(county), largest_file_bytes=limit)
    assert (code, "Traceback" in said) == (2, False), said
    assert "nothing was issued and earlier issues are unchanged" in said
    assert sound(county) == []
    assert [path.name for path in issued(county).iterdir() if path.name != ".lock"] == []


def test_a_full_disk_issues_nothing(nursery, tmp_path):
    disk = tmp_path / "disk"
    if not may_mount(disk):
        pytest.skip("a disk of its own needs root; files of limited size are tried without")
    with small_disk(disk, 1):
        folder = write_county(disk / "county")
        number, code = 0, 0
        while code == 0 and number < 50:
            number += 1
            code, said = nursery.run(*words(folder))
        assert (code, "Traceback" in said) == (2, False), said
        assert sound(folder) == list(range(1, number))


def test_two_people_at_once_get_two_numbers(nursery, county):
    running = [nursery.start(*words(county, name)) for name in ("Ann", "Bo", "Cy")]
    assert [one.code() for one in running] == [0, 0, 0], [one.text for one in running]
    assert sound(county) == [1, 2, 3]
    assert {one.issue.by for one in read_issues(county, STORM).plans} == {"Ann", "Bo", "Cy"}


def test_a_folder_that_allows_no_writing_is_one_clear_line(nursery, county):
    assert nursery.run(*words(county))[0] == 0
    issued(county).chmod(0o555)
    try:
        code, said = nursery.run(*words(county), without_rights=True)
    finally:
        issued(county).chmod(0o755)
    assert (code, "Traceback" in said) == (2, False), said
    assert "Permission denied" in said
    assert sound(county) == [1]
