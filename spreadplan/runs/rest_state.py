"""Where the trucks are at a moment of a storm, what is done, what is left in hoppers and yards."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning.applications import Moment
from spreadplan.planning.geometry import distance_mi, segment_lengths_mi
from spreadplan.planning.rest import DONE_SHARE, Rest, TruckNow
from spreadplan.planning.rest_made import MADE, by_clock, made_of, nothing_made
from spreadplan.remarks import Finding, remark
from spreadplan.runs.rest_followed import Trace
from spreadplan.runs.rest_in_force import RUN, SEGMENT, PlanNow
from spreadplan.workspace import Workspace

#: so near to a yard a truck stands in it, and to where a route goes on it is on it: a yard's size;
#: common practice, no source.
AT_YARD_MI: Final = 0.15
#: who spread on a run so shortly before is on it still. Common practice, no source.
ON_A_RUN: Final = pd.Timedelta(minutes=60)
#: a truck is logged as out some minutes after it stopped, or before. Common practice, no source.
LOG_SLACK: Final = pd.Timedelta(minutes=5)
#: a route that the log calls done and of which records show less is worth a word
_SEEN_SHARE: Final = 0.5

STATE: Final = (
    "truck_id",
    "doing",
    "where",
    "route_id",
    "application",
    "done_share",
    "hopper_lb",
    "material",
    "lon",
    "lat",
    "seen_at",
    "known_by",
)
"""Columns of the state of trucks. ``doing``: out, spreading, driving, in_yard or unknown;
``where``: the yard or the route, "" where not known; ``done_share``: of the run it is on, by
lane-miles; ``known_by``: records, log or clock."""


@dataclass(frozen=True, eq=False, kw_only=True)
class KnownByThen:
    """What is known at a moment: for the plan of the rest, as a table, and what does not fit."""

    rest: Rest
    trucks: pd.DataFrame
    made: pd.DataFrame
    findings: list[Finding] = field(default_factory=list)


def known_at(
    workspace: Workspace,
    storm: str,
    at: pd.Timestamp,
    plan: PlanNow,
    traces: Mapping[str, Trace],
) -> KnownByThen:
    """Put together what records, tickets, the log and the clock say.

    Parameters
    ----------
    plan : in force at the moment.
    traces : the trucks' records up to it.

    Returns
    -------
    KnownByThen. The log wins over records, records over the clock of the plan.
    """
    return _Knowing(workspace, storm, at, plan, traces).known()


class _Knowing:
    """All sources at hand; see `known_at`."""

    def __init__(
        self,
        workspace: Workspace,
        storm: str,
        at: pd.Timestamp,
        plan: PlanNow,
        traces: Mapping[str, Trace],
    ) -> None:
        self.at, self.plan, self.traces = at, plan, traces
        self.trucks = workspace.table("trucks")
        self.yards, self.routes = workspace.table("yards"), workspace.tables["routes"]
        log = workspace.table("log", storm)
        self.log = log[log["time"] <= at].sort_values("time", kind="stable")
        loads, returns = workspace.table("loads", storm), workspace.table("returns", storm)
        self.loads = loads[loads["loaded_at"] <= at].sort_values("loaded_at", kind="stable")
        self.returns = returns[returns["returned_at"] <= at]
        self.names = [str(name) for name in self.trucks["truck_id"]]
        told = {*traces, *self.log["truck_id"]}
        self.untold = [name for name in self.names if name not in told]
        self.out = self._out()
        self.findings: list[Finding] = []

    def known(self) -> KnownByThen:
        """See `known_at`."""
        made = self._made()
        self.findings += [*self._out_and_driving(), *self._by_the_clock()]
        rows = [self._row(name, made) for name in self.names]
        table = pd.DataFrame([row for row, _ in rows], columns=[*STATE])
        now = {one.truck_id: one for _, one in rows if one is not None}
        lapsed = self._lapsed(made, now)
        rest = Rest(at=self.at, trucks=now, out=frozenset(self.out), made=made, left_out=lapsed)
        return KnownByThen(rest=rest, trucks=table, made=made, findings=self.findings)

    # --- the log ---

    def _out(self) -> dict[str, pd.Timestamp]:
        """Trucks that are out, and since when."""
        found: dict[str, pd.Timestamp] = {}
        for row in lines(self.log):
            if row.what == "truck_out":
                found[row.truck_id] = row.time
            elif row.what == "truck_back":
                found.pop(row.truck_id, None)
        return found

    def _out_and_driving(self) -> Iterator[Finding]:
        for truck, since in self.out.items():
            trace = self.traces.get(truck)
            if trace is None:
                continue
            late = trace.time_s[trace.spreading]
            last = pd.Timestamp(late[-1], unit="s", tz="UTC") if len(late) else since
            if last > since + LOG_SLACK:
                yield Finding(
                    "problem",
                    remark("of_truck", truck=truck),
                    remark("out_and_driving", since=since, until=last),
                    (remark("log_wins_truck_back"),),
                )

    def _by_the_clock(self) -> Iterator[Finding]:
        planned = [name for name in self.untold if (self.plan.runs["truck_id"] == name).any()]
        if planned:
            yield Finding(
                "caution",
                remark("of_times"),
                remark("known_by_the_clock", trucks=planned),
                (remark("add_records_or_log"),),
            )

    # --- what is done ---

    def _made(self) -> pd.DataFrame:
        """`MADE` by the clock, by records, by the log: each wins over the one before."""
        tables = [one.treatments.assign(truck_id=one.truck_id) for one in self.traces.values()]
        treatments = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()
        segments = self.routes[["route_id", "segment_id", "passes"]]
        seen = made_of(treatments, self.plan.runs, segments) if len(treatments) else nothing_made()
        clock = by_clock(self.plan.times, self.untold, self.at)
        logged = self._logged(seen)
        parts = [part for part in (clock, seen, logged) if len(part)]
        if not parts:
            return nothing_made()
        return pd.concat(parts, ignore_index=True).drop_duplicates(SEGMENT, keep="last")

    def _logged(self, seen: pd.DataFrame) -> pd.DataFrame:
        """Routes that the log calls done."""
        found = []
        for row in lines(self.log[self.log["what"] == "route_done"]):
            mine = self.routes.loc[self.routes["route_id"] == row.route_id]
            told = seen[
                (seen["route_id"] == row.route_id) & (seen["application"] == row.application)
            ]
            when = told.set_index("segment_id")["treated_at"]
            segments = mine["segment_id"].drop_duplicates()
            table = pd.DataFrame({"segment_id": segments.to_numpy()})
            seen_at = pd.to_datetime(table["segment_id"].map(when.to_dict()), utc=True)
            table["treated_at"] = seen_at.fillna(row.time)
            known = {"application": row.application, "route_id": row.route_id}
            found.append(table.assign(**known, share=1.0, truck_id=row.truck_id)[list(MADE)])
            share = self._done_share(told, row.route_id)
            if row.truck_id in self.traces and share < _SEEN_SHARE:
                self.findings.append(
                    Finding(
                        "caution",
                        remark("route_in_round", route=row.route_id, application=row.application),
                        remark("done_but_not_seen", truck=row.truck_id, seen_share=share),
                        (remark("log_wins"),),
                    )
                )
        return pd.concat(found, ignore_index=True) if found else nothing_made()

    def _done_share(self, made: pd.DataFrame, route: str) -> float:
        """Share of a route's length that is treated, 0 to 1; ``made``: of one run of it."""
        mine = self.routes[self.routes["route_id"] == route]
        share = made.groupby("segment_id")["share"].sum().clip(upper=1.0)
        weight = segment_lengths_mi(mine.geometry) * mine["lanes"].to_numpy(dtype=float)
        done = mine["segment_id"].map(share).fillna(0.0).to_numpy(dtype=float)
        return float(done @ weight / weight.sum()) if weight.sum() > 0.0 else 0.0

    def _lapsed(self, made: pd.DataFrame, now: Mapping[str, TruckNow]) -> pd.DataFrame:
        """Runs of earlier rounds that nobody is on and whose route a later round has begun."""
        runs = self.plan.runs[self.plan.runs["begins"] <= self.at]
        last = runs.groupby("route_id")["begins"].transform("max")
        earlier = runs[runs["begins"] < last]
        on = {(one.application, one.route_id) for one in now.values() if one.route_id}
        # whose run was to begin only now is late, and not over
        keys = zip(earlier["application"], earlier["route_id"], strict=True)
        idle = np.array([key not in on for key in keys], dtype=bool)
        due = earlier["planned_at"].fillna(earlier["begins"])
        begun = runs[runs["begins"] == last].set_index("route_id")
        next_at = begun["planned_at"].fillna(begun["begins"])
        # by place, since no time can be looked up where no round has begun
        after = pd.Series(next_at.reindex(earlier["route_id"]).array, index=earlier.index)
        over = idle & ((after <= self.at) | (due + ON_A_RUN < self.at)).to_numpy()
        return earlier.loc[over, RUN].reset_index(drop=True)

    # --- trucks ---

    def _row(self, truck: str, made: pd.DataFrame) -> tuple[dict[str, Any], TruckNow | None]:
        """A row of `STATE`, and the truck for the plan; None where nothing is known."""
        trace = self.traces.get(truck)
        by_clock = truck in self.untold
        lon, lat, seen = self._place(truck, made)
        yard = self._yard(lon, lat)
        run = self._run(truck, made) if not yard else None
        hopper, material = self._hopper(truck)
        doing = "in_yard" if yard else "unknown" if np.isnan(lon) else "driving"
        if trace is not None and not yard and trace.spreading[-1]:
            doing = "spreading"
        if truck in self.out:
            doing, run = "out", None
        route, application = (run[1], run[0]) if run else ("", "")
        told = made[(made["application"] == application) & (made["route_id"] == route)]
        known_by = "records" if trace is not None else "clock" if by_clock else "log"
        row = {
            "truck_id": truck,
            "doing": doing,
            "where": yard or route,
            "route_id": route,
            "application": application,
            "done_share": self._done_share(told, route) if route else np.nan,
            "hopper_lb": hopper,
            "material": material,
            "lon": lon,
            "lat": lat,
            "seen_at": seen,
            "known_by": known_by,
        }
        if np.isnan(lon) or truck in self.out:
            return row, None
        now = TruckNow(
            truck_id=truck,
            lon=lon,
            lat=lat,
            yard_id=yard,
            hopper_lb=0.0 if np.isnan(hopper) else hopper,
            material=material,
            route_id=route,
            application=application,
        )
        return row, now

    def _place(self, truck: str, made: pd.DataFrame) -> tuple[float, float, Moment]:
        """Where a truck was last, and when: by its records, or the last segment that it treated."""
        trace = self.traces.get(truck)
        if trace is not None and np.isfinite(trace.lon):
            return trace.lon, trace.lat, pd.Timestamp(trace.last_s, unit="s", tz="UTC")
        mine = made[made["truck_id"] == truck]
        if mine.empty:
            return np.nan, np.nan, pd.NaT
        last = mine.iloc[int(mine["treated_at"].to_numpy().argmax())]
        mine = self.routes[self.routes["route_id"] == last["route_id"]]
        line = mine.geometry[mine["segment_id"] == last["segment_id"]].iloc[-1]
        lon, lat = line.coords[-1][:2]
        return float(lon), float(lat), pd.Timestamp(last["treated_at"])

    def _yard(self, lon: float, lat: float) -> str:
        """The yard at a place, "" for none."""
        if np.isnan(lon) or self.yards.empty:
            return ""
        at = (self.yards[name].to_numpy(dtype=float) for name in ("lon", "lat"))
        away = distance_mi(np.full(len(self.yards), lon), np.full(len(self.yards), lat), *at)
        near = int(np.nanargmin(away)) if np.isfinite(away).any() else -1
        return str(self.yards["yard_id"].iat[near]) if near >= 0 and away[near] < AT_YARD_MI else ""

    def _run(self, truck: str, made: pd.DataFrame) -> tuple[str, str] | None:
        """The run that a truck is on: the last that it worked on, where something of it is left."""
        mine = made[(made["truck_id"] == truck) & (made["treated_at"] > self.at - ON_A_RUN)]
        if mine.empty:
            return None
        last = mine.iloc[int(mine["treated_at"].to_numpy().argmax())]
        own = self.plan.runs
        own = own[(own["application"] == last["application"]) & (own["truck_id"] == truck)]
        if not (own["route_id"] == last["route_id"]).any():
            return None
        same = made["application"] == last["application"]
        done = made[same & (made["route_id"] == last["route_id"]) & (made["share"] > DONE_SHARE)]
        whole = self.routes.loc[self.routes["route_id"] == last["route_id"], "segment_id"]
        if done["segment_id"].nunique() >= whole.nunique():
            return None
        return str(last["application"]), str(last["route_id"])

    def _hopper(self, truck: str) -> tuple[float, str]:
        """What is left in a truck, and of what; NaN and "" where that is not known."""
        place = self.trucks["truck_id"] == truck
        capacity = float(self.trucks.loc[place, "capacity_lb"].iloc[0])
        counted = self.log[(self.log["what"] == "hopper") & (self.log["truck_id"] == truck)]
        material = self._material(truck)
        since = counted["time"].iloc[-1] if len(counted) else None
        lb = float(counted["value_lb"].iloc[-1]) if len(counted) else 0.0
        if len(counted) and counted["material"].iloc[-1]:
            material = str(counted["material"].iloc[-1])
        moves = self._moves(truck, since)
        if since is None and not any(change > 0.0 for _, change, _ in moves):
            return self._by_clock_lb(truck) if truck in self.untold else (np.nan, "")
        for _, change, of in moves:
            if of and of != material:
                lb, material = 0.0, of
            lb = min(max(lb + change, 0.0), max(capacity, lb))
        return lb, material

    def _moves(self, truck: str, since: Any) -> list[tuple[float, float, str]]:
        """Seconds, change of the hopper in lb and material, in order of time."""
        after = -np.inf if since is None else since.timestamp()
        found = []
        for row in lines(self.loads[self.loads["truck_id"] == truck]):
            found.append((row.loaded_at.timestamp(), float(row.net_lb), str(row.material)))
        for row in lines(self.returns[self.returns["truck_id"] == truck]):
            found.append((row.returned_at.timestamp(), -float(row.net_lb), ""))
        trace = self.traces.get(truck)
        if trace is not None:
            spread = trace.mass_lb > 0.0
            pairs = zip(trace.time_s[spread].tolist(), trace.mass_lb[spread].tolist(), strict=True)
            found += [(second, -lb, "") for second, lb in pairs]
        return sorted(one for one in found if one[0] > after)

    def _material(self, truck: str) -> str:
        """What a truck carries by its last ticket, else by the plan of the clock."""
        mine = self.loads.loc[self.loads["truck_id"] == truck, "material"]
        return str(mine.iloc[-1]) if len(mine) else ""

    def _by_clock_lb(self, truck: str) -> tuple[float, str]:
        """What the plan's clock leaves in a hopper."""
        clock = self.plan.clock
        mine = clock[(clock["truck_id"] == truck) & (clock["end"] <= self.at)]
        if mine.empty:
            return np.nan, ""
        sign = np.where(mine["activity"] == "spread", -1.0, 1.0)
        return max(float((sign * mine["lb"]).sum()), 0.0), ""
