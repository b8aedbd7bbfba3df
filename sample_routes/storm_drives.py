"""What a truck drives for one route: its segments in turn, out and back, with its settings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import Any

import numpy as np
from county_shapes import METRES_PER_MILE, Points
from shapely import LineString
from shapely.ops import substring
from storm_roads import Network, Road, Way, deadhead_mph
from storm_trucks import Setting

PRIVATE_MPH, PRIVATE_REACH_M = 12.0, 260.0
SHORTEST_PIECE_M = 0.05


@dataclass(frozen=True, eq=False)
class Leg:
    """A stretch driven at one setting. `points`, shape (n, 2), are metres in driving order.

    `segment_id` is "" off the network. `wait_s` is how long the truck stands at the end.
    """

    points: Points
    speed_mph: float
    segment_id: str = ""
    along: bool = True
    setting: Setting | None = None
    wait_s: float = 0.0

    @property
    def length_m(self) -> float:
        return float(np.hypot(*np.diff(self.points, axis=0).T).sum())

    @property
    def minutes(self) -> float:
        return self.length_m / METRES_PER_MILE / self.speed_mph * 60.0


@dataclass(frozen=True)
class Part:
    """A part of a segment, in miles along its digitised direction, and its setting."""

    from_mi: float
    to_mi: float
    setting: Setting | None


@dataclass(frozen=True)
class Visit:
    """One pass over one segment."""

    way: Way
    parts: tuple[Part, ...]

    def legs(self, upto: float = 1.0) -> list[Leg]:
        """The legs of the pass, or of its first share only."""
        road, along = self.way.road, self.way.along
        line = LineString(road.points)
        limit = line.length * upto if along else line.length * (1.0 - upto)
        legs = []
        for part in self.parts if along else self.parts[::-1]:
            low, high = part.from_mi * METRES_PER_MILE, part.to_mi * METRES_PER_MILE
            low, high = (low, min(high, limit)) if along else (max(low, limit), high)
            if high - low > SHORTEST_PIECE_M:
                points = np.array(substring(line, low, high).coords)
                points = points if along else points[::-1]
                legs.append(Leg(points, road.speed_mph, road.segment_id, along, part.setting))
        return legs


def visits(
    network: Network, rows: Any, setting_of: Callable[[Any], Setting | None], start: int
) -> list[Visit]:
    """The passes over a route's segments in driving order, from a node on.

    `rows` are the plan's rows of one run. Segments that take two passes are driven out and back:
    as far as they follow one another, then home on the other side.
    """
    planned = [
        (network.roads[segment_id], _parts(list(parts), network.roads[segment_id], setting_of))
        for segment_id, parts in groupby(rows, key=lambda row: str(row.segment_id))
    ]
    passes = {str(row.segment_id): int(row.passes) for row in rows}
    found: list[Visit] = []
    at = start
    while planned:
        road, parts = planned.pop(0)
        way = min(network.ways_of(road), key=lambda way: network.takes(at, way.begins))
        chain = [Visit(way, parts)]
        if passes[road.segment_id] == 1:
            found += chain
        else:
            while planned and passes[planned[0][0].segment_id] > 1:
                onward = [w for w in network.ways_of(planned[0][0]) if w.begins == way.ends]
                if not onward:
                    break
                way = onward[0]
                chain.append(Visit(way, planned.pop(0)[1]))
            back = [Visit(Way(v.way.road, not v.way.along), v.parts) for v in chain[::-1]]
            found += chain + back
        at = found[-1].way.ends
    return found


def _parts(
    rows: list[Any], road: Road, setting_of: Callable[[Any], Setting | None]
) -> tuple[Part, ...]:
    """A segment's parts, stretched so that together they are the whole segment as drawn."""
    whole = LineString(road.points).length / METRES_PER_MILE
    scale = whole / rows[-1].to_mi
    return tuple(Part(r.from_mi * scale, r.to_mi * scale, setting_of(r)) for r in rows)


def deadhead(network: Network, start: int, end: int) -> list[Leg]:
    """The legs of the fastest way from node to node, not spreading."""
    return [
        Leg(
            way.road.points if way.along else way.road.points[::-1],
            deadhead_mph(way.road),
            way.road.segment_id,
            way.along,
        )
        for way in network.path(start, end)
    ]


def turned_round(visit: Visit) -> list[Leg]:
    """Half the pass, a turn in the road, back without spreading, and the whole pass again."""
    half = visit.legs(0.5)
    back = [
        Leg(leg.points[::-1], leg.speed_mph, leg.segment_id, not leg.along) for leg in half[::-1]
    ]
    return [*half, *back, *visit.legs()]


def private_yard(after: Leg) -> list[Leg]:
    """Off the network to the right of the end of a leg, spreading, and back."""
    end, before = after.points[-1], after.points[-2]
    ahead = (end - before) / np.hypot(*(end - before))
    right = np.array([ahead[1], -ahead[0]])
    corners = [(0.0, 0.0), (0.2, 0.7), (0.0, 1.0), (-0.35, 0.9), (-0.2, 0.5), (0.0, 0.0)]
    points = np.array([end + PRIVATE_REACH_M * (a * ahead + r * right) for a, r in corners])
    return [Leg(np.array(pair), PRIVATE_MPH, setting=after.setting) for pair in pairwise(points)]
