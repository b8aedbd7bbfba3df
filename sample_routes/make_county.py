"""Writes the sample workspace: Tamarack County, an invented place.

    python sample_routes/make_county.py [FOLDER [TRUTH]]

writes into FOLDER, and what really happened in the storms into TRUTH; without either it writes into
`county` beside this file and into `tests/sample_routes/truth`. Everything is seeded: the same code
writes the same bytes.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from county_network import Segment, county_segments
from county_roads import KINDS, county_roads
from county_routes import routed, zone
from county_shapes import to_lon_lat
from county_storms import STORMS, forecast, log, planners_rates
from county_tables import (
    MAINE,
    WORKSPACE_TOML,
    assignments,
    budgets,
    deliveries,
    materials,
    sensitive_areas,
    stock_counts,
    yards,
)
from county_trucks import change_table, shift_table, shop_tests, truck_table
from storm_files import write_csv
from storm_records import write_records

HERE = Path(__file__).resolve().parent
TRUTH = HERE.parent / "tests" / "sample_routes" / "truth"
TEST_SEED = 20261006


def route_features(segments: list[Segment]) -> list[dict[str, Any]]:
    """Features of routes.geojson, one for each segment."""
    features = []
    for segment in segments:
        kind = KINDS[segment.road.kind]
        properties = {
            "route_id": segment.route_id,
            "segment_id": segment.segment_id,
            "sequence": segment.sequence,
            "name": segment.road.name,
            "lanes": kind.lanes,
            "lane_width_ft": kind.lane_width_ft,
            "passes": kind.passes,
            "speed_mph": kind.speed_mph,
            "service_class": kind.service_class,
            "zone": zone(segment),
            "two_way": segment.road.two_way,
        }
        geometry = {"type": "LineString", "coordinates": to_lon_lat(segment.points)}
        features.append({"type": "Feature", "properties": properties, "geometry": geometry})
    return features


def write_text(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")


def write_geojson(path: Path, features: list[dict[str, Any]]) -> None:
    """One feature a line, so that a change shows as the lines that it touches."""
    lines = ",\n".join(json.dumps(f, separators=(",", ":"), ensure_ascii=False) for f in features)
    write_text(path, f'{{"type":"FeatureCollection","features":[\n{lines}\n]}}\n')


#: All of this winter was planned before later rounds came to take the low end of a range.
PLAN_TOML = """\
# Which end of the policy's rate ranges this storm is planned with: low, middle, high, or
# by_round: the middle in the first round, the low end in later ones.
pick = "middle"
"""


def write_county(folder: Path) -> None:
    """Writes every file of the workspace but the storms' records into `folder`."""
    policy = (HERE / "county_policy.toml").read_text(encoding="utf-8").replace("@maine", MAINE)
    write_text(folder / "workspace.toml", WORKSPACE_TOML)
    write_text(folder / "policy.toml", policy)
    write_geojson(
        folder / "routes.geojson", route_features(routed(county_segments(county_roads())))
    )
    write_geojson(folder / "sensitive_areas.geojson", sensitive_areas())
    tests, weighings = shop_tests(TEST_SEED)
    tables = {
        "materials": materials(),
        "trucks": truck_table(),
        "shifts": shift_table(),
        "discharge_tests": tests,
        "weighings": weighings,
        "changes": change_table(),
        "assignments": assignments(),
        "yards": yards(),
        "stock_counts": stock_counts(),
        "deliveries": deliveries(),
        "budgets": budgets(),
    }
    for name, table in tables.items():
        write_csv(folder / f"{name}.csv", table)
    for storm in STORMS:
        of_storm = {"forecast": forecast(storm), "rates": planners_rates(storm), "log": log(storm)}
        for name, given in of_storm.items():
            if len(given):
                write_csv(folder / "storms" / storm.name / f"{name}.csv", given)
        if of_storm["forecast"]["application"].nunique() > 1:
            write_text(folder / "storms" / storm.name / "plan.toml", PLAN_TOML)


def main(arguments: list[str]) -> None:
    folder = Path(arguments[0]) if arguments else HERE / "county"
    truth = Path(arguments[1]) if len(arguments) > 1 else None if arguments else TRUTH
    write_county(folder)
    write_records(folder, truth)


if __name__ == "__main__":
    main(sys.argv[1:])
