"""Which truck takes over which run, so that least is left untreated and least comes late.

The planner's own assignment stands where it keeps its promises. What is late or untreated, and what
else the trucks do that have such a run, may go to another truck: `reassign_roster` says what that
costs, `reassign_sets` finds the best and a bound. Very many such runs are taken in parts.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from spreadplan.planning.reassign_roster import (
    Placed,
    Roster,
    as_planned,
    considered,
    cost_of,
    greedy,
    in_trouble,
)

#: runs that move at once, how often others do after them, and trucks that each of them may go to:
#: limits of the work
MOST_MOVABLE: Final = 150
MOST_PARTS: Final = 2
MOST_TRUCKS: Final = 10
#: of sums of costs
ROUNDING: Final = 0.01


@dataclass(frozen=True, kw_only=True)
class Reassignment:
    """An assignment, and how good it is.

    Attributes
    ----------
    done : by place of the run; a run that is missing is left untreated.
    cost, cost_before, cost_greedy : of this assignment, of the planner's, and of giving each run in
        trouble in turn to the truck that is best for it.
    bound : no assignment of the movable runs costs less, where each may go to the `MOST_TRUCKS`
        trucks that suit it best; of fewer trucks: no assignment of them at all.
    movable : places of the runs that could move; all others stay with their trucks.
    sets : how many sets of runs were looked at.
    """

    done: Mapping[int, Placed]
    cost: int
    cost_before: int
    cost_greedy: int
    bound: int
    movable: frozenset[int]
    sets: int = field(default=0, compare=False)

    @property
    def gap(self) -> float:
        """How much less than this it could cost at most, as a share of it."""
        return (self.cost - self.bound) / self.cost if self.cost else 0.0

    @property
    def proven(self) -> bool:
        """Whether no assignment of the movable runs costs less than this one."""
        return self.cost <= self.bound


def reassign(roster: Roster, movable: Collection[int] | None = None) -> Reassignment:
    """Who should do which run.

    Parameters
    ----------
    movable : places of the runs that may go to another truck. None: those that are late or
        untreated, and all others of the trucks that have such a run. Of very many the rest stays
        where it is: of those given what comes last, else what is least in trouble.

    Returns
    -------
    Reassignment, the same one each time: nothing in it depends on a clock. It costs no more than
    the planner's assignment, and no more than the greedy one.
    """
    before = as_planned(roster)
    groups = troubled(roster, before) if movable is None else [sorted(movable)]
    together = in_parts(groups)[:MOST_PARTS]
    free = frozenset[int]().union(*together)
    by_greed = greedy(roster, before, free)
    fewer = considered(roster, by_greed, free, MOST_TRUCKS)
    found, bound, sets = _solved(fewer, together, free, by_greed)
    cost = cost_of(roster, found)
    return Reassignment(
        done=found,
        cost=cost,
        cost_before=cost_of(roster, before),
        cost_greedy=cost_of(roster, by_greed),
        bound=min(cost, math.ceil(bound - max(ROUNDING, 1e-9 * abs(bound)))),
        movable=free,
        sets=sets,
    )


def _solved(
    roster: Roster, together: list[frozenset[int]], free: frozenset[int], start: dict[int, Placed]
) -> tuple[dict[int, Placed], float, int]:
    """The best of one part after the other; a bound for all parts; how many sets it took."""
    if not together:
        return start, cost_of(roster, start), 0
    from spreadplan.planning.reassign_sets import FreeRuns, bound_at, solved

    found, bound, sets = start, -math.inf, 0
    price: dict[int, float] = {}
    for movable in together:
        part = FreeRuns(roster, movable, _held(roster, free, found))
        done, bound, of_part, some = solved(part, found)
        if cost_of(roster, done) <= cost_of(roster, found):
            found = done
        price |= of_part
        sets += some
    if len(together) > 1:
        bound = bound_at(FreeRuns(roster, free, _held(roster, free, found)), price)
    return found, bound, sets


def _held(roster: Roster, free: frozenset[int], found: Mapping[int, Placed]) -> list[int | None]:
    """The truck that holds each run: the planner's, or the one found where it may move."""
    return [
        (found[at].truck if at in found else None) if at in free else run.truck
        for at, run in enumerate(roster.runs)
    ]


def troubled(roster: Roster, done: Mapping[int, Placed]) -> list[list[int]]:
    """The runs that are worth moving: those in trouble, and all others of their trucks.

    Returns
    -------
    They stand together by truck, the worst trouble first; runs of no truck each on its own.
    """
    groups: dict[tuple[int | None, int], list[int]] = {}
    for run in in_trouble(roster, done):
        truck = roster.runs[run].truck
        groups.setdefault((truck, run if truck is None else -1), []).append(run)
    for at, one in enumerate(roster.runs):
        some = groups.get((one.truck, -1), [at])
        if at not in some:
            some.append(at)
    return [sorted(some) for some in groups.values()]


def in_parts(groups: Iterable[list[int]]) -> list[frozenset[int]]:
    """Groups of runs that move at once, few enough for the solver; each run in one of them."""
    found: list[frozenset[int]] = []
    for some in groups:
        for first in range(0, len(some), MOST_MOVABLE):
            piece = frozenset(some[first : first + MOST_MOVABLE])
            if found and len(found[-1]) + len(piece) <= MOST_MOVABLE:
                found[-1] |= piece
            else:
                found.append(piece)
    return found
