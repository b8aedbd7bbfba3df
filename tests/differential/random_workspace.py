"""Small workspaces drawn at random: every unit, basis, control and oddity that a plan knows.

The same seed gives the same files. Quantities are written with few digits, in a unit drawn for
each file, so that what is read is exactly what is written.
"""

from __future__ import annotations

import csv
import itertools
import json
import math
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import Any

from tests.differential.plan_files import FACTORS

STORM = "s1"
Row = dict[str, Any]


class _Pen:
    """Writes quantities in a drawn unit, with a drawn number of digits."""

    def __init__(self, rng: Random) -> None:
        self.rng = rng

    def unit(self, kind: str, *allowed: str) -> str:
        """A suffix of a kind of quantity."""
        return self.rng.choice(allowed or tuple(FACTORS[kind]))

    def number(self, value: float, kind: str, suffix: str, digits: int = 6) -> str:
        """A quantity in its inside unit as text in another."""
        return f"{value / float(FACTORS[kind][suffix]):.{digits}g}"


def write_workspace(folder: Path, seed: int) -> Path:
    """Write a workspace with one storm to plan and one before it."""
    rng = Random(seed)
    pen = _Pen(rng)
    folder.mkdir(parents=True, exist_ok=True)
    trucks = _trucks(folder, pen)
    materials = _materials(folder, pen)
    _tests(folder, pen, trucks, materials)
    yards = _yards(folder, pen)
    routes = _routes(folder, pen)
    _assignments(folder, pen, routes, trucks, materials, yards)
    _areas(folder, pen)
    _policy(folder, pen, materials)
    labels = _forecast(folder, pen)
    _rates(folder, pen, routes, labels)
    _stock(folder, pen, yards, materials)
    _own_assignments(folder, pen, routes, trucks, materials, yards, labels)
    return folder


def _write(folder: Path, name: str, rows: Sequence[Row]) -> None:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as lines:
        writer = csv.DictWriter(lines, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def _trucks(folder: Path, pen: _Pen) -> list[Row]:
    rng, rows, trucks = pen.rng, [], []
    mass, volume, length = pen.unit("mass"), pen.unit("volume"), pen.unit("inches", "in", "mm")
    for number in range(rng.randint(2, 4)):
        gates = rng.sample(
            ["2", "3", "4.5"] if length == "in" else ["50", "76.2", "110"], rng.randint(1, 3)
        )
        truck = {
            "truck_id": f"T{number}",
            "control": rng.choice(["closed_loop", "open_loop"]),
            "gates": gates,
            "length": length,
        }
        trucks.append(truck)
        rows.append(
            {
                "truck_id": truck["truck_id"],
                "control": truck["control"],
                "feeder": rng.choice(["auger", "conveyor"]),
                f"capacity_{mass}": pen.number(rng.choice([3000, 9000, 20000]), "mass", mass),
                f"prewet_tank_{volume}": rng.choice(["", pen.number(60, "volume", volume)]),
                "min_feeder_pct": rng.choice(["", "5", "12"]),
                "max_feeder_pct": rng.choice(["", "90", "100"]),
                "control_step_pct": rng.choice(["", "1", "1", "2.5", "10"]),
                f"gate_positions_{length}": ";".join(sorted(gates, key=float)),
                "max_spread_lanes": rng.choice(["", "2", "3"]),
            }
        )
    _write(folder, "trucks.csv", rows)
    return trucks


def _materials(folder: Path, pen: _Pen) -> list[str]:
    unit = pen.unit("density")
    density = {"lb_gal": "9.8", "kg_l": "1.17"}[unit]
    _write(
        folder,
        "materials.csv",
        [
            {"material": "salt", "kind": "solid", f"density_{unit}": ""},
            {"material": "sand", "kind": "solid", f"density_{unit}": ""},
            {"material": "brine", "kind": "liquid", f"density_{unit}": density},
        ],
    )
    return ["salt", "salt", "sand", "brine"]


def _tests(folder: Path, pen: _Pen, trucks: Sequence[Row], materials: Sequence[str]) -> None:
    rng = pen.rng
    tests: list[Row] = []
    weighings: list[Row] = []
    mass = pen.unit("mass", "lb", "kg")
    seconds = pen.unit("seconds")
    for truck in trucks:
        for material in sorted(set(materials)):
            for gate in truck["gates"]:
                if rng.random() < 0.75:
                    _group(pen, tests, weighings, truck, material, gate, mass, seconds)
    if not tests:
        _group(pen, tests, weighings, trucks[0], "salt", trucks[0]["gates"][0], mass, seconds)
    rng.shuffle(weighings)
    _write(folder, "discharge_tests.csv", tests)
    _write(folder, "weighings.csv", weighings)
    _write(
        folder,
        "changes.csv",
        [
            {
                "truck_id": rng.choice(trucks)["truck_id"],
                "changed_at": rng.choice(["2026-10-14", "2026-11-20T06:00-06:00", "2027-01-01"]),
                "what": rng.choice(["gate", "sensor", "material", "other", "feeder"]),
            }
            for _ in range(rng.randint(1, 2))
        ],
    )


def _group(
    pen: _Pen,
    tests: list[Row],
    weighings: list[Row],
    truck: Row,
    material: str,
    gate: str,
    mass: str,
    seconds: str,
) -> None:
    """Tests of one truck, material and gate, from a curve of their own."""
    rng = pen.rng
    opening = float(gate) / (25.4 if truck["length"] == "mm" else 1.0)
    slope, start = opening * rng.uniform(1.2, 2.4), rng.choice([0.0, 0.0, 4.0, 9.0])
    top = rng.choice([200.0, 200.0, 65.0, 78.0])
    outputs = rng.choice([
        [38], [35, 40], [30, 60], [20, 50, 100], [20, 40, 60, 80, 100], [38, 38, 38],
        [15, 30, 45, 60, 80, 100], [25, 25, 60, 60, 90, 90], [5, 30, 60, 90],
    ])  # fmt: skip
    spread, slip = rng.choice([0.01, 0.03, 0.08]), rng.choice([0.0, 0.0, 0.004])
    counting = truck["control"] == "closed_loop" or rng.random() < 0.2
    for output in outputs:
        run_s = rng.choice([45.0, 60.0, 90.5, 120.3])
        flow = max(0.0, slope * (min(output, top) - start)) * max(0.2, rng.gauss(1.0, spread))
        net = flow * run_s / 60.0
        name = f"D{len(tests)}"
        counts = round(net / (0.4 + slip * output)) if net > 1 else 0
        tests.append(
            {
                "test_id": name,
                "truck_id": truck["truck_id"],
                "material": material,
                "performed_at": rng.choice(
                    [
                        "2026-10-12T09:30",
                        "2026-10-20",
                        "2026-11-02T15:00Z",
                        "2025-10-20T08:00-05:00",
                    ]
                    if rng.random() < 0.3
                    else ["2026-10-20T09:00"]
                ),
                f"gate_{truck['length']}": gate,
                "feeder_pct": str(output),
                f"duration_{seconds}": pen.number(run_s, "seconds", seconds),
                "sensor_counts": str(counts) if counting and counts and rng.random() < 0.93 else "",
                f"duration_u_{seconds}": rng.choice(["", "", "0.01"]),
                "voided_by": "belt slipped" if rng.random() < 0.04 else "",
            }
        )
        weighings += _weighings(pen, name, net, mass)


def _weighings(pen: _Pen, name: str, net_lb: float, mass: str) -> list[Row]:
    """How a net mass was weighed: containers, vehicle scale or a scale for the material alone."""
    rng, factor = pen.rng, float(FACTORS["mass"][mass])

    def row(method: str, gross: float, tare: float | None, count: int, division: float) -> Row:
        step = division / factor
        return {
            "test_id": name,
            "method": method,
            f"gross_{mass}": f"{round(gross / factor / step) * step:.6g}",
            f"tare_{mass}": "" if tare is None else f"{round(tare / factor / step) * step:.6g}",
            "count": rng.choice(["", "1"]) if count == 1 else str(count),
            f"scale_division_{mass}": f"{step:.4g}" if rng.random() < 0.7 else "",
        }

    method = rng.choice(["container", "vehicle_scale", "direct"])
    if method == "vehicle_scale":
        return [row(method, 30000 + net_lb, 30000, 1, 20.0 * factor if mass == "kg" else 20.0)]
    if method == "direct":
        return [row(method, net_lb, rng.choice([None, 0.0]), 1, 1.0)]
    containers = max(1, math.ceil(net_lb / 60.0))
    each = net_lb / containers
    alone = min(containers, rng.choice([1, 3, 4]))
    rows = [row(method, each * rng.uniform(0.97, 1.03) + 5, 5, 1, 0.5) for _ in range(alone)]
    if containers > alone:
        rows.append(row(method, each + 5, 5, containers - alone, 0.5))
    return rows


def _yards(folder: Path, pen: _Pen) -> list[str]:
    rng, unit = pen.rng, pen.unit("minutes")
    rows = [
        {"yard_id": f"Y{n}", "lon": f"{-94 + rng.uniform(-0.1, 0.1):.6f}",
         "lat": f"{46 + rng.uniform(-0.1, 0.1):.6f}",
         f"reload_{unit}": rng.choice(["", pen.number(8, "minutes", unit)])}
        for n in range(rng.randint(1, 2))
    ]  # fmt: skip
    _write(folder, "yards.csv", rows)
    return [row["yard_id"] for row in rows]


def _routes(folder: Path, pen: _Pen) -> list[str]:
    rng = pen.rng
    speed, width = pen.unit("speed"), pen.unit("feet")
    lane_speeds = {"mph": [15, 24, 24.6, 25.2, 32.5], "km_h": [25, 39, 40, 41, 55]}[speed]
    widths = {"ft": [10, 12, 14], "m": [3, 3.6576, 4.25], "in": [120, 144, 150],
              "mm": [3000, 3600]}[width]  # fmt: skip
    features, sequenced = [], rng.random() < 0.5
    names = [f"R{n}" for n in range(rng.randint(2, 4))]
    for route in names:
        x, y = -94 + rng.uniform(-0.05, 0.05), 46 + rng.uniform(-0.05, 0.05)
        for number in range(rng.randint(2, 5)):
            line = [[round(x, 6), round(y, 6)]]
            for _ in range(rng.randint(1, 4)):
                x += rng.choice([0.0, rng.uniform(-0.03, 0.03)])
                y += rng.uniform(0.001, 0.02)
                line.append([round(x, 6), round(y, 6)])
            row: Row = {
                "route_id": route,
                "segment_id": f"{route}-{number}",
                "lanes": rng.choice([1, 2, 2, 3, 2.5]),
                f"speed_{speed}": rng.choice(lane_speeds),
            }
            if sequenced:
                row["sequence"] = number + 1
            for name, values in (
                (f"lane_width_{width}", widths),
                ("passes", [1, 2, 3]),
                ("two_way", [True, False]),
                ("service_class", ["A", "B"]),
                ("zone", ["north", "south"]),
            ):
                if rng.random() < 0.8:
                    row[name] = rng.choice(values)
            features.append(
                {
                    "type": "Feature",
                    "properties": row,
                    "geometry": {"type": "LineString", "coordinates": line},
                }
            )
    if sequenced:
        rng.shuffle(features)
    text = json.dumps({"type": "FeatureCollection", "features": features})
    (folder / "routes.geojson").write_text(text)
    return names


def _assignments(
    folder: Path,
    pen: _Pen,
    routes: Sequence[str],
    trucks: Sequence[Row],
    materials: Sequence[str],
    yards: Sequence[str],
) -> None:
    rng, unit = pen.rng, pen.unit("per_mass")
    rows = []
    for route in routes:
        material = rng.choice(materials)
        wet = pen.number(rng.choice([8, 10]), "per_mass", unit)
        rows.append(
            {
                "route_id": route,
                "truck_id": rng.choice(trucks)["truck_id"],
                "yard_id": rng.choice(yards),
                "material": material,
                f"prewet_{unit}": rng.choice(["", wet]) if material != "brine" else "",
            }
        )
    kept = [row for row in rows if rng.random() < 0.93] or rows[:1]
    _write(folder, "assignments.csv", kept)


def _own_assignments(
    folder: Path,
    pen: _Pen,
    routes: Sequence[str],
    trucks: Sequence[Row],
    materials: Sequence[str],
    yards: Sequence[str],
    labels: Sequence[str],
) -> None:
    """Trucks of this storm alone, from any of its rounds on, in any order; in half of the cases."""
    rng, unit = pen.rng, pen.unit("per_mass")
    pairs = [(route, since) for route in routes for since in ("", *labels)]
    chosen = rng.sample(pairs, min(len(pairs), rng.choice([0, 0, 1, 2, 4, 6])))
    rows = [
        {
            "route_id": route,
            "truck_id": rng.choice(trucks)["truck_id"],
            "yard_id": rng.choice(yards),
            "material": rng.choice(materials),
            f"prewet_{unit}": rng.choice(["", pen.number(9, "per_mass", unit)]),
            "from_application": since,
        }
        for route, since in chosen
    ]
    if rows:
        _write(folder, f"storms/{STORM}/assignments.csv", rows)


def _areas(folder: Path, pen: _Pen) -> None:
    rng, unit = pen.rng, pen.unit("lane_rate")
    features = []
    for number in range(rng.randint(0, 3)):
        x, y = -94 + rng.uniform(-0.06, 0.06), 46 + rng.uniform(-0.06, 0.06)
        corners = [
            [round(x + r * math.cos(a), 6), round(y + r * math.sin(a), 6)]
            for a, r in ((k * math.tau / 7, rng.uniform(0.01, 0.03)) for k in range(7))
        ]
        row: Row = {"area_id": f"A{number}", "name": "well", "kind": "wellhead"}
        if rng.random() < 0.5:
            row[f"max_rate_{unit}"] = float(pen.number(rng.choice([90, 150]), "lane_rate", unit, 4))
        if rng.random() < 0.5:
            row["rate_factor"] = rng.choice([0.5, 0.8])
        features.append(
            {
                "type": "Feature",
                "properties": row,
                "geometry": {"type": "Polygon", "coordinates": [[*corners, corners[0]]]},
            }
        )
    if features:
        text = json.dumps({"type": "FeatureCollection", "features": features})
        (folder / "sensitive_areas.geojson").write_text(text)


def _a_rate(pen: _Pen, material: str, ranged: bool) -> tuple[str, str]:
    """Column and value (or range) of a rate in a drawn basis."""
    rng = pen.rng
    kinds = {"lane_rate": 200.0, "area_rate": 15.0} | (
        {"liquid_rate": 30.0} if material == "brine" else {}
    )
    kind = rng.choice(sorted(kinds))
    value = kinds[kind] * rng.uniform(0.6, 1.6)
    suffix = "g_per_m2" if kind == "area_rate" else pen.unit(kind)
    factor = 1.0 if kind == "area_rate" else float(FACTORS[kind][suffix])
    low = f"{value / factor:.4g}"
    high = f"{value * 1.5 / factor:.4g}"
    text = f"[{low}, {high}]" if ranged and rng.random() < 0.5 else low
    return f"rate_{suffix}", text


def _policy(folder: Path, pen: _Pen, materials: Sequence[str]) -> None:
    rng = pen.rng
    rows = []
    celsius = rng.random() < 0.3
    borders = [-30, -8, -4, 0, 5] if celsius else [-20, 15, 25, 32, 40]
    unit = "c" if celsius else "f"
    for low, high in itertools.pairwise(borders):
        for material in ["salt", "sand", "brine", "*"]:
            for place in range(rng.choice([1, 1, 2, 3])):
                column, value = _a_rate(pen, material, ranged=True)
                event = rng.choice(["snow", "ice", "*"]) if place else "snow"
                row = [
                    "[[rate]]",
                    f'event = "{event}"',
                    f"pavement_temp_min_{unit} = {low}",
                    f"pavement_temp_max_{unit} = {high}",
                    f'material = "{material}"',
                    f"{column} = {value}",
                    'source = "drawn at random"',
                ]
                for name, words in (
                    ("trend", ["falling", "Steady"]),
                    ("service_class", ["A"]),
                    ("phase", ["initial", "subsequent"]),
                ):
                    # the first row of each border is plain, so that neighbours are equally specific
                    if place and rng.random() < 0.3:
                        row.append(f'{name} = "{rng.choice(words)}"')
                rows.append(row)
    rng.shuffle(rows)
    lines = [line for row in rows for line in row]
    lines += [
        "[sensitive]",
        f"factor = {rng.choice([1, 0.7])}",
        "[tolerance]",
        f"calibration_max_age_days = {rng.choice([300, 365, 500])}",
        "[width]",
        f"scale_by_lane_width = {rng.choice(['true', 'false'])}",
    ]
    (folder / "policy.toml").write_text("\n".join(lines) + "\n")
    width = rng.choice(["", "lane_width_ft = 11\n", "lane_width_m = 3.5\n"])
    (folder / "workspace.toml").write_text(
        f'[workspace]\nname = "Drawn"\nunits = "{rng.choice(["us", "metric"])}"\n'
        f'timezone = "America/Chicago"\n{width}season_start = 2026-10-01\nseason_end = 2027-04-30\n'
    )


def _forecast(folder: Path, pen: _Pen) -> list[str]:
    rng, rows = pen.rng, []
    labels = [str(n + 1) for n in range(rng.randint(1, 3))]
    zones = rng.choice([["*"], ["north", "south", "*"], ["north", "*"]])
    named = rng.random() < 0.7
    unit = rng.choice(["f", "c"])
    for number, label in enumerate(labels):
        for zone in zones:
            temperature = rng.choice([25, 32, 32, 18.5] if unit == "f" else [-4, 0, 0, -9])
            rows.append(
                {
                    "zone": zone,
                    "start": f"2026-12-01T{4 + 5 * number:02d}:00",
                    "end": f"2026-12-01T{9 + 5 * number:02d}:00",
                    "event": rng.choice(["snow", "snow", "snow", "ice"]),
                    f"pavement_temp_{unit}": temperature,
                    "trend": rng.choice(["falling", "steady", ""]),
                    "precipitation_in": "0.05",
                    "application": label if named else "",
                }
            )
    _write(folder, f"storms/{STORM}/forecast.csv", rows)
    return labels


def _rates(folder: Path, pen: _Pen, routes: Sequence[str], labels: Sequence[str]) -> None:
    rng = pen.rng
    column, _ = _a_rate(pen, "salt", ranged=False)
    kind = "area_rate" if column == "rate_g_per_m2" else "lane_rate"
    base = 15.0 if kind == "area_rate" else 220 / float(FACTORS[kind][column.removeprefix("rate_")])
    rows = []
    often = rng.choice([0.0, 0.1, 0.5])
    for route in [*routes, "*"]:
        for label in [*labels, "*"]:
            if rng.random() < often:
                value = base * rng.uniform(0.4, 3.0) if rng.random() < 0.9 else 0.0
                rows.append({"route_id": route, "application": label, column: f"{value:.5g}"})
    if rows:
        _write(folder, f"storms/{STORM}/rates.csv", rows)


def _stock(folder: Path, pen: _Pen, yards: Sequence[str], materials: Sequence[str]) -> None:
    rng, unit = pen.rng, pen.unit("mass")
    counts, deliveries, loads, returns = [], [], [], []
    for yard in yards:
        for material in sorted(set(materials)):
            for day in rng.sample(["2026-10-30", "2026-11-10T07:00", "2026-12-20"], 2):
                counts.append(
                    {
                        "yard_id": yard,
                        "material": material,
                        "counted_at": day,
                        f"on_hand_{unit}": pen.number(rng.uniform(0, 20000), "mass", unit),
                    }
                )
            for n, day in enumerate(["2026-10-31T12:00Z", "2026-11-15", "2026-12-05"]):
                deliveries.append(
                    {
                        "ticket_id": f"N{yard}{material}{n}",
                        "yard_id": yard,
                        "material": material,
                        "delivered_at": day,
                        f"net_{unit}": pen.number(4000, "mass", unit),
                    }
                )
            loads.append(
                {
                    "ticket_id": f"L{yard}{material}",
                    "truck_id": "T0",
                    "yard_id": yard,
                    "loaded_at": rng.choice(["2026-11-05T03:00", "2026-11-20T03:00"]),
                    "material": material,
                    "net_lb": "2345.5",
                }
            )
            returns.append(
                {
                    "truck_id": "T0",
                    "yard_id": yard,
                    "returned_at": rng.choice(["2026-11-05T09:00", "2026-11-20T09:00"]),
                    "material": material,
                    "net_kg": "210.25",
                }
            )
    kept = [row for row in counts if rng.random() < 0.9]
    _write(folder, "stock_counts.csv", kept or counts)
    _write(folder, "deliveries.csv", deliveries)
    _write(folder, "storms/before/loads.csv", loads)
    _write(folder, "storms/before/returns.csv", returns)
