"""Knees that the tests leave open, and what other trucks show of a curve's ends.

Sources: J. A. Hoeting and others, Bayesian model averaging: a tutorial, Statistical Science 14
(1999), equations 1 to 3 (from memory); weighted least squares by statsmodels.
"""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.regression.linear_model import WLS
from statsmodels.tools import add_constant

from spreadplan.calibration.curve import Curve, fit_curve
from spreadplan.calibration.form import FormSeen, UsualForm, learn_form
from spreadplan.calibration.knees import GRID_PCT, possible_knees

OUTPUTS = np.array([25.0, 40.0, 55.0, 70.0])


def curve_of(outputs: np.ndarray, discharge: np.ndarray, form: UsualForm | None = None) -> Curve:
    """A curve of tests read to half a pound a minute."""
    found = fit_curve(outputs, discharge, np.full(len(outputs), 0.5), form=form)
    assert found is not None
    return found


def test_shares_of_knees_agree_with_statsmodels():
    readings = np.array([74.0, 122.0, 163.0, 181.0])
    sd = 0.03 * readings
    knees = possible_knees(OUTPUTS, readings, sd, start=(2.0, 5.0), level_share=0.4, prior_dof=4.0)
    steepness = WLS(readings, OUTPUTS, weights=sd**-2.0).fit().params[0]
    weights = np.append(sd**-2.0, (steepness * 5.0) ** -2.0)

    def likelihood(knee: float) -> float:
        design = add_constant(np.append(np.minimum(OUTPUTS, knee), 2.0))
        fit = WLS(np.append(readings, 0.0), design, weights=weights).fit()
        normal = np.linalg.det(design.T @ (design * weights[:, None]))
        return float((1.0 + fit.ssr / 4.0) ** -4.0 / np.sqrt(normal))

    of_knee = np.array([0.4 / 25.0 * likelihood(knee) for knee in GRID_PCT])
    expected = of_knee / (of_knee.sum() + 0.6 * likelihood(np.inf))
    assert len(knees.share) == len(GRID_PCT)
    assert knees.share == pytest.approx(expected, rel=1e-9)
    assert 0.5 < knees.share.sum() < 1.0


def test_readings_that_bend_raise_the_share_and_straight_ones_lower_it():
    def share(knee: float) -> float:
        readings = 3.0 * np.minimum(OUTPUTS, knee)
        given = {"start": (0.0, 5.0), "level_share": 0.35, "prior_dof": 4.0}
        return float(possible_knees(OUTPUTS, readings, 0.03 * readings, **given).share.sum())

    assert share(100.0) < 0.35 < share(60.0)


def test_doubt_beyond_the_tests_covers_a_knee_that_they_hardly_show():
    """A pump that gives no more from 65 % on, tested up to 70 %: no form but a line is chosen."""
    truth = 4.0 * np.minimum(OUTPUTS, 65.0)
    curve = curve_of(OUTPUTS, truth * np.array([1.01, 0.99, 1.0, 1.01]))
    assert curve.kind != "saturating"
    low, _ = curve.interval(np.array([100.0]), 0.95)
    assert low[0] < 4.0 * 65.0


def test_at_full_output_nothing_lies_beyond():
    curve = curve_of(np.array([20.0, 50.0, 80.0, 100.0]), np.array([60.0, 150.0, 240.0, 300.0]))
    assert curve.knees.beyond(100.0).share.size == 0
    assert curve.knees.share.sum() < 0.05


def test_other_trucks_that_level_off_widen_what_lies_beyond():
    alike = FormSeen(start_pct=0.0, start_u_pct=1.0, levelled=1.0)
    plain = FormSeen(start_pct=0.0, start_u_pct=1.0, levelled=0.0)
    outputs, readings = np.array([30.0, 50.0, 70.0]), np.array([90.0, 150.0, 210.0])
    many, none = (learn_form([one] * 6) for one in (alike, plain))
    full = np.array([100.0])
    wide, narrow = (curve_of(outputs, readings, form).discharge_u(full)[0] for form in (many, none))
    usual = curve_of(outputs, readings).discharge_u(full)[0]
    assert narrow < usual < wide


def test_start_ups_of_other_trucks_are_a_mean_square_less_their_own_doubt():
    seen = [FormSeen(start_pct=10.0, start_u_pct=1.0), FormSeen(start_pct=1.0, start_u_pct=3.0)]
    expected = np.sqrt((4.0 * 5.0**2 + 99.0 + 0.0) / 6.0)
    assert learn_form(seen).startup_u_pct == pytest.approx(expected, rel=1e-12)
    assert learn_form([]) == UsualForm()
    assert learn_form([FormSeen()]) == UsualForm()
