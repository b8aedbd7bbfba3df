"""The `calibrate` command."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time
from pathlib import Path

import pandas as pd

from spreadplan import calibration as calibration_room
from spreadplan.calibration import Calibration, LiquidRecords
from spreadplan.calibration.brine_strength import brine_table
from spreadplan.errors import BadInput, Problem
from spreadplan.frames import lines
from spreadplan.remarks import Remark, remark
from spreadplan.reports.certificate import certificates, which_calibration, work_sheet
from spreadplan.reports.liquid_circuits import liquid_sheet
from spreadplan.results import ResultStore, open_results
from spreadplan.runs.options import Options, say_cautions, write_reports, write_tables
from spreadplan.schema.tables import TABLES
from spreadplan.views.display import file_names
from spreadplan.views.setting import setting_of, voice_of
from spreadplan.workspace import Workspace, read_workspace
from spreadplan.workspace.parse import YEARS
from spreadplan.workspace.whole_files import stands_there

SOLIDS = ("discharge_tests", "weighings")
LIQUIDS = ("liquid_tests", "catches")
TESTS = (*SOLIDS, *LIQUIDS)
OF_LIQUIDS = ("liquid", "liquid_tests", "nozzles")
"""The result tables of liquid circuits, which a fleet may not have."""


def calibrate(folder: Path, options: Options, as_of: str | None = None) -> Calibration:
    """Discharge models with uncertainty, a certificate per truck, a blank work sheet."""
    workspace = read_workspace(
        folder,
        required=_needed(folder),
        optional=[*TESTS, "brine_batches", "changes", "assignments", "policy"],
    )
    say_cautions(workspace, options)
    result = calibrate_fleet(workspace, judged_at(workspace, as_of))
    with open_results(folder, options.caution) as store:
        _write_calibration(store, workspace, result, options)
    voice = voice_of(workspace.settings, workspace.table("materials"))
    valid, tests = int(result.tests["valid"].sum()), len(result.tests)
    made = remark(
        "models_made", models=len(result.models), valid=valid, tests=tests, on=result.as_of
    )
    options.say(voice.say(made))
    for line in (*_said_of_liquids(result), *_said_of_brine(brine_of(workspace))):
        options.say(voice.say(line))
    for line in lines(result.advice[result.advice["need"] == "test"]):
        which = which_calibration(line.material, line.gate_in)
        due = remark("to_be_tested", truck=line.truck_id, which=which, advice=line.advice)
        options.say(voice.say(due))
    options.say(f"look at {folder / 'results' / 'calibration'}")
    return result


def _said_of_liquids(result: Calibration) -> Iterator[Remark]:
    """How many liquid circuits are calibrated, and which nozzles want looking at."""
    tests = result.liquid_tests
    if tests.empty:
        return
    valid = int(tests["valid"].sum())
    circuits = len(result.liquid_models)
    yield remark("liquid_models_made", circuits=circuits, valid=valid, tests=len(tests))
    trucks = tests[tests["valid"]].set_index("test_id")["truck_id"]
    unsound = result.nozzles[
        result.nozzles["verdict"].isin(["clogged", "worn"])
        & result.nozzles["test_id"].isin(trucks.index)
    ]
    for test_id, rows in unsound.groupby("test_id", sort=False):
        names = tuple(rows["nozzle"])
        yield remark("nozzles_unsound", truck=trucks[test_id], nozzles=names, test=str(test_id))


def brine_of(workspace: Workspace) -> pd.DataFrame:
    """The strength of every batch of brine, see `brine_strength.brine_table`."""
    return brine_table(workspace.table("brine_batches"), workspace.table("materials"))


def _said_of_brine(batches: pd.DataFrame) -> Iterator[Remark]:
    """How many batches are accepted, and what to do about the others."""
    if batches.empty:
        return
    accepted = int((batches["verdict"] == "accepted").sum())
    yield remark("brine_batches", batches=len(batches), accepted=accepted)
    for row in lines(batches[batches["verdict"] != "accepted"]):
        yield remark(
            "brine_batch",
            batch=row.batch_id,
            material=row.material,
            verdict=row.verdict,
            advice=row.advice,
        )


def _needed(folder: Path) -> tuple[str, ...]:
    """The tables that `calibrate` cannot do without; a fleet may have tests of liquids alone."""
    liquids = stands_there(folder / TABLES["liquid_tests"].file)
    solids = any(stands_there(folder / TABLES[name].file) for name in SOLIDS)
    return ("trucks", "materials", *(SOLIDS if solids or not liquids else ()))


def read_fleet(
    folder: Path, as_of: str | None = None, *, leave_out: bool = False
) -> tuple[Workspace, Calibration]:
    """Trucks and calibrations as they stand; a fleet without tests has none yet.

    leave_out : see `read_workspace`.
    """
    workspace = read_workspace(
        folder,
        required=("trucks", "materials"),
        optional=(*TESTS, "changes", "assignments", "policy"),
        leave_out=leave_out,
    )
    return workspace, calibrate_fleet(workspace, judged_at(workspace, as_of))


def calibrate_fleet(workspace: Workspace, as_of: pd.Timestamp, storm: str = "") -> Calibration:
    """The calibration of every truck as it stands at a moment; for a storm, with its own trucks."""
    return calibration_room.fit_fleet(
        tests=workspace.table("discharge_tests"),
        weighings=workspace.table("weighings"),
        trucks=workspace.table("trucks"),
        materials=workspace.table("materials"),
        changes=workspace.table("changes"),
        assignments=assignments_of(workspace, storm),
        policy=workspace.policy,
        as_of=as_of,
        liquids=LiquidRecords(workspace.table("liquid_tests"), workspace.table("catches")),
    )


def assignments_of(workspace: Workspace, storm: str) -> pd.DataFrame:
    """The assignments of a storm, its own among them; those of all storms for ""."""
    general = workspace.table("assignments")
    if not storm:
        return general
    from spreadplan.planning.assigned import with_own  # late: calibrate alone needs no planning

    return with_own(general, workspace.table("storm_assignments", storm))


def with_liquids(workspace: Workspace) -> bool:
    """Whether the workspace has liquid circuits: tests of them, or trucks with a liquid tank."""
    trucks = workspace.table("trucks")
    tested = len(workspace.table("liquid_tests")) > 0
    return tested or bool(trucks["liquid_tank_gal"].notna().any())


def judged_at(workspace: Workspace, given: str | None) -> pd.Timestamp:
    """The date that validity is judged at: the given one, the workspace's today, or the end of a
    past season.
    """
    zone = workspace.settings.timezone
    if given is not None:
        day = _given_day(given)
    else:
        day = workspace.settings.today()
        end = workspace.settings.season_end
        day = min(day, end) if end else day
    return pd.Timestamp(datetime.combine(day, time.max, tzinfo=zone)).tz_convert("UTC")


def _given_day(given: str) -> date:
    fault = f"lies outside the years {YEARS[0]} to {YEARS[1]}"
    try:
        day = date.fromisoformat(given)
        if YEARS[0] <= day.year <= YEARS[1]:
            return day
    except ValueError:
        fault = "is not a date"
    raise BadInput(
        [
            Problem(
                file="--as-of",
                row=0,
                column="*",
                what=f'"{given}" {fault}',
                remedy="write 2026-12-01",
            )
        ]
    )


def calibration_tables(result: Calibration) -> dict[str, pd.DataFrame]:
    """Every table of a calibration by the name of its file."""
    return {
        "tests": result.tests,
        "models": result.models_table,
        "discharge": result.discharge,
        **({name: getattr(result, name) for name in OF_LIQUIDS} if len(result.liquid) else {}),
        "drift": result.drift,
        "advice": result.advice,
    }


def _write_calibration(
    store: ResultStore, workspace: Workspace, result: Calibration, options: Options
) -> None:
    voice = voice_of(workspace.settings, workspace.table("materials"))
    write_tables(store, "calibration", calibration_tables(result), voice)
    brine = brine_of(workspace)
    if len(brine):
        write_tables(store, "calibration", {"brine": brine}, voice)
    store.discard("calibration/brine.csv")
    store.discard("calibration/certificate_*")
    store.discard("calibration/work_sheet_liquid*")
    for name in OF_LIQUIDS:
        store.discard(f"calibration/{name}.csv")
    write_reports(store, _pages(workspace, result), "certificates", options)


def _pages(workspace: Workspace, result: Calibration) -> Iterator[tuple[str, str]]:
    setting = setting_of(workspace.settings, workspace.table("materials"))
    trucks = workspace.table("trucks")
    names = file_names(trucks["truck_id"])
    for truck_id, page in certificates(
        result, trucks, workspace.table("changes"), workspace.policy, setting
    ):
        yield f"calibration/certificate_{names[truck_id]}", page
    yield "calibration/work_sheet", work_sheet(setting, result.as_of)
    if with_liquids(workspace):
        yield "calibration/work_sheet_liquid", liquid_sheet(setting, result.as_of)
