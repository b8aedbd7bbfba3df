"""Vector files (GeoJSON, GeoPackage, Shapefile, GeoParquet) as tables with WGS 84 geometry."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from spreadplan.errors import Problem
from spreadplan.schema.columns import Table

SUFFIXES = (".geojson", ".gpkg", ".parquet", ".shp")
WGS84 = "EPSG:4326"
#: A road this short is a slip of the mouse.
SHORTEST_M = 0.1


def find_vector(folder: Path, table: Table) -> tuple[list[Path], str]:
    """The files that may hold the table, and its usual name."""
    stem = table.file.removesuffix(".geojson")
    return [
        folder / f"{stem}{suffix}" for suffix in SUFFIXES if (folder / f"{stem}{suffix}").exists()
    ], table.file


def read_vector(path: Path, file: str) -> tuple[gpd.GeoDataFrame | None, list[Problem]]:
    """Features in WGS 84; ``None`` where the file as a whole cannot be used."""

    def failed(what: str, remedy: str) -> tuple[None, list[Problem]]:
        return None, [Problem(file, 0, "*", what, remedy)]

    try:
        if path.suffix == ".parquet":
            frame = gpd.read_parquet(path)
        else:
            frame = gpd.read_file(path, engine="pyogrio", on_invalid="ignore")
    except Exception as error:  # every driver has errors of its own kind
        return failed(_why_unreadable(path, error), "export it again as GeoJSON or GeoPackage")
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
    return frame, []


def _why_unreadable(path: Path, error: Exception) -> str:
    """What is wrong with a vector file, without the place where it lies."""
    if path.suffix == ".geojson":
        try:
            json.loads(path.read_text(encoding="utf-8-sig"))
        except json.JSONDecodeError as fault:
            return f"is not well-formed JSON ({fault.msg} in line {fault.lineno})"
        except (OSError, UnicodeDecodeError, RecursionError):
            return "is not text in UTF-8"
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

    def report(mask: np.ndarray, what: str, remedy: str, *, fatal: bool = True) -> None:
        problems.extend(
            Problem(file, int(position) + 1, "geometry", what, remedy, fatal)
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
                file,
                int(position) + 1,
                "geometry",
                f"is a {geometry[position].geom_type}",
                f"use a {table.vector}; split a multi-part line",
            )
        )
    usable = ~empty & ~wrong_kind
    bounds = shapely.bounds(geometry)
    outside = usable & ~(
        (bounds[:, 0] >= -180)
        & (bounds[:, 2] <= 180)
        & (bounds[:, 1] >= -90)
        & (bounds[:, 3] <= 90)
    )
    report(
        outside,
        "lies outside the globe: longitude and latitude may be swapped, or the "
        "coordinate system is not the one declared",
        "write longitude first, in degrees",
    )
    usable &= ~outside
    if table.vector == "LineString":
        _line_problems(geometry, usable, report)
    else:
        report(
            usable & ~shapely.is_valid(geometry), "crosses itself", "draw it again without loops"
        )
    return frame.set_geometry(gpd.GeoSeries(geometry, index=frame.index, crs=WGS84)), problems


def _line_problems(geometry: np.ndarray, usable: np.ndarray, report) -> None:  # type: ignore[no-untyped-def]
    lengths = np.where(usable, shapely.length(geometry), np.nan)
    # 1e-6 degrees are about 0.1 m
    zero = usable & (lengths < SHORTEST_M * 1e-5)
    report(zero, "has no length", "remove the segment or draw its second end")
    suspects = usable & ~zero & ~shapely.is_simple(geometry)
    repeats = np.zeros(len(geometry), dtype=bool)
    for position in np.flatnonzero(suspects):
        once = shapely.length(shapely.union_all([geometry[position]]))
        repeats[position] = once < lengths[position] * (1 - 1e-6)
    report(
        repeats,
        "runs twice along the same road, which counts its length twice",
        "draw it once and give the number of passes",
        fatal=False,
    )


def swapped_problem(frame: gpd.GeoDataFrame, yards: pd.DataFrame, file: str) -> list[Problem]:
    """Lines far from every yard that would be near with longitude and latitude exchanged."""
    if frame.empty or yards.empty:
        return []
    middle = shapely.get_coordinates(shapely.centroid(frame.geometry.to_numpy()))
    places = yards[["lon", "lat"]].to_numpy(dtype=float)

    def nearest(points: np.ndarray) -> np.ndarray:
        gaps = [np.hypot(*(points - place).T) for place in places]
        return np.asarray(np.min(gaps, axis=0))

    on_globe = (np.abs(middle) <= (180.0, 90.0)).all(axis=1)
    swapped = on_globe & (nearest(middle) > 10) & (nearest(middle[:, ::-1]) < 2)
    return [
        Problem(
            file,
            int(position) + 1,
            "geometry",
            "lies far from every yard, but near one with its coordinates exchanged",
            "write longitude first, then latitude",
        )
        for position in np.flatnonzero(swapped)
    ]


def same_line_cautions(frame: gpd.GeoDataFrame, file: str) -> list[Problem]:
    """Segments of one route that are the same line, in either direction, under two names."""
    if frame.empty:
        return []
    # most segments differ in their bounds: only those that share them are compared in full
    bounds = pd.DataFrame(shapely.bounds(frame.geometry.to_numpy())).assign(
        route_id=frame["route_id"].to_numpy()
    )
    close = np.flatnonzero(bounds.duplicated(keep=False))
    shape = shapely.to_wkb(shapely.normalize(frame.geometry.to_numpy()[close]))
    keys = pd.DataFrame({"route_id": frame["route_id"].to_numpy()[close], "shape": shape})
    groups = keys.groupby(["route_id", "shape"])
    first = close[groups["shape"].transform(lambda rows: rows.index[0]).to_numpy(dtype=int)]
    repeats = first != close
    return [
        Problem(
            file,
            int(position) + 1,
            "geometry",
            f"is the same line as feature {original + 1} of its "
            "route, which counts its length twice",
            "keep one and give the number of passes",
            fatal=False,
        )
        for position, original in zip(close[repeats], first[repeats], strict=True)
    ]
