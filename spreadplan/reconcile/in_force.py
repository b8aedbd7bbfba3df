"""Which plan was in force when: rounds and treatments of a storm whose plan was issued anew.

A treatment is judged by the plan in force when it was begun. The first plan is in force from the
beginning, whatever was done before it was issued. A round of a segment is that of the plan in
force when it was made; one that nobody made, or that was made after the plan which had it was
replaced by one that no longer has it, is that of the plan in force when it was due.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

ROUND: Final = ["route_id", "segment_id", "application"]
RUN: Final = ["application", "route_id", "truck_id", "material"]
LEAST_PASS: Final = 0.5
"""Less of a segment, passed while spreading, is no treatment of it: a matched trace runs a few feet
into a neighbour. Common practice, no source."""


@dataclass(frozen=True, eq=False, kw_only=True)
class PlanVersion:
    """A plan, and from when it was in force.

    Attributes
    ----------
    name : number of its issue; "" for the plan that the files give.
    since_s : seconds since 1970 UTC from which it is in force; the first one holds before too.
    segments : one row for each application of each part of a segment: application, route_id,
        segment_id, material, truck_id, lane_miles, gate_in, mass_lb, mass_lo_lb, mass_hi_lb,
        area_id, max_rate_lb_per_lane_mile; with several versions also start and due, in UTC.
    runs : one row for each of `RUN`: with mass_lb, mass_lo_lb, mass_hi_lb.
    """

    name: str
    since_s: float
    segments: pd.DataFrame
    runs: pd.DataFrame


@dataclass(frozen=True, eq=False, kw_only=True)
class InForce:
    """The plan that a storm is judged by, put together from its versions.

    Attributes
    ----------
    versions : in the order in which they came into force.
    segments, runs : as in `PlanVersion`, the rows of the version in force for each round, with
        ``version``, its place among ``versions``.
    """

    versions: tuple[PlanVersion, ...]
    segments: pd.DataFrame
    runs: pd.DataFrame

    @property
    def several(self) -> bool:
        """Whether the plan was replaced during the storm."""
        return len(self.versions) > 1

    @property
    def rounds(self) -> int:
        """How many rounds of spreading it has."""
        return int(self.segments["application"].nunique())


def in_force(versions: Sequence[PlanVersion], treatments: pd.DataFrame) -> InForce:
    """Put the plan together that was in force, round by round of each segment.

    Parameters
    ----------
    versions : at least one, in the order in which they came into force.
    treatments : passes while spreading: route_id, segment_id, time_s (when it began, seconds since
        1970 UTC), passes (share of the segment). Looked at only where there are several versions.

    Returns
    -------
    The plan, see `InForce`; masses in lb.
    """
    versions = tuple(versions)
    if len(versions) == 1:
        only = versions[0]
        return InForce(
            versions=versions,
            segments=only.segments.assign(version=0),
            runs=only.runs.assign(version=0),
        )
    rows = pd.concat(
        [one.segments.assign(version=place) for place, one in enumerate(versions)],
        ignore_index=True,
    )
    since_s = np.array([one.since_s for one in versions])
    chosen = _chosen(rows, since_s, _made_under(rows, since_s, treatments))
    keys = pd.MultiIndex.from_frame(rows[ROUND])
    taken = rows["version"].to_numpy() == chosen.reindex(keys).to_numpy(dtype=float)
    runs = [one.runs.assign(version=place) for place, one in enumerate(versions)]
    return InForce(
        versions=versions,
        segments=rows[taken].reset_index(drop=True),
        runs=_shares_of_runs(pd.concat(runs, ignore_index=True), rows, taken),
    )


def version_at(since_s: NDArray[np.float64], time_s: NDArray[np.float64]) -> NDArray[np.int64]:
    """Place of the version in force at each time, shape of ``time_s``; the first for NaN."""
    known = np.where(np.isfinite(time_s), time_s, -np.inf)
    return np.searchsorted(since_s[1:], known, side="right").astype(np.int64)


def _seconds(moments: pd.Series[pd.Timestamp]) -> NDArray[np.float64]:
    """Seconds since 1970 UTC; NaN for NaT."""
    moments = pd.to_datetime(moments, utc=True)
    seconds = (moments - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(seconds=1)
    return np.asarray(seconds, dtype=np.float64)


def _made_under(
    rows: pd.DataFrame, since_s: NDArray[np.float64], treatments: pd.DataFrame
) -> pd.Series[float]:
    """The version under which most of each round was made, by `ROUND`; only rounds that were made.

    A treatment belongs to the last round that had begun, or to the first. Where the plan has no
    times each of its rounds may be any of the treatments.
    """
    begins = rows.assign(start_s=_seconds(rows["start"])).groupby("application")["start_s"].last()
    version = version_at(since_s, treatments["time_s"].to_numpy(dtype=float))
    made = treatments[["route_id", "segment_id", "passes"]].assign(version=version)
    begins = begins.sort_values(kind="stable")
    timed = begins.dropna()
    if timed.empty:
        made = made.merge(pd.DataFrame({"application": begins.index}), how="cross")
    else:
        place = np.searchsorted(timed.to_numpy(), treatments["time_s"], side="right") - 1
        made = made.assign(application=timed.index.to_numpy()[np.maximum(place, 0)])
    whole = made.groupby([*ROUND, "version"])[["passes"]].sum()
    sums: pd.DataFrame = whole[whole["passes"] >= LEAST_PASS].reset_index()
    sums = sums.sort_values(by=["passes"], kind="stable")
    # the last of each group is the greatest; of equal ones the later version
    return sums.drop_duplicates(ROUND, keep="last").set_index(ROUND)["version"].astype(float)


def _chosen(
    rows: pd.DataFrame, since_s: NDArray[np.float64], made_under: pd.Series[float]
) -> pd.Series[float]:
    """The version whose plan each round is judged by, by `ROUND`; NaN where none asks for it."""
    due_s = rows.assign(due_s=_seconds(rows["due"])).groupby([*ROUND, "version"])["due_s"].max()
    table = due_s.reset_index()
    at_due = version_at(since_s, table["due_s"].to_numpy(dtype=float))
    own = table["version"].to_numpy() == at_due
    had = pd.Series(1.0, index=pd.MultiIndex.from_frame(table[[*ROUND, "version"]]))
    when_due = table[own].groupby(ROUND)["version"].max()
    last = table.drop_duplicates(ROUND, keep="last")
    # the last plan with a round had it when it was due, or later: a later plan did not drop it
    kept = last[at_due[last.index] <= last["version"]].set_index(ROUND)["version"]
    made = made_under.reset_index()
    still = had.reindex(pd.MultiIndex.from_frame(made[[*ROUND, "version"]])).notna().to_numpy()
    held = made[still].set_index(ROUND)["version"]
    every = pd.MultiIndex.from_frame(table[ROUND].drop_duplicates())
    found = held.reindex(every).astype(float)
    return found.fillna(when_due.reindex(every)).fillna(kept.reindex(every))


def _shares_of_runs(
    runs: pd.DataFrame, rows: pd.DataFrame, taken: NDArray[np.bool_]
) -> pd.DataFrame:
    """The runs, each with the part of its mass that was in force; without those of which none was.

    Ends of intervals go with the mass: what is common to a run is so in every part of it.
    """
    keys = ["version", *RUN]
    sized = rows[keys].assign(whole=rows["mass_lb"].fillna(0.0), rows=1.0)
    sized = sized.assign(part=sized["whole"].where(taken, 0.0), taken=taken.astype(float))
    sums = sized.groupby(keys)[["whole", "part", "rows", "taken"]].sum()
    share = (sums["part"] / sums["whole"].where(sums["whole"] > 0.0)).fillna(
        sums["taken"] / sums["rows"]
    )
    own = share.reindex(pd.MultiIndex.from_frame(runs[keys])).fillna(0.0).to_numpy()
    masses = ["mass_lb", "mass_lo_lb", "mass_hi_lb"]
    scaled = runs.assign(**{name: runs[name].to_numpy() * own for name in masses})
    return scaled[own > 0.0].reset_index(drop=True)
