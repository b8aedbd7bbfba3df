"""The hours of a plan: what each truck does when, and whether it is done in time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning.lateness import LATE
from spreadplan.planning.plan import StormPlan
from spreadplan.remarks import Remark, remark

#: codes of findings that say that a truck is not done in time
NOT_IN_TIME: Final = ("round_too_long", "no_shift_left")


@dataclass(frozen=True)
class Bar:
    """One thing that a truck does, in hours since the first row of the clock."""

    activity: str
    start_h: float
    end_h: float


@dataclass(frozen=True)
class TruckHours:
    """A truck's bars in order of time; ``late`` where one of its routes is late."""

    truck: str
    late: bool
    bars: tuple[Bar, ...]


@dataclass(frozen=True, kw_only=True)
class PlanHours:
    """All trucks by hour.

    Attributes
    ----------
    zero : the moment from which hours count, a whole hour.
    until_h : end of the last bar.
    trucks : the late ones first, else in order of name.
    rounds : label and start of each application, hours.
    """

    zero: pd.Timestamp
    until_h: float
    trucks: tuple[TruckHours, ...]
    rounds: tuple[tuple[str, float], ...]


def late_routes(plan: StormPlan) -> pd.DataFrame:
    """The runs that are later than their class is promised, the latest first."""
    late = plan.routes[plan.routes["late_min"] > LATE]
    return late.sort_values("late_min", ascending=False, kind="stable")


def trucks_not_in_time(plan: StormPlan) -> list[str]:
    """Trucks with a late route, a round that is too long, or work that no shift is left for."""
    late = set(late_routes(plan)["truck_id"])
    subjects = plan.findings.loc[plan.findings["code"].isin(NOT_IN_TIME), "subject"]
    late |= {dict(one.values).get("truck", "") for one in subjects if isinstance(one, Remark)}
    return sorted(late - {""})


def hours_state(plan: StormPlan) -> Remark:
    """Whether the hours suffice, in one remark."""
    if plan.clock.empty:
        return remark("hours_unknown")
    trucks = trucks_not_in_time(plan)
    if not trucks:
        return remark("hours_suffice")
    runs = len(late_routes(plan))
    return remark(
        "hours_short", trucks=trucks, late=(remark("and_late", runs=runs),) if runs else ()
    )


def salt_state(plan: StormPlan) -> Remark:
    """Whether the yards hold enough, in one remark."""
    yards = plan.yards

    def those(mask: pd.Series[bool]) -> list[str]:
        return list(yards.loc[mask, "yard_id"].unique())

    if short := those(yards["short_ton"] > 0.0):
        return remark("salt_short", yards=short)
    if perhaps := those(yards["order_ton"] > 0.0):
        return remark("salt_may_be_short", yards=perhaps)
    if uncounted := those(yards["on_hand_ton"].isna()):
        return remark("salt_not_counted", yards=uncounted)
    return remark("salt_suffices")


def who_cannot_go(plan: StormPlan) -> Remark:
    """Trucks without a setting and routes without a truck, in one remark."""
    routes = plan.routes
    unset = routes["status"].isin(("uncalibrated", "do_not_use"))
    trucks = list(routes.loc[unset, "truck_id"].unique())
    alone = list(routes.loc[routes["status"] == "unassigned", "route_id"].unique())
    if not trucks and not alone:
        return remark("all_can_go")
    said = [remark("without_setting", trucks=trucks)] if trucks else []
    said += [remark("without_truck", routes=alone)] if alone else []
    return remark("cannot_go", reasons=said)


def plan_hours(plan: StormPlan) -> PlanHours | None:
    """The clock as bars, one row a truck; None without a clock."""
    clock = plan.clock
    if clock.empty:
        return None
    zero = clock["start"].min().floor("h")
    hour = pd.Timedelta(hours=1)
    late = set(trucks_not_in_time(plan))
    found = []
    for truck, mine in clock.groupby("truck_id", sort=True):
        bars: list[Bar] = []
        for row in lines(mine):
            bar = Bar(row.activity, (row.start - zero) / hour, (row.end - zero) / hour)
            if bars and bars[-1].activity == bar.activity:
                bar = Bar(bar.activity, bars.pop().start_h, bar.end_h)
            bars.append(bar)
        found.append(TruckHours(str(truck), str(truck) in late, tuple(bars)))
    rounds = [(a.label, (a.start - zero) / hour) for a in plan.applications if not pd.isna(a.start)]
    return PlanHours(
        zero=zero,
        until_h=max(truck.bars[-1].end_h for truck in found),
        trucks=tuple(sorted(found, key=lambda one: not one.late)),
        rounds=tuple(rounds),
    )
