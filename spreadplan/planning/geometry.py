"""Lengths on the ellipsoid, and cutting segments where sensitive areas begin and end.

Works on plain arrays: degrees for positions (WGS 84), miles for lengths. A position along a line
is its distance from the line's first vertex, so a line that crosses itself is no special case.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import Geod

from spreadplan.units import METRES_PER_MILE

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WGS84 = Geod(ellps="WGS84")
#: what counts as touching an area: about 0.1 mm, well above the rounding of a computed crossing.
TOUCH_DEG = 1e-9
#: cuts nearer to each other, or to an end of the line, than 0.2 mm are one cut.
SAME_CUT_MI = 1e-7


@dataclass(frozen=True, kw_only=True)
class Edges:
    """The straight pieces of many lines, in order.

    Attributes
    ----------
    line : index of the line each edge belongs to, ascending, shape (m,).
    start, end : longitude and latitude of its two vertices in degrees, shape (m, 2).
    length_mi : geodesic length, shape (m,).
    offset_mi : distance from the line's first vertex to ``start``, shape (m,).
    first, last : index of the first and the last edge of each line, shape (n,).
    line_mi : geodesic length of each line, shape (n,).
    """

    line: Ints
    start: Floats
    end: Floats
    length_mi: Floats
    offset_mi: Floats
    first: Ints
    last: Ints
    line_mi: Floats


def edges_of(lines: Any) -> Edges:
    """The edges of LineStrings in WGS 84 degrees; every line needs two vertices or more."""
    lines = np.asarray(lines, dtype=object)
    coords, line_of = shapely.get_coordinates(lines, return_index=True)
    inside = line_of[1:] == line_of[:-1]
    start, end, line = coords[:-1][inside], coords[1:][inside], line_of[:-1][inside]
    _, _, metres = WGS84.inv(start[:, 0], start[:, 1], end[:, 0], end[:, 1])
    length_mi = np.asarray(metres, dtype=float) / METRES_PER_MILE
    number = np.arange(len(lines))
    first = np.searchsorted(line, number, side="left")
    last = np.searchsorted(line, number, side="right") - 1
    # summing line by line, not over the whole county, keeps the last digits of short lengths
    line_mi = np.bincount(line, weights=length_mi, minlength=len(lines)).astype(float)
    before = np.cumsum(length_mi) - length_mi
    offset_mi = before - before[first[line]] if len(line) else before
    return Edges(
        line=line,
        start=start,
        end=end,
        length_mi=length_mi,
        offset_mi=offset_mi,
        first=first,
        last=last,
        line_mi=line_mi,
    )


def segment_lengths_mi(geometry: Any) -> Floats:
    """Geodesic length of each LineString on WGS 84.

    Parameters
    ----------
    geometry : LineStrings in degrees, of two vertices or more, shape (n,).

    Returns
    -------
    Miles, shape (n,).

    Source of the method: C. F. F. Karney, Algorithms for geodesics, J. Geodesy 87 (2013), through
    pyproj.
    """
    return edges_of(geometry).line_mi


def distance_mi(lon_a: Any, lat_a: Any, lon_b: Any, lat_b: Any) -> Floats:
    """Geodesic distance between points on WGS 84.

    Parameters
    ----------
    lon_a, lat_a, lon_b, lat_b : degrees; shapes broadcast.

    Returns
    -------
    Miles, of the shape they broadcast to; NaN where a coordinate is not finite.

    Source of the method: as for `segment_lengths_mi`.
    """
    lon_a, lat_a, lon_b, lat_b = np.broadcast_arrays(lon_a, lat_a, lon_b, lat_b)
    known = np.isfinite(lon_a) & np.isfinite(lat_a) & np.isfinite(lon_b) & np.isfinite(lat_b)
    out = np.full(known.shape, np.nan)
    _, _, metres = WGS84.inv(lon_a[known], lat_a[known], lon_b[known], lat_b[known])
    out[known] = np.asarray(metres, dtype=float) / METRES_PER_MILE
    return out


def points_along(edges: Edges, line: Ints, miles: Floats) -> Floats:
    """Longitude and latitude ``miles`` along line number ``line``, shape (k, 2).

    A distance below 0 or beyond the line's end gives the end itself.
    """
    reach = np.cumsum(edges.length_mi)
    origin = reach[edges.first[line]] - edges.length_mi[edges.first[line]]
    edge = np.searchsorted(reach, origin + miles, side="left")
    edge = np.clip(edge, edges.first[line], edges.last[line])
    length = edges.length_mi[edge]
    share = np.divide(
        miles - edges.offset_mi[edge], length, out=np.zeros(len(edge)), where=length > 0
    )
    share = np.clip(share, 0.0, 1.0)[:, None]
    return edges.start[edge] * (1.0 - share) + edges.end[edge] * share


def _crossings(edges: Edges, borders: Any) -> tuple[Ints, Floats, Floats]:
    """Where lines meet borders: line, miles along it and position; unsorted, with repeats."""
    pieces = shapely.linestrings(np.stack([edges.start, edges.end], axis=1))
    edge, border = shapely.STRtree(borders).query(pieces, predicate="intersects")
    # a shared stretch comes back as a line: its two ends are the crossings
    met = shapely.intersection(pieces[edge], borders[border])
    position, of_pair = shapely.get_coordinates(met, return_index=True)
    edge = edge[of_pair]
    # a degree of longitude is not as long everywhere, so a share of degrees is not one of miles
    from_vertex = distance_mi(*edges.start[edge].T, *position.T)
    miles = edges.offset_mi[edge] + np.minimum(from_vertex, edges.length_mi[edge])
    return edges.line[edge], miles, position


def _areas_at(points: Floats, areas: Any) -> list[tuple[int, ...]]:
    """Numbers of the areas that hold each point; a point on the border is inside."""
    tree = shapely.STRtree(areas)
    point, area = tree.query(shapely.points(points), predicate="dwithin", distance=TOUCH_DEG)
    found: list[list[int]] = [[] for _ in range(len(points))]
    for one_point, one_area in zip(point.tolist(), area.tolist(), strict=True):
        found[one_point].append(one_area)
    return [tuple(sorted(numbers)) for numbers in found]


@dataclass(frozen=True, kw_only=True)
class _Pieces:
    """Pieces of lines, ordered along them; ``areas`` are numbers of areas."""

    line: Ints
    from_mi: Floats
    to_mi: Floats
    start: Floats
    end: Floats
    areas: list[tuple[int, ...]]


def _elementary_pieces(edges: Edges, areas: Any) -> _Pieces:
    """Lines cut at every border they meet, each piece with the areas that hold its middle."""
    line, miles, position = _crossings(edges, shapely.boundary(areas))
    inner = (miles > SAME_CUT_MI) & (miles < edges.line_mi[line] - SAME_CUT_MI)
    line, miles, position = line[inner], miles[inner], position[inner]
    order = np.lexsort((miles, line))
    line, miles, position = line[order], miles[order], position[order]
    new = np.ones(len(line), dtype=bool)
    new[1:] = (line[1:] != line[:-1]) | (miles[1:] - miles[:-1] > SAME_CUT_MI)
    line, miles, position = line[new], miles[new], position[new]

    number = np.arange(len(edges.line_mi))
    start_line = np.concatenate([number, line])
    start_mi = np.concatenate([np.zeros(len(number)), miles])
    start = np.concatenate([edges.start[edges.first], position])
    order = np.lexsort((start_mi, start_line))
    start_line, start_mi, start = start_line[order], start_mi[order], start[order]
    last = np.ones(len(start_line), dtype=bool)
    last[:-1] = start_line[1:] != start_line[:-1]
    end_mi = np.where(last, edges.line_mi[start_line], np.roll(start_mi, -1))
    end = np.where(last[:, None], edges.end[edges.last[start_line]], np.roll(start, -1, axis=0))
    middle = points_along(edges, start_line, (start_mi + end_mi) / 2.0)
    return _Pieces(
        line=start_line,
        from_mi=start_mi,
        to_mi=end_mi,
        start=start,
        end=end,
        areas=_areas_at(middle, areas),
    )


def _joined(pieces: _Pieces) -> _Pieces:
    """Neighbouring pieces of a line that lie in the same areas, made one."""
    new = np.ones(len(pieces.line), dtype=bool)
    same_areas = [
        before == after for before, after in zip(pieces.areas, pieces.areas[1:], strict=False)
    ]
    new[1:] = (pieces.line[1:] != pieces.line[:-1]) | ~np.array(same_areas, dtype=bool)
    first = np.flatnonzero(new)
    last = np.append(first[1:] - 1, len(new) - 1)
    return _Pieces(
        line=pieces.line[first],
        from_mi=pieces.from_mi[first],
        to_mi=pieces.to_mi[last],
        start=pieces.start[first],
        end=pieces.end[last],
        areas=[pieces.areas[number] for number in first.tolist()],
    )


def _piece_lines(edges: Edges, pieces: _Pieces) -> Any:
    """The LineString of each piece: its start, the vertices within it, its end."""
    # vertices that are not the first of their line: each ends an edge
    vertex_mi = edges.offset_mi + edges.length_mi
    span = 2.0 * max(float(edges.line_mi.max(initial=0.0)), 1.0)
    # one number that sorts by line and then by distance finds the piece of every vertex at once
    piece = (
        np.searchsorted(
            pieces.line * span + pieces.from_mi, edges.line * span + vertex_mi, side="right"
        )
        - 1
    )
    within = (vertex_mi > pieces.from_mi[piece] + SAME_CUT_MI) & (
        vertex_mi < pieces.to_mi[piece] - SAME_CUT_MI
    )
    number = np.arange(len(pieces.line))
    owner = np.concatenate([number, piece[within], number])
    miles = np.concatenate([pieces.from_mi, vertex_mi[within], pieces.to_mi])
    points = np.concatenate([pieces.start, edges.end[within], pieces.end])
    order = np.lexsort((miles, owner))
    return shapely.linestrings(points[order], indices=owner[order])


def split_at_areas(routes: gpd.GeoDataFrame, areas: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame:
    """Segments cut exactly where sensitive areas begin and end.

    Parameters
    ----------
    routes : LineStrings in WGS 84 degrees, one a row, with any columns (route_id, segment_id, ...).
    areas : Polygons or MultiPolygons in the same degrees with ``area_id``; None or empty for none.

    Returns
    -------
    GeoDataFrame, one row a part, in the order of ``routes`` and along each segment: all columns of
    ``routes`` and ``part`` (1, 2, ...), ``from_mi``, ``to_mi``, ``length_mi``, ``area_ids`` (tuple
    of the areas it lies in; a stretch along a border lies in). The lengths of a segment's parts
    sum to the segment's geodesic length.
    """
    lines = np.asarray(routes.geometry.array, dtype=object)
    edges = edges_of(lines)
    shapes = np.asarray([] if areas is None else areas.geometry.array, dtype=object)
    touched = np.array([], dtype=np.int64)
    if len(shapes):
        hits, _ = shapely.STRtree(shapes).query(lines, predicate="dwithin", distance=TOUCH_DEG)
        touched = np.unique(hits)
    if not len(touched):
        return _with_parts(routes, np.arange(len(lines)), np.zeros(len(lines)), edges.line_mi, None)
    cut_edges = edges_of(lines[touched])
    pieces = _joined(_elementary_pieces(cut_edges, shapes))
    cut_lines = _piece_lines(cut_edges, pieces)
    ids = np.asarray(areas["area_id"] if areas is not None else [], dtype=object)
    whole = np.setdiff1d(np.arange(len(lines)), touched)
    owner = np.concatenate([whole, touched[pieces.line]])
    from_mi = np.concatenate([np.zeros(len(whole)), pieces.from_mi])
    to_mi = np.concatenate([edges.line_mi[whole], pieces.to_mi])
    geometry = np.concatenate([lines[whole], cut_lines])
    names = np.empty(len(owner), dtype=object)
    names[:] = [()] * len(whole) + [tuple(ids[list(numbers)]) for numbers in pieces.areas]
    order = np.lexsort((from_mi, owner))
    parts = _with_parts(routes, owner[order], from_mi[order], to_mi[order], names[order])
    return parts.set_geometry(gpd.GeoSeries(geometry[order], index=parts.index, crs=routes.crs))


def _with_parts(
    routes: gpd.GeoDataFrame, owner: Ints, from_mi: Floats, to_mi: Floats, area_ids: Any
) -> gpd.GeoDataFrame:
    """Rows ``owner`` of the routes with the columns that describe a part."""
    if area_ids is None:
        area_ids = np.empty(len(owner), dtype=object)
        area_ids[:] = [()] * len(owner)
    parts = routes.iloc[owner].reset_index(drop=True)
    first = np.ones(len(owner), dtype=bool)
    first[1:] = owner[1:] != owner[:-1]
    position = np.arange(len(owner))
    part = position - np.maximum.accumulate(np.where(first, position, 0)) + 1
    return parts.assign(
        part=part,
        from_mi=from_mi,
        to_mi=to_mi,
        length_mi=to_mi - from_mi,
        area_ids=pd.Series(area_ids, index=parts.index, dtype=object),
    )
