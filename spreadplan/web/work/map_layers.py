"""Map layers as GeoJSON text, no finer than the screen can show.

A small network is sent whole. Of a large one only what lies in view is sent, simplified to half a
pixel at the map's zoom, so that 100,000 segments stay usable.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from starlette.exceptions import HTTPException

from spreadplan.frames import lines

#: a network of so many lines or fewer is sent whole
WHOLE: Final = 4_000
#: zoom at which a whole network is simplified: nobody sees half a pixel of that
FINEST_ZOOM: Final = 16.0
TILE_PIXELS: Final = 512.0
MOST_LABELS: Final = 60
DIGITS: Final = 5
"""Decimals of a degree: about a metre."""

Box = tuple[float, float, float, float]


def box_of(text: str) -> Box | None:
    """West, south, east, north of an address; None where none is given."""
    if not text:
        return None
    try:
        west, south, east, north = (float(part) for part in text.split(","))
    except ValueError:
        raise HTTPException(400, "A box is west, south, east, north in degrees.") from None
    if not all(math.isfinite(end) for end in (west, south, east, north)):
        raise HTTPException(400, "A box is west, south, east, north in degrees.")
    return west, south, east, north


def zoom_of(text: str) -> float:
    """The zoom of an address."""
    try:
        zoom = float(text or FINEST_ZOOM)
    except ValueError:
        raise HTTPException(400, "A zoom is a number.") from None
    return min(max(zoom if math.isfinite(zoom) else FINEST_ZOOM, 0.0), FINEST_ZOOM)


def line_layer(
    geometry: gpd.GeoSeries,
    numbers: NDArray[np.int64],
    looks: Mapping[str, NDArray[Any]],
    box: Box | None,
    zoom: float,
) -> str:
    """Lines as a GeoJSON text with a member ``whole``: whether nothing was left out.

    Parameters
    ----------
    geometry : lines in WGS 84 degrees, shape (n,).
    numbers : what each line goes by, its property ``i``, shape (n,).
    looks : further properties, each of few different values, shape (n,).
    box, zoom : what the map shows.
    """
    shapes = np.asarray(geometry.array, dtype=object)
    places = np.arange(len(shapes))
    whole = len(shapes) <= WHOLE or box is None
    if not whole and box is not None:
        places = np.flatnonzero(shapely.intersects(shapely.box(*box), shapes))
    half_pixel = 180.0 / (TILE_PIXELS * 2.0 ** (FINEST_ZOOM if whole else zoom))
    drawn = shapely.transform(
        # the ends stay; what preserves topology is nine times as slow and gains a line nothing
        shapely.simplify(shapes[places], half_pixel, preserve_topology=False),
        lambda at: np.round(at, DIGITS),
    )
    rows = list(zip(*(values[places].tolist() for values in looks.values()), strict=True))
    text = {row: json.dumps(dict(zip(looks, row, strict=True)))[1:] for row in set(rows)}
    features = ",".join(
        f'{{"type":"Feature","properties":{{"i":{number},{text[row]},"geometry":{shape}}}'
        for number, row, shape in zip(
            numbers[places].tolist(), rows, shapely.to_geojson(drawn).tolist(), strict=True
        )
    )
    return f'{{"type":"FeatureCollection","whole":{str(whole).lower()},"features":[{features}]}}'


def area_layer(areas: gpd.GeoDataFrame) -> dict[str, Any]:
    """Sensitive areas."""
    features = [
        {
            "type": "Feature",
            "properties": {"name": str(row.name or row.area_id)},
            "geometry": json.loads(shapely.to_geojson(shapely.simplify(row.geometry, 1e-5))),
        }
        for row in lines(areas)
    ]
    return {"type": "FeatureCollection", "features": features}


def yard_marks(yards: pd.DataFrame) -> list[dict[str, Any]]:
    """Where the yards are."""
    known = yards[yards["lon"].notna() & yards["lat"].notna()]
    return [{"name": str(row.yard_id), "at": [row.lon, row.lat]} for row in lines(known)]


def route_marks(segments: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    """A name for each route, at the middle of its longest segment; none where they are many."""
    # in degrees: good enough to choose by
    length = shapely.length(np.asarray(segments.geometry.array, dtype=object))
    order = np.argsort(-length, kind="stable")
    longest = segments.iloc[order].drop_duplicates("route_id")
    if len(longest) > MOST_LABELS or longest.empty:
        return []
    shapes = np.asarray(longest.geometry.array, dtype=object)
    parts = np.array([max(shapely.get_parts(shape), key=shapely.length) for shape in shapes])
    middles = shapely.line_interpolate_point(parts, 0.5, normalized=True)
    return [
        {"name": str(name), "at": [round(point.x, DIGITS), round(point.y, DIGITS)]}
        for name, point in zip(longest["route_id"], middles, strict=True)
    ]


def bounds(frames: Sequence[gpd.GeoDataFrame]) -> list[float]:
    """The box around all of them; a place on the equator where there is nothing."""
    boxes = [frame.total_bounds for frame in frames if len(frame)]
    if not boxes:
        return [-1.0, -1.0, 1.0, 1.0]
    ends = np.array(boxes)
    return [*ends[:, :2].min(axis=0).tolist(), *ends[:, 2:].max(axis=0).tolist()]
