"""Budgets, forecast and chloride of a season from the storms' own tables, in decimals and sums.

Plain Python. Masses in lb unless the name says otherwise. The model of the forecast is that of the
package's documents: Poisson storms with a gamma posterior (half a storm before any was seen), gamma
use with unknown mean and shape.
"""

from __future__ import annotations

import math
import random
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path

from tests.differential.reconcile_oracle import rows_of

TON_LB = Decimal(2000)
RATE_PRIOR = 0.5
#: shapes of the use of a storm: a lognormal about 3, integrated on a finer grid than the package's
SHAPES = [0.6 * 100 ** (k / 120) for k in range(121)]
SHAPE_CENTRE, SHAPE_LOG_SD = 3.0, 0.8


@dataclass
class Used:
    """Mass so far of one scope."""

    total: Decimal = Decimal(0)
    by_storm: dict[str, Decimal] = field(default_factory=lambda: defaultdict(Decimal))
    fleet: float = 0.0
    truck: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    storm: dict[tuple[str, str], float] = field(default_factory=lambda: defaultdict(float))
    own2: float = 0.0

    @property
    def u(self) -> float:
        """Common errors add up, independent ones by squares (GUM 5.1.2, 5.2.2)."""
        squares = [*self.truck.values(), *self.storm.values()]
        return math.sqrt(self.fleet**2 + sum(v * v for v in squares) + self.own2)


def used(
    results: Path, storms: list[str], material: str, counts: Callable[[dict[str, str]], bool]
) -> Used:
    """Sum of the rows of use_segments.csv that ``counts`` takes; every row of one truck."""
    found = Used()
    for storm in storms:
        trucks = {
            row["truck_id"]: row
            for row in rows_of(results / storm / "use_trucks.csv")
            if row["material"] == material
        }
        for row in rows_of(results / storm / "use_segments.csv"):
            if row["material"] != material or not row["trucks"] or not counts(row):
                continue
            truck = trucks[row["trucks"]]  # fails where two trucks share a segment: not in these
            mass = Decimal(row["applied_lb"])
            u, fleet, own_storm = (
                float(truck[name]) for name in ("ratio_u", "ratio_fleet_u", "ratio_storm_u")
            )
            found.total += mass
            found.by_storm[storm] += mass
            lb = float(mass)
            found.fleet += lb * fleet
            found.truck[row["trucks"]] += lb * math.sqrt(max(u**2 - fleet**2 - own_storm**2, 0))
            found.storm[storm, row["trucks"]] += lb * own_storm
            found.own2 += max(float(row["applied_u_lb"]) ** 2 - (lb * u) ** 2, 0.0)
    return found


def shape_weights(uses: list[float]) -> list[float]:
    """Posterior of each shape, the scale integrated out."""
    n, total = len(uses), sum(uses)
    logs = [
        (k - 1) * sum(map(math.log, uses))
        + math.lgamma(n * k)
        - n * math.lgamma(k)
        - n * k * math.log(total)
        - 0.5 * (math.log(k / SHAPE_CENTRE) / SHAPE_LOG_SD) ** 2
        for k in SHAPES
    ]
    most = max(logs)
    weights = [math.exp(value - most) for value in logs]
    return [weight / sum(weights) for weight in weights]


def expected_total(uses: list[float], days_past: float, days_left: float) -> float:
    """Used so far and expected: E[storms] times E[use of a storm]; E[scale] = S / (n k - 1)."""
    n, total = len(uses), sum(uses)
    storms = (n + RATE_PRIOR) / days_past * days_left
    weights = shape_weights(uses)
    one = sum(w * k * total / (n * k - 1) for w, k in zip(weights, SHAPES, strict=True))
    return total + storms * one


def upper_total(
    uses: list[float],
    u: float,
    days_past: float,
    days_left: float,
    share: float = 0.95,
    draws: int = 60_000,
) -> float:
    """The total that the season stays below with ``share``, drawn by lot."""
    random_ = random.Random(1)
    n, total = len(uses), sum(uses)
    shapes = random_.choices(SHAPES, shape_weights(uses), k=draws)
    totals = []
    for k in shapes:
        rate = random_.gammavariate(n + RATE_PRIOR, 1 / days_past)
        storms = poisson(random_, rate * days_left)
        scale = total / random_.gammavariate(n * k, 1.0)
        more = random_.gammavariate(storms * k, scale) if storms else 0.0
        totals.append((total + more) * max(1 + u / total * random_.gauss(0, 1), 0.0))
    totals.sort()
    return totals[int(share * draws)]


def poisson(random_: random.Random, mean: float) -> int:
    """A Poisson count: how many exponential waits fit in."""
    count, passed = 0, random_.expovariate(1.0)
    while passed < mean:
        count, passed = count + 1, passed + random_.expovariate(1.0)
    return count
