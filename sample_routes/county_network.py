"""From the county's roads to its route segments: nodes, pieces, routes and driving order."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from county_roads import KINDS, Road
from county_shapes import DRAWING_TOLERANCE_MI, Points
from shapely import LineString, Point
from shapely.ops import substring

SAME_NODE_MI = 0.004  # about 20 ft: nearer than the two carriageways of a divided road


@dataclass(frozen=True)
class Segment:
    """One piece of road between two nodes. `points`, shape (n, 2), are county miles."""

    road: Road
    number: int
    points: Points
    route_id: str = ""
    sequence: int = 0

    @property
    def segment_id(self) -> str:
        return f"{self.road.code}-{self.number:02d}"

    @property
    def line(self) -> LineString:
        return LineString(self.points)


class Nodes:
    """The network's nodes: a place near a known node is that node."""

    def __init__(self) -> None:
        self._known: list[Points] = []

    def at(self, place: Points) -> Points:
        """The node at a place, made if there is none yet."""
        for node in self._known:
            if np.hypot(*(node - place)) <= SAME_NODE_MI:
                return node
        self._known.append(place.copy())
        return self._known[-1]


def joints(road: Road, roads: list[Road]) -> list[float]:
    """Distances along a road, in miles, where other roads meet it at grade."""
    found = []
    for other in roads:
        if other.code == road.code:
            continue
        bridged = other.code in road.passes_over or road.code in other.passes_over
        ends = [Point(other.line.coords[0]), Point(other.line.coords[-1])]
        meeting = [end for end in ends if road.line.distance(end) <= SAME_NODE_MI]
        if not bridged:
            crossing = road.line.intersection(other.line)
            meeting += [
                part
                for part in getattr(crossing, "geoms", [crossing])
                if isinstance(part, Point) and not part.is_empty
            ]
        found += [road.line.project(point) for point in meeting]
    return sorted(found)


def cut(road: Road, roads: list[Road], nodes: Nodes) -> list[Segment]:
    """A road cut at its nodes, and between them so that no piece is longer than its kind's."""
    inner: list[float] = []
    for distance in joints(road, roads):
        away_from_ends = SAME_NODE_MI < distance < road.line.length - SAME_NODE_MI
        if away_from_ends and (not inner or distance - inner[-1] > SAME_NODE_MI):
            inner.append(distance)
    stops = [0.0, *inner, road.line.length]
    segments: list[Segment] = []
    for start, end in pairwise(stops):
        count = int(np.ceil((end - start) / KINDS[road.kind].longest_piece_mi))
        steps = np.linspace(start, end, count + 1)
        for low, high in pairwise(steps):
            piece = substring(road.line, low, high).simplify(DRAWING_TOLERANCE_MI / 2)
            points = np.array(piece.coords)
            points[0], points[-1] = nodes.at(points[0]), nodes.at(points[-1])
            segments.append(Segment(road, len(segments) + 1, points))
    return segments


def county_segments(roads: list[Road]) -> list[Segment]:
    """All pieces of all roads, road by road."""
    nodes = Nodes()
    return [segment for road in roads for segment in cut(road, roads, nodes)]


def driving_order(segments: list[Segment], start: Points) -> list[Segment]:
    """The segments of one route in the order in which a driver would come to them.

    A plain walk: straight on while there is untreated road at this node, else on from the nearest
    untreated end. It makes a sensible order, not the shortest one.
    """
    left = list(segments)
    here, heading = start, np.array([0.0, 0.0])
    ordered = []
    while left:
        ways = [(s, back) for s in left for back in ((False, True) if s.road.two_way else (False,))]
        costs = [_walk_cost(s, back, here, heading) for s, back in ways]
        best, flipped = ways[costs.index(min(costs))]
        points = best.points[::-1] if flipped else best.points
        step = points[-1] - points[-2]
        here, heading = points[-1], step / np.hypot(*step)
        ordered.append(best)
        left.remove(best)
    return ordered


def _walk_cost(
    segment: Segment, flipped: bool, here: Points, heading: Points
) -> tuple[float, float, str]:
    """Distance to the segment's start first, then how sharp the turn into it is."""
    points = segment.points[::-1] if flipped else segment.points
    away = round(float(np.hypot(*(points[0] - here))), 3)
    step = points[1] - points[0]
    turn = 1.0 - float(step @ heading / np.hypot(*step))
    return away, round(turn, 3), segment.segment_id
