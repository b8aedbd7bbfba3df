"""Which round a treatment was for, and what a plan's clock says was done by a moment.

A truck treats a route in its order. When it treats a segment that it has treated before, it is on
the route for the next time; each time is the round whose run was planned nearest to it, no round
twice and none that had not begun.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning.rest import DONE_SHARE

MADE: Final = ("application", "route_id", "segment_id", "share", "treated_at", "truck_id")
"""Columns of what was made, see `rest.Rest.made`; and who made it."""
_EARLY: Final = pd.Timedelta(minutes=30)
"""A run may be begun so long before its round: common practice, no source."""


def nothing_made() -> pd.DataFrame:
    """Nothing that was made.

    Returns
    -------
    The columns application, route_id, segment_id, share, treated_at and truck_id, without rows.
    """
    frame = pd.DataFrame({name: pd.Series([], dtype=object) for name in MADE})
    return frame.astype({"share": float}).assign(
        treated_at=pd.Series([], dtype="datetime64[ns, UTC]")
    )


def made_of(treatments: pd.DataFrame, runs: pd.DataFrame, segments: pd.DataFrame) -> pd.DataFrame:
    """What treatments were for.

    Parameters
    ----------
    treatments : passes while spreading: route_id, segment_id, time_s (seconds since 1970 UTC),
        passes (share of the segment), truck_id.
    runs : of the plan in force: application, route_id, begins (of the round), planned_at (when the
        run was to begin; NaT where that is not known).
    segments : route_id, segment_id, passes (of one application).

    Returns
    -------
    `MADE`, one row for each segment in each application in which it was treated. A treatment before
    any round, or of a route that the plan has not, is none.
    """
    keys = ["route_id", "segment_id"]
    wanted = segments.drop_duplicates(keys).set_index(keys)["passes"].astype(float)
    rows = treatments.sort_values("time_s", kind="stable")
    rows = rows.assign(wanted=wanted.reindex(pd.MultiIndex.from_frame(rows[keys])).to_numpy())
    rows = rows[rows["wanted"].notna()]
    by_route = dict(list(runs.groupby("route_id", sort=False)))
    found = []
    for route, mine in rows.groupby("route_id", sort=True):
        if route in by_route:
            turns = _turns(mine)
            labels = _rounds(mine.groupby(turns)["time_s"].min(), by_route[route])
            named = pd.Series(turns, index=mine.index).map(labels)
            found.append(mine.assign(application=named)[named.notna().to_numpy()])
    if not found or not sum(map(len, found)):
        return nothing_made()
    whole = pd.concat(found, ignore_index=True)
    whole["share"] = whole["passes"] / whole["wanted"]
    sums = whole.groupby(["application", *keys], sort=True)
    table = sums.agg(
        share=("share", "sum"), last_s=("time_s", "max"), truck_id=("truck_id", "last")
    ).reset_index()
    at = pd.to_datetime(table.pop("last_s"), unit="s", utc=True)
    return table.assign(treated_at=at)[list(MADE)]


def _turns(rows: pd.DataFrame) -> np.ndarray:
    """For the how manieth time the route is treated, for each of its treatments in order."""
    turn, done = 0, dict[str, float]()
    found = np.zeros(len(rows), dtype=np.int64)
    for place, row in enumerate(lines(rows[["segment_id", "passes", "wanted"]])):
        before = done.get(row.segment_id, 0.0)
        if before > DONE_SHARE and before + row.passes > row.wanted + DONE_SHARE:
            turn, done, before = turn + 1, {}, 0.0
        done[row.segment_id] = before + row.passes
        found[place] = turn
    return found


def _rounds(begun_s: pd.Series[float], runs: pd.DataFrame) -> dict[int, str]:
    """The round of each turn."""
    runs = runs.sort_values("begins", kind="stable").reset_index(drop=True)
    planned = runs["planned_at"].fillna(runs["begins"])
    found, last = dict[int, str](), -1
    for turn, second in begun_s.items():
        moment = pd.Timestamp(second, unit="s", tz="UTC")
        may = np.flatnonzero((runs["begins"] <= moment).to_numpy())
        may = may[may > last]
        if not len(may):
            may = np.flatnonzero((runs["begins"] <= moment + _EARLY).to_numpy())
            may = may[may > last]
        if len(may):
            away = (planned.iloc[may] - moment).abs().to_numpy()
            last = int(may[int(np.argmin(away))])
        if last >= 0:
            found[int(str(turn))] = str(runs["application"].iat[last])
    return found


def by_clock(segments: pd.DataFrame, trucks: Sequence[str], at: pd.Timestamp) -> pd.DataFrame:
    """What some trucks have made by a moment, if they kept to their plan.

    Parameters
    ----------
    segments : parts of segments in each application: application, route_id, segment_id, truck_id,
        treated_at (UTC, NaT for never).
    trucks : names of the trucks.
    at : the moment, UTC.

    Returns
    -------
    The columns application, route_id, segment_id, share, treated_at and truck_id, see `MADE`; a
    segment only when all its parts are treated.
    """
    mine = segments[segments["truck_id"].isin(list(trucks)) & (segments["treated_at"] <= at)]
    if mine.empty:
        return nothing_made()
    keys = ["application", "route_id", "segment_id"]
    # all parts of a segment are treated before it is done
    last = mine.groupby(keys, sort=True).agg(
        treated_at=("treated_at", "max"), truck_id=("truck_id", "last"), parts=("truck_id", "size")
    )
    wanted = segments.groupby(keys).size().reindex(last.index)
    whole = last[(last["parts"] >= wanted).to_numpy()].reset_index()
    found: pd.DataFrame = whole.assign(share=1.0)[list(MADE)]
    return found
