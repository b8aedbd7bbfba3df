"""The fitting routine against an independent library, and what it refuses."""

import numpy as np
import pytest
from scipy import optimize
from statsmodels.regression.linear_model import WLS
from statsmodels.stats.multitest import multipletests

from spreadplan.calibration.fit import fit_line, weighted_least_squares
from spreadplan.metrology import coverage_factor, holm

RNG = np.random.default_rng(20261125)
X = np.array([15.0, 30.0, 45.0, 60.0, 80.0, 100.0])
SD = np.array([1.0, 2.0, 2.5, 4.0, 5.0, 9.0])
Y = 3.0 * (X - 6.0) + SD * RNG.standard_normal(6)
DESIGN = np.column_stack([np.ones(6), X])


def test_agrees_with_statsmodels():
    ours = weighted_least_squares(DESIGN, Y, SD)
    theirs = WLS(Y, DESIGN, weights=1.0 / SD**2).fit()
    assert ours.values == pytest.approx(theirs.params, rel=1e-12)
    assert ours.covariance == pytest.approx(theirs.cov_params(), rel=1e-11)
    assert ours.scale == pytest.approx(theirs.scale, rel=1e-12)
    assert ours.residuals == pytest.approx(theirs.resid, rel=1e-9, abs=1e-12)


def test_very_strong_prior_agrees_with_scipy_absolute_sigma():
    """With the standard deviations taken as certain, no scale is learnt from the residuals."""
    ours = weighted_least_squares(DESIGN, Y, SD, prior_dof=1e12)
    values, covariance = optimize.curve_fit(
        lambda x, a, b: a + b * x, X, Y, sigma=SD, absolute_sigma=True
    )
    assert ours.values == pytest.approx(values, rel=1e-6)
    assert ours.covariance == pytest.approx(covariance, rel=1e-6)


def test_prior_mixes_the_stated_and_the_observed_scatter():
    free = weighted_least_squares(DESIGN, Y, SD)
    prior = weighted_least_squares(DESIGN, Y, SD, prior_dof=4.0)
    assert prior.scale == pytest.approx((4.0 * 1.0 + 4.0 * free.scale) / 8.0)
    assert prior.dof == 8.0


def test_one_reading_and_a_prior_give_the_reading_and_its_sd():
    fit = weighted_least_squares(np.array([[2.0]]), np.array([10.0]), np.array([0.5]), 4.0)
    assert fit.values[0] == pytest.approx(5.0)
    assert fit.standard_u[0] == pytest.approx(0.25)
    assert fit.dof == 4.0


def test_coverage_factors_agree_with_the_gum_table():
    """JCGM 100:2008, table G.2, 95 %: 4, 10 and infinite degrees of freedom (from memory; the
    same figures stand in any t-table)."""
    assert coverage_factor(4.0) == pytest.approx(2.78, abs=0.005)
    assert coverage_factor(10.0) == pytest.approx(2.23, abs=0.005)
    assert coverage_factor(1e9) == pytest.approx(1.960, abs=0.0005)


def test_line_predicts_with_its_covariance():
    line = fit_line(X, Y, SD)
    theirs = WLS(Y, DESIGN, weights=1.0 / SD**2).fit().get_prediction([[1.0, 70.0]])
    value, value_u = line.predict(70.0)
    assert value == pytest.approx(float(theirs.predicted_mean[0]), rel=1e-12)
    assert value_u == pytest.approx(float(theirs.se_mean[0]), rel=1e-11)


def test_columns_of_very_different_size_are_no_obstacle():
    fit = weighted_least_squares(DESIGN * [1e-8, 1e8], Y, SD)
    plain = weighted_least_squares(DESIGN, Y, SD)
    assert fit.values * [1e-8, 1e8] == pytest.approx(plain.values, rel=1e-12)


@pytest.mark.parametrize(
    ("design", "sd", "message"),
    [
        (np.ones((3, 2)), np.ones(3), "linearly dependent"),
        (np.zeros((3, 1)), np.ones(3), "is zero"),
        (np.ones((3, 1)), np.array([1.0, 0.0, 1.0]), "row 1: sd must be positive"),
        (np.ones((3, 1)), np.array([1.0, np.nan, 1.0]), "row 1: sd must be positive"),
        (np.ones((2, 1)), np.ones(2), "design has 2 rows"),
        (np.eye(3), np.ones(3), "cannot determine"),
    ],
)
def test_refuses_what_it_cannot_solve(design: np.ndarray, sd: np.ndarray, message: str):
    with pytest.raises(ValueError, match=message):
        weighted_least_squares(design, np.ones(3), sd)


@pytest.mark.slow
def test_holm_agrees_with_statsmodels():
    for row in np.random.default_rng(3).uniform(0.0, 0.3, (50, 7)) ** 2:
        theirs = multipletests(row, method="holm")[1]
        assert holm(row) == pytest.approx(theirs, rel=1e-12)


def test_holm_leaves_out_what_was_not_tested():
    assert holm(np.array([np.nan, 0.03, np.nan])) == pytest.approx(
        [np.nan, 0.03, np.nan], nan_ok=True
    )
    assert holm(np.array([])).size == 0
