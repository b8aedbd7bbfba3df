"""JCGM 100:2008 (GUM), example H.3: calibration of a thermometer, table H.6.

Data and published results were read in the manual of a national metrology library that states its
agreement with the GUM. Published figures are rounded, so they are compared at their last digit;
the full-precision figures were recomputed from the data in exact arithmetic.
"""

import numpy as np
import pytest

from spreadplan.calibration.fit import fit_line, weighted_least_squares
from spreadplan.metrology import propagate

READING_C = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
CORRECTION_C = np.array(
    [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
)
REFERENCE_C = 20.0


def test_line_agrees_with_the_published_fit():
    line = fit_line(READING_C - REFERENCE_C, CORRECTION_C)
    correlation = line.covariance[0, 1] / (line.intercept_u * line.slope_u)
    assert line.intercept == pytest.approx(-0.1712, abs=0.00005)
    assert line.intercept_u == pytest.approx(0.0029, abs=0.00005)
    assert line.slope == pytest.approx(0.00218, abs=0.000005)
    assert line.slope_u == pytest.approx(0.00067, abs=0.000005)
    assert correlation == pytest.approx(-0.930, abs=0.0005)
    assert line.residual_sd == pytest.approx(0.0035, abs=0.00005)
    assert line.dof == 9


def test_prediction_at_30_c_agrees_with_the_published_one():
    line = fit_line(READING_C - REFERENCE_C, CORRECTION_C)
    value, value_u = line.predict(30.0 - REFERENCE_C)
    assert value == pytest.approx(-0.1494, abs=0.00005)
    assert value_u == pytest.approx(0.0041, abs=0.00005)


def test_line_agrees_with_the_recomputation_in_full_precision():
    line = fit_line(READING_C - REFERENCE_C, CORRECTION_C)
    assert line.intercept == pytest.approx(-0.17120379013135, rel=1e-11)
    assert line.intercept_u == pytest.approx(0.00287759783516, rel=1e-11)
    assert line.slope == pytest.approx(0.00218269773989, rel=1e-11)
    assert line.slope_u == pytest.approx(0.00066793877323, rel=1e-11)
    value, value_u = line.predict(10.0)
    assert value == pytest.approx(-0.149376812732, rel=1e-11)
    assert value_u == pytest.approx(0.00413859575285, rel=1e-11)


def test_prediction_does_not_depend_on_the_reference_temperature():
    """About the mean reading, intercept and slope are uncorrelated; the prediction stays."""
    mean_c = READING_C.mean()
    fit = weighted_least_squares(
        np.column_stack([np.ones(11), READING_C - mean_c]), CORRECTION_C, np.ones(11)
    )
    predicted_u = propagate(np.array([1.0, 30.0 - mean_c]), fit.covariance)
    assert predicted_u == pytest.approx(0.00413859575285, rel=1e-11)
    assert fit.covariance[0, 1] == pytest.approx(0.0, abs=1e-18)
