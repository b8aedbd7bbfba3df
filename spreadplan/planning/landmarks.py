"""What a driver sees along a route: crossings and roads by name, yards close by.

Miles are those of the plan's settings: road driven since the start of the route, each segment from
its first vertex to its last.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from spreadplan.planning.geometry import distance_mi, edges_of, points_along

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COLUMNS: Final = ("route_id", "at_mi", "name", "kind")
#: a yard so near to the road is seen from it; our choice.
YARD_MI: Final = 0.2
#: the same road met again so soon is one crossing.
SAME_PLACE_MI: Final = 0.03
MI_PER_DEGREE: Final = 69.0
"""Of latitude, about: a degree is never much longer, so a search by it finds all."""


def landmarks(parts: gpd.GeoDataFrame, yards: pd.DataFrame) -> pd.DataFrame:
    """Landmarks along every route.

    Parameters
    ----------
    parts : the parts of one application in driving order, as in ``plan_segments`` with geometry:
        route_id, segment_id, name, length_mi. Lines in WGS 84 degrees.
    yards : yard_id, lon, lat.

    Returns
    -------
    DataFrame, sorted by route and mile: route_id, at_mi, name, kind: ``crossing`` (another road
    meets it; one without a name is called by its route), ``road`` (a road of another name begins),
    ``yard``.
    """
    if not len(parts):
        return pd.DataFrame({name: [] for name in COLUMNS})
    route = parts["route_id"].astype(str).to_numpy(dtype=object)
    before = parts.groupby("route_id", sort=False)["length_mi"].cumsum() - parts["length_mi"]
    start = before.to_numpy()
    name = parts["name"].fillna("").astype(str).to_numpy(dtype=object)
    found = pd.concat(
        [
            _roads(route, start, name),
            _met(parts, route, start, name),
            _yards_by(parts, route, start, yards),
        ],
        ignore_index=True,
    )
    order = {"yard": 0, "road": 1, "crossing": 2}
    found = found.assign(place=found["kind"].map(order), near=found["at_mi"].round(1))
    found = found.sort_values(["route_id", "at_mi", "place", "name"], kind="stable")
    # a road is met by both of its segments at a node, and where it begins it is no crossing
    by = found.sort_values(["route_id", "name", "at_mi", "place"], kind="stable")
    again = (
        (by["route_id"] == by["route_id"].shift())
        & (by["name"] == by["name"].shift())
        & (by["at_mi"] - by["at_mi"].shift() < SAME_PLACE_MI)
    )
    return found.drop(index=by.index[again])[list(COLUMNS)].reset_index(drop=True)


def _roads(route: NDArray[np.object_], start: Floats, name: NDArray[np.object_]) -> pd.DataFrame:
    """Where a road of another name begins; the first is where the route does."""
    new = np.ones(len(route), dtype=bool)
    new[1:] = (route[1:] != route[:-1]) | (name[1:] != name[:-1])
    new &= name != ""
    return pd.DataFrame(
        {"route_id": route[new], "at_mi": start[new], "name": name[new], "kind": "road"}
    )


def _met(
    parts: gpd.GeoDataFrame,
    route: NDArray[np.object_],
    start: Floats,
    name: NDArray[np.object_],
) -> pd.DataFrame:
    """Where another road meets the route."""
    lines = parts.geometry.to_numpy()
    one, other = shapely.STRtree(lines).query(lines, predicate="intersects")
    # the next segment of the same road is no crossing, nor is a road of the same name
    differ = (name[one] != name[other]) & ((route[one] != route[other]) | (name[other] != ""))
    differ |= (name[one] == "") & (name[other] == "") & (route[one] != route[other])
    one, other = one[differ], other[differ]
    met = shapely.intersection(lines[one], lines[other])
    points = np.isin(shapely.get_type_id(met), (0, 4))  # roads driven together do not cross
    one, other, met = one[points], other[points], met[points]
    position, pair = shapely.get_coordinates(met, return_index=True)
    at = start[one[pair]] + _along(lines, one[pair], parts["length_mi"].to_numpy(), position)
    by_route = np.array([f"route {one}" for one in route], dtype=object)
    called = np.where(name == "", by_route, name)[other[pair]]
    return pd.DataFrame(
        {"route_id": route[one[pair]], "at_mi": at, "name": called, "kind": "crossing"}
    )


def _along(lines: NDArray[np.object_], line: Ints, length_mi: Floats, at: Floats) -> Floats:
    """How far along lines some points on them lie, miles."""
    share = shapely.line_locate_point(lines[line], shapely.points(at), normalized=True)
    return np.asarray(share, dtype=float) * length_mi[line]


def _yards_by(
    parts: gpd.GeoDataFrame, route: NDArray[np.object_], start: Floats, yards: pd.DataFrame
) -> pd.DataFrame:
    """Yards beside a route, each where the route comes nearest."""
    known = yards[np.isfinite(yards["lon"]) & np.isfinite(yards["lat"])]
    points = shapely.points(known["lon"], known["lat"])
    lines = parts.geometry.to_numpy()
    widest = YARD_MI / MI_PER_DEGREE / np.cos(np.radians(np.clip(known["lat"], -80.0, 80.0)))
    tree = shapely.STRtree(lines)
    yard, line = tree.query(points, predicate="dwithin", distance=widest.to_numpy())
    share = shapely.line_locate_point(lines[line], points[yard], normalized=True)
    edges = edges_of(lines[line])
    nearest = points_along(edges, np.arange(len(line)), share * edges.line_mi)
    miles = distance_mi(
        nearest[:, 0],
        nearest[:, 1],
        known["lon"].to_numpy()[yard],
        known["lat"].to_numpy()[yard],
    )
    table = pd.DataFrame(
        {
            "route_id": route[line],
            "at_mi": start[line] + share * parts["length_mi"].to_numpy()[line],
            "name": known["yard_id"].astype(str).to_numpy()[yard],
            "kind": "yard",
            "miles": miles,
        }
    )
    near = table[table["miles"] <= YARD_MI].sort_values("miles", kind="stable")
    return near.drop_duplicates(["route_id", "name"])[list(COLUMNS)]
