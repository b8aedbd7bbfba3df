"""Runs the program on a workspace and writes the tables that are compared, without its reports."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from spreadplan.results import open_results
from spreadplan.runs.options import Options, no_progress, write_tables
from spreadplan.runs.planning import compute_plan
from spreadplan.schema.policy import Pick
from spreadplan.views.setting import voice_of


def _nothing(_text: str) -> None:
    """Nobody listens."""


def write_results(folder: Path, storm: str, pick: Pick = "middle") -> datetime:
    """Calibrate for the start of a storm and plan it; the moment that tests were judged at."""
    workspace, fleet, plan = compute_plan(
        folder, storm, Options(_nothing, _nothing, no_progress), pick
    )
    voice = voice_of(workspace.settings, workspace.table("materials"))
    tests = {"tests": fleet.tests, "models": fleet.models_table, "discharge": fleet.discharge}
    tables = {
        "plan_segments": plan.segments.drop(columns="geometry"),
        "plan_routes": plan.routes,
        "plan_yards": plan.yards,
    }
    with open_results(folder) as store:
        write_tables(store, "calibration", tests, voice)
        write_tables(store, storm, tables, voice)
    return fleet.as_of.to_pydatetime()
