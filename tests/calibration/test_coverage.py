"""Do the 95 % intervals hold the truth in 95 % of simulated calibrations?

Seeded; measured when written: 92.8 to 98.2 % over all cases and outputs. The whole of a season is
measured by ``tests/benchmarks/coverage_of_truth.py``.
"""

import numpy as np
import pytest

from spreadplan.calibration.counts import fit_counts
from spreadplan.calibration.curve import fit_curve
from spreadplan.calibration.pooling import Residuals, learn_from_others
from spreadplan.metrology import coverage_factor

pytestmark = pytest.mark.slow

SIMULATIONS = 400
GRID = np.array([25.0, 40.0, 60.0, 80.0, 100.0])
# Standard deviation of a share of 95 % in 400 simulations is 1.1 %: three of them below.
LEAST = 0.95 - 3.0 * np.sqrt(0.95 * 0.05 / SIMULATIONS)


def coverage(outputs: list[float], saturation_pct: float, seed: int) -> np.ndarray:
    """Share of intervals that hold the true mean discharge at each output of the grid.

    Spreaders are drawn from what the method assumes: start-up at 0 ± 5 points, and a
    repeatability of 3 % known with 4 degrees of freedom, so some spreaders are twice as bad.
    """
    rng = np.random.default_rng(seed)
    at = np.array(outputs)
    held = np.zeros(len(GRID))
    for _ in range(SIMULATIONS):
        start = rng.normal(0.0, 5.0)
        factor = np.sqrt(4.0 / rng.chisquare(4.0))

        def true(output: np.ndarray, start: float = start) -> np.ndarray:
            return 3.0 * np.maximum(np.minimum(output, saturation_pct) - start, 0.0)

        run = true(at) * (1.0 + 0.03 * factor * rng.standard_normal(len(at)))
        u = 0.005 * run + 0.3
        curve = fit_curve(at, run + factor * u * rng.standard_normal(len(at)), u)
        assert curve is not None
        low, high = curve.interval(GRID, 0.95)
        held += (low <= true(GRID)) & (true(GRID) <= high)
    return held / SIMULATIONS


@pytest.mark.parametrize(
    ("outputs", "saturation_pct"),
    [
        ([60.0], np.inf),
        ([40.0, 80.0], np.inf),
        ([30.0, 60.0, 90.0], np.inf),
        ([20.0, 40.0, 60.0, 80.0, 100.0], np.inf),
        ([20.0, 40.0, 60.0, 80.0, 100.0], 72.0),
    ],
    ids=["one", "two", "three", "five", "five, saturating"],
)
def test_intervals_hold_the_truth(outputs: list[float], saturation_pct: float):
    shares = coverage(outputs, saturation_pct, seed=len(outputs))
    # Choosing the form from the same tests costs a little: two points more are conceded.
    assert shares.min() >= LEAST - 0.02
    # An interval that always holds the truth would be too wide to be of use.
    assert shares.min() < 1.0


FLEETS = 60
TRUCKS = 8
TESTS = 3
COUNTS = np.full(TESTS, 800.0)
AT = np.full(TESTS, 38.0)


def fleet_coverage(scatter: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Error of the mass per count over its standard uncertainty, and degrees of freedom.

    Shape (fleets, trucks) each.

    Every truck of a fleet repeats to ``scatter`` (within a factor of about 1.2) and has three
    tests, weighed to 0.3 %.
    """
    rng = np.random.default_rng(seed)
    ratio, dof = np.zeros((2, FLEETS, TRUCKS))
    for fleet in range(FLEETS):
        sd = np.hypot(0.003, scatter * np.exp(rng.normal(0.0, 0.2, (TRUCKS, 1))))
        runs = 240.0 * (1.0 + sd * rng.standard_normal((TRUCKS, TESTS)))
        u = np.full(TESTS, 0.003 * 0.3)
        usual = learn_from_others(
            [Residuals(one / one.mean() - 1.0, np.full(TESTS, 0.003), TESTS - 1) for one in runs]
        )
        for truck, (one, known) in enumerate(zip(runs, usual, strict=True)):
            found = fit_counts(AT, one, COUNTS, u, known)
            assert found is not None
            ratio[fleet, truck] = (found.lb_per_count - 0.3) / found.lb_per_count_u
            dof[fleet, truck] = found.dof
    return ratio, dof


@pytest.mark.parametrize("scatter", [0.01, 0.03, 0.06])
@pytest.mark.parametrize("confidence", [0.80, 0.95])
def test_a_fleet_learns_its_own_scatter(scatter: float, confidence: float):
    """Within two points of the stated confidence, give or take three standard errors over fleets.

    Intervals 1.5 times too narrow lie outside; so do, at 80 %, those 1.5 times too wide, which at
    95 % can hardly be told.
    """
    ratio, dof = fleet_coverage(scatter, seed=8)
    reach = np.vectorize(coverage_factor)(dof, confidence)
    shares = [(np.abs(ratio) <= factor * reach).mean(axis=1) for factor in (1.0, 1 / 1.5, 1.5)]
    noise = 3.0 * shares[0].std() / np.sqrt(FLEETS)
    right, narrow, wide = (share.mean() for share in shares)
    print(f"{scatter}: {right:.3f} +- {noise:.3f}; {narrow:.3f} and {wide:.3f}")
    low, high = confidence - 0.02 - noise, confidence + 0.02 + noise
    assert low < right < high
    assert narrow < low
    assert wide > high or confidence > 0.9
