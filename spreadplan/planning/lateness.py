"""What does not fit into the hours, and what would help, tried out on the clock."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.planning.applications import Application, Moment
from spreadplan.planning.clock_tables import Clock, Trip
from spreadplan.planning.frames import groups
from spreadplan.planning.promises import event_end_min, promised
from spreadplan.planning.truck_clock import SPREAD, WAIT, Course
from spreadplan.remarks import Finding, Remark, remark
from spreadplan.schema.policy import Policy

Floats = NDArray[np.float64]

#: less than this is rounding, in minutes
LATE: Final = 0.5
#: starts are moved by whole steps of so many minutes
_STEP_MIN: Final = 5.0
#: less than this is as much, in pounds
_SAME_LB: Final = 0.5
#: remedies are tried for the trucks that are latest; our choice.
_MOST_TRIED: Final = 5


@dataclass(frozen=True, kw_only=True)
class Hours:
    """A plan's rows and clock, for looking at lateness and trying other starts.

    rows : run, application, service_class, lane_miles, route_id, target_rate_lb_per_lane_mile,
        late_min. event_end_min : as `promises.promised` takes it.
    """

    rows: Any
    clock: Clock
    applications: Sequence[Application]
    policy: Policy
    event_end_min: float

    @property
    def starts_min(self) -> dict[str, float]:
        """Start of each application in minutes."""
        return {one.label: self.clock.minutes(one.start) for one in self.applications}

    def late_lane_miles(self, course: Course, starts: Mapping[str, float]) -> float:
        """Lane-miles that one truck treats late, were it to drive that course."""
        run, rounds = self.rows["run"].to_numpy(), len(self.applications)
        treated, mine = self.clock.treated_min.copy(), np.zeros(len(run), dtype=bool)
        for number, done in course.done.items():
            here = slice(first := int(np.searchsorted(run, number, side="left")), first + len(done))
            treated[here], mine[here] = done, True
        # its parts in all rounds: who treats them in the others counts too
        part = np.flatnonzero(mine.reshape(rounds, -1).any(axis=0))
        at = (np.arange(rounds)[:, None] * (len(run) // rounds) + part).reshape(-1)
        rows = self.rows.iloc[at]
        begins = rows["application"].map(dict(starts)).to_numpy(dtype=float)
        found = promised(rows, treated[at], begins, self.event_end_min, self.policy)
        late = mine[at] & (found["late_min"] > LATE).to_numpy()
        return float(rows["lane_miles"].to_numpy()[late].sum())


@dataclass(frozen=True)
class _Overlap:
    """A truck that cannot leave for a round when it begins, because the one before lasts."""

    truck: str
    before: str
    application: str
    late_min: float
    needs_min: float
    every_min: float


def lateness(
    rows: Any,
    clock: Clock,
    applications: Sequence[Application],
    policy: Policy,
    event_end: Moment,
) -> list[Finding]:
    """Rounds that begin before a truck is done, promises that are missed, what nobody drives.

    The arguments are those of `promises.with_times`, with the rows as that returns them.
    """
    hours = Hours(
        rows=rows,
        clock=clock,
        applications=applications,
        policy=policy,
        event_end_min=event_end_min(clock, event_end),
    )
    return [
        *_overlaps(hours),
        *_late_routes(hours),
        *_not_reached(hours),
        *_no_start(hours),
    ]


def overlaps(hours: Hours) -> list[_Overlap]:
    """Trucks that are still busy when a round begins, the latest first."""
    starts = hours.starts_min
    labels = [label for label, start in starts.items() if math.isfinite(start)]
    found = []
    for truck, course in hours.clock.courses.items():
        left = _left(hours.clock.trips[truck], course)
        for before, label in pairwise(labels):
            if before not in left or label not in left:
                continue
            late = left[label] - starts[label]
            needs, every = left[label] - left[before], starts[label] - starts[before]
            if late > LATE and needs > every:
                found.append(_Overlap(truck, before, label, late, needs, every))
    return sorted(found, key=lambda one: -one.late_min)


def _left(trip: Trip, course: Course) -> dict[str, float]:
    """When a truck left for its first run of each application."""
    found: dict[str, float] = {}
    for run in trip.runs:
        if run.number in course.left_at:
            found.setdefault(run.application, course.left_at[run.number])
    return found


def _overlaps(hours: Hours) -> Iterator[Finding]:
    worst: dict[str, _Overlap] = {}
    for one in overlaps(hours):
        worst.setdefault(one.truck, one)
    for place, one in enumerate(worst.values()):
        remedies = _tried(hours, one) if place < _MOST_TRIED else ()
        yield Finding(
            "problem",
            remark("truck_in_round", truck=one.truck, application=one.application),
            remark(
                "round_too_long",
                needs_min=one.needs_min,
                every_min=one.every_min,
                late_min=one.late_min,
            ),
            remedies or (remark("lighter_round"),),
        )


def _tried(hours: Hours, one: _Overlap) -> tuple[Remark, ...]:
    """The round before earlier, or this one and all after later: each driven again."""
    trip, course, starts = (
        hours.clock.trips[one.truck],
        hours.clock.courses[one.truck],
        hours.starts_min,
    )
    shift = math.ceil(one.late_min / _STEP_MIN) * _STEP_MIN
    before = hours.late_lane_miles(course, starts)
    after = [label for label, start in starts.items() if start >= starts[one.application]]
    earlier = starts | {one.before: starts[one.before] - shift}
    later = starts | {label: starts[label] + shift for label in after}
    found = []
    for moved in (earlier, later):
        driven = trip.drive(moved)
        late = _left(trip, driven).get(one.application, math.inf) - moved[one.application]
        if late > LATE:
            continue
        late_after = hours.late_lane_miles(driven, moved)
        if late_after >= before > 0.0:
            continue  # the truck leaves in time, and the road waits as long as before
        cost = {
            "shift_min": shift,
            "late_before": before,
            "late_after": late_after,
            "hours": round((_minutes(driven) - _minutes(course)) / 60.0, 1) + 0.0,
            "lb": round(_spread_lb(driven) - _spread_lb(course)) + 0.0,
        }
        found.append(_remedy(one, cost, moved is earlier))
    return tuple(found)


def _remedy(one: _Overlap, cost: Mapping[str, float], is_earlier: bool) -> Remark:
    """The round before begun earlier, or this one later, and what that costs."""
    shift, before, after = cost["shift_min"], cost["late_before"], cost["late_after"]
    hours, lb = cost["hours"], cost["lb"]
    if is_earlier:
        return remark(
            "begin_earlier",
            application=one.before,
            shift_min=shift,
            late_before=before,
            late_after=after,
            hours=hours,
            mass=more_mass(lb),
        )
    return remark(
        "begin_later",
        application=one.application,
        shift_min=shift,
        every_min=one.every_min + shift,
        late_before=before,
        late_after=after,
        hours=hours,
        mass=more_mass(lb),
    )


def more_mass(mass_lb: float) -> Remark:
    """How much more or less material one way takes than another."""
    if abs(mass_lb) < _SAME_LB:
        return remark("same_mass")
    if mass_lb > 0.0:
        return remark("so_much_more", mass_lb=mass_lb)
    return remark("so_much_less", mass_lb=-mass_lb)


def _minutes(course: Course) -> float:
    """Minutes that somebody drives or loads."""
    return sum(row.end - row.start for row in course.rows if row.activity != WAIT)


def _spread_lb(course: Course) -> float:
    """What a truck spreads."""
    return sum(row.lb for row in course.rows if row.activity == SPREAD)


def _late_routes(hours: Hours) -> Iterator[Finding]:
    rows = hours.rows
    late = pd.DataFrame(rows[(rows["late_min"] > LATE).to_numpy()])
    for (label, route), group in groups(late, ["application", "route_id"]):
        worst = group.iloc[int(group["late_min"].to_numpy().argmax())]
        yield Finding(
            "problem",
            remark("route_in_round", route=route, application=label),
            remark(
                "later_than_promised",
                truck=str(worst["truck_id"]),
                late_min=float(worst["late_min"]),
                service_class=str(worst["service_class"]) or "*",
                lane_miles=float(group["lane_miles"].sum()),
            ),
            (remark("other_truck_or_start"),),
        )


def _not_reached(hours: Hours) -> Iterator[Finding]:
    """What a truck was to treat, and no shift is left for it."""
    rows = hours.rows
    runs = {run for one in hours.clock.courses.values() for run in one.done}
    driven = np.isin(rows["run"].to_numpy(), list(runs))
    wanted = driven & (rows["mass_lb"] > 0.0).to_numpy() & np.isnan(hours.clock.treated_min)
    left: pd.DataFrame = rows[wanted]
    for (truck, label), group in groups(left, ["truck_id", "application"]):
        yield Finding(
            "problem",
            remark("truck_in_round", truck=truck, application=label),
            remark(
                "no_shift_left",
                lane_miles=float(group["lane_miles"].sum()),
                routes=list(group["route_id"].unique()),
            ),
            (remark("add_a_shift"),),
        )


def _no_start(hours: Hours) -> Iterator[Finding]:
    untimed = [one.label for one in hours.applications if pd.isna(one.start)]
    if untimed:
        yield Finding(
            "note",
            remark("of_times"),
            remark("no_clock_without_start", applications=untimed),
            (remark("give_a_start"),),
        )
