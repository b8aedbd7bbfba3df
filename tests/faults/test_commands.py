"""Commands that are stopped, refused or in company: old results or new ones, never a mixture.

A few trials of each kind; `tests/benchmarks/trial_faults.py` runs as many as one likes.
"""

from __future__ import annotations

import os
import signal
import time
from contextlib import suppress

import pytest

from tests.faults.rig import Nursery, arguments_of, results_of, wait_for
from tests.faults.serving import account_killed, serve_killed
from tests.faults.trials import Trials, begin, may_mount, small_disk

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals and forks of POSIX systems")


@pytest.fixture(scope="module")
def trials(tmp_path_factory):
    scratch = tmp_path_factory.mktemp("faults")
    commands = ("calibrate", "plan")
    with Nursery(scratch, commands) as nursery:
        yield Trials(nursery, scratch, seed=1, commands=commands)


@pytest.mark.parametrize("when", ["staging", "moving"])
def test_a_kill_leaves_one_generation(trials, when):
    found = trials.stop("calibrate", signal.SIGKILL, when)
    assert found == "new" or (when == "staging" and found == "old")


def test_who_is_asked_to_stop_says_so_and_tidies_up(trials):
    assert trials.stop("calibrate", signal.SIGINT, "staging") in ("old", "new")


@pytest.mark.parametrize("limit", [600, 110_000])
def test_a_file_that_cannot_grow_is_an_error_even_where_its_library_is_silent(trials, limit):
    """At 110,000 bytes GDAL leaves the last index out of the GeoPackage, silently."""
    folder = trials.fresh()
    before = results_of(folder)
    code, said = trials.nursery.run(*arguments_of("plan", folder), largest_file_bytes=limit)
    assert (code, "Traceback" in said) == (2, False), said
    assert "cannot be written" in said
    assert results_of(folder) == before
    assert not list((folder / "results").glob(".staging-*"))


def test_a_folder_of_results_that_allows_no_writing_keeps_the_old_ones(trials):
    assert trials.no_right("calibrate", "read-only") == "old"


def test_a_full_disk_leaves_the_old_results(trials):
    disk = trials.scratch / "disk"
    if not may_mount(disk):
        pytest.skip("a disk of its own needs root; files of limited size are tried without")
    with small_disk(disk, 4):
        assert trials.full_disk("calibrate", disk) in ("old", "new")


def test_two_commands_at_once_both_get_through(trials):
    assert trials.together(["calibrate", "plan"]) == "new"


def test_who_waits_for_another_command_is_told(trials):
    from spreadplan.results.store import alone

    folder = trials.fresh()
    with alone(folder):
        running = trials.nursery.start(*arguments_of("calibrate", folder))
        assert wait_for(lambda: "waiting until it is done" in running.text, running)
    assert running.code() == 0


def test_a_workspace_that_is_removed_does_not_come_back(trials):
    assert trials.removed("calibrate") in ("old", "new")


# --- whoever listens ---


@pytest.mark.parametrize("closed", [("stderr",), ("stdin", "stdout", "stderr")])
def test_closed_standard_streams_do_not_matter(trials, closed):
    folder = trials.fresh()
    closed = dict.fromkeys(closed)
    code, said = trials.nursery.run(*arguments_of("calibrate", folder), **closed)
    assert (code, "Traceback" in said) == (0, False)
    assert results_of(folder) == trials.known("calibrate").new


def test_a_reader_that_leaves_is_no_error(trials):
    pipe, said = trials.scratch / "pipe", trials.scratch / "said-beside.txt"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    running = trials.nursery.start("check", trials.fresh(), stdout=str(pipe), stderr=str(said))
    assert wait_for(lambda: said.exists(), running)  # it is opened after the pipe
    os.close(reader)  # before a word is said
    assert running.code() == 0
    assert said.read_text() == ""


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full here")
def test_words_that_are_lost_to_a_full_disk_are_an_error(trials):
    said = trials.scratch / "said-to-nobody.txt"
    running = trials.nursery.start("check", trials.fresh(), stdout="/dev/full", stderr=str(said))
    assert running.code() == 2
    assert said.read_text() == (
        "standard output: cannot be written (No space left on device); the work is done\n"
    )


# --- beginnings ---


@pytest.mark.parametrize("limit", [100, 2_000])
def test_a_beginning_that_failed_is_finished_by_the_same_command(trials, limit):
    assert begin(trials, "new", None, limit) == "old"


def test_a_killed_beginning_is_finished_by_the_same_command(trials):
    assert begin(trials, "new", signal.SIGKILL, None) in ("old", "new")


def test_files_that_are_not_ours_are_never_written_over(trials, tmp_path):
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "trucks.csv").write_text("truck_id\nOWN\n")
    code, said = trials.nursery.run("new", folder)
    assert (code, "not a new or empty folder" in said) == (2, True)
    assert [path.name for path in folder.iterdir()] == ["trucks.csv"]


def test_two_who_begin_the_same_folder_only_one_does(trials, tmp_path):
    folder = tmp_path / "county"
    running = [trials.nursery.start("new", folder) for _ in range(3)]
    assert sorted(one.code() for one in running) == [0, 2, 2]
    assert trials.opens(folder) == ""


# --- accounts and the web application ---


def test_a_kill_leaves_the_accounts_whole(trials):
    assert account_killed(trials) in ("old", "new")


def test_what_the_web_application_acknowledged_survives_a_kill(trials):
    assert serve_killed(trials, seconds=0.6, jobs=False) == "new"


def test_a_server_over_a_folder_that_allows_no_writing_shows_it(trials):
    folder = trials.fresh()
    for path in (folder, folder / "results"):
        path.chmod(0o555)
    try:
        running = trials.nursery.start("serve", folder, "--port", "0", without_rights=True)
        assert wait_for(lambda: "Ctrl+C stops it" in running.text, running), running.text
        assert "does not allow writing; forms can be looked at but not saved" in running.text
        time.sleep(0.1)
        running.kill(signal.SIGTERM)
        assert running.code() == 0, running.text
    finally:
        with suppress(ProcessLookupError):
            running.kill()
        for path in (folder, folder / "results"):
            path.chmod(0o755)


@pytest.mark.parametrize("words", [("new", "{}/x"), ("account", "{}", "ann", "--role", "read")])
def test_a_folder_that_allows_no_writing_is_said_in_one_line(trials, words):
    folder = trials.fresh()
    secret = trials.scratch / "secret"
    secret.write_text("four plain words here\n")
    folder.chmod(0o555)
    try:
        words = [word.format(folder) for word in words]
        code, said = trials.nursery.run(*words, stdin=str(secret), without_rights=True)
    finally:
        folder.chmod(0o755)
    assert (code, "Traceback" in said) == (2, False), said
    assert "cannot be written (Permission denied)" in said


@pytest.mark.parametrize("place", ["storms", "storms/s1", "storms/s1/telemetry"])
def test_a_folder_that_cannot_be_read_is_said_in_one_line(trials, place):
    folder = trials.fresh()
    (folder / place).chmod(0o000)
    try:
        code, said = trials.nursery.run("check", folder, without_rights=True)
    finally:
        (folder / place).chmod(0o755)
    assert (code, "Traceback" in said) == (2, False), said
    assert "Permission denied" in said
