"""The county's roads as a truck drives them: a directed network in metres, and ways through it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from county_shapes import METRES_PER_MILE, Points, from_lon_lat
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

DEADHEAD_FACTOR, DEADHEAD_MOST_MPH = 1.25, 45.0
SAME_PLACE_M = 0.5


@dataclass(frozen=True, eq=False)
class Road:
    """One segment of routes.geojson. `points`, shape (n, 2), are metres east and north."""

    segment_id: str
    route_id: str
    points: Points
    ends: tuple[int, int]  # nodes
    speed_mph: float
    two_way: bool


@dataclass(frozen=True)
class Way:
    """One segment driven from end to end; `along` is the digitised direction."""

    road: Road
    along: bool

    @property
    def begins(self) -> int:
        return self.road.ends[0 if self.along else 1]

    @property
    def ends(self) -> int:
        return self.road.ends[1 if self.along else 0]


class Network:
    """All segments, the nodes that they join at, and the fastest ways between nodes."""

    def __init__(self, features: list[dict[str, Any]]) -> None:
        known: dict[tuple[float, float], int] = {}
        roads = []
        for feature in features:
            line, about = feature["geometry"]["coordinates"], feature["properties"]
            a, b = (known.setdefault(tuple(place), len(known)) for place in (line[0], line[-1]))
            points = from_lon_lat(np.array(line)) * METRES_PER_MILE
            roads.append(
                Road(
                    about["segment_id"],
                    about["route_id"],
                    points,
                    (a, b),
                    float(about["speed_mph"]),
                    bool(about["two_way"]),
                )
            )
        self.roads = {road.segment_id: road for road in roads}
        self.nodes: Points = from_lon_lat(np.array(list(known))) * METRES_PER_MILE
        self._fastest: dict[tuple[int, int], Way] = {}
        minutes: dict[tuple[int, int], float] = {}
        for way in (w for road in roads for w in self.ways_of(road)):
            pair = way.begins, way.ends
            takes = _length_m(way.road.points) / deadhead_mph(way.road)
            if takes < minutes.get(pair, np.inf):
                minutes[pair], self._fastest[pair] = takes, way
        graph = coo_array(
            (list(minutes.values()), np.array(list(minutes)).T), shape=(len(known),) * 2
        )
        self._takes, self._before = dijkstra(graph.tocsr(), return_predecessors=True)

    @staticmethod
    def ways_of(road: Road) -> list[Way]:
        """The ways that a road may be driven."""
        return [Way(road, True), *([Way(road, False)] if road.two_way else [])]

    def takes(self, start: int, end: int) -> float:
        """How long the fastest way takes, in metres per mph: good for comparing."""
        return float(self._takes[start, end])

    def path(self, start: int, end: int) -> list[Way]:
        """The fastest way from node to node."""
        found, at = [], end
        while at != start:
            before = int(self._before[start, at])
            found.append(self._fastest[before, at])
            at = before
        return found[::-1]

    def nearest(self, place: Points) -> int:
        """The node nearest to a place in metres, shape (2,)."""
        return int(np.argmin(np.hypot(*(self.nodes - place).T)))


def deadhead_mph(road: Road) -> float:
    """How fast a truck drives a road when it doesn't spread."""
    return min(road.speed_mph * DEADHEAD_FACTOR, DEADHEAD_MOST_MPH)


def read_network(folder: Path) -> Network:
    """The network of a workspace's routes.geojson."""
    text = (folder / "routes.geojson").read_text(encoding="utf-8")
    return Network(json.loads(text)["features"])


def _length_m(points: Points) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum())
