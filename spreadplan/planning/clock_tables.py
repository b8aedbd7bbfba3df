"""The clock of a plan: runs as `truck_clock` drives them, and what comes of it as tables.

Times are worked out in minutes since the first application; that is exact over changes of the
clock, since moments are kept in UTC.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.typing import NaTType

from spreadplan.frames import lines
from spreadplan.planning.applications import Application, Moment
from spreadplan.planning.loads import MOST_LOADS, RELOAD_MIN, TRAVEL_MPH, Cycle
from spreadplan.planning.places_of_runs import PartPlaces
from spreadplan.planning.rest import Rest, TruckNow
from spreadplan.planning.truck_clock import Course, Driven, Run, Start, Stood, Stops, drive
from spreadplan.schema.results import RESULTS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Shifts = Sequence[tuple[float, float]]

_MINUTE = pd.Timedelta(minutes=1)
_DRIVEN = tuple(field.name for field in fields(Driven))


@dataclass(frozen=True, kw_only=True)
class Trip:
    """The runs of one truck, ready to be driven.

    ``shifts`` in minutes, None: always staffed. ``home`` is the number of its home yard. ``start``
    : where and with what it begins, None: empty at home.
    """

    truck_id: str
    runs: tuple[Run, ...]
    home: int
    yards_min: Floats
    shifts: Shifts | None
    start: Start | None = None

    def drive(self, starts: Mapping[str, float] | None = None) -> Course:
        """Its course; ``starts``: other beginnings of some applications, minutes."""
        moved = starts or {}
        runs = [replace(run, starts=moved.get(run.application, run.starts)) for run in self.runs]
        return drive(runs, self.home, self.yards_min, self.shifts, self.start)


@dataclass(frozen=True, kw_only=True)
class Clock:
    """The clock of all trucks.

    Attributes
    ----------
    zero : the moment from which minutes count.
    trips : by truck, in order of the trucks' table.
    courses : by truck, the same trucks.
    table : one row an activity, see the table ``plan_clock``.
    treated_min : minutes at which each row of the plan was treated, shape (rows,); NaN for never.
    """

    zero: pd.Timestamp | None
    trips: Mapping[str, Trip]
    courses: Mapping[str, Course]
    table: pd.DataFrame
    treated_min: Floats

    def minutes(self, moment: Moment) -> float:
        """A moment in minutes; NaN for NaT."""
        if self.zero is None or isinstance(moment, NaTType):
            return float("nan")
        return (moment - self.zero) / _MINUTE

    def moments(self, minutes: Floats) -> pd.Series[Any]:
        """Minutes as moments, to the second; NaT for NaN."""
        return moments_of(self.zero, minutes)


def moments_of(zero: pd.Timestamp | None, minutes: Floats) -> pd.Series[Any]:
    """Minutes since ``zero`` as moments in UTC, to the second; NaT for NaN."""
    seconds = np.round(np.asarray(minutes, dtype=float) * 60.0)
    later: pd.Series[Any] = pd.Series(pd.to_timedelta(seconds, unit="s"))
    # without a start there is no minute either
    return later.add(pd.Timestamp(0, tz="UTC") if zero is None else zero)


def clock_of(
    rows: Any,
    runs: pd.DataFrame,
    timing: Cycle,
    applications: Sequence[Application],
    order: Sequence[str],
    trucks: pd.DataFrame,
    yards: pd.DataFrame,
    shifts: pd.DataFrame | None,
    places: PartPlaces,
    rest: Rest | None = None,
) -> Clock:
    """Place every run in time.

    Parameters
    ----------
    rows : as the plan has them: each application has all parts, in one order.
    runs : index run: application, route_id, truck_id, yard_id, material.
    timing : loads and run-out points of the runs.
    order : routes in the order in which a truck takes them within an application.
    trucks : truck_id, travel_speed_mph, home_yard_id.
    shifts : truck_id, from, to. Empty, or none in the time of the storm: always staffed.
    places : of the parts and yards.
    rest : what is known of a storm that runs; its trucks begin where they are.

    Returns
    -------
    Clock. What was made before has the time when it was made. Left out are runs
    without a truck, mass, start or known yard, and those beyond
    `MOST_LOADS`.
    """
    starts = {one.label: one.start for one in applications if not pd.isna(one.start)}
    zero = min(starts.values(), default=None)
    driven = _driven(runs, timing, starts, yards, order, rest)
    if zero is None or driven.empty:
        return Clock(
            zero=zero,
            trips={},
            courses={},
            table=_table({}, runs, zero),
            treated_min=_made_min(rows, zero),
        )
    minutes = {label: (start - zero) / _MINUTE for label, start in starts.items()}
    staffed = None if shifts is None else staffed_minutes(shifts, zero, minutes)
    reload_min = yards["reload_min"].fillna(RELOAD_MIN).to_numpy(dtype=float)
    maker = _Maker(rows, driven, timing, minutes, trucks, staffed, places, reload_min)
    found = {} if rest is None else maker.found(rest.trucks, (rest.at - zero) / _MINUTE)
    trips = maker.trips(found)
    courses = {truck: trip.drive() for truck, trip in trips.items()}
    treated = _made_min(rows, zero)
    for course in courses.values():
        for run, done in course.done.items():
            first = maker.first[run]
            here = slice(first, first + len(done))
            treated[here] = np.where(rows["made"].to_numpy()[here], treated[here], done)
    return Clock(
        zero=zero,
        trips=trips,
        courses=courses,
        table=_table(courses, runs, zero),
        treated_min=treated,
    )


def _made_min(rows: Any, zero: pd.Timestamp | None) -> Floats:
    """Minutes at which each row was made before; NaN where it was not."""
    if zero is None:
        return np.full(len(rows), np.nan)
    since: pd.Series[Any] = (rows["made_at"] - zero) / _MINUTE
    return since.to_numpy(dtype=float, copy=True)


def _driven(
    runs: pd.DataFrame,
    timing: Cycle,
    starts: Mapping[str, pd.Timestamp],
    yards: pd.DataFrame,
    order: Sequence[str],
    rest: Rest | None,
) -> pd.DataFrame:
    """The runs that the clock drives, by truck in the order in which it drives them; index run."""
    known = (yards["lon"].notna() & yards["lat"].notna()).to_numpy()
    number = {yard: place for place, yard in enumerate(yards["yard_id"]) if known[place]}
    rounds = {label: place for place, label in enumerate(starts)}
    turn = {route: place for place, route in enumerate(order)}
    at = timing.runs.loc[runs.index]
    found = runs[["application", "route_id", "truck_id", "yard_id", "material"]].assign(
        yard=runs["yard_id"].map(number).fillna(-1).astype(np.int64),
        loads=at["loads"],
        load_lb=at["load_lb"],
        round=runs["application"].map(rounds).fillna(-1).astype(np.int64),
        turn=runs["route_id"].map(turn).fillna(len(turn)).astype(np.int64),
    )
    ready = (found["yard"] >= 0) & (found["round"] >= 0) & (found["truck_id"] != "")
    ready &= (found["loads"] > 0) & (found["loads"] <= MOST_LOADS)
    # a run that a truck is on comes first
    now = {} if rest is None else rest.trucks
    on = {(one.truck_id, one.route_id, one.application) for one in now.values()}
    keys = zip(found["truck_id"], found["route_id"], found["application"], strict=True)
    found["off"] = [key not in on for key in keys]
    return found[ready].sort_values(["truck_id", "off", "round", "turn"], kind="stable")


def staffed_minutes(
    shifts: pd.DataFrame, zero: pd.Timestamp, starts: Mapping[str, float]
) -> dict[str, Shifts] | None:
    """By truck; None where no shift of anybody touches the storm: then nobody wrote any down."""
    begin = ((shifts["from"] - zero) / _MINUTE).to_numpy(dtype=float)
    end = ((shifts["to"] - zero) / _MINUTE).to_numpy(dtype=float)
    if (
        not len(shifts)
        or not ((end > min(starts.values())) & (begin <= max(starts.values()))).any()
    ):
        return None
    found: dict[str, list[tuple[float, float]]] = {}
    order = np.argsort(begin, kind="stable")
    for truck, since, until in zip(
        shifts["truck_id"].to_numpy()[order], begin[order], end[order], strict=True
    ):
        mine = found.setdefault(str(truck), [])
        if mine and since <= mine[-1][1]:  # one shift relieves the other
            mine[-1] = (mine[-1][0], max(mine[-1][1], float(until)))
        else:
            mine.append((float(since), float(until)))
    return dict(found)


class _Maker:
    """Makes the trips of all trucks, with all ways worked out at once."""

    def __init__(
        self,
        rows: Any,
        driven: pd.DataFrame,
        timing: Cycle,
        starts: Mapping[str, float],
        trucks: pd.DataFrame,
        shifts: Mapping[str, Shifts] | None,
        places: PartPlaces,
        reload_min: Floats,
    ) -> None:
        self.driven, self.starts, self.shifts, self.places = driven, starts, shifts, places
        self.reload_min = reload_min
        run = rows["run"].to_numpy()
        # of a run that is partly made the clock drives what is left
        self.left = np.flatnonzero(~rows["made"].to_numpy(dtype=bool))
        first = self.left[np.searchsorted(run[self.left], driven.index.to_numpy(), side="left")]
        last = self.left[np.searchsorted(run[self.left], driven.index.to_numpy(), side="right") - 1]
        last = last + 1
        self.first = dict(zip(driven.index.tolist(), first.tolist(), strict=True))
        self.last = dict(zip(driven.index.tolist(), last.tolist(), strict=True))
        self.speed_mph = _speeds(driven["truck_id"], trucks)
        self.homes = _homes(driven, trucks, places)
        self._lay_out(rows)
        self._measure(rows, first, last)
        self._runs_out(timing)
        self._straight_on()
        self._onward()

    def _lay_out(self, rows: Any) -> None:
        """Minutes of driving and mass of every row."""
        parts = len(self.places.starts)
        self.part: Ints = np.arange(len(rows), dtype=np.int64) % max(parts, 1)
        speed = rows["truck_id"].map(self.speed_mph).fillna(TRAVEL_MPH).to_numpy(dtype=float)
        miles = rows["length_mi"].to_numpy(dtype=float) * rows["passes"].to_numpy(dtype=float)
        spread = miles / rows["speed_mph"].to_numpy(dtype=float) * 60.0
        gap = self._gap_mi(rows["run"].to_numpy()) / speed * 60.0
        self.end = np.cumsum(spread + gap)
        self.begin = self.end - spread
        self.mass_lb = rows["mass_lb"].fillna(0.0).to_numpy(dtype=float)

    def _gap_mi(self, run: Any) -> Floats:
        """The way to each row from the one before it that is driven, where they do not touch."""
        gap, left = self.places.gap_mi[self.part], self.left
        if len(left) == len(run):
            return gap
        skipped = np.flatnonzero((np.diff(left) > 1) & (np.diff(run[left]) == 0))
        before, row = left[skipped], left[skipped + 1]
        gap[np.setdiff1d(np.arange(len(run)), left)] = 0.0
        gap[row] = self.places.between_mi(self.part[before], self.part[row]) if len(row) else 0.0
        return gap

    def _measure(self, rows: Any, first: Ints, last: Ints) -> None:
        """Minutes between yards and the rows at which a truck may begin or break off."""
        count = len(rows)
        yard, home, speed = np.full(count, -1), np.full(count, -1), np.full(count, np.nan)
        for one, begin, until in zip(self.driven.itertuples(), first, last, strict=True):
            # only shifts make a truck break off in between
            at = [begin, until - 1] if self.shifts is None else slice(begin, until)
            yard[at], home[at] = one.yard, self.homes[str(one.truck_id)]
            speed[at] = self.speed_mph[str(one.truck_id)]
        part, both = np.tile(self.part, 2), np.concatenate([yard, home])
        per_mi = 60.0 / speed
        out, from_home = self.places.out_mi(both, part).reshape(2, count) * per_mi
        back, to_home = self.places.back_mi(part, both).reshape(2, count) * per_mi
        self.at_start = Stops(out=out, back=back, from_home=from_home, home=to_home)
        self.at_end = self.at_start

    def _runs_out(self, timing: Cycle) -> None:
        """Where hoppers run out: minutes of driving, and ways to yards and back."""
        points = timing.reloads[timing.reloads["run"].isin(self.driven.index)]
        row = points["row"].to_numpy().astype(np.int64)
        whose = self.driven.loc[points["run"]]
        yard = whose["yard"].to_numpy().astype(np.int64)
        home = whose["truck_id"].map(self.homes).to_numpy().astype(np.int64)
        per_mi = 60.0 / whose["truck_id"].map(self.speed_mph).to_numpy(dtype=float)
        out, back = self.places.spots_mi(yard, self.part[row], points)
        from_home, to_home = self.places.spots_mi(home, self.part[row], points)
        self.out_at = self.begin[row] + points["share"].to_numpy() * (self.end - self.begin)[row]
        self.at_run_out = Stops(
            out=out * per_mi,
            back=back * per_mi,
            from_home=from_home * per_mi,
            home=to_home * per_mi,
        )
        self.out_of = points["run"].to_numpy()

    def _straight_on(self) -> None:
        """Ways between runs that follow one another where enough may be left in the hopper."""
        one = self.driven
        run = one.index.to_numpy()
        mass = np.array([self.mass_lb[self.first[r] : self.last[r]].sum() for r in run.tolist()])
        left = one["loads"].to_numpy() * one["load_lb"].to_numpy() - mass
        truck, material = one["truck_id"].to_numpy(), one["material"].to_numpy()
        same = (truck[1:] == truck[:-1]) & (material[1:] == material[:-1])
        may = np.flatnonzero(same & (left[:-1] >= mass[1:] * (1.0 - 1e-6)))
        self.before: dict[int, int] = dict(
            zip(run[1:][truck[1:] == truck[:-1]], run[:-1][truck[1:] == truck[:-1]], strict=True)
        )
        ends = self.part[[self.last[r] - 1 for r in run[may].tolist()]]
        begins = self.part[[self.first[r] for r in run[may + 1].tolist()]]
        miles = self.places.between_mi(ends, begins) if len(may) else np.zeros(0)
        speed = np.array([self.speed_mph[name] for name in truck[may].tolist()])
        self.straight: dict[int, float] = dict(
            zip(run[may + 1].tolist(), (miles / speed * 60.0).tolist(), strict=True)
        )

    def _onward(self) -> None:
        """Ways from the ends of runs to the yards of the next, where those are others."""
        run, yard = self.driven.index.to_numpy(), self.driven["yard"].to_numpy().astype(np.int64)
        truck = self.driven["truck_id"].to_numpy()
        other = np.flatnonzero((truck[1:] == truck[:-1]) & (yard[1:] != yard[:-1]))
        ends = self.part[[self.last[number] - 1 for number in run[other].tolist()]]
        miles = self.places.back_mi(ends, yard[other + 1])
        speed = np.array([self.speed_mph[name] for name in truck[other].tolist()])
        self.onward = {
            number: {there: minutes}
            for number, there, minutes in zip(
                run[other].tolist(),
                yard[other + 1].tolist(),
                (miles / speed * 60.0).tolist(),
                strict=True,
            )
        }

    def found(self, trucks: Mapping[str, TruckNow], at: float) -> dict[str, Start]:
        """Where trucks begin that are somewhere at a moment, in minutes; by truck."""
        runs = self.driven.reset_index(names="run").drop_duplicates("truck_id")
        here = runs[runs["truck_id"].isin(list(trucks))]
        if here.empty:
            return {}
        now = [trucks[name] for name in here["truck_id"]]
        yard = {name: place for place, name in enumerate(self.places.yard_names)}
        ways, many = self.places.ways, len(yard)
        spots = ways.near([one.lon for one in now], [one.lat for one in now])
        who = np.repeat(np.arange(len(now)), many)
        to_yards = ways.into(self.places.yards, np.tile(np.arange(many), len(now)), spots.take(who))
        begins = self.part[[self.first[run] for run in here["run"]]]
        to_run = ways.out_of(spots, np.arange(len(now)), self.places.starts.take(begins))
        starts = {}
        for place, (one, run) in enumerate(zip(now, lines(here), strict=True)):
            per_mi = 60.0 / self.speed_mph[one.truck_id]
            on_the_road = one.yard_id not in yard and np.isfinite(to_run[place])
            standing = Stood(
                yards_min=to_yards.reshape(-1, many)[place] * per_mi,
                run=int(run.run),
                run_min=float(to_run[place]) * per_mi,
                goes_on=(one.route_id, one.application) == (run.route_id, run.application),
            )
            starts[one.truck_id] = Start(
                at=at,
                hopper_lb=one.hopper_lb,
                material=one.material,
                yard=yard.get(one.yard_id, -1),
                standing=standing if on_the_road else None,
            )
        return starts

    def trips(self, starts: Mapping[str, Start]) -> dict[str, Trip]:
        """By truck, in order of their names."""
        yards_mi = self.places.yards_mi()
        found = {}
        for truck, mine in self.driven.groupby("truck_id", sort=True):
            name = str(truck)
            found[name] = Trip(
                truck_id=name,
                runs=tuple(self._run(one) for one in mine.itertuples()),
                home=self.homes[name],
                yards_min=yards_mi / self.speed_mph[name] * 60.0,
                shifts=None if self.shifts is None else self.shifts.get(name, ()),
                start=starts.get(name),
            )
        return found

    def _run(self, one: Any) -> Run:
        number = int(one.Index)
        here = slice(self.first[number], self.last[number])
        zero = self.begin[here.start]
        # reload points stand in the order of the runs
        since, until = np.searchsorted(self.out_of, [number, number + 1])
        mine = slice(since, until)
        return Run(
            number=number,
            application=one.application,
            starts=self.starts[one.application],
            yard=int(one.yard),
            material=one.material,
            load_lb=float(one.load_lb) if np.isfinite(one.load_lb) else np.inf,
            reload_min=float(self.reload_min[one.yard]),
            begin=self.begin[here] - zero,
            end=self.end[here] - zero,
            mass_lb=self.mass_lb[here],
            at_start=_some(self.at_start, here),
            at_end=_some(self.at_end, here),
            runs_out=self.out_at[mine] - zero,
            at_run_out=_some(self.at_run_out, mine),
            onward=self.onward.get(number, {}),
            before=int(self.before.get(number, -1)),
            straight_on=self.straight.get(number, np.nan),
        )


def _some(stops: Stops, which: Any) -> Stops:
    return Stops(
        out=stops.out[which],
        back=stops.back[which],
        from_home=stops.from_home[which],
        home=stops.home[which],
    )


def _speeds(names: Any, trucks: pd.DataFrame) -> dict[str, float]:
    """Travel speed of each of these trucks."""
    stated = dict(zip(trucks["truck_id"], trucks["travel_speed_mph"], strict=True))
    speed = {str(name): float(stated.get(name, np.nan)) for name in names.unique()}
    return {name: mph if mph > 0.0 else TRAVEL_MPH for name, mph in speed.items()}


def _homes(driven: pd.DataFrame, trucks: pd.DataFrame, places: PartPlaces) -> dict[str, int]:
    """Home yard of each truck that drives, by number: its own, else the yard of its first run."""
    number = {yard: place for place, yard in enumerate(places.yard_names)}
    own = dict(zip(trucks["truck_id"], trucks["home_yard_id"], strict=True))
    first = driven.groupby("truck_id", sort=False)["yard"].first()
    return {str(truck): number.get(own.get(truck, ""), int(yard)) for truck, yard in first.items()}


def _table(
    courses: Mapping[str, Course], runs: pd.DataFrame, zero: pd.Timestamp | None
) -> pd.DataFrame:
    """The table ``plan_clock``."""
    mine = [
        (truck, number, row)
        for truck, course in courses.items()
        for number, row in enumerate(course.rows, start=1)
    ]
    rows = pd.DataFrame([vars(row) for _, _, row in mine], columns=list(_DRIVEN))
    start = moments_of(zero, rows["start"].to_numpy(dtype=float))
    end = moments_of(zero, rows["end"].to_numpy(dtype=float))
    return rows.assign(
        truck_id=[truck for truck, _, _ in mine],
        sequence=[number for _, number, _ in mine],
        # of a clock without rows too these are names
        application=rows["run"].map(runs["application"]).astype(object),
        route_id=rows["run"].map(runs["route_id"]).astype(object),
        start=start,
        end=end,
        minutes=(end - start).dt.total_seconds() / 60.0,
    )[RESULTS["plan_clock"].names]
