"""What all runs of one day have in common, as the tests of a fleet on several days show it.

Salt is wetter or drier, colder or coarser on another day, and the hydraulics are set up anew. All
tests of a day share that, so more runs on one day don't average it out. Its standard deviation is
learnt from trucks that were tested on several days, on a grid, starting from an assumed one.

Source: one-way random effects by restricted likelihood, Searle, Casella and McCulloch, Variance
Components, 1992, chapter 3.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.calibration.assumptions import DAY_GAP_H, DAY_LOG_SD, DAY_REL
from spreadplan.calibration.fit import FloatArray

DAYS: Final[FloatArray] = np.geomspace(0.001, 0.20, 64)
"""Grid of the standard deviation from day to day, relative."""


@dataclass(frozen=True, eq=False)
class DayMeans:
    """How one truck's tests lie about their fit, day by day; shape (days,) each.

    mean : mean relative residual. variance : of that mean, were there no day's own departure.
    """

    mean: FloatArray
    variance: FloatArray


def test_days(performed_at: pd.Series[pd.Timestamp]) -> NDArray[np.int64]:
    """Number of the day of each test, from 0, in order of time; shape (n,).

    A new day begins where no test was done for `DAY_GAP_H` hours, whatever the clock says.
    """
    gap = performed_at.diff() > pd.Timedelta(hours=DAY_GAP_H)
    return gap.to_numpy(dtype=bool).cumsum()


def concentration(day: NDArray[np.int64]) -> float:
    """Part of the variance of a day's own departure that the mean of the tests keeps.

    1 where all tests are of one day; 1 / n for n days of equally many tests. ``day`` : shape (n,).

    >>> concentration(np.array([0, 0, 1, 1]))
    0.5
    """
    shares = np.bincount(day) / len(day)
    return float(shares @ shares)


def day_means(relative: FloatArray, sd: FloatArray, day: NDArray[np.int64]) -> DayMeans:
    """Residuals by day. ``relative``, ``sd`` : of each test, relative; shape (n,)."""
    counts = np.bincount(day)
    seen = counts > 0
    mean = np.bincount(day, relative)[seen] / counts[seen]
    return DayMeans(mean, np.bincount(day, sd**2)[seen] / counts[seen] ** 2)


def learn_day_sd(trucks: Sequence[DayMeans]) -> float:
    """Root mean square of the standard deviation from day to day, relative.

    Where no truck was tested on several days, that of what is assumed alone.
    """
    log_weight = -0.5 * (np.log(DAYS / DAY_REL) / DAY_LOG_SD) ** 2
    for one in trucks:
        if len(one.mean) < 2:
            continue
        weight = 1.0 / (one.variance + DAYS[:, None] ** 2)
        whole = weight.sum(axis=1)
        centre = (weight @ one.mean) / whole
        squares = (weight * (one.mean - centre[:, None]) ** 2).sum(axis=1)
        log_weight += 0.5 * (np.log(weight).sum(axis=1) - np.log(whole) - squares)
    share = np.exp(log_weight - log_weight.max())
    return float(np.sqrt(share @ DAYS**2 / share.sum()))
