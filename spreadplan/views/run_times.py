"""When each run begins and ends, as far as a plan tells."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd
from pandas.api.typing import NaTType

from spreadplan.frames import lines
from spreadplan.planning.plan import StormPlan
from spreadplan.planning.truck_clock import SPREAD, WAIT
from spreadplan.remarks import Remark, remark
from spreadplan.views.display import Display, Moment, short

Key = tuple[str, str]
"""Application and route."""


@dataclass(frozen=True, kw_only=True)
class RunTime:
    """A run in time.

    order : sorts the runs of a truck. after : the route that the truck comes from, "" for none.
    worked_out : by the truck's clock; else it follows from the plan's minutes, one run after the
        other.
    """

    truck: str
    order: int
    start: Moment
    end: Moment
    after: str
    worked_out: bool

    def said(self, shown: Display) -> Remark:
        """Day and time as a remark."""
        if isinstance(self.start, NaTType):
            return remark("no_time_given")
        after = (remark("after_route", route=short(self.after, 14)),) if self.after else ()
        return remark(
            "run_from_to",
            about="" if self.worked_out and not self.after else "about ",
            start=self.start,
            end=clock_time(self.end, shown),
            after=after,
        )

    def span(self, shown: Display) -> str:
        """Beginning and end as times of the day."""
        return f"{clock_time(self.start, shown)}–{clock_time(self.end, shown)}"


def clock_time(moment: Moment, shown: Display) -> str:
    """The local time of the day, as 04:30."""
    return shown.moment(moment).split()[-1]


def run_times(plan: StormPlan) -> dict[Key, RunTime]:
    """Begin and end of every run that has a truck.

    By the truck's clock a run begins when the truck loads or leaves for it and ends when it has
    spread for the last time; without one a truck takes its routes one after another in the order
    of the plan, each round no earlier than its start.
    """
    times = _in_turn(plan)
    busy = plan.clock[plan.clock["activity"] != WAIT]
    spans = busy[busy["route_id"] != ""].groupby(["application", "route_id"], sort=False)
    begins = spans["start"].min()
    spreads = busy[busy["activity"] == SPREAD].groupby(["application", "route_id"])
    first, last = spreads["start"].min(), spreads["end"].max()
    # a truck that is loaded and waits for the application leaves when the waiting ends
    waits = plan.clock[plan.clock["activity"] == WAIT]
    for row in lines(waits[["application", "route_id", "end"]]):
        key = (row.application, row.route_id)
        if key in begins.index and key in first.index and row.end <= first[key]:
            begins[key] = max(begins[key], row.end)
    order = sorted(begins.index, key=lambda key: begins[key])
    for place, key in enumerate(order):
        if key in times:
            times[key] = RunTime(
                truck=times[key].truck,
                order=place,
                start=begins[key],
                end=last.get(key, pd.NaT),
                after="",
                worked_out=True,
            )
    return times


def _in_turn(plan: StormPlan) -> dict[Key, RunTime]:
    rounds = {one.label: one.start for one in plan.applications}
    place = {label: number for number, label in enumerate(rounds)}
    free: dict[str, tuple[pd.Timestamp, str]] = {}
    found: dict[Key, RunTime] = {}
    runs = sorted(lines(plan.routes), key=lambda one: place[one.application])
    for order, run in enumerate(runs):
        start, after = rounds[run.application], ""
        end: Moment = pd.NaT
        if not run.truck_id:
            continue
        if not isinstance(start, NaTType):
            ready, before = free.get(run.truck_id, (start, ""))
            if run.loads and ready > start:
                start, after = ready, before
            if run.loads and math.isfinite(run.minutes):
                end = start + pd.Timedelta(minutes=run.minutes)
                free[run.truck_id] = (end, run.route_id)
        found[run.application, run.route_id] = RunTime(
            truck=run.truck_id, order=order, start=start, end=end, after=after, worked_out=False
        )
    return found
