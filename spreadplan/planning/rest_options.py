"""Ways out for the rest of a storm, each planned and driven by the clock."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from spreadplan.planning.applications import applications_of, labelled_forecast
from spreadplan.planning.assigned import in_round, with_trucks
from spreadplan.planning.plan import PlanInputs, StormPlan, plan_storm
from spreadplan.planning.rest import staffed_from
from spreadplan.planning.takeover import IN_TIME_MIN, Takeover, take_over, takeover_findings
from spreadplan.planning.truck_clock import SPREAD, WAIT
from spreadplan.remarks import findings_table, merged_findings
from spreadplan.schema.results import RESULTS

AS_ASSIGNED: Final = "as_assigned"
TAKEOVER: Final = "takeover"
REASSIGN: Final = "reassign_late"
SKIP: Final = "skip_lowest_class"
LATER: Final = "later_rounds"
OPTIONS: Final = (AS_ASSIGNED, TAKEOVER, REASSIGN, SKIP, LATER)
"""What may be done: nothing; others take over from trucks that are out; from late trucks too; the
class with the longest promise is left out; rounds to come begin later."""
#: a round is moved by whole steps of so many minutes, and not beyond the hours
_STEP_MIN: Final = 15
_MOST_MIN: Final = 120


#: who could take over from late trucks is looked for unasked among so many of their runs; more take
#: longer than a planner waits in a storm. By trial: a minute on one processor.
MOST_LATE_RUNS: Final = 100


def runs_of_late_trucks(plan: StormPlan) -> int:
    """How many runs the trucks have together that are late, or do not get to something."""
    amiss = plan.segments.loc[_late_rows(plan) | _untreated(plan), "truck_id"].unique()
    return int(plan.routes["truck_id"].isin(set(amiss) - {""}).sum())


@dataclass(frozen=True, eq=False, kw_only=True)
class RestPlans:
    """The rest of a storm, planned in several ways.

    Attributes
    ----------
    plans : by option, doing nothing first; only those that differ from it.
    options : the table ``plan_options``, one row for each of them.
    taken : the option that is the plan.
    """

    plans: Mapping[str, StormPlan]
    options: pd.DataFrame
    taken: str

    @property
    def plan(self) -> StormPlan:
        """The plan of the rest."""
        return self.plans[self.taken]


def rest_inputs(inputs: PlanInputs, wanted: Mapping[tuple[str, str], str]) -> PlanInputs:
    """Inputs with shifts from the moment on and the trucks of the plan in force.

    Parameters
    ----------
    inputs : with ``rest``.
    wanted : truck of each application and route in the plan in force.

    Returns
    -------
    The inputs; a run whose truck is not named keeps that of the files.
    """
    assert inputs.rest is not None
    end = inputs.forecast["end"].max()
    shifts = staffed_from(inputs.shifts, inputs.trucks, inputs.rest, end)
    return replace(inputs, shifts=shifts, assignments=_in_force(inputs, wanted))


def _in_force(inputs: PlanInputs, wanted: Mapping[tuple[str, str], str]) -> pd.DataFrame:
    """The assignments, with the trucks of the plan in force where they are others."""
    found = applications_of(labelled_forecast(inputs.forecast), inputs.rates)
    labels = [one.label for one in found]
    other = {}
    for label in labels:
        now = in_round(inputs.assignments, label, labels)
        for route, truck in zip(now["route_id"], now["truck_id"], strict=True):
            if wanted.get((label, route), truck) != truck:
                other[label, route] = wanted[label, route]
    return with_trucks(inputs.assignments, labels, other) if other else inputs.assignments


def rest_plans(
    inputs: PlanInputs, asked: str = "", tell: Callable[[str, float], None] | None = None
) -> RestPlans:
    """Plan the rest of a storm, and the ways out beside it.

    Parameters
    ----------
    inputs : as `rest_inputs` returns them.
    asked : the option that is to be the plan; "": others take over from trucks that are out, all
        else stays with its truck.
    tell : told what is being done.

    Returns
    -------
    RestPlans. Nothing is changed in the inputs.
    """
    rest = inputs.rest
    assert rest is not None
    say = tell or (lambda what, share: None)
    say("the rest as assigned", 0.0)
    base = plan_storm(inputs)
    plans = {AS_ASSIGNED: base}
    standing = _standing(inputs)
    say("who takes over", 0.2)
    over = take_over(inputs, base, plan_storm, standing, of_trucks=rest.out) if rest.out else None
    now, held = inputs, base
    if over is not None and over.plan is not None:
        plans[TAKEOVER] = _with(over)
        now, held = replace(inputs, assignments=over.assignments), over.plan
    say("ways out", 0.5)
    if asked == REASSIGN or runs_of_late_trucks(held) <= MOST_LATE_RUNS:
        late = take_over(now, held, plan_storm, standing)
        if late.plan is not None:
            plans[REASSIGN] = _with(late)
    plans.update(_others(now, held))
    say("done", 1.0)
    usual = TAKEOVER if TAKEOVER in plans else AS_ASSIGNED
    taken = asked if asked in plans else usual
    rows = [{"option": name, **worth(plan, base)} for name, plan in plans.items()]
    table = pd.DataFrame(rows)[RESULTS["plan_options"].names]
    return RestPlans(plans=plans, options=table, taken=taken)


def _with(over: Takeover) -> StormPlan:
    """The plan after a takeover, with the proposal in it."""
    assert over.plan is not None
    findings = merged_findings(over.plan.findings, takeover_findings(over))
    return replace(over.plan, reassigned=over.table, findings=findings_table(findings))


def _standing(inputs: PlanInputs) -> dict[str, tuple[str, str]]:
    """Yard and material of each truck, as `take_over` asks."""
    assert inputs.rest is not None
    homes = dict(zip(inputs.trucks["truck_id"], inputs.trucks["home_yard_id"], strict=True))
    return {
        name: (now.yard_id or str(homes.get(name) or ""), now.material if now.hopper_lb > 0 else "")
        for name, now in inputs.rest.trucks.items()
        if now.yard_id or homes.get(name)
    }


def _others(inputs: PlanInputs, plan: StormPlan) -> Iterator[tuple[str, StormPlan]]:
    """What else would help where a plan is late or leaves something untreated."""
    if not _late_rows(plan).any() and not _untreated(plan).any():
        return
    rest = inputs.rest
    assert rest is not None
    low = _lowest_class(inputs, plan)
    if len(low):
        left_out = pd.concat([rest.left_out, low], ignore_index=True)
        yield SKIP, plan_storm(replace(inputs, rest=replace(rest, left_out=left_out)))
    later = _later(inputs, plan)
    if later is not None:
        yield LATER, plan_storm(later)


def _lowest_class(inputs: PlanInputs, plan: StormPlan) -> pd.DataFrame:
    """Runs that have only segments of the class with the longest promise; none with one class."""
    promise = {
        str(name): inputs.policy.service(str(name)).first_pass_min
        for name in plan.segments["service_class"].unique()
    }
    longest = {name for name, value in promise.items() if value == max(promise.values())}
    if len(longest) == len(promise):
        return pd.DataFrame(columns=["application", "route_id"])
    low = plan.segments["service_class"].isin(longest)
    every = low.groupby([plan.segments["application"], plan.segments["route_id"]]).all()
    found: pd.DataFrame = every[every].index.to_frame(index=False)
    return found


def _later(inputs: PlanInputs, plan: StormPlan) -> PlanInputs | None:
    """Rounds to come later by as much as a run is late, in whole steps; None where that is none."""
    assert inputs.rest is not None
    at = inputs.rest.at
    coming = [one.label for one in plan.applications if not pd.isna(one.start) and one.start > at]
    late = plan.segments["late_min"].where(plan.segments["application"].isin(coming)).max()
    if not late > IN_TIME_MIN:
        return None
    by = pd.Timedelta(minutes=min(np.ceil(late / _STEP_MIN) * _STEP_MIN, _MOST_MIN))

    def moved(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.assign(start=frame["start"].where(~(frame["start"] > at), frame["start"] + by))

    return replace(inputs, forecast=moved(inputs.forecast), rates=moved(inputs.rates))


def _late_rows(plan: StormPlan) -> pd.Series[bool]:
    late: pd.Series[bool] = plan.segments["late_min"] > IN_TIME_MIN
    return late


def _untreated(plan: StormPlan) -> pd.Series[bool]:
    wanted = plan.segments["target_rate_lb_per_lane_mile"] > 0.0
    untreated: pd.Series[bool] = wanted & plan.segments["treated_at"].isna()
    return untreated


def worth(plan: StormPlan, base: StormPlan) -> dict[str, float]:
    """What a plan of the rest costs.

    Parameters
    ----------
    plan : the plan.
    base : doing nothing; what it would treat and the plan has not is untreated in the plan.

    Returns
    -------
    late_lane_miles, late_min (of the latest), untreated_lane_miles, lb (spread) and hours (of all
    trucks on the road and loading).
    """
    late, miles = _late_rows(plan), plan.segments["lane_miles"]
    clock = plan.clock
    keys = ["application", "route_id", "segment_id", "part"]
    has = pd.MultiIndex.from_frame(plan.segments[keys])
    dropped = ~pd.MultiIndex.from_frame(base.segments[keys]).isin(has)
    dropped &= (base.segments["target_rate_lb_per_lane_mile"] > 0.0).to_numpy()
    untreated = float(miles[_untreated(plan)].sum())
    return {
        "late_lane_miles": float(miles[late].sum()),
        "late_min": float(plan.segments.loc[late, "late_min"].max()) if late.any() else 0.0,
        "untreated_lane_miles": untreated + float(base.segments["lane_miles"][dropped].sum()),
        "lb": float(clock.loc[clock["activity"] == SPREAD, "lb"].sum()),
        "hours": float(clock.loc[clock["activity"] != WAIT, "minutes"].sum() / 60.0),
    }
