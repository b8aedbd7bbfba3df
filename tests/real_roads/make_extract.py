"""Makes `workspace/routes.geojson` from an OpenStreetMap extract: see README.md for its origin.

    pip install osmium
    python tests/real_roads/make_extract.py path/to/test.osm.pbf

Needs osmium besides spreadplan's own dependencies. The tests read the committed result only.
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import Geod
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components, dijkstra

WORKSPACE = Path(__file__).resolve().parent / "workspace"
YARD = (26.9495, 60.5281)  # lon, lat: invented, beside a real junction
TOWN_ROUTES = 5
GEOD = Geod(ellps="WGS84")

# lanes where the map doesn't say (a one-way carriageway has its own default), speed while
# spreading, and service class: this test's own choices
HIGHWAYS = {
    "motorway": (2, 55, "A"), "motorway_link": (1, 40, "A"), "trunk": (2, 50, "A"),
    "secondary": (2, 45, "A"), "tertiary": (2, 40, "B"), "unclassified": (2, 35, "B"),
    "residential": (2, 30, "C"), "living_street": (2, 20, "C"),
}  # fmt: skip
WIDTHS_M = {"A": 3.5, "B": 3.25, "C": 3.0}


@dataclass(frozen=True)
class Way:
    """One way of the map: its tags and its nodes in order, as (node id, lon, lat)."""

    osm_id: int
    tags: dict[str, str]
    nodes: list[tuple[int, float, float]]


@dataclass(frozen=True)
class Piece:
    """A part of a way between two junctions; `one_way` is in digitised direction."""

    way: Way
    nodes: list[tuple[int, float, float]]
    one_way: bool

    @property
    def metres(self) -> float:
        return float(GEOD.line_length([n[1] for n in self.nodes], [n[2] for n in self.nodes]))


def read_ways(extract: Path, highways: Iterable[str]) -> list[Way]:
    """The ways of some highway classes, with the nodes that lie inside the extract."""
    import osmium

    wanted = set(highways)
    ways = []
    for item in osmium.FileProcessor(str(extract)).with_locations():
        if item.is_way() and item.tags.get("highway") in wanted:
            nodes = [(n.ref, n.lon, n.lat) for n in item.nodes if n.location.valid()]
            if len(nodes) > 1:
                ways.append(Way(item.id, dict(item.tags), nodes))
    return ways


def direction(tags: dict[str, str]) -> int:
    """1: one-way as digitised, -1: one-way against it, 0: both ways."""
    given = tags.get("oneway", "")
    if given in ("-1", "reverse"):
        return -1
    implied = tags["highway"].startswith("motorway") or tags.get("junction") == "roundabout"
    return int(given in ("yes", "true", "1") or (implied and given != "no"))


def split_at_junctions(ways: list[Way]) -> Iterator[Piece]:
    """Every way cut at each node that it shares with another way or passes twice."""
    uses = Counter(node[0] for way in ways for node in way.nodes)
    for way in ways:
        heading = direction(way.tags)
        nodes = way.nodes[::-1] if heading < 0 else way.nodes
        inner = [i for i in range(1, len(nodes) - 1) if uses[nodes[i][0]] > 1]
        for start, end in pairwise([0, *inner, len(nodes) - 1]):
            yield Piece(way, nodes[start : end + 1], heading != 0)


class Network:
    """Pieces as edges between numbered junctions, driven both ways when laying out routes."""

    def __init__(self, pieces: list[Piece]) -> None:
        ends = [(piece.nodes[0], piece.nodes[-1]) for piece in pieces]
        number = {node[0]: i for i, node in enumerate(dict.fromkeys(n for e in ends for n in e))}
        self.places = np.array([n[1:] for n in dict.fromkeys(n for e in ends for n in e)])
        self.a = np.array([number[a[0]] for a, _ in ends])
        self.b = np.array([number[b[0]] for _, b in ends])
        self.metres = np.array([piece.metres for piece in pieces])
        shortest: dict[tuple[int, int], float] = {}
        for a, b, metres in zip(self.a, self.b, self.metres, strict=True):
            for key in ((int(a), int(b)), (int(b), int(a))):
                shortest[key] = min(metres, shortest.get(key, np.inf))
        rows, columns = np.array(list(shortest)).T
        size = len(self.places)
        self.graph = csr_array((list(shortest.values()), (rows, columns)), shape=(size, size))

    def largest_part(self) -> np.ndarray:
        """Which pieces belong to the largest connected part, shape (pieces,)."""
        _, part = connected_components(self.graph, directed=False)
        return part[self.a] == np.bincount(part).argmax()

    def nearest(self, place: tuple[float, float]) -> int:
        """The junction nearest to a lon, lat place."""
        metres = GEOD.inv(*np.broadcast_to(place, self.places.shape).T, *self.places.T)[2]
        return int(np.argmin(metres))


def territories(network: Network, members: np.ndarray, count: int, start: int) -> np.ndarray:
    """A territory for each piece: the nearest by road of `count` far apart junctions of members."""
    allowed = np.unique(np.concatenate([network.a[members], network.b[members]]))
    seeds = [start]
    while len(seeds) < count:
        away = dijkstra(network.graph, indices=seeds).min(axis=0)
        seeds.append(int(allowed[np.argmax(away[allowed])]))
    away = dijkstra(network.graph, indices=seeds)
    return np.argmin(away[:, network.a] + away[:, network.b], axis=0)


def walk(network: Network, members: list[int], start: int) -> list[int]:
    """The members in the order of a walk that always takes the nearest one left."""
    away = dijkstra(network.graph)
    here, left, order = start, list(members), []
    while left:
        gaps = [(min(away[here, network.a[i]], away[here, network.b[i]]), i) for i in left]
        chosen = min(gaps)[1]
        a, b = int(network.a[chosen]), int(network.b[chosen])
        here = b if away[here, a] <= away[here, b] else a
        order.append(chosen)
        left.remove(chosen)
    return order


def feature(piece: Piece, route_id: str, sequence: int, segment_id: str) -> dict[str, Any]:
    """One segment as the workspace contract has it, in metric units."""
    tags = piece.way.tags
    lanes, speed, service_class = HIGHWAYS[tags["highway"]]
    if tags.get("lanes", "").isdigit():
        lanes = int(tags["lanes"])
    elif piece.one_way and tags["highway"] != "motorway":
        lanes = 1
    properties = {
        "route_id": route_id,
        "segment_id": segment_id,
        "sequence": sequence,
        "name": tags.get("name", tags.get("ref", "")),
        "lanes": lanes,
        "lane_width_m": WIDTHS_M[service_class],
        "passes": 2 if lanes >= 2 and not piece.one_way and service_class == "A" else 1,
        "speed_km_h": speed,
        "service_class": service_class,
        "zone": "all",
        "two_way": not piece.one_way,
    }
    line = [[round(lon, 7), round(lat, 7)] for _, lon, lat in piece.nodes]
    geometry = {"type": "LineString", "coordinates": line}
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def route_features(pieces: list[Piece]) -> list[dict[str, Any]]:
    """The largest connected part as routes: the motorway with its ramps, and territories."""
    connected = Network(pieces).largest_part()
    pieces = [piece for piece, kept in zip(pieces, connected, strict=True) if kept]
    network = Network(pieces)
    start = network.nearest(YARD)
    motorway = np.array([p.way.tags["highway"].startswith("motorway") for p in pieces])
    route = np.where(motorway, 0, 1 + territories(network, ~motorway, TOWN_ROUTES, start))
    parts: Counter[int] = Counter()
    features = []
    for number in range(1 + TOWN_ROUTES):
        members = [int(i) for i in np.flatnonzero(route == number)]
        for sequence, index in enumerate(walk(network, members, start), start=1):
            osm_id = pieces[index].way.osm_id
            parts[osm_id] += 1
            segment_id = f"{osm_id}-{parts[osm_id]}"
            features.append(feature(pieces[index], f"K{number + 1}", sequence, segment_id))
    return features


if __name__ == "__main__":
    found = route_features(list(split_at_junctions(read_ways(Path(sys.argv[1]), HIGHWAYS))))
    lines = ",\n".join(json.dumps(f, separators=(",", ":"), ensure_ascii=False) for f in found)
    (WORKSPACE / "routes.geojson").write_text(
        f'{{"type":"FeatureCollection","features":[\n{lines}\n]}}\n', encoding="utf-8", newline="\n"
    )
