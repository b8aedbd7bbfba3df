"""A truck with its driver in one storm: out, spreading, loading, home, and what gets recorded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
from county_routes import ASSIGNMENTS
from county_storms import Storm
from storm_drives import Leg
from storm_fixes import fixes, seconds
from storm_incidents import BREAKDOWNS, ZEROED_AT_START, Breakdown, Incident, breakdown, incidents
from storm_motion import Track, drive, load_factors, until
from storm_roads import Network
from storm_shifts import Shift, run_route, with_stops
from storm_stock import SCALE_DIVISION_LB, Yards, weighed
from storm_trucks import Truck

LATEST_START_MIN = 12.0
HOPPER_SLACK_LB = 25.0
DURING_A_SHIFT = ("skips", "turns_round", "off_road", "strays", "resets", "silent")
Run = tuple[str, str, list[Any]]  # route, yard, its rows of the card


@dataclass
class Records:
    """What a storm leaves behind: tables as rows, and one frame of fixes for each shift.

    `left` are the runs, or the rest of one, that a broken truck left to another:
    (other truck, application) → runs.
    """

    loads: list[dict[str, Any]] = field(default_factory=list)
    returns: list[dict[str, Any]] = field(default_factory=list)
    telemetry: list[pd.DataFrame] = field(default_factory=list)
    segments: list[pd.DataFrame] = field(default_factory=list)
    left: dict[tuple[str, str], list[Run]] = field(default_factory=dict)


@dataclass
class Hopper:
    """What is really on board of a truck between shifts, and where it stands."""

    yard_id: str
    material: str = ""
    mass_lb: float = 0.0
    total_lb: float = 0.0  # the controller's running total
    liquid_gal: float = 0.0
    free_s: float = 0.0


@dataclass
class Crew:
    """A truck with its driver in one storm, and the records that they leave."""

    storm: Storm
    truck: Truck
    network: Network
    yards: Yards
    records: Records
    rng: np.random.Generator

    def work(self, planned: Mapping[tuple[str, str], list[Any]]) -> None:
        """All applications of the truck's routes, then home with what is left.

        A truck that takes runs over makes them after its own ones of the application.
        """
        broken = breakdown(self.storm.name, self.truck.truck_id)
        other = replace(self, rng=self.rng.spawn(1)[0])  # its own runs stay as they would be
        mine = [row for row in ASSIGNMENTS if row[1] == self.truck.truck_id]
        hopper = Hopper(mine[0][2], total_lb=float(self.rng.integers(0, 60000)))
        for application, begins in self.storm.starts.items():
            todo = [
                (route, yard, planned[application, route])
                for route, _, yard, *_ in mine
                if any(r.target_rate_lb_per_lane_mile > 0 for r in planned[application, route])
            ]
            if broken and hopper.free_s >= _stops_s(broken):
                self._leave(broken, application, todo)
                continue
            if todo:
                late = 60.0 * float(self.rng.uniform(0.0, LATEST_START_MIN))
                start_s = max(float(seconds(begins)) + late, hopper.free_s)
                self._shift(application, todo, hopper, float(round(start_s)))
                if hopper.material not in ("", mine[0][3]):
                    self._give_back(hopper, hopper.yard_id, hopper.free_s)
            taken = self.records.left.get((self.truck.truck_id, application), [])
            if taken:
                gate_in = float(todo[0][2][0].gate_in)
                rows = [
                    (route, yard, [row._replace(gate_in=gate_in) for row in some])
                    for route, yard, some in taken
                ]
                called_s = max(_called_s(self.storm.name, self.truck.truck_id), hopper.free_s)
                other._shift(application, rows, hopper, float(round(called_s)))
        if hopper.mass_lb > 0.0:
            self._give_back(hopper, hopper.yard_id, hopper.free_s)

    def _shift(
        self,
        application: str,
        todo: list[Run],
        hopper: Hopper,
        start_s: float,
    ) -> None:
        """One application: drive, discharge, load; the records of it."""
        name, truck_id = self.storm.name, self.truck.truck_id
        happened = [
            one for what in DURING_A_SHIFT for one in incidents(name, truck_id, what, application)
        ]
        shift = Shift(
            self.network,
            self.truck,
            hopper.yard_id,
            self.rng,
            self.yards.yard_for,
            hopper.material,
            hopper.mass_lb,
        )
        for _, yard_id, rows in todo:
            run_route(shift, rows, yard_id, happened)
        legs = with_stops(shift.legs, self.rng)
        loaded = np.array([e.leg for e in shift.errands if e.what == "load"], dtype=int)
        before = np.searchsorted(loaded, np.arange(len(legs)), side="left")
        factors = load_factors(before, self.rng)
        piles = bool(incidents(name, truck_id, "pile", application))
        track = drive(legs, self.truck, factors, piles, self.rng)
        broken = breakdown(name, truck_id)
        breaks = broken and start_s + float(track.at[-1]) > _stops_s(broken)
        if broken and breaks:
            track = until(track, _stops_s(broken) - start_s)
            shift.errands = [one for one in shift.errands if one.leg < track.leg[-1]]
            self._leave(broken, application, _not_made(todo, legs, int(track.leg[-1])))
        self._do_errands(shift, hopper, track, start_s)
        two_way = np.array(
            [bool(one.segment_id) and self.network.roads[one.segment_id].two_way for one in legs]
        )
        prewet = {route: float(gallons) for route, _, _, _, gallons in ASSIGNMENTS}
        gallons = np.array([prewet[one.setting.route_id] if one.setting else 0.0 for one in legs])
        found = fixes(
            track, legs, two_way, gallons, start_s, self.storm.interval_s, happened, self.rng
        )
        self._keep_positions(found, hopper, happened)
        self._keep_truth(application, legs, track)
        hopper.free_s = start_s + float(track.at[-1]) + 60.0
        hopper.yard_id = shift.yard_id
        if broken and breaks:
            hopper.yard_id = todo[-1][1]
            self._give_back(hopper, hopper.yard_id, _stops_s(broken) + 60.0 * broken.towed_min)

    def _leave(self, broken: Breakdown, application: str, runs: list[Run]) -> None:
        self.records.left.setdefault((broken.taken_over_by, application), []).extend(runs)

    def _do_errands(self, shift: Shift, hopper: Hopper, track: Track, start_s: float) -> None:
        """Walk through the shift's loads and returns with what has truly left the hopper."""
        done = 0
        for errand in shift.errands:
            upto = int(np.searchsorted(track.leg, errand.leg, side="right"))
            self._discharge(hopper, float(track.true_lb[done:upto].sum()))
            done = upto
            at_s = start_s + float(track.at[upto])
            if errand.what == "return":
                self._give_back(hopper, errand.yard_id, at_s)
            else:
                self._take(hopper, errand.yard_id, errand.material, errand.mass_lb, at_s)
        self._discharge(hopper, float(track.true_lb[done:].sum()))

    def _discharge(self, hopper: Hopper, mass_lb: float) -> None:
        hopper.mass_lb -= mass_lb
        assert hopper.mass_lb > -HOPPER_SLACK_LB, (self.storm.name, self.truck.truck_id)
        hopper.mass_lb = max(0.0, hopper.mass_lb)

    def _take(
        self, hopper: Hopper, yard_id: str, material: str, mass_lb: float, at_s: float
    ) -> None:
        self.yards.move(yard_id, material, -mass_lb)
        hopper.material, hopper.mass_lb = material, hopper.mass_lb + mass_lb
        self.records.loads.append(
            {
                "truck_id": self.truck.truck_id,
                "yard_id": yard_id,
                "loaded_at": at_s,
                "material": material,
                "net_lb": weighed(yard_id, mass_lb, self.rng),
                "scale_division_lb": SCALE_DIVISION_LB[yard_id],
                "true_lb": mass_lb,
            }
        )

    def _give_back(self, hopper: Hopper, yard_id: str, at_s: float) -> None:
        self.yards.move(yard_id, hopper.material, hopper.mass_lb)
        self.records.returns.append(
            {
                "truck_id": self.truck.truck_id,
                "yard_id": yard_id,
                "returned_at": at_s,
                "material": hopper.material,
                "net_lb": weighed(yard_id, hopper.mass_lb, self.rng),
                "true_lb": hopper.mass_lb,
            }
        )
        hopper.material, hopper.mass_lb = "", 0.0

    def _keep_positions(
        self, found: pd.DataFrame, hopper: Hopper, happened: list[Incident]
    ) -> None:
        """The fixes with the running total that the controller showed."""
        if self.truck.truck_id in ZEROED_AT_START:
            hopper.total_lb = 0.0
        total = hopper.total_lb + found["total_lb"].to_numpy()
        if any(one.what == "resets" for one in happened):
            half = len(total) // 2
            total[half:] -= total[half - 1] + 0.4 * (total[half] - total[half - 1])
        hopper.total_lb = float(total[-1])
        liquid = np.round(hopper.liquid_gal + found["liquid_gal"].to_numpy(), 1)
        hopper.liquid_gal = float(liquid[-1])
        self.records.telemetry.append(
            found.assign(
                truck_id=self.truck.truck_id,
                total_lb=np.round(total).astype(np.int64),
                liquid_gal=liquid,
            )
        )

    def _keep_truth(self, application: str, legs: list[Leg], track: Track) -> None:
        """True and reported mass by segment and material."""
        count = len(legs)
        truth = pd.DataFrame(
            {
                "application": application,
                "truck_id": self.truck.truck_id,
                "segment_id": [one.segment_id or "off_route" for one in legs],
                "material": ["" if one.setting is None else one.setting.material for one in legs],
                "true_lb": np.bincount(track.leg, track.true_lb, count),
                "reported_lb": np.bincount(track.leg, track.reported_lb, count),
            }
        )
        keys = ["application", "truck_id", "segment_id", "material"]
        summed = truth[truth["material"] != ""].groupby(keys, as_index=False, sort=True).sum()
        self.records.segments.append(summed)


def _stops_s(broken: Breakdown) -> float:
    return float(seconds(datetime.fromisoformat(broken.at)))


def _called_s(storm: str, truck_id: str) -> float:
    """When a truck may set out on what others left to it."""
    here = [one for one in BREAKDOWNS if storm.startswith(one.storm)]
    return max(
        _stops_s(one) + 60.0 * one.called_min for one in here if one.taken_over_by == truck_id
    )


def _not_made(runs: list[Run], legs: list[Leg], now: int) -> list[Run]:
    """What is left of some runs on leg `now`: the segments that are not treated all through."""
    ahead = {leg.segment_id for leg in legs[now:] if leg.setting is not None}
    left = [
        (route, yard, [row for row in rows if row.segment_id in ahead])
        for route, yard, rows in runs
    ]
    return [run for run in left if run[2]]
