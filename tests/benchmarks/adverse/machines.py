"""What trucks really do: feeders with physics of their own, and the discharge tests made of them.

A feeder turns by its output, less a dead band with a soft edge, bent by a power, up to a knee where
the pump gives no more; each turn carries less the faster it turns (the pockets don't fill). A
closed loop counts turns, so dead band, bend and knee don't touch its mass per count; pockets do.

One run departs from the mean by what is of the day, of the hopper's filling, and of the run
itself; salt is wetter or drier storm by storm, and the feeder wears. Units: lb, minutes, percent of
feeder output; departures are relative.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.adverse.conditions import Oddities

Floats = NDArray[np.float64]

TRUCKS = 5
GATE_IN = 3.0
EDGE_PCT = 1.5
"""Softness of the dead band's edge, points of output."""
WRONG_NUMBER = 0.2
"""One truck of each county reports so much too little or too much."""


@dataclass(frozen=True)
class Truck:
    """One spreader as it is."""

    truck_id: str
    closed_loop: bool
    full_lb_min: float
    dead_pct: float
    knee_pct: float
    fill_loss: float
    bend: float
    lb_per_count: float
    scatter: float
    day_share: float
    filling_share: float
    wear_per_month: float
    number_error: float
    load_lb: float
    rate_only: bool
    bucket: bool
    bucket_bias: float

    def turns(self, feeder_pct: Floats) -> Floats:
        """Speed of the feeder, percent of its full speed."""
        output = np.asarray(feeder_pct, dtype=float)
        if self.dead_pct > 0.0:
            edge = EDGE_PCT * np.logaddexp(0.0, (output - self.dead_pct) / EDGE_PCT)
            output = edge - EDGE_PCT * np.logaddexp(0.0, -self.dead_pct / EDGE_PCT)
        capped = np.clip(output, 0.0, self.knee_pct)
        return np.asarray(100.0 * (capped / 100.0) ** self.bend)

    def filled(self, feeder_pct: Floats) -> Floats:
        """Share of a turn's pockets that is filled."""
        if self.fill_loss == 0.0:
            return np.ones_like(np.asarray(feeder_pct, dtype=float))
        odds = self.fill_loss / (1.0 - self.fill_loss)
        return np.asarray(1.0 / (1.0 + odds * (self.turns(feeder_pct) / 100.0) ** 3))

    def discharge(self, feeder_pct: Floats) -> Floats:
        """Mean discharge at an output on a usual day, lb/min."""
        return self.full_lb_min * self.turns(feeder_pct) / 100.0 * self.filled(feeder_pct)

    def per_count(self, feeder_pct: Floats) -> Floats:
        """Mean mass per count at an output, lb."""
        return self.lb_per_count * self.filled(feeder_pct)

    def sd(self, what: str) -> float:
        """Standard deviation of the departure of the ``day``, ``filling`` or ``run``."""
        share = {
            "day": self.day_share,
            "filling": self.filling_share,
            "run": 1.0 - self.day_share - self.filling_share,
        }[what]
        return self.scatter * float(np.sqrt(share))


@dataclass
class County:
    """A county's trucks and the chance that everything else is drawn with."""

    odd: Oddities
    rng: np.random.Generator
    trucks: list[Truck] = field(default_factory=list)

    def between(self, ends: tuple[float, float]) -> float:
        """A number drawn evenly."""
        return float(self.rng.uniform(*ends))


def make_county(odd: Oddities, rng: np.random.Generator) -> County:
    """Draw the trucks; one of them has a wrong number."""
    county = County(odd, rng)
    wrong = int(rng.integers(TRUCKS))
    up = rng.uniform() < 0.5
    for number in range(TRUCKS):
        error = (1.0 + WRONG_NUMBER if up else 1.0 - WRONG_NUMBER) if number == wrong else 1.0
        county.trucks.append(_truck(county, number, error))
    return county


def _truck(county: County, number: int, error: float) -> Truck:
    odd, rng = county.odd, county.rng
    low, high = np.log(odd.scatter_rel)
    shares = odd.day_share + odd.filling_share
    tidy = max(shares, 0.9) / 0.9
    closed = bool(rng.uniform() < 0.5)
    return Truck(
        truck_id=f"T{number + 1}",
        closed_loop=closed,
        full_lb_min=float(rng.uniform(250.0, 450.0)),
        dead_pct=county.between(odd.dead_band_pct),
        knee_pct=float(rng.uniform(60.0, 85.0)) if rng.uniform() < odd.knee_share else 100.0,
        fill_loss=county.between(odd.fill_loss_rel),
        bend=county.between(odd.bend),
        lb_per_count=float(rng.uniform(0.2, 0.5)),
        scatter=float(np.exp(rng.uniform(low, high))),
        day_share=odd.day_share / tidy,
        filling_share=odd.filling_share / tidy,
        wear_per_month=county.between(odd.wear_per_month),
        number_error=error,
        load_lb=float(rng.uniform(5000.0, 9000.0)),
        rate_only=bool(rng.uniform() < odd.rate_only_share),
        bucket=bool(rng.uniform() < odd.bucket_share),
        bucket_bias=float(rng.normal(0.0, odd.bucket_bias_rel)),
    )


def tests_of(county: County) -> tuple[list[tuple[object, ...]], list[tuple[object, ...]]]:
    """Rows of discharge_tests.csv and weighings.csv.

    A truck's tests are done on one day, in three of ten trucks on two, three to a filling.
    """
    rng, tests, weighings = county.rng, [], []
    scale = {"container": rng.normal(0.0, 0.001), "vehicle_scale": rng.normal(0.0, 0.001)}
    for truck in county.trucks:
        count = int(rng.integers(county.odd.tests[0], county.odd.tests[1] + 1))
        second = count // 2 if rng.uniform() < 0.3 else count
        method = "container" if rng.uniform() < 0.5 else "vehicle_scale"
        minutes = rng.uniform(1.0, 2.0) if method == "container" else rng.uniform(3.0, 5.0)
        day = rng.normal(0.0, truck.sd("day"), 2)
        wet = rng.normal(0.0, county.odd.moisture_rel, 2)
        filling = rng.normal(0.0, truck.sd("filling"), count)
        for number, output in enumerate(_outputs(rng, truck, count)):
            later = int(number >= second)
            departs = day[later] + wet[later] + filling[number // 3]
            departs += rng.normal(0.0, truck.sd("run"))
            at, name = np.asarray(output), f"{truck.truck_id}-{number}"
            turned_lb = truck.lb_per_count * float(truck.turns(at))
            turned_lb *= truck.full_lb_min / 100.0 / truck.lb_per_count * minutes
            mass = max(turned_lb * float(truck.filled(at)) * (1.0 + departs), 0.0)
            counts = max(round(turned_lb / truck.lb_per_count + rng.uniform(-0.5, 0.5)), 1)
            tests.append(
                (
                    name,
                    truck.truck_id,
                    "salt",
                    f"2026-10-{12 + 7 * later:02d}T{9 + number:02d}:00",
                    GATE_IN,
                    output,
                    round(60.0 * minutes + rng.normal(0.0, 0.3), 1),
                    counts if truck.closed_loop else "",
                )
            )
            weighings += _weighed(rng, name, method, mass * (1.0 + scale[method]))
    return tests, weighings


def _outputs(rng: np.random.Generator, truck: Truck, count: int) -> list[float]:
    """Outputs of a truck's tests: spread, or all about 38 % for half of the closed loops."""
    if truck.closed_loop and rng.uniform() < 0.5:
        return [float(one) for one in np.round(rng.uniform(34.0, 42.0, count))]
    if count == 1:
        return [50.0]
    levels = np.round(
        np.linspace(
            float(rng.choice([20.0, 30.0])), float(rng.choice([70.0, 100.0])), min(count, 4)
        )
    )
    return [float(one) for one in np.resize(levels, count)]


def _weighed(
    rng: np.random.Generator, test_id: str, method: str, mass_lb: float
) -> list[tuple[object, ...]]:
    """Readings that make up a mass: bins of up to 400 lb, or the truck before and after."""
    if method == "vehicle_scale":
        before = rng.uniform(30000.0, 40000.0)
        gross, tare = (20.0 * round(one / 20.0) for one in (before, before - mass_lb))
        return [(test_id, method, gross, tare, 20.0)]
    bins = max(int(np.ceil(mass_lb / 400.0)), 1)
    tares = rng.uniform(30.0, 60.0, bins)
    shares = rng.dirichlet(np.full(bins, 50.0))
    return [
        (test_id, method, float(round(tare + share * mass_lb)), float(round(tare)), 1.0)
        for tare, share in zip(tares, shares, strict=True)
    ]
