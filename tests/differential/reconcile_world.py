"""Seeded small storms whose truth leaves no doubt: straight roads far apart, exact positions.

Plain Python; nothing here knows how the package works. Roads run east, 600 m apart, each a route
cut into segments of at least 250 m, digitised either way. Trucks drive up and down their road from
rest to rest, stand while they turn, may dump standing, refill away from the roads, spread off the
roads, change material, and work for a second round. What is unusual about their records is drawn
per truck: see `Truck`.
"""

from __future__ import annotations

import csv
import io
import json
import math
import random
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

LON, LAT = -94.0, 46.0
MILE_M = 1609.344
LB_PER_KG = 1 / 0.45359237
LB_PER = {"lb": 1.0, "kg": LB_PER_KG, "ton": 2000.0, "t": 1000 * LB_PER_KG}
ROAD_GAP_M = 600.0
YARD_M = (-900.0, -700.0)
ACCELERATION = 1.2
ZONE = ZoneInfo("America/Chicago")


def radii_m(lat: float) -> tuple[float, float]:
    """Radii of curvature of WGS 84 along the meridian and across it.

    Source: NGA, World Geodetic System 1984 (NGA.STND.0036), 2014: a and 1/f.
    """
    a, f = 6_378_137.0, 1 / 298.257223563
    e2 = f * (2 - f)
    w2 = 1 - e2 * math.sin(math.radians(lat)) ** 2
    return a * (1 - e2) / w2**1.5, a / math.sqrt(w2)


def lon_lat(x_m: float, y_m: float) -> tuple[float, float]:
    """A place as degrees; x runs along the parallel of its own latitude."""
    lat = LAT + math.degrees(y_m / radii_m(LAT)[0])
    across = radii_m(lat)[1] * math.cos(math.radians(lat))
    return LON + math.degrees(x_m / across), lat


@dataclass(frozen=True)
class Leg:
    """From rest to rest in a straight line, then a stop.

    ``spread`` : from where to where (m from the leg's start) at which rate (lb per m).
    ``dump_lb`` : released during the stop, with the spreader on.
    """

    start: tuple[float, float]
    end: tuple[float, float]
    cruise_mps: float
    stop_s: float
    spread: tuple[float, float] = (0.0, 0.0)
    lb_per_m: float = 0.0
    dump_lb: float = 0.0
    material: str = "salt"

    @property
    def length(self) -> float:
        return math.dist(self.start, self.end)

    @property
    def drive_s(self) -> float:
        ramp = self.cruise_mps / ACCELERATION
        return (self.length - self.cruise_mps * ramp) / self.cruise_mps + 2 * ramp

    def state(self, t: float) -> tuple[float, float]:
        """Metres from the start and speed, ``t`` seconds after it."""
        ramp = self.cruise_mps / ACCELERATION
        if t <= ramp:
            return 0.5 * ACCELERATION * t * t, ACCELERATION * t
        if t >= self.drive_s:
            return self.length, 0.0
        if t >= self.drive_s - ramp:
            rest = self.drive_s - t
            return self.length - 0.5 * ACCELERATION * rest**2, ACCELERATION * rest
        return 0.5 * self.cruise_mps * ramp + self.cruise_mps * (t - ramp), self.cruise_mps

    def released(self, t: float) -> float:
        """Mass in lb, ``t`` seconds after the start."""
        gone, _ = self.state(t)
        mass = self.lb_per_m * max(0.0, min(gone, self.spread[1]) - self.spread[0])
        return mass + self.dump_lb * min(max((t - self.drive_s) / self.stop_s, 0.0), 1.0)


@dataclass(frozen=True)
class Truck:
    """What is drawn for a truck."""

    name: str
    road: int
    step_s: int
    decimals: int
    unit: str = "lb"
    by_rate: bool = False
    reset_every_leg: bool = False
    total_at_start: float = 1000.0
    missing_share: float = 0.0
    duplicates: int = 0
    shuffled: bool = False
    local_time: bool = False
    names_material: bool = False
    renamed: bool = False
    files: int = 1
    overlap: int = 0
    broken_rows: int = 0
    true_ratio: float = 1.0
    blind: str = ""


@dataclass
class World:
    """What was written, and what a reader cannot know: the true mass of each truck."""

    folder: Path
    seed: int
    noise_m: float
    trucks: list[Truck]
    roads: list[list[float]]
    flipped: dict[tuple[int, int], bool]
    rows: int = 0
    released_lb: dict[str, float] = field(default_factory=dict)
    starts: dict[str, datetime] = field(default_factory=dict)


def trip(random_: random.Random, road: int, length: float, rounds: int, changes: bool) -> list[Leg]:
    """Out and back on a road for so many rounds, with a refill between two rounds."""
    y = road * ROAD_GAP_M
    legs: list[Leg] = []
    for number in range(rounds):
        material = "sand" if changes and number else "salt"
        for east in (True, False):
            margin = random_.uniform(15, 60)
            ends = (margin, length - 20.0) if east else (length - 20.0, margin)
            rate = random_.uniform(150, 450) / MILE_M
            reach = abs(ends[1] - ends[0])
            spread = (random_.uniform(0, 0.2) * reach, random_.uniform(0.8, 1.0) * reach)
            legs.append(
                Leg(
                    (ends[0], y),
                    (ends[1], y),
                    random_.uniform(9, 14),
                    30.0,
                    spread,
                    rate,
                    random_.choice([0.0, 0.0, 24.0]),
                    material,
                )
            )
            if not east and number + 1 < rounds:
                away = (-400.0, y)
                legs.append(Leg((margin, y), away, 9.0, 20.0))
                off = random_.uniform(0, 0.2) if random_.random() < 0.5 else 0.0
                # spread only on the last part of the way to the yard, far from every road
                reach = math.dist(away, YARD_M)
                legs.append(Leg(away, YARD_M, 9.0, 120.0, (0.3 * reach, 0.8 * reach), off))
                legs.append(Leg(YARD_M, away, 9.0, 20.0))
    return joined(legs)


def joined(legs: list[Leg]) -> list[Leg]:
    """Every leg starts where the one before ended, if need be after a drive without spreading."""
    result = [legs[0]]
    for leg in legs[1:]:
        if math.dist(leg.start, result[-1].end) > 1.0:
            result.append(Leg(result[-1].end, leg.start, 9.0, 10.0))
        result.append(leg)
    return result


def fixes(
    legs: list[Leg], step_s: int
) -> list[tuple[float, float, float, float, float, bool, float, str]]:
    """t, x, y, speed in m/s, heading, spreading, released so far in lb, material; every step."""
    rows = []
    begin, before = 0.0, 0.0
    t = 0.0
    for leg in legs:
        whole = leg.drive_s + leg.stop_s
        (x0, y0), (x1, y1) = leg.start, leg.end
        heading = math.degrees(math.atan2(x1 - x0, y1 - y0)) % 360
        while t < begin + whole:
            gone, speed = leg.state(t - begin)
            share = gone / leg.length
            on = leg.lb_per_m > 0 and leg.spread[0] <= gone <= leg.spread[1]
            dumping = leg.dump_lb > 0 and gone >= leg.length
            rows.append(
                (
                    t,
                    x0 + share * (x1 - x0),
                    y0 + share * (y1 - y0),
                    speed,
                    heading,
                    on or dumping,
                    before + leg.released(t - begin),
                    leg.material,
                )
            )
            t += step_s
        begin += whole
        before += leg.released(whole)
    return rows


def draw_truck(random_: random.Random, road: int) -> Truck:
    """A truck with its oddities."""
    by_rate = random_.random() < 0.2
    return Truck(
        name=f"T{road + 1}",
        road=road,
        step_s=random_.choice([2, 3, 5]),
        decimals=random_.choice([1, 2]),
        unit=random_.choice(["lb", "lb", "kg", "ton"]),
        by_rate=by_rate,
        reset_every_leg=not by_rate and random_.random() < 0.4,
        total_at_start=random_.choice([0.0, 2345.6, 9700.0]),
        missing_share=random_.choice([0.0, 0.1]),
        duplicates=random_.choice([0, 5]),
        shuffled=random_.random() < 0.3,
        local_time=random_.random() < 0.4,
        names_material=random_.random() < 0.5,
        files=random_.choice([1, 2]),
        overlap=random_.choice([0, 7]),
        broken_rows=random_.choice([0, 3]),
        true_ratio=math.exp(random_.gauss(0, 0.08)),
    )


NO_TIME = "31/12/2026"
#: where the receiver has no fix
BLIND = ("start", "middle", "end", "")

#: storm starts: an ordinary day, two minutes before the clock goes back, and before it goes forward
STARTS = {
    "plain": datetime(2026, 12, 1, 10, 0, tzinfo=UTC),
    "back": datetime(2026, 11, 1, 6, 58, tzinfo=UTC),
    "forward": datetime(2027, 3, 14, 7, 58, tzinfo=UTC),
}
FOREIGN = {
    "truck_id": "Unit",
    "time": "Stamp",
    "lon": "X",
    "lat": "Y",
    "heading_deg": "Course",
    "spreading": "On",
    "material": "Stuff",
}


def write_world(folder: Path, seed: int, *, noise_m: float = 0.0) -> World:
    """A workspace with two storms, s1 and s2, drawn from a seed."""
    random_ = random.Random(seed)
    roads = [draw_road(random_) for _ in range(3)]
    flipped = {
        (road, place): random_.random() < 0.5
        for road, joints in enumerate(roads)
        for place in range(len(joints) - 1)
    }
    trucks = [draw_truck(random_, road) for road in range(3)]
    # from a source of its own, so that everything else stays as it was drawn
    blind = random.Random(f"no fix {seed}")
    trucks = [replace(one, blind=blind.choice(BLIND)) for one in trucks]
    world = World(folder, seed, noise_m, trucks, roads, flipped)
    renamed = random_.random() < 0.3
    units = {"speed": random_.choice(["mph", "km_h"])}
    if renamed:
        trucks[:] = [replace(truck, unit="kg") for truck in trucks]
        put(folder, "columns.toml", columns_toml(units))
    worked_on = random_.random() < 0.3
    if worked_on:
        put(folder, "changes.csv", "truck_id,changed_at,what\nT2,2026-11-05T09:00,feeder\n")
    write_tables(world, random_, worked_on)
    first = random_.choice(["back", "plain"])
    starts = {"s1": STARTS[first], "s2": STARTS[random_.choice(["plain", "forward"])]}
    if starts["s1"] == starts["s2"]:
        starts["s2"] += timedelta(days=9)
    world.starts = starts
    for storm, start in starts.items():
        write_storm(world, random_, storm, start, units, renamed)
    return world


def put(folder: Path, name: str, text: str) -> None:
    """Write a file of the workspace."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")


def table(rows: list[dict[str, object]]) -> str:
    """Rows of equal keys as CSV."""
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def draw_road(random_: random.Random) -> list[float]:
    """Joints of a road in m: segments of 250 to 900 m."""
    joints = [0.0]
    for _ in range(random_.randint(2, 4)):
        joints.append(joints[-1] + random_.uniform(250, 900))
    return joints


def columns_toml(units: dict[str, str]) -> str:
    """Foreign names, and units that their names don't tell."""
    lines = ["[telemetry]", *(f'{ours} = "{theirs}"' for ours, theirs in FOREIGN.items())]
    lines.append(f'speed = {{ column = "Tempo", unit = "{units["speed"]}" }}')
    lines.append('feed_total = { column = "Sum", unit = "kg" }')
    lines.append('feed_rate = { column = "Flow", unit = "kg_min" }')
    lines += ["[loads]", 'ticket_id = "Slip"', 'net = { column = "Weight", unit = "kg" }']
    return "\n".join(lines) + "\n"


def write_tables(world: World, random_: random.Random, worked_on: bool) -> None:
    """Everything that is not of one storm."""
    folder = world.folder
    features = []
    for road, joints in enumerate(world.roads):
        lanes = random_.choice([1, 2, 3])
        for place in range(len(joints) - 1):
            ends = [lon_lat(x, road * ROAD_GAP_M) for x in joints[place : place + 2]]
            if world.flipped[road, place]:
                ends.reverse()
            features.append(
                {
                    "type": "Feature",
                    "properties": {
                        "route_id": f"R{road + 1}",
                        "segment_id": f"r{road + 1}{'abcdef'[place]}",
                        "sequence": place + 1,
                        "lanes": lanes,
                        "passes": 2,
                        "speed_mph": 25,
                    },
                    "geometry": {"type": "LineString", "coordinates": ends},
                }
            )
    put(folder, "routes.geojson", json.dumps({"type": "FeatureCollection", "features": features}))
    put(
        folder,
        "workspace.toml",
        '[workspace]\nname = "Roads"\nunits = "us"\ntimezone = "America/Chicago"\n'
        "season_start = 2026-10-01\nseason_end = 2027-04-30\n",
    )
    put(
        folder,
        "materials.csv",
        "material,kind,chloride_fraction,cost_per_ton\nsalt,solid,0.6,80\nsand,solid,0.03,20\n",
    )
    names = [truck.name for truck in world.trucks]
    dated = [(name, "2026-10-20") for name in names]
    if worked_on:
        dated.append(("T2", "2026-11-06"))
    tests, weighings = [], []
    for name, day in dated:
        for material in ("salt", "sand"):
            for number, pct in enumerate((40, 20)):
                test = f"D{name}{material}{number}{day}"
                tests.append(
                    {
                        "test_id": test,
                        "truck_id": name,
                        "material": material,
                        "performed_at": f"{day}T0{number + 8}:00",
                        "gate_in": 2,
                        "feeder_pct": pct,
                        "duration_s": 60,
                        "sensor_counts": 25 * pct,
                    }
                )
                weighings.append(
                    {
                        "test_id": test,
                        "method": "direct",
                        "gross_lb": 10 * pct,
                        "scale_division_lb": 1,
                    }
                )
    put(folder, "discharge_tests.csv", table(tests))
    put(folder, "weighings.csv", table(weighings))
    put(
        folder,
        "trucks.csv",
        table(
            [
                {
                    "truck_id": name,
                    "control": "closed_loop",
                    "feeder": "auger",
                    "capacity_lb": 14000,
                    "gate_positions_in": 2,
                }
                for name in names
            ]
        ),
    )
    put(
        folder,
        "assignments.csv",
        table(
            [
                {
                    "route_id": f"R{t.road + 1}",
                    "truck_id": t.name,
                    "yard_id": "Y1",
                    "material": "salt",
                }
                for t in world.trucks
            ]
        ),
    )
    lon, lat = lon_lat(*YARD_M)
    put(folder, "yards.csv", f"yard_id,lon,lat\nY1,{lon},{lat}\n")
    over, under = random_.choice([(20, 20), (10, 15), (40, 30)])
    confidence = random_.choice([0.95, 0.9])
    put(
        folder,
        "policy.toml",
        f"[tolerance]\nover_pct = {over}\nunder_pct = {under}\nconfidence = {confidence}\n",
    )
    write_area(world, random_)
    counted = random_.choice(["2026-10-15T08:00", "2026-10-31T08:00"])
    put(
        folder,
        "stock_counts.csv",
        "yard_id,material,counted_at,on_hand_ton,on_hand_u_ton\n"
        f"Y1,salt,{counted},100,{random_.choice(['', '0.5'])}\n"
        f"Y1,salt,2027-04-01T08:00,{random_.uniform(85, 100):.1f},\n"
        "Y1,sand,2026-10-20T08:00,50,2\n",
    )
    put(
        folder,
        "deliveries.csv",
        "ticket_id,yard_id,material,delivered_at,net_ton\n"
        "V1,Y1,salt,2026-10-20T09:00,3.25\nV2,Y1,salt,2026-11-20T09:00,4.5\n",
    )
    put(
        folder,
        "budgets.csv",
        "season,scope,scope_id,material,budget_ton\n2026-27,agency,all,salt,12\n"
        "2026-27,yard,Y1,salt,3\n2026-27,route,R1,salt,2\n2026-27,route,R2,salt,0.1\n",
    )


def write_area(world: World, random_: random.Random) -> None:
    """A sensitive area that holds the whole of the first segment of road 2."""
    (x0, x1), y = world.roads[1][:2], ROAD_GAP_M
    ring = [
        lon_lat(x, y + dy)
        for x, dy in (
            (x0 - 50, -99),
            (x1 + 0.0, -99),
            (x1 + 0.0, 99),
            (x0 - 50, 99),
            (x0 - 50, -99),
        )
    ]
    area = {
        "type": "Feature",
        "properties": {
            "area_id": "A1",
            "name": "Well field",
            "kind": "well",
            "max_rate_lb_per_lane_mile": random_.choice([150, 250, 900]),
            "chloride_limit_ton": 0.05,
        },
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }
    collection = {"type": "FeatureCollection", "features": [area]}
    put(world.folder, "sensitive_areas.geojson", json.dumps(collection))


def write_storm(
    world: World,
    random_: random.Random,
    storm: str,
    start: datetime,
    units: dict[str, str],
    renamed: bool,
) -> None:
    """Rates, telemetry and tickets of a storm."""
    rounds = random_.choice([1, 2])
    rate = random_.choice([150, 200, 300])
    rates = [
        {
            "route_id": "*",
            "application": k + 1,
            "start": (start + timedelta(minutes=20 * k)).isoformat(),
            "rate_lb_per_lane_mile": rate,
        }
        for k in range(rounds)
    ]
    put(world.folder, f"storms/{storm}/rates.csv", table(rates))
    loads, returns = [], []
    for truck in world.trucks:
        if random_.random() < 0.15:
            continue
        changes = truck.names_material and random_.random() < 0.5
        legs = trip(random_, truck.road, world.roads[truck.road][-1], rounds, changes)
        rows = fixes(legs, truck.step_s)
        write_telemetry(world, random_, storm, start, truck, legs, units, renamed)
        if not changes:
            tickets(random_, truck, rows[-1][6], storm, start, rows[-1][0], loads, returns)
    if loads:
        if renamed:
            loads = [
                {"Slip": row["ticket_id"], "Weight": row["net_lb"] / LB_PER_KG}
                | {k: v for k, v in row.items() if k not in {"ticket_id", "net_lb"}}
                for row in loads
            ]
        put(world.folder, f"storms/{storm}/loads.csv", table(loads))
    if returns:
        put(world.folder, f"storms/{storm}/returns.csv", table(returns))


def tickets(
    random_: random.Random,
    truck: Truck,
    released: float,
    storm: str,
    start: datetime,
    seconds: float,
    loads: list[dict[str, object]],
    returns: list[dict[str, object]],
) -> None:
    """Loads of 400 lb and more until the true mass is covered, and what came back."""
    true = released * truck.true_ratio
    kind = random_.choices(["good", "one missing", "no return", "none"], [6, 1, 2, 1])[0]
    if kind == "none":
        return
    loaded, mine = 0.0, []
    while loaded < true + 40:
        net = round(random_.uniform(400, 700) / 20) * 20.0
        moment = start - timedelta(minutes=10) + timedelta(seconds=len(mine) * seconds / 9)
        mine.append(
            {
                "ticket_id": f"{storm}{truck.name}L{len(mine)}",
                "truck_id": truck.name,
                "yard_id": "Y1",
                "loaded_at": moment.isoformat(),
                "material": "salt",
                "net_lb": net,
                "scale_division_lb": random_.choice(["", 20, 50]),
            }
        )
        loaded += net
    if kind == "one missing" and len(mine) > 1:
        mine.pop(0)
    loads.extend(mine)
    if kind != "no return":
        returns.append(
            {
                "truck_id": truck.name,
                "yard_id": "Y1",
                "returned_at": (start + timedelta(seconds=seconds + 600)).isoformat(),
                "material": "salt",
                "net_lb": round((loaded - true) / 20) * 20.0,
            }
        )


def totals(truck: Truck, rows: list[tuple[float, ...]], random_: random.Random) -> list[str]:
    """The controller's running total as text: unit, rounding, resets, wraps, missing readings."""
    decimals = 5 if truck.unit == "ton" else truck.decimals
    shift, result, still = truck.total_at_start, [], 0
    for place, row in enumerate(rows):
        value = row[6] / LB_PER[truck.unit] + shift
        still = still + 1 if place and row[3] == 0.0 and not row[5] else 0
        if truck.reset_every_leg and still == 3 and not near_range_end(value):
            shift -= value
            value = 0.0
        gone = random_.random() < truck.missing_share and cruising(rows, place)
        shown = round(max(value, 0.0) % 10000.0, decimals) % 10000.0
        result.append("" if gone else f"{shown:.{decimals}f}")
    return result


def blind_rows(truck: Truck, rows: list[tuple[float, ...]], seed: int) -> range:
    """Records without a position: the first, the last, or some while spreading at one speed."""
    random_ = random.Random(f"blind {seed} {truck.name}")
    count = random_.randint(3, 10)
    if truck.blind == "start":
        return range(count)
    if truck.blind == "end":
        return range(len(rows) - count, len(rows))
    places = [
        k
        for k in range(len(rows) - count)
        if all(cruising(rows, place) for place in range(k - 1, k + count + 1))
    ]
    if truck.blind != "middle" or not places:
        return range(0)
    first = random_.choice(places)
    return range(first, first + count)


def near_range_end(value: float) -> bool:
    """Whether a reset could be taken for a counter that starts anew at a power of ten or two."""
    ends = [10.0**k for k in range(3, 9)] + [2.0**k / 10**j for k in (15, 16, 24) for j in range(3)]
    return any(end - 400 < value <= end for end in ends)


def cruising(rows: list[tuple[float, ...]], place: int) -> bool:
    """Whether the truck spreads at one speed around a record: what is missing can be known."""
    near = rows[max(place - 2, 0) : place + 3]
    return len(near) == 5 and all(row[5] for row in near) and len({row[3] for row in near}) == 1


def flows(truck: Truck, rows: list[tuple[float, ...]], legs: list[Leg]) -> list[str]:
    """Rate at each record, per minute in lb or kg."""
    unit = "kg" if truck.unit == "kg" else "lb"
    result, begin = [], 0.0
    at = iter(rows)
    row = next(at, None)
    for leg in legs:
        whole = leg.drive_s + leg.stop_s
        while row is not None and row[0] < begin + whole:
            moving = (
                row[3] * leg.lb_per_m if row[0] < begin + leg.drive_s else leg.dump_lb / leg.stop_s
            )
            result.append(f"{(moving if row[5] else 0.0) * 60 / LB_PER[unit]:.3f}")
            row = next(at, None)
        begin += whole
    return result


def break_row(lines: list[dict[str, object]], origin: int, place: int, kind: int) -> None:
    """A time that is none, or a second record that has no position or is of an unknown truck."""
    if kind:
        name, text = (("lat", "north"), ("truck_id", "T99"))[kind - 1]
        if lines[origin]["time"] != NO_TIME:
            lines.insert(place, {**lines[origin], name: text})
    elif place < len(lines) and lines[place] not in (*lines[:place], *lines[place + 1 :]):
        lines[place]["time"] = NO_TIME


def write_telemetry(
    world: World,
    random_: random.Random,
    storm: str,
    start: datetime,
    truck: Truck,
    legs: list[Leg],
    units: dict[str, str],
    renamed: bool,
) -> None:
    """The truck's own files of a storm."""
    rows = fixes(legs, truck.step_s)
    crossing = start == STARTS["back"]
    feed = flows(truck, rows, legs) if truck.by_rate else totals(truck, rows, random_)
    unit = ("kg" if truck.unit == "kg" else "lb") if truck.by_rate else truck.unit
    feed_name = f"feed_rate_{unit}_min" if truck.by_rate else f"feed_total_{unit}"
    factor = 1.0 if units["speed"] == "mph" else MILE_M / 1000
    lines = []
    unseen = blind_rows(truck, rows, world.seed)
    for number, (row, amount) in enumerate(zip(rows, feed, strict=True)):
        t, x, y, speed, heading, on, _, material = row
        lon, lat = lon_lat(x + random_.gauss(0, world.noise_m), y + random_.gauss(0, world.noise_m))
        moment = start + timedelta(seconds=t)
        stamp = (
            moment.astimezone(ZONE).replace(tzinfo=None).isoformat()
            if truck.local_time
            else moment.isoformat().replace("+00:00", random_.choice(["Z", "+00:00"]))
        )
        line = {
            "truck_id": truck.name,
            "time": stamp,
            "lon": f"{lon:.8f}",
            "lat": f"{lat:.8f}",
            f"speed_{units['speed']}": f"{speed / 0.44704 * factor:.3f}",
            "heading_deg": f"{heading:.1f}",
            "spreading": int(on),
            feed_name: amount,
        }
        if truck.names_material:
            line["material"] = material
        if number in unseen:
            line |= {"lon": "0", "lat": "0.0"} if number % 2 else {"lon": "", "lat": ""}
        lines.append(line)
    world.released_lb[f"{storm} {truck.name}"] = rows[-1][6]
    for _ in range(truck.duplicates):
        place = random_.randrange(len(lines))
        lines.insert(place + 1, dict(lines[place]))
    for number in range(truck.broken_rows):
        origin, place = random_.randrange(len(lines)), random_.randrange(1, len(lines))
        if crossing and truck.local_time:
            place = origin + 1  # elsewhere it would look like the clock's jump back
        break_row(lines, origin, place, number % 3)
    if truck.shuffled and not (crossing and truck.local_time):
        random_.shuffle(lines)
    if renamed:
        theirs = FOREIGN | {
            f"speed_{units['speed']}": "Tempo",
            "feed_total_kg": "Sum",
            "feed_rate_kg_min": "Flow",
        }
        lines = [{theirs.get(key, key): value for key, value in line.items()} for line in lines]
    cut = len(lines) // 2 if truck.files == 2 and not crossing else len(lines)
    parts = [lines[:cut], lines[max(cut - truck.overlap, 0) :]] if cut < len(lines) else [lines]
    for number, part in enumerate(parts):
        world.rows += len(part)
        put(world.folder, f"storms/{storm}/telemetry/{truck.name}-{number}.csv", table(part))
