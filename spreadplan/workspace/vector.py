"""Vector files (GeoJSON, GeoPackage, Shapefile, GeoParquet) as tables with WGS 84 geometry."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Protocol

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pandas.api.types import infer_dtype
from pyproj import Geod

from spreadplan.errors import Problem
from spreadplan.schema.columns import Table
from spreadplan.workspace.places import jumps
from spreadplan.workspace.vector_files import MOST_FEATURES, read_features, undisturbed

WGS84 = "EPSG:4326"


class FeatureReport(Protocol):
    """Names the features where ``mask`` is true."""

    def __call__(self, mask: np.ndarray, what: str, remedy: str, fatal: bool = True) -> None:
        """Add a problem for each."""


#: Shorter than this is a slip of the mouse, or a joint: `reconcile` takes ends so close for one.
SHORT_M = 1.0
#: 1 m from east to west at 80 degrees of latitude is no more degrees than this.
SHORT_DEG = 6e-5
#: About a millimeter: a segment without length is made so long, as nothing is divided by nothing.
LEAST_DEG = 1e-8
GEOD = Geod(ellps="WGS84")
SINGLE = ("string", "boolean", "empty", "floating", "integer", "datetime", "date", "decimal")
MANIFOLD = (list, tuple, dict, set, bytes, np.ndarray)
#: A line with a vertex each metre would be 100 km long; a lake's shore may have more.
MOST_VERTICES = {"LineString": 100_000, "Polygon": 300_000}
MOST_VERTICES_OF_ALL = 20_000_000
#: Vertices of a line, squared and added up: the work to find where lines run twice, which grows so
#: where they cross themselves everywhere.
MOST_CROSSING_WORK = 5_000_000


def read_vector(path: Path, file: str) -> tuple[gpd.GeoDataFrame | None, list[Problem]]:
    """Features in WGS 84; ``None`` where the file as a whole cannot be used."""

    def failed(what: str, remedy: str) -> tuple[None, list[Problem]]:
        return None, [Problem(file=file, row=0, column="*", what=what, remedy=remedy)]

    with undisturbed(path) as (opened, fault):
        if fault:
            return failed(*fault)
        try:
            frame, doubts = read_features(opened, file)
        except Exception as error:  # every driver has errors of its own kind
            return failed(
                _why_unreadable(opened, error), "export it again as GeoJSON or GeoPackage"
            )
    if not isinstance(frame, gpd.GeoDataFrame) or "geometry" not in frame:
        return failed("has no geometry", "export it again with its lines or polygons")
    if frame.crs is None:
        return failed(
            "does not say its coordinate system",
            "export it again with its CRS, or as GeoJSON in WGS 84",
        )
    try:
        frame = frame.to_crs(WGS84)
    except Exception:
        return failed(
            f"its coordinate system {frame.crs.name!r} cannot be converted",
            "export it again in WGS 84",
        )
    if len(frame) > MOST_FEATURES:
        return failed(f"has {len(frame):,} features", f"keep to {MOST_FEATURES:,}")
    return _single_values(frame), doubts


def _single_values(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Lists and the like as text, as which they are judged like any other cell."""
    for place, name in enumerate(frame.columns):
        column = frame.iloc[:, place]
        if name != "geometry" and column.dtype == object and infer_dtype(column) not in SINGLE:
            texts = column.map(lambda cell: str(cell) if isinstance(cell, MANIFOLD) else cell)
            frame = frame.assign(**{name: texts.astype(object)})
    return frame


def _why_unreadable(path: Path, error: Exception) -> str:
    """What is wrong with a vector file, without the place where it lies."""
    if path.suffix == ".geojson":
        try:
            json.loads(path.read_text(encoding="utf-8-sig"))
        except json.JSONDecodeError as fault:
            return f"is not well-formed JSON ({fault.msg} in line {fault.lineno})"
        except (OSError, UnicodeDecodeError):
            return "is not text in UTF-8"
        except (ValueError, RecursionError):
            return "is nested too deeply, or holds a number of thousands of digits"
    reason = " ".join(str(error).replace(str(path), path.name).split())
    return f"cannot be read ({reason[:120]})"


def short_shapefile_names(names: list[str], table: Table) -> dict[str, str]:
    """Names that the shapefile format cut to ten characters, and what they stand for.

    Only where one column can be meant: ``service_cl`` is the service class, but ``lane_width``
    has lost its unit and stays as it is.
    """
    spellings = [name for column in table.columns for name in column.spellings()]
    meant = {}
    for name in names:
        matches = [spelling for spelling in spellings if spelling[:10] == name]
        if len(name) == 10 and len(matches) == 1:
            meant[name] = matches[0]
    return meant


def geometry_problems(
    frame: gpd.GeoDataFrame, table: Table, file: str
) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Repair what is plain (a multi-part with one part, a third dimension); name the rest.

    Row numbers are the numbers of the features, from 1.
    """
    geometry = shapely.force_2d(frame.geometry.to_numpy())
    if table.vector == "LineString":
        single = (shapely.get_type_id(geometry) == 5) & (shapely.get_num_geometries(geometry) == 1)
        geometry[single] = shapely.get_geometry(geometry[single], 0)
    problems: list[Problem] = []

    def report(mask: np.ndarray, what: str, remedy: str, fatal: bool = True) -> None:
        problems.extend(
            Problem(
                file=file,
                row=int(position) + 1,
                column="geometry",
                what=what,
                remedy=remedy,
                fatal=fatal,
            )
            for position in np.flatnonzero(mask)
        )

    empty = shapely.is_missing(geometry) | shapely.is_empty(geometry)
    report(empty, "is empty", f"draw the {table.vector} or remove the feature")
    wanted = (1,) if table.vector == "LineString" else (3, 6)
    kinds = shapely.get_type_id(geometry)
    wrong_kind = ~empty & ~np.isin(kinds, wanted)
    for position in np.flatnonzero(wrong_kind):
        problems.append(
            Problem(
                file=file,
                row=int(position) + 1,
                column="geometry",
                what=f"is a {geometry[position].geom_type}",
                remedy=f"use a {table.vector}; split a multi-part line",
            )
        )
    usable = ~empty & ~wrong_kind & ~_too_many_vertices(geometry, table, report)
    usable &= ~_misplaced(geometry, usable, report)
    broken, jumping = jumps(geometry, usable, table.vector, file)
    usable &= ~broken
    problems += jumping
    # the others are named and of no further use
    geometry[~usable] = None
    if table.vector == "LineString":
        problems += _short_lines(geometry, usable, file)
        _line_problems(geometry, usable, report)
    else:
        report(
            usable & ~shapely.is_valid(geometry),
            "crosses itself",
            "draw it again without loops",
        )
    return frame.set_geometry(gpd.GeoSeries(geometry, index=frame.index, crs=WGS84)), problems


def _misplaced(geometry: np.ndarray, usable: np.ndarray, report: FeatureReport) -> np.ndarray:
    """Which of the usable features lie outside the globe or have a vertex without a place."""
    known = geometry.copy()
    known[~usable] = None
    places, owner = shapely.get_coordinates(known, return_index=True)
    nowhere = np.zeros(len(geometry), dtype=bool)
    nowhere[owner[~np.isfinite(places).all(axis=1)]] = True
    report(nowhere, "has a vertex that is nowhere", "draw the feature again")
    outside = np.zeros(len(geometry), dtype=bool)
    outside[owner[(np.abs(places) > (180.0, 90.0)).any(axis=1)]] = True
    outside &= ~nowhere
    report(
        outside,
        "lies outside the globe: longitude and latitude may be swapped, or the "
        "coordinate system is not the one declared",
        "write longitude first, in degrees",
    )
    return np.asarray(nowhere | outside)


def _too_many_vertices(geometry: np.ndarray, table: Table, report: FeatureReport) -> np.ndarray:
    """Which features are too large to be looked at; all of them where together they are."""
    counts = shapely.get_num_coordinates(geometry)
    most = MOST_VERTICES[table.vector]
    large = counts > most
    report(large, f"has more than {most:,} vertices", "simplify it, or split it")
    if counts.sum() <= MOST_VERTICES_OF_ALL:
        return np.asarray(large)
    first = np.arange(len(geometry)) == 0
    report(first, f"has {counts.sum():,} vertices with all that follow", "simplify the features")
    return np.ones(len(geometry), dtype=bool)


def _short_lines(geometry: np.ndarray, usable: np.ndarray, file: str) -> list[Problem]:
    """One line for all segments that are hardly there; those without length get the least."""
    lengths = shapely.length(geometry)
    places = [
        place
        for place in np.flatnonzero(usable & (lengths < SHORT_DEG)).tolist()
        if GEOD.geometry_length(geometry[place]) < SHORT_M
    ]
    if not places:
        return []
    none = [place for place in places if lengths[place] < LEAST_DEG]
    for place in none:
        lon, lat = geometry[place].coords[0]
        geometry[place] = shapely.LineString([(lon, lat), (lon, lat - np.copysign(LEAST_DEG, lat))])
    first, *others = places
    what = "has no length" if none and not others else "is shorter than 3 ft (1 m)"
    if others:
        named = ", ".join(str(place + 1) for place in others[:5]) + (", …" if others[5:] else "")
        what += f", as are {len(others):,} more ({named})"
        what += f", {len(none):,} of them without any length" if none else ""
    fatal = len(places) > usable.sum() / 2
    remedy = (
        "check the coordinate system of the file, or draw the second ends"
        if fatal
        else "carried as it is; if it is a slip, draw its second end or remove it"
    )
    return [
        Problem(file=file, row=first + 1, column="geometry", what=what, remedy=remedy, fatal=fatal)
    ]


def _line_problems(geometry: np.ndarray, usable: np.ndarray, report: FeatureReport) -> None:
    lengths = shapely.length(geometry)
    suspects = usable & ~shapely.is_simple(geometry)
    repeats = np.zeros(len(geometry), dtype=bool)
    counts = shapely.get_num_coordinates(geometry).astype(float)
    places = np.flatnonzero(suspects)
    places = places[np.argsort(counts[places], kind="stable")]
    looked_at = np.cumsum(counts[places] ** 2) <= MOST_CROSSING_WORK
    for position in places[looked_at]:
        once = shapely.length(shapely.union_all([geometry[position]]))
        repeats[position] = once < lengths[position] * (1 - 1e-6)
    left = np.zeros(len(geometry), dtype=bool)
    left[places[~looked_at]] = True
    report(
        left,
        "crosses itself; whether it runs twice along a road was not looked at",
        "check it on a map",
        fatal=False,
    )
    report(
        repeats,
        "runs twice along the same road, which counts its length twice",
        "draw it once and give the number of passes",
        fatal=False,
    )


def same_line_cautions(frame: gpd.GeoDataFrame, file: str) -> list[Problem]:
    """Segments of one route that are the same line, in either direction, under two names."""
    if frame.empty:
        return []
    # most segments differ in their bounds: only those that share them are compared in full
    bounds = pd.DataFrame(shapely.bounds(frame.geometry.to_numpy())).assign(
        route_id=frame["route_id"].to_numpy()
    )
    drawn = ~shapely.is_missing(frame.geometry.to_numpy())
    close = np.flatnonzero(bounds.duplicated(keep=False).to_numpy() & drawn)
    shape = shapely.to_wkb(shapely.normalize(frame.geometry.to_numpy()[close]))
    keys = pd.DataFrame({"route_id": frame["route_id"].to_numpy()[close], "shape": shape})
    keys["first"] = close
    first = keys.groupby(["route_id", "shape"])["first"].transform("first").to_numpy(dtype=int)
    repeats = first != close
    return [
        Problem(
            file=file,
            row=int(position) + 1,
            column="geometry",
            what=f"is the same line as feature {original + 1} of its "
            "route, which counts its length twice",
            remedy="keep one and give the number of passes",
            fatal=False,
        )
        for position, original in zip(close[repeats], first[repeats], strict=True)
    ]
