"""Shortest ways by the textbook, in plain Python: a graph of all vertices and one heap.

It imports nothing of the program. Lengths are geodesic (pyproj); what touches is seen in a flat
picture of the county. Source of the search: E. W. Dijkstra, A note on two problems in connexion
with graphs, Numerische Mathematik 1 (1959).
"""

from __future__ import annotations

import heapq
import itertools
import math
from dataclasses import dataclass

from pyproj import Geod

GEOD = Geod(ellps="WGS84")
MILE_M = 1609.344
DETOUR = 1.3
Point = tuple[float, float]


def miles(a: Point, b: Point) -> float:
    return float(GEOD.inv(*a, *b)[2]) / MILE_M


@dataclass(frozen=True)
class Spot:
    """On a line at so many miles from its first vertex, or off the roads at a point."""

    line: int
    at: float
    beside: float
    point: Point


class PlainRoads:
    """Lines with their direction, joined where an end of one touches another."""

    def __init__(self, lines: list[list[Point]], two_way: list[bool]) -> None:
        self.lines, self.two_way = lines, two_way
        self.along = [self._along(line) for line in lines]
        self.box = [
            (*map(min, zip(*line, strict=True)), *map(max, zip(*line, strict=True)))
            for line in lines
        ]
        self.joints: list[list[tuple[float, int]]] = []
        nodes: list[Point] = []
        ends = [point for line in lines for point in (line[0], line[-1])]
        for number, line in enumerate(lines):
            cuts = {0.0: line[0], self.along[number][-1]: line[-1]}
            west, south, east, north = self.box[number]
            for point in ends:
                near = west - 1e-4 < point[0] < east + 1e-4
                if not near or not south - 1e-4 < point[1] < north + 1e-4:
                    continue
                at, off = self._foot(number, point)
                if off < 1.0 / MILE_M and min(at, self.along[number][-1] - at) > 1.0 / MILE_M:
                    cuts[at] = point
            self.joints.append([(at, self._node(nodes, cuts[at])) for at in sorted(cuts)])
        self.out: dict[int, list[tuple[int, float]]] = {}
        for number, cuts_of in enumerate(self.joints):
            for (a, u), (b, v) in itertools.pairwise(cuts_of):
                self.out.setdefault(u, []).append((v, b - a))
                if two_way[number]:
                    self.out.setdefault(v, []).append((u, b - a))

    @staticmethod
    def _node(nodes: list[Point], point: Point) -> int:
        for number, other in enumerate(nodes):
            close = abs(point[0] - other[0]) + abs(point[1] - other[1]) < 1e-4
            if close and miles(point, other) < 1.0 / MILE_M:
                return number
        nodes.append(point)
        return len(nodes) - 1

    @staticmethod
    def _along(line: list[Point]) -> list[float]:
        found = [0.0]
        for a, b in itertools.pairwise(line):
            found.append(found[-1] + miles(a, b))
        return found

    def _foot(self, number: int, point: Point) -> tuple[float, float]:
        """Miles along a line to its nearest point, and how far off that is."""
        squeeze = math.cos(math.radians(point[1]))
        best = (0.0, math.inf)
        line, along = self.lines[number], self.along[number]
        for place, (a, b) in enumerate(itertools.pairwise(line)):
            dx, dy = (b[0] - a[0]) * squeeze, b[1] - a[1]
            px, py = (point[0] - a[0]) * squeeze, point[1] - a[1]
            share = min(1.0, max(0.0, (px * dx + py * dy) / (dx * dx + dy * dy)))
            foot = (a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]))
            off = miles(point, foot)
            if off < best[1]:
                best = (along[place] + share * (along[place + 1] - along[place]), off)
        return best

    def spot(self, number: int, at: float) -> Spot:
        """A place on a line."""
        line, along = self.lines[number], self.along[number]
        at = min(max(at, 0.0), along[-1])
        place = max(i for i in range(len(along) - 1) if along[i] <= at or i == 0)
        share = (at - along[place]) / (along[place + 1] - along[place])
        a, b = line[place], line[place + 1]
        point = (a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]))
        return Spot(number, at, 0.0, point)

    def beside(self, point: Point) -> Spot:
        """A place off the roads."""
        feet = [self._foot(number, point) for number in range(len(self.lines))]
        number = min(range(len(feet)), key=lambda one: feet[one][1])
        return Spot(number, feet[number][0], feet[number][1] * DETOUR, point)

    def way(self, start: Spot, end: Spot) -> float:
        """Miles from one place to another."""
        reach: dict[int, float] = {}
        heap: list[tuple[float, int]] = []
        before, after = self._around(start)
        heapq.heappush(heap, (after[0] - start.at, after[1]))
        if self.two_way[start.line]:
            heapq.heappush(heap, (start.at - before[0], before[1]))
        while heap:
            far, node = heapq.heappop(heap)
            if node in reach:
                continue
            reach[node] = far
            for other, step in self.out.get(node, ()):
                heapq.heappush(heap, (far + step, other))
        before, after = self._around(end)
        found = [reach.get(before[1], math.inf) + end.at - before[0]]
        if self.two_way[end.line]:
            found.append(reach.get(after[1], math.inf) + after[0] - end.at)
        same = start.line == end.line and self._around(start) == self._around(end)
        if same and (end.at >= start.at or self.two_way[start.line]):
            found.append(abs(end.at - start.at))
        best = min(found) + start.beside + end.beside
        return best if math.isfinite(best) else DETOUR * miles(start.point, end.point)

    def _around(self, spot: Spot) -> tuple[tuple[float, int], tuple[float, int]]:
        """The joints of a place's line before and after it."""
        joints = self.joints[spot.line]
        after = next((one for one in joints[1:] if one[0] > spot.at), joints[-1])
        return joints[joints.index(after) - 1], after
