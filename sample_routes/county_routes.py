"""The county's 14 plow routes: which roads each takes, and from where to where."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from county_network import Segment, driving_order
from county_shapes import Points

YARD_PLACES = {"CENTRAL": (11.15, 8.62), "LAKES": (7.62, 11.45), "EAST": (20.6, 10.05)}
NORTH_OF_MI = 10.6  # forecast zones: "north" above this line, "south" below


@dataclass(frozen=True)
class Stretch:
    """The part of some roads whose middles lie within a range of x and of y (county miles)."""

    route_id: str
    codes: tuple[str, ...]
    x: tuple[float, float] = (-1.0, 99.0)
    y: tuple[float, float] = (-1.0, 99.0)

    def holds(self, segment: Segment) -> bool:
        middle = segment.line.interpolate(0.5, normalized=True)
        return (
            any(segment.road.code.startswith(code) for code in self.codes)
            and self.x[0] <= middle.x < self.x[1]
            and self.y[0] <= middle.y < self.y[1]
        )


MAIN_STREET_X = 11.5
# First stretch that holds a segment wins. A code stands for all codes that start with it.
STRETCHES = (
    Stretch("R01", ("RP7", "SH41E", "SH41W", "SH41X"), x=(-1, 9.3)),
    Stretch("R02", ("RP18", "SH41E", "SH41W")),
    Stretch("R03", ("SH18", "MAIN")),
    Stretch("R04", ("SH41", "STAG")),
    Stretch("R04", ("CR11",), x=(16.2, 99)),
    Stretch("R05", ("CR7", "CR3")),
    Stretch("R06", ("CR4",)),
    Stretch("R06", ("CR20",), y=(-1, 5.8)),
    Stretch("R07", ("CR10",)),
    Stretch("R08", ("PINE", "LOON", "BIRC", "HERN")),
    Stretch("R10", ("FRON", "DEPO", "MILL", "WATE", "RIVN", "CR11")),
    Stretch("R10", ("AV",), x=(MAIN_STREET_X, 99)),
    Stretch("R09", ("COUR", "OAKS", "ELMS", "SCHO", "ORCH", "PLUM", "CHER", "AV")),
    Stretch("R11", ("CR12", "CR9", "RIVS")),
    Stretch("R12", ("CR20", "QUAR", "BOGR", "OLDM")),
    Stretch("R13", ("CR14",), x=(-1, 16.7)),
    Stretch("R12", ("CR14",)),
    Stretch("R13", ("HILL", "LOST")),
    Stretch("R14", ("FOXF", "GRNG", "CHAP", "SAWM", "FAIR", "PRAI")),
    Stretch("R07", ("CR1",)),
)

# route, truck, yard, material, gallons of brine added per ton of dry material
ASSIGNMENTS = (
    ("R01", "TC-101", "CENTRAL", "rock_salt", 10),
    ("R02", "TC-102", "CENTRAL", "rock_salt", 10),
    ("R03", "TC-103", "CENTRAL", "rock_salt", 10),
    ("R04", "TC-104", "EAST", "rock_salt", 8),
    ("R05", "TC-105", "LAKES", "rock_salt", 0),
    ("R06", "TC-106", "CENTRAL", "rock_salt", 0),
    ("R07", "TC-107", "LAKES", "rock_salt", 0),
    ("R08", "TC-108", "LAKES", "sand_salt", 0),
    ("R09", "TC-109", "CENTRAL", "rock_salt", 0),
    ("R10", "TC-109", "CENTRAL", "rock_salt", 0),
    ("R11", "TC-105", "CENTRAL", "rock_salt", 0),
    ("R12", "TC-101", "EAST", "rock_salt", 10),
    ("R13", "TC-107", "LAKES", "rock_salt", 0),
    ("R14", "TC-104", "CENTRAL", "sand_salt", 0),
)


def zone(segment: Segment) -> str:
    """Forecast zone of a segment, by its middle."""
    return "north" if segment.line.interpolate(0.5, normalized=True).y > NORTH_OF_MI else "south"


def routed(segments: list[Segment]) -> list[Segment]:
    """Every segment with its route and its place in the driving order, route by route."""
    by_route: dict[str, list[Segment]] = {}
    for segment in segments:
        route_id = next(s.route_id for s in STRETCHES if s.holds(segment))
        by_route.setdefault(route_id, []).append(segment)
    result = []
    for route_id, _, yard_id, _, _ in ASSIGNMENTS:
        yard: Points = np.array(YARD_PLACES[yard_id])
        for number, segment in enumerate(driving_order(by_route[route_id], yard), start=1):
            result.append(replace(segment, route_id=route_id, sequence=number))
    return result
