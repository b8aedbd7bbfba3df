"""What the rest of the season will take, as a prediction interval.

Two things are unknown: how many more storms come, and what each of them takes. Storms are taken to
come at a steady but unknown rate, so their number is Poisson with a rate that the storms so far
tell about (a gamma posterior). The use of a storm is taken as gamma distributed, with mean and
shape unknown; both are learned from the storms so far. Whatever the shape k, the sum of N more
storms over the sum S of the n storms so far then has a beta prime distribution with parameters N k
and n k, so the distribution of the season's total is a sum of known terms: nothing is simulated,
and two runs give the same figures.

What this leaves out: storms come in spells, and more of them in midwinter than at its ends; a
season that has been unlike its remainder misleads.

Method: Gelman et al., Bayesian Data Analysis, 3rd ed., 2013, 2.6 (Poisson rate with a gamma prior,
negative binomial prediction) and 2.7 (prediction with an unknown scale); the prior of the shape is
our own. Masses in short tons; any unit will do.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]

INTERVAL: Final = 0.90
"""Share of seasons that the prediction interval should hold."""
MIN_STORMS: Final = 3
"""With fewer storms their use says next to nothing about the next one; no forecast is made."""
RATE_PRIOR_STORMS: Final = 0.5
"""What is known of the rate before any storm, as a number of storms in no time: Jeffreys' prior
of a Poisson rate."""
SHAPES: Final[Floats] = np.exp(np.linspace(np.log(0.6), np.log(60.0), 31))
"""Shapes tried: the coefficient of variation between storms is 1 / sqrt(shape), 13 to 130 %."""
SHAPE_CENTRE: Final = 3.0
SHAPE_LOG_SD: Final = 0.8
"""Before any storm: the shape lies around 3 (storms differ by 58 %), within 0.6 and 15 mostly.
An assumption of ours, no source."""
LEFT_OUT: Final = 1e-7
"""Probability of more storms than are summed over."""

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


def shape_weights(uses: Floats) -> Floats:
    """Posterior probability of each of `SHAPES`, given the use of the storms so far, all > 0.

    The scale is integrated out with a prior flat in its logarithm: the likelihood of shape k is
    prod(x)^(k-1) Gamma(n k) / (Gamma(k)^n S^(n k)).
    """
    n, total = len(uses), float(uses.sum())
    log_weight = (
        (SHAPES - 1.0) * np.log(uses).sum()
        + special.gammaln(n * SHAPES)
        - n * special.gammaln(SHAPES)
        - n * SHAPES * np.log(total)
        - 0.5 * (np.log(SHAPES / SHAPE_CENTRE) / SHAPE_LOG_SD) ** 2
    )
    weight = np.exp(log_weight - log_weight.max())
    result: Floats = weight / weight.sum()
    return result


@dataclass(frozen=True, kw_only=True)
class SeasonForecast:
    """Prediction of the season's total.

    Attributes
    ----------
    uses : use of each storm so far that took any, shape (n,).
    used_u : standard uncertainty of their sum. The error of measurement is common: if the past was
        5 % more than thought, what is to come will be too.
    days_past, days_left : of the season.
    earlier_storms, earlier_days : storms and days of earlier seasons, where known, for the rate.
    """

    uses: Floats
    used_u: float
    days_past: float
    days_left: float
    earlier_storms: float = 0.0
    earlier_days: float = 0.0

    @property
    def used(self) -> float:
        """Use so far."""
        return float(self.uses.sum())

    @property
    def possible(self) -> bool:
        """Whether there is enough to forecast from, or nothing left to forecast."""
        return self.days_left <= 0.0 or (len(self.uses) >= MIN_STORMS and self.days_past > 0.0)

    @cached_property
    def storm_counts(self) -> Floats:
        """Probability of 0, 1, 2, ... more storms."""
        if self.days_left <= 0.0:
            return np.array([1.0])
        seen = RATE_PRIOR_STORMS + len(self.uses) + self.earlier_storms
        days = self.days_past + self.earlier_days
        from scipy import stats  # late: it is slow to import

        count = stats.nbinom(seen, days / (days + self.days_left))
        most = int(count.isf(LEFT_OUT)) + 1
        chance: Floats = np.asarray(count.pmf(np.arange(most + 1)), dtype=float)
        chance /= chance.sum()
        return chance

    @property
    def storms_to_come(self) -> float:
        """Expected number of storms to come."""
        return float(self.storm_counts @ np.arange(len(self.storm_counts)))

    @cached_property
    def _shape_weights(self) -> Floats:
        return shape_weights(self.uses)

    @property
    def to_come(self) -> float:
        """Expected use still to come."""
        k, n = SHAPES, len(self.uses)
        if self.days_left <= 0.0:
            return 0.0
        per_storm = self.used * float(self._shape_weights @ (k / (n * k - 1.0)))
        return self.storms_to_come * per_storm

    @property
    def expected(self) -> float:
        """Expected total of the season."""
        return self.used + self.to_come

    def future_cdf(self, amount: Floats) -> Floats:
        """Probability that what is to come takes no more than an amount, measured as so far.

        ``amount`` : any shape; below 0 the probability is 0.
        """
        amount = np.asarray(amount, dtype=float)
        share = np.maximum(amount, 0.0) / (np.maximum(amount, 0.0) + self.used)
        storms = np.arange(1, len(self.storm_counts))
        likely = self._shape_weights > LEFT_OUT
        shapes = SHAPES[likely]
        a, b = storms[:, None] * shapes, len(self.uses) * shapes
        held = special.betainc(a, b, share[..., None, None]) @ self._shape_weights[likely]
        chance = self.storm_counts[0] + held @ self.storm_counts[1:]
        return np.where(amount < 0.0, 0.0, chance)

    def cdf(self, total: Floats | float) -> Floats:
        """Probability that the season's total is no more than ``total``; any shape."""
        total = np.asarray(total, dtype=float)
        if self.days_left <= 0.0:
            z = (total - self.used) / self.used_u if self.used_u > 0.0 else None
            return special.ndtr(z) if z is not None else (total >= self.used).astype(float)
        if self.used_u == 0.0:
            return self.future_cdf(total - self.used)
        scale = np.maximum(1.0 + self.used_u / self.used * _NODES, 1e-3)
        parts = self.future_cdf(total[..., None] / scale - self.used)
        result: Floats = parts @ _WEIGHTS
        return result

    def quantile(self, share: float) -> float:
        """The total that the season stays below with probability ``share``."""
        if self.days_left <= 0.0:
            return self.used + float(special.ndtri(share)) * self.used_u
        from scipy import optimize  # late: it is slow to import

        low, high = 0.0, self.used + max(self.to_come, self.used)
        while float(self.cdf(high)) < share:
            high *= 2.0
        root = optimize.brentq(
            lambda total: float(self.cdf(total)) - share, low, high, xtol=1e-5 * high
        )
        return float(root)

    def interval(self) -> tuple[float, float]:
        """Ends of the 90 % prediction interval of the season's total."""
        tail = (1.0 - INTERVAL) / 2.0
        return self.quantile(tail), self.quantile(1.0 - tail)

    def p_above(self, limit: float) -> float:
        """Probability that the season's total exceeds a limit."""
        return 1.0 - float(self.cdf(limit))


def forecast_season(
    uses: Floats,
    used_u: float,
    *,
    start: pd.Timestamp,
    as_of: pd.Timestamp,
    end: pd.Timestamp,
    earlier_storms: float = 0.0,
    earlier_days: float = 0.0,
) -> SeasonForecast:
    """Forecast from the storms so far.

    Parameters
    ----------
    uses : use of each storm, shape (storms,); storms that took none are left out, so that the rate
        is that of storms which take some.
    used_u : standard uncertainty of the sum.
    start, as_of, end : of the season, and the date up to which the storms are known.
    """
    day = pd.Timedelta(days=1)
    return SeasonForecast(
        uses=np.asarray(uses, dtype=float)[np.asarray(uses) > 0.0],
        used_u=used_u,
        days_past=max((as_of - start) / day, 0.0),
        days_left=max((end - as_of) / day, 0.0),
        earlier_storms=earlier_storms,
        earlier_days=earlier_days,
    )


def burn_down(
    use_by_storm: pd.DataFrame,
    *,
    used_u: float,
    start: pd.Timestamp,
    as_of: pd.Timestamp,
    end: pd.Timestamp,
    steps: int = 12,
    **earlier: float,
) -> pd.DataFrame:
    """The course of the season for a chart: what was used, and what is to be expected.

    Parameters
    ----------
    use_by_storm : start (UTC), use; one row a storm.
    steps : how many dates from ``as_of`` to ``end``.

    Returns
    -------
    date, part ("used" or "forecast"), used (cumulative; NaN in the forecast), expected, lo, hi
    (90 % prediction interval; NaN where there are too few storms to forecast from).
    """
    ordered = use_by_storm.sort_values("start", kind="stable")
    dates = pd.DatetimeIndex([start, *ordered["start"], as_of])
    used = np.concatenate([[0.0], ordered["use"].cumsum().to_numpy(dtype=float)])
    past = pd.DataFrame(
        {
            "date": dates,
            "part": "used",
            "used": np.append(used, used[-1]),
            "expected": np.nan,
            "lo": np.nan,
            "hi": np.nan,
        }
    )
    rows: list[dict[str, Any]] = []
    dates_left = [as_of + (end - as_of) * step / steps for step in range(steps + 1)]
    for date in dates_left if end > as_of else []:
        found = forecast_season(
            ordered["use"].to_numpy(dtype=float),
            used_u,
            start=start,
            as_of=as_of,
            end=date,
            **earlier,
        )
        ends = found.interval() if found.possible else (np.nan, np.nan)
        expected = found.expected if found.possible else np.nan
        rows.append(
            {
                "date": date,
                "part": "forecast",
                "used": np.nan,
                "expected": expected,
                "lo": ends[0],
                "hi": ends[1],
            }
        )
    return pd.concat([past, pd.DataFrame(rows)], ignore_index=True) if rows else past
