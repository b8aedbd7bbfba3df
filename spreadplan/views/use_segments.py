"""Judged segments with what a reader needs beside the verdict: road, area, rounds, planned rate."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.reconcile.storm import OFF_ROUTE, missed
from spreadplan.reconcile.verdicts import MORE_ROUNDS, MORE_ROUNDS_KIND, kinds
from spreadplan.views.display import Display
from spreadplan.views.voice import Voice

__all__ = ["KEYS", "MORE_ROUNDS_KIND", "kinds_as_said", "lane_factors", "with_plan"]

SEGMENT: Final = ["route_id", "segment_id"]
KEYS: Final = [*SEGMENT, "material"]


def kinds_as_said(segments: pd.DataFrame, voice: Voice) -> pd.Series[str]:
    """What `reconcile.verdicts.kinds` makes of a table whose reasons are in words."""
    return kinds(segments, voice.say(MORE_ROUNDS))


def with_plan(
    segments: pd.DataFrame,
    planned: pd.DataFrame,
    routes: pd.DataFrame,
    area_names: Mapping[str, str],
) -> pd.DataFrame:
    """Segments of a storm in the words of its plan.

    Parameters
    ----------
    segments : as in `reconcile.storm.StormUse`.
    planned : segments of the plan; empty without one.
    routes : the workspace's table; its ``name`` is that of the road, where it has one.
    area_names : area_id → name of the sensitive areas.

    Returns
    -------
    ``segments`` with kind (see `reconcile.verdicts.kinds`), road and area ("" without),
    planned_rate_lb_per_lane_mile (mean of a planned application), treated (lane-miles times
    applications made) and is_missed; without the mass that is off the routes.
    """
    rows = segments[segments["segment_id"] != OFF_ROUTE].copy()
    known = _areas(planned, area_names)
    rows = rows.join(known, on=KEYS).assign(kind=kinds(rows))
    rows["area"] = rows["area"].fillna("")
    per_round = rows["lane_miles"] * rows["rounds_planned"]
    rows["planned_rate_lb_per_lane_mile"] = rows["planned_lb"] / per_round
    rows["treated"] = rows["lane_miles"] * rows["applications"]
    rows["is_missed"] = missed(rows)
    rows["road"] = _roads(rows, routes)
    return rows.reset_index(drop=True)


def lane_factors(
    segments: pd.DataFrame, routes: pd.DataFrame, shown: Display
) -> NDArray[np.float64]:
    """What the rate of each segment is multiplied with to be read on the width of its own lanes.

    Shape (rows of ``segments``,), all 1 but where rates are shown per area. ``routes`` : the
    workspace's table.
    """
    if not shown.rates_per_area or segments.empty:
        return np.ones(len(segments))
    width = routes.drop_duplicates(SEGMENT).set_index(SEGMENT)["lane_width_ft"].astype(float)
    own = width.reindex(pd.MultiIndex.from_frame(segments[SEGMENT])).fillna(shown.area_lane_ft)
    return np.asarray(shown.rate_on_lane(np.ones(len(segments)), own.to_numpy()), dtype=float)


def _areas(planned: pd.DataFrame, area_names: Mapping[str, str]) -> pd.Series[str]:
    """Names of the sensitive areas of each segment and material."""

    def named(ids: pd.Series[str]) -> str:
        found = {one for text in ids.unique() for one in str(text or "").split("; ") if one}
        return ", ".join(area_names.get(one) or one for one in sorted(found))

    inside = planned[planned["area_id"].fillna("") != ""]
    return inside.groupby(KEYS)["area_id"].agg(named).rename("area").astype(object)


def _roads(rows: pd.DataFrame, routes: pd.DataFrame) -> pd.Series[str]:
    if "name" not in routes.columns:
        return pd.Series("", index=rows.index, dtype=object)
    names = routes.drop_duplicates(["route_id", "segment_id"])
    keys = pd.MultiIndex.from_frame(names[["route_id", "segment_id"]])
    name = pd.Series(names["name"].fillna("").astype(str).to_numpy(), index=keys, name="road")
    return rows.join(name, on=["route_id", "segment_id"])["road"].fillna("")
