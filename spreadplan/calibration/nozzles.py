"""How evenly the nozzles of a boom spray, and which of them is clogged or worn.

A nozzle is held against the median of its test, not the mean: one that is clogged would make all
others look worn. It is called clogged or worn only where its whole 95 % interval lies beyond the
tolerance, and even only where it lies within; of two nozzles that differ nobody can say which is
wrong.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from spreadplan.calibration.assumptions import LIQUID_REPEATABILITY_REL, NOZZLE_TOLERANCE
from spreadplan.calibration.fit import FloatArray
from spreadplan.metrology import Z95
from spreadplan.schema.results import RESULTS

MEDIAN_U: Final = np.sqrt(np.pi / 2.0)
"""Standard uncertainty of a median of many normal values over that of their mean. Source: Kendall
and Stuart, The Advanced Theory of Statistics, volume 1, 14.12 (asymptotic)."""
FEWEST: Final = 3
"""Of so many nozzles the median tells which one departs."""


def nozzle_table(caught: pd.DataFrame, duration_s: FloatArray, u_rel: FloatArray) -> pd.DataFrame:
    """What each nozzle of each test gave, and whether it is sound.

    Parameters
    ----------
    caught : one row per test and nozzle: test_id, nozzle, volume_gal, volume_u_gal.
    duration_s : how long was caught, on the rows of ``caught``, shape (n,).
    u_rel : relative standard uncertainty of that time, shape (n,): nozzles may have been caught one
        after the other.

    Returns
    -------
    As ``nozzles`` in `spreadplan.schema.results`: share of the test's volume; verdict "clogged",
    "worn", "even" or "not_shown"; then departure from the median of the test's nozzles in percent
    with its 95 % half-width, and the flow.
    """
    parts = [
        _judged(
            rows.reset_index(drop=True), duration_s[rows.index.to_numpy()], u_rel[rows.index[0]]
        )
        for _, rows in caught.reset_index(drop=True).groupby("test_id", sort=False)
    ]
    if not parts:
        return pd.DataFrame(columns=RESULTS["nozzles"].names)
    return pd.concat(parts, ignore_index=True)


def _judged(rows: pd.DataFrame, duration_s: FloatArray, time_u: float) -> pd.DataFrame:
    """The nozzles of one test."""
    volume = rows["volume_gal"].to_numpy(dtype=float)
    total, even = float(volume.sum()), float(np.median(volume))
    spread = np.hypot(LIQUID_REPEATABILITY_REL, time_u)
    u = np.hypot(rows["volume_u_gal"].to_numpy(dtype=float), spread * volume)
    with np.errstate(divide="ignore", invalid="ignore"):
        departure = volume / even - 1.0
        u_even = MEDIAN_U * float(np.median(u)) / np.sqrt(len(rows)) / even
        half = Z95 * np.hypot(u / even, (1.0 + departure) * u_even)
    return pd.DataFrame(
        {
            "test_id": rows["test_id"],
            "nozzle": rows["nozzle"],
            "share": volume / total if total > 0.0 else np.nan,
            "verdict": _verdicts(departure, half),
            "departure_pct": 100.0 * departure,
            "departure_u95_pct": 100.0 * half,
            "flow_gal_per_min": volume * 60.0 / duration_s,
        }
    )


def _verdicts(departure: FloatArray, half: FloatArray) -> list[str]:
    """One verdict per nozzle; shares, shape (n,) each."""
    even = np.abs(departure) + half <= NOZZLE_TOLERANCE
    telling = len(departure) >= FEWEST
    clogged = telling & (departure + half < -NOZZLE_TOLERANCE)
    worn = telling & (departure - half > NOZZLE_TOLERANCE)
    return [
        str(one)
        for one in np.select([clogged, worn, even], ["clogged", "worn", "even"], "not_shown")
    ]
