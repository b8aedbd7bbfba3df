"""Long work in a process of its own."""

from __future__ import annotations

import os
import sys
import time

import pytest

from spreadplan import runs
from spreadplan.reports import render
from spreadplan.runs import Options
from spreadplan.web.work.jobs import MOST_WAITING, Jobs, TooManyJobs
from tests.blank_charts import blank_charts
from tests.web.visitors import browser, site_of

#: Tells how it goes like the real worker, starts a helper, and takes its time.
SLOW = """
import json, pathlib, subprocess, sys, time
folder = pathlib.Path(sys.argv[2])
helper = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
(folder / "helper").write_text(str(helper.pid))
print(json.dumps({"stage": "planning", "share": 0.25}), flush=True)
print("talk of a library", flush=True)
print("[1, 2]", flush=True)
print(json.dumps({"say": "half done"}), flush=True)
time.sleep(60)
"""
#: The real worker without PDF files; it dawdles before results count.
REAL = """
import sys, time
from spreadplan.reports import render
from spreadplan.results.store import ResultStore
from spreadplan.web.work import worker
render.pdf_possible = lambda: False
commit = ResultStore._commit
def dawdle(store):
    worker.tell(say="about to put the results in place")
    time.sleep(60)
    commit(store)
ResultStore._commit = dawdle
sys.exit(worker.main(sys.argv[1:]))
"""
QUICK = 'import json; print(json.dumps({"say": "hello"}))'


def worker(code: str) -> tuple[str, ...]:
    return (sys.executable, "-c", code)


def until(condition, seconds: float = 20.0) -> None:
    """Wait until something is so."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.02)


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    with open(f"/proc/{pid}/stat") as stat:  # one that ended but was not fetched yet is not alive
        return stat.read().rpartition(")")[2].split()[0] != "Z"


@pytest.mark.slow
def test_the_plan_of_a_storm_is_made_by_the_command_itself(workspace):
    folder = workspace()
    jobs = Jobs(folder)
    try:
        job = jobs.wait(jobs.start("plan", "s1", "ann"), 90)
        assert job.state == "done", (job.said, job.problems)
        assert job.share == 1.0
        assert any("yard Y1" in line for line in job.said)
        assert (folder / "results/s1/plan_report.html").is_file()
        assert (folder / "results/s1/plan_report.pdf").is_file() == render.pdf_possible()
    finally:
        jobs.close()


@pytest.mark.slow
def test_problems_of_the_input_are_told(workspace):
    folder = workspace({"trucks.csv": "truck_id\nT1\n"})
    jobs = Jobs(folder)
    try:
        job = jobs.wait(jobs.start("calibrate", "", "ann"), 60)
        assert job.state == "failed"
        assert job.problems[0]["file"] == "trucks.csv"
        assert not list(folder.glob("results/calibration/*"))
    finally:
        jobs.close()


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_a_job_is_watched_and_stopped_with_its_helpers(workspace):
    folder = workspace()
    jobs = Jobs(folder, worker(SLOW))
    try:
        job = jobs.start("plan", "s1", "ann")
        until(lambda: job.said)
        assert (job.state, job.stage, job.share) == ("running", "planning", 0.25)
        assert list(job.said) == ["half done"]
        helper = int((folder / "helper").read_text())
        assert alive(helper)
        jobs.stop(job.number)
        jobs.wait(job, 10)
        assert job.state == "stopped"
        until(lambda: not alive(helper))
        after = jobs.start("plan", "s1", "ann")  # the line goes on
        assert after.number == job.number + 1
        until(lambda: after.said)
    finally:
        jobs.close()
    assert after.state == "stopped"


def test_jobs_run_one_after_the_other_and_are_not_asked_for_twice(workspace):
    jobs = Jobs(workspace(), worker(SLOW))
    try:
        first = jobs.start("plan", "s1", "ann")
        second = jobs.start("plan", "s2", "ann")
        assert jobs.start("plan", "s1", "ben") is first
        until(lambda: first.said)
        assert second.state == "waiting"
        jobs.stop(second.number)
        assert second.state == "stopped"
        for n in range(MOST_WAITING - 1):
            jobs.start("plan", f"w{n}", "ann")
        with pytest.raises(TooManyJobs):
            jobs.start("plan", "one more", "ann")
    finally:
        jobs.close()


def test_only_known_commands_run(workspace):
    jobs = Jobs(workspace(), worker(QUICK))
    for command in ("", "demo", "new", "__class__", "Options"):
        with pytest.raises(ValueError, match="not a command"):
            jobs.start(command, "", "ann")


def test_a_worker_that_dies_without_a_word_is_told(workspace):
    jobs = Jobs(workspace(), worker("import os; os._exit(9)"))
    try:
        job = jobs.wait(jobs.start("plan", "s1", "ann"), 20)
        assert job.state == "failed"
        assert "without a word" in job.said[0]
    finally:
        jobs.close()


@pytest.mark.slow
def test_results_stay_whole_when_a_job_is_stopped_while_it_writes(workspace):
    folder = workspace()
    here = Options(pdf=False)
    with blank_charts():
        runs.plan(folder, "s1", here)
    jobs = Jobs(folder, worker(REAL))
    place = folder / "results" / "s1"

    def tables() -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in place.glob("*.csv")}

    try:
        before = tables()
        rates = folder / "storms/s1/rates.csv"
        rates.write_text(rates.read_text().replace(",200", ",300"))
        job = jobs.start("plan", "s1", "ann")
        until(lambda: any("in place" in line for line in job.said), 60)
        assert list((folder / "results").glob(".staging-*"))
        jobs.stop(job.number)
        jobs.wait(job, 20)
        assert job.state == "stopped"
        assert tables() == before
        with blank_charts():
            runs.plan(folder, "s1", here)  # no lock is left
        assert tables()["plan_segments.csv"] != before["plan_segments.csv"]
        assert not list((folder / "results").glob(".staging-*"))
    finally:
        jobs.close()


def test_jobs_over_the_web(workspace):
    folder = workspace()
    site = site_of(folder)
    site.jobs = Jobs(folder, worker(SLOW))
    visitor = browser(folder, site=site)
    try:
        assert visitor.do("/jobs", {"command": "plan", "storm": "s9"}).status_code == 400
        assert visitor.do("/jobs", {"command": "plan"}).status_code == 400
        assert visitor.do("/jobs", {"command": "rm"}).status_code == 404
        answer = visitor.post(
            "/jobs",
            data={"command": "plan", "storm": "s1"},
            headers={"x-csrf-token": visitor.token(), "accept": "application/json"},
        )
        assert answer.status_code == 202
        number = answer.json()["number"]
        until(lambda: visitor.get(f"/jobs/{number}").json()["said"])
        assert "half done" in visitor.get("/jobs").text
        assert visitor.get("/jobs/99").status_code == 404
        visitor.do(f"/jobs/{number}/stop")
        assert visitor.get(f"/jobs/{number}").json()["state"] == "stopped"
    finally:
        site.jobs.close()
