"""What the other models of a material tell of a model's run-to-run scatter, in plain Python.

The variance of a model's runs is drawn from its fleet's scaled inverse chi-squared distribution,
usual**2 * d / chi2(d). Both figures are averaged over a grid, weighted by how well they explain the
residuals of the others. Source: Smyth, Linear models and empirical Bayes methods for assessing
differential expression in microarray experiments, Statistical Applications in Genetics and
Molecular Biology 3 (2004), article 3, sections 3 and 6.2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

GRID = [0.003 * (0.20 / 0.003) ** (step / 63) for step in range(64)]
ALIKE = (4.0, 8.0, 16.0, 32.0, 64.0)
CENTRE, LOG_SD = 0.03, 0.5


@dataclass(frozen=True)
class Scatter:
    """Relative residuals of a first fit, each with its measurement's uncertainty."""

    residuals: tuple[tuple[float, float], ...]
    spare: int


def digamma(x: float) -> float:
    """NIST DLMF 5.5.2 and 5.11.2."""
    shift = 0.0
    while x < 12.0:
        shift -= 1.0 / x
        x += 1.0
    y = 1.0 / x**2
    series = y * (1 / 12 - y * (1 / 120 - y * (1 / 252 - y * (1 / 240 - y / 132))))
    return shift + math.log(x) - 0.5 / x - series


def trigamma(x: float) -> float:
    """The derivative of `digamma`, from the same two formulas."""
    shift = 0.0
    while x < 12.0:
        shift += 1.0 / x**2
        x += 1.0
    y = 1.0 / x**2
    series = y * (1 / 6 - y * (1 / 30 - y * (1 / 42 - y * (1 / 30 - y * 5 / 66))))
    return shift + 1.0 / x + 0.5 * y + series / x


def learned(own: int, fleet: Sequence[Scatter]) -> tuple[float, float] | None:
    """Relative scatter and its degrees of freedom from all but one; None if they tell nothing."""
    others = [one for place, one in enumerate(fleet) if place != own and one.spare > 0]
    if not others:
        return None
    weights, means, variances = [], [], []
    for usual in GRID:
        before = -0.5 * (math.log(usual / CENTRE) / LOG_SD) ** 2
        for alike in ALIKE:
            weights.append(before + sum(_log_density(one, usual, alike) for one in others))
            means.append(2 * math.log(usual) + math.log(alike / 2) - digamma(alike / 2))
            variances.append(trigamma(alike / 2))
    most = max(weights)
    shares = [math.exp(weight - most) for weight in weights]
    total = sum(shares)
    centre = sum(s * m for s, m in zip(shares, means, strict=True)) / total
    spread = (
        sum(s * ((m - centre) ** 2 + v) for s, m, v in zip(shares, means, variances, strict=True))
        / total
    )
    low, high = 1e-3, 1e6
    for _ in range(200):  # trigamma falls
        middle = math.sqrt(low * high)
        low, high = (middle, high) if trigamma(middle) > spread else (low, middle)
    log_square = centre - math.log(low) + digamma(low)
    return math.exp(log_square / 2), 2 * low


def _log_density(one: Scatter, usual: float, alike: float) -> float:
    """Student's t in as many dimensions as there are degrees of freedom, the constant left out."""
    sd = [math.hypot(u, usual) for _, u in one.residuals]
    squares = sum((r / s) ** 2 for (r, _), s in zip(one.residuals, sd, strict=True))
    log_sd = sum(math.log(s) for s in sd) / len(sd)
    both = alike + one.spare
    size = math.lgamma(both / 2) - math.lgamma(alike / 2) - one.spare / 2 * math.log(alike)
    return size - one.spare * log_sd - both / 2 * math.log1p(squares / alike)
