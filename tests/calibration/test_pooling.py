"""What the rest of the fleet tells of a truck's scatter."""

from typing import Any

import numpy as np
import pytest
from scipy import integrate, stats

from spreadplan.calibration.pooling import (
    ALIKE,
    ASSUMED,
    USUAL,
    Repeatability,
    Residuals,
    _log_likelihood,
    learn_from_others,
)


def truck(rng: np.random.Generator, scatter: float, tests: int = 5) -> Residuals:
    """Residuals of repeats about their mean, without any error of measurement."""
    runs = 1.0 + scatter * rng.standard_normal(tests)
    return Residuals(runs / runs.mean() - 1.0, np.zeros(tests), tests - 1)


def test_without_others_the_assumption_stands():
    rng = np.random.default_rng(1)
    single = Residuals(np.zeros(1), np.zeros(1), 0)
    assert learn_from_others([truck(rng, 0.08)]) == [ASSUMED]
    alone, repeated = learn_from_others([single, truck(rng, 0.08)])
    assert alone.relative > ASSUMED.relative
    assert repeated == ASSUMED
    assert learn_from_others([]) == []


@pytest.mark.parametrize("scatter", [0.01, 0.03, 0.06])
def test_a_fleet_shows_its_scatter(scatter: float):
    rng = np.random.default_rng(2)
    found = learn_from_others([truck(rng, scatter) for _ in range(12)])
    assert [one.relative for one in found] == pytest.approx([scatter] * 12, rel=0.25)
    assert min(one.dof for one in found) > ASSUMED.dof


def test_one_wild_truck_does_not_ruin_the_fleet():
    rng = np.random.default_rng(3)
    steady = [truck(rng, 0.02) for _ in range(9)]
    without = learn_from_others(steady)
    with_wild = learn_from_others([*steady, truck(rng, 0.30)])
    for before, after in zip(without, with_wild[:-1], strict=True):
        assert after.relative < 1.35 * before.relative
    # it is itself judged by the steady ones
    assert with_wild[-1].relative == pytest.approx(0.02, rel=0.25)


def test_a_trucks_own_tests_do_not_count_twice():
    rng = np.random.default_rng(4)
    fleet = [truck(rng, 0.03) for _ in range(4)]
    other = [truck(rng, 0.20), *fleet[1:]]
    before, after = learn_from_others(fleet)[0], learn_from_others(other)[0]
    assert after.relative == pytest.approx(before.relative, rel=1e-9)
    assert after.dof == pytest.approx(before.dof, rel=1e-9)


def test_measurement_is_not_taken_for_scatter():
    """Residuals as large as weighing explains leave little for the spreader itself."""
    rng = np.random.default_rng(5)
    measured = [Residuals(0.03 * rng.standard_normal(5), np.full(5, 0.03), 5) for _ in range(12)]
    plain = [Residuals(one.relative, np.zeros(5), 5) for one in measured]
    assert learn_from_others(measured)[0].relative < 0.6 * learn_from_others(plain)[0].relative


def test_likelihood_agrees_with_numerical_integration():
    """The truck's own variance integrated out by quadrature, up to one common constant."""
    one = truck(np.random.default_rng(6), 0.03, 4)
    squares = float(np.sum(one.relative**2))
    found = _log_likelihood(one)
    expected = np.zeros((3, ALIKE.size))
    rows = [20, 32, 44]
    for i, row in enumerate(rows):
        for j, alike in enumerate(ALIKE):
            # variance = usual**2 * alike / chi2(alike)
            prior = stats.invgamma(alike / 2.0, scale=alike / 2.0 * USUAL[row] ** 2)

            def joint(v: float, prior: Any = prior) -> float:
                return float(prior.pdf(v) * v ** (-one.spare / 2) * np.exp(-squares / 2 / v))

            value, _ = integrate.quad(joint, 0.0, 0.05, limit=500, points=[1e-4, 5e-4, 2e-3])
            expected[i, j] = np.log(value)
    shift = found[rows] - expected
    assert shift == pytest.approx(np.full_like(shift, shift[0, 0]), abs=2e-3)


def test_the_distribution_of_a_large_fleet_is_found():
    """Smyth 2004, section 3: variances drawn as usual**2 * d / chi2(d), here with d = 8."""
    rng = np.random.default_rng(7)
    fleet = [truck(rng, 0.03 * np.sqrt(8.0 / rng.chisquare(8.0)), 6) for _ in range(400)]
    found = learn_from_others(fleet)[0]
    assert isinstance(found, Repeatability)
    assert found.relative == pytest.approx(0.03, rel=0.06)
    assert found.dof == pytest.approx(8.0, rel=0.35)
