"""One function for each command: read → compute → results → reports. The only place that joins."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path

import pandas as pd

from spreadplan import calibration as calibration_room
from spreadplan.calibration import Calibration
from spreadplan.errors import BadInput, Problem
from spreadplan.resources import resource
from spreadplan.results import ResultStore, open_results
from spreadplan.results.tables import write_csv
from spreadplan.schema.tables import TABLES
from spreadplan.workspace import Workspace, read_workspace
from spreadplan.workspace.load import storm_names
from spreadplan.workspace.starter import write_starter

PER_STORM = tuple(table.name for table in TABLES.values() if table.per_storm)
GENERAL = tuple(table.name for table in TABLES.values() if not table.per_storm)
TESTING = ("trucks", "materials", "discharge_tests", "weighings")

Progress = Callable[[str, int], AbstractContextManager[Callable[[], None]]]


@dataclass(frozen=True)
class Options:
    """How a command speaks, and what it may leave out.

    ``say`` gets what the command did, ``caution`` what is odd but usable; ``progress(what, total)``
    is a context that gives a function to call after each step.
    """

    say: Callable[[str], None]
    caution: Callable[[str], None]
    progress: Progress
    pdf: bool = True


def new(folder: Path, options: Options) -> None:
    """Write a starter workspace."""
    today = date.today()
    start = date(today.year if today.month >= 5 else today.year - 1, 10, 1)
    end = date(start.year + 1, 4, 30)
    _refuse_full(folder)
    files = write_starter(folder, start.isoformat(), end.isoformat())
    options.say(f"{len(files)} files written to {folder}; about-the-files.html explains each")
    options.say(f"replace the example rows with your own, then run: spreadplan check {folder}")


def _refuse_full(folder: Path) -> None:
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise BadInput(
            [Problem(str(folder), 0, "*", "is not a new or empty folder", "name another")]
        )


def check(folder: Path, options: Options) -> None:
    """Read every input, report every problem, write nothing."""
    storms = {storm: PER_STORM for storm in storm_names(folder)}
    workspace = read_workspace(
        folder, required=["trucks", "materials"], optional=[*GENERAL, "policy"], storms=storms
    )
    _cautions(workspace, options)
    for name, frame in workspace.tables.items():
        options.say(f"{TABLES[name].file}: {len(frame)} rows")
    for storm, tables in workspace.storms.items():
        for name, frame in tables.items():
            options.say(f"storms/{storm}/{TABLES[name].file}: {len(frame)} rows")
    _absent(workspace, options)
    options.say("no problems found" if not workspace.cautions else "nothing that stops the work")


def _cautions(workspace: Workspace, options: Options) -> None:
    for caution in workspace.cautions:
        options.caution(f"caution: {caution}")


def _absent(workspace: Workspace, options: Options) -> None:
    for file in workspace.absent:
        options.say(f"{file}: not there; what needs it is left out")


# --- calibrate ---------------------------------------------------------------------------------


def calibrate(folder: Path, options: Options, as_of: str | None = None) -> Calibration:
    """Discharge models with uncertainty, a certificate per truck, a blank work sheet."""
    workspace = read_workspace(
        folder, required=TESTING, optional=["changes", "assignments", "policy"]
    )
    _cautions(workspace, options)
    result = calibrate_fleet(workspace, _as_of(workspace, as_of))
    with open_results(folder) as store:
        _write_calibration(store, workspace, result, options)
    valid = int(result.tests["valid"].sum())
    options.say(
        f"{len(result.models)} discharge models from {valid} of {len(result.tests)} tests that "
        f"count on {result.as_of.tz_convert(workspace.settings.timezone).date()}"
    )
    for line in result.advice[result.advice["need"] == "test"]["advice"]:
        options.say(f"to test: {line}")
    options.say(f"look at {folder / 'results' / 'calibration'}")
    return result


def calibrate_fleet(workspace: Workspace, as_of: pd.Timestamp) -> Calibration:
    """The calibration of every truck as it stands at a moment."""
    return calibration_room.calibrate(
        tests=workspace.table("discharge_tests"),
        weighings=workspace.table("weighings"),
        trucks=workspace.table("trucks"),
        materials=workspace.table("materials"),
        changes=workspace.table("changes"),
        assignments=workspace.table("assignments"),
        policy=workspace.policy,
        as_of=as_of,
    )


def _as_of(workspace: Workspace, given: str | None) -> pd.Timestamp:
    """The date that validity is judged at: the given one, today, or the end of a past season."""
    zone = workspace.settings.timezone
    if given is not None:
        try:
            day = date.fromisoformat(given)
        except ValueError:
            problem = Problem("--as-of", 0, "*", f'"{given}" is not a date', "write 2026-12-01")
            raise BadInput([problem]) from None
    else:
        day = datetime.now(zone).date()
        end = workspace.settings.season_end
        day = min(day, end) if end else day
    return pd.Timestamp(datetime.combine(day, time.max, tzinfo=zone)).tz_convert("UTC")


def _write_calibration(
    store: ResultStore, workspace: Workspace, result: Calibration, options: Options
) -> None:
    zone = workspace.settings.timezone
    for name, frame in (
        ("tests", result.tests),
        ("models", result.models_table),
        ("discharge", result.discharge),
        ("drift", result.drift),
        ("advice", result.advice),
    ):
        write_csv(frame, store.path(f"calibration/{name}.csv"), zone)
    store.discard("calibration/certificate_*")


# --- demo --------------------------------------------------------------------------------------


def demo(folder: Path, options: Options) -> None:
    """Copy the sample county and run every command on it."""
    _refuse_full(folder)
    shutil.copytree(resource("sample_routes") / "county", folder, dirs_exist_ok=True)
    steps: Iterable[tuple[str, Callable[[], object]]] = [
        ("check", lambda: check(folder, options)),
        ("calibrate", lambda: calibrate(folder, options)),
    ]
    for name, step in steps:
        options.say(f"--- spreadplan {name}")
        step()
