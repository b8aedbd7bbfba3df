"""Which cab cards a plan changes: only those are made anew when the rest of a storm is planned."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from spreadplan.planning import StormPlan
from spreadplan.workspace import Workspace
from spreadplan.workspace.issued import CARDS, ISSUED

RUN: Final = ["application", "route_id"]
KEEPS_MIN: Final = 30.0
"""A run that begins by so much earlier or later gets a new card: what a driver would notice. Common
practice, no source."""
_PART: Final = [*RUN, "segment_id", "part"]
_WHO: Final = ("truck_id", "yard_id", "material")


def said_on_cards(plan: StormPlan) -> pd.DataFrame:
    """What the card of each run tells its driver to do, part by part.

    Returns
    -------
    application, route_id, segment_id, part, truck_id, yard_id, material, says (gate, feeder, rate
    and speed as text), starts_at (of the run). Runs without a truck have no card.
    """
    rows = plan.segments[plan.segments["truck_id"] != ""]
    dial = ("gate_in", "feeder_pct", "target_rate_lb_per_lane_mile", "speed_mph")
    numbers = (rows[name].round(3).tolist() for name in dial)
    starts = plan.routes.drop_duplicates(RUN).set_index(RUN)["starts_at"]
    own = pd.MultiIndex.from_frame(rows[RUN])
    owner = plan.routes.drop_duplicates(RUN).set_index(RUN)[["yard_id", "material"]].reindex(own)
    return pd.DataFrame(
        {
            **{name: rows[name].to_numpy() for name in (*_PART, "truck_id")},
            "yard_id": owner["yard_id"].to_numpy(),
            "material": owner["material"].to_numpy(),
            "says": ["|".join(map(str, one)) for one in zip(*numbers, strict=True)],
            "starts_at": pd.to_datetime(starts.reindex(own), utc=True).to_numpy(),
        }
    )


def last_cards(workspace: Workspace, storm: str, at: pd.Timestamp) -> pd.DataFrame:
    """As `said_on_cards`, of the cards that drivers have at a moment, with ``issue``.

    An issue that did not keep what its cards say has one row a run, of which nothing is said.
    """
    found = []
    for one in workspace.issued.get(storm, ()):
        if one.issue.since > at:
            continue
        place = workspace.folder / "storms" / storm / ISSUED / str(one.issue.number) / CARDS
        if CARDS in one.issue.files:
            found.append(pd.read_parquet(place))
        else:
            runs = one.runs.loc[one.runs["truck_id"] != "", [*RUN, "truck_id"]]
            found.append(runs.drop_duplicates(RUN).assign(issue=one.issue.number))
    names = [*_PART, *_WHO, "says", "starts_at", "issue"]
    if not found:
        return pd.DataFrame(columns=names)
    newest: pd.DataFrame = found[-1]
    for older in reversed(found[:-1]):
        had = pd.MultiIndex.from_frame(newest[RUN])
        newest = pd.concat([newest, older[~pd.MultiIndex.from_frame(older[RUN]).isin(had)]])
    return newest.reindex(columns=names).reset_index(drop=True)


def cards_against(
    plan: StormPlan, last: pd.DataFrame, out: frozenset[str] = frozenset()
) -> pd.DataFrame:
    """The runs of a plan with the cards that their drivers have.

    Parameters
    ----------
    last : as `last_cards` returns it.
    out : trucks that cannot drive: nobody needs a card of what stays with them.

    Returns
    -------
    application, route_id, truck_id, changed (whether it needs a new card), issue (whose card the
    run has, 0: none). A card stays where each part that is left is treated by the same truck, with
    the same setting, and begins at about the same time, or is begun already.
    """
    now = said_on_cards(plan)
    now = now[~now["truck_id"].isin(out)].reset_index(drop=True)
    before = last.drop_duplicates(_PART, keep="first").set_index(_PART)
    before = before.reindex(pd.MultiIndex.from_frame(now[_PART]))
    same = np.ones(len(now), dtype=bool)
    for name in (*_WHO, "says"):
        same &= (now[name] == before[name].to_numpy()).to_numpy(dtype=bool)
    then = pd.to_datetime(pd.Series(before["starts_at"].to_numpy()), utc=True)
    starts = pd.to_datetime(now["starts_at"], utc=True)
    moved = ((starts - then).abs() / pd.Timedelta(minutes=1)).fillna(0.0)
    table = now[[*RUN, "truck_id"]].assign(same=same, moved=moved.to_numpy())
    runs = table.groupby(RUN, sort=False).agg(
        truck_id=("truck_id", "first"), same=("same", "all"), moved=("moved", "max")
    )
    parts = now.groupby(RUN, sort=False).size()
    had = last.groupby(RUN).size().reindex(runs.index).fillna(0)
    begun = (parts.reindex(runs.index) < had).to_numpy()  # part of it is done
    issue = last.drop_duplicates(RUN).set_index(RUN)["issue"].reindex(runs.index)
    kept = runs["same"] & ((runs["moved"] < KEEPS_MIN) | begun)
    return runs[["truck_id"]].assign(changed=~kept, issue=issue.fillna(0).astype(int)).reset_index()
