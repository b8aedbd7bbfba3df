"""Who could do which run of a storm: the roster of `reassign`, with nothing of files in it.

Runs with a time from which they may begin and a promise, trucks with the times when somebody drives
them, and for each run and truck what that truck would need for it. A truck does its runs in the
order of the list, each as early as it can; only *who* does a run is chosen. So a truck's cost
depends on nothing but the set of its runs, and the whole is a choice of one set for each truck.

Times are whole minutes from one common moment; costs are whole numbers, see `Roster`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

#: What is worth how much is the planner's choice; no source. A lane-mile of the lowest class that
#: is treated a minute late costs `LATE`; each weight multiplies it.
LATE: Final = 1000
#: A lane-mile that is left untreated costs as much as one that is treated two days late; nothing
#: that is treated counts as later than that.
UNTREATED_MIN: Final = 2880
#: A truck's minute, a pound of material, and a run that goes to another truck than planned: a
#: change must save half an hour of a truck, or less than a lane-mile's minute.
TRUCK_MINUTE: Final = 10
POUND: Final = 0.1
CHANGE: Final = 300


@dataclass(frozen=True, kw_only=True)
class Duty:
    """One application of one route.

    Attributes
    ----------
    route_id, application : its names.
    release_min : its truck leaves for it no earlier.
    due_min : all of it should have been treated by then; None: nothing is promised.
    lane_miles : of one application.
    weight : how much its class counts, 1 or more.
    truck : place of the truck that the planner gave it to; None: nobody.
    """

    route_id: str
    application: str
    release_min: int
    due_min: int | None
    lane_miles: float
    weight: int = 1
    truck: int | None = None

    def lateness(self, treated_min: int) -> int:
        """Minutes by which it is later than promised; 0 where nothing is promised."""
        return 0 if self.due_min is None else max(0, treated_min - self.due_min)

    def cost_of_lateness(self, treated_min: int) -> int:
        """What being treated then costs."""
        late = self.lateness(treated_min)
        return self.worth * min(late, UNTREATED_MIN) if late else 0

    @cached_property
    def worth(self) -> int:
        """What a minute costs by which it is late."""
        return round(LATE * self.weight * self.lane_miles)

    @property
    def cost_untreated(self) -> int:
        """What leaving it untreated costs; no lateness costs more."""
        return self.worth * UNTREATED_MIN


@dataclass(frozen=True, kw_only=True)
class StaffedTruck:
    """A truck and when somebody drives it.

    Attributes
    ----------
    truck_id : its name.
    shifts : (from, to) in minutes, in order, without overlap: shifts less outages.
    state : the state in which it stands when the first of them begins, see `Turn`.
    """

    truck_id: str
    shifts: tuple[tuple[int, int], ...]
    state: int = 0


@dataclass(frozen=True, kw_only=True)
class Turn:
    """One run as one truck would do it.

    Attributes
    ----------
    minutes : from leaving the yard, further loads in it, until it is back there.
    treated_min : from leaving the yard until the last of it has been treated.
    before_min : loading, which may be over when the run may begin.
    lb : what it spreads.
    gates : the gates, as bits of a number, at which the truck can do it; a truck keeps one gate
        for all its runs.
    state : of the truck while it does the run and after: its yard and what is in the hopper.
    """

    minutes: int
    treated_min: int
    lb: float
    gates: int = 1
    state: int = 0
    before_min: int = 0


@dataclass(frozen=True, kw_only=True)
class Roster:
    """Runs, trucks, and who could do what.

    The cost of an assignment is the sum of what is untreated, what is late (`LATE` for each
    lane-mile and minute, times the weight of its class), the trucks' minutes, the material and the
    changes, in that order of magnitude.

    Attributes
    ----------
    runs : in the order in which a truck does them.
    trucks : the trucks.
    turns : by (place of the run, place of the truck); no entry: that truck cannot do it.
    setup_min : minutes between two states, [before][after]: ways between yards, emptying the
        hopper of another material. No way round is shorter than the direct one. Empty: no time.
    """

    runs: tuple[Duty, ...]
    trucks: tuple[StaffedTruck, ...]
    turns: Mapping[tuple[int, int], Turn]
    setup_min: tuple[tuple[int, ...], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Placed:
    """A run as it comes about: who does it, when it begins, is treated and is over; its cost."""

    truck: int
    start_min: int
    treated_min: int
    end_min: int
    cost: int


def begins(roster: Roster, truck: int, free: int, setup: int, run: int, turn: Turn) -> int | None:
    """When a truck leaves for a run at the earliest, all of it within one shift; None: never.

    Parameters
    ----------
    free : when the truck's last run is over. setup : minutes from then to the state of this one.
    """
    release = roster.runs[run].release_min
    for start, end in roster.trucks[truck].shifts:
        ready = max(free, start)
        # what one shift cannot finish of it the next one does: so no run in between ever helps
        now = min(setup, max(0, end - ready))
        setup -= now
        at = max(release, ready + now + turn.before_min)
        if not setup and at + turn.minutes <= end:
            return at
    return None


def setup_of(roster: Roster, before: int, after: int) -> int:
    """Minutes between two states."""
    return roster.setup_min[before][after] if roster.setup_min else 0


def effort(roster: Roster, run: int, truck: int) -> int:
    """What a run costs with a truck, whenever it does it: minutes, material, and a change."""
    turn = roster.turns[run, truck]
    change = CHANGE if roster.runs[run].truck != truck else 0
    return TRUCK_MINUTE * (turn.before_min + turn.minutes) + round(POUND * turn.lb) + change


#: before all shifts
NEVER_YET: Final = -(10**9)


def timetable(roster: Roster, truck: int, runs: Iterable[int]) -> dict[int, Placed]:
    """A truck's runs placed in time; what no longer fits, or needs another gate, is left out.

    Parameters
    ----------
    runs : places of runs, ascending, each of which the truck can do.
    """
    done: dict[int, Placed] = {}
    for run, at in _course(roster, truck, runs):
        turn = roster.turns[run, truck]
        treated, end = at + turn.treated_min, at + turn.minutes
        cost = effort(roster, run, truck) + roster.runs[run].cost_of_lateness(treated)
        done[run] = Placed(truck=truck, start_min=at, treated_min=treated, end_min=end, cost=cost)
    return done


def _course(roster: Roster, truck: int, runs: Iterable[int]) -> Iterator[tuple[int, int]]:
    """The runs that a truck gets to, and when it leaves for each."""
    free, state, gates = NEVER_YET, roster.trucks[truck].state, -1
    for run in runs:
        turn = roster.turns[run, truck]
        if not gates & turn.gates:
            continue
        setup = setup_of(roster, state, turn.state) if state != turn.state else 0
        at = begins(roster, truck, free, setup, run, turn)
        if at is not None:
            free, state, gates = at + turn.minutes, turn.state, gates & turn.gates
            yield run, at


def cost_of(roster: Roster, done: Mapping[int, Placed]) -> int:
    """What an assignment costs, untreated runs included."""
    untreated = (run.cost_untreated for at, run in enumerate(roster.runs) if at not in done)
    return sum(untreated) + sum(one.cost for one in done.values())


def as_planned(roster: Roster) -> dict[int, Placed]:
    """The planner's own assignment placed in time."""
    return placed(roster, [run.truck for run in roster.runs])


def placed(roster: Roster, trucks: Sequence[int | None]) -> dict[int, Placed]:
    """An assignment placed in time: the truck of each run, None for nobody."""
    of_truck: dict[int, list[int]] = {}
    for run, truck in enumerate(trucks):
        if truck is not None and (run, truck) in roster.turns:
            of_truck.setdefault(truck, []).append(run)
    done: dict[int, Placed] = {}
    for truck, runs in of_truck.items():
        done |= timetable(roster, truck, runs)
    return done


def in_trouble(roster: Roster, done: Mapping[int, Placed]) -> list[int]:
    """Runs that are untreated or late, what costs most first."""
    cost = {
        at: done[at].cost - effort(roster, at, done[at].truck) if at in done else run.cost_untreated
        for at, run in enumerate(roster.runs)
    }
    return sorted((at for at, late in cost.items() if late > 0), key=lambda at: (-cost[at], at))


class ByTruck:
    """An assignment as it stands, truck by truck, and what one more run would add to it."""

    def __init__(self, roster: Roster, done: Mapping[int, Placed]) -> None:
        self.roster = roster
        self._efforts: dict[tuple[int, int], int] = {}
        self.runs: list[list[int]] = [[] for _ in roster.trucks]
        for run in sorted(done):
            self.runs[done[run].truck].append(run)
        self.cost = [self._cost(truck, runs) for truck, runs in enumerate(self.runs)]
        able: dict[int, list[int]] = {}
        for run, truck in roster.turns:
            able.setdefault(run, []).append(truck)
        self.able = able

    def _cost(self, truck: int, runs: Sequence[int]) -> int:
        """What a truck's runs cost; those of them that it cannot do count as untreated."""
        roster, cost, done = self.roster, 0, set()
        for run, at in _course(roster, truck, runs):
            done.add(run)
            cost += self._effort(run, truck)
            cost += roster.runs[run].cost_of_lateness(at + roster.turns[run, truck].treated_min)
        return cost + sum(roster.runs[run].cost_untreated for run in runs if run not in done)

    def _effort(self, run: int, truck: int) -> int:
        """See `effort`; worked out once."""
        found = self._efforts.get((run, truck))
        if found is None:
            found = self._efforts[run, truck] = effort(self.roster, run, truck)
        return found

    def cheapest(self, run: int, most: int) -> list[tuple[int, int]]:
        """What a run adds to the trucks to which it adds least: (cost, truck), cheapest first.

        It is on none of them. No more than ``most``.
        """
        found: list[tuple[int, int]] = []
        for least, truck in sorted((self._least(run, truck), truck) for truck in self.able[run]):
            if len(found) == most and least > found[-1][0]:
                break
            runs = sorted([*self.runs[truck], run])
            found.append((self._cost(truck, runs) - self.cost[truck], truck))
            found = sorted(found)[:most]
        return found

    def _least(self, run: int, truck: int) -> int:
        """What a run costs with a truck at least: as its first."""
        turn, worth = self.roster.turns[run, truck], self.roster.runs[run]
        at = begins(self.roster, truck, NEVER_YET, 0, run, turn)
        if at is None:
            return worth.cost_untreated
        return self._effort(run, truck) + worth.cost_of_lateness(at + turn.treated_min)

    def put(self, run: int, truck: int) -> None:
        """Give a run to a truck; what that can no longer do is with nobody."""
        self._set(truck, sorted([*self.runs[truck], run]))

    def take(self, run: int, truck: int) -> None:
        """Take a run from a truck."""
        self._set(truck, [one for one in self.runs[truck] if one != run])

    def _set(self, truck: int, runs: Sequence[int]) -> None:
        self.runs[truck] = list(timetable(self.roster, truck, runs))
        self.cost[truck] = self._cost(truck, self.runs[truck])


def greedy(
    roster: Roster, done: Mapping[int, Placed], movable: Collection[int]
) -> dict[int, Placed]:
    """Each run in trouble in turn goes to the truck where the whole costs least.

    Parameters
    ----------
    done : where to begin. movable : places of the runs that may go to another truck.

    Returns
    -------
    An assignment that costs no more.
    """
    now = ByTruck(roster, done)
    by = {run: one.truck for run, one in done.items()}
    for run in in_trouble(roster, done):
        if run not in movable or run not in now.able:
            continue
        here = by.get(run)
        if here is not None and run in now.runs[here]:
            now.take(run, here)
        cost, truck = now.cheapest(run, 1)[0]
        if cost < roster.runs[run].cost_untreated:
            now.put(run, truck)
    found: dict[int, Placed] = {}
    for truck, runs in enumerate(now.runs):
        found |= timetable(roster, truck, runs)
    return found if cost_of(roster, found) <= cost_of(roster, done) else dict(done)


def considered(
    roster: Roster, done: Mapping[int, Placed], movable: Collection[int], most: int
) -> Roster:
    """The same with fewer trucks for each run: those to which it adds least, and where it is.

    Parameters
    ----------
    done : the assignment that it is added to. most : trucks to be left for each movable run.
    """
    now = ByTruck(roster, done)
    kept: set[tuple[int, int]] = set()
    for run in sorted(movable):
        here = done[run].truck if run in done else None
        if here is not None:
            now.take(run, here)
        if run in now.able:
            kept |= {(run, truck) for _, truck in now.cheapest(run, most)}
        if here is not None:
            now.put(run, here)
    kept |= {(run, one.truck) for run, one in done.items()}
    kept |= {(at, duty.truck) for at, duty in enumerate(roster.runs) if duty.truck is not None}
    turns = {pair: turn for pair, turn in roster.turns.items() if pair in kept}
    return replace(roster, turns=turns)
