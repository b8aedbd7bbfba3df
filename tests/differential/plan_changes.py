"""What the settings along a run cost, and the least that any way costs: plain Python from the rule.

A way gives each row a setting; it may change only where what is asked for does. Ways are compared
by sensitive rows that get too much, then by parts of a lane-mile that are not served, then by
changes.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby, pairwise
from typing import NamedTuple

LEAST_MI, LEAST_MIN, PARTS, TINY = 0.25, 0.5, 10_000, 1e-9
SHORT_PARTS = 2_500
Cost = tuple[int, int, int]


class Asked(NamedTuple):
    """What a row asks for: first and last setting that serve it, need, miles, minutes, lane-miles,
    and whether it lies in a sensitive area.
    """

    low: int
    high: int
    need: float
    miles: float
    minutes: float
    lane_miles: float
    sensitive: bool


def _stretch(rows: Sequence[Asked], place: int, whole: bool) -> Cost | None:
    """The cost of one stretch with one setting; None where it is too short."""
    serves = [row for row in rows if row.low <= place <= row.high]
    enough = (
        sum(row.miles for row in serves) >= LEAST_MI - TINY
        and sum(row.minutes for row in serves) >= LEAST_MIN - TINY
    )
    long = (
        sum(row.miles for row in rows) >= LEAST_MI - TINY
        and sum(row.minutes for row in rows) >= LEAST_MIN - TINY
    )
    lowered = any(row.sensitive for row in serves)
    if not (enough or lowered or whole):
        return None
    above = sum(row.sensitive and place > row.high for row in rows)
    off = sum(round(row.lane_miles * PARTS) for row in rows if not row.low <= place <= row.high)
    return above, off + (0 if enough or long or whole else SHORT_PARTS), 1


def cost_of(places: Sequence[int], rows: Sequence[Asked]) -> Cost | None:
    """What a way costs; None where one of its stretches is too short."""
    cuts = [0, *(n for n in range(1, len(rows)) if places[n] != places[n - 1]), len(rows)]
    total: Cost = (0, 0, 0)
    for first, end in pairwise(cuts):
        cost = _stretch(rows[first:end], places[first], len(cuts) == 2)
        if cost is None:
            return None
        total = (total[0] + cost[0], total[1] + cost[1], total[2] + cost[2])
    return total


def least_cost(rows: Sequence[Asked], settings: int) -> Cost:
    """The least cost of all ways, by the best way to every place where a stretch may end."""
    pieces = [
        list(same) for _, same in groupby(rows, key=lambda r: (r.low, r.high, r.need, r.sensitive))
    ]
    used = range(min(row.low for row in rows), min(max(row.high for row in rows) + 1, settings))
    best: list[Cost | None] = [(0, 0, 0)]
    for end in range(1, len(pieces) + 1):
        ways = []
        for begin in range(end):
            before = best[begin]
            if before is None:
                continue
            stretch = [row for piece in pieces[begin:end] for row in piece]
            whole = begin == 0 and end == len(pieces)
            for place in used:
                cost = _stretch(stretch, place, whole)
                if cost is not None:
                    ways.append((before[0] + cost[0], before[1] + cost[1], before[2] + cost[2]))
        best.append(min(ways, default=None))
    found = best[-1]
    assert found is not None
    return found
