"""The plan that a storm is judged by: as it was issued, or from the files where nothing was."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from spreadplan.calibration import Calibration
from spreadplan.planning import StormPlan, plan_storm
from spreadplan.planning.applications import Moment, applications_of, labelled_forecast
from spreadplan.reconcile.in_force import InForce, PlanVersion, in_force
from spreadplan.reconcile.storm import with_area_limits
from spreadplan.reconcile.treatments import treatments_of
from spreadplan.reconcile.use import TruckUse
from spreadplan.runs.calibrating import assignments_of
from spreadplan.runs.planning import plan_inputs
from spreadplan.workspace import Workspace

WEATHER = frozenset({"forecast", "rates"})


def plan_in_force(
    workspace: Workspace, storm: str, fleet: Calibration, trucks: Iterable[TruckUse] = ()
) -> InForce | None:
    """The plan in force, round by round; None where there is no issue, no weather and no rate.

    trucks : what they did; a round that was made is that of the plan in force then.
    """
    issued = workspace.issued.get(storm, ())
    if issued:
        versions = [
            PlanVersion(
                name=str(one.issue.number),
                since_s=one.issue.since.timestamp(),
                segments=one.segments,
                runs=one.runs,
            )
            for one in issued
        ]
        return in_force(versions, treatments_of(list(trucks)))
    if not WEATHER & set(workspace.storms[storm]):
        return None
    return in_force([_of_files(workspace, plan_storm(plan_inputs(workspace, storm, fleet)))], NONE)


NONE = treatments_of([])


def _of_files(workspace: Workspace, plan: StormPlan) -> PlanVersion:
    segments = pd.DataFrame(plan.segments.drop(columns="geometry"))
    segments = with_area_limits(segments)
    return PlanVersion(name="", since_s=0.0, segments=segments, runs=plan.routes)


def round_begins(workspace: Workspace, storm: str) -> dict[str, Moment]:
    """When each application of a storm begins; NaT where nobody gave a time."""
    forecast = labelled_forecast(workspace.forecast(storm))
    rounds = applications_of(forecast, workspace.table("rates", storm))
    return {one.label: one.start for one in rounds}


def assigned_in(workspace: Workspace, storm: str) -> pd.DataFrame:
    """route_id, truck_id and material of a storm: as its plans were issued, then as assigned.

    A truck that an issue gave a route to is at home on it, whatever the files say now.
    """
    names = ["route_id", "truck_id", "material"]
    issued = [one.runs[names] for one in workspace.issued.get(storm, ())]
    rows = pd.concat([*issued, assignments_of(workspace, storm)[names]], ignore_index=True)
    return rows[rows["truck_id"] != ""]


def home_routes(workspace: Workspace, storm: str) -> dict[str, frozenset[str]]:
    """Routes that each truck is at home on in a storm."""
    assigned = assigned_in(workspace, storm).groupby("truck_id")["route_id"]
    return {str(truck): frozenset(routes) for truck, routes in assigned}


def usual_of(workspace: Workspace, storm: str) -> pd.DataFrame:
    """truck_id and material that a storm was planned with: as issued, where it was issued."""
    issued = [one.runs[["truck_id", "material"]] for one in workspace.issued.get(storm, ())]
    if not issued:
        return assignments_of(workspace, storm)
    rows = pd.concat(issued, ignore_index=True)
    rows = rows[(rows["truck_id"] != "") & (rows["material"] != "")]
    others = assignments_of(workspace, storm)
    others = others[~others["truck_id"].isin(rows["truck_id"])]
    return pd.concat([rows, others[["truck_id", "material"]]], ignore_index=True)
