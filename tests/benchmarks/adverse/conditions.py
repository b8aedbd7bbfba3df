"""What can be odd about a county: each thing a switch, at a realistic and at a worst level.

`Oddities` holds the strength of every switch; all off is a plain county. The figures are common
practice, no source: they say how hard the county is tried, not how often such a county is met.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

REALISTIC: Final = "realistic"
WORST: Final = "worst"


@dataclass(frozen=True)
class Oddities:
    """Strength of every switch; the defaults are a plain county.

    Units are in the names: pct points of feeder output, s, min, lb; ``_share`` and ``_rel`` 0 to 1.
    """

    # the machine
    dead_band_pct: tuple[float, float] = (0.0, 0.0)
    fill_loss_rel: tuple[float, float] = (0.0, 0.0)
    knee_share: float = 0.0
    bend: tuple[float, float] = (1.0, 1.0)
    scatter_rel: tuple[float, float] = (0.01, 0.03)
    day_share: float = 0.0
    filling_share: float = 0.0
    moisture_rel: float = 0.005
    wear_per_month: tuple[float, float] = (0.0, 0.0)
    # the tests
    tests: tuple[int, int] = (2, 6)
    # the paper
    swapped_share: float = 0.0
    missing_share: float = 0.0
    twice_share: float = 0.0
    bucket_share: float = 0.0
    bucket_bias_rel: float = 0.05
    bucket_scatter_rel: float = 0.08
    unwritten_return_share: float = 0.0
    carry_share: float = 0.0
    ticket_clock_min: float = 0.0
    # the hopper
    runs_empty_share: float = 0.0
    runs_empty_at: tuple[float, float] = (0.6, 1.0)
    # the receiver
    interval_s: int = 5
    noise_m: float = 4.0
    cold_start_s: tuple[float, float] = (0.0, 0.0)
    no_fix_at_end_s: tuple[float, float] = (0.0, 0.0)
    tunnel_s: tuple[float, float] = (0.0, 0.0)
    stuck_s: tuple[float, float] = (0.0, 0.0)
    spells_per_hour: float = 2.0
    decimals: int = 7
    lost_share: float = 0.0
    lost_s: tuple[float, float] = (5.0, 20.0)
    clock_s: float = 0.0
    # the controller
    step_lb: float = 1.0
    hold_s: int = 0
    reset_every_min: float = 0.0
    rate_only_share: float = 0.0


def _pair(**both: tuple[Any, Any]) -> tuple[Mapping[str, Any], Mapping[str, Any]]:
    """Changes at the realistic and at the worst level."""
    return (
        {name: levels[0] for name, levels in both.items()},
        {name: levels[1] for name, levels in both.items()},
    )


SWITCHES: Final[Mapping[str, tuple[Mapping[str, Any], Mapping[str, Any]]]] = {
    "start-up": _pair(dead_band_pct=((2.0, 8.0), (8.0, 18.0))),
    "saturation": _pair(fill_loss_rel=((0.05, 0.20), (0.20, 0.40)), knee_share=(0.3, 0.5)),
    "bent curve": _pair(bend=((0.92, 1.10), (0.80, 1.25))),
    "scatter 4-6 %": _pair(scatter_rel=((0.04, 0.05), (0.05, 0.06))),
    "scatter of the day": _pair(day_share=(0.5, 0.8), scatter_rel=((0.015, 0.03), (0.03, 0.05))),
    "scatter of the filling": _pair(
        filling_share=(0.5, 0.8), scatter_rel=((0.015, 0.03), (0.03, 0.05))
    ),
    "moisture": _pair(moisture_rel=(0.015, 0.04)),
    "wear": _pair(wear_per_month=((-0.012, 0.0), (-0.04, 0.0))),
    "many tests, one day": _pair(
        tests=((6, 6), (6, 8)), day_share=(0.4, 0.7), scatter_rel=((0.02, 0.03), (0.03, 0.05))
    ),
    "swapped tickets": _pair(swapped_share=(0.05, 0.20)),
    "missing and double tickets": _pair(missing_share=(0.03, 0.10), twice_share=(0.02, 0.06)),
    "bucket tickets": _pair(bucket_share=(0.4, 1.0), bucket_bias_rel=(0.04, 0.08),
                            bucket_scatter_rel=(0.06, 0.12)),
    "unwritten returns": _pair(unwritten_return_share=(0.15, 0.6)),
    "carry-over": _pair(carry_share=(0.25, 1.0)),
    "ticket clocks": _pair(ticket_clock_min=(5.0, 90.0)),
    "hopper runs empty": _pair(
        runs_empty_share=(0.3, 0.8), runs_empty_at=((0.4, 1.0), (0.05, 0.6))
    ),
    "cold start": _pair(cold_start_s=((20.0, 90.0), (180.0, 480.0))),
    "no fix at the end": _pair(no_fix_at_end_s=((30.0, 90.0), (180.0, 480.0))),
    "tunnels": _pair(tunnel_s=((15.0, 45.0), (60.0, 180.0))),
    "stuck receiver": _pair(stuck_s=((20.0, 60.0), (120.0, 300.0))),
    "coarse positions": _pair(decimals=(4, 3)),
    "lost records": _pair(lost_share=(0.01, 0.03), lost_s=((5.0, 20.0), (60.0, 300.0))),
    "telemetry clock": _pair(clock_s=(30.0, 600.0)),
    "records each second": _pair(interval_s=(1, 1), noise_m=(4.0, 10.0)),
    "records each 30 s": _pair(interval_s=(30, 60)),
    "totals by the hundred": _pair(step_lb=(10.0, 100.0)),
    "totals by the minute": _pair(hold_s=(60, 300)),
    "resets": _pair(reset_every_min=(30.0, 5.0)),
    "rate only": _pair(rate_only_share=(0.5, 1.0)),
}  # fmt: skip
"""Every switch with what it changes at the realistic and at the worst level."""

MIXED_SHARE: Final = 0.35
"""Chance of each switch in a mixed county."""


def names() -> list[str]:
    """All conditions: plain, each switch at both levels, and mixtures."""
    single = [f"{name}, {level}" for name in SWITCHES for level in (REALISTIC, WORST)]
    return ["plain", *single, f"mixed, {REALISTIC}", f"mixed, {WORST}"]


def draw(condition: str, rng: np.random.Generator) -> Oddities:
    """The switches of one county under a condition, see `names`.

    In a mixture each switch is on with the chance `MIXED_SHARE`; where two change the same figure,
    the later one in the list decides.
    """
    if condition == "plain":
        return Oddities()
    name, level = condition.rsplit(", ", 1)
    place = 0 if level == REALISTIC else 1
    if name != "mixed":
        return replace(Oddities(), **SWITCHES[name][place])
    on = rng.uniform(size=len(SWITCHES)) < MIXED_SHARE
    found = Oddities()
    for switch, levels in zip(on, SWITCHES.values(), strict=True):
        if switch:
            found = replace(found, **levels[place])
    return found
