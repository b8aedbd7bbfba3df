"""The trucks followed by workers of a Dask scheduler: the same results, whatever dies meanwhile."""

from __future__ import annotations

import os
import shutil
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from spreadplan import runs
from spreadplan.cli import main
from spreadplan.matching.network import Network
from spreadplan.reconcile.use import TruckUse
from spreadplan.runs.cluster import WrongVersions, use_of, versions
from spreadplan.runs.crews import Crew, TruckTask, threads
from spreadplan.schema.telemetry import TruckRecords

pytestmark = pytest.mark.usefixtures("blank_charts")

COUNTY = Path(__file__).parents[1] / "sample_routes" / "county"
STORM = "2027-02-04-night-snow"


def quiet(pdf: bool = False) -> runs.Options:
    return runs.Options(lambda text: None, lambda text: None, runs.no_progress, pdf)


@pytest.fixture(scope="module")
def county(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample county with one storm only, reconciled on this computer."""
    folder = tmp_path_factory.mktemp("cluster") / "county"
    leave = shutil.ignore_patterns(
        *(p.name for p in (COUNTY / "storms").iterdir() if p.name != STORM)
    )
    shutil.copytree(COUNTY, folder, ignore=leave)
    runs.reconcile(folder, STORM, quiet())
    return folder


@pytest.fixture(scope="module")
def scheduler() -> Iterator[Any]:
    """A scheduler with two workers, each a process that is started again when it dies."""
    distributed = pytest.importorskip("distributed", reason="pip install 'spreadplan[cluster]'")
    import dask

    # a worker that finds nobody to talk to while the cluster closes is no fault of the test
    with (
        dask.config.set({"distributed.worker.daemon": False}),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50
        ) as cluster,
    ):
        yield cluster


def files(folder: Path) -> dict[str, bytes]:
    """Result files by name; a GeoPackage holds the time at which it was written."""
    results = folder / "results" / STORM
    return {path.name: path.read_bytes() for path in results.iterdir() if path.suffix != ".gpkg"}


def test_results_are_the_same_to_the_bit_though_a_worker_is_killed(
    county: Path, scheduler: Any, monkeypatch: pytest.MonkeyPatch
):
    here = files(county)
    shutil.rmtree(county / "results")
    killed: list[int] = []

    def busy_worker() -> int:
        """The process of a worker that computes, or holds what nobody has fetched yet."""
        states = scheduler.scheduler.workers.values()
        state = max(states, key=lambda one: (len(one.processing), len(one.has_what)))
        assert state.processing or state.has_what
        (pid,) = {
            nanny.pid
            for nanny in scheduler.workers.values()
            if nanny.worker_address == state.address
        }
        return int(pid)

    in_order = Crew.in_order

    def killing(self: Crew, jobs: Any) -> Iterator[tuple[TruckUse, TruckRecords]]:
        for number, found in enumerate(in_order(self, jobs)):
            if number == 1:
                killed.append(busy_worker())
                os.kill(killed[0], signal.SIGKILL)
            yield found

    monkeypatch.setattr(Crew, "in_order", killing)
    runs.reconcile(county, STORM, quiet(), scheduler.scheduler_address)
    assert killed
    with pytest.raises(OSError):  # noqa: PT011 - the process is gone, or is a new one's child
        os.kill(killed[0], 0)
    there = files(county)
    assert there.keys() == here.keys()
    assert {name for name in here if here[name] != there[name]} == set()


def test_the_command_takes_an_address(county: Path, scheduler: Any):
    before = files(county)
    address = scheduler.scheduler_address
    assert main(["reconcile", str(county), STORM, "--no-pdf", "--cluster", address]) == 0
    assert files(county) == before


def test_nobody_at_the_address_is_bad_input(
    county: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    pytest.importorskip("distributed", reason="pip install 'spreadplan[cluster]'")
    monkeypatch.setattr("spreadplan.runs.cluster.SECONDS_TO_WAIT", 1)
    address = "tcp://127.0.0.1:1"
    assert main(["reconcile", str(county), STORM, "--no-pdf", "--cluster", address]) == 2
    assert "no scheduler answers at tcp://127.0.0.1:1" in capsys.readouterr().err


def test_without_the_package_the_command_says_how_to_get_it(
    county: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main(["reconcile", str(county), STORM, "--no-pdf", "--cluster", "tcp://x:1"]) == 2
    assert "pip install 'spreadplan[cluster]'" in capsys.readouterr().err


def test_a_worker_with_other_programs_refuses():
    other = (("spreadplan", "0.0.1"), *versions()[1:])
    with pytest.raises(WrongVersions, match=r"it has spreadplan .*, not 0\.0\.1"):
        use_of(other, None, None)  # type: ignore[arg-type]


# --- threads of this computer -------------------------------------------------------------------


class Later:
    """A result that is there when it is asked for."""

    def __init__(self, use: Any, asked: list[Any]) -> None:
        self.use, self.asked = use, asked

    def result(self) -> Any:
        self.asked.append(self.use)
        return self.use


@pytest.mark.parametrize("ahead", [1, 3, 100])
def test_results_come_in_order_and_only_so_many_jobs_are_out(ahead: int):
    given: list[Any] = []
    asked: list[Any] = []

    def submit(job: Any) -> Any:
        given.append(job.own_routes)
        assert len(given) - len(asked) <= ahead
        return Later(job.own_routes, asked)

    jobs = [TruckTask(None, number, "") for number in range(10)]  # type: ignore[arg-type]
    assert [use for use, _ in Crew(submit, ahead).in_order(jobs)] == list(range(10))
    assert asked == given == list(range(10))


def test_a_fault_in_one_truck_stops_the_work(monkeypatch: pytest.MonkeyPatch):
    def fails(network: Network, records: Any, *rest: Any) -> Any:
        if records == 3:
            raise ValueError("truck 3")
        return records

    monkeypatch.setattr("spreadplan.runs.crews.truck_use", fails)
    seen: list[Any] = []

    def follow(jobs: list[TruckTask]) -> None:
        with threads(None, 2) as crew:  # type: ignore[arg-type]
            seen.extend(use for use, _ in crew.in_order(jobs))

    with pytest.raises(ValueError, match="truck 3"):
        follow([TruckTask(number, frozenset(), "") for number in range(100)])  # type: ignore[arg-type]


def test_one_thread_and_many_give_the_same(county: Path, monkeypatch: pytest.MonkeyPatch):
    before = files(county)
    monkeypatch.setattr("spreadplan.runs.crews.processors", lambda: 1)
    runs.reconcile(county, STORM, quiet())
    assert files(county) == before
    assert pd.read_csv(county / "results" / STORM / "use_trucks.csv")[
        "truck_id"
    ].is_monotonic_increasing
