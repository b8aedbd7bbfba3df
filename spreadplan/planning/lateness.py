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

from spreadplan.planning.applications import Application
from spreadplan.planning.clock_tables import Clock, Trip
from spreadplan.planning.frames import groups
from spreadplan.planning.promises import promised
from spreadplan.planning.truck_clock import SPREAD, WAIT, Course
from spreadplan.remarks import Finding, Remark, remark
from spreadplan.schema.policy import Policy

Floats = NDArray[np.float64]

#: less than this is rounding, in minutes
LATE: Final = 0.5
#: starts are moved by whole steps of so many minutes
_STEP_MIN: Final = 5.0
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

    def late_lane_miles(self, truck: str, course: Course, starts: Mapping[str, float]) -> float:
        """Lane-miles that one truck treats late, were it to drive that course."""
        mine = (self.rows["truck_id"] == truck).to_numpy()
        treated = np.where(mine, np.nan, self.clock.treated_min)
        run = self.rows["run"].to_numpy()
        for number, done in course.done.items():
            first = int(np.searchsorted(run, number, side="left"))
            treated[first : first + len(done)] = done
        at = self.rows["application"].map(dict(starts)).to_numpy(dtype=float)
        found = promised(self.rows, treated, at, self.event_end_min, self.policy)
        late = mine & (found["late_min"] > LATE).to_numpy()
        return float(self.rows["lane_miles"].to_numpy()[late].sum())


@dataclass(frozen=True)
class _Overlap:
    """A truck that cannot leave for a round when it begins, because the one before lasts."""

    truck: str
    before: str
    application: str
    late_min: float
    needs_min: float
    every_min: float


def lateness(hours: Hours) -> list[Finding]:
    """Rounds that begin before a truck is done, promises that are missed, what nobody drives."""
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
    before = hours.late_lane_miles(one.truck, course, starts)
    after = [label for label, start in starts.items() if start >= starts[one.application]]
    earlier = starts | {one.before: starts[one.before] - shift}
    later = starts | {label: starts[label] + shift for label in after}
    found = []
    for code, label, moved in (
        ("begin_earlier", one.before, earlier),
        ("begin_later", one.application, later),
    ):
        driven = trip.drive(moved)
        late = _left(trip, driven).get(one.application, math.inf) - moved[one.application]
        if late <= LATE:
            found.append(
                remark(
                    code,
                    application=label,
                    shift_min=shift,
                    every_min=one.every_min + shift,
                    late_before=before,
                    late_after=hours.late_lane_miles(one.truck, driven, moved),
                    hours=round((_minutes(driven) - _minutes(course)) / 60.0, 1) + 0.0,
                    lb=round(_spread_lb(driven) - _spread_lb(course)) + 0.0,
                )
            )
    return tuple(found)


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
