"""The plan that is in force at a moment of a storm: who was to do what when."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import pandas as pd

from spreadplan.calibration import Calibration
from spreadplan.planning import StormPlan, plan_storm
from spreadplan.runs.planning import plan_inputs
from spreadplan.workspace import Workspace
from spreadplan.workspace.issued import CLOCK, ISSUED, TIMES, IssuedPlan

RUN: Final = ["application", "route_id"]
SEGMENT: Final = [*RUN, "segment_id"]


@dataclass(frozen=True, eq=False, kw_only=True)
class PlanNow:
    """The plan in force, with what earlier issues had that it has no more.

    Attributes
    ----------
    number : of its issue, 0 for the plan from the files.
    runs : application, route_id, truck_id, begins (of the round), planned_at (when the run was to
        begin, NaT where that is not known).
    times : application, route_id, segment_id, truck_id, treated_at, one row a part; of an earlier
        issue only what was due before the next came into force.
    clock : as the table ``plan_clock``, likewise; empty where an issue has none.
    """

    number: int
    runs: pd.DataFrame
    times: pd.DataFrame
    clock: pd.DataFrame


def plan_now(workspace: Workspace, storm: str, fleet: Calibration, at: pd.Timestamp) -> PlanNow:
    """The newest issue not later than a moment, else the plan from the files."""
    issued = [one for one in workspace.issued.get(storm, ()) if one.issue.since <= at]
    if not issued:
        # what the files say now; the storm has not begun for it
        plan = plan_storm(plan_inputs(workspace, storm, fleet, at=at))
        begins = {one.label: one.start for one in plan.applications}
        return PlanNow(
            number=0,
            runs=_runs(plan.routes, plan.clock, plan.routes["application"].map(begins)),
            times=times_of(plan),
            clock=plan.clock,
        )
    whole = [_of_issue(workspace, one) for one in issued]
    runs, times, clocks = [], [], []
    for place, one in enumerate(whole):
        later = issued[place + 1].issue.since if place + 1 < len(issued) else None
        runs.append(one.runs)
        times.append(one.times if later is None else one.times[one.times["treated_at"] <= later])
        clocks.append(one.clock if later is None else one.clock[one.clock["start"] < later])
    return PlanNow(
        number=issued[-1].issue.number,
        runs=pd.concat(runs).drop_duplicates(RUN, keep="last").reset_index(drop=True),
        times=pd.concat(times, ignore_index=True),
        clock=pd.concat(clocks, ignore_index=True),
    )


def times_of(plan: StormPlan) -> pd.DataFrame:
    """When each part of each segment is treated by a plan."""
    return pd.DataFrame(plan.segments[[*SEGMENT, "truck_id", "treated_at"]])


def _of_issue(workspace: Workspace, plan: IssuedPlan) -> PlanNow:
    place = workspace.folder / "storms" / plan.issue.storm / ISSUED / str(plan.issue.number)
    none = plan.segments[[*SEGMENT, "truck_id"]].assign(
        treated_at=pd.Series(pd.NaT, index=plan.segments.index, dtype="datetime64[ns, UTC]")
    )
    times = pd.read_parquet(place / TIMES) if TIMES in plan.issue.files else none
    clock = (
        pd.read_parquet(place / CLOCK) if CLOCK in plan.issue.files else NO_CLOCK.iloc[:0].copy()
    )
    begins = plan.segments.drop_duplicates("application").set_index("application")["start"]
    return PlanNow(
        number=plan.issue.number,
        runs=_runs(plan.runs, clock, plan.runs["application"].map(begins)),
        times=times,
        clock=clock,
    )


NO_CLOCK: Final = pd.DataFrame(
    {
        **{name: pd.Series([], dtype=object) for name in ("truck_id", "activity", *RUN)},
        **{name: pd.Series([], dtype="datetime64[ns, UTC]") for name in ("start", "end")},
        "lb": pd.Series([], dtype=float),
    }
)


def _runs(runs: pd.DataFrame, clock: pd.DataFrame, begins: pd.Series) -> pd.DataFrame:
    spread = clock[clock["activity"] == "spread"]
    first = spread.groupby(RUN)["start"].min().rename("planned_at")
    found = runs[[*RUN, "truck_id"]].assign(begins=begins.to_numpy())
    found["begins"] = pd.to_datetime(found["begins"], utc=True)
    found = found.drop_duplicates(RUN, keep="last").join(first, on=RUN)
    found["planned_at"] = pd.to_datetime(found["planned_at"], utc=True)
    return found[found["begins"].notna()].reset_index(drop=True)
