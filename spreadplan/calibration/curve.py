"""The discharge curve of one spreader at one gate: discharge against feeder output.

    discharge = slope * max(0, min(output, saturation) - start)

Feeder output is in percent, discharge in lb/min (any mass flow works: nothing here depends on the
unit). The simplest form that the tests support is chosen:

proportional  start = 0, no saturation
line          a start-up threshold, no saturation
saturating    a start-up threshold, and an output above which nothing more comes out
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from scipy import special

from spreadplan.calibration.assumptions import (
    CONTRADICTION_SIGNIFICANCE,
    ONE_OUTPUT_SPREAD_PCT,
    SIGNIFICANCE,
)
from spreadplan.calibration.fit import BoolArray, FloatArray, LinearFit, weighted_least_squares
from spreadplan.calibration.form import NEAR_FULL_PCT, FormSeen, UsualForm
from spreadplan.calibration.knees import NO_KNEES, Knees, possible_knees
from spreadplan.calibration.pooling import ASSUMED, Repeatability
from spreadplan.metrology import coverage_factor, propagate
from spreadplan.remarks import Remark, remark
from spreadplan.remembered import remembered

Kind = Literal["proportional", "line", "saturating"]
CONTRADICTIONS = ("contradict_by_falling", "contradict_by_scatter")
"""Codes of the flags that say that tests exclude each other."""
LEVEL_REL = 1e-6
LEVEL_OUTPUTS = 4
"""Different outputs that it takes to see that a feeder stops rising."""
FITS_KEPT = 1000
"""A season calibrates for every storm, and most trucks were not tested in between."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Curve:
    """A fitted discharge curve.

    kind : form of the curve.
    slope : lb/min per point of feeder output, > 0.
    start_pct : feeder output at which material starts to flow; below 0 where the tests bend.
    saturation_pct : output above which discharge no longer rises; infinite unless saturating.
    covariance : of slope, start and, for the saturating form, saturation; (2, 2) or (3, 3).
    scale : variance factor of the fit, see `fit.LinearFit`.
    dof : degrees of freedom of the fit.
    startup_pct : where the curve leans on an assumed start-up, its centre; else NaN.
    flags : what a user must know.
    choice : how the form was chosen.
    usual : run-to-run scatter that ``scale`` multiplies.
    day_u : relative standard uncertainty that the tests have in common, as they are of few days;
        ``covariance`` holds it already.
    highest_pct : highest tested output; beyond it the feeder may stop rising.
    outputs : how many different outputs were tested.
    form : what was known of the curve's ends before its tests.
    knees : where the feeder may stop rising all the same.
    """

    kind: Kind
    slope: float
    start_pct: float
    saturation_pct: float
    covariance: FloatArray
    scale: float
    dof: float
    startup_pct: float
    flags: tuple[Remark, ...]
    choice: Remark
    usual: Repeatability = ASSUMED
    day_u: float = 0.0
    highest_pct: float = 100.0
    outputs: int = 1
    form: UsualForm = field(default_factory=UsualForm)
    knees: Knees = NO_KNEES

    @property
    def parameters(self) -> int:
        """How many values the tests had to determine."""
        return {"proportional": 1, "line": 2, "saturating": 3}[self.kind]

    def discharge(self, feeder_pct: FloatArray) -> FloatArray:
        """Discharge at an output, shape of the input; never falling, never below zero."""
        return np.maximum(self._unclipped(feeder_pct), 0.0)

    def discharge_u(self, feeder_pct: FloatArray) -> FloatArray:
        """Standard uncertainty of the mean discharge at an output, shape of the input."""
        return np.hypot(
            propagate(self.gradient(feeder_pct), self.covariance), self.form_u(feeder_pct)
        )

    def form_u(self, feeder_pct: FloatArray) -> FloatArray:
        """Part of `discharge_u` as the curve may be of another form than the chosen one."""
        return self.knees.rms(np.asarray(feeder_pct), self.discharge(feeder_pct))

    def form_seen(self) -> FormSeen:
        """What these tests show of the curve's ends, without what was assumed of them."""
        levelled = self.kind == "saturating"
        start_pct = start_u_pct = np.nan
        if self.outputs >= 3 and (self.kind != "line" or np.isnan(self.startup_pct)):
            start_pct, start_u_pct = self.start_pct, float(np.sqrt(self.covariance[1, 1]))
        shows = self.outputs >= LEVEL_OUTPUTS and (levelled or self.highest_pct >= NEAR_FULL_PCT)
        return FormSeen(start_pct, start_u_pct, float(levelled) if shows else np.nan)

    def of_days(self, day_u: float) -> Curve:
        """The curve with what its tests have in common: an error of its slope.

        ``day_u`` : relative standard uncertainty.
        """
        covariance = self.covariance.copy()
        covariance[0, 0] += (self.slope * day_u) ** 2
        return replace(self, covariance=covariance, day_u=day_u)

    def interval(self, feeder_pct: FloatArray, confidence: float) -> tuple[FloatArray, FloatArray]:
        """Interval for the mean discharge at an output, lower and upper end, never below 0."""
        middle = self._unclipped(feeder_pct)
        half = coverage_factor(self.dof, confidence) * self.discharge_u(feeder_pct)
        return np.maximum(middle - half, 0.0), np.maximum(middle + half, 0.0)

    def gradient(self, feeder_pct: FloatArray) -> FloatArray:
        """Change of discharge with each parameter, shape (..., 2 or 3)."""
        working = np.minimum(feeder_pct, self.saturation_pct)
        parts = [working - self.start_pct, np.full_like(working, -self.slope)]
        if self.kind == "saturating":
            parts.append(np.where(feeder_pct > self.saturation_pct, self.slope, 0.0))
        return np.stack(parts, axis=-1)

    def feeder_for(self, discharge: FloatArray) -> FloatArray:
        """Smallest output that gives a discharge, 0 for none, NaN if 100 % gives less."""
        most = float(self.discharge(np.asarray(100.0)))
        needed = self.start_pct + np.minimum(discharge, most) / self.slope
        feeder_pct = np.where(discharge <= 0.0, 0.0, np.clip(needed, 0.0, 100.0))
        # A discharge read from this curve at 100 % must be found again in spite of rounding.
        return np.where(discharge > most * (1.0 + 1e-12), np.nan, feeder_pct)

    def _unclipped(self, feeder_pct: FloatArray) -> FloatArray:
        return self.slope * (np.minimum(feeder_pct, self.saturation_pct) - self.start_pct)


def run_sd(
    discharge_u: FloatArray, fitted: FloatArray, usual: Repeatability = ASSUMED
) -> FloatArray:
    """Standard deviation expected of a test's discharge about the true curve.

    Combines the measurement (``discharge_u``, standard uncertainty) with the ``usual`` run-to-run
    repeatability, which grows with the discharge (``fitted``); same shapes and unit.
    """
    sd = np.hypot(discharge_u, usual.relative * np.maximum(fitted, 0.0))
    # No reading is exact: a zero here would let one test overrule all others.
    return np.maximum(sd, 1e-3 * usual.relative * max(float(np.max(fitted)), 1e-300))


@remembered(FITS_KEPT)
def fit_curve(
    feeder_pct: FloatArray,
    discharge: FloatArray,
    discharge_u: FloatArray,
    usual: Repeatability = ASSUMED,
    form: UsualForm | None = None,
) -> Curve | None:
    """Fit the simplest discharge curve that the tests support.

    Parameters
    ----------
    feeder_pct : feeder output of each test, percent, > 0, shape (n,).
    discharge : measured discharge, lb/min, shape (n,).
    discharge_u : its standard uncertainty from weighing and timing, lb/min, >= 0, shape (n,).
    usual : what is known of the run-to-run scatter before these tests.
    form : what is known of the curve's ends before them; None: what is assumed.

    Returns
    -------
    Curve, or None when no test delivered anything.
    """
    if not np.any(discharge > 2.0 * discharge_u):
        return None
    dry = is_dry(feeder_pct, discharge, discharge_u)
    form = form or UsualForm()
    runs = _Runs(feeder_pct[~dry], np.maximum(discharge[~dry], 0.0), discharge_u[~dry], usual, form)
    if np.any(dry):
        curve = _fit_above_dry_run(runs, float(feeder_pct[dry].max()))
    elif np.ptp(runs.feeder_pct) < ONE_OUTPUT_SPREAD_PCT:
        curve = _fit_one_output(runs)
    else:
        curve = _fit_spread_outputs(runs)
    known = replace(
        curve,
        usual=usual,
        form=form,
        highest_pct=float(np.max(feeder_pct)),
        outputs=len(np.unique(runs.feeder_pct)),
        knees=_knees(curve, runs),
    )
    return _with_general_flags(known, runs)


def _knees(curve: Curve, runs: _Runs) -> Knees:
    """Where the feeder may stop rising by these tests, whatever form was chosen."""
    found = possible_knees(
        runs.feeder_pct,
        runs.discharge,
        runs.sd(curve.discharge(runs.feeder_pct)),
        start=(curve.start_pct, runs.form.startup_u_pct),
        level_share=runs.form.level_share,
        prior_dof=runs.usual.dof,
    )
    # tests at one output can't show a knee below it, and where the knee of a saturating curve lies
    # is in its covariance
    one_output = np.ptp(runs.feeder_pct) < ONE_OUTPUT_SPREAD_PCT
    only_beyond = one_output or curve.kind == "saturating"
    return found.beyond(float(runs.feeder_pct.max())) if only_beyond else found


def with_runs_on_it(
    curve: Curve,
    feeder_pct: FloatArray,
    discharge: FloatArray,
    discharge_u: FloatArray,
    more_pct: FloatArray,
    more_rel_u: float,
) -> Curve:
    """The curve with knees as they would be if further runs were done and lay on it.

    Parameters
    ----------
    curve : fitted to the three columns that follow, as `fit_curve` takes them; shape (n,).
    more_pct : outputs of the further runs, percent; shape (m,).
    more_rel_u : relative standard uncertainty of their weighing and timing.

    Returns
    -------
    Curve, all else as before.
    """
    dry = is_dry(feeder_pct, discharge, discharge_u)
    more = curve.discharge(more_pct)
    runs = _Runs(
        np.append(feeder_pct[~dry], more_pct),
        np.append(np.maximum(discharge[~dry], 0.0), more),
        np.append(discharge_u[~dry], more_rel_u * more),
        curve.usual,
        curve.form,
    )
    return replace(curve, knees=_knees(curve, runs))


def is_dry(feeder_pct: FloatArray, discharge: FloatArray, discharge_u: FloatArray) -> BoolArray:
    """Tests that delivered nothing measurable at an output below all that did, shape (n,).

    They tell where flow does not start yet, not how it grows. An empty catch at a higher output
    than one that flowed is a contradiction and stays among the readings.
    """
    flowing = discharge > 2.0 * discharge_u
    return np.asarray(~flowing & (feeder_pct < feeder_pct[flowing].min()))


@dataclass(frozen=True, eq=False)
class _Runs:
    """Tests of one curve: output, discharge, standard uncertainty; each shape (n,)."""

    feeder_pct: FloatArray
    discharge: FloatArray
    discharge_u: FloatArray
    usual: Repeatability
    form: UsualForm

    def sd(self, fitted: FloatArray) -> FloatArray:
        """Standard deviation expected of each test about a fitted discharge, shape (n,)."""
        return run_sd(self.discharge_u, fitted, self.usual)

    @property
    def count(self) -> int:
        return len(self.feeder_pct)

    def line_design(self) -> FloatArray:
        return np.column_stack([np.ones_like(self.feeder_pct), self.feeder_pct])


def _reweighted(
    runs: _Runs,
    design: FloatArray,
    fit: Callable[[FloatArray], LinearFit],
) -> LinearFit:
    """Repeat a fit with weights taken from the fitted curve, not from the readings.

    Weights from readings would let a reading that happens to be low weigh more.
    """
    fitted = runs.discharge
    for _ in range(100):
        result = fit(runs.sd(fitted))
        updated = design @ result.values
        if np.allclose(updated, fitted, rtol=1e-13, atol=0.0):
            break
        fitted = updated
    return result


def _proportional(runs: _Runs, start_pct: float = 0.0) -> LinearFit:
    """Fit discharge = slope * (output - start) with the start given; one value."""
    design = (runs.feeder_pct - start_pct)[:, None]
    return _reweighted(
        runs, design, lambda sd: weighted_least_squares(design, runs.discharge, sd, runs.usual.dof)
    )


def _line(runs: _Runs) -> LinearFit:
    """Fit discharge = intercept + slope * output from the tests alone."""
    design = runs.line_design()
    return _reweighted(
        runs, design, lambda sd: weighted_least_squares(design, runs.discharge, sd, runs.usual.dof)
    )


def _line_with_startup(runs: _Runs, startup_pct: float, slope: float) -> LinearFit:
    """Fit the line with one more observation: flow starts at ``startup_pct``, give or take.

    ``slope`` turns the doubt in output into one in discharge. The variance factor multiplies it as
    it does the tests' own, but how well they repeat says nothing of the start-up: it is divided out
    beforehand.
    """
    design = runs.line_design()
    with_startup = np.vstack([design, [1.0, startup_pct]])
    response = np.append(runs.discharge, 0.0)
    startup_sd = slope * runs.form.startup_u_pct / np.sqrt(_proportional(runs, startup_pct).scale)
    return _reweighted(
        runs,
        design,
        lambda sd: weighted_least_squares(
            with_startup, response, np.append(sd, startup_sd), runs.usual.dof
        ),
    )


def _curve_from_line(
    kind: Kind, fit: LinearFit, startup_pct: float, flags: tuple[Remark, ...], choice: Remark
) -> Curve:
    """Turn intercept and slope (and saturation) into start and slope, covariance included."""
    intercept, slope = float(fit.values[0]), float(fit.values[1])
    change = np.eye(len(fit.values))
    change[0, :2] = [0.0, 1.0]
    change[1, :2] = [-1.0 / slope, intercept / slope**2]
    return Curve(
        kind=kind,
        slope=slope,
        start_pct=-intercept / slope + 0.0,
        saturation_pct=float(fit.values[2]) if kind == "saturating" else np.inf,
        covariance=change @ fit.covariance @ change.T,
        scale=fit.scale,
        dof=fit.dof,
        startup_pct=startup_pct,
        flags=flags,
        choice=choice,
    )


def _with_startup_doubt(
    kind: Kind, values: FloatArray, steadied: LinearFit, flags: tuple[Remark, ...], choice: Remark
) -> Curve:
    """Curve with given intercept and slope whose covariance carries the doubt in the start-up.

    The covariance is that of the line steadied by the assumed start-up, widened by how far the
    given values lie from it: a simple form is convenient, not certain.
    """
    apart = values - steadied.values
    doubt = replace(
        steadied, values=values, covariance=steadied.covariance + np.outer(apart, apart)
    )
    return _curve_from_line(kind, doubt, 0.0, flags, choice)


def _proportional_curve(runs: _Runs, flags: tuple[Remark, ...], choice: Remark) -> Curve:
    slope = float(_proportional(runs).values[0])
    steadied = _line_with_startup(runs, 0.0, slope)
    return _with_startup_doubt("proportional", np.array([0.0, slope]), steadied, flags, choice)


def _fit_one_output(runs: _Runs) -> Curve:
    at_pct = float(np.mean(runs.feeder_pct))
    flag = remark("tested_at_one_output", at_pct=at_pct, startup_u_pct=runs.form.startup_u_pct)
    return _proportional_curve(runs, (flag,), remark("one_output", tests=runs.count))


def _fit_above_dry_run(runs: _Runs, dry_pct: float) -> Curve:
    """Fit when a test at ``dry_pct`` delivered nothing: flow starts at or above that output."""
    if np.ptp(runs.feeder_pct) >= ONE_OUTPUT_SPREAD_PCT:
        line = _line(runs)
        if line.values[1] > 0.0 and -line.values[0] / line.values[1] >= dry_pct:
            choice = remark("line_above_dry", dry_pct=dry_pct)
            chosen = _curve_from_line("line", line, np.nan, (), choice)
            levelled = _saturating_if_supported(runs, chosen)
            start_u = float(np.sqrt(levelled.covariance[1, 1]))
            # the form that levels off must not start flowing where nothing came out
            return levelled if levelled.start_pct >= dry_pct - 2.0 * start_u else chosen
    slope = float(_proportional(runs, dry_pct).values[0])
    steadied = _line_with_startup(runs, dry_pct, slope)
    if steadied.values[1] <= 0.0:
        steadied = replace(steadied, values=np.array([-slope * dry_pct, slope]))
    return _curve_from_line(
        "line",
        steadied,
        dry_pct,
        (remark("startup_from_dry", dry_pct=dry_pct, startup_u_pct=runs.form.startup_u_pct),),
        remark("line_from_dry", dry_pct=dry_pct),
    )


def _fit_spread_outputs(runs: _Runs) -> Curve:
    line = _line(runs)
    # a slope that is only rounding is no slope: over the whole range it brings next to nothing
    if 100.0 * line.values[1] <= LEVEL_REL * float(np.max(runs.discharge)):
        return _fit_contradictory(runs)
    if runs.count == 2:
        return _fit_two(runs, line)
    critical = coverage_factor(line.dof, 1.0 - SIGNIFICANCE)
    ratio = abs(line.values[0]) / line.standard_u[0]
    if ratio > critical:
        chosen = _curve_from_line(
            "line",
            line,
            np.nan,
            (),
            remark("startup_significant", ratio=float(ratio), critical=critical),
        )
    else:
        chosen = _proportional_curve(
            runs,
            (),
            remark("startup_not_significant", ratio=float(ratio), critical=critical),
        )
    return _saturating_if_supported(runs, chosen)


def _fit_contradictory(runs: _Runs) -> Curve:
    """Never a falling curve: proportional, as doubtful as its own scatter makes it."""
    slope = float(_proportional(runs).values[0])
    steadied = _line_with_startup(runs, 0.0, slope)
    scatter = _proportional(runs).scale
    widened = replace(
        steadied,
        covariance=steadied.covariance * max(1.0, scatter / steadied.scale),
        scale=max(scatter, steadied.scale),
    )
    return _with_startup_doubt(
        "proportional",
        np.array([0.0, slope]),
        widened,
        (remark("contradict_by_falling"),),
        remark("only_an_average"),
    )


def _fit_two(runs: _Runs, line: LinearFit) -> Curve:
    """A line through both tests; it leans on the usual start-up unless the tests rule that out."""
    slope = float(line.values[1])
    usual = np.hypot(line.standard_u[0], runs.form.startup_u_pct * slope)
    if abs(line.values[0]) > 2.0 * usual:
        return _curve_from_line("line", line, np.nan, (), remark("line_of_two"))
    steadied = _line_with_startup(runs, 0.0, float(_proportional(runs).values[0]))
    return _with_startup_doubt(
        "line",
        line.values,
        steadied,
        (),
        remark("line_of_two_with_startup", startup_u_pct=runs.form.startup_u_pct),
    )


def _saturating_if_supported(runs: _Runs, chosen: Curve) -> Curve:
    """Replace the chosen curve by the saturating one if that is significantly better."""
    if len(np.unique(runs.feeder_pct)) < LEVEL_OUTPUTS:
        return chosen
    values = _saturating_values(runs)
    if values is None:
        return chosen
    working = np.minimum(runs.feeder_pct, values[2])
    fitted = values[0] + values[1] * working
    sd = runs.sd(fitted)
    residual = runs.discharge - fitted
    simpler = (runs.discharge - _best_simpler(runs, chosen.kind, sd)) / sd
    parameters = 1 if chosen.kind == "proportional" else 2
    dof = runs.usual.dof + runs.count - 3
    left = runs.usual.dof + float(np.sum((residual / sd) ** 2))
    better = float(np.sum(simpler**2)) + runs.usual.dof - left
    scale = left / dof
    ratio = better / (3 - parameters) / scale
    critical = float(special.fdtri(3 - parameters, dof, 1.0 - SIGNIFICANCE))
    if ratio <= critical:
        return chosen
    gradient = np.column_stack(
        [np.ones(runs.count), working, np.where(runs.feeder_pct > values[2], values[1], 0.0)]
    )
    linear = weighted_least_squares(gradient, gradient @ values + residual, sd, runs.usual.dof)
    # at a tested output the form has a kink, and the linear fit leaves less than the form does
    fit = replace(
        linear, values=values, scale=scale, covariance=linear.covariance * (scale / linear.scale)
    )
    return _curve_from_line(
        "saturating",
        fit,
        np.nan,
        (remark("stops_rising", at_pct=float(values[2])),),
        remark("levelling_off", ratio=float(ratio), critical=critical),
    )


def _best_simpler(runs: _Runs, kind: Kind, sd: FloatArray) -> FloatArray:
    """Fitted discharge of the simpler form under the weights of the saturating one."""
    design = runs.line_design()
    if kind == "proportional":
        design = design[:, 1:]
    return design @ weighted_least_squares(design, runs.discharge, sd, runs.usual.dof).values


def _saturating_values(runs: _Runs) -> FloatArray | None:
    """Intercept, slope and saturation with the least weighted squares; None if none rises."""
    fitted = runs.discharge
    values: FloatArray | None = None
    for _ in range(20):
        values = _best_saturating(runs, runs.sd(fitted))
        if values is None:
            return None
        updated = values[0] + values[1] * np.minimum(runs.feeder_pct, values[2])
        if np.allclose(updated, fitted, rtol=1e-9, atol=0.0):
            break
        fitted = updated
    return values


def _best_saturating(runs: _Runs, sd: FloatArray) -> FloatArray | None:
    """Intercept, slope and saturation with the least squares under given weights.

    With the saturation between two neighbouring outputs, the form is a line through the tests
    below and a level through those above, each fitted on its own; it holds if both meet between
    the two outputs. Otherwise the best saturation is at a tested output. So a few linear fits
    find the optimum exactly.
    """
    outputs = np.unique(runs.feeder_pct)
    found: list[tuple[float, FloatArray]] = []
    for low_pct, high_pct in pairwise(outputs[1:]):
        below = runs.feeder_pct <= low_pct
        line = _line_under(runs.feeder_pct[below], runs.discharge[below], sd[below])
        level = np.average(runs.discharge[~below], weights=1.0 / sd[~below] ** 2)
        if line[1] > 0.0 and low_pct < (level - line[0]) / line[1] < high_pct:
            found.append(_squares(runs, sd, np.append(line, (level - line[0]) / line[1])))
        bent = _line_under(np.minimum(runs.feeder_pct, low_pct), runs.discharge, sd)
        if bent[1] > 0.0:
            found.append(_squares(runs, sd, np.append(bent, low_pct)))
    return min(found, key=lambda candidate: candidate[0])[1] if found else None


def _line_under(feeder_pct: FloatArray, discharge: FloatArray, sd: FloatArray) -> FloatArray:
    design = np.column_stack([np.ones_like(feeder_pct), feeder_pct])
    return weighted_least_squares(design, discharge, sd, ASSUMED.dof).values


def _squares(runs: _Runs, sd: FloatArray, values: FloatArray) -> tuple[float, FloatArray]:
    """Weighted sum of squares of the saturating form with given values, and those values."""
    fitted = values[0] + values[1] * np.minimum(runs.feeder_pct, values[2])
    return float(np.sum(((runs.discharge - fitted) / sd) ** 2)), values


def _with_general_flags(curve: Curve, runs: _Runs) -> Curve:
    """Add the flags that any form can earn."""
    flags = list(curve.flags)
    fitted = curve.discharge(runs.feeder_pct)
    spare = runs.count - curve.parameters
    if not contradicting(flags):
        flags += scatter_flags((runs.discharge - fitted) / runs.sd(fitted), spare, runs.usual)
    if curve.start_pct < -curve.form.startup_u_pct:
        flags.append(remark("does_not_fall_to_zero"))
    return replace(curve, flags=tuple(flags))


def contradicting(flags: Iterable[Remark]) -> bool:
    """Whether flags say that tests exclude each other."""
    return any(flag.code in CONTRADICTIONS for flag in flags)


def scatter_flags(standardised: FloatArray, spare: int, usual: Repeatability) -> tuple[Remark, ...]:
    """Flag of tests that scatter more than chance allows, empty if they do not.

    Parameters
    ----------
    standardised : residuals over their standard deviation, shape (n,).
    spare : degrees of freedom of these residuals.
    usual : run-to-run scatter that they were standardised with.
    """
    squares = float(np.sum(standardised**2))
    if spare < 1 or squares <= special.chdtri(spare, CONTRADICTION_SIGNIFICANCE):
        return ()
    times = float(np.sqrt(squares / spare))
    return (remark("contradict_by_scatter", times=times, usual_pct=100.0 * float(usual.relative)),)
