"""The files that `reconcile` wrote beside the slow re-computation: the largest differences.

Run by hand for many seeds: ``python -m tests.differential.reconcile_compare 0 60``.
"""

from __future__ import annotations

import math
import sys
import tempfile
import tomllib
from collections import defaultdict
from pathlib import Path

import pyarrow.parquet as pq

from tests.differential.reconcile_oracle import Storm, rows_of, segments_of, work_out
from tests.differential.reconcile_runs import calibrate_quietly, reconcile_quietly
from tests.differential.reconcile_verdicts import (
    Ratio,
    Row,
    Z,
    balance,
    ratios,
    use_rows,
    verdict,
)
from tests.differential.reconcile_world import World, write_world

STORMS = ("s1", "s2")
#: a fix so near the end of a road, or off it, may be on it or not: nobody can say
END_M = (0.5, 150.0)


class Worst:
    """Largest difference by column, how many values were compared, and plain contradictions."""

    def __init__(self) -> None:
        self.by: dict[str, float] = defaultdict(float)
        self.compared: dict[str, int] = defaultdict(int)
        self.wrong: list[str] = []

    def relative(self, column: str, found: str, expected: float | None, floor: float = 1.0) -> None:
        """``floor`` : values below it are compared as if they were that large."""
        if (found == "") != (expected is None):
            self.wrong.append(f"{column}: {found!r}, expected {expected}")
        elif expected is not None:
            self.absolute(column, (float(found) - expected) / max(abs(expected), floor))

    def absolute(self, column: str, difference: float) -> None:
        self.compared[column] += 1
        self.by[column] = max(self.by[column], abs(difference))

    def same(self, what: str, found: object, expected: object) -> None:
        self.compared[what] += 1
        if found != expected:
            self.wrong.append(f"{what}: {found!r}, expected {expected!r}")


def compare(world: World, storm: str, storms: dict[str, Storm], worst: Worst) -> None:
    """One storm: every contract table beside the re-computation."""
    results = world.folder / "results" / storm
    use = storms[storm]
    refused = rows_of(results / "quarantine.csv")
    found = sorted((Path(r["source_file"]).name, int(r["source_row"])) for r in refused)
    worst.same("quarantine", found, sorted(use.refused))
    points(world, results, use, worst)
    known = ratios(world.folder, storms, storm)
    trucks(results, storm, known, worst)
    rows = use_rows(world.folder, storm, use, known)
    confidence = tomllib.loads((world.folder / "policy.toml").read_text())["tolerance"][
        "confidence"
    ]
    table = rows_of(results / "use_segments.csv")
    keys = [(r["route_id"], r["segment_id"], r["material"]) for r in table]
    worst.same("use_segments rows", sorted(keys), sorted(rows))
    said = {(r["truck_id"], r["material"]): r for r in rows_of(results / "use_trucks.csv")}
    for key, line in zip(keys, table, strict=True):
        segment(line, rows[key], confidence, worst)
        if (line["trucks"], key[2]) in said:
            own_parts(line, rows[key], said[line["trucks"], key[2]], worst)
    passes(world, use, table, worst)
    routes(results, rows, confidence, worst)
    stock(world.folder, results, use, worst)


def points(world: World, results: Path, use: Storm, worst: Worst) -> None:
    """use_points.parquet: the mass of each interval exactly, the segment where it is certain."""
    roads = segments_of(world.folder)
    table = pq.read_table(results / "use_points.parquet").to_pylist()
    rows = {(Path(r["source_file"]).name, r["source_row"]): r for r in table}
    worst.same("points and quarantine", len(table) + len(use.refused), use.rows)
    for truck, fixes in use.fixes.items():
        for k, (fix, mass) in enumerate(zip(fixes, use.mass[truck], strict=True)):
            row = rows[fix.file, fix.row]
            worst.absolute("point mass_lb", row["mass_lb"] - mass)
            if fix.distance == math.inf or END_M[0] < fix.distance < END_M[1]:
                continue
            if fix.seg < 0:
                worst.same("point segment", row["segment_id"], "off_route")
                continue
            road = roads[fix.seg]
            place = road.along(fix.x, fix.y)
            if min(place, road.length - place) < 1.0 or not settled(fixes, k):
                continue
            worst.same(
                "point segment", (row["route_id"], row["segment_id"]), (road.route, road.name)
            )
            if fix.seen:
                worst.absolute("point offset_m", row["offset_m"])
            step = place - road.along(fixes[k - 1].x, fixes[k - 1].y)
            on = road.along(fixes[k + 1].x, fixes[k + 1].y) - place if k + 1 < len(fixes) else 0.0
            if abs(step) > 10 and abs(on) > 10:
                worst.same("point along", row["along"], step > 0)


def settled(fixes: list, k: int) -> bool:  # type: ignore[type-arg]
    """Whether a fix and its neighbours are all on the road: not just coming to it or leaving it."""
    near = fixes[max(k - 10, 0) : k + 11]
    return k > 0 and all(fix.seg >= 0 and fix.distance < 1.0 for fix in near)


def trucks(results: Path, storm: str, known: dict[tuple[str, str], Ratio], worst: Worst) -> None:
    """use_trucks.csv; ratios as differences of their logarithm over the uncertainty."""
    table = rows_of(results / "use_trucks.csv")
    keys = sorted((r["truck_id"], r["material"]) for r in table)
    worst.same("use_trucks rows", keys, sorted(known))
    for row in table:
        one = known[row["truck_id"], row["material"]]
        assert one.slip is not None
        worst.relative("truck reported_lb", row["reported_lb"], one.reported)
        worst.relative("truck loaded_lb", row["loaded_lb"], sum(one.slip.loads))
        worst.relative("truck returned_lb", row["returned_lb"], one.slip.returned)
        season, u = one.season, one.u
        for name, value in (
            ("ratio", one.middle),
            ("ratio_lo", one.middle - Z * u),
            ("ratio_hi", one.middle + Z * u),
            ("season_ratio", season.middle),
            ("season_lo", season.low),
            ("season_hi", season.high),
        ):
            difference = math.log(float(row[name])) - value
            of_season = name.startswith("season")
            worst.absolute(f"ln {name} / u", difference / (season.u if of_season else u))
        worst.absolute("ratio_u / u", (float(row["ratio_u"]) - u) / u)
        worst.absolute("p_missing", float(row["p_missing"] or 0) - season.p_missing[storm])


def segment(line: dict[str, str], row: Row, confidence: float, worst: Worst) -> None:
    """One row of use_segments.csv."""
    expected, p_over = verdict(row, confidence)
    if row.planned is not None:
        worst.absolute("coverage", float(line["coverage"]) - row.coverage)
    worst.relative("reported_lb", line["reported_lb"], row.reported)
    worst.relative("applied_lb", line["applied_lb"], row.applied)
    worst.relative("applied_lo_lb", line["applied_lo_lb"], max(row.applied - Z * row.u, 0.0))
    if float(line["unseen_lb"]) == 0.0:
        worst.relative("applied_hi_lb", line["applied_hi_lb"], row.applied + Z * row.u)
    else:
        # mass without a place may lie there as well: at least the segment's share of it
        least = row.applied + Z * row.u + 0.999 * float(line["unseen_lb"])
        worst.same("applied_hi_lb", float(line["applied_hi_lb"]) >= least, True)
    worst.relative("planned_lb", line["planned_lb"], row.planned)
    worst.relative("allowed_lb", line["allowed_lb"], row.allowed)
    if p_over is None or line["p_over"] == "":
        worst.same("verdict", line["verdict"], expected)
        worst.same("p_over given", line["p_over"] == "", p_over is None)
        return
    p_found = float(line["p_over"])
    worst.absolute("p_over", p_found - p_over)
    p_under = float(line["p_under"])
    near = [p for p in (p_found, p_under) if min(abs(p - 0.5), abs(p - confidence)) < 0.01]
    if not near and abs(row.coverage - 0.8) > 0.02:
        worst.same("verdict", line["verdict"], expected)


def own_parts(line: dict[str, str], row: Row, truck: dict[str, str], worst: Worst) -> None:
    """What is the segment's own, the ratio taken as the package has it; rows of one truck."""
    reported, applied, u, ratio, ratio_u = (
        float(value)
        for value in (
            line["reported_lb"],
            line["applied_lb"],
            line["applied_u_lb"],
            truck["ratio"],
            truck["ratio_u"],
        )
    )
    if reported > 1.0 and float(line["passes"]) > 0.5:
        worst.absolute("applied by ratio", applied / reported / ratio - 1)
        own = math.sqrt(max(u**2 - (applied * ratio_u) ** 2, 0.0))
        worst.absolute("own_u_lb", own / (math.sqrt(row.own2) * applied / row.applied) - 1)


def passes(world: World, use: Storm, table: list[dict[str, str]], worst: Worst) -> None:
    """Passes, lane-miles, rate per application and standing mass of use_segments.csv."""
    roads = {(s.route, s.name): s for s in segments_of(world.folder)}
    for line in table:
        key = (line["route_id"], line["segment_id"], line["material"])
        if key[:2] not in roads or 0 < float(line["passes"]) < 0.05:
            continue  # off the roads, or a truck that hardly moved: both ways are noise
        road = roads[key[:2]]
        here = [place for at, place in use.places.items() if at[:3] == key]
        made = sum(place.driven_m for place in here) / road.length
        worst.relative("passes", line["passes"], made)
        worst.relative("standing_lb", line["standing_lb"], sum(p.standing_lb for p in here), 100.0)
        worst.relative("lane_miles", line["lane_miles"], road.lane_miles)
        rate = float(line["applied_lb"]) / road.lane_miles / (made / road.passes) if made else None
        worst.relative("applied_rate", line["applied_rate_lb_per_lane_mile"], rate)


def routes(
    results: Path, rows: dict[tuple[str, str, str], Row], confidence: float, worst: Worst
) -> None:
    """use_routes.csv: sums of segments with what is common kept common."""
    for line in rows_of(results / "use_routes.csv"):
        mine = {
            k: r for k, r in rows.items() if (k[0], k[2]) == (line["route_id"], line["material"])
        }
        total = Row()
        for row in mine.values():
            total.applied += row.applied
            total.reported += row.reported
            total.common_fleet += row.common_fleet
            total.own2 += row.own2
            for truck, u in row.common_truck.items():
                total.common_truck[truck] += u
        worst.relative("route reported_lb", line["reported_lb"], total.reported)
        worst.relative("route applied_lb", line["applied_lb"], total.applied)
        unseen = sum(
            float(one["unseen_lb"])
            for one in rows_of(results / "use_segments.csv")
            if (one["route_id"], one["material"]) == (line["route_id"], line["material"])
        )
        high = total.applied + Z * total.u + unseen
        worst.relative("route applied_hi_lb", line["applied_hi_lb"], high)
        price = {"salt": 80.0, "sand": 20.0}[line["material"]]
        worst.relative("route cost", line["cost"], total.applied / 2000 * price)
        planned = [row.planned for row in mine.values() if row.planned is not None]
        worst.relative("route planned_lb", line["planned_lb"], sum(planned) if planned else None)
        said = [verdict(row, confidence)[0] for row in mine.values()]
        worst.same("route unknown", int(line["unknown_segments"]), said.count("unknown"))


def stock(folder: Path, results: Path, use: Storm, worst: Worst) -> None:
    """balance.csv."""
    times = [fix.time for fixes in use.fixes.values() for fix in fixes]
    expected = balance(folder, min(times), max(times))
    table = rows_of(results / "balance.csv")
    worst.same(
        "balance rows", sorted((r["yard_id"], r["material"]) for r in table), sorted(expected)
    )
    for line in table:
        one = expected[line["yard_id"], line["material"]]
        for name in (
            "opening",
            "delivered",
            "loaded",
            "returned",
            "expected",
            "counted",
            "difference",
            "difference_u",
        ):
            worst.relative(f"balance {name}", line[f"{name}_ton"], one.get(f"{name}_ton"))
        worst.same("balance verdict", line["verdict"], one["verdict"])


def main(first: int, last: int) -> None:
    """Compare many seeds and print the largest differences."""
    worst, cases, records = Worst(), 0, 0
    for seed in range(first, last):
        with tempfile.TemporaryDirectory() as folder:
            world = write_world(Path(folder) / "w", seed)
            for storm in STORMS:
                reconcile_quietly(world.folder, storm)
            storms = {storm: work_out(world.folder, storm) for storm in STORMS}
            for storm in STORMS:
                before = len(worst.wrong)
                calibrate_quietly(world.folder, world.starts[storm].date().isoformat())
                compare(world, storm, storms, worst)
                cases, records = cases + 1, records + storms[storm].rows
                for line in worst.wrong[before:]:
                    print(f"seed {seed} {storm}: {line[:300]}", flush=True)
    print(f"{cases} storms, {records} records, {len(worst.wrong)} contradictions")
    for column, difference in sorted(worst.by.items()):
        print(f"| {column} | {worst.compared[column]} | {difference:.1e} |")
    for column in sorted(set(worst.compared) - set(worst.by)):
        print(f"| {column} | {worst.compared[column]} | same |")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
