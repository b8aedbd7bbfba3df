"""Faults inside the two stores, one at a time: what is said is true, and nothing is lost."""

from __future__ import annotations

import errno
import json
import os
import signal
import sqlite3
import threading
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

import geopandas as gpd
import jinja2
import pytest
from filelock import FileLock
from shapely.geometry import Point

from spreadplan.errors import CannotWrite
from spreadplan.results import geopackage
from spreadplan.results import store as results_store
from spreadplan.results.store import alone, open_results, recover
from spreadplan.web.access.accounts import FILE, save_account
from spreadplan.web.files import history as history_module
from spreadplan.web.files.edits import Add
from spreadplan.web.files.store import InputStore
from spreadplan.web.presence import Presence
from spreadplan.web.work.jobs import Jobs
from tests.faults.rig import inputs_of, results_of

WEIGHING = {"test_id": "D1", "method": "container", "gross_lb": "90", "tare_lb": "6"}
TEST = {
    "test_id": "D9",
    "truck_id": "T1",
    "material": "salt",
    "gate_in": "2",
    "feeder_pct": "75",
    "performed_at": "2026-10-22T09:00",
    "duration_s": "60",
}
EDITS = [Add("discharge_tests.csv", TEST), Add("weighings.csv", {**WEIGHING, "test_id": "D9"})]


def write_all(workspace: Path, text: str, names=("a.csv", "deep/b.csv")) -> None:
    with open_results(workspace) as store:
        for name in names:
            store.path(name).write_text(text)


def no_room(*_: object) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


# --- results ---


@pytest.mark.parametrize("obstacle", ["deep", "deep/b.csv"])
def test_what_is_in_the_way_stops_a_command_before_its_first_move(tmp_path, obstacle):
    place = tmp_path / "results" / obstacle
    if obstacle == "deep":
        write_all(tmp_path, "old", ["a.csv"])
        place.write_text("a file where a folder should be")
    else:
        write_all(tmp_path, "old", ["a.csv"])
        (place / "inside").mkdir(parents=True)
    before = results_of(tmp_path)
    with pytest.raises(CannotWrite, match=rf"{obstacle} is a .*earlier results are unchanged"):
        write_all(tmp_path, "new")
    assert results_of(tmp_path) == before


def test_a_folder_among_results_that_go_is_left_alone(tmp_path):
    write_all(tmp_path, "old", ["cards/t1.html"])
    (tmp_path / "results/cards/kept by someone").mkdir()
    with open_results(tmp_path) as store:
        store.discard("cards/*")
        store.path("a.csv").write_text("new")
    assert results_of(tmp_path) == {"a.csv": b"new"}
    assert (tmp_path / "results/cards/kept by someone").is_dir()


def test_moves_that_fail_after_all_are_told_as_they_are_and_finished_later(tmp_path, monkeypatch):
    write_all(tmp_path, "old")
    real, moved = os.replace, []

    def second_fails(source: Path, target: Path) -> None:
        if Path(target).name != results_store.MOVES:
            if moved:
                raise OSError(errno.EIO, os.strerror(errno.EIO), str(source), None, str(target))
            moved.append(target)
        real(source, target)

    with monkeypatch.context() as patch:
        patch.setattr("spreadplan.results.store.os.replace", second_fails)
        with pytest.raises(CannotWrite) as told:
            write_all(tmp_path, "new")
    assert "new results are complete but could not all be put in place" in str(told.value)
    assert "deep/b.csv: Input/output error" in str(told.value)
    assert "unchanged" not in str(told.value)
    with alone(tmp_path):
        pass
    assert results_of(tmp_path) == {"a.csv": b"new", "deep/b.csv": b"new"}


@pytest.mark.parametrize("number", results_store.STOPS)
def test_a_stop_while_files_are_moved_waits_until_they_are(tmp_path, monkeypatch, number):
    write_all(tmp_path, "old")
    real = os.replace

    def stopped(source: Path, target: Path) -> None:
        signal.raise_signal(number)
        real(source, target)

    def stop(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    earlier = signal.signal(number, stop)
    try:
        monkeypatch.setattr("spreadplan.results.store.os.replace", stopped)
        with pytest.raises(KeyboardInterrupt):
            write_all(tmp_path, "new")
        assert signal.getsignal(number) is stop
    finally:
        signal.signal(number, earlier)
    assert results_of(tmp_path) == {"a.csv": b"new", "deep/b.csv": b"new"}


def test_results_of_a_workspace_that_was_removed_are_not_written(tmp_path):
    import shutil

    folder = tmp_path / "workspace"
    folder.mkdir()

    def removed_meanwhile() -> None:
        with open_results(folder) as store:
            shutil.rmtree(folder)
            store.path("a.csv")

    with pytest.raises(CannotWrite, match="removed meanwhile"):
        removed_meanwhile()
    assert not folder.exists()


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (jinja2.TemplateNotFound("card.html"), False),
        (FileNotFoundError(errno.ENOENT, "No such file", "/somewhere/else.ttf"), False),
        (OSError(errno.ENOSPC, "No space left on device"), True),
        (OSError("GDAL could not write all of it"), True),
        (FileNotFoundError(errno.ENOENT, "No such file or directory", "results/a.csv"), True),
    ],
    ids=["template", "another file", "room", "without a number", "result"],
)
def test_only_what_the_disk_refuses_is_told_as_a_refusal_of_the_disk(tmp_path, error, told):
    if error.filename == "results/a.csv":
        error.filename = str(tmp_path / error.filename)
    with pytest.raises(CannotWrite if told else type(error)), open_results(tmp_path):
        raise error


def test_whoever_waits_is_told_and_does_not_wait_for_ever(tmp_path, monkeypatch):
    monkeypatch.setattr(results_store, "SECONDS_OF_SILENCE", 0.05)
    monkeypatch.setattr(results_store, "SECONDS_TO_WAIT", 0.1)
    (tmp_path / "results").mkdir()
    told: list[str] = []

    def wait() -> None:
        with open_results(tmp_path, told.append):
            raise AssertionError

    with FileLock(tmp_path / "results/.lock"), pytest.raises(CannotWrite, match="try again when"):
        wait()
    assert [("waiting until it is done" in text) for text in told] == [True]


def test_a_geopackage_without_its_index_or_a_feature_is_not_whole(tmp_path):
    frame = gpd.GeoDataFrame({"a": [1, 2]}, geometry=[Point(0, 1), Point(1, 1)], crs=4326)
    path = tmp_path / "x.gpkg"
    geopackage.write_geopackage({"points": frame}, path)
    assert geopackage._is_whole(path, "points", frame)
    assert not geopackage._is_whole(path, "points", frame.iloc[:1])
    assert not geopackage._is_whole(path, "lines", frame)
    with closing(sqlite3.connect(path)) as file, file:
        file.execute("DROP TABLE rtree_points_geom")
    assert not geopackage._is_whole(path, "points", frame)


# --- inputs ---


def test_no_room_for_the_history_means_that_nothing_changed(workspace, monkeypatch):
    folder = workspace()
    store = InputStore(folder)
    store.apply([Add("weighings.csv", WEIGHING)], "ann", "first")
    before = inputs_of(folder)
    with monkeypatch.context() as patch:
        patch.setattr(history_module.os, "fsync", no_room)
        with pytest.raises(CannotWrite, match=r"No space left.*nothing was changed"):
            store.apply(EDITS, "ann", "second")
    for again in (store, InputStore(folder)):
        assert inputs_of(folder).keys() - before.keys() <= {".history/draft"}
        assert [entry.what for entry in again.changes()] == ["first"]
    assert inputs_of(folder) == before
    assert store.apply(EDITS, "ann", "second").number == 2


def test_a_torn_line_of_the_history_is_taken_back(workspace, monkeypatch):
    """The disk is full after a part of the line, as with a real file of limited size."""
    import resource

    folder = workspace()
    store = InputStore(folder)
    store.apply([Add("weighings.csv", WEIGHING)], "ann", "first")
    path = folder / ".history" / "changes.jsonl"
    before = path.read_bytes()
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    entry = store.history.entries()[0]
    resource.setrlimit(resource.RLIMIT_FSIZE, (len(before) + 30, limits[1]))
    try:
        with pytest.raises(OSError, match=r"No space|too large"):
            store.history.append(entry)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert path.read_bytes() == before


def test_a_folder_that_allows_no_moves_is_found_out_before_a_change_counts(workspace, monkeypatch):
    folder = workspace()
    store = InputStore(folder)
    before = inputs_of(folder)
    with monkeypatch.context() as patch:
        patch.setattr(os, "access", lambda place, _mode: Path(place) != folder)
        with pytest.raises(CannotWrite, match="does not allow writing"):
            store.apply(EDITS, "ann", "x")
    again = InputStore(folder)
    assert again.changes() == []
    assert inputs_of(folder) == before


def test_a_change_that_counts_but_cannot_be_put_in_place_is_told_so_and_comes_later(
    workspace, monkeypatch
):
    folder = workspace()
    store = InputStore(folder)
    real = os.replace

    def fails(source: Path, target: Path) -> None:
        if str(target).endswith(".csv"):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        real(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", fails)
        with pytest.raises(CannotWrite, match="The last change is kept"):
            store.apply(EDITS, "ann", "x")
    again = InputStore(folder)
    assert [row.values["test_id"] for row in again.rows("weighings.csv")].count("D9") == 1
    assert [(entry.number, entry.what) for entry in again.changes()] == [(1, "x")]


def test_an_edit_from_outside_is_noted_down_later_where_there_was_no_room(workspace, monkeypatch):
    folder = workspace()
    store = InputStore(folder)
    store.apply(EDITS, "ann", "x")
    path = folder / "weighings.csv"
    path.write_text(path.read_text().replace("90", "91"))
    with monkeypatch.context() as patch:
        patch.setattr(history_module.os, "fsync", no_room)
        assert store.outside_since(0) == []
    assert [entry.files for entry in store.outside_since(0)] == [["weighings.csv"]]


def test_a_folder_in_place_of_a_file_is_no_file_to_replace(workspace):
    folder = workspace({"budgets.csv": None})
    (folder / "budgets.csv").mkdir()
    store = InputStore(folder)
    budget = {
        "season": "2026-27",
        "scope": "agency",
        "scope_id": "all",
        "material": "salt",
        "budget_ton": "40",
    }
    with pytest.raises(CannotWrite, match=r"Is a directory.*nothing was changed"):
        store.apply([Add("budgets.csv", budget)], "ann", "x")
    assert InputStore(folder).changes() == []


def test_drafts_of_accounts_that_a_kill_left_are_removed(workspace):
    folder = workspace()
    (folder / f".{FILE}.draft-0123").write_text("half")
    save_account(folder, "ann", "read", "four plain words here")
    assert not list(folder.glob("..accounts*"))


def test_a_server_forgets_what_dead_ones_left_but_not_what_living_ones_receive(workspace):
    folder = workspace()
    living, dead = Presence(folder), Presence(folder)
    drafts = {one: one.draft(".csv") for one in (living, dead)}
    for draft in drafts.values():
        draft.write_text("x")
    dead._lock.release()  # as the system does when a process is killed
    third = Presence(folder)
    assert (drafts[living].exists(), drafts[dead].exists()) == (True, False)
    third.end()
    living.end()
    assert not list((folder / ".history").glob("server-*"))


def test_a_job_that_was_ended_while_it_moved_results_leaves_them_whole(tmp_path):
    """The worker leaves what a kill leaves: some files moved, some not."""
    import sys

    write_all(tmp_path, "old")
    program = (
        "import json, os, pathlib, sys; staging = pathlib.Path(sys.argv[2]) / 'results/.staging-x';"
        "staging.mkdir(); (staging / 'a.csv').write_text('new');"
        "moves = {'version': 1, 'moves': [['.staging-x/a.csv', 'a.csv']], 'removed': [],"
        "'about': {}};"
        "(staging / 'moves.json').write_text(json.dumps(moves));"
        "os.kill(os.getpid(), 9)"
    )
    jobs = Jobs(tmp_path, [sys.executable, "-c", program])
    job = jobs.wait(jobs.start("calibrate", "", "ann"), 30)
    jobs.close()
    assert job.state == "failed"
    assert results_of(tmp_path) == {"a.csv": b"new", "deep/b.csv": b"old"}


# --- clocks ---


def test_the_history_keeps_its_order_where_the_clock_is_set_back(workspace, monkeypatch):
    folder = workspace()
    store = InputStore(folder)
    moment = datetime(2026, 11, 1, 8, 30).astimezone()  # the night in which an hour comes twice
    for number, hours in enumerate((0, -3, 30 * 24, -1)):
        told = (moment + timedelta(hours=hours)).isoformat(timespec="seconds")
        monkeypatch.setattr("spreadplan.web.files.store.moment_of_change", lambda told=told: told)
        edits = [Add("weighings.csv", {**WEIGHING, "gross_lb": str(90 + number)})]
        store.apply(edits, "ann", f"change {number}")
    assert [(e.number, e.what) for e in InputStore(folder).changes()] == [
        (number + 1, f"change {number}") for number in range(4)
    ]
    store.undo(4, "ben")
    assert "93" not in (folder / "weighings.csv").read_text()


def test_locks_do_not_age(tmp_path):
    """A lock file from the far future, or past, that nobody holds keeps nobody waiting."""
    (tmp_path / "results").mkdir()
    lock = tmp_path / "results" / ".lock"
    for moment in (0, 2**32):
        lock.touch()
        os.utime(lock, (moment, moment))
        with alone(tmp_path, seconds=0.0):
            pass
    held = threading.Event()
    over = threading.Event()

    def hold() -> None:
        with alone(tmp_path):
            held.set()
            over.wait(10)

    thread = threading.Thread(target=hold)
    thread.start()
    held.wait(10)
    os.utime(lock, (0, 0))
    try:
        with pytest.raises(CannotWrite), alone(tmp_path, seconds=0.0):
            pass
    finally:
        over.set()
        thread.join()


def test_moves_that_are_stored_are_read_whatever_the_time(tmp_path):
    write_all(tmp_path, "old")
    staging = tmp_path / "results/.staging-x"
    staging.mkdir()
    (staging / "a.csv").write_text("new")
    (staging / "moves.json").write_text(
        json.dumps(
            {
                "version": 1,
                "moves": [[".staging-x/a.csv", "a.csv"]],
                "removed": ["deep/b.csv"],
                "about": {},
            }
        )
    )
    for path in (staging, staging / "moves.json"):
        os.utime(path, (2**32, 2**32))
    recover(tmp_path / "results")
    assert results_of(tmp_path) == {"a.csv": b"new"}
