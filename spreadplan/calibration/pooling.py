"""What the rest of the fleet tells of a truck's run-to-run scatter (empirical Bayes).

A truck with few tests cannot show its own scatter. The variance s**2 of a truck's runs is taken as
drawn from a scaled inverse chi-squared distribution of its fleet, ``usual**2 * d / chi2(d)``. Both
figures are learned from the residuals of the *other* trucks, on a grid; what is left unknown of
them widens the distribution. A wild truck lies in its long tail and says little of the others.

Source: Smyth, Linear models and empirical Bayes methods for assessing differential expression in
microarray experiments, Statistical Applications in Genetics and Molecular Biology 3 (2004), article
3, sections 3 and 6.2 (moments of the logarithm of a variance). Here the two figures are averaged
over instead of estimated, since a fleet has ten trucks, not ten thousand genes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from spreadplan.calibration.assumptions import FLEET_LOG_SD, PRIOR_DOF, REPEATABILITY_REL
from spreadplan.calibration.fit import FloatArray

USUAL: Final[FloatArray] = np.geomspace(0.003, 0.20, 64)
"""Grid of a fleet's usual run-to-run scatter, relative."""
ALIKE: Final[FloatArray] = np.array([4.0, 8.0, 16.0, 32.0, 64.0])
"""Grid of how alike the trucks of a fleet are: the degrees of freedom of their distribution. Equal
weight each, no source."""


@dataclass(frozen=True)
class Repeatability:
    """What is known of a truck's run-to-run scatter before its own tests.

    relative : relative standard deviation of one run about the mean.
    dof : degrees of freedom that this is worth.
    """

    relative: float = REPEATABILITY_REL
    dof: float = PRIOR_DOF


ASSUMED: Final = Repeatability()
"""Where no other truck tells anything."""


@dataclass(frozen=True, eq=False)
class Residuals:
    """How one truck's tests scatter about their fit.

    relative : residual over fitted value, shape (n,).
    measured_u : relative standard uncertainty of weighing and timing, shape (n,).
    spare : degrees of freedom left by the fit, 0 to n.
    """

    relative: FloatArray
    measured_u: FloatArray
    spare: int


def learn_from_others(trucks: Sequence[Residuals]) -> list[Repeatability]:
    """For each truck, what all the others say of its scatter.

    Parameters
    ----------
    trucks : residuals of each truck of a fleet, in any order.

    Returns
    -------
    One `Repeatability` a truck, in the same order: a scaled inverse chi-squared distribution with
    the mean and variance of ln s**2 that follow from the others. `ASSUMED` where no other truck has
    a degree of freedom to spare.
    """
    log_like = [_log_likelihood(one) for one in trucks]
    total = np.sum(log_like, axis=0) if log_like else np.zeros((USUAL.size, ALIKE.size))
    spare = sum(one.spare for one in trucks)
    return [
        _matched(total - own) if spare > one.spare else ASSUMED
        for one, own in zip(trucks, log_like, strict=True)
    ]


def _log_likelihood(one: Residuals) -> FloatArray:
    """Logarithm of the likelihood of a truck's residuals, shape of (USUAL, ALIKE).

    With the truck's own variance integrated out they follow a t distribution in ``spare``
    dimensions.
    """
    if one.spare == 0:
        return np.zeros((USUAL.size, ALIKE.size))
    sd = np.hypot(one.measured_u, USUAL[:, None])
    squares = np.sum((one.relative / sd) ** 2, axis=1)
    spread = one.spare * np.mean(np.log(sd), axis=1)
    both = ALIKE + one.spare
    size = special.gammaln(both / 2.0) - special.gammaln(ALIKE / 2.0)
    result: FloatArray = (
        size
        - one.spare / 2.0 * np.log(ALIKE)
        - spread[:, None]
        - both / 2.0 * np.log1p(squares[:, None] / ALIKE)
    )
    return result


def _matched(log_like: FloatArray) -> Repeatability:
    """The scaled inverse chi-squared distribution with the moments of ln s**2 of the mixture."""
    log_prior = -0.5 * (np.log(USUAL / REPEATABILITY_REL) / FLEET_LOG_SD) ** 2
    log_weight = log_like + log_prior[:, None]
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean = 2.0 * np.log(USUAL)[:, None] + np.log(ALIKE / 2.0) - special.digamma(ALIKE / 2.0)
    centre = float(np.sum(weight * mean))
    variance = float(np.sum(weight * ((mean - centre) ** 2 + special.polygamma(1, ALIKE / 2.0))))
    dof = 2.0 * _inverse_trigamma(variance)
    log_square = centre - np.log(dof / 2.0) + special.digamma(dof / 2.0)
    return Repeatability(float(np.exp(log_square / 2.0)), dof)


def _inverse_trigamma(value: float) -> float:
    """The argument at which the trigamma function has a value above 0.

    Source: Smyth, Linear models and empirical Bayes methods for assessing differential expression
    in microarray experiments, Statistical Applications in Genetics and Molecular Biology 3 (2004),
    appendix: Newton's method on the reciprocal, nearly a line, so that it cannot overshoot.

    >>> round(_inverse_trigamma(float(special.polygamma(1, 3.7))), 12)
    3.7
    """
    at = 0.5 + 1.0 / value
    for _ in range(50):
        slope = float(special.polygamma(2, at))
        now = float(special.polygamma(1, at))
        step = now * (1.0 - now / value) / slope
        at += step
        if abs(step) <= 1e-14 * at:
            break
    return at
