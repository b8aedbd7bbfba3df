"""Who could do which run of a storm: the roster of `reassign`, with nothing of files in it.

Runs with a time from which they may begin and a promise, trucks with the times when somebody drives
them, and for each run and truck what that truck would need for it. A truck does its runs in the
order of the list, each as early as it can; only *who* does a run is chosen. So a truck's cost
depends on nothing but the set of its runs, and the whole is a choice of one set for each truck.

Times are whole minutes from one common moment; costs are whole numbers, see `Roster`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
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
        late = min(self.lateness(treated_min), UNTREATED_MIN)
        return round(LATE * self.weight * self.lane_miles) * late

    @property
    def cost_untreated(self) -> int:
        """What leaving it untreated costs; no lateness costs more."""
        return round(LATE * self.weight * self.lane_miles) * UNTREATED_MIN


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
    free, state, gates = NEVER_YET, roster.trucks[truck].state, -1
    for run in runs:
        turn = roster.turns[run, truck]
        at = begins(roster, truck, free, setup_of(roster, state, turn.state), run, turn)
        if at is None or not gates & turn.gates:
            continue
        treated = at + turn.treated_min
        free, state, gates = at + turn.minutes, turn.state, gates & turn.gates
        cost = effort(roster, run, truck) + roster.runs[run].cost_of_lateness(treated)
        done[run] = Placed(truck=truck, start_min=at, treated_min=treated, end_min=free, cost=cost)
    return done


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
    found = dict(done)
    able: dict[int, list[int]] = {}
    for run, truck in sorted(roster.turns):
        able.setdefault(run, []).append(truck)
    for run in in_trouble(roster, found):
        if run in movable:
            found = _moved(roster, found, run, able.get(run, []))
    return found if cost_of(roster, found) <= cost_of(roster, done) else dict(done)


def _moved(
    roster: Roster, done: dict[int, Placed], run: int, able: Sequence[int]
) -> dict[int, Placed]:
    """An assignment in which a run has gone to the truck that is best for it."""
    of_truck: dict[int, set[int]] = {truck: set() for truck in able}
    here = done[run].truck if run in done else None
    for at, one in done.items():
        of_truck.setdefault(one.truck, set()).add(at)

    def adds(truck: int) -> int:
        """What the run costs there."""
        with_it, without = of_truck[truck] | {run}, of_truck[truck] - {run}
        return _cost_of_truck(roster, truck, with_it) - _cost_of_truck(roster, truck, without)

    costs = {truck: adds(truck) for truck in able}
    best = min(able, key=lambda truck: (costs[truck], truck != here, truck), default=None)
    if best is None or best == here or costs[best] >= roster.runs[run].cost_untreated:
        return done
    kept = {at: one for at, one in done.items() if one.truck not in (here, best)}
    if here is not None:
        kept |= timetable(roster, here, sorted(of_truck[here] - {run}))
    return kept | timetable(roster, best, sorted(of_truck[best] | {run}))


def considered(
    roster: Roster, done: Mapping[int, Placed], movable: Collection[int], most: int
) -> Roster:
    """The same with fewer trucks for each run: those to which it adds least, and where it is.

    Parameters
    ----------
    done : the assignment that it is added to. most : trucks to be left for each movable run.
    """
    of_truck: dict[int, set[int]] = {}
    for at, one in done.items():
        of_truck.setdefault(one.truck, set()).add(at)
    nothing: set[int] = set()
    now = {truck: _cost_of_truck(roster, truck, runs) for truck, runs in of_truck.items()}
    added: dict[int, list[tuple[int, int]]] = {}
    for run, truck in roster.turns:
        mine = of_truck.get(truck, nothing)
        if run in movable:
            adds = _cost_of_truck(roster, truck, mine | {run}) - now.get(truck, 0)
            # where it is it adds nothing: that comes first
            added.setdefault(run, []).append((adds, truck))
    kept = {run: {truck for _, truck in sorted(some)[:most]} for run, some in added.items()}
    for at, duty in enumerate(roster.runs):
        for truck in (duty.truck, done[at].truck if at in done else None):
            if truck is not None:
                kept.setdefault(at, set()).add(truck)
    turns = {pair: turn for pair, turn in roster.turns.items() if pair[1] in kept.get(pair[0], ())}
    return replace(roster, turns=turns)


def _cost_of_truck(roster: Roster, truck: int, runs: set[int]) -> int:
    """What a truck's runs cost; those of them that it cannot do count as untreated."""
    done = timetable(roster, truck, sorted(runs))
    missing = sum(roster.runs[run].cost_untreated for run in runs if run not in done)
    return missing + sum(one.cost for one in done.values())
