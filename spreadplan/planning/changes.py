"""Where the driver of a run changes the setting: as seldom as the rates along it allow.

A change that holds for a few seconds is worth nothing: a stretch must give at least a quarter of a
mile, and half a minute, the rate that it asks for. Shorter pieces join a neighbour. In a sensitive
area no setting ever gives more than is meant there, so a short piece there keeps its own, and takes
in the road beside it where that is short enough. Miles, minutes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: no change holds for less than this; our choice.
LEAST_MI: Final = 0.25
LEAST_MIN: Final = 0.5
#: lane-miles: so much road beside a sensitive area gets too little sooner than that a change there
#: is too short; our choice.
SHORT_LANE_MI: Final = 0.25
#: costs are compared in turn: whole numbers keep ties exact. Parts of a lane-mile that count, and
#: what a place above a ceiling and a lane-mile weigh beside a change.
PARTS: Final = 10_000
_CHANGE, _OFF, _FORBIDDEN = 1, 1 << 14, 1 << 46
_ROUNDING = 1e-9


@dataclass(frozen=True, kw_only=True)
class Along:
    """What is asked for along a run, row by row in driving order; arrays of shape (n,).

    Attributes
    ----------
    low, high : first and last place among the settings that serves the row, low <= high.
    need : what the row asks for, > 0, in the unit of the settings.
    miles, minutes : how long it is, and how long the truck is on it.
    lane_miles : its weight.
    sensitive : no place above ``high`` may be taken.
    """

    low: Ints
    high: Ints
    need: Floats
    miles: Floats
    minutes: Floats
    lane_miles: Floats
    sensitive: Bools

    def rows(self, which: Any) -> Along:
        """Some of the rows."""
        return Along(**{one.name: getattr(self, one.name)[which] for one in fields(self)})


def fewest_changes(along: Along, gives: Floats) -> Ints:
    """The setting of each row of one run.

    Parameters
    ----------
    along : the run.
    gives : what each setting gives, ascending, shape (g,).

    Returns
    -------
    Places among the settings, shape (n,). Of all ways to cut the run where what is asked for
    changes, and to give each stretch one setting, the one with, compared in turn, the least number
    of sensitive rows that get too much; the least lane-miles that are not served; the fewest
    changes; the least relative error squared, weighted by lane-miles. A stretch serves at least
    `LEAST_MI` and `LEAST_MIN` of road, unless it is the whole run, or serves a sensitive row: such
    a stretch, if it is shorter in all, costs as much as `SHORT_LANE_MI` that are not served.
    """
    if not len(along.need):
        return np.zeros(0, dtype=np.int64)
    first, last = int(along.low.max()), int(along.high.min())
    if first <= last:  # one setting serves all
        error = (along.lane_miles * (gives[first : last + 1, None] / along.need - 1.0) ** 2).sum(1)
        return np.full(len(along.need), first + int(error.argmin()), dtype=np.int64)
    piece = _pieces(along)
    starts = np.flatnonzero(np.diff(piece, prepend=-1))
    joined = along.rows(starts)
    for name in ("miles", "minutes", "lane_miles"):
        np.add.reduceat(getattr(along, name), starts, out=getattr(joined, name))
    used = np.arange(int(along.low.min()), int(along.high.max()) + 1)
    return used[_best_way(joined, used, gives[used])][piece]


def _pieces(along: Along) -> Ints:
    """Number of the piece of each row: neighbours that ask for the same."""
    new = np.zeros(len(along.need), dtype=bool)
    for name in ("low", "high", "need", "sensitive"):
        values = getattr(along, name)
        new[1:] |= values[1:] != values[:-1]
    return np.cumsum(new)


def _summed(values: NDArray[Any]) -> NDArray[Any]:
    """Sums of the first 0, 1, ... n columns of a matrix, shape (g, n + 1)."""
    sums: NDArray[Any] = np.zeros((len(values), values.shape[1] + 1), dtype=values.dtype)
    np.cumsum(values, axis=1, out=sums[:, 1:])
    return sums


def _best_way(along: Along, used: Ints, gives: Floats) -> Ints:
    """The best setting of each piece, by dynamic programming over where a stretch ends.

    The cost of a stretch from i to j at a setting is a difference of sums, and it is long enough
    if it begins early enough: the best beginning is a running minimum. Time and memory grow with
    pieces times settings.
    """
    place = used[:, None]
    served = (place >= along.low) & (place <= along.high)
    forbidden = along.sensitive & (place > along.high)
    parts = np.rint(along.lane_miles * PARTS).astype(np.int64)
    cost = _summed(forbidden * np.int64(_FORBIDDEN) + ~served * parts * _OFF)
    error = _summed(along.lane_miles * (gives[:, None] / along.need - 1.0) ** 2)
    latest = _latest(along, served)
    short = round(SHORT_LANE_MI * PARTS) * _OFF
    settings, ends = cost.shape
    every = np.arange(settings)
    # by end: cost so far, its error, where the last stretch begins and its setting
    total = np.full(ends, -1, dtype=np.int64)
    total_error, begins, chosen = np.zeros(ends), np.zeros(ends, np.int64), np.zeros(ends, np.int64)
    total[0] = 0
    best = [np.zeros((settings, ends), np.int64), np.zeros((settings, ends))]
    where = np.zeros((settings, ends), dtype=np.int64)
    for end in range(1, ends):
        ways = [(latest[0][:, end], 0), (latest[1][:, end], 0), (latest[2][:, end], short)]
        if end == ends - 1:
            ways.append((np.zeros(settings, dtype=np.int64), 0))
        found: list[tuple[int, float, int, int]] = []
        for begin, extra in ways:
            able = every[begin >= 0]
            at = begin[able]
            whole = best[0][able, at] + cost[able, end] + _CHANGE + extra
            off = best[1][able, at] + error[able, end]
            if len(able):
                one = np.lexsort((off, whole))[0]
                found.append((int(whole[one]), float(off[one]), int(where[able[one], at[one]]),
                              int(able[one])))  # fmt: skip
        if found:
            total[end], total_error[end], begins[end], chosen[end] = min(found)
        _remember(best, where, end, cost, error, total, total_error)
    return _traced(begins, chosen)


def _remember(
    best: list[NDArray[Any]],
    where: Ints,
    end: int,
    cost: Ints,
    error: Floats,
    total: Ints,
    total_error: Floats,
) -> None:
    """Note for each setting the best place up to ``end`` for a stretch to begin."""
    for table in (*best, where):
        table[:, end] = table[:, end - 1]
    if total[end] < 0:
        return
    here, off = total[end] - cost[:, end], total_error[end] - error[:, end]
    better = (here < best[0][:, end]) | ((here == best[0][:, end]) & (off < best[1][:, end]))
    best[0][better, end], best[1][better, end], where[better, end] = here[better], off[better], end


def _latest(along: Along, served: Bools) -> tuple[Ints, Ints, Ints]:
    """The latest beginning of a stretch that ends there, by setting; -1 where there is none.

    Of one that serves enough road; of one that serves a sensitive row and is long enough in all;
    of one that serves a sensitive row.
    """
    enough = _long_enough(_summed(served * along.miles), _summed(served * along.minutes))
    everything = np.ones_like(served)
    length = _long_enough(_summed(everything * along.miles), _summed(everything * along.minutes))
    place = np.arange(served.shape[1])
    lowered = np.full((len(served), served.shape[1] + 1), -1, dtype=np.int64)
    kept = np.where(served & along.sensitive, place, -1)
    np.maximum.accumulate(kept, axis=1, out=lowered[:, 1:])
    return enough, np.minimum(length, lowered), lowered


def _long_enough(miles: Floats, minutes: Floats) -> Ints:
    """For each end the latest beginning that leaves enough of both; -1 where there is none."""
    latest = np.full(miles.shape, miles.shape[1], dtype=np.int64)
    for sums, least in ((miles, LEAST_MI), (minutes, LEAST_MIN)):
        for number, row in enumerate(sums):
            at = np.searchsorted(row, row - least + _ROUNDING, side="right") - 1
            np.minimum(latest[number], at, out=latest[number])
    return latest


def _traced(begins: Ints, chosen: Ints) -> Ints:
    """The setting of each piece, read back from the end of the run."""
    end = len(begins) - 1
    setting = np.zeros(end, dtype=np.int64)
    while end > 0:
        setting[begins[end] : end] = chosen[end]
        end = int(begins[end])
    return setting
