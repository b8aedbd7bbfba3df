"""How a spreader truly discharges during a storm, and what its controller believes it does."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

import numpy as np
from county_shapes import Points
from county_trucks import (
    SPREADERS,
    TRUCK_COLUMNS,
    TRUCKS,
    missed_counts,
    true_counts_per_min,
    true_discharge_lb_per_min,
)
from storm_cards import SHOWN_PCT, Display, Key

# What the driver of an untested open loop truck goes by, and what its display counts with.
GUESS_GATE_IN, GUESS_LB_PER_MIN_PCT = 3.0, 4.2
RATE_STEP_LB = 5.0  # the dial of a closed loop controller
SLOWEST_MPH = 2.0  # a closed loop controller stops below it
FEEDER_PCT = np.arange(0.0, 100.01, 0.5)


@dataclass(frozen=True)
class Setting:
    """What the driver has dialled while spreading a stretch."""

    application: str
    route_id: str
    material: str
    gate_in: float
    lanes: float  # covered in this pass
    rate_lb_per_lane_mile: float = math.nan  # closed loop
    feeder_pct: float = math.nan  # open loop


@dataclass(frozen=True)
class Truck:
    """One truck as it stands in a storm: `displays` are what its controller counts with."""

    truck_id: str
    when: datetime
    displays: Mapping[Key, Display]
    fill: Mapping[str, float]  # what the day's moisture makes of each material's discharge

    @property
    def about(self) -> dict[str, Any]:
        return next(
            dict(zip(TRUCK_COLUMNS, row, strict=True)) for row in TRUCKS if row[0] == self.truck_id
        )

    @property
    def closed_loop(self) -> bool:
        return bool(self.about["control"] == "closed_loop")

    def setting(self, row: Any, factor: float) -> Setting:
        """The driver's setting for a row of the plan, times a factor of the driver's own."""
        about = self.about
        same = row.application, row.route_id, row.material
        if self.closed_loop:
            rate = round(factor * row.target_rate_lb_per_lane_mile / RATE_STEP_LB) * RATE_STEP_LB
            return Setting(*same, float(row.gate_in), float(row.lanes_per_pass), rate)
        gate_in, feeder_pct = float(row.gate_in), float(row.feeder_pct)
        if math.isnan(gate_in):
            gate_in = GUESS_GATE_IN
            feeder_pct = float(row.discharge_lb_per_min) / GUESS_LB_PER_MIN_PCT
        step = about["control_step_pct"]
        feeder_pct = round(factor * feeder_pct / step) * step
        feeder_pct = min(max(feeder_pct, about["min_feeder_pct"]), about["max_feeder_pct"])
        return Setting(*same, gate_in, float(row.lanes_per_pass), feeder_pct=float(feeder_pct))

    def rates(self, setting: Setting, speed_mph: Points) -> tuple[Points, Points]:
        """True mean discharge and the discharge that the controller reports, lb/min.

        `speed_mph` has shape (n,), as both results have. What one load does differently from the
        mean is not in here.
        """
        key = self.truck_id, setting.material, setting.gate_in
        discharge, counts = _curves(*key, self.when)
        fill = self.fill[setting.material]
        if not self.closed_loop:
            true = np.full_like(speed_mph, np.interp(setting.feeder_pct, FEEDER_PCT, discharge))
            display = self.displays.get(key)
            believed = (
                GUESS_LB_PER_MIN_PCT * setting.feeder_pct
                if display is None
                else float(np.interp(setting.feeder_pct, SHOWN_PCT, display.lb_per_min))
            )
            return true * fill, np.full_like(speed_mph, believed)
        wanted = setting.rate_lb_per_lane_mile * setting.lanes * speed_mph / 60.0
        seen = counts * (1.0 - missed_counts(self.truck_id, self.when))
        lb_per_count = self.displays[key].lb_per_count
        turning = counts > 0
        feeder_pct = np.interp(wanted / lb_per_count, seen[turning], FEEDER_PCT[turning])
        about = self.about
        feeder_pct = np.clip(feeder_pct, about["min_feeder_pct"], about["max_feeder_pct"])
        on = speed_mph >= SLOWEST_MPH
        true = np.where(on, np.interp(feeder_pct, FEEDER_PCT, discharge), 0.0)
        reported = np.where(on, np.interp(feeder_pct, FEEDER_PCT, seen) * lb_per_count, 0.0)
        return true * fill, reported


@cache
def _curves(truck_id: str, material: str, gate_in: float, when: datetime) -> tuple[Points, Points]:
    """True discharge in lb/min and true counts per minute at FEEDER_PCT."""
    assert truck_id in SPREADERS
    discharge = [
        true_discharge_lb_per_min(truck_id, material, gate_in, float(pct), when)
        for pct in FEEDER_PCT
    ]
    counts = [true_counts_per_min(truck_id, float(pct)) for pct in FEEDER_PCT]
    return np.array(discharge), np.array(counts)
