"""One truck's work in one application: loading, its routes in turn, reloading, and home again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from county_routes import YARD_PLACES
from county_shapes import METRES_PER_MILE, Points
from storm_drives import Leg, Visit, deadhead, private_yard, turned_round, visits
from storm_incidents import HEAVY_HANDED, Incident
from storm_roads import Network
from storm_trucks import Setting, Truck

YARD_LANE_MPH = 15.0
FULL = 0.93
RESERVE = 1.12  # a driver turns back for more before the hopper is quite empty
SLOWED = 1.14  # longer than at full speed, with corners: an open loop feeder runs on meanwhile
CAREFUL = 1.06  # by how much a driver overrates what has gone
STOP_SHARE = 0.35  # of the corners have a sign that the truck has to stop at
SpreadsFrom = Callable[[str, str, float], str]  # yard, material, lb wanted → yard that has it


@dataclass
class Errand:
    """What is done at a yard at the end of leg `leg`: "load" or "return" some lb of a material."""

    leg: int
    what: str
    yard_id: str
    material: str
    mass_lb: float = 0.0


@dataclass
class Shift:
    """The legs of a shift as they are put together, and the errands at yards."""

    network: Network
    truck: Truck
    yard_id: str
    rng: np.random.Generator
    yard_for: SpreadsFrom
    material: str = ""
    on_board_lb: float = 0.0  # as the driver reckons
    legs: list[Leg] = field(default_factory=list)
    errands: list[Errand] = field(default_factory=list)

    def _yard(self, yard_id: str) -> tuple[Points, int]:
        place = np.array(YARD_PLACES[yard_id]) * METRES_PER_MILE
        return place, self.network.nearest(place)

    def wait_at_yard(self, minutes: float) -> None:
        place, _ = self._yard(self.yard_id)
        self.legs.append(Leg(np.array([place, place]), YARD_LANE_MPH, wait_s=60.0 * minutes))

    def leave_yard(self) -> int:
        place, node = self._yard(self.yard_id)
        self.legs.append(Leg(np.array([place, self.network.nodes[node]]), YARD_LANE_MPH))
        return node

    def to_yard(self, at: int, yard_id: str) -> None:
        place, node = self._yard(yard_id)
        self.legs += deadhead(self.network, at, node)
        self.legs.append(Leg(np.array([self.network.nodes[node], place]), YARD_LANE_MPH))
        self.yard_id = yard_id

    def load(self, material: str, wanted_lb: float) -> None:
        """Give back what is of another material, then load up to what is wanted on board."""
        if self.material and material != self.material:
            self.errands.append(Errand(len(self.legs) - 1, "return", self.yard_id, self.material))
            self.on_board_lb = 0.0
        self.material = material
        capacity_lb = float(self.truck.about["capacity_lb"])
        bucket = float(self.rng.normal(900.0, 300.0))
        more = min(wanted_lb + max(bucket, 300.0), FULL * capacity_lb) - self.on_board_lb
        if more > 400.0:
            self.wait_at_yard(float(self.rng.uniform(5.0, 9.0)))
            self.errands.append(Errand(len(self.legs) - 1, "load", self.yard_id, material, more))
            self.on_board_lb += more

    def spread(self, leg: Leg) -> None:
        self.legs.append(leg)
        self.on_board_lb -= CAREFUL * expected_lb(self.truck, [leg])


def expected_lb(truck: Truck, legs: list[Leg]) -> float:
    """What a driver who knows the truck expects to leave the hopper along the legs."""
    total = 0.0
    for leg in legs:
        if leg.setting is not None:
            true, _ = truck.rates(leg.setting, np.array([leg.speed_mph]))
            total += float(true[0]) * leg.minutes * (1.0 if truck.closed_loop else SLOWED)
    return total


def run_route(shift: Shift, rows: list[Any], yard_id: str, happened: list[Incident]) -> None:
    """Drive one run of the plan, from the yard where the truck stands to its route's last segment.

    `rows` are the plan's rows of the run, in driving order.
    """
    truck, network = shift.truck, shift.network
    area, factor = HEAVY_HANDED.get(truck.truck_id, ("", 1.0))

    def setting_of(row: Any) -> Setting | None:
        if not row.target_rate_lb_per_lane_mile > 0:
            return None
        return truck.setting(row, factor if area and area in str(row.area_id) else 1.0)

    _, start = shift._yard(yard_id)
    skipped = tuple(one.where for one in happened if one.what == "skips")
    todo = [
        visit
        for visit in visits(network, rows, setting_of, start)
        if not (skipped and visit.way.road.segment_id.startswith(skipped))
    ]
    material = str(rows[0].material)
    expected = [expected_lb(truck, visit.legs()) for visit in todo]
    need = RESERVE * sum(expected)
    supplier = shift.yard_for(yard_id, material, need)
    if shift.yard_id != supplier:
        shift.to_yard(shift.leave_yard(), supplier)
    shift.load(material, need)
    at = shift.leave_yard()
    for number, visit in enumerate(todo):
        if shift.on_board_lb < RESERVE * expected[number] + 150.0:
            left = RESERVE * sum(expected[number:])
            shift.to_yard(at, shift.yard_for(yard_id, material, left))
            shift.load(material, left)
            at = shift.leave_yard()
        shift.legs += deadhead(network, at, visit.way.begins)
        for leg in _as_happened(visit, happened, number):
            shift.spread(leg)
        if number == 0:
            _stray(shift, visit, happened)
        at = visit.way.ends
    shift.to_yard(at, yard_id)


def _as_happened(visit: Visit, happened: list[Incident], number: int) -> list[Leg]:
    """The legs of a pass, with what happened on its segment."""
    here = [one.what for one in happened if one.where == visit.way.road.segment_id]
    legs = turned_round(visit) if "turns_round" in here else visit.legs()
    return [*legs, *private_yard(legs[-1])] if "off_road" in here else legs


def _stray(shift: Shift, visit: Visit, happened: list[Incident]) -> None:
    """Takes another route's segment along, with the setting of the first pass, and comes back."""
    for one in happened:
        if one.what == "strays":
            road = shift.network.roads[one.where]
            way = min(
                shift.network.ways_of(road),
                key=lambda way: shift.network.takes(visit.way.ends, way.begins),
            )
            shift.legs += deadhead(shift.network, visit.way.ends, way.begins)
            points = road.points if way.along else road.points[::-1]
            setting = visit.parts[0].setting
            shift.spread(Leg(points, road.speed_mph, road.segment_id, way.along, setting))
            shift.legs += deadhead(shift.network, way.ends, visit.way.ends)


def with_stops(legs: list[Leg], rng: np.random.Generator) -> list[Leg]:
    """The legs with waits at stop signs: at some of the corners, and where two roads are joined."""
    result = list(legs)
    for number in range(len(legs) - 1):
        here, there = legs[number], legs[number + 1]
        if (
            here.wait_s
            or here.segment_id == there.segment_id
            or here.length_m * there.length_m == 0
        ):
            continue
        before = here.points[-1] - here.points[-2]
        after = there.points[1] - there.points[0]
        corner = float(before @ after) < 0.64 * float(np.hypot(*before) * np.hypot(*after))
        if corner and rng.uniform() < STOP_SHARE:
            result[number] = replace(here, wait_s=float(rng.gamma(2.0, 4.0)) + 2.0)
    return result
