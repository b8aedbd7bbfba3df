"""The rest of a storm: what is known at a moment, and what of a plan is still to be done then.

Parts of segments that were treated in a round stay in the plan's rows, so that every round keeps
the same parts in the same order, but with no lanes and no passes: they take no material and no
time, and are left out of every table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: less of a segment than this is left to do: a trace begins and ends some feet inside of it, and
#: nobody turns round for that. Common practice, no source.
DONE_SHARE: Final = 0.5
#: who may drive after the end of a storm, where nobody wrote shifts down, in hours
_AFTER: Final = pd.Timedelta(hours=48)
#: a name that no truck has
_NOBODY: Final = ""


@dataclass(frozen=True, kw_only=True)
class TruckNow:
    """Where a truck is and what lies in its hopper.

    Attributes
    ----------
    lon, lat : WGS 84 degrees; NaN where not known.
    yard_id : the yard where it stands; "" on the road, or where not known.
    hopper_lb : of ``material``; 0 where not known, so that it loads before it spreads.
    route_id, application : the run that it is on and goes on with; "" for none.
    """

    truck_id: str
    lon: float = float("nan")
    lat: float = float("nan")
    yard_id: str = ""
    hopper_lb: float = 0.0
    material: str = ""
    route_id: str = ""
    application: str = ""


@dataclass(frozen=True, kw_only=True)
class Rest:
    """What is known at a moment of a storm that runs.

    Attributes
    ----------
    at : the moment.
    trucks : by name, those of which something is known.
    out : trucks that cannot drive.
    made : treatments: application, route_id, segment_id, share (of one application, 0 to 1),
        treated_at; one row each.
    left_out : runs that are not to be done any more: application, route_id.
    """

    at: pd.Timestamp
    trucks: Mapping[str, TruckNow]
    out: frozenset[str]
    made: pd.DataFrame
    left_out: pd.DataFrame


def without_made(rows: Any, rest: Rest | None) -> Any:
    """Rows with what was made of them: ``made`` (nothing is left) and ``made_at`` (NaT if not).

    Parameters
    ----------
    rows : application, route_id, segment_id, passes, lanes, lane_miles.
    rest : None for a storm that has not begun.

    Returns
    -------
    The rows; passes, lanes and lane_miles are those that are left. A segment with several passes
    keeps those that are not done.
    """
    if rest is None:
        return rows.assign(made=False, made_at=pd.Series(pd.NaT, rows.index, "datetime64[ns, UTC]"))
    keys = ["application", "route_id", "segment_id"]
    known = rest.made.groupby(keys).agg(share=("share", "sum"), made_at=("treated_at", "max"))
    own = known.reindex(pd.MultiIndex.from_frame(rows[keys]))
    passes = rows["passes"].to_numpy(dtype=float)
    share = np.clip(own["share"].fillna(0.0).to_numpy(dtype=float), 0.0, 1.0)
    # a whole pass is done or not: a driver goes on at a crossing
    left = passes - np.floor(share * passes + DONE_SHARE)
    dropped = _among(rows, rest.left_out)
    left = np.where(dropped, 0.0, left)
    part = left / passes
    made_at = pd.Series(own["made_at"].to_numpy(), index=rows.index)
    return rows.assign(
        made=left <= 0.0,
        made_at=pd.to_datetime(made_at, utc=True).where((left <= 0.0) & ~dropped),
        passes=left.astype(rows["passes"].dtype),
        lanes=rows["lanes"] * part,
        lane_miles=rows["lane_miles"] * part,
    )


def _among(rows: Any, runs: pd.DataFrame) -> NDArray[np.bool_]:
    keys = ["application", "route_id"]
    named = pd.MultiIndex.from_frame(runs[keys])
    return np.asarray(pd.MultiIndex.from_frame(rows[keys]).isin(named))


def in_hopper_lb(runs: pd.DataFrame, rest: Rest | None) -> pd.Series[float]:
    """What lies in the hopper where a truck goes on with a run; NaN where it loads before.

    ``runs`` : application, route_id, truck_id, material.
    """
    found = pd.Series(np.nan, index=runs.index)
    for now in [] if rest is None else rest.trucks.values():
        goes_on = (runs["truck_id"] == now.truck_id) & (runs["route_id"] == now.route_id)
        goes_on &= (runs["application"] == now.application) & (runs["material"] == now.material)
        if now.hopper_lb > 0.0:
            found[goes_on] = now.hopper_lb
    return found


def staffed_from(
    shifts: pd.DataFrame | None, trucks: pd.DataFrame, rest: Rest, end: Any
) -> pd.DataFrame:
    """Shifts from a moment on: nobody drives before it, and no truck that is out.

    Parameters
    ----------
    shifts : truck_id, from, to; None or empty: every truck is staffed throughout.
    end : end of the event, NaT where it is not known.
    """
    if shifts is None or shifts.empty:
        late = rest.at if pd.isna(end) else max(rest.at, end)
        shifts = pd.DataFrame({"truck_id": trucks["truck_id"].to_numpy()})
        shifts = shifts.assign(**{"from": rest.at, "to": late + _AFTER})
    left = shifts[(shifts["to"] > rest.at) & ~shifts["truck_id"].isin(rest.out)]
    left = left.assign(**{"from": left["from"].where(left["from"] > rest.at, rest.at)})
    # without a row nobody wrote shifts down; here all trucks are out
    nobody = pd.DataFrame({"truck_id": [_NOBODY], "from": [rest.at], "to": [rest.at + _AFTER]})
    return pd.concat([left[["truck_id", "from", "to"]], nobody], ignore_index=True)
