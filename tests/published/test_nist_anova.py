"""NIST Statistical Reference Datasets, analysis of variance, SiRstv (ITL, National Institute of
Standards and Technology): resistivity of silicon, five instruments, five readings each.

Data and certified values are from memory; that they belong together, the first test shows to all
digits. Certified mean squares between and within give the variance between instruments by
restricted likelihood in a balanced layout: (between - within) / readings (Searle, Casella and
McCulloch, Variance Components, 1992, 3.8; from memory).
"""

import numpy as np
import pytest

from spreadplan.calibration.days import DayMeans, day_means, learn_day_sd

READINGS = np.array([
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
])  # fmt: skip
"""By instrument, ohm cm."""
BETWEEN, WITHIN = 1.27865654000000e-02, 1.08318280000000e-02
"""Certified mean squares, with 4 and 20 degrees of freedom."""
COPIES = 3000
"""So many trucks with the same readings leave nothing to what is assumed before any test."""


def by_day() -> DayMeans:
    """Instruments are days, readings are tests; the scatter within is the certified one."""
    off = (READINGS - READINGS.mean()).ravel()
    day = np.repeat(np.arange(5), 5)
    return day_means(off, np.full(25, np.sqrt(WITHIN)), day)


def test_data_have_the_certified_mean_squares():
    means = READINGS.mean(axis=1)
    between = 5 * ((means - READINGS.mean()) ** 2).sum() / 4
    within = ((READINGS - means[:, None]) ** 2).sum() / 20
    assert between == pytest.approx(BETWEEN, rel=1e-9)
    assert within == pytest.approx(WITHIN, rel=1e-9)


def test_means_of_days_carry_both_mean_squares():
    found = by_day()
    assert 5 * found.mean.var(ddof=1) == pytest.approx(BETWEEN, rel=1e-9)
    assert found.variance == pytest.approx(np.full(5, WITHIN / 5), rel=1e-12)


def test_the_scatter_between_days_is_that_of_restricted_likelihood():
    """0.0198; a likelihood that is not restricted would find next to none."""
    expected = np.sqrt((BETWEEN - WITHIN) / 5)
    assert learn_day_sd([by_day()] * COPIES) == pytest.approx(expected, rel=0.03)
