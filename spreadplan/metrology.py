"""Uncertainty: coverage factors, intervals, propagation, guard bands. One room for all of it.

Every interval that is called 95 % has the coverage `COVERAGE`, and its factor comes from here.

Source: JCGM 100:2008 (GUM) and JCGM 106:2012, equation by equation below.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]

COVERAGE: Final = 0.95
"""The share of cases in which an interval holds the true value."""
TAIL: Final = (1.0 - COVERAGE) / 2.0
"""The share on either side of such an interval."""


def coverage_factor(dof: Any, confidence: float = COVERAGE) -> Any:
    """Two-sided Student factor that turns a standard uncertainty into an interval.

    Parameters
    ----------
    dof : degrees of freedom, > 0; infinity is the normal distribution. Scalar or any shape.
    confidence : share of cases in which the interval holds the true value, 0 to 1.

    Returns
    -------
    The factor: a float for a scalar, else an array of the shape of ``dof``.

    Source: JCGM 100:2008, annex G.3.

    >>> round(coverage_factor(4.0), 3), round(coverage_factor(np.inf), 3)
    (2.776, 1.96)
    """
    known = np.asarray(dof, dtype=float)
    share = 0.5 + confidence / 2.0
    normal = np.isinf(known)
    factor = np.where(
        normal, special.ndtri(share), special.stdtrit(np.where(normal, 1.0, known), share)
    )
    return float(factor) if factor.ndim == 0 else factor


Z95: Final[float] = coverage_factor(np.inf)
"""The factor of a normal error."""


def interval(
    value: Floats, u: Floats, dof: Floats, confidence: float = COVERAGE
) -> tuple[Floats, Floats]:
    """Both ends of an interval about values with standard uncertainties ``u``; shapes broadcast."""
    half = coverage_factor(dof, confidence) * u
    return value - half, value + half


def standard_u(low: Floats, high: Floats) -> Floats:
    """The standard uncertainty that a normal interval of `COVERAGE` was made from."""
    found: Floats = (high - low) / (2.0 * Z95)
    return found


def two_sided_p(ratio: Any, dof: Any) -> Any:
    """Probability of a ratio of value to standard uncertainty this far from 0, by chance alone.

    Scalars or arrays; infinite degrees of freedom are the normal distribution.
    """
    below = -np.abs(np.asarray(ratio, dtype=float))
    known = np.asarray(dof, dtype=float)
    normal = np.isinf(known)
    tail = np.where(normal, special.ndtr(below), special.stdtr(np.where(normal, 1.0, known), below))
    return float(2.0 * tail) if tail.ndim == 0 else 2.0 * tail


def propagate(gradient: Floats, covariance: Floats) -> Floats:
    """Standard uncertainty of a linear combination of correlated values.

    Parameters
    ----------
    gradient : shape (..., p).
    covariance : shape (p, p).

    Returns
    -------
    sqrt(g' V g), shape (...).

    Source: JCGM 100:2008, equation (13).
    """
    variance = np.einsum("...i,ij,...j->...", gradient, covariance, gradient)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def probability_above(estimate: Floats, u: Floats, limit: Floats) -> Floats:
    """Probability that the true value lies above a limit, normal errors.

    Parameters
    ----------
    estimate, u, limit : in one unit; shapes broadcast. ``u`` is the standard uncertainty, >= 0;
        where it is 0 the answer is 0 or 1, a value at the limit is not above it.

    Source: JCGM 106:2012, 7.2.2: the probability of conforming to one upper limit is
    Phi((limit - estimate) / u).

    >>> float(probability_above(np.array(110.0), np.array(5.0), np.array(110.0)))
    0.5
    """
    estimate, u, limit = np.broadcast_arrays(estimate, u, limit)
    certain = u == 0.0
    z = (estimate - limit) / np.where(certain, 1.0, u)
    above: Floats = np.where(certain, (z > 0.0).astype(float), special.ndtr(z))
    return np.where(np.isnan(z), np.nan, above)


def holm(p_values: Floats) -> Floats:
    """p-values adjusted for how many findings are looked for together.

    Taking as true what stays below a level keeps the chance of any false finding below that level.

    Parameters
    ----------
    p_values : shape (n,), NaN where nothing was tested: it doesn't count and stays NaN.

    Source: Holm, A simple sequentially rejective multiple test procedure, Scandinavian Journal of
    Statistics 6 (1979), 65-70.

    >>> holm(np.array([0.02, 0.004, 0.30]))
    array([0.04 , 0.012, 0.3  ])
    """
    tested = np.flatnonzero(np.isfinite(p_values))
    order = tested[np.argsort(p_values[tested], kind="stable")]
    left = np.arange(len(order), 0, -1)
    adjusted = np.full(len(p_values), np.nan)
    adjusted[order] = np.minimum(np.maximum.accumulate(left * p_values[order]), 1.0)
    return adjusted
