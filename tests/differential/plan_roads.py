"""Segments cut at sensitive areas, in plain Python.

Lines and areas are straight in degrees between their vertices, as GeoJSON says (RFC 7946, 3.1.1);
lengths are geodesic. Areas are single rings without holes.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tests.differential.plan_numbers import geodesic_mi

Point = tuple[float, float]
Ring = Sequence[Point]

SAME_MI = 1e-7
"""Cuts nearer to each other than 0.2 mm are one cut."""


@dataclass(frozen=True)
class Part:
    """A piece of a line from one border to the next."""

    from_mi: float
    to_mi: float
    areas: tuple[str, ...]
    start: Point
    end: Point


def inside(point: Point, ring: Ring) -> bool:
    """Whether a point lies in a ring: an odd number of its edges lie to the east of it."""
    x, y = point
    odd = False
    for (x1, y1), (x2, y2) in itertools.pairwise(ring):
        if (y1 > y) != (y2 > y) and x < x1 + (y - y1) / (y2 - y1) * (x2 - x1):
            odd = not odd
    return odd


def _meets(a: Point, b: Point, ring: Ring) -> list[float]:
    """Shares of the way from a to b at which a ring is met."""
    found = []
    dx, dy = b[0] - a[0], b[1] - a[1]
    for c, d in itertools.pairwise(ring):
        ex, ey = d[0] - c[0], d[1] - c[1]
        turn = dx * ey - dy * ex
        if turn == 0.0:
            continue
        along = ((c[0] - a[0]) * ey - (c[1] - a[1]) * ex) / turn
        across = ((c[0] - a[0]) * dy - (c[1] - a[1]) * dx) / turn
        if 0.0 < along < 1.0 and 0.0 <= across <= 1.0:
            found.append(along)
    return found


def _between(a: Point, b: Point, share: float) -> Point:
    return (a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]))


def parts_of(line: Sequence[Point], areas: Mapping[str, Ring]) -> list[Part]:
    """The pieces of a line, each in the same areas from end to end; lengths add up."""
    pieces: list[Part] = []
    travelled = 0.0
    for a, b in itertools.pairwise(line):
        length = geodesic_mi(a, b)
        cuts = sorted({0.0, 1.0, *(t for ring in areas.values() for t in _meets(a, b, ring))})
        for low, high in itertools.pairwise(cuts):
            start, end = _between(a, b, low), _between(a, b, high)
            # distances are counted from the vertex, so that the parts of an edge sum to the edge
            begin = travelled + (geodesic_mi(a, start) if low > 0.0 else 0.0)
            stop = travelled + (geodesic_mi(a, end) if high < 1.0 else length)
            middle = _between(a, b, (low + high) / 2.0)
            names = tuple(sorted(name for name, ring in areas.items() if inside(middle, ring)))
            if pieces and (pieces[-1].areas == names or stop - begin < SAME_MI):
                last = pieces.pop()
                pieces.append(Part(last.from_mi, stop, last.areas, last.start, end))
            else:
                pieces.append(Part(begin, stop, names, start, end))
        travelled += length
    return pieces


def point_at(line: Sequence[Point], miles: float) -> Point:
    """The point a distance along a line; beyond its ends the end itself."""
    for a, b in itertools.pairwise(line):
        length = geodesic_mi(a, b)
        if miles <= length:
            return _between(a, b, max(miles, 0.0) / length)
        miles -= length
    return line[-1]
