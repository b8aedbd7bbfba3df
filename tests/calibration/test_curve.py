"""Forms of the discharge curve: which is chosen, what it says, how uncertain it is."""

import numpy as np
import pytest
from scipy import optimize, stats
from statsmodels.regression.linear_model import WLS
from statsmodels.tools import add_constant

from spreadplan.calibration.curve import Curve, fit_curve, run_sd
from tests.said import US

RNG = np.random.default_rng(411)


def fitted(outputs, discharge, u=0.5) -> Curve:
    outputs = np.asarray(outputs, dtype=float)
    curve = fit_curve(outputs, np.asarray(discharge, dtype=float), np.full(len(outputs), u))
    assert curve is not None
    return curve


def at(curve: Curve, output: float) -> float:
    return float(curve.discharge(np.asarray(output)))


def u_at(curve: Curve, output: float) -> float:
    return float(curve.discharge_u(np.asarray(output)))


def u_of_readings(curve: Curve, output: float) -> float:
    """Standard uncertainty without the doubt in the form."""
    at = np.asarray(output)
    return float(np.sqrt(curve.discharge_u(at) ** 2 - curve.form_u(at) ** 2))


# One output


def test_one_test_is_proportional_and_says_so():
    curve = fitted([50], [150])
    assert curve.kind == "proportional"
    assert at(curve, 80) == pytest.approx(240.0)
    assert "tested at 50 % output only" in US.say(curve.flags[0])
    assert curve.dof == 4.0


@pytest.mark.parametrize("output", [10.0, 30.0, 50.0, 75.0, 100.0])
def test_one_test_carries_the_doubt_in_the_startup(output: float):
    """By hand: 3 % of the run and its weighing in proportion, plus (q/f) * 5 * |f - f0| / f0."""
    curve = fitted([50], [150], u=1.0)
    of_run = np.hypot(1.0, 0.03 * 150.0) * output / 50.0
    of_startup = 150.0 / 50.0 * 5.0 * abs(output - 50.0) / 50.0
    # 35 feeders in 100 stop rising somewhere from 50 to 100 %, here at 51, 53, ... 99 %
    missing = [3.0 * max(output - knee, 0.0) for knee in range(51, 100, 2)]
    level_squares = 0.35 / 25.0 * sum(each**2 for each in missing)
    expected = np.sqrt(of_run**2 + of_startup**2 + level_squares)
    assert u_at(curve, output) == pytest.approx(expected)


def test_repeats_at_one_output_average():
    curve = fitted([50, 50, 52], [150, 156, 156])
    assert curve.kind == "proportional"
    # Weights differ by less than 10 %, ratios are 3, 3.12 and 3.
    assert curve.slope == pytest.approx(np.mean([3.0, 3.12, 3.0]), rel=2e-3)
    assert u_at(curve, 50.0) < u_at(fitted([50], [152]), 50.0)


# Two tests


def test_two_tests_give_the_line_through_both():
    curve = fitted([30, 80], [66, 216])
    assert curve.kind == "line"
    assert curve.start_pct == pytest.approx(8.0)
    assert [at(curve, 30), at(curve, 80), at(curve, 55)] == pytest.approx([66, 216, 141])


def test_two_tests_that_rule_out_the_usual_startup_speak_for_themselves():
    curve = fitted([30, 80], [30, 180], u=0.1)
    assert curve.start_pct == pytest.approx(20.0)
    design = np.array([[1.0, 30.0], [1.0, 80.0]])
    covariance = np.linalg.inv(design) @ np.diag([0.9**2 + 0.01, 5.4**2 + 0.01])
    covariance = covariance @ np.linalg.inv(design).T
    for output in (40.0, 95.0):
        gradient = np.array([1.0, output])
        expected = np.sqrt(gradient @ covariance @ gradient)
        assert u_of_readings(curve, output) == pytest.approx(expected, rel=1e-9)


def test_two_tests_ten_points_apart_count_as_two_outputs():
    assert fitted([40, 50], [120, 150]).kind == "line"
    assert fitted([40, 49.9], [120, 150]).kind == "proportional"


# More tests: the simplest form that the data support


def test_proportional_data_stay_proportional():
    curve = fitted([30, 60, 90], [91, 178, 272])
    assert curve.kind == "proportional"
    assert "not significant" in US.say(curve.choice)


def test_startup_threshold_is_found():
    curve = fitted([20, 40, 60, 80], [31, 89, 151, 209])
    assert curve.kind == "line"
    assert curve.start_pct == pytest.approx(10.0, abs=0.5)
    assert "start-up differs from zero" in US.say(curve.choice)


def test_line_agrees_with_statsmodels_under_the_same_weights():
    outputs = np.array([20.0, 40.0, 60.0, 80.0, 100.0])
    discharge = 3.0 * (outputs - 10.0) * (1.0 + 0.02 * RNG.standard_normal(5))
    curve = fitted(outputs, discharge)
    sd = run_sd(np.full(5, 0.5), curve.discharge(outputs))
    theirs = WLS(discharge, add_constant(outputs), weights=1.0 / sd**2).fit()
    intercept, slope = theirs.params
    assert curve.kind == "line"
    assert curve.slope == pytest.approx(slope, rel=1e-9)
    assert curve.start_pct == pytest.approx(-intercept / slope, rel=1e-9)
    # Their variance factor has 3 degrees of freedom, ours 4 more that say 1.
    ours = theirs.normalized_cov_params * (4.0 + 3.0 * theirs.scale) / 7.0
    for output in (20.0, 50.0, 100.0):
        gradient = np.array([1.0, output])
        expected = np.sqrt(gradient @ ours @ gradient)
        assert u_of_readings(curve, output) == pytest.approx(expected, rel=1e-8)


def test_saturation_is_found_and_agrees_with_scipy():
    outputs = np.array([20.0, 30.0, 45.0, 60.0, 75.0, 90.0, 100.0])
    discharge = 3.0 * (np.minimum(outputs, 70.0) - 8.0)
    discharge *= 1.0 + 0.015 * np.random.default_rng(7).standard_normal(7)
    curve = fitted(outputs, discharge)
    sd = run_sd(np.full(7, 0.5), curve.discharge(outputs))
    values, covariance = optimize.curve_fit(
        lambda f, slope, start, top: slope * (np.minimum(f, top) - start),
        outputs,
        discharge,
        p0=[2.9, 7.0, 71.0],
        sigma=sd,
        absolute_sigma=True,
    )
    assert curve.kind == "saturating"
    ours = [curve.slope, curve.start_pct, curve.saturation_pct]
    # Their optimiser stops at 1e-8, their derivatives are finite differences.
    assert ours == pytest.approx(values, rel=1e-5)
    assert curve.covariance / curve.scale == pytest.approx(covariance, rel=1e-3)
    assert "stops rising at about" in US.say(curve.flags[0])
    slope, start, top = values
    for output, gradient in (
        (50.0, [50.0 - start, -slope, 0.0]),
        (95.0, [top - start, -slope, slope]),
    ):
        theirs_u = np.sqrt(curve.scale * (gradient @ covariance @ gradient))
        assert u_at(curve, output) == pytest.approx(theirs_u, rel=1e-3)


def test_saturation_at_a_tested_output_is_found():
    """A dense grid of saturations is the reference: nothing between them may be better."""
    outputs = np.array([20.0, 40.0, 60.0, 80.0, 100.0])
    discharge = np.array([36.0, 96.0, 158.0, 154.0, 157.0])
    curve = fitted(outputs, discharge)
    sd = run_sd(np.full(5, 0.5), curve.discharge(outputs))

    def squares(top: float) -> float:
        design = np.column_stack([np.ones(5), np.minimum(outputs, top)])
        return float(WLS(discharge, design, weights=1.0 / sd**2).fit().ssr)

    ours = float(np.sum(((discharge - curve.discharge(outputs)) / sd) ** 2))
    assert curve.kind == "saturating"
    assert ours <= min(squares(top) for top in np.linspace(40.0, 99.9, 600)) + 1e-9


def test_the_scatter_about_a_kink_at_a_tested_output_counts_in_full():
    """There the linear fit about the optimum would leave less than the curve itself does."""
    outputs = np.array([20.0, 40.0, 60.0, 80.0, 100.0])
    discharge = np.array([36.0, 95.0, 166.0, 164.0, 135.0])
    curve = fitted(outputs, discharge)
    assert curve.kind == "saturating"
    assert curve.saturation_pct in outputs
    residual = (discharge - curve.discharge(outputs)) / run_sd(
        np.full(5, 0.5), curve.discharge(outputs)
    )
    scale = (4.0 + np.sum(residual**2)) / (4.0 + 5 - 3)
    assert curve.scale == pytest.approx(scale)
    sd = run_sd(np.full(5, 0.5), curve.discharge(outputs))
    gradient = curve.gradient(outputs) / sd[:, None]
    assert curve.covariance == pytest.approx(scale * np.linalg.inv(gradient.T @ gradient))


def test_three_tests_never_saturate():
    assert fitted([30, 60, 100], [90, 180, 180]).kind != "saturating"


@pytest.mark.slow
def test_a_form_is_not_made_richer_by_chance():
    """Straight data with 3 % scatter: a threshold or saturation is found in about 5 % or less."""
    outputs = np.array([20.0, 40.0, 60.0, 80.0, 100.0])
    rng = np.random.default_rng(31)
    kinds = []
    for _ in range(300):
        discharge = 3.0 * outputs * (1.0 + 0.03 * rng.standard_normal(5))
        kinds.append(fitted(outputs, discharge, u=0.3).kind)
    # Seeded; two tests at 5 % each would give up to 10 %, measured 4 %.
    assert kinds.count("proportional") >= 0.9 * len(kinds)


# Contradictions and empty catches


def test_falling_discharge_never_gives_a_falling_curve():
    curve = fitted([40, 80], [200, 100])
    assert curve.kind == "proportional"
    assert curve.slope > 0.0
    assert US.say(curve.flags[0]).startswith("tests contradict each other")
    # The two ratios, 5 and 1.25, must both be believable.
    low, high = curve.interval(np.array([40.0, 80.0]), 0.95)
    assert low[0] < 200.0 < high[0]
    assert low[1] < 100.0 < high[1]


def test_repeats_that_disagree_are_flagged_and_widen_the_band():
    curve = fitted([50, 50], [100, 200])
    assert "scatter" in US.say(curve.flags[-1])
    assert u_at(curve, 50.0) > 5.0 * u_at(fitted([50, 50], [149, 151]), 50.0)


def test_consistent_repeats_are_not_flagged_as_contradictory():
    assert not any("contradict" in flag.code for flag in fitted([50, 50], [147, 153]).flags)


def test_an_empty_catch_at_low_output_tells_of_the_startup():
    curve = fitted([10, 60], [0, 150])
    assert curve.kind == "line"
    assert curve.start_pct == pytest.approx(10.0)
    assert at(curve, 10.0) == pytest.approx(0.0, abs=1e-9)
    assert at(curve, 60.0) == pytest.approx(150.0)
    # The start-up is taken as 10 ± 5 points at 3 lb/min per point.
    assert u_at(curve, 10.0) == pytest.approx(15.0)


def test_an_empty_catch_below_the_startup_changes_nothing():
    above = ([30, 50, 70, 90], [30, 90, 150, 210])
    with_dry = fitted([15, *above[0]], [0, *above[1]])
    without = fitted(*above)
    assert with_dry.start_pct == pytest.approx(without.start_pct)
    assert u_at(with_dry, 60.0) == pytest.approx(u_at(without, 60.0))


def test_an_empty_catch_at_high_output_is_a_contradiction():
    curve = fitted([40, 80], [120, 0])
    assert US.say(curve.flags[0]).startswith("tests contradict each other")


def test_nothing_came_out_at_all():
    assert fit_curve(np.array([20.0, 50.0]), np.zeros(2), np.array([0.5, 0.5])) is None


def test_catch_within_its_uncertainty_of_zero_counts_as_empty():
    assert fitted([10, 60], [0.9, 150]).start_pct == pytest.approx(10.0)


def test_discharge_that_does_not_fall_to_zero_is_flagged():
    curve = fitted([40, 80], [200, 260], u=0.1)
    assert curve.start_pct < 0.0
    assert "does not fall to zero" in US.say(curve.flags[-1])


# Inverse and interval


@pytest.mark.parametrize(
    "curve",
    [
        fitted([50], [150]),
        fitted([20, 40, 60, 80], [30, 90, 150, 210]),
        fitted([20, 40, 60, 80, 100], [30, 90, 150, 180, 180]),
    ],
    ids=["proportional", "line", "saturating"],
)
def test_output_for_a_discharge_is_the_inverse(curve: Curve):
    output = np.array([12.0, 35.0, 60.0])
    assert curve.feeder_for(curve.discharge(output)) == pytest.approx(output)
    most = curve.discharge(np.asarray(100.0))
    assert curve.feeder_for(most) == pytest.approx(min(100.0, curve.saturation_pct))
    assert np.isnan(curve.feeder_for(most * 1.001))
    assert curve.feeder_for(np.asarray(0.0)) == 0.0


def test_interval_uses_the_student_factor():
    curve = fitted([50], [150])
    low, high = curve.interval(np.asarray(50.0), 0.90)
    half = stats.t.ppf(0.95, 4.0) * u_at(curve, 50.0)
    assert [low, high] == pytest.approx([150.0 - half, 150.0 + half])


def test_interval_never_goes_below_zero():
    low, _ = fitted([50], [150]).interval(np.array([1.0, 5.0]), 0.95)
    assert np.all(low == 0.0)


def test_levelling_off_is_found_above_an_empty_catch_as_well():
    """A test at 5 % that gave nothing must not hide that more than 84 % brings no more."""
    output = np.array([5.0, 15.0, 30.0, 45.0, 60.0, 80.0, 100.0])
    discharge = np.array([0.0, 36.1, 105.1, 169.8, 251.0, 330.0, 350.0])
    curve = fit_curve(output, discharge, np.full(7, 0.5))
    assert curve is not None
    assert curve.kind == "saturating"
    assert 75.0 < curve.saturation_pct < 95.0
    assert curve.start_pct > 5.0


def test_equal_readings_at_different_outputs_are_no_line():
    """A slope of rounding size, 3e-18, once passed as a rise and left no doubt at all."""
    curve = fit_curve(np.array([5.0, 42.0]), np.array([1.25, 1.25]), np.array([0.5, 0.5]))
    assert curve is not None
    assert curve.kind == "proportional"
    assert np.all(curve.discharge_u(np.array([5.0, 50.0, 100.0])) > 0.0)
