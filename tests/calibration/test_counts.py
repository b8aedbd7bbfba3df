"""Mass per sensor count of a closed loop."""

import numpy as np
import pytest
from statsmodels.regression.linear_model import WLS

from spreadplan.calibration.counts import CountFit, fit_counts
from tests.said import US


def fitted(outputs, lb_per_count, counts=1000.0, u=1e-4) -> CountFit:
    outputs = np.asarray(outputs, dtype=float)
    number = np.full(len(outputs), counts)
    found = fit_counts(
        outputs, np.asarray(lb_per_count, dtype=float) * number, number, np.full(len(outputs), u)
    )
    assert found is not None
    return found


def test_one_test_is_its_own_ratio_with_repeatability():
    found = fitted([38], [0.5], u=0.004)
    assert found.lb_per_count == pytest.approx(0.5)
    assert found.lb_per_count_u == pytest.approx(np.hypot(0.004, 0.03 * 0.5))
    assert np.isnan(found.trend_p)
    assert "not tested" in US.say(found.flags[-1])


def test_several_tests_agree_with_statsmodels():
    outputs = np.array([36.0, 38.0, 40.0, 39.0])
    counts = np.array([800.0, 1000.0, 1500.0, 2000.0])
    net_lb = np.array([404.0, 490.0, 766.0, 985.0])
    found = fit_counts(outputs, net_lb, counts, np.full(4, 0.002))
    assert found is not None
    sd = np.hypot(0.002 * counts, 0.03 * found.lb_per_count * counts)
    theirs = WLS(net_lb, counts, weights=1.0 / sd**2).fit()
    assert found.lb_per_count == pytest.approx(float(theirs.params[0]), rel=1e-9)
    scale = (4.0 + 3.0 * theirs.scale) / 7.0
    expected_u = np.sqrt(theirs.normalized_cov_params[0, 0] * scale)
    assert found.lb_per_count_u == pytest.approx(expected_u, rel=1e-8)


def test_constant_mass_per_count_is_called_constant():
    found = fitted([20, 40, 60, 80], [0.50, 0.51, 0.495, 0.505])
    assert found.trend is None
    assert found.trend_p > 0.05
    assert found.flags == ()


def test_slip_is_found_and_stays_in_as_doubt():
    found = fitted([20, 40, 60, 80], [0.56, 0.52, 0.48, 0.44])
    assert found.trend is not None
    assert found.trend_p < 0.05
    assert "slip or air gaps" in US.say(found.flags[0])
    value, value_u = found.at(np.asarray(80.0))
    assert value == pytest.approx(0.44, rel=1e-3)
    bend = (value - found.lb_per_count) / found.lb_per_count
    relative_u = found.relative_u(np.asarray(80.0))
    assert relative_u == pytest.approx(np.hypot(bend, value_u / found.lb_per_count))
    assert relative_u > abs(bend)


def test_trend_needs_three_tests_at_spread_outputs():
    assert np.isnan(fitted([20, 80], [0.5, 0.6]).trend_p)
    assert np.isnan(fitted([36, 38, 40], [0.5, 0.6, 0.7]).trend_p)


def test_trend_is_rarely_found_where_there_is_none():
    rng = np.random.default_rng(8)
    found = [
        fitted([20, 40, 60, 80], 0.5 * (1.0 + 0.03 * rng.standard_normal(4))).trend is not None
        for _ in range(300)
    ]
    # Nominal 5 % of 300 is 15 with a standard deviation of 4.
    assert sum(found) <= 15 + 3 * 4


def test_repeats_that_disagree_are_flagged():
    found = fitted([38, 38], [0.4, 0.6])
    assert US.say(found.flags[0]).startswith("tests contradict each other")


def test_no_counts_no_fit():
    missing = np.array([np.nan])
    assert fit_counts(np.array([38.0]), np.array([100.0]), missing, missing) is None


def test_tests_without_counts_are_left_out():
    found = fit_counts(
        np.array([38.0, 38.0]),
        np.array([500.0, 900.0]),
        np.array([1000.0, np.nan]),
        np.array([1e-4, np.nan]),
    )
    assert found is not None
    assert found.lb_per_count == pytest.approx(0.5)
