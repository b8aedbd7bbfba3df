"""The drivers' log of a storm beside its cards and, where there are any, its records."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from spreadplan.reconcile.driver_log import driver_entries, given_in_runs
from spreadplan.reconcile.in_force import InForce
from spreadplan.reconcile.storm import segment_table
from spreadplan.reconcile.treatments import treatments_of
from spreadplan.reconcile.use import TruckUse
from spreadplan.runs.in_force import round_begins
from spreadplan.runs.reported import densities
from spreadplan.workspace import Workspace


def beside_cards(
    workspace: Workspace, storm: str, log: pd.DataFrame, segments: pd.DataFrame
) -> pd.DataFrame:
    """What drivers wrote down beside the segments of a plan; nothing is known of what was given."""
    nothing = pd.DataFrame(columns=["truck_id", "application", "route_id", "rate", "low", "high"])
    begins = round_begins(workspace, storm)
    return driver_entries(log, segments, begins, nothing, densities(workspace))


def beside_records(
    workspace: Workspace,
    storm: str,
    plan: InForce | None,
    uses: Sequence[TruckUse],
    trucks: pd.DataFrame,
) -> pd.DataFrame:
    """What drivers wrote down, beside the plan in force and what their trucks gave.

    trucks : truck_id, material, ratio, ratio_lo, ratio_hi.
    """
    log = workspace.table("driver_log", storm)
    if log.empty or plan is None:
        return log.iloc[:0] if log.empty else beside_cards(workspace, storm, log, log.iloc[:0])
    begins = round_begins(workspace, storm)
    starts = plan.runs.reindex(columns=["starts_at"])["starts_at"]
    runs = plan.runs.assign(
        begins=pd.to_datetime(plan.runs["application"].map(begins), utc=True),
        planned_at=pd.to_datetime(starts, utc=True),
    )
    runs = runs[runs["begins"].notna()].drop_duplicates(["application", "route_id"])
    routes = segment_table(workspace.tables["routes"])
    given = given_in_runs(treatments_of(uses), runs, trucks, routes)
    return driver_entries(log, plan.segments, begins, given, densities(workspace))
