"""The truck's clock: every run of every truck placed in time.

The rules that a truck drives by:

- It starts empty at its home yard, loads, and leaves for a run no earlier than the run's
  application begins. Loading may be done before. Runs follow by application, within one in the
  order of the assignments.
- Enough is left in the hopper for the next run: it goes straight on. Else it goes to the run's yard
  and fills up, so that every run starts with enough or with a full hopper, and the hopper runs out
  where `loads.run_out` has it. A truck that would have to wait for the next application goes to the
  yard, fills up and waits there.
- Before another material the hopper is emptied at the yard, which takes as long as loading: an
  assumption.
- Where the hopper runs out it goes to the run's yard, fills up, and goes back there.
- A truck that is on its way when the clock begins goes on with its run with what it has. Where it
  stands between runs it goes straight on with enough, else to the yard.
- Nobody drives outside shifts. Before one ends the truck goes home in time, and goes on in the next
  from the part of a segment where it left off.

Minutes since a moment of the storm's own; pounds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from spreadplan.planning.loads import ROUNDING

Floats = NDArray[np.float64]

LOAD: Final = "load"
TRAVEL: Final = "travel"
SPREAD: Final = "spread"
WAIT: Final = "wait"
#: shorter is rounding, in minutes
_NOTHING: Final = 1e-6


@dataclass(frozen=True, kw_only=True)
class Stops:
    """Ways of one run from and to where a truck may break off, in minutes, shape (stops,) each.

    ``out`` leads from the yard of the run, ``back`` to it, ``from_home`` and ``home`` from and to
    the truck's home yard.
    """

    out: Floats
    back: Floats
    from_home: Floats
    home: Floats


@dataclass(frozen=True, kw_only=True)
class Run:
    """One run: a route in one application, as its truck drives it.

    Attributes
    ----------
    number : by which the plan calls it.
    application : label of its application.
    starts : when that begins, minutes.
    yard : number of its yard.
    material : what it spreads.
    load_lb : what one load may weigh; infinite where that is not known: it loads what it needs.
    reload_min : minutes of loading.
    begin, end : minutes of driving at which each part begins and ends, shape (parts,); between the
        end of one and the beginning of the next lies the way to it.
    mass_lb : of each part, shape (parts,).
    at_start, at_end : ways of the places where the parts begin and end.
    runs_out : minutes of driving at which the hopper runs out, ascending, shape (reloads,).
    at_run_out : ways of those places.
    onward : minutes from its end to the yard of the next run, by that yard's number.
    before : number of the run that the truck drives before, -1 for none.
    straight_on : minutes of the way from the end of that one to the beginning of this, NaN where
        not worked out.
    """

    number: int
    application: str
    starts: float
    yard: int
    material: str
    load_lb: float
    reload_min: float
    begin: Floats
    end: Floats
    mass_lb: Floats
    at_start: Stops
    at_end: Stops
    runs_out: Floats
    at_run_out: Stops
    onward: Mapping[int, float] = field(default_factory=dict)
    before: int = -1
    straight_on: float = float("nan")

    @property
    def needed_lb(self) -> float:
        """Mass of the whole run."""
        return float(self.mass_lb.sum())

    def spread_lb(self, since: float, until: float) -> float:
        """Mass that falls between two minutes of driving."""
        long = self.end - self.begin
        inside = np.clip(np.minimum(self.end, until) - np.maximum(self.begin, since), 0.0, None)
        share = np.divide(inside, long, out=np.zeros(len(long)), where=long > 0.0)
        return float(share @ self.mass_lb)


@dataclass(frozen=True, kw_only=True)
class Driven:
    """One row of the clock, still in minutes."""

    activity: str
    run: int
    load: int
    start: float
    end: float
    lb: float


@dataclass(kw_only=True)
class Course:
    """What one truck has done: rows of the clock, and when each part of each run was done.

    ``done`` : run → minutes at which its parts were done, shape (parts,), NaN where not.
    ``left_at`` : run → when the truck left for it, minutes.
    ``left_lb`` : what is left in the hopper in the end.
    """

    rows: list[Driven] = field(default_factory=list)
    done: dict[int, Floats] = field(default_factory=dict)
    left_at: dict[int, float] = field(default_factory=dict)
    left_lb: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Stood:
    """A place on the road where a truck is found.

    ``yards_min`` : minutes of the way to each yard, shape (yards,). ``run`` : number of the truck's
    first run, ``run_min`` : minutes of the way to where that begins. ``goes_on`` : it is on that
    run and drives on with what it has.
    """

    yards_min: Floats
    run: int
    run_min: float
    goes_on: bool = False


@dataclass(frozen=True, kw_only=True)
class Start:
    """Where and with what a truck begins.

    ``at`` in minutes, NaN: in time for its first run. ``hopper_lb`` of ``material`` lie in it. It
    stands at ``yard``, -1: at home; or where ``standing`` says.
    """

    at: float = float("nan")
    hopper_lb: float = 0.0
    material: str = ""
    yard: int = -1
    standing: Stood | None = None


class _NoShiftError(Exception):
    """No shift is left, or none is long enough."""


def drive(
    runs: Sequence[Run],
    home: int,
    yards_min: Floats,
    shifts: Sequence[tuple[float, float]] | None = None,
    start: Start | None = None,
) -> Course:
    """Drive the runs of one truck, one after the other.

    Parameters
    ----------
    runs : in the order in which they are driven.
    home : number of the yard where the truck starts and rests.
    yards_min : minutes of the way between yards at the truck's speed, shape (yards, yards).
    shifts : from and to in minutes, ascending, apart from one another; None: always staffed.
    start : what is known of the truck; by default it starts empty at home, in time for its first
        run.

    Returns
    -------
    Course. Runs for which no shift is left, and parts that fit into none, are not done.
    """
    truck = _Truck(home, yards_min, shifts, start or Start())
    for run in runs:
        truck.course.done[run.number] = np.full(len(run.mass_lb), np.nan)
        try:
            truck.drive(run)
        except _NoShiftError:
            continue
    truck.go_home()
    truck.course.left_lb = truck.hopper_lb
    return truck.course


@dataclass(frozen=True)
class _Place:
    """Where a truck stands: at a yard, at a stop of a run, or where it was found."""

    yard: int = -1
    found: Stood | None = None
    run: Run | None = None
    stops: Stops | None = None
    number: int = 0


class _Truck:
    """A truck on its way: the moment, the place, the hopper."""

    def __init__(
        self,
        home: int,
        yards_min: Floats,
        shifts: Sequence[tuple[float, float]] | None,
        start: Start,
    ) -> None:
        self.home, self.yards_min = home, yards_min
        self.shifts = [(-np.inf, np.inf)] if shifts is None else list(shifts)
        self.course = Course()
        self.now = start.at
        self.place = _Place(yard=home if start.yard < 0 else start.yard)
        if start.standing is not None:
            self.place = _Place(found=start.standing)
        self.hopper_lb, self.material = start.hopper_lb, start.material
        self.run: Run | None = None
        self.load = 0

    # --- shifts ---

    def _staffed_from(self, moment: float) -> tuple[float, float]:
        """The shift that holds at a moment, or the next one. Raises NoShift."""
        for begin, end in self.shifts:
            if end > moment + _NOTHING:
                return begin, end
        raise _NoShiftError

    def _make_room(self, minutes: float) -> None:
        """Be where something of so many minutes, the way home included, fits into a shift."""
        while True:
            begin, end = self._staffed_from(self.now)
            first = max(self.now, begin)
            if first + minutes <= end + _NOTHING:
                self._wait(first)
                return
            self._rest(end)

    def _rest(self, shift_end: float) -> None:
        """Go home before the shift ends, and stay until the next begins. Raises NoShift."""
        begin, _ = self._staffed_from(shift_end)
        if self.place.yard != self.home and self._home_min() + self.now <= shift_end + _NOTHING:
            self.go_home()
        self._wait(begin)

    # --- moves ---

    def _add(self, activity: str, minutes: float, lb: float = 0.0) -> None:
        if minutes <= _NOTHING and not lb:
            return
        assert self.run is not None
        end = self.now + minutes
        self.course.rows.append(
            Driven(
                activity=activity,
                run=self.run.number,
                load=self.load,
                start=self.now,
                end=end,
                lb=lb,
            )
        )
        self.now = end

    def _wait(self, until: float) -> None:
        self._add(WAIT, until - self.now)

    def _home_min(self) -> float:
        if self.place.found is not None:
            return float(self.place.found.yards_min[self.home])
        if self.place.stops is not None:
            return float(self.place.stops.home[self.place.number])
        return float(self.yards_min[self.place.yard, self.home])

    def go_home(self) -> None:
        """Drive to the home yard, if the truck has been out at all."""
        if self.place.yard != self.home:
            self._add(TRAVEL, self._home_min())
            self.place = _Place(yard=self.home)

    def _at_an_end(self) -> bool:
        """Whether the truck stands at the end of a run."""
        run = self.place.run
        if run is None:
            return False
        return self.place.stops is run.at_end and self.place.number == len(run.end) - 1

    def _way_to_yard(self, yard: int) -> float:
        place = self.place
        if place.found is not None:
            return float(place.found.yards_min[yard])
        if place.stops is None:
            return float(self.yards_min[place.yard, yard])
        assert place.run is not None
        if place.run.yard == yard:
            return float(place.stops.back[place.number])
        if self.home == yard:
            return float(place.stops.home[place.number])
        if self._at_an_end() and yard in place.run.onward:
            return place.run.onward[yard]
        # where it broke off in between: over the yard of its own run
        back = float(place.stops.back[place.number])
        return back + float(self.yards_min[place.run.yard, yard])

    def _to_yard(self, yard: int, then_min: float) -> None:
        """Go to a yard with ``then_min`` minutes of work there before the way home."""
        while self.place.yard != yard:
            way = self._way_to_yard(yard)
            before = self.place
            self._make_room(way + then_min + float(self.yards_min[yard, self.home]))
            if self.place is before:  # else it went home in between, and the way is another
                self._add(TRAVEL, way)
                self.place = _Place(yard=yard)

    def _fill(self, run: Run, needed_lb: float) -> None:
        """Load at the run's yard: to the full, or what is needed where no limit is known."""
        full = run.load_lb if np.isfinite(run.load_lb) else needed_lb
        emptied = self.material != run.material and self.hopper_lb > 0.0
        work = run.reload_min * (2 if emptied else 1)
        if not emptied and self.hopper_lb >= full * (1.0 - ROUNDING):
            return
        self._to_yard(run.yard, work)
        self._make_room(work + float(self.yards_min[run.yard, self.home]))
        if emptied:
            self._add(LOAD, run.reload_min, -self.hopper_lb)
            self.hopper_lb = 0.0
        self._add(LOAD, run.reload_min, full - self.hopper_lb)
        self.hopper_lb, self.material = max(full, self.hopper_lb), run.material

    # --- a run ---

    def drive(self, run: Run) -> None:
        """Drive one run from where the truck stands. Raises _NoShiftError where it breaks off."""
        self.run, self.load = run, 1
        if np.isnan(self.now):
            way = float(self.yards_min[self.home, run.yard])
            self.now = run.starts - run.reload_min - way
            begin, _ = self._staffed_from(self.now)
            self.now = max(self.now, begin)
        if not self._goes_straight_on(run):
            self._to_yard(run.yard, 0.0)
            self._fill(run, run.needed_lb)
        marks = [float(run.begin[0]), *run.runs_out.tolist(), float(run.end[-1])]
        for nth, (since, until) in enumerate(pairwise(marks)):
            if nth:
                self.load = nth + 1
                self._fill(run, run.spread_lb(since, np.inf))
            self._leg(run, since, until, nth)

    def _enough(self, run: Run) -> bool:
        needed = run.needed_lb
        return self.material == run.material and self.hopper_lb >= needed * (1.0 - ROUNDING)

    def _goes_straight_on(self, run: Run) -> bool:
        place = self.place
        if place.found is not None:
            if place.found.run != run.number:
                return False
            if place.found.goes_on and self.material == run.material and self.hopper_lb > 0.0:
                return True
        elif (
            place.run is None
            or place.run.number != run.before
            or np.isnan(run.straight_on)
            or not self._at_an_end()
        ):
            return False
        if not self._enough(run):
            return False
        by_yard = self.now + self._way_to_yard(run.yard) + run.reload_min
        return by_yard > run.starts

    def _leg(self, run: Run, since: float, until: float, nth: int) -> None:
        """Spread between two minutes of driving with what is in the hopper."""
        while until - since > _NOTHING:
            part = int(np.searchsorted(run.end, since + _NOTHING, side="right"))
            since = max(since, float(run.begin[part]))
            last = int(np.searchsorted(run.begin, until - _NOTHING, side="left"))
            way = self._way_out(run, since, part, nth)
            ends = np.minimum(run.end[part:last], until)
            cut = nth < len(run.runs_out) and until == run.runs_out[nth]
            home = run.at_end.home[part:last].copy()
            if cut:
                home[-1] = run.at_run_out.home[nth]
            begin, shift_end = self._staffed_from(self.now)
            leave = max(self.now, begin, run.starts)
            if leave > shift_end:
                self._rest(shift_end)
                continue
            late = leave + way + (ends - since) + home > shift_end + _NOTHING
            fits = int(np.argmax(late)) if late.any() else len(ends)
            if not fits:
                self._rest(shift_end)
                continue
            self._wait(leave)
            self.course.left_at.setdefault(run.number, leave)
            self._add(TRAVEL, way)
            self._spread(run, since, ends[:fits], part)
            number = part + fits - 1
            if cut and fits == len(ends):
                self.place = _Place(run=run, stops=run.at_run_out, number=nth)
            else:
                self.place = _Place(run=run, stops=run.at_end, number=number)
            since = float(ends[fits - 1])
            if fits == len(ends):
                return

    def _way_out(self, run: Run, since: float, part: int, nth: int) -> float:
        """Minutes from where the truck stands to where it goes on spreading."""
        place = self.place
        if place.found is not None:
            return place.found.run_min
        if place.stops is not None:
            if place.run is run:
                return float(run.begin[part] - run.end[place.number]) if part else 0.0
            return run.straight_on
        again = nth > 0 and since == run.runs_out[nth - 1]
        stops, number = (run.at_run_out, nth - 1) if again else (run.at_start, part)
        if place.yard == run.yard:
            return float(stops.out[number])
        return float(stops.from_home[number])

    def _spread(self, run: Run, since: float, ends: Floats, part: int) -> None:
        """Rows of spreading, with the ways between parts that do not touch."""
        done = self.course.done[run.number]
        at = self.now - since
        number = np.arange(part, part + len(ends))
        whole = ends >= run.end[number] - _NOTHING
        done[number[whole]] = (at + ends)[whole]
        gaps = np.flatnonzero(run.begin[number[1:]] - run.end[number[:-1]] > _NOTHING)
        first = [since, *run.begin[number[gaps + 1]].tolist()]
        last = [*ends[gaps].tolist(), float(ends[-1])]
        for begin, end in zip(first, last, strict=True):
            self._add(TRAVEL, at + begin - self.now)
            lb = min(run.spread_lb(begin, end), self.hopper_lb)
            self._add(SPREAD, end - begin, lb)
            self.hopper_lb -= lb
