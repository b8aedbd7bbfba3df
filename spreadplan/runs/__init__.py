"""One function for each command: read → compute → results → reports. Only here the rooms join."""

from spreadplan.runs.calibrating import calibrate
from spreadplan.runs.comparing import compare
from spreadplan.runs.options import Options, no_progress
from spreadplan.runs.planning import compute_plan, plan, write_plan_tables
from spreadplan.runs.reconciling import compute_use, reconcile
from spreadplan.runs.seasons import compute_season, season
from spreadplan.runs.starting import check, demo, new

__all__ = [
    "Options",
    "calibrate",
    "check",
    "compare",
    "compute_plan",
    "compute_season",
    "compute_use",
    "demo",
    "new",
    "no_progress",
    "plan",
    "reconcile",
    "season",
    "write_plan_tables",
]
