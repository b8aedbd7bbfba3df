"""A storm at a moment: what each truck does by the plan in force, what is behind, what is late."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import pandas as pd
from pandas.api.typing import NaTType

from spreadplan.frames import lines
from spreadplan.planning.lateness import LATE
from spreadplan.planning.truck_clock import SPREAD
from spreadplan.remarks import Remark, remark
from spreadplan.views.display import NOTHING, Display, Moment

State = Literal["done", "to_come", "lost"]
RunKey = tuple[str, str]
"""Application and route."""
#: further away than this, an hour of the day says too little
_SAME_DAY: Final = pd.Timedelta(hours=18)
_KEYS: Final = ["application", "route_id"]


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """A part of a truck's time line: done, to come, or lost since the truck is out."""

    activity: str
    start: pd.Timestamp
    end: pd.Timestamp
    state: State
    late: bool


@dataclass(frozen=True, kw_only=True)
class RunNow:
    """A run: a route in one application.

    Attributes
    ----------
    start, end : when its truck spreads for the first and the last time; NaT where nobody does.
    late_min : minutes later than its class is promised, NaN where not known.
    """

    application: str
    route: str
    truck: str
    start: Moment
    end: Moment
    late_min: float
    state: State

    @property
    def misses(self) -> bool:
        """Whether the promise to its class is missed."""
        return self.state == "lost" or self.late_min > LATE


@dataclass(frozen=True, kw_only=True)
class TruckLine:
    """A truck at the moment.

    Attributes
    ----------
    out_since : when it was logged as out; NaT where it is not.
    doing, then : what it does now, and its next run.
    late_min : the longest that one of its runs that is not done is late, 0 if none.
    """

    truck: str
    out_since: Moment
    doing: Remark
    then: Remark
    late_min: float
    stretches: tuple[Stretch, ...]
    runs: tuple[RunNow, ...]

    @property
    def is_out(self) -> bool:
        """Whether it cannot go on."""
        return not isinstance(self.out_since, NaTType)


@dataclass(frozen=True, kw_only=True)
class StormNow:
    """All trucks at a moment: those that are out first, then the late ones, else by name.

    begin, end : whole hours around everything that they do.
    undriven : runs for which nobody has time.
    """

    at: pd.Timestamp
    begin: pd.Timestamp
    end: pd.Timestamp
    trucks: tuple[TruckLine, ...]
    undriven: tuple[RunNow, ...] = ()

    @property
    def missed(self) -> list[RunNow]:
        """Runs whose promise is missed: without a truck first, then the latest; what is done last.

        Of a run that several trucks share, one row a truck.
        """
        runs = [run for truck in self.trucks for run in truck.runs if run.misses]
        runs += self.undriven
        return sorted(
            runs, key=lambda one: (one.state == "done", one.state != "lost", -one.late_min)
        )


# --- the plan in force ---------------------------------------------------------------------------


def clock_in_force(plans: Sequence[tuple[pd.Timestamp, pd.DataFrame]]) -> pd.DataFrame:
    """One clock of plans that replaced each other.

    Parameters
    ----------
    plans : from when each is in force, and its table ``plan_clock``; ascending, at least one.

    Returns
    -------
    What each says of its own time, the first one also of the time before it; what goes on when
    another plan comes into force is cut there.
    """
    parts = []
    for place, (since, clock) in enumerate(plans):
        start, end = clock["start"], clock["end"]
        if place:
            start = start.where(start > since, since)
        if place + 1 < len(plans):
            until = plans[place + 1][0]
            end = end.where(end < until, until)
        parts.append(clock.assign(start=start, end=end)[end > start])
    return pd.concat(parts, ignore_index=True).sort_values(
        ["truck_id", "start"], kind="stable", ignore_index=True
    )


def runs_in_force(plans: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The runs of plans that replaced each other: of each run what the last of them says of it.

    ``plans`` : tables with application, route_id, truck_id, mass_lb and late_min; ascending.
    """
    newest: dict[RunKey, int] = {}
    for place, runs in enumerate(plans):
        newest |= dict.fromkeys(zip(runs["application"], runs["route_id"], strict=True), place)
    parts = [
        runs[
            [
                newest[key] == place
                for key in zip(runs["application"], runs["route_id"], strict=True)
            ]
        ]
        for place, runs in enumerate(plans)
    ]
    return pd.concat(parts, ignore_index=True)


# --- the moment ----------------------------------------------------------------------------------


def storm_now(
    clock: pd.DataFrame, runs: pd.DataFrame, log: pd.DataFrame, at: pd.Timestamp, shown: Display
) -> StormNow | None:
    """Every truck at a moment; None without a clock.

    Parameters
    ----------
    clock, runs : the tables ``plan_clock`` and ``plan_routes`` of the plan in force.
    log : what happened, see the table ``log``; what is later than ``at`` does not count.
    at : the moment.
    """
    if clock.empty:
        return None
    known = log[log["time"] <= at].sort_values("time", kind="stable")
    out, done = _out(known), _done(known)
    late = {
        (one.application, one.route_id): float(one.late_min)
        for one in lines(runs[[*_KEYS, "late_min"]])
    }
    own = {str(name): mine for name, mine in clock.groupby("truck_id", sort=True)}
    trucks = [
        _truck(name, own.get(name, clock.iloc[:0]), at, out.get(name, pd.NaT), done, late, shown)
        for name in sorted({*own, *out})
    ]
    trucks.sort(key=lambda one: (not one.is_out, -one.late_min))
    return StormNow(
        at=at,
        begin=clock["start"].min().floor("h"),
        end=clock["end"].max().ceil("h"),
        trucks=tuple(trucks),
        undriven=tuple(_undriven(clock, runs, done)),
    )


def _undriven(clock: pd.DataFrame, runs: pd.DataFrame, done: set[RunKey]) -> Iterator[RunNow]:
    """Runs with something to spread for which nobody has time."""
    spread = clock[clock["activity"] == SPREAD]
    driven = set(zip(spread["application"], spread["route_id"], strict=True)) | done
    for row in lines(runs[runs["mass_lb"] > 0.0]):
        if (row.application, row.route_id) not in driven:
            yield RunNow(
                application=row.application,
                route=row.route_id,
                truck=row.truck_id,
                start=pd.NaT,
                end=pd.NaT,
                late_min=float("nan"),
                state="lost",
            )


def _out(log: pd.DataFrame) -> dict[str, pd.Timestamp]:
    """Trucks that are out, and since when."""
    out: dict[str, pd.Timestamp] = {}
    for row in lines(log[log["what"].isin(("truck_out", "truck_back"))]):
        if row.what == "truck_out":
            out.setdefault(row.truck_id, row.time)
        else:
            out.pop(row.truck_id, None)
    return out


def _done(log: pd.DataFrame) -> set[RunKey]:
    """Runs that were logged as done."""
    return {(one.application, one.route_id) for one in lines(log[log["what"] == "route_done"])}


def _truck(
    name: str,
    clock: pd.DataFrame,
    at: pd.Timestamp,
    out_since: Moment,
    done: set[RunKey],
    late: Mapping[RunKey, float],
    shown: Display,
) -> TruckLine:
    lost = None if isinstance(out_since, NaTType) else out_since
    stretches = _joined(
        Stretch(
            activity=row.activity,
            start=begin,
            end=end,
            state="done" if (row.application, row.route_id) in done else state,
            late=row.activity == SPREAD and late.get((row.application, row.route_id), 0.0) > LATE,
        )
        for row in lines(clock)
        for begin, end, state in _cut(row.start, row.end, at, lost)
    )
    runs = tuple(_runs(name, clock, at, lost, done, late))
    return TruckLine(
        truck=name,
        out_since=out_since,
        doing=_doing(clock, at, lost, shown),
        then=_then(runs, at, shown),
        late_min=max(
            (run.late_min for run in runs if run.misses and run.state == "to_come"), default=0.0
        ),
        stretches=tuple(stretches),
        runs=runs,
    )


def _cut(
    start: pd.Timestamp, end: pd.Timestamp, at: pd.Timestamp, lost: pd.Timestamp | None
) -> Iterator[tuple[pd.Timestamp, pd.Timestamp, State]]:
    """A row of the clock, cut at the moment, or where the truck fell out."""
    edge = at if lost is None else min(lost, at)
    if start < edge:
        yield start, min(end, edge), "done"
    if end > edge:
        yield max(start, edge), end, "to_come" if lost is None else "lost"


def _joined(stretches: Iterator[Stretch]) -> list[Stretch]:
    """Neighbors that look the same as one."""
    found: list[Stretch] = []
    for one in stretches:
        last = found[-1] if found else None
        if last and (last.activity, last.state, last.late) == (one.activity, one.state, one.late):
            found[-1] = replace(last, end=one.end)
        else:
            found.append(one)
    return found


def _runs(
    name: str,
    clock: pd.DataFrame,
    at: pd.Timestamp,
    lost: pd.Timestamp | None,
    done: set[RunKey],
    late: Mapping[RunKey, float],
) -> Iterator[RunNow]:
    spread = clock[clock["activity"] == SPREAD]
    for key, mine in spread.groupby(_KEYS, sort=False):
        application, route = str(key[0]), str(key[1])
        end = mine["end"].max()
        state: State = "to_come"
        if (application, route) in done or end <= (at if lost is None else min(at, lost)):
            state = "done"
        elif lost is not None:
            state = "lost"
        yield RunNow(
            application=application,
            route=route,
            truck=name,
            start=mine["start"].min(),
            end=end,
            late_min=late.get((application, route), float("nan")),
            state=state,
        )


def _doing(
    clock: pd.DataFrame, at: pd.Timestamp, lost: pd.Timestamp | None, shown: Display
) -> Remark:
    if lost is not None:
        return remark("truck_is_out", since=hour(lost, at, shown))
    if at < clock["start"].min():
        return remark("truck_not_begun")
    for row in lines(clock):
        if row.start <= at < row.end:
            return _activity(row.activity, row.route_id, hour(row.end, at, shown))
    return remark("truck_finished") if at >= clock["end"].max() else remark("truck_stands")


def _activity(activity: str, route_id: str, until: str) -> Remark:
    """What a truck does, for which route and until when."""
    if activity == "load":
        return remark("truck_loads", route=route_id, until=until)
    if activity == "travel":
        return remark("truck_travels", route=route_id, until=until)
    if activity == "spread":
        return remark("truck_spreads", route=route_id, until=until)
    return remark("truck_waits", until=until)


def _then(runs: Sequence[RunNow], at: pd.Timestamp, shown: Display) -> Remark:
    lost = [run for run in runs if run.state == "lost"]
    if lost:
        return remark("runs_lost", runs=len(lost))
    later = [run for run in runs if run.state == "to_come" and run.start > at]
    first = min(later, key=lambda one: one.start, default=None)
    if first is None:
        return remark("no_next_run")
    return remark(
        "next_run",
        route=first.route,
        application=first.application,
        start=hour(first.start, at, shown),
    )


def hour(moment: Moment, near: pd.Timestamp, shown: Display) -> str:
    """The local hour as 04:30; with the day where that lies far from another moment."""
    if isinstance(moment, NaTType):
        return NOTHING
    text = shown.moment(moment)
    return text.split()[-1] if abs(moment - near) < _SAME_DAY else text
