"""The roads of Tamarack County, an invented place: what each road is and where it runs.

Coordinates are county miles. The names, the county and the town do not exist.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from county_shapes import beside, between, blob, moved_to, rounded
from shapely import LineString, Point

HALF_MEDIAN_MI = 0.009  # carriageway centre line to highway centre line: about 48 ft
RAMP_REACH_MI = 0.32  # along the highway, from the crossing to the ramp's nose
RAMP_FOOT_MI = 0.09  # along the crossroad, from the highway to the ramp's foot


@dataclass(frozen=True)
class Road:
    """One named road. `ties` names the roads that its two ends are snapped to ("" = dead end).

    `passes_over` names roads that it crosses on a bridge or below one: no node there.
    """

    code: str
    name: str
    kind: str
    line: LineString
    ties: tuple[str, str] = ("", "")
    two_way: bool = True
    passes_over: tuple[str, ...] = ()


@dataclass(frozen=True)
class Kind:
    """How a class of road is treated. `lanes` is all lanes, `passes` runs per application."""

    lanes: float
    lane_width_ft: float
    passes: int
    speed_mph: float
    service_class: str
    longest_piece_mi: float


KINDS = {
    "divided": Kind(2, 12, 1, 35, "A", 1.4),
    "highway": Kind(2, 12, 2, 35, "A", 1.3),
    "main_street": Kind(4, 12, 2, 20, "A", 0.5),
    "ramp": Kind(1, 14, 1, 25, "A", 1.0),
    "county": Kind(2, 11, 1, 30, "B", 1.35),
    "river_road": Kind(2, 11, 1, 25, "B", 0.8),
    "lake_road": Kind(2, 10, 2, 20, "C", 0.7),
    "township": Kind(2, 10, 2, 20, "C", 1.1),
    "one_way_street": Kind(2, 11, 1, 20, "B", 0.5),
    "street": Kind(2, 11, 1, 18, "B", 0.5),
}

RIVER = rounded(
    [
        (19.4, 19.2), (18.1, 17.6), (16.5, 16.6), (16.2, 15.4), (14.9, 14.6), (15.1, 13.3),
        (13.8, 12.6), (13.7, 11.4), (12.7, 10.7), (12.9, 9.7), (12.5, 8.9), (13.0, 7.9),
        (12.4, 7.0), (13.2, 6.2), (13.0, 5.2), (14.2, 4.6), (13.8, 3.4), (15.0, 2.3),
        (14.7, 1.0), (15.3, 0.0),
    ],
    0.6,
)  # fmt: skip
LAKE = blob((4.9, 13.5), (1.35, 1.05), seed=7)
MILL_POND = blob((18.6, 6.9), (0.45, 0.3), seed=5)

SH41 = rounded(
    [
        (0, 6.6), (3.9, 6.7), (7.0, 7.7), (9.4, 8.15), (11.9, 8.2), (13.9, 7.9), (16.2, 8.2),
        (18.4, 9.3), (20.4, 9.75), (22.3, 9.6), (26.0, 10.5),
    ],
    0.9,
)  # fmt: skip
SH41_DIVIDED = between(SH41, (0, 6.6), (18.4, 9.3))
SH41_SINGLE = between(SH41, (18.4, 9.3), (26.0, 10.5))
SH18 = rounded(
    [
        (10.6, 0), (10.6, 2.4), (11.2, 4.0), (11.2, 6.2), (11.42, 7.6), (11.42, 8.7),
        (11.68, 9.95), (11.6, 10.9), (11.0, 12.1), (11.0, 14.2), (11.5, 15.4), (11.4, 19.0),
    ],
    0.5,
)  # fmt: skip
CR7 = rounded(
    [
        (7.0, 0), (7.0, 2.9), (6.6, 3.9), (6.6, 5.0), (7.0, 6.2), (7.0, 10.3), (7.35, 11.3),
        (7.35, 15.3), (7.0, 16.4), (7.0, 19.0),
    ],
    0.4,
)  # fmt: skip
CR12 = rounded(
    [(15.9, 2.9), (15.9, 7.0), (16.1, 8.2), (16.1, 11.2), (16.75, 12.6), (16.75, 15.3)], 0.4
)

COUNTY_ROADS = [
    Road("CR7", "County Road 7", "county", CR7, passes_over=("SH41E", "SH41W")),
    Road("CR4", "County Road 4", "county", rounded(
        [(0, 3.0), (4.8, 3.0), (5.5, 2.65), (9.2, 2.65), (10.6, 3.0), (13.2, 3.0), (14.2, 3.25),
         (15.9, 3.05), (21.0, 3.0)], 0.4), ("", "CR20")),
    Road("CR1", "County Road 1", "county", rounded(
        [(2.4, 0.0), (2.4, 4.2), (2.85, 5.2), (2.85, 9.2), (2.4, 10.2), (2.4, 11.2)], 0.35),
        ("", "CR10")),
    Road("CR10", "County Road 10", "county", rounded(
        [(0, 11.1), (2.4, 11.15), (4.4, 11.7), (5.6, 11.6), (7.3, 11.15), (9.3, 10.9),
         (11.5, 11.1)], 0.5), ("", "SH18N")),
    Road("CR11", "County Road 11", "county", rounded(
        [(11.6, 10.85), (12.3, 11.35), (14.2, 11.5), (16.1, 11.2), (18.4, 11.2), (19.3, 11.6),
         (21.1, 11.6), (26.0, 11.7)], 0.4), ("SH18N", "")),
    Road("CR12", "County Road 12", "county", CR12, ("CR4", "CR14"), passes_over=("SH41E", "SH41W")),
    Road("CR14", "County Road 14", "county", rounded(
        [(0, 15.3), (2.6, 15.3), (4.2, 15.75), (6.2, 15.3), (9.6, 15.3), (11.5, 15.5),
         (14.3, 15.7), (16.75, 15.3), (20.9, 15.3), (24.6, 15.6)], 0.5)),
    Road("CR20", "County Road 20", "county", rounded(
        [(21.0, 0), (21.0, 5.1), (21.45, 6.0), (21.45, 10.6), (20.95, 11.6), (20.95, 15.3)], 0.4),
        ("", "CR14")),
    Road("CR3", "County Road 3", "county", rounded(
        [(2.85, 5.5), (4.7, 5.5), (6.7, 5.2), (9.3, 5.2), (11.2, 5.6)], 0.5), ("CR1", "SH18S")),
    Road("CR9", "County Road 9", "county", rounded(
        [(11.2, 6.1), (12.5, 6.0), (14.1, 6.25), (15.9, 6.0), (18.6, 6.0), (20.2, 5.6),
         (21.2, 5.6)], 0.4), ("SH18S", "CR20")),
    Road("RIVN", "North River Road", "river_road",
         beside(between(RIVER, (14.9, 14.6), (13.75, 11.9)), 0.13), ("CR14", "CR11")),
    Road("RIVS", "South River Road", "river_road",
         beside(between(RIVER, (13.0, 5.75), (13.9, 3.5)), -0.14), ("CR9", "CR4")),
]  # fmt: skip

PINE_SHORE = rounded(
    [(7.35, 14.9), (6.6, 14.75), *beside(LineString(LAKE[8:36]), 0.16).coords, (5.3, 12.0),
     (5.6, 11.6)], 0.2
)  # fmt: skip
BACK_COUNTRY = [
    Road("PINE", "Pine Shore Road", "lake_road", PINE_SHORE, ("CR7", "CR10")),
    Road("LOON", "Loon Point Lane", "lake_road", rounded(
        [(2.9, 13.9), (2.1, 14.2), (1.4, 14.0)], 0.3), ("PINE", "")),
    Road("BIRC", "Birch Bay Lane", "lake_road", rounded(
        [(4.6, 15.0), (4.5, 15.3), (4.55, 15.9)], 0.2), ("PINE", "CR14")),
    Road("HERN", "Heron Trail", "lake_road", rounded(
        [(3.5, 12.3), (2.9, 11.9), (2.0, 12.2), (1.5, 12.0)], 0.3), ("PINE", "")),
    Road("FOXF", "Fox Farm Road", "township", rounded(
        [(4.9, 3.0), (4.9, 1.6), (4.5, 1.1), (4.5, 0.4)], 0.3), ("CR4", "")),
    Road("QUAR", "Quarry Road", "township", rounded(
        [(20.95, 13.5), (22.3, 13.5), (23.0, 14.0), (23.9, 13.8)], 0.35), ("CR20", "")),
    Road("BOGR", "Tamarack Bog Road", "township", rounded(
        [(19.0, 15.3), (19.0, 16.3), (19.6, 17.0), (19.5, 18.1)], 0.35), ("CR14", "")),
    Road("SAWM", "Sawmill Road", "township", rounded(
        [(17.8, 6.0), (17.8, 7.3), (17.5, 7.9), (17.6, 8.8)], 0.3), ("CR9", "SH41E")),
    Road("FAIR", "Fairview Road", "township", rounded(
        [(18.5, 6.0), (18.5, 4.6), (18.1, 4.1), (18.1, 3.0)], 0.3), ("CR9", "CR4")),
    Road("GRNG", "Grange Road", "township", rounded(
        [(9.1, 5.2), (9.1, 3.8), (8.7, 3.3), (8.7, 2.65)], 0.3), ("CR3", "CR4")),
    Road("CHAP", "Chapel Road", "township", rounded(
        [(2.85, 8.4), (4.3, 8.4), (4.9, 9.0), (4.9, 11.6)], 0.35), ("CR1", "CR10")),
    Road("HILL", "Hillcrest Road", "township", rounded(
        [(7.35, 13.4), (8.6, 13.4), (9.3, 13.9), (11.0, 13.9)], 0.35), ("CR7", "SH18N")),
    Road("LOST", "Lost Creek Road", "township", rounded(
        [(7.0, 17.3), (8.4, 17.3), (9.0, 17.8), (9.9, 17.7)], 0.35), ("CR7", "")),
    Road("PRAI", "Prairie Road", "township", rounded(
        [(21.0, 1.6), (22.6, 1.6), (23.3, 2.0), (24.4, 2.0)], 0.35), ("CR20", "")),
    Road("OLDM", "Old Mill Road", "township", rounded(
        [(18.4, 11.2), (18.4, 12.7), (19.2, 13.4), (20.95, 13.4)], 0.4), ("CR11", "CR20")),
    Road("STAG", "Stage Road", "township", rounded(
        [(21.45, 7.6), (23.0, 7.6), (23.8, 8.2), (23.8, 9.9)], 0.4), ("CR20", "SH41")),
]  # fmt: skip


def highway_roads() -> list[Road]:
    """State Highway 41, divided in its western part, and State Highway 18 through the town."""
    east = beside(SH41_DIVIDED, HALF_MEDIAN_MI, taper_end_mi=0.4)
    west = beside(SH41_DIVIDED, -HALF_MEDIAN_MI, taper_end_mi=0.4).reverse()
    town = between(SH18, (11.42, 8.75), (11.66, 10.2))
    over = ("SH41E", "SH41W")
    return [
        Road("SH41E", "State Highway 41 eastbound", "divided", east, two_way=False),
        Road("SH41W", "State Highway 41 westbound", "divided", west, two_way=False),
        Road(
            "SH41X",
            "Crossover at the county line",
            "ramp",
            LineString([west.coords[-1], east.coords[0]]),
        ),
        Road("SH41", "State Highway 41", "highway", SH41_SINGLE),
        Road(
            "SH18S",
            "State Highway 18",
            "highway",
            between(SH18, (10.6, 0), town.coords[0]),
            passes_over=over,
        ),
        Road("MAIN", "Main Street (State Highway 18)", "main_street", town),
        Road("SH18N", "State Highway 18", "highway", between(SH18, town.coords[-1], (11.4, 19))),
    ]


def ramp_roads(roads: dict[str, Road], cross_code: str, loop: bool) -> list[Road]:
    """The one-way ramps between State Highway 41 and one crossroad, in driving direction.

    A diamond has an exit and an entry for each carriageway. With `loop`, eastbound traffic leaves
    past the bridge on a loop inside the entry ramp, as where there's no room for a fourth straight
    one.
    """
    cross = roads[cross_code]
    number = cross_code[2:].rstrip("NS")
    ramps = []
    for heading, side in (("E", -1), ("W", 1)):  # the crossroads run northwards
        carriageway = roads[f"SH41{heading}"].line
        crossing = carriageway.intersection(cross.line)
        assert isinstance(crossing, Point)
        at = carriageway.project(crossing)
        foot = cross.line.project(crossing) + side * RAMP_FOOT_MI
        looped = loop and heading == "E"
        exit_foot = cross.line.interpolate(foot)
        entry_foot = cross.line.interpolate(foot + side * (0.12 if looped else 0.0))
        off = (
            _loop_ramp(carriageway, at, exit_foot)
            if looped
            else _straight_ramp(carriageway, at, -1.0, exit_foot)
        )
        on = _straight_ramp(carriageway, at, 1.6 if looped else 1.0, entry_foot)[::-1]
        for letter, word, points, ties in (
            ("X", "exit", off, (f"SH41{heading}", cross_code)),
            ("N", "entry", on, (cross_code, f"SH41{heading}")),
        ):
            name = f"Ramp, Highway 41 {heading}B {word} at {cross.name}"
            line = rounded(points, 0.1)
            ramps.append(Road(f"RP{number}{heading}{letter}", name, "ramp", line, ties, False))
    return ramps


def _straight_ramp(
    carriageway: LineString, at: float, stretch: float, foot: Point
) -> list[tuple[float, float]]:
    """From the nose on the carriageway, `stretch` times the reach away, to the crossroad."""
    nose = at + stretch * RAMP_REACH_MI
    toward = -math.copysign(1.0, stretch)
    shape = ((0.0, 0.0), (0.08, 0.004), (0.17, 0.03), (0.26, 0.075))
    longer = abs(stretch)
    points = [moved_to(carriageway, nose + toward * d, r * longer**2) for d, r in shape]
    return [*points, (foot.x, foot.y)]


def _loop_ramp(carriageway: LineString, at: float, foot: Point) -> list[tuple[float, float]]:
    """A clockwise loop that leaves past the bridge and comes back to the crossroad's foot."""
    radius = 0.06
    top = np.array(moved_to(carriageway, at + 0.15, 0.006))
    centre = np.array(moved_to(carriageway, at + 0.15, 0.006 + radius))
    start = math.atan2(*(top - centre)[::-1])
    turn = [start - math.radians(degrees) for degrees in range(0, 181, 20)]
    circle = [
        (float(centre[0] + radius * math.cos(a)), float(centre[1] + radius * math.sin(a)))
        for a in turn
    ]
    return [moved_to(carriageway, at + 0.05, 0.0), *circle, (foot.x, foot.y)]


def town_roads() -> list[Road]:
    """Streets of Alder Falls: a grid along Main Street, a one-way pair, a looping subdivision."""
    main = between(SH18, (11.44, 8.8), (11.66, 10.0))
    start = np.array(main.coords[0])
    along = np.array(main.coords[-1]) - start
    along /= np.hypot(*along)
    across = np.array([along[1], -along[0]])

    def at(blocks_east: float, blocks_north: float) -> tuple[float, float]:
        x, y = start + across * 0.11 * blocks_east + along * 0.13 * (blocks_north + 0.5)
        return float(x), float(y)

    streets = [
        Road("COUR", "Court Street", "one_way_street", rounded([at(-1, 6), at(-1, 0)], 0.02),
             two_way=False),
        Road("FRON", "Front Street", "one_way_street", rounded([at(1, 0), at(1, 6)], 0.02),
             two_way=False),
        Road("OAKS", "Oak Street", "street", rounded([at(-2, 0), at(-2, 6)], 0.02)),
        Road("ELMS", "Elm Street", "street", rounded([at(-3, 0), at(-3, 5)], 0.02)),
        Road("DEPO", "Depot Street", "street",
             rounded([at(2, 0), at(2, 5.4), at(2.4, 6.2)], 0.06)),
        Road("SCHO", "School Street", "street", rounded([at(-4.2, 1), at(-4, 2), at(-4, 5)], 0.08)),
    ]  # fmt: skip
    reach = {"First": (-3, 2), "Second": (-4.2, 2), "Third": (-4, 4), "Fourth": (-4, 2),
             "Fifth": (-4, 2), "Sixth": (-4, 2), "Seventh": (-2, 1)}  # fmt: skip
    for i, (ordinal, (west, east)) in enumerate(reach.items()):
        ends = [at(west, i), at(east, i)]
        streets.append(Road(f"AV{i + 1}", f"{ordinal} Avenue", "street", rounded(ends, 0.02)))
    streets += [
        Road("ORCH", "Orchard Drive", "street", rounded(
            [at(-4, 2), at(-5.3, 2), at(-6.2, 2.8), at(-6.2, 4.4), at(-5.2, 5), at(-4, 5)], 0.09),
            ("AV3", "AV6")),
        Road("PLUM", "Plum Court", "street", rounded(
            [at(-6.2, 3.6), at(-7.2, 3.6), at(-7.7, 4.1)], 0.05), ("ORCH", "")),
        Road("CHER", "Cherry Court", "street", rounded(
            [at(-5.3, 2.0), at(-5.5, 1.2), at(-5.2, 0.6)], 0.05), ("ORCH", "")),
        Road("MILL", "Mill Street", "street", rounded(
            [at(4, 2), at(4.7, 2.7), at(4.7, 4.2)], 0.08), ("AV3", "")),
        Road("WATE", "Waterworks Road", "street", rounded(
            [at(1, 0), at(1.2, -1.0), at(2.8, -1.6)], 0.08), ("AV1", "")),
    ]  # fmt: skip
    return streets


def county_roads() -> list[Road]:
    """Every road of the county, with its loose ends tied to the roads that they meet."""
    named = {road.code: road for road in highway_roads() + COUNTY_ROADS}
    ramps = ramp_roads(named, "CR7", loop=False) + ramp_roads(named, "SH18S", loop=True)
    for road in ramps + BACK_COUNTRY + town_roads():
        named[road.code] = road
    for code, road in named.items():
        named[code] = replace(road, line=_tied(road, named))
    return list(named.values())


def _tied(road: Road, named: dict[str, Road]) -> LineString:
    """The road's line with each tied end moved onto the other road."""
    points = [tuple(p) for p in road.line.coords]
    for end, other in zip((0, -1), road.ties, strict=True):
        if other:
            host = named[other].line
            points[end] = host.interpolate(host.project(Point(points[end]))).coords[0]
    return LineString(points)
