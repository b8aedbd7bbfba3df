"""Material put down ahead of a plow: a later pass with the plow down took it off the road.

GPS does not tell the lane. Where a direction has more lanes than a truck treats in one pass, a plow
may have cleared another one: only what must have been cleared counts, if every pass with the plow
down clears one lane and no lane is cleared again before all of them were. A truck that plows and
spreads in one pass spreads behind its own plow. Masses in lb.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.matching.network import Network
from spreadplan.reconcile.use import TruckUse
from spreadplan.schema.results import RESULTS

AHEAD_OF_PLOW_MIN: Final = 30.0
"""Material that a plow takes off within so many minutes had little time to work, minutes. Common
practice, no source."""

LEAST_PASS: Final = 0.5
"""Less of a stretch of road, driven with the plow down, is no pass over it. Common practice, no
source."""

LEAST_LB: Final = 1.0
"""Less of one treatment is not listed, lb."""

_TICK: Final = 10**11
"""More than the milliseconds of any storm: a stretch and a time make one number."""


def ahead_of_plow(
    uses: Sequence[TruckUse], trucks: pd.DataFrame, routes: gpd.GeoDataFrame, network: Network
) -> pd.DataFrame:
    """Treatments that a plow took off, all or in part, within `AHEAD_OF_PLOW_MIN`.

    Parameters
    ----------
    uses : treatments and plowed of every truck.
    trucks : truck_id, material, ratio, ratio_lo, ratio_hi.
    routes : lanes, passes and two_way of the rows of ``network``.

    Returns
    -------
    The table ``use_ahead_of_plow``, in order of time. A segment that two routes share is one road.
    """
    names = RESULTS["use_ahead_of_plow"].names
    plowed = _together(uses, "plowed")
    treated = _together(uses, "treatments")
    if plowed.empty or treated.empty:
        return pd.DataFrame(columns=names)
    stretches = _stretches(network)
    passes = _on_stretches(plowed[plowed["passes"] >= LEAST_PASS], stretches)
    treated = treated.assign(treatment=np.arange(len(treated)))
    parts = _on_stretches(_by_direction(treated, routes), stretches)
    parts["mass_lb"] = parts["reported_lb"] * parts["share"]
    hits = pd.DataFrame(
        _taken_off(parts, passes),
        columns=["treatment", "off_lb", "plow_truck_id", "plowed_s"],
    )
    if hits.empty:
        return pd.DataFrame(columns=names)
    first = hits.sort_values("plowed_s", kind="stable").groupby("treatment", sort=True)
    off = first.agg(
        off_lb=("off_lb", "sum"),
        plow_truck_id=("plow_truck_id", "first"),
        plowed_s=("plowed_s", "first"),
    )
    found = treated.set_index("treatment").join(off, how="inner")
    ratios = trucks[["truck_id", "material", "ratio", "ratio_lo", "ratio_hi"]]
    found = found.merge(ratios, on=["truck_id", "material"], how="left")
    found = found[found["off_lb"] >= LEAST_LB]
    return _table(found)[names]


def _table(found: pd.DataFrame) -> pd.DataFrame:
    """The columns of the result."""
    ratio = {end: found[f"ratio{end}"].astype(float).fillna(1.0) for end in ("", "_lo", "_hi")}
    at = {name: pd.to_datetime(found[name], unit="s", utc=True) for name in ("time_s", "plowed_s")}
    table = found.assign(
        treated_at=at["time_s"],
        plowed_at=at["plowed_s"],
        minutes=(found["plowed_s"] - found["time_s"]) / 60.0,
        off_share=found["off_lb"] / found["reported_lb"],
        **{f"off{end}_lb": found["off_lb"] * one for end, one in ratio.items()},
    )
    order = ["treated_at", "route_id", "segment_id"]
    return pd.DataFrame(table.sort_values(order, kind="stable", ignore_index=True))


def _together(uses: Sequence[TruckUse], name: str) -> pd.DataFrame:
    """A table of all trucks that have one, with their names."""
    tables = [
        pd.DataFrame(dict(table)).assign(truck_id=use.truck_id)
        for use in uses
        if len(table := getattr(use, name)) and "directed" in table
    ]
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()


def _stretches(network: Network) -> pd.DataFrame:
    """The stretches of road of each directed segment: directed, stretch, share of its length.

    A stretch is a directed link: segments of two routes on one road have the same.
    """
    owners = network.owners
    stretch = np.repeat(np.arange(len(owners.row_start) - 1), np.diff(owners.row_start))
    return pd.DataFrame(
        {
            "directed": 2 * owners.row.astype(np.int64) + ~owners.along,
            "stretch": stretch.astype(np.int64),
            "share": network.graph.length_m[stretch >> 1] / network.length_m[owners.row],
        }
    )


def _on_stretches(rows: pd.DataFrame, stretches: pd.DataFrame) -> pd.DataFrame:
    """Each row on the stretches that its directed segment is made of."""
    return pd.DataFrame(rows.merge(stretches, on="directed", how="inner"))


def _by_direction(treated: pd.DataFrame, routes: gpd.GeoDataFrame) -> pd.DataFrame:
    """The treatments with the lanes of their direction, and how many of them they treated.

    Where one pass treats a two-way road as a whole, half of it lies in the other direction.
    """
    row = treated["directed"].to_numpy(dtype=np.int64) >> 1
    lanes, passes = (routes[name].to_numpy(dtype=float)[row] for name in ("lanes", "passes"))
    two_way = routes["two_way"].to_numpy(dtype=bool)[row]
    there = lanes / np.where(two_way, 2.0, 1.0)
    both = two_way & (passes <= 1.0) & (lanes > 1.0)
    in_pass = np.where(both, there, lanes / passes)
    table = treated.assign(
        lanes_there=np.maximum(there, in_pass), lanes_treated=np.maximum(in_pass, 1.0)
    )
    table["reported_lb"] = table["reported_lb"].where(~both, table["reported_lb"] / 2.0)
    other = table[both]
    back = other.assign(directed=other["directed"].to_numpy(dtype=np.int64) ^ 1)
    return pd.DataFrame(pd.concat([table, back], ignore_index=True))


def _taken_off(
    parts: pd.DataFrame, passes: pd.DataFrame
) -> Iterator[tuple[int, float, str, float]]:
    """Treatment, lb taken off, plow's truck and time of each part that a plow came over."""
    if passes.empty:
        return
    began_s = float(min(parts["time_s"].min(), passes["time_s"].min()))
    passes = passes.assign(key=_keys(passes, passes["time_s"], began_s)).sort_values("key")
    keys = passes["key"].to_numpy()
    after = np.searchsorted(keys, _keys(parts, parts["time_s"], began_s), side="right")
    window = parts["time_s"] + 60.0 * AHEAD_OF_PLOW_MIN
    until = np.searchsorted(keys, _keys(parts, window, began_s), side="right")
    truck = passes["truck_id"].to_numpy(dtype=object)
    time_s = passes["time_s"].to_numpy(dtype=float)
    hit = np.flatnonzero(until > after)
    for part, low, high in zip(lines(parts.iloc[hit]), after[hit], until[hit], strict=True):
        at = np.arange(low, high)
        # in its own pass a truck spreads behind its plow
        at = at[(truck[at] != part.truck_id) | (time_s[at] > part.until_s)]
        share = _share_cleared(len(at), part)
        if share > 0.0:
            first = at[0]
            yield int(part.treatment), share * part.mass_lb, str(truck[first]), float(time_s[first])


def _keys(rows: pd.DataFrame, time_s: pd.Series[float], began_s: float) -> Any:
    milliseconds = ((time_s - began_s) * 1000.0).to_numpy(dtype=np.int64)
    return rows["stretch"].to_numpy(dtype=np.int64) * _TICK + milliseconds


def _share_cleared(passes: int, part: Any) -> float:
    """Share of the lanes treated that so many passes with the plow down must have cleared."""
    others = max(part.lanes_there - part.lanes_treated, 0.0)
    return float(np.clip((passes - others) / part.lanes_treated, 0.0, 1.0))
