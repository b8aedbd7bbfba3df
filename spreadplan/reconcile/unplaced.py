"""Mass that may lie on a segment although no record puts it there. Masses in lb.

A planned segment that seems to have got too little is not shown to have been left out while the
mass that it lacks is known to exist: put down by its truck at a place that nobody knows, or on the
segment itself under another material's name.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

KEYS = ["route_id", "segment_id"]


def may_lie_here(rows: pd.DataFrame, parts: pd.DataFrame, planned: pd.DataFrame) -> pd.DataFrame:
    """The most that may lie on each segment beyond what was seen there.

    Parameters
    ----------
    rows : route_id, segment_id, material, applied_lb, planned_lb (NaN: no plan).
    parts : truck_id, material, reported_lb, applied_lb, unplaced_lb (part of the reported mass of
        which nobody knows where it lies).
    planned : route_id, segment_id, material, truck_id.

    Returns
    -------
    DataFrame on the index of ``rows``: unplaced_lb, of the trucks that were to treat the segment
    with the material (what they reported under a name that is in nobody's plan for them counts
    too), and other_lb, of materials that were not planned there. True mass, 0 where there is none.
    """
    return pd.DataFrame(
        {"unplaced_lb": _unplaced(rows, parts, planned), "other_lb": _other(rows)},
        index=rows.index,
    )


def _unplaced(rows: pd.DataFrame, parts: pd.DataFrame, planned: pd.DataFrame) -> np.ndarray:
    pair = ["truck_id", "material"]
    mine = planned[[*KEYS, *pair]].drop_duplicates()
    lost = parts[parts["unplaced_lb"] > 0.0]
    share = lost["applied_lb"] / lost["reported_lb"]
    sums = (lost["unplaced_lb"] * share).groupby([lost[key] for key in pair]).sum()
    foreign = ~sums.index.isin(pd.MultiIndex.from_frame(mine[pair]))
    unnamed = sums[foreign].groupby(level="truck_id").sum()
    own = sums.reindex(pd.MultiIndex.from_frame(mine[pair])).fillna(0.0).to_numpy(dtype=float)
    mass = own + mine["truck_id"].map(unnamed).astype(float).fillna(0.0).to_numpy(dtype=float)
    by_segment = pd.Series(mass, index=mine.index).groupby(
        [mine[key] for key in [*KEYS, "material"]]
    ).sum()  # fmt: skip
    keys = pd.MultiIndex.from_frame(rows[[*KEYS, "material"]])
    return by_segment.reindex(keys).fillna(0.0).to_numpy(dtype=float)


def _other(rows: pd.DataFrame) -> np.ndarray:
    extra = rows["applied_lb"].where(rows["planned_lb"].isna(), 0.0)
    by_segment = extra.groupby([rows[key] for key in KEYS]).transform("sum")
    return np.asarray((by_segment - extra).to_numpy(dtype=float))
