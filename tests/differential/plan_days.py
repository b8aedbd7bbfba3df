"""What all tests of a day have in common, learnt again in plain Python, on the same grid."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise

GRID = [0.001 * 200 ** (k / 63) for k in range(64)]
USUAL, LOG_SD, GAP = 0.015, 0.5, timedelta(hours=12)


def days(moments: Sequence[datetime]) -> list[int]:
    """The day of each moment in order of time: a new one begins after half a day of silence."""
    found = [0]
    for before, after in pairwise(moments):
        found.append(found[-1] + (after - before > GAP))
    return found


def kept(day: Sequence[int]) -> float:
    """Share of one day's variance that is left in the mean of all tests."""
    return sum((day.count(one) / len(day)) ** 2 for one in set(day))


def learned(trucks: Sequence[Sequence[tuple[int, float, float]]]) -> float:
    """Root mean square over the grid; a truck's tests are their day, residual and deviation."""
    logs = [-0.5 * (math.log(d / USUAL) / LOG_SD) ** 2 for d in GRID]
    for tests in trucks:
        names = sorted({day for day, _, _ in tests})
        if len(names) < 2:
            continue
        means, variances = [], []
        for name in names:
            mine = [(residual, sd) for day, residual, sd in tests if day == name]
            means.append(sum(residual for residual, _ in mine) / len(mine))
            variances.append(sum(sd**2 for _, sd in mine) / len(mine) ** 2)
        for k, d in enumerate(GRID):
            weights = [1 / (v + d * d) for v in variances]
            centre = sum(w * m for w, m in zip(weights, means, strict=True)) / sum(weights)
            squares = sum(w * (m - centre) ** 2 for w, m in zip(weights, means, strict=True))
            logs[k] += 0.5 * (sum(map(math.log, weights)) - math.log(sum(weights)) - squares)
    top = max(logs)
    shares = [math.exp(value - top) for value in logs]
    square = sum(w * d * d for w, d in zip(shares, GRID, strict=True))
    return math.sqrt(square / sum(shares))
