"""Mass that may lie on a segment although no record puts it there. Masses in lb.

A planned segment that seems to have got too little is not shown to have been left out while the
mass that it lacks is known to exist: put down by its truck at a place that nobody knows, or on the
segment itself under another material's name.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from spreadplan.reconcile.applied import OFF_ROUTE

KEYS = ["route_id", "segment_id"]


def may_lie_here(
    rows: pd.DataFrame, parts: pd.DataFrame, planned: pd.DataFrame, lost_lb: pd.Series[float]
) -> pd.DataFrame:
    """The most that may lie on each segment beyond what was seen there.

    Parameters
    ----------
    rows : route_id, segment_id, material, applied_lb, planned_lb (NaN: no plan).
    parts : route_id, segment_id, truck_id, material, reported_lb, applied_lb, unplaced_lb (part of
        the reported mass of which nobody knows where it lies; see `use.TruckUse`).
    planned : route_id, segment_id, material, truck_id.
    lost_lb : by truck, what it may have released while no record tells how much or where.

    Returns
    -------
    DataFrame on the index of ``rows``: unplaced_lb, of the trucks that were to treat the segment
    with the material (what they reported under a name that is in nobody's plan for them counts
    too), other_lb, of materials that were not planned there, and guessed_lb, which was put there
    and may lie elsewhere. True mass, 0 where there is none.
    """
    true = parts["unplaced_lb"] * (parts["applied_lb"] / parts["reported_lb"]).fillna(0.0)
    parts = parts.assign(true_lb=true)
    off = parts["segment_id"] == OFF_ROUTE
    here = parts[~off].groupby([*KEYS, "material"])["true_lb"].sum()
    keys = pd.MultiIndex.from_frame(rows[[*KEYS, "material"]])
    return pd.DataFrame(
        {
            "unplaced_lb": _unplaced(keys, parts[off], planned, lost_lb),
            "other_lb": _other(rows),
            "guessed_lb": here.reindex(keys).fillna(0.0).to_numpy(dtype=float),
        },
        index=rows.index,
    )


def unseen(rows: pd.DataFrame, passes_per_round: pd.Series[float]) -> pd.DataFrame:
    """What of the mass without a place may lie on each segment: it widens the interval upward.

    A segment with fewer passes than its rounds should have made may have got the others unseen,
    each as much as a pass that was seen, or as planned.

    Parameters
    ----------
    rows : passes, applied_lb, planned_lb, rounds_planned (NaN: no plan) and unplaced_lb, see
        `may_lie_here`.
    passes_per_round : of each row, NaN off the routes.

    Returns
    -------
    DataFrame on the index of ``rows``: unseen_most_lb, of the segment alone, and unseen_lb, which
    does not exceed the mass without a place where segments are added up.
    """
    expected = (rows["rounds_planned"] * passes_per_round).fillna(0.0)
    lacking = (expected - rows["passes"]).clip(lower=0.0)
    seen = rows["applied_lb"] / rows["passes"].where(rows["passes"] > 0.0)
    planned = rows["planned_lb"] / expected.where(expected > 0.0)
    each = pd.concat([seen, planned], axis=1).max(axis=1).fillna(0.0)
    most = (lacking * each).clip(upper=rows["unplaced_lb"])
    # of rows with one sum of mass without a place: the trucks that were to treat them are the same
    whole = most.groupby([rows["route_id"], rows["unplaced_lb"]]).transform("sum")
    share = (rows["unplaced_lb"] / whole.where(whole > 0.0)).clip(upper=1.0).fillna(0.0)
    return pd.DataFrame({"unseen_most_lb": most, "unseen_lb": most * share}, index=rows.index)


def _unplaced(
    keys: pd.MultiIndex, parts: pd.DataFrame, planned: pd.DataFrame, lost_lb: pd.Series[float]
) -> np.ndarray:
    pair = ["truck_id", "material"]
    mine = planned[[*KEYS, *pair]].drop_duplicates()
    sums = parts[parts["true_lb"] > 0.0].groupby(pair)["true_lb"].sum()
    foreign = ~sums.index.isin(pd.MultiIndex.from_frame(mine[pair]))
    unnamed = sums[foreign].groupby(level="truck_id").sum()
    own = sums.reindex(pd.MultiIndex.from_frame(mine[pair])).fillna(0.0).to_numpy(dtype=float)
    of_truck = unnamed.add(lost_lb, fill_value=0.0)
    mass = own + mine["truck_id"].map(of_truck).astype(float).fillna(0.0).to_numpy(dtype=float)
    by_segment = (
        pd.Series(mass, index=mine.index).groupby([mine[key] for key in [*KEYS, "material"]]).sum()
    )
    return by_segment.reindex(keys).fillna(0.0).to_numpy(dtype=float)


def _other(rows: pd.DataFrame) -> np.ndarray:
    extra = rows["applied_lb"].where(rows["planned_lb"].isna(), 0.0)
    by_segment = extra.groupby([rows[key] for key in KEYS]).transform("sum")
    return np.asarray((by_segment - extra).to_numpy(dtype=float))
