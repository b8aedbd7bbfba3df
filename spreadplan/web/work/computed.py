"""What pages show is computed once and kept until an input file changes."""

from __future__ import annotations

import os
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd

from spreadplan import clock
from spreadplan.errors import BadInput, Problem
from spreadplan.runs.calibrating import read_fleet
from spreadplan.runs.what_if import (
    AS_IT_STANDS,
    Calibration,
    PlanView,
    WhatIf,
    plan_from,
    read_for_plan,
)
from spreadplan.workspace import Workspace, read_workspace
from spreadplan.workspace.load import storm_names
from spreadplan.workspace.tomlfiles import Settings, read_settings
from spreadplan.workspace.whole_files import readable_name

T = TypeVar("T")
#: Results that are kept, and how many of them may be plans: one of 100,000 segments takes 75 MB.
MOST_KEPT = 100
MOST_PLANS = 16
#: so long before it begins and after its forecast ends a storm counts as one that runs
AROUND = pd.Timedelta(hours=6)
INPUT_ENDINGS = (".toml", ".csv", ".geojson", ".gpkg", ".gpkg-wal", ".parquet", ".shp", ".dbf")

Fingerprint = tuple[tuple[str, int, int, int], ...]


def input_files(folder: Path) -> list[os.DirEntry[str]]:
    """The files with a workspace's tables: its own and those of each storm, not the telemetry."""
    found = _tables_in(str(folder))
    with suppress(FileNotFoundError), os.scandir(folder / "storms") as storms:
        for storm in storms:
            if storm.is_dir() and not storm.name.startswith("."):
                found += _tables_in(storm.path)
    return found


def _tables_in(place: str) -> list[os.DirEntry[str]]:
    with suppress(FileNotFoundError), os.scandir(place) as entries:
        return [
            entry
            for entry in entries
            if entry.name.endswith(INPUT_ENDINGS) and not entry.name.startswith(".")
        ]
    return []


def fingerprint(folder: Path) -> Fingerprint:
    """Path, size, time and number of every input file: it changes when one of them does."""
    found = []
    for entry in input_files(folder):
        with suppress(FileNotFoundError):  # removed since it was listed
            state = os.stat(entry.path)
            found.append((entry.path, state.st_size, state.st_mtime_ns, state.st_ino))
    return tuple(sorted(found))


def whole_files(workspace: Workspace) -> Workspace:
    """A workspace of which nothing was left out: what is printed is kept, and must be whole.

    Raises BadInput otherwise.
    """
    if workspace.left_out:
        raise BadInput(workspace.left_out)
    return workspace


@dataclass(frozen=True, eq=False)
class FleetView:
    """The fleet with the tables that it was worked out from."""

    workspace: Workspace
    calibration: Calibration


@dataclass
class _Entry:
    lock: threading.Lock
    made: bool = False
    value: Any = None


class Computed:
    """Results by name, for the inputs as they are now. Safe to ask from many threads."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._lock = threading.Lock()
        self._state: Fingerprint = ()
        self._entries: OrderedDict[Hashable, _Entry] = OrderedDict()
        self._left_out: dict[Hashable, tuple[Problem, ...]] = {}

    def remember(self, name: Hashable, make: Callable[[], T]) -> T:
        """What ``make`` returned for these inputs; made anew when an input file has changed.

        Two that ask at the same time wait for one computation. What was made while a file
        changed belongs to the state before, and is not asked for again.
        """
        state = fingerprint(self.folder)
        with self._lock:
            if state != self._state:
                self._state = state
                self._entries.clear()
                self._left_out = {}
            entry = self._entries.setdefault(name, _Entry(threading.Lock()))
            self._entries.move_to_end(name)
            self._make_room()
        with entry.lock:
            if not entry.made:
                entry.value, entry.made = make(), True
            value: T = entry.value
            return value

    def _make_room(self) -> None:
        """Forget what was not asked for the longest."""
        plans = [name for name in self._entries if isinstance(name, tuple) and name[0] == "plan"]
        for name in plans[: max(0, len(plans) - MOST_PLANS)]:
            del self._entries[name]
        while len(self._entries) > MOST_KEPT:
            self._entries.popitem(last=False)

    def left_out(self) -> tuple[Problem, ...]:
        """What is wrong with the rows that the pages leave out, as far as files were read."""
        with self._lock:
            found = [problem for problems in self._left_out.values() for problem in problems]
        return tuple(dict.fromkeys(found))

    def _sound(self, workspace: Workspace, name: Hashable) -> Workspace:
        """A workspace, having noted down which of its rows are left out."""
        with self._lock:
            self._left_out[name] = workspace.left_out
        return workspace

    def tables(self, *names: str) -> Workspace:
        """Some tables of the workspace; each may be absent."""
        return self.remember(
            ("tables", names),
            lambda: self._sound(
                read_workspace(self.folder, required=(), optional=names, leave_out=True), names
            ),
        )

    def settings(self) -> Settings:
        """`workspace.toml`; raises BadInput where it has problems."""

        def make() -> Settings:
            settings, problems = read_settings(self.folder / "workspace.toml")
            if any(problem.fatal for problem in problems):
                raise BadInput(problems)
            return settings

        return self.remember("settings", make)

    def materials(self) -> pd.DataFrame | None:
        """Materials with their names; None where the file cannot be read."""
        try:
            return self.tables("materials").table("materials")
        except BadInput:
            return None

    def storms(self) -> list[str]:
        """The storms of the workspace; one whose name is no text cannot be shown."""
        return [name for name in storm_names(self.folder) if readable_name(name)]

    def storms_running(self) -> list[str]:
        """The storms that run at present, or begin or ended a few hours from now."""

        def make() -> list[tuple[str, pd.Timestamp, pd.Timestamp]]:
            return [span for name in self.storms() if (span := self._span(name))]

        now = pd.Timestamp(clock.now())
        return [
            name
            for name, begin, end in self.remember("spans", make)
            if begin - AROUND <= now <= end + AROUND
        ]

    def _span(self, storm: str) -> tuple[str, pd.Timestamp, pd.Timestamp] | None:
        """Begin and end of a storm by its forecast and rates; None where they have no times."""
        try:
            workspace = read_workspace(
                self.folder, required=(), storms={storm: ("forecast", "rates")}, leave_out=True
            )
        except BadInput:
            return None
        given = [workspace.table(name, storm) for name in ("forecast", "rates")]
        starts = pd.concat([one["start"] for one in given]).dropna()
        ends = pd.concat([starts, given[0]["end"]]).dropna()
        return None if starts.empty else (storm, starts.min(), ends.max())

    def fleet(self) -> FleetView:
        """Trucks, tests and calibrations as they stand today."""
        today = self.settings().today()

        def make() -> FleetView:
            workspace, calibration = read_fleet(self.folder, leave_out=True)
            return FleetView(self._sound(workspace, "fleet"), calibration)

        return self.remember(("fleet", today), make)

    def inputs(self, storm: str) -> tuple[Workspace, Calibration]:
        """What the plan of a storm is made from."""

        def make() -> tuple[Workspace, Calibration]:
            workspace, calibration = read_for_plan(self.folder, storm, leave_out=True)
            return self._sound(workspace, storm), calibration

        return self.remember(("inputs", storm), make)

    def plan(self, storm: str, what_if: WhatIf = AS_IT_STANDS) -> PlanView:
        """The plan of a storm, with changes to try."""

        def make() -> PlanView:
            workspace, fleet = self.inputs(storm)
            return plan_from(workspace, fleet, storm, what_if)

        return self.remember(("plan", storm, what_if), make)
