"""Conformance probability and guard bands against published statements.

The formulae are those of JCGM 106:2012, Evaluation of measurement data: the role of measurement
uncertainty in conformity assessment. Its text could not be read while these tests were written, so
the figures of its worked examples are from memory and serve as inputs only: what is expected is
computed here, independently, by numerical integration of the normal density.
"""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pytest
from scipy import integrate

from spreadplan.metrology import probability_above


def density(value: float, estimate: float, u: float) -> float:
    """The normal density, written out."""
    return float(np.exp(-0.5 * ((value - estimate) / u) ** 2) / (u * np.sqrt(2.0 * np.pi)))


def integral(estimate: float, u: float, low: float, high: float) -> float:
    found, _ = integrate.quad(density, low, high, args=(estimate, u), epsabs=1e-13)
    return float(found)


@pytest.mark.parametrize(
    ("estimate", "u", "limit"),
    [(-5.47, 0.05, -5.40), (509.7, 8.6, 490.0), (13.6, 1.8, 12.5), (13.6, 1.8, 16.3)],
    ids=["diode, upper limit", "container, lower limit", "oil, lower limit", "oil, upper limit"],
)
def test_examples_of_jcgm_106_against_quadrature(estimate: float, u: float, limit: float) -> None:
    """JCGM 106:2012, examples of clause 7 (inputs from memory): one-sided probabilities."""
    found = probability_above(np.array(estimate), np.array(u), np.array(limit))
    expected = integral(estimate, u, limit, estimate + 12.0 * u)
    assert float(found) == pytest.approx(expected, abs=1e-10)


def test_two_sided_probability_is_the_difference_of_two_one_sided():
    """JCGM 106:2012, 7 (formula from memory): inside both limits is above one, not the other."""
    estimate, u = np.array(13.6), np.array(1.8)
    inside = probability_above(estimate, u, np.array(12.5)) - probability_above(
        estimate, u, np.array(16.3)
    )
    assert float(inside) == pytest.approx(integral(13.6, 1.8, 12.5, 16.3), abs=1e-10)


def test_simple_acceptance_risks_half_at_the_limit():
    """ILAC-G8:09/2019, Guidelines on Decision Rules, simple acceptance, w = 0: risk up to 50 %."""
    at_limit = probability_above(np.array(10.0), np.array(0.7), np.array(10.0))
    assert float(at_limit) == 0.5


@pytest.mark.parametrize("u", [0.01, 1.0, 250.0])
def test_a_guard_band_of_the_expanded_uncertainty_risks_less_than_2_5_percent(u: float) -> None:
    """ILAC-G8:09/2019, Guidelines on Decision Rules: w = U (95 %, k = 2), risk below 2.5 %."""
    limit = 100.0
    risk = float(probability_above(np.array(limit - 2.0 * u), np.array(u), np.array(limit)))
    assert 0.02 < risk < 0.025


@pytest.mark.parametrize("confidence", [0.8, 0.9, 0.95, 0.99, 0.999])
def test_the_guard_band_gives_the_confidence_asked_for(confidence: float) -> None:
    """JCGM 106:2012, 8.3.2: w = r U, for one limit and normal errors z u; checked by quadrature."""
    u, limit = 3.0, 50.0
    estimate = limit + NormalDist().inv_cdf(confidence) * u
    assert integral(estimate, u, limit, estimate + 12.0 * u) == pytest.approx(confidence, abs=1e-10)
    above = float(probability_above(np.array(estimate), np.array(u), np.array(limit)))
    assert above == pytest.approx(confidence, abs=1e-12)


def test_certain_values():
    found = probability_above(np.array([1.0, 2.0, 3.0]), np.zeros(3), np.array(2.0))
    assert found.tolist() == [0.0, 0.0, 1.0]
