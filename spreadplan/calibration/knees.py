"""Where a feeder may stop rising, as far as its tests can't rule it out.

A simple form is chosen for a curve, and another may be the true one: a knee between the outputs
that were tested, at which the tests hardly show it, or beyond them, where they show nothing. All
knees are kept with their probability; how far the curves with a knee lie from the chosen one widens
its uncertainty.

Source: J. A. Hoeting, D. Madigan, A. E. Raftery and C. T. Volinsky, Bayesian model averaging: a
tutorial, Statistical Science 14 (1999), equations 1 to 3; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from spreadplan.calibration.fit import FloatArray

GRID_PCT: Final[FloatArray] = np.arange(51.0, 100.0, 2.0)
"""Knees between half and full output; each stands for two points."""
NEGLIGIBLE: Final = 1e-4


@dataclass(frozen=True, eq=False)
class Knees:
    """Curves with a knee, each with its probability; shape (knees,) each.

    share : probability; the rest is that of no knee at all. intercept, slope : of the rising part,
    lb/min and lb/min per point. at_pct : the knee.
    """

    share: FloatArray
    intercept: FloatArray
    slope: FloatArray
    at_pct: FloatArray

    def rms(self, feeder_pct: FloatArray, chosen: FloatArray) -> FloatArray:
        """How far these curves lie from the chosen one, root mean square; shape of the outputs.

        ``chosen`` : discharge of the chosen curve at ``feeder_pct``.
        """
        squares = np.zeros(np.shape(feeder_pct))
        for share, intercept, slope, at_pct in zip(
            self.share, self.intercept, self.slope, self.at_pct, strict=True
        ):
            bent = np.maximum(intercept + slope * np.minimum(feeder_pct, at_pct), 0.0)
            squares += share * (bent - chosen) ** 2
        return np.asarray(np.sqrt(squares))

    def beyond(self, highest_pct: float) -> Knees:
        """Those beyond an output alone."""
        kept = self.at_pct > highest_pct
        return Knees(self.share[kept], self.intercept[kept], self.slope[kept], self.at_pct[kept])


NO_KNEES: Final = Knees(np.array([]), np.array([]), np.array([]), np.array([]))


def possible_knees(
    feeder_pct: FloatArray,
    discharge: FloatArray,
    sd: FloatArray,
    *,
    start: tuple[float, float],
    level_share: float,
    prior_dof: float,
) -> Knees:
    """All knees with their probability after the tests.

    Parameters
    ----------
    feeder_pct, discharge : of each test, percent and lb/min; shape (n,).
    sd : standard deviation expected of each discharge, lb/min; shape (n,).
    start : output at which material starts to flow and its standard uncertainty, points.
    level_share : share of feeders with a knee between half and full output, before the tests.
    prior_dof : degrees of freedom that the scatter in ``sd`` is worth.

    Returns
    -------
    Knees. To each, intercept and slope are fitted by weighted least squares, with the start as one
    more observation, and integrated over; the scatter's own doubt makes it a t distribution.
    """
    grid_pct = GRID_PCT[start[0] + start[1] < GRID_PCT]
    at_pct = np.append(grid_pct, np.inf)
    working = np.minimum(feeder_pct[None, :], at_pct[:, None])
    steepness = float(np.sum(discharge / sd**2 * feeder_pct) / np.sum((feeder_pct / sd) ** 2))
    weight = np.append(1.0 / sd**2, 1.0 / (steepness * start[1]) ** 2)
    output = np.column_stack([working, np.full(len(at_pct), start[0])])
    response = np.append(discharge, 0.0)
    whole = weight.sum()
    mean_output, mean_response = output @ weight / whole, response @ weight / whole
    from_mean = output - mean_output[:, None]
    squares_output = from_mean**2 @ weight
    slope = from_mean @ (weight * (response - mean_response)) / squares_output
    intercept = mean_response - slope * mean_output
    left = (response - intercept[:, None] - slope[:, None] * output) ** 2 @ weight
    each = level_share / len(GRID_PCT)
    prior = np.append(np.full(len(grid_pct), each), 1.0 - each * len(grid_pct))
    log_share = np.log(prior) - 0.5 * np.log(squares_output)
    log_share -= 0.5 * (prior_dof + len(discharge)) * np.log1p(left / prior_dof)
    share = np.exp(log_share - log_share.max())
    share /= share.sum()
    kept = (share[:-1] > NEGLIGIBLE) & (slope[:-1] > 0.0)
    return Knees(share[:-1][kept], intercept[:-1][kept], slope[:-1][kept], grid_pct[kept])
