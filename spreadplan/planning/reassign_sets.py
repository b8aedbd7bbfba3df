"""The best choice of one set of runs for each truck, with a bound.

Sets are generated as they are needed. A linear program over the sets at hand (HiGHS) puts a price
on each run; the set of a truck that gains most at these prices is found exactly, run by run, since
a truck does its runs in a given order and being earlier never hurts. With any prices, the sum of
the prices and of each truck's best gain is a bound from below. Then every set that a better
solution could hold is listed, and OR-Tools' CP-SAT chooses among them: if the list is whole, its
optimum is that of all.

Sources, from memory: G. B. Dantzig and P. Wolfe, Decomposition principle for linear programs,
Operations Research 8, 1960; R. Baldacci, N. Christofides and A. Mingozzi, An exact algorithm for
the vehicle routing problem based on the set partitioning formulation with additional cuts,
Mathematical Programming 115, 2008 (the list of all sets below the gap); P. Wentges, Weighted
Dantzig-Wolfe decomposition for linear mixed-integer programming, International Transactions in
Operational Research 4, 1997 (prices between the old and the new).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from spreadplan.planning.reassign_roster import (
    CHANGE,
    NEVER_YET,
    UNTREATED_MIN,
    Placed,
    Roster,
    begins,
    effort,
    setup_of,
    timetable,
)

Floats = NDArray[np.float64]

#: Work is limited by counts and never by a clock, so that the same problem has the same answer on
#: any machine. Rounds of prices; sets that a truck offers in a round; steps
#: of the search of one truck; sets in the last choice.
ROUNDS: Final = 60
OFFERED: Final = 8
MOST_STEPS: Final = 20_000
MOST_SETS: Final = 30_000
#: moments at which a bound of the rest of a truck's runs is worked out
MOMENTS: Final = 400
#: seconds by CP-SAT's own count of its work
DETERMINISTIC_S: Final = 1.0
#: how far prices move to those of the linear program
SMOOTHING: Final = 0.5
#: a bound is near enough if the sets in between are few; a share
NEAR: Final = 1e-5
#: a difference in cost below that is rounding
TINY: Final = 1e-3


class _Place(NamedTuple):
    """A run as the search of one truck sees it."""

    run: int
    effort: int
    #: cost if it is left out: only of a run that has no other truck
    skipped: int
    #: its cost if nothing were before it; never less
    alone: float


class _Label(NamedTuple):
    """A beginning of a truck's runs."""

    free: int
    cost: float
    real: int
    runs: tuple[int, ...]


_Groups = dict[tuple[int, int], list[_Label]]
"""Beginnings by the truck's state and the gates that are left."""


@dataclass(frozen=True)
class _Set:
    """Runs that one truck does, what they cost with its own that it leaves out, and which move."""

    truck: int
    runs: tuple[int, ...]
    cost: int
    movable: tuple[int, ...]


@dataclass(frozen=True)
class FreeRuns:
    """The runs that move now; every other one stays with the truck that holds it, or with nobody.

    Attributes
    ----------
    roster : the whole.
    movable : places of the runs that move.
    held : the truck of each run, None for nobody; where it moves: whose it is now.
    """

    roster: Roster
    movable: frozenset[int]
    held: Sequence[int | None]

    def own(self, truck: int) -> list[int]:
        """The runs that stay with a truck."""
        held = enumerate(self.held)
        return [run for run, by in held if by == truck and run not in self.movable]

    def of_nobody(self) -> int:
        """What the runs cost that nobody holds and that do not move."""
        held = enumerate(self.held)
        lost = [run for run, by in held if by is None and run not in self.movable]
        return sum(self.roster.runs[run].cost_untreated for run in lost)

    def set_of(self, truck: int, runs: Sequence[int]) -> _Set:
        """A truck's own runs and those given, as far as it can do them."""
        able = [run for run in runs if (run, truck) in self.roster.turns]
        done = timetable(self.roster, truck, able)
        missing = (self.roster.runs[at].cost_untreated for at in self.own(truck) if at not in done)
        movable = tuple(run for run in done if run in self.movable)
        return _Set(truck, tuple(done), sum(missing) + sum(o.cost for o in done.values()), movable)


class _Search:
    """The sets of one truck."""

    def __init__(self, part: FreeRuns, truck: int) -> None:
        self.roster, self.movable, self.truck = part.roster, part.movable, truck
        own = part.own(truck)
        runs = sorted({*own, *part.movable})
        self.places = [one for run in runs if (one := self._place(run)) is not None]
        self._own: tuple[float, list[_Set]] | None = None
        #: its own runs are untreated until the walk does them
        untreated = sum(self.roster.runs[run].cost_untreated for run in own)
        self.before = untreated - sum(one.skipped for one in self.places)
        shifts = self.roster.trucks[truck].shifts
        self.first, last = (shifts[0][0], shifts[-1][1]) if shifts else (0, 0)
        self.step = -(-(last - self.first + 1) // MOMENTS)
        self.moments = self.first + self.step * np.arange(MOMENTS)

    def _place(self, run: int) -> _Place | None:
        one, turn = self.roster.runs[run], self.roster.turns.get((run, self.truck))
        at = begins(self.roster, self.truck, NEVER_YET, 0, run, turn) if turn else None
        if turn is None or at is None:
            return None
        own = effort(self.roster, run, self.truck)
        skipped = 0 if run in self.movable else one.cost_untreated
        return _Place(run, own, skipped, own + one.cost_of_lateness(at + turn.treated_min))

    def best(self, price: Mapping[int, float], below: float) -> tuple[float, list[_Set]]:
        """The sets whose cost less prices is least.

        ``below`` : a value that one of its sets is known to have.

        Returns a bound from below for all its sets, and the best of them.
        """
        # a run that costs more than its price even alone makes no set better: without it the rest
        # is no later
        worth = [one for one in self.places if one.skipped or one.alone < price.get(one.run, 0.0)]
        if all(one.skipped for one in worth):  # no price matters: the same each time
            if self._own is None:
                self._own = self._best(worth, {}, math.inf)
            return self._own
        return self._best(worth, price, below)

    def _best(
        self, places: list[_Place], price: Mapping[int, float], below: float
    ) -> tuple[float, list[_Set]]:
        labels, least = self._walk(places, price, below + TINY, dominated=True)
        if labels is None:
            return least, []
        found = self._sets(labels, OFFERED)
        return min([below, *(one.cost for one in labels)]), found

    def all_below(self, price: Mapping[int, float], below: float) -> list[_Set] | None:
        """Every set whose cost less prices is at most so much; None: too many."""
        labels, _ = self._walk(self.places, price, below, dominated=False)
        return None if labels is None else self._sets(labels, len(labels))

    def _sets(self, labels: list[_Label], most: int) -> list[_Set]:
        labels = sorted(labels, key=lambda one: (one.cost, one.runs))[:most]
        return [
            _Set(self.truck, one.runs, one.real, tuple(at for at in one.runs if at in self.movable))
            for one in labels
        ]

    def _walk(
        self, places: list[_Place], price: Mapping[int, float], below: float, *, dominated: bool
    ) -> tuple[list[_Label] | None, float]:
        """Ends of all walks along the runs that cost at most so much, and a bound for all walks.

        None: more steps than `MOST_STEPS`.
        """
        rest = self._rest(places, price)
        state = self.roster.trucks[self.truck].state
        groups: _Groups = {(state, -1): [_Label(NEVER_YET, float(self.before), self.before, ())]}
        steps, least = 0, self.before + rest[0][0]
        for after, one in enumerate(places, 1):
            groups = self._step(one, price.get(one.run, 0.0), groups, below, rest[after])
            if dominated:
                groups = {key: _front(some) for key, some in groups.items()}
            steps += sum(map(len, groups.values()))
            if steps > MOST_STEPS:
                return None, least
        return [one for some in groups.values() for one in some], least

    def _rest(self, places: list[_Place], price: Mapping[int, float]) -> list[list[float]]:
        """The least that the runs from each one on cost, by moments at which the truck is free.

        Setups and gates are left out of it, so no walk costs less.
        """
        after = np.zeros(MOMENTS)
        found = [after.tolist()]
        for one in reversed(places):
            turn, duty = self.roster.turns[one.run, self.truck], self.roster.runs[one.run]
            due = np.inf if duty.due_min is None else duty.due_min
            worth, paid = duty.cost_untreated // UNTREATED_MIN, price.get(one.run, 0.0)
            done = np.full(MOMENTS, np.inf)
            for start, end in reversed(self.roster.trucks[self.truck].shifts):
                leaves = np.maximum(self.moments, start) + turn.before_min
                leaves = np.maximum(leaves, duty.release_min)
                fits = np.flatnonzero(leaves + turn.minutes <= end)
                over = (leaves[fits] + turn.minutes - self.first) // self.step
                late = np.clip(leaves[fits] + turn.treated_min - due, 0.0, UNTREATED_MIN)
                done[fits] = one.effort - paid + late * worth + after[over]
            after = np.minimum(one.skipped + after, done)
            found.append(after.tolist())
        return found[::-1]

    def _step(
        self,
        place: _Place,
        price: float,
        groups: _Groups,
        below: float,
        rest: list[float],
    ) -> _Groups:
        """All beginnings with and without one more run, as far as they cost at most so much.

        ``rest`` : what the runs after it cost at least, by moments.
        """
        run, turn = self.roster.runs[place.run], self.roster.turns[place.run, self.truck]
        found: _Groups = {}
        for (state, gates), labels in groups.items():
            setup = setup_of(self.roster, state, turn.state)
            kept, both = gates & turn.gates, (turn.state, gates & turn.gates)
            for free, cost, real, runs in labels:
                if cost + place.skipped + rest[max(0, (free - self.first) // self.step)] <= below:
                    without = _Label(free, cost + place.skipped, real + place.skipped, runs)
                    found.setdefault((state, gates), []).append(without)
                if not kept:
                    continue
                at = begins(self.roster, self.truck, free, setup, place.run, turn)
                if at is None:
                    continue
                added = place.effort + run.cost_of_lateness(at + turn.treated_min)
                end, gain = at + turn.minutes, cost + added - price
                if gain + rest[(end - self.first) // self.step] <= below:
                    done = _Label(end, gain, real + added, (*runs, place.run))
                    found.setdefault(both, []).append(done)
        return found


def _front(labels: list[_Label]) -> list[_Label]:
    """Those that no other one beats in both time and cost."""
    kept: list[_Label] = []
    for one in sorted(labels):
        if not kept or one.cost < kept[-1].cost - TINY:
            kept.append(one)
    return kept


class _Prices:
    """A linear program over the sets at hand, and the best bound so far with its prices."""

    def __init__(self, part: FreeRuns, start: Sequence[_Set]) -> None:
        self.part = part
        self.searches = [_Search(part, truck) for truck in range(len(part.roster.trucks))]
        self.sets = {(one.truck, one.runs): one for one in start}
        self.bound = -math.inf
        self.price: dict[int, float] = {}
        #: prices are kept below this for a while: those of a program with few sets leap about
        self.dearest = self._dearest(start)
        #: each truck's least cost at the prices of the bound
        self.least: list[float] = []

    def _dearest(self, start: Sequence[_Set]) -> dict[int, float]:
        """Twice what each run costs where it is now; its whole worth where nobody does it."""
        runs = self.part.roster.runs
        dearest = {run: float(runs[run].cost_untreated) for run in sorted(self.part.movable)}
        for one in start:
            for run in one.movable:
                left = self.part.set_of(one.truck, [at for at in one.runs if at != run])
                dearest[run] = min(dearest[run], 2.0 * max(one.cost - left.cost, float(CHANGE)))
        return dearest

    def settle(self) -> None:
        """Add sets until the bound meets the linear program, or the rounds are used up."""
        self.add_sets({run: most / 2.0 for run, most in self.dearest.items()})
        for _ in range(ROUNDS):
            value, price, missed = self._program()
            near = value - self.bound <= max(TINY, NEAR * abs(value))
            if near and not missed:
                return
            for run in missed:
                worth = self.part.roster.runs[run].cost_untreated
                self.dearest[run] = min(4.0 * self.dearest[run], float(worth))
            if near:
                continue
            held = self.price
            between = {at: SMOOTHING * held[at] + (1 - SMOOTHING) * price[at] for at in price}
            # where prices in between lead to nothing new, those of the program are tried
            if not self.add_sets(between) and not self.add_sets(price) and not missed:
                return

    def add_sets(self, price: Mapping[int, float]) -> int:
        """Each truck's best sets at these prices; how many were new. The bound may rise."""
        known = [math.inf] * len(self.searches)
        for one in self.sets.values():
            gain = one.cost - sum(price[run] for run in one.movable)
            known[one.truck] = min(known[one.truck], gain)
        least, new = [], 0
        for search, below in zip(self.searches, known, strict=True):
            of_truck, found = search.best(price, below)
            least.append(of_truck)
            for one in found:
                new += (one.truck, one.runs) not in self.sets
                self.sets[one.truck, one.runs] = one
        bound = sum(price.values()) + sum(least)
        if bound > self.bound:
            self.bound, self.price, self.least = bound, dict(price), least
        return new

    def _program(self) -> tuple[float, dict[int, float], list[int]]:
        """Value of the linear program, prices of the runs, and runs it would pay more for."""
        from scipy import optimize, sparse

        runs, trucks = self.part.roster.runs, len(self.searches)
        movable = sorted(self.part.movable)
        place = {run: at for at, run in enumerate(movable)}
        sets = list(self.sets.values())
        pairs = [(place[run], at) for at, one in enumerate(sets) for run in one.movable]
        pairs += [(at, len(sets) + at) for at in range(len(movable))]
        rows, columns = np.array(pairs).T
        width = len(sets) + len(movable)
        treated = sparse.csr_array((-np.ones(len(rows)), (rows, columns)), (len(movable), width))
        by = ([one.truck for one in sets], range(len(sets)))
        one_each = sparse.csr_array((np.ones(len(sets)), by), (trucks, width))
        untreated = [self.dearest[run] for run in movable]
        solve: Any = optimize.linprog  # scipy's types know dense matrices only
        solved = solve(
            np.array([*(one.cost for one in sets), *untreated], dtype=float),
            A_ub=treated,
            b_ub=-np.ones(len(movable)),
            A_eq=one_each,
            b_eq=np.ones(trucks),
            method="highs-ds",
        )
        dual = np.clip(-solved.ineqlin.marginals, 0.0, untreated)
        left_out = solved.x[len(sets) :] > TINY
        missed = [
            run
            for run, out in zip(movable, left_out.tolist(), strict=True)
            if out and self.dearest[run] < runs[run].cost_untreated
        ]
        return float(solved.fun), dict(zip(movable, dual.tolist(), strict=True)), missed

    def all_within(self, cost: int) -> list[_Set] | None:
        """Every set that an assignment of at most that cost can hold; None: too many."""
        room = cost - self.bound + TINY
        found: list[_Set] = []
        for search, least in zip(self.searches, self.least, strict=True):
            some = search.all_below(self.price, least + room)
            if some is None or len(found) + len(some) > MOST_SETS:
                return None
            found += some
        return found


class Solved(NamedTuple):
    """Who does which run, a bound from below, the prices it rests on, and how many sets it took."""

    done: dict[int, Placed]
    bound: float
    price: dict[int, float]
    sets: int


def solved(part: FreeRuns, start: Mapping[int, Placed]) -> Solved:
    """The best assignment of the runs that move.

    Parameters
    ----------
    part : what moves and what stays.
    start : an assignment in which everything that stays is where it is held.

    Returns
    -------
    Solved. Its assignment costs no more than ``start``.
    """
    trucks = range(len(part.roster.trucks))
    now = [
        part.set_of(truck, [at for at in sorted(start) if start[at].truck == truck])
        for truck in trucks
    ]
    alone = [part.set_of(truck, part.own(truck)) for truck in trucks]
    prices = _Prices(part, [*alone, *now])
    prices.settle()
    sets = list(prices.sets.values())
    chosen, _ = _choice(part, sets, now)
    cost, bound = _total(part, chosen), prices.bound
    within = prices.all_within(cost) if cost > bound + TINY else None
    if within is not None:
        sets = list({(one.truck, one.runs): one for one in [*chosen, *within]}.values())
        chosen, least = _choice(part, sets, chosen)
        bound = max(bound, least)
    done: dict[int, Placed] = {}
    for one in chosen:
        done |= timetable(part.roster, one.truck, one.runs)
    return Solved(done, bound + part.of_nobody(), prices.price, len(prices.sets))


def _choice(part: FreeRuns, sets: Sequence[_Set], now: Sequence[_Set]) -> tuple[list[_Set], float]:
    """One of the sets for each truck, so that all together cost least; a bound for these sets.

    ``now`` : such a choice, in the order of the trucks. The one returned costs no more.
    """
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    taken = [model.new_bool_var("") for _ in sets]
    of_truck: list[list[cp_model.IntVar]] = [[] for _ in part.roster.trucks]
    of_run: dict[int, list[cp_model.IntVar]] = {run: [] for run in sorted(part.movable)}
    hinted = set(now)
    for one, var in zip(sets, taken, strict=True):
        of_truck[one.truck].append(var)
        for run in one.movable:
            of_run[run].append(var)
        model.add_hint(var, one in hinted)
    for some in of_truck:
        model.add_exactly_one(some)
    untreated = {run: model.new_bool_var("") for run in of_run}
    for run, some in of_run.items():
        model.add_bool_or([*some, untreated[run]])
        model.add_hint(untreated[run], not any(run in one.movable for one in now))
    lost = [part.roster.runs[run].cost_untreated for run in untreated]
    variables, costs = [*taken, *untreated.values()], [*(one.cost for one in sets), *lost]
    model.minimize(cp_model.LinearExpr.weighted_sum(variables, costs))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 1
    solver.parameters.linearization_level = 2
    solver.parameters.max_deterministic_time = DETERMINISTIC_S
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return list(now), -math.inf
    chosen = [one for one, var in zip(sets, taken, strict=True) if solver.boolean_value(var)]
    chosen = _once(part, sorted(chosen, key=lambda one: one.truck))
    better = _total(part, chosen) < _total(part, now)
    return chosen if better else list(now), solver.best_objective_bound


def _once(part: FreeRuns, chosen: list[_Set]) -> list[_Set]:
    """A run that two trucks would do stays with the one that does it at less cost."""
    best = dict[int, _Set]()
    for one in chosen:
        for run in one.movable:
            gain = one.cost - part.set_of(one.truck, [at for at in one.runs if at != run]).cost
            other = best.get(run)
            if other is not None:
                left = [at for at in other.runs if at != run]
                if gain >= other.cost - part.set_of(other.truck, left).cost:
                    continue
            best[run] = one
    return [
        part.set_of(
            one.truck,
            [at for at in one.runs if at not in part.movable or best[at].truck == one.truck],
        )
        for one in chosen
    ]


def _total(part: FreeRuns, chosen: Sequence[_Set]) -> int:
    """What a choice costs, runs that move and that nobody does included."""
    done = {run for one in chosen for run in one.movable}
    lost = sum(part.roster.runs[run].cost_untreated for run in part.movable - done)
    return lost + sum(one.cost for one in chosen)


def bound_at(part: FreeRuns, price: Mapping[int, float]) -> float:
    """No assignment of the runs that move costs less than this, which rests on any prices."""
    alone = [part.set_of(at, part.own(at)) for at in range(len(part.roster.trucks))]
    prices = _Prices(part, alone)
    prices.add_sets(price)
    return prices.bound + part.of_nobody()
