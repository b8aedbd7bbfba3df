"""What a calibration may be used for: the one rule for truck, certificate, plan and card.

A calibration is not to be used where what comes out in a run is known no better than that of a
truck which was never tested. Below that it may be used, with its interval; whether it reaches the
policy's target is another question.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from spreadplan.calibration.assumptions import WORKING_FLOOR_PCT
from spreadplan.calibration.curve import contradicting
from spreadplan.calibration.fit import BoolArray, FloatArray
from spreadplan.calibration.models import DischargeModel, ModelKey
from spreadplan.calibration.trucks import TruckLimits
from spreadplan.metrology import Z95, coverage_factor
from spreadplan.remarks import Remark, remark

UNTESTED_RELATIVE_U: Final = 0.20
"""Relative standard uncertainty of what an untested truck spreads: a wrong setting for a grade of
salt can be off by up to 40 %, taken as the 95 % limit. Source of the 40 %: UK National Winter
Service Research Group, Calibrate, check, recalibrate (transport-network.co.uk)."""
UNTESTED_95: Final = Z95 * UNTESTED_RELATIVE_U
"""Relative 95 % uncertainty of what a truck without any test spreads."""
FINE_STEP_PCT: Final = 1.0
"""Steps of output in which the usable outputs are looked for, points."""

Level = Literal["do_not_use", "in_part", "contradicting", "short_of_target", "good"]
"""Worst first. in_part: not at all outputs. contradicting: usable, but its tests exclude each
other."""


def run_uncertainty(relative_u: Any, repeatability: Any, dof: Any) -> FloatArray:
    """Relative 95 % uncertainty of what one run puts down.

    Parameters
    ----------
    relative_u : relative standard uncertainty of the calibration at an output; shapes broadcast.
    repeatability : relative standard deviation of one run about the mean; shapes broadcast.
    dof : degrees of freedom of both, > 0; shapes broadcast.

    Returns
    -------
    Half-width of the 95 % interval as a share of the mass, of the shape they broadcast to.

    Source: JCGM 100:2008, 5.1.2 and G.3.
    """
    combined = np.hypot(relative_u, repeatability)
    return np.asarray(coverage_factor(dof) * combined, dtype=float)


def too_uncertain(relative_u: Any, repeatability: Any, dof: Any) -> BoolArray:
    """Where a calibration is not to be used.

    Parameters
    ----------
    relative_u : relative standard uncertainty of the calibration at an output; shapes broadcast.
    repeatability : relative standard deviation of one run about the mean; shapes broadcast.
    dof : degrees of freedom of both, > 0; shapes broadcast.

    Returns
    -------
    Whether it must not be used, of the shape they broadcast to.

    The bound is the uncertainty of an untested truck: a setting that is known no better is worth
    no more than a guess.
    """
    return np.asarray(run_uncertainty(relative_u, repeatability, dof) >= UNTESTED_95)


@dataclass(frozen=True)
class Standing:
    """What a calibration is worth over the outputs that it is meant for.

    working_pct : lowest and highest of these outputs, percent.
    usable_pct : lowest and highest of the longest stretch of them over which it may be used; None:
        nowhere.
    best, worst : least and greatest relative 95 % uncertainty of one run over them.
    """

    level: Level
    working_pct: tuple[float, float]
    usable_pct: tuple[float, float] | None
    best: float
    worst: float

    @property
    def usable(self) -> bool:
        """Whether it may be used at any output."""
        return self.usable_pct is not None

    @property
    def says(self) -> Remark | None:
        """What its user must know, one sentence without a full stop; None for nothing."""
        if self.level == "contradicting":
            return remark("tests_contradict")
        if self.level not in ("do_not_use", "in_part"):
            return None
        if np.isinf(self.best):
            return remark("without_counts")
        return says_do_not_use(self._where, self.best if self.usable_pct is None else self.worst)

    @property
    def _where(self) -> Remark | None:
        if self.usable_pct is None:
            return None
        (low, high), (first, last) = self.usable_pct, self.working_pct
        if high >= last:
            return remark("below_output", low_pct=low)
        if low <= first:
            return remark("above_output", high_pct=high)
        return remark("outside_outputs", low_pct=low, high_pct=high)


def says_do_not_use(where: Remark | None, uncertainty: float) -> Remark:
    """What is said of what is not to be used.

    Parameters
    ----------
    where : at which outputs; None for all.
    uncertainty : relative, 95 %; 0.2 is 20 percent.

    Returns
    -------
    The remark, with the uncertainty in percent.
    """
    return remark(
        "known_too_badly", where=(where,) if where else (), within_pct=100.0 * uncertainty
    )


def working_outputs(model: DischargeModel, truck: TruckLimits, points: int = 17) -> FloatArray:
    """Outputs that a calibration is meant for: from 20 % up and clear of the start-up, percent."""
    high = max(truck.max_feeder_pct, model.tested_hi_pct)
    low = max(truck.min_feeder_pct, WORKING_FLOOR_PCT, model.curve.start_pct + 10.0)
    return np.linspace(min(low, high), high, points)


def standing_of(model: DischargeModel, truck: TruckLimits, target_pct: float) -> Standing:
    """What a calibration is worth; ``target_pct`` is the policy's, for the 95 % uncertainty."""
    low, high = (float(end) for end in working_outputs(model, truck, 2))
    if truck.closed_loop and model.counts is None:
        return Standing("do_not_use", (low, high), None, np.inf, np.inf)
    outputs = working_outputs(model, truck, max(2, round((high - low) / FINE_STEP_PCT) + 1))
    relative_u = model.relative_u(outputs)
    one_run = np.hypot(model.repeatability, model.day_sd)
    known = run_uncertainty(relative_u, one_run, model.relative_dof)
    usable = known < UNTESTED_95
    found = _longest(outputs, usable)
    if found is None:
        level: Level = "do_not_use"
    elif not usable.all():
        level = "in_part"
    elif contradicting(model.flags):
        level = "contradicting"
    else:
        worst = 100.0 * coverage_factor(model.relative_dof) * float(relative_u.max())
        level = "good" if worst <= target_pct else "short_of_target"
    return Standing(level, (low, high), found, float(known.min()), float(known.max()))


def _longest(outputs: FloatArray, usable: BoolArray) -> tuple[float, float] | None:
    """Ends of the longest stretch of usable outputs; None without any.

    Between two tests far apart a knee may hide, so that the middle is known worse than both ends.
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], usable, [False]])))
    if not len(edges):
        return None
    begin, end = edges[::2], edges[1::2]
    longest = int(np.argmax(end - begin))
    return float(outputs[begin[longest]]), float(outputs[end[longest] - 1])


def standings(
    models: Mapping[ModelKey, DischargeModel], trucks: Mapping[str, TruckLimits], target_pct: float
) -> dict[ModelKey, Standing]:
    """What each calibration is worth."""
    return {key: standing_of(model, trucks[key[0]], target_pct) for key, model in models.items()}
