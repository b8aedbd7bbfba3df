"""One gate for a truck, and the feeder outputs that meet a rate there.

A run is one application of one route. The gate is set and measured in the yard and stays through a
storm: a calibration holds only where it stood in the test, and the driver cannot leave the cab.
Which settings a run gets is for `planning.changes`.
Discharges are in lb/min, feeder outputs in percent, gates in inches.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from spreadplan.calibration.models import DischargeModel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: an open-loop setting serves a segment if its discharge is this near to the need. Below what a
#: calibration can tell apart; our choice.
NEAR_ENOUGH = 0.02
#: a need this little above the most that a truck gives is rounding, not a shortage.
ROUNDING = 1e-9


#: by truck, material and gate opening in inches.
Models = Mapping[tuple[str, str, float], DischargeModel]


@dataclass(frozen=True)
class Control:
    """How a truck's feeder is controlled; outputs in percent of full output."""

    closed_loop: bool
    min_feeder_pct: float
    max_feeder_pct: float
    step_pct: float

    @property
    def middle_pct(self) -> float:
        """Middle of the outputs."""
        return (self.min_feeder_pct + self.max_feeder_pct) / 2.0

    def grid(self) -> Floats:
        """The feeder outputs that an open-loop control can be set to, ascending."""
        steps = int(np.floor((self.max_feeder_pct - self.min_feeder_pct) / self.step_pct + 1e-9))
        return np.round(self.min_feeder_pct + self.step_pct * np.arange(steps + 1), 9)


@dataclass(frozen=True, kw_only=True)
class Fit:
    """How one gate serves rows of needs; arrays of shape (n,) unless stated.

    Attributes
    ----------
    gate_in : the gate's opening.
    feeder_pct : the predicted output (closed loop) or the nearest setting (open loop).
    low, high : first and last place in ``grid_pct`` that serves the row (open loop).
    grid_pct, grid_discharge : settings that give material and their discharge, shape (g,); empty
        for a closed loop.
    max_discharge : at the highest feeder output, scalar.
    short, excess : the gate gives too little at its most, or too much at its least.
    extrapolated : the output lies outside the tested ones.
    """

    gate_in: float
    feeder_pct: Floats
    discharge: Floats
    low: Ints
    high: Ints
    grid_pct: Floats
    grid_discharge: Floats
    max_discharge: float
    short: Bools
    excess: Bools
    extrapolated: Bools

    def rows(self, which: Ints) -> Fit:
        """Some of the rows."""
        names = ("feeder_pct", "discharge", "low", "high", "short", "excess", "extrapolated")
        return replace(self, **{name: getattr(self, name)[which] for name in names})


def fit_gate(model: DischargeModel, control: Control, need: Floats, cap: Floats) -> Fit:
    """How one gate serves each need.

    Parameters
    ----------
    need : discharge needed, > 0, shape (n,).
    cap : discharge that must not be exceeded (a sensitive area's limit), infinity for none.
    """
    ends = model.predict(np.array([control.min_feeder_pct, control.max_feeder_pct]))
    least, most = (float(value) for value in ends.discharge_lb_per_min)
    if control.closed_loop:
        return _fit_closed_loop(model, control, need, least, most)
    return _fit_open_loop(model, control, need, cap, most)


def _fit_closed_loop(
    model: DischargeModel, control: Control, need: Floats, least: float, most: float
) -> Fit:
    short, excess = need > most * (1.0 + ROUNDING), need < least * (1.0 - ROUNDING)
    feeder = np.asarray(model.feeder_for(np.clip(need, least, most)), dtype=float)
    feeder = np.where(excess, control.min_feeder_pct, feeder)
    feeder = np.where(short, control.max_feeder_pct, feeder)
    feeder = np.clip(feeder, control.min_feeder_pct, control.max_feeder_pct)
    nothing = np.zeros(len(need), dtype=np.int64)
    return Fit(
        gate_in=model.gate_in,
        feeder_pct=feeder,
        discharge=np.clip(need, least, most),
        low=nothing,
        high=nothing,
        grid_pct=np.array([]),
        grid_discharge=np.array([]),
        max_discharge=most,
        short=short,
        excess=excess,
        extrapolated=model.predict(feeder).extrapolated,
    )


def _fit_open_loop(
    model: DischargeModel, control: Control, need: Floats, cap: Floats, most: float
) -> Fit:
    grid = control.grid()
    predicted = model.predict(grid)
    gives = predicted.discharge_lb_per_min > 0.0
    grid, discharge = grid[gives], np.asarray(predicted.discharge_lb_per_min)[gives]
    if not len(grid):
        return _no_setting(model.gate_in, need)
    last = len(grid) - 1
    # the nearest setting below or above the need, kept under the cap
    above = np.clip(np.searchsorted(discharge, need), 0, last)
    below = np.maximum(above - 1, 0)
    nearer_below = np.abs(discharge[below] - need) < np.abs(discharge[above] - need)
    allowed = np.searchsorted(discharge, cap * (1.0 + ROUNDING), side="right") - 1
    nearest = np.minimum(np.where(nearer_below, below, above), np.maximum(allowed, 0))
    nearest = _gentlest(discharge, nearest)
    low = np.searchsorted(discharge, need * (1.0 - NEAR_ENOUGH) * (1.0 - ROUNDING), side="left")
    high = np.searchsorted(discharge, need * (1.0 + NEAR_ENOUGH) * (1.0 + ROUNDING), side="right")
    high = np.minimum(high - 1, np.maximum(allowed, 0))
    none = low > high
    low, high = np.where(none, nearest, low), np.where(none, nearest, high)
    short = need > discharge[-1] * (1.0 + NEAR_ENOUGH)
    excess = (need < discharge[0] * (1.0 - NEAR_ENOUGH)) | (allowed < 0)
    return Fit(
        gate_in=model.gate_in,
        feeder_pct=grid[nearest],
        discharge=discharge[nearest],
        low=low,
        high=high,
        grid_pct=grid,
        grid_discharge=discharge,
        max_discharge=most,
        short=short,
        excess=excess,
        extrapolated=np.asarray(predicted.extrapolated)[gives][nearest],
    )


def _no_setting(gate_in: float, need: Floats) -> Fit:
    """A gate that gives nothing at any setting."""
    zero, nothing = np.zeros(len(need)), np.zeros(len(need), dtype=np.int64)
    no = np.zeros(len(need), dtype=bool)
    return Fit(
        gate_in=gate_in,
        feeder_pct=zero,
        discharge=zero,
        low=nothing,
        high=nothing,
        grid_pct=np.array([0.0]),
        grid_discharge=np.array([0.0]),
        max_discharge=0.0,
        short=~no,
        excess=no,
        extrapolated=no,
    )


@dataclass(frozen=True)
class GateChoice:
    """How one gate would serve all rows of a truck; arrays of shape (n,).

    Attributes
    ----------
    unable : the row cannot be served: too little, too much, too uncertain, or its material was not
        tested at this gate.
    extrapolated : the output lies outside the tested ones.
    discharge : what comes out.
    feeder_pct : at which output.
    """

    unable: Bools
    extrapolated: Bools
    discharge: Floats
    feeder_pct: Floats

    def rows(self, which: Ints) -> GateChoice:
        """Some of the rows."""
        return GateChoice(*(getattr(self, one.name)[which] for one in fields(self)))


def choose_gate(
    choices: list[GateChoice], control: Control, need: Floats, lane_miles: Floats
) -> int:
    """The best gate of a truck for a storm, as place in ``choices``.

    Compared in turn: lane-miles it cannot serve; lane-miles outside the tested outputs; the root
    mean square relative error over lane-miles, in whole percent, because less means nothing beside
    a calibration; and how far the feeder is from the middle of its range. A full tie goes to the
    first gate.
    """
    total = float(lane_miles.sum()) or 1.0

    def mean(values: Floats, digits: int) -> float:
        return round(float((values * lane_miles).sum()) / total, digits)

    def score(one: GateChoice) -> tuple[float, ...]:
        error = one.discharge / need - 1.0
        return (
            mean(one.unable.astype(float), 9),
            mean((one.extrapolated & ~one.unable).astype(float), 9),
            round(math.sqrt(mean(error**2, 12)), 2),
            mean(np.abs(one.feeder_pct - control.middle_pct), 6),
        )

    scores = [score(one) for one in choices]
    return scores.index(min(scores))


def _gentlest(discharge: Floats, places: Ints) -> Ints:
    """The lowest places that give as much: where the curve is level, more output gives no more."""
    return np.searchsorted(discharge, discharge[places], side="left")
