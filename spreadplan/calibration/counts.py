"""Closed loop: mass per sensor count, and whether it depends on feeder output."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from spreadplan.calibration.assumptions import (
    ONE_OUTPUT_SPREAD_PCT,
    SIGNIFICANCE,
)
from spreadplan.calibration.curve import FITS_KEPT, run_sd, scatter_flags
from spreadplan.calibration.fit import FloatArray, LineFit, fit_line, weighted_least_squares
from spreadplan.calibration.pooling import ASSUMED, Repeatability
from spreadplan.metrology import propagate, two_sided_p
from spreadplan.remarks import Remark, remark
from spreadplan.remembered import remembered


@dataclass(frozen=True, eq=False, kw_only=True)
class CountFit:
    """Mass per count at one gate.

    lb_per_count : the one number that the controller can hold, lb.
    lb_per_count_u : its standard uncertainty, lb.
    scale, dof : of the fit, see `fit.LinearFit`.
    trend_p : probability of so strong a dependence on output by chance; NaN: not testable.
    trend : mass per count as a line in feeder output; None while it counts as constant.
    flags : what a user must know.
    usual : run-to-run scatter that ``scale`` multiplies.
    day_u : relative standard uncertainty that the tests have in common, as they are of few days;
        ``lb_per_count_u`` holds it already.
    """

    lb_per_count: float
    lb_per_count_u: float
    scale: float
    dof: float
    trend_p: float
    trend: LineFit | None
    flags: tuple[Remark, ...]
    usual: Repeatability = ASSUMED
    day_u: float = 0.0

    def of_days(self, day_u: float) -> CountFit:
        """The fit with what its tests have in common, a relative standard uncertainty."""
        u = float(np.hypot(self.lb_per_count_u, self.lb_per_count * day_u))
        return replace(self, lb_per_count_u=u, day_u=day_u)

    def at(self, feeder_pct: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mass per count at an output and its standard uncertainty, lb, shape of the input."""
        if self.trend is not None:
            value, value_u = self.trend.predict(feeder_pct)
            return value, np.hypot(value_u, self.day_u * value)
        same = np.ones_like(feeder_pct)
        return self.lb_per_count * same, self.lb_per_count_u * same

    def relative_u(self, feeder_pct: FloatArray) -> FloatArray:
        """Relative standard uncertainty of the mass that the controller counts at an output.

        The controller holds one number, so a known dependence on output stays in as doubt.
        """
        value, value_u = self.at(feeder_pct)
        return np.asarray(np.hypot(value_u, value - self.lb_per_count) / self.lb_per_count)


@remembered(FITS_KEPT)
def fit_counts(
    feeder_pct: FloatArray,
    net_lb: FloatArray,
    counts: FloatArray,
    lb_per_count_u: FloatArray,
    usual: Repeatability = ASSUMED,
) -> CountFit | None:
    """Weighted mass per count from all tests of a truck, material and gate.

    Parameters
    ----------
    feeder_pct : feeder output of each test, percent, shape (n,).
    net_lb : mass caught, lb, shape (n,).
    counts : sensor counts, shape (n,).
    lb_per_count_u : standard uncertainty of each test's own mass per count from weighing and
        counting, lb, shape (n,).
    usual : what is known of the run-to-run scatter before these tests.

    Returns
    -------
    CountFit, or None when no test has both counts and mass.
    """
    usable = (counts > 0.0) & (net_lb > 0.0)
    if not np.any(usable):
        return None
    feeder_pct, net_lb, counts = feeder_pct[usable], net_lb[usable], counts[usable]
    measured_u = lb_per_count_u[usable] * counts
    fitted = net_lb
    for _ in range(100):
        fit = weighted_least_squares(
            counts[:, None], net_lb, run_sd(measured_u, fitted, usual), usual.dof
        )
        updated = counts * fit.values[0]
        if np.allclose(updated, fitted, rtol=1e-13, atol=0.0):
            break
        fitted = updated
    sd = run_sd(measured_u, fitted, usual)
    trend, trend_p = _trend(feeder_pct, net_lb / counts, sd / counts, usual.dof)
    if trend is None or not trend_p < SIGNIFICANCE:
        flags = scatter_flags(fit.residuals / sd, len(counts) - 1, usual)
        trend, scale, dof = None, fit.scale, fit.dof
    else:
        flags = (remark("counts_vary", chance=trend_p),)
        scale, dof = trend.residual_sd**2, trend.dof
    if np.isnan(trend_p):
        flags += (remark("counts_trend_untested"),)
    return CountFit(
        lb_per_count=float(fit.values[0]),
        lb_per_count_u=float(propagate(np.ones(1), fit.covariance)),
        scale=scale,
        dof=dof,
        trend_p=trend_p,
        trend=trend,
        flags=flags,
        usual=usual,
    )


def _trend(
    feeder_pct: FloatArray, lb_per_count: FloatArray, sd: FloatArray, prior_dof: float
) -> tuple[LineFit | None, float]:
    """Line of mass per count in output, and the two-sided p-value of its slope."""
    if len(feeder_pct) < 3 or np.ptp(feeder_pct) < ONE_OUTPUT_SPREAD_PCT:
        return None, float("nan")
    line = fit_line(feeder_pct, lb_per_count, sd, prior_dof)
    return line, two_sided_p(line.slope / line.slope_u, line.dof)
