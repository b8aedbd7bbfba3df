"""From weighings to the mass of a test, with its standard uncertainty. Masses in lb.

What is counted: the division of the scale at both readings, and the spread between containers
that were filled alike but not weighed. A scale's own error within its maintenance tolerance is
not: it is common to all tests weighed on it, so it must be kept small by having the scale checked.
"""

import numpy as np
import pandas as pd

from spreadplan.calibration.assumptions import (
    FILL_SPREAD_REL,
    MIN_CONTAINERS_FOR_SPREAD,
    SCALE_DIVISION_LB,
)
from spreadplan.calibration.fit import FloatArray


def weigh(weighings: pd.DataFrame) -> pd.DataFrame:
    """Add up the weighings of each test.

    Parameters
    ----------
    weighings : test_id, method, gross_lb, tare_lb (NaN: none), count, scale_division_lb (NaN:
        assumed by method). A vehicle scale weighs before (gross) and after (tare) the run.

    Returns
    -------
    Indexed by test_id: net_lb, net_u_lb (standard uncertainty), method ("mixed" where a test used
    several), containers (how many in all), division_lb (the coarsest used), division_assumed,
    u_scale_lb, u_fill_lb. A vehicle weighed only once gives NaN.

    Source: rectangular distribution of a reading within one division, d / sqrt(12): JCGM 100:2008,
    4.3.7. One container standing for n adds the spread of the n - 1 others and of itself:
    var(n * m1 - sum(m)) = n * (n - 1) * s**2.
    """
    rows = weighings.reset_index(drop=True)
    each_lb = _net_of_one(rows)
    count = rows["count"].to_numpy(dtype=float)
    given = rows["scale_division_lb"].to_numpy(dtype=float)
    assumed = rows["method"].map(SCALE_DIVISION_LB).to_numpy(dtype=float)
    readings = np.where(np.isnan(rows["tare_lb"].to_numpy(dtype=float)), 1.0, 2.0)
    division_lb = np.where(np.isnan(given), assumed, given)
    # An error in reading one container is repeated in every container that it stands for.
    reading_u_lb = count * division_lb * np.sqrt(readings / 12.0)
    spread = rows["test_id"].map(_fill_spread(rows, each_lb)).to_numpy(dtype=float)
    fill_u_lb = np.sqrt(count * (count - 1.0)) * spread * np.abs(each_lb)

    parts = pd.DataFrame(
        {
            "test_id": rows["test_id"],
            "method": rows["method"],
            "net_lb": count * each_lb,
            "containers": count.astype(int),
            "division_lb": division_lb,
            "division_assumed": np.isnan(given),
            "scale_variance": reading_u_lb**2,
            "fill_variance": fill_u_lb**2,
        }
    )
    tests = parts.groupby("test_id", sort=False)
    u_scale_lb = np.sqrt(tests["scale_variance"].sum())
    u_fill_lb = np.sqrt(tests["fill_variance"].sum())
    return pd.DataFrame(
        {
            "net_lb": tests["net_lb"].sum(min_count=1).where(~_any_missing(parts)),
            "net_u_lb": np.hypot(u_scale_lb, u_fill_lb),
            "method": tests["method"].agg(_method_of_test),
            "containers": tests["containers"].sum(),
            "division_lb": tests["division_lb"].max(),
            "division_assumed": tests["division_assumed"].any(),
            "u_scale_lb": u_scale_lb,
            "u_fill_lb": u_fill_lb,
        }
    )


def _net_of_one(rows: pd.DataFrame) -> FloatArray:
    """Net mass of one container (or of the load) of each row, lb."""
    tare_lb = rows["tare_lb"].to_numpy(dtype=float)
    # No tare: the scale was set to zero with the container on it. A vehicle cannot be.
    no_tare = np.isnan(tare_lb) & (rows["method"] != "vehicle_scale").to_numpy(dtype=bool)
    return rows["gross_lb"].to_numpy(dtype=float) - np.where(no_tare, 0.0, tare_lb)


def _fill_spread(rows: pd.DataFrame, each_lb: FloatArray) -> "pd.Series[float]":
    """Relative container-to-container spread by test_id, from containers weighed one by one."""
    singly = (rows["method"] == "container") & (rows["count"] == 1)
    weighed = pd.Series(each_lb)[singly].groupby(rows["test_id"][singly])
    own = (weighed.std() / weighed.mean())[weighed.count() >= MIN_CONTAINERS_FOR_SPREAD]
    return own.reindex(rows["test_id"].unique()).fillna(FILL_SPREAD_REL)


def _any_missing(parts: pd.DataFrame) -> "pd.Series[bool]":
    return parts["net_lb"].isna().groupby(parts["test_id"], sort=False).any()


def _method_of_test(methods: "pd.Series[str]") -> str:
    distinct = methods.unique()
    return str(distinct[0]) if len(distinct) == 1 else "mixed"
