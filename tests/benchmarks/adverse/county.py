"""A county as files: what its people would hand over at the end of a season, and the truth beside.

The storms' settings come from the program's own plan, as the cab cards would have them.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from spreadplan.calibration import Calibration
from spreadplan.planning import StormPlan, plan_storm
from spreadplan.runs.calibrating import calibrate_fleet
from spreadplan.runs.options import Options, no_progress
from spreadplan.runs.planning import GENERAL, plan_inputs
from spreadplan.workspace import read_workspace
from tests.benchmarks.adverse.conditions import draw
from tests.benchmarks.adverse.driving import (
    SEGMENTS,
    SPEED_MPH,
    Drive,
    Hopper,
    Road,
    Settings,
    drive,
    make_road,
    truth_table,
)
from tests.benchmarks.adverse.machines import GATE_IN, TRUCKS, County, make_county, tests_of
from tests.benchmarks.adverse.records import SCALE_OFF_REL, telemetry, tickets

STORMS = 6
FIRST_DAY = pd.Timestamp("2026-11-10T06:00", tz="UTC")
TESTS_DAY_S = pd.Timestamp("2026-10-12T15:00", tz="UTC").timestamp()
QUIET = Options(lambda _: None, lambda _: None, no_progress, pdf=False)
M_PER_MI = 1609.344


@dataclass
class Played:
    """A season on disk with its truth.

    truth : see `driving.truth_table`, all storms. reported : storm, truck_id, true_lb, shown_lb,
        empty_lb (what a turning feeder did not have). plans : by storm.
    """

    folder: Path
    county: County
    calibration: Calibration
    truth: pd.DataFrame
    reported: pd.DataFrame
    plans: dict[str, StormPlan]
    storms: list[str]


def settle(folder: Path, condition: str, seed: int) -> tuple[County, list[Road], Calibration]:
    """Write a workspace up to its tests, and calibrate; one seed is one county."""
    # each condition has the same counties, as far as its switches leave them alike
    rng = np.random.default_rng([20271, seed])
    county = make_county(draw(condition, rng), rng)
    roads = [make_road(rng, number) for number in range(TRUCKS)]
    _write_general(folder, county, roads)
    names = ("trucks", "materials", "discharge_tests", "weighings")
    workspace = read_workspace(folder, required=names, optional=["assignments", "policy"])
    return county, roads, calibrate_fleet(workspace, FIRST_DAY)


def play(folder: Path, county: County, roads: list[Road], calibration: Calibration) -> Played:
    """Play a season and write it down."""
    rng = county.rng
    yard_off, hopper = float(rng.normal(0.0, SCALE_OFF_REL)), Hopper()
    starts = _write_storms(folder, rng)
    plans = _plans(folder, list(starts), calibration)
    truths, reported = [], []
    for storm, start in starts.items():
        drives = _storm(folder, county, roads, plans[storm], calibration, storm, start, hopper)
        loads, returns = tickets(county, drives, storm, yard_off)
        place = folder / "storms" / storm
        loads.to_csv(place / "loads.csv", index=False)
        returns.to_csv(place / "returns.csv", index=False)
        truths.append(truth_table(drives, roads, storm))
        reported += [
            (storm, one.truck.truck_id, float(one.true_lb.sum()), one.reported_lb, one.empty_lb)
            for one in drives
        ]
    columns = ["storm", "truck_id", "true_lb", "shown_lb", "empty_lb"]
    return Played(
        folder,
        county,
        calibration,
        pd.concat(truths, ignore_index=True),
        pd.DataFrame(reported, columns=columns),
        plans,
        list(plans),
    )


def _write_storms(folder: Path, rng: np.random.Generator) -> dict[str, pd.Timestamp]:
    """The rates that the planner wants in each storm, and when each starts."""
    start, starts = FIRST_DAY, {}
    for number in range(STORMS):
        storm = f"storm-{number + 1}"
        (folder / "storms" / storm / "telemetry").mkdir(parents=True)
        rate = round(float(rng.uniform(150.0, 350.0)))
        pd.DataFrame(
            [
                ("*", n + 1, (start + pd.Timedelta(minutes=30 * n)).isoformat(), rate)
                for n in range(int(rng.integers(2, 5)))
            ],
            columns=["route_id", "application", "start", "rate_lb_per_lane_mile"],
        ).to_csv(folder / "storms" / storm / "rates.csv", index=False)
        starts[storm] = start
        start += pd.Timedelta(days=float(rng.uniform(8.0, 22.0))).round("min")
    return starts


def _plans(folder: Path, storms: list[str], calibration: Calibration) -> dict[str, StormPlan]:
    """The plan of each storm. No test is added during the season: one calibration serves all."""
    workspace = read_workspace(
        folder,
        required=["routes", "trucks", "materials", "assignments"],
        optional=[*GENERAL, "policy"],
        storms=dict.fromkeys(storms, ("rates",)),
    )
    return {
        storm: plan_storm(plan_inputs(workspace, storm, calibration, "middle")) for storm in storms
    }


def _write_general(folder: Path, county: County, roads: list[Road]) -> None:
    folder.mkdir(parents=True)
    (folder / "workspace.toml").write_text(
        '[workspace]\nname = "County"\nunits = "us"\ntimezone = "UTC"\n'
        "season_start = 2026-11-01\nseason_end = 2027-04-30\n",
        "utf-8",
    )
    (folder / "policy.toml").write_text(
        "[tolerance]\nover_pct = 10\nunder_pct = 10\nconfidence = 0.95\n", "utf-8"
    )
    trucks = [
        (
            one.truck_id,
            "closed_loop" if one.closed_loop else "open_loop",
            "auger",
            16000,
            "3",
            5,
            100,
        )
        for one in county.trucks
    ]
    tests, weighings = tests_of(county)
    tables = {
        "materials": ("material kind cost_per_ton", [("salt", "solid", 80)]),
        "trucks": (
            "truck_id control feeder capacity_lb gate_positions_in min_feeder_pct max_feeder_pct",
            trucks,
        ),
        "discharge_tests": (
            "test_id truck_id material performed_at gate_in feeder_pct duration_s sensor_counts",
            tests,
        ),
        "weighings": ("test_id method gross_lb tare_lb scale_division_lb", weighings),
        "yards": ("yard_id lon lat reload_min", [("Y1", -94.0, 46.0, 8)]),
        "assignments": (
            "route_id truck_id yard_id material",
            [(f"R{n + 1}", f"T{n + 1}", "Y1", "salt") for n in range(TRUCKS)],
        ),
    }
    for name, (columns, rows) in tables.items():
        pd.DataFrame(rows, columns=columns.split()).to_csv(folder / f"{name}.csv", index=False)
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "LineString", "coordinates": line},
            "properties": {
                "route_id": road.route_id,
                "segment_id": f"{road.route_id}-{n + 1:02d}",
                "sequence": n + 1,
                "lanes": 2,
                "passes": 2,
                "speed_mph": SPEED_MPH,
                "service_class": "A",
                "name": "Road",
                "two_way": True,
            },
        }
        for road in roads
        for n, line in enumerate(road.segment_lines())
    ]
    (folder / "routes.geojson").write_text(
        json.dumps({"type": "FeatureCollection", "features": features}), "utf-8"
    )


def _storm(
    folder: Path,
    county: County,
    roads: list[Road],
    plan: StormPlan,
    calibration: Calibration,
    storm: str,
    start: pd.Timestamp,
    hopper: Hopper,
) -> list[Drive]:
    """Play a storm and write its telemetry."""
    rng, place = county.rng, folder / "storms" / storm
    wet = float(rng.normal(0.0, county.odd.moisture_rel))
    drives = []
    for truck, road in zip(county.trucks, roads, strict=True):
        settings = _settings(plan, calibration, truck.truck_id, road)
        begins = start.timestamp() + float(rng.uniform(0.0, 600.0))
        made = drive(county, truck, road, settings, round(begins), TESTS_DAY_S, wet, hopper)
        telemetry(county, made).to_csv(place / "telemetry" / f"{truck.truck_id}.csv", index=False)
        drives.append(made)
    return drives


def _settings(
    plan: StormPlan, calibration: Calibration, truck_id: str, road: Road
) -> list[Settings]:
    """A truck's cab card by round.

    An open loop's display knows one number: what the calibration says of the middle of the tests.
    """
    model = calibration.models[truck_id, "salt", GATE_IN]
    middle = np.asarray(min(max(model.middle_pct, 1.0), 100.0))
    per_pct = float(model.predict(middle).discharge_lb_per_min) / float(middle)
    rows = plan.segments[plan.segments["route_id"] == road.route_id]
    found = []
    for _, mine in rows.groupby("application", sort=True):
        mine = mine.set_index("segment_id").sort_index()
        assert len(mine) == SEGMENTS
        rate = mine["mass_lb"] / mine["lane_miles"] / M_PER_MI
        output = mine["feeder_pct"].fillna(100.0).to_numpy(dtype=float)
        found.append(
            Settings(rate.to_numpy(dtype=float), output, per_pct * output, model.lb_per_count)
        )
    return found
