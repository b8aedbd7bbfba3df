"""What each truck put where, worked out again: slow, plain Python, from the files alone.

Good only for roads so far apart that the road of every position is beyond doubt. Nothing of the
package is used. Masses in lb, lengths in m.
"""

from __future__ import annotations

import contextlib
import csv
import json
import math
import statistics
import tomllib
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

#: exact by definition: NIST Handbook 44, 2024, appendix C (pound, mile)
KG_LB, MILE_M = 0.45359237, 1609.344
MASS_LB = {"lb": 1.0, "kg": 1 / KG_LB, "ton": 2000.0, "t": 1000 / KG_LB}
SPEED_MPS = {"mph": MILE_M / 3600, "km_h": 1 / 3.6}
GAP_S = 45.0
ON_ROAD_M, OFF_ROAD_M = 30.0, 60.0
NOT_MOVING_M = 5.0
JOINT_M = 4.0
OFF = "off_route"


@dataclass
class Fix:
    """One record; ``seg`` is the segment under it, -1 off the roads or unknown.

    A place that is not known is infinitely far away; ``seen`` tells a position of its own.
    """

    file: str
    row: int
    truck: str
    time: float | None
    x: float
    y: float
    speed: float
    on: bool
    total: float | None
    rate: float | None
    material: str
    unit_lb: float
    seg: int = -1
    distance: float = math.inf
    seen: bool = True


@dataclass
class Segment:
    """A straight segment in the plane; ``length`` on the ellipsoid."""

    route: str
    name: str
    start: tuple[float, float]
    end: tuple[float, float]
    lanes: float
    passes: float

    @property
    def length(self) -> float:
        return math.dist(self.start, self.end)

    @property
    def lane_miles(self) -> float:
        return self.length / MILE_M * self.lanes

    def along(self, x: float, y: float) -> float:
        """Metres from the digitised start to the perpendicular's foot, maybe beyond the ends."""
        (x0, y0), (x1, y1) = self.start, self.end
        return ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / self.length

    def distance(self, x: float, y: float) -> float:
        place = min(max(self.along(x, y), 0.0), self.length)
        share = place / self.length
        (x0, y0), (x1, y1) = self.start, self.end
        return math.dist((x, y), (x0 + share * (x1 - x0), y0 + share * (y1 - y0)))


@dataclass
class Place:
    """Sums on one segment (or off the roads) of one truck and material."""

    moving_lb: float = 0.0
    standing_lb: float = 0.0
    driven_m: float = 0.0
    runs: int = 0

    @property
    def lb(self) -> float:
        return self.moving_lb + self.standing_lb


@dataclass
class Storm:
    """What the telemetry of one storm says."""

    rows: int = 0
    refused: list[tuple[str, int]] = field(default_factory=list)
    fixes: dict[str, list[Fix]] = field(default_factory=dict)
    mass: dict[str, list[float]] = field(default_factory=dict)
    kind: dict[str, list[str]] = field(default_factory=dict)
    places: dict[tuple[str, str, str, str], Place] = field(default_factory=dict)
    usual_lb: dict[str, float] = field(default_factory=dict)
    #: by truck and material: mass of which nobody knows where it lies
    lost: dict[tuple[str, str], float] = field(default_factory=lambda: defaultdict(float))
    #: by route and segment: m driven, with the spreader on or off; by truck: share of its way heard
    driven: dict[tuple[str, str], float] = field(default_factory=lambda: defaultdict(float))
    heard: dict[str, float] = field(default_factory=dict)


def rows_of(path: Path) -> list[dict[str, str]]:
    """A CSV file's rows; none if there is no such file."""
    if not path.exists():
        return []
    with path.open(newline="", encoding="utf-8-sig") as file:
        return [{k.strip(): v.strip() for k, v in row.items()} for row in csv.DictReader(file)]


def plane(lon: float, lat: float) -> tuple[float, float]:
    """East and north of 94 W, 46 N in m; east along the parallel through the place."""
    a, e2 = 6_378_137.0, (2 - 1 / 298.257223563) / 298.257223563
    w = math.sqrt(1 - e2 * math.sin(math.radians(46.0)) ** 2)
    wide = math.sqrt(1 - e2 * math.sin(math.radians(lat)) ** 2)
    across = a / wide * math.cos(math.radians(lat))
    return math.radians(lon + 94.0) * across, math.radians(lat - 46.0) * a * (1 - e2) / w**3


def segments_of(folder: Path) -> list[Segment]:
    """The routes."""
    found = []
    for feature in json.loads((folder / "routes.geojson").read_text())["features"]:
        line, about = feature["geometry"]["coordinates"], feature["properties"]
        found.append(
            Segment(
                about["route_id"],
                about["segment_id"],
                plane(*line[0]),
                plane(*line[-1]),
                about["lanes"],
                about.get("passes", 1),
            )
        )
    return found


def renames_of(folder: Path, part: str) -> dict[str, tuple[str, str]]:
    """Our name → theirs and the unit, of one part of columns.toml."""
    path = folder / "columns.toml"
    if not path.exists():
        return {}
    found = tomllib.loads(path.read_text()).get(part, {})
    return {
        ours: (theirs, "") if isinstance(theirs, str) else (theirs["column"], theirs["unit"])
        for ours, theirs in found.items()
    }


def quantity(
    row: dict[str, str], name: str, units: dict[str, float], renames: dict[str, tuple[str, str]]
) -> tuple[str, float]:
    """Text and unit of a quantity, whatever unit it comes in; "" where there is none."""
    if name in renames and renames[name][0] in row:
        return row[renames[name][0]], units[renames[name][1]]
    for unit, factor in units.items():
        if f"{name}_{unit}" in row:
            return row[f"{name}_{unit}"], factor
    return "", 1.0


def read_storm(folder: Path, storm: str) -> Storm:
    """Every telemetry row, kept once or refused."""
    result = Storm()
    trucks = {row["truck_id"] for row in rows_of(folder / "trucks.csv")}
    zone = ZoneInfo(tomllib.loads((folder / "workspace.toml").read_text())["workspace"]["timezone"])
    renames = renames_of(folder, "telemetry")
    for path in sorted((folder / "storms" / storm / "telemetry").glob("*.csv")):
        latest: dict[str, tuple[datetime, int]] = {}
        by_truck: dict[str, list[Fix]] = {}
        for number, row in enumerate(rows_of(path), 2):
            result.rows += 1
            fix = read_row(row, path.name, number, trucks, zone, renames, latest)
            if fix is None:
                result.refused.append((path.name, number))
            else:
                by_truck.setdefault(fix.truck, []).append(fix)
        for truck, fixes in by_truck.items():
            find_times(fixes)
            result.fixes.setdefault(truck, []).extend(fixes)
    for truck, fixes in result.fixes.items():
        result.fixes[truck] = one_a_moment(fixes, result.refused)
    return result


def find_times(fixes: list[Fix]) -> None:
    """Time of a record without one: halfway between its neighbours, if the file is in order."""
    known = [fix.time for fix in fixes if fix.time is not None]
    if known != sorted(known):
        return
    for k, fix in enumerate(fixes):
        if fix.time is None and 0 < k < len(fixes) - 1:
            before, after = fixes[k - 1].time, fixes[k + 1].time
            assert before is not None  # no two such records stand together
            assert after is not None
            fix.time = 0.5 * (before + after)
        elif fix.time is None:
            steps = sorted(b - a for a, b in pairwise(known) if b > a)
            step = statistics.median(steps)
            fix.time = known[-1] + step if k else known[0] - step


def one_a_moment(fixes: list[Fix], refused: list[tuple[str, int]]) -> list[Fix]:
    """The first record of each moment, with what it lacks from the others, in order of time."""
    kept: dict[float, Fix] = {}
    for fix in fixes:
        if fix.time is None or fix.time in kept:
            refused.append((fix.file, fix.row))
        first = kept.setdefault(fix.time, fix) if fix.time is not None else fix
        if not first.seen:
            first.x, first.y, first.seen = fix.x, fix.y, fix.seen
        if first.total is None:
            first.total = fix.total
        if first.rate is None:
            first.rate = fix.rate
    return [kept[moment] for moment in sorted(kept)]


def read_row(
    row: dict[str, str],
    file: str,
    number: int,
    trucks: set[str],
    zone: ZoneInfo,
    renames: dict[str, tuple[str, str]],
    latest: dict[str, tuple[datetime, int]],
) -> Fix | None:
    """One record, nothing if nobody knows whose it is."""

    def cell(name: str) -> str:
        return row.get(renames[name][0], "") if name in renames else row.get(name, "")

    truck = cell("truck_id")
    if truck not in trucks:
        return None
    moment, place = None, None
    with contextlib.suppress(ValueError):
        moment = datetime.fromisoformat(cell("time"))
    with contextlib.suppress(ValueError):
        place = float(cell("lon")), float(cell("lat"))
    seen = place is not None and place != (0.0, 0.0)
    x, y = plane(*place) if place is not None and seen else (math.inf, math.inf)
    if moment is not None and moment.tzinfo is None:
        moment = fold_of(moment, truck, zone, latest)
    speed, mps = quantity(row, "speed", SPEED_MPS, renames)
    total, unit_lb = quantity(row, "feed_total", MASS_LB, renames)
    per_min = {f"{unit}_min": factor for unit, factor in MASS_LB.items()}
    rate, rate_lb = quantity(row, "feed_rate", per_min, renames)
    if not (total or rate) and (moment is None or not seen):
        return None
    return Fix(
        file,
        number,
        truck,
        moment.timestamp() if moment else None,
        x,
        y,
        float(speed) * mps,
        cell("spreading") == "1",
        float(total) * unit_lb if total else None,
        float(rate) * rate_lb if rate else None,
        cell("material"),
        unit_lb,
        seen=seen,
    )


def fold_of(
    moment: datetime, truck: str, zone: ZoneInfo, latest: dict[str, tuple[datetime, int]]
) -> datetime:
    """A local time with its zone: once the clock has jumped back, the later of two such times."""
    before, fold = latest.get(truck, (moment, 0))
    if moment < before:
        fold = 1
    latest[truck] = (moment, fold)
    return moment.replace(tzinfo=zone, fold=fold)


def interval_masses(fixes: list[Fix]) -> list[float]:
    """Mass released in the interval that ends at each record."""
    mass = [0.0] * len(fixes)
    if all(fix.total is None for fix in fixes):
        for k in range(1, len(fixes)):
            before, now = fixes[k - 1].rate, fixes[k].rate
            if before is not None and now is not None:
                mass[k] = 0.5 * (before + now) * (fixes[k].time - fixes[k - 1].time) / 60
        return mass
    known = [k for k, fix in enumerate(fixes) if fix.total is not None]
    rises = [
        fixes[b].total - fixes[a].total  # type: ignore[operator]
        for a, b in pairwise(known)
    ]
    usual = statistics.median([rise for rise in rises if rise > 0] or [1.0])
    for (a, b), rise in zip(pairwise(known), rises, strict=True):
        if rise < 0:
            rise = after_fall(fixes[a], fixes[b], usual * (b - a))
        weights = [spread_m(fixes[k - 1], fixes[k]) for k in range(a + 1, b + 1)]
        if sum(weights) < 1.0:
            weights = [
                (fixes[k].time - fixes[k - 1].time) * (fixes[k].on + fixes[k - 1].on)
                for k in range(a + 1, b + 1)
            ]
        if sum(weights) == 0.0:
            weights = [fixes[k].time - fixes[k - 1].time for k in range(a + 1, b + 1)]
        for k, weight in zip(range(a + 1, b + 1), weights, strict=True):
            mass[k] = rise * weight / sum(weights)
    return mass


def spread_m(before: Fix, now: Fix) -> float:
    """Distance of an interval on which the spreader was on; by speed where no place is known."""
    if math.inf in (before.x, now.x):
        both = 0.5 * (before.speed * before.on + now.speed * now.on)
        return both * (now.time - before.time)  # type: ignore[operator]
    return math.dist((before.x, before.y), (now.x, now.y)) * 0.5 * (before.on + now.on)


def after_fall(before: Fix, now: Fix, usual_lb: float) -> float:
    """Mass since a record with a higher total: a wrap just below a power of ten, else a reset."""
    assert before.total is not None
    assert now.total is not None
    shown = before.total / before.unit_lb
    end = 10.0 ** math.ceil(math.log10(shown)) * before.unit_lb
    wrapped = end - before.total + now.total
    if end >= 1000 * before.unit_lb and wrapped < 5 * usual_lb:
        return wrapped
    return now.total


def locate(fixes: list[Fix], roads: list[Segment]) -> None:
    """The segment under each record: the nearest, which must be beyond doubt.

    A record without a position lies between those around it, by time.
    """
    placed = [k for k, fix in enumerate(fixes) if fix.seen]
    for a, b in pairwise(placed):
        for k in range(a + 1, b):
            share = (fixes[k].time - fixes[a].time) / (fixes[b].time - fixes[a].time)  # type: ignore[operator]
            fixes[k].x = fixes[a].x + share * (fixes[b].x - fixes[a].x)
            fixes[k].y = fixes[a].y + share * (fixes[b].y - fixes[a].y)
    for fix in fixes:
        if fix.x == math.inf:
            continue
        distance, fix.seg = min((seg.distance(fix.x, fix.y), k) for k, seg in enumerate(roads))
        fix.distance = distance
        if distance > ON_ROAD_M:
            fix.seg = -1


def used(
    fixes: list[Fix],
    mass: list[float],
    material: list[str],
    roads: list[Segment],
    places: dict[tuple[str, str, str, str], Place],
) -> list[str]:
    """Add each interval's mass to where it fell; returns what became of each interval."""
    kinds = ["matched"]
    for k in range(1, len(fixes)):
        before, now = fixes[k - 1], fixes[k]
        known = math.inf not in (before.x, now.x)
        way = math.dist((before.x, before.y), (now.x, now.y)) if known else math.inf

        def at(seg: int, k: int = k, now: Fix = now) -> Place:
            about = (roads[seg].route, roads[seg].name) if seg >= 0 else (OFF, OFF)
            return places.setdefault((*about, material[k], now.truck), Place())

        if before.seg < 0 or now.seg < 0:
            if mass[k] > 0:
                lost = math.inf in (before.distance, now.distance)
                assert lost or before.distance > OFF_ROAD_M
                assert lost or now.distance > OFF_ROAD_M
                at(-1).moving_lb += mass[k]
            kinds.append("off_route")
        elif way < NOT_MOVING_M:
            if mass[k] > 0:
                at(now.seg).standing_lb += mass[k]
            kinds.append("standing")
        else:
            first, last = part_spread(fixes, mass, k, way)
            for seg, piece_m in pieces(before, now, first, last, roads):
                if mass[k] > 0:
                    place = at(seg)
                    place.moving_lb += mass[k] * piece_m / ((last - first) * way)
                    place.driven_m += piece_m
            kinds.append("matched")
    return kinds


def part_spread(fixes: list[Fix], mass: list[float], k: int, way: float) -> tuple[float, float]:
    """Which part of the way of interval k was spread, as shares of it.

    Where the spreader was on at one end only, the part at that end, as long as the mass needs at
    the rate (per m) of the neighbouring interval there; half where that is not known.
    """
    before, now = fixes[k - 1], fixes[k]
    if before.on == now.on:
        return 0.0, 1.0
    beside = k + 1 if now.on else k - 1
    share = 0.5
    if 0 < beside < len(fixes):
        a, b = fixes[beside - 1], fixes[beside]
        unknown = math.inf in (a.x, b.x)
        beside_m = 0.0 if unknown else math.dist((a.x, a.y), (b.x, b.y))
        if a.on and b.on and mass[beside] > 0 and beside_m > NOT_MOVING_M:
            share = min(1.0, mass[k] / (mass[beside] / beside_m) / way)
    return (1.0 - share, 1.0) if now.on else (0.0, share)


def pieces(
    before: Fix, now: Fix, first: float, last: float, roads: list[Segment]
) -> list[tuple[int, float]]:
    """Segments under a straight way between two places on one road, and how much of it on each."""
    found = []
    for number, seg in enumerate(roads):
        if abs(seg.start[1] - before.y) > ON_ROAD_M:
            continue
        a, b = seg.along(before.x, before.y), seg.along(now.x, now.y)
        ends = sorted((a + first * (b - a), a + last * (b - a)))
        inside = min(ends[1], seg.length) - max(ends[0], 0.0)
        if inside > 0:
            found.append((number, inside))
    return found


def work_out(folder: Path, storm: str) -> Storm:
    """The use of a storm as its telemetry reports it."""
    result = read_storm(folder, storm)
    roads = segments_of(folder)
    usual = {row["truck_id"]: row["material"] for row in rows_of(folder / "assignments.csv")}
    for truck, fixes in result.fixes.items():
        locate(fixes, roads)
        mass = interval_masses(fixes)
        shown = [fix.material or usual[truck] for fix in fixes]
        material = [shown[0], *shown[:-1]]
        result.mass[truck] = mass
        result.usual_lb[truck] = statistics.median([m for m in mass if m > 0] or [0.0])
        result.kind[truck] = used(fixes, mass, material, roads, result.places)
        follow_way(result, truck, mass, material, roads)
    return result


def follow_way(
    result: Storm, truck: str, mass: list[float], material: list[str], roads: list[Segment]
) -> None:
    """What was driven and heard of, and the mass that has no place."""
    fixes = result.fixes[truck]
    whole = silent = 0.0
    last: Fix | None = None
    for k in range(1, len(fixes)):
        before, now = fixes[k - 1], fixes[k]
        if math.inf in (before.x, now.x):
            result.lost[truck, material[k]] += mass[k]
            way = 0.5 * (before.speed + now.speed) * (now.time - before.time)  # type: ignore[operator]
            whole, silent = whole + way, silent + way
        elif before.seg >= 0 and now.seg >= 0:
            for seg, piece_m in pieces(before, now, 0.0, 1.0, roads):
                result.driven[roads[seg].route, roads[seg].name] += piece_m
    for now in (fix for fix in fixes if fix.seen):
        if last is not None:
            way = math.dist((last.x, last.y), (now.x, now.y))
            whole += way
            silent += way * (now.time - last.time > GAP_S)  # type: ignore[operator]
        last = now
    result.heard[truck] = 1.0 - silent / whole


def sums(places: dict[tuple[str, str, str, str], Place], *keys: int) -> dict[Any, float]:
    """Mass by some of route 0, segment 1, material 2, truck 3."""
    total: dict[Any, float] = defaultdict(float)
    for key, place in places.items():
        total[tuple(key[k] for k in keys)] += place.lb
    return dict(total)
