"""`reconcile` beside a slow re-computation of its own, storm by storm.

Another number of seeds: environment variable SPREADPLAN_DIFFERENTIAL_SEEDS.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from tests.differential.reconcile_compare import STORMS, Worst, compare
from tests.differential.reconcile_oracle import Storm, rows_of, segments_of, sums, work_out
from tests.differential.reconcile_runs import calibrate_quietly, reconcile_quietly
from tests.differential.reconcile_world import World, write_world
from tests.reconcile import three_segments

#: between them: both clock changes, rates, other names and units, two materials, resets, wraps,
#: missing totals, rows out of order, a truck that was worked on, one that was not heard, and
#: receivers without a fix at the start, in the middle and at the end
USUAL = (19, 47)
MORE = os.environ.get("SPREADPLAN_DIFFERENTIAL_SEEDS", "")
SEEDS = range(int(MORE)) if MORE else USUAL

#: largest difference allowed, by the start of a column's name. Geometry is that of straight lines
#: against a smoothed track; a ratio's is that of two grids, of which the package's tries five
#: shares of a load left in the hopper; all else is exact but for the digits written
LIMITS = {
    "ln ": 0.15, "ratio_u": 0.05, "p_missing": 2e-3, "p_over": 0.03, "point offset_m": 2.0,
    "applied by ratio": 1e-7, "own_u_lb": 0.08, "applied_lo_lb": 0.05, "applied": 0.03,
    "route applied": 0.02, "route cost": 0.02,
    "passes": 0.03, "coverage": 0.03, "standing_lb": 0.05, "reported_lb": 2e-3,
    "point mass_lb": 5e-4,
}  # fmt: skip
EXACT = 1e-8


def limit(column: str) -> float:
    """The narrowest name that fits."""
    fitting = [name for name in LIMITS if column.startswith(name)]
    return LIMITS[max(fitting, key=len)] if fitting else EXACT


@pytest.mark.parametrize("seed", SEEDS)
def test_a_storm_worked_out_twice(tmp_path: Path, seed: int):
    world = write_world(tmp_path / "w", seed)
    for storm in STORMS:
        reconcile_quietly(world.folder, storm)
    storms = {storm: work_out(world.folder, storm) for storm in STORMS}
    worst = Worst()
    for storm in STORMS:
        calibrate_quietly(world.folder, world.starts[storm].date().isoformat())
        compare(world, storm, storms, worst)
    assert worst.wrong == []
    too_far = {column: d for column, d in worst.by.items() if d > limit(column)}
    assert too_far == {}
    assert worst.compared["verdict"] > 5
    assert worst.compared["point segment"] > 100


def test_noise_moves_masses_no_further_than_noise_can(tmp_path: Path):
    """The same storm with 3 m of noise: all mass stays, and segments differ by a few metres' worth.

    Of each of two passes through a joint up to 3 sigma of position, so 2 x 2 x 9 m at both ends.
    """
    clear = write_world(tmp_path / "clear", 101)
    noisy = write_world(tmp_path / "noisy", 101, noise_m=3.0)
    truth = work_out(clear.folder, "s2")
    results = reconcile_quietly(noisy.folder, "s2")
    certain_segments(noisy, results, truth)
    expected = sums(truth.places, 0, 1, 2)
    found = {
        (r["route_id"], r["segment_id"], r["material"]): float(r["reported_lb"])
        for r in rows_of(results / "use_segments.csv")
    }
    assert sum(found.values()) == pytest.approx(sum(expected.values()), rel=1e-8)
    roads = {(s.route, s.name): s for s in segments_of(clear.folder)}
    off = {key: mass for key, mass in found.items() if key[:2] not in roads}
    assert off == pytest.approx({k: m for k, m in expected.items() if k[:2] not in roads}, rel=1e-6)
    for key, mass in expected.items():
        if key[:2] in roads:
            per_m = mass / roads[key[:2]].length
            assert found[key] == pytest.approx(mass, abs=2 * 2 * 9 * per_m / 2), key


def certain_segments(world: World, results: Path, truth: Storm) -> None:
    """Every fix that truly is more than 20 m inside a segment is on it."""
    roads = segments_of(world.folder)
    table = pq.read_table(results / "use_points.parquet").to_pylist()
    rows = {(Path(r["source_file"]).name, r["source_row"]): r["segment_id"] for r in table}
    checked = 0
    for fixes in truth.fixes.values():
        for fix in fixes:
            if fix.seg >= 0:
                road = roads[fix.seg]
                place = road.along(fix.x, fix.y)
                if 20.0 < place < road.length - 20.0:
                    assert rows[fix.file, fix.row] == road.name
                    checked += 1
    assert checked > 250


def test_a_reset_while_standing_with_the_spreader_off_adds_no_mass(tmp_path: Path):
    """A total that reads 9960 and then 0, the truck standing and the spreader off at both records.

    Nothing can have been released in between, so the total was set to zero; it did not wrap at
    10,000, which would make 40 lb of mass that nobody put down.
    """
    table = three_segments.records()
    table.loc[20:22, ["spreading", "speed_mph"]] = [0, 0.0]
    before = [9960.0 - 20.0 * (20 - k) for k in range(21)]
    table["feed_total_lb"] = [*before, 0.0, 0.0, 20.0, 40.0, 60.0, 80.0]
    content = three_segments.files()
    content["storms/s1/telemetry/a.csv"] = table.to_csv(index=False)
    results = reconcile_quietly(three_segments.write(tmp_path / "w", content))
    reported = sum(float(r["reported_lb"]) for r in rows_of(results / "use_segments.csv"))
    assert reported == pytest.approx(20 * 20 + 4 * 20)


def test_mass_beyond_the_end_of_the_road_is_off_route(tmp_path: Path):
    """The truck spreads on for half a mile where no route is: that mass is not on the last segment.

    The road ends at 1.25 miles. At 20 lb per 0.05 mile: 24.6 intervals on it, 10.4 beyond.
    """
    table = three_segments.records().iloc[[0] * 36].reset_index(drop=True)
    places = [0.02 + 0.05 * k for k in range(36)]
    lon, lat = three_segments.lon_lat(np.array(places))
    moments = three_segments.START + pd.to_timedelta([6.0 * k for k in range(36)], unit="s")
    table = table.assign(
        lon=lon,
        lat=lat,
        speed_mph=30.0,
        spreading=1,
        time=moments.strftime("%Y-%m-%dT%H:%M:%SZ"),
        feed_total_lb=[20.0 * k for k in range(36)],
    )
    content = three_segments.files()
    content["storms/s1/telemetry/a.csv"] = table.to_csv(index=False)
    results = reconcile_quietly(three_segments.write(tmp_path / "w", content))
    found = {
        r["segment_id"]: float(r["reported_lb"]) for r in rows_of(results / "use_segments.csv")
    }
    assert sum(found.values()) == pytest.approx(700.0)
    assert found["C"] == pytest.approx(20 * 0.5 / 0.05, abs=25.0)
    assert found["off_route"] == pytest.approx(20 * 10.4, abs=25.0)


def test_missing_totals_are_shared_by_distance_driven(tmp_path: Path):
    """While the truck speeds up from rest at 1.5 m/s², 6 s apart: 27, 81 and 135 m driven.

    One total is missing at each of the first two of them: 243 lb go 27, 81, 135.
    """
    metres = [10.0, 10.0, 37.0, 118.0, 253.0, 415.0, 577.0]
    speeds = [0.0, 0.0, 9.0, 18.0, 27.0, 27.0, 27.0]
    table = three_segments.records().iloc[: len(metres)].copy()
    lon, lat = three_segments.lon_lat(np.array(metres) / three_segments.MILE_M)
    table = table.assign(
        lon=lon,
        lat=lat,
        speed_mph=[v / 0.44704 for v in speeds],
        spreading=1,
        feed_total_lb=[0.0, 0.0, None, None, 243.0, 405.0, 567.0],
    )
    content = three_segments.files()
    content["storms/s1/telemetry/a.csv"] = table.to_csv(index=False)
    results = reconcile_quietly(three_segments.write(tmp_path / "w", content))
    masses = pq.read_table(results / "use_points.parquet")["mass_lb"].to_pylist()
    assert masses[2:5] == pytest.approx([27.0, 81.0, 135.0], rel=0.02)
