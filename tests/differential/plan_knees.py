"""Where a feeder may stop rising, and what the other trucks show of it, written a second time.

Source: as `spreadplan.calibration.knees` names it; the sums are written out one by one here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from tests.differential.plan_numbers import ZERO

TRUCKS = 4
"""So many trucks the assumed figures are worth."""
PLACES = [51 + 2 * n for n in range(25)]


@dataclass(frozen=True)
class Knee:
    """One place where the curve may level off: its probability and the curve there."""

    share: Decimal
    intercept: Decimal
    slope: Decimal
    at: Decimal

    def flow(self, output: Decimal) -> Decimal:
        """Discharge at an output."""
        return max(ZERO, self.intercept + self.slope * min(output, self.at))


def knees_of(
    tests: Sequence[tuple[float, float, float]],
    start: tuple[float, float],
    level_share: float,
    prior_dof: float,
) -> list[Knee]:
    """Knees from 51 to 99 %; ``tests``: output, discharge, its standard deviation."""
    pull = sum(q * f / s**2 for f, q, s in tests) / sum((f / s) ** 2 for f, _, s in tests)
    anchor = (start[0], 0.0, pull * start[1])
    found = []
    no_knee = 1.0
    for place in PLACES:
        if place > start[0] + start[1]:
            bent = [(min(f, float(place)), q, s) for f, q, s in tests]
            found.append((level_share / len(PLACES), float(place), *_line([*bent, anchor])))
            no_knee -= level_share / len(PLACES)
    found.append((no_knee, math.inf, *_line([*tests, anchor])))
    size = 0.5 * (prior_dof + len(tests))
    logs = [
        math.log(prior) - 0.5 * math.log(spread) - size * math.log(1.0 + left / prior_dof)
        for prior, _, _, _, spread, left in found
    ]
    whole = sum(math.exp(one - max(logs)) for one in logs)
    knees = []
    for log, (_, at, intercept, slope, _, _) in zip(logs, found, strict=True):
        share = math.exp(log - max(logs)) / whole
        if at < math.inf and share > 1e-4 and slope > 0:
            four = (Decimal(repr(value)) for value in (share, intercept, slope, at))
            knees.append(Knee(*four))
    return knees


def _line(seen: Sequence[tuple[float, float, float]]) -> tuple[float, float, float, float]:
    """Intercept, slope, sum of squares of the outputs about their mean, and what is left."""
    whole = sum(1 / s**2 for _, _, s in seen)
    mean_f = sum(f / s**2 for f, _, s in seen) / whole
    mean_q = sum(q / s**2 for _, q, s in seen) / whole
    spread = sum((f - mean_f) ** 2 / s**2 for f, _, s in seen)
    slope = sum((f - mean_f) * (q - mean_q) / s**2 for f, q, s in seen) / spread
    intercept = mean_q - slope * mean_f
    left = sum(((q - intercept - slope * f) / s) ** 2 for f, q, s in seen)
    return intercept, slope, spread, left


@dataclass(frozen=True)
class Ends:
    """What one truck shows: start-up with its uncertainty, and whether it levels off."""

    start: tuple[float, float] | None
    levels: bool | None


def ends_of_others(
    others: Sequence[Ends], startup_u: float, level_share: float
) -> tuple[float, float]:
    """Doubt in the start-up and share that levels off, the assumed figures averaged with these."""
    squares = [max(one.start[0] ** 2 - one.start[1] ** 2, 0.0) for one in others if one.start]
    levels = [float(one.levels) for one in others if one.levels is not None]
    startup = (TRUCKS * startup_u**2 + sum(squares)) / (TRUCKS + len(squares))
    return math.sqrt(startup), (TRUCKS * level_share + sum(levels)) / (TRUCKS + len(levels))
