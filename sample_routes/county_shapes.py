"""Plane geometry of the invented county: rounded lines, carriageways, and cutting at nodes.

Everything here is in county miles: x east and y north of the county's south-west corner. Only
`to_lon_lat` leaves that plane.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Point
from shapely.ops import substring

Points = NDArray[np.float64]

ORIGIN_LON, ORIGIN_LAT = -94.27, 45.86
METRES_PER_MILE = 1609.344
BEND_STEPS = 8
DRAWING_TOLERANCE_MI = 0.0012  # about 6 ft: what a digitised road centre line holds

_PHI = math.radians(46.0)
# Length of a degree on the WGS 84 ellipsoid at latitude phi (series as printed in Snyder,
# Map Projections: A Working Manual, USGS Professional Paper 1395, 1987; from memory).
_MI_PER_DEG_LAT = (111132.95 - 559.85 * math.cos(2 * _PHI)) / METRES_PER_MILE
_MI_PER_DEG_LON = (111412.88 * math.cos(_PHI) - 93.50 * math.cos(3 * _PHI)) / METRES_PER_MILE


def to_lon_lat(points: Points) -> list[list[float]]:
    """County miles, shape (n, 2), to WGS 84 degrees rounded to about 4 inches."""
    lon = ORIGIN_LON + points[:, 0] / _MI_PER_DEG_LON
    lat = ORIGIN_LAT + points[:, 1] / _MI_PER_DEG_LAT
    return [[round(float(a), 6), round(float(b), 6)] for a, b in zip(lon, lat, strict=True)]


def from_lon_lat(degrees: Points) -> Points:
    """WGS 84 degrees, shape (n, 2), to county miles: `to_lon_lat` turned round."""
    return (degrees - [ORIGIN_LON, ORIGIN_LAT]) * [_MI_PER_DEG_LON, _MI_PER_DEG_LAT]


def rounded(points: Iterable[tuple[float, float]], radius_mi: float) -> LineString:
    """A polyline whose corners are eased by parabolic bends, as surveyed roads are.

    `radius_mi` is the tangent length of each bend; it is cut to 48 % of the shorter neighbouring
    side, so that bends never overlap.
    """
    corners = np.asarray(list(points), dtype=float)
    shaped = [corners[0]]
    for before, corner, after in zip(corners[:-2], corners[1:-1], corners[2:], strict=True):
        back, ahead = before - corner, after - corner
        sides = float(np.hypot(*back)), float(np.hypot(*ahead))
        tangent = min(radius_mi, 0.48 * min(sides))
        enter, leave = corner + back / sides[0] * tangent, corner + ahead / sides[1] * tangent
        for t in np.linspace(0.0, 1.0, BEND_STEPS):
            shaped.append((1 - t) ** 2 * enter + 2 * t * (1 - t) * corner + t**2 * leave)
    shaped.append(corners[-1])
    return LineString(np.array(shaped)).simplify(DRAWING_TOLERANCE_MI)


def densified(line: LineString, step_mi: float) -> Points:
    """Points along a line at most `step_mi` apart, both ends included, shape (n, 2)."""
    count = max(2, math.ceil(line.length / step_mi) + 1)
    at = np.linspace(0.0, line.length, count)
    return np.array([line.interpolate(d).coords[0] for d in at])


def beside(
    line: LineString, offset_mi: float, taper_end_mi: float = 0.0, step_mi: float = 0.05
) -> LineString:
    """A line running beside another; positive `offset_mi` lies to the right.

    Over the last `taper_end_mi` the offset shrinks to nothing: there a divided road's
    carriageways join.
    """
    points = densified(line, step_mi)
    along = np.gradient(points, axis=0)
    along /= np.hypot(along[:, 0], along[:, 1])[:, None]
    right = np.column_stack([along[:, 1], -along[:, 0]])
    offset = np.full(len(points), offset_mi)
    if taper_end_mi > 0:
        left_to_go = np.linspace(line.length, 0.0, len(points))
        share = np.clip(left_to_go / taper_end_mi, 0.0, 1.0)
        offset *= share * share * (3 - 2 * share)
    return LineString(points + right * offset[:, None]).simplify(DRAWING_TOLERANCE_MI)


def between(line: LineString, start: tuple[float, float], end: tuple[float, float]) -> LineString:
    """The stretch of a line between the places nearest to two points."""
    part = substring(line, line.project(Point(start)), line.project(Point(end)))
    assert isinstance(part, LineString)
    return part


def moved_to(line: LineString, distance_mi: float, right_mi: float) -> tuple[float, float]:
    """The point `right_mi` to the right of the place `distance_mi` along a line."""
    here = np.array(line.interpolate(distance_mi).coords[0])
    ahead = np.array(line.interpolate(distance_mi + 0.01).coords[0])
    back = np.array(line.interpolate(max(distance_mi - 0.01, 0.0)).coords[0])
    along = (ahead - back) / np.hypot(*(ahead - back))
    x, y = here + right_mi * np.array([along[1], -along[0]])
    return float(x), float(y)


def blob(
    centre: tuple[float, float], radii_mi: tuple[float, float], seed: int, roughness: float = 0.12
) -> Points:
    """A closed, lake-like outline, shape (49, 2), first point repeated."""
    rng = np.random.default_rng(seed)
    angle = np.linspace(0.0, 2 * np.pi, 49)[:-1]
    radius = np.ones_like(angle)
    for wave in range(2, 6):
        radius += roughness / wave * 2 * np.cos(wave * angle + rng.uniform(0, 2 * np.pi))
    outline = np.column_stack([np.cos(angle), np.sin(angle)]) * radius[:, None]
    outline = outline * np.array(radii_mi) + np.array(centre)
    return np.vstack([outline, outline[:1]])
