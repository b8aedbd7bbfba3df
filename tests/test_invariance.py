"""The same operation told in other units, formats, orders and cuts gives the same plan."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString

from spreadplan.cli import main
from tests.conftest import FILES, route_features

LB, FT, MI = 0.45359237, 0.3048, 1.609344


def planned(folder) -> pd.DataFrame:
    assert main(["plan", str(folder), "s1", "--no-pdf"]) == 0
    return pd.read_csv(folder / "results/s1/plan_segments.csv")


def by_segment(table: pd.DataFrame) -> pd.DataFrame:
    keys = ["application", "route_id", "segment_id"]
    return table.groupby(keys)[["lane_miles", "mass_lb"]].sum()


def test_metric_files_give_the_masses_of_the_us_ones(workspace, tmp_path):
    plain = planned(workspace())
    collection = route_features()
    for feature in collection["features"]:
        speed = feature["properties"].pop("speed_mph")
        feature["properties"].update(speed_km_h=speed * MI, lane_width_m=12 * FT)
    tests = pd.read_csv(workspace() / "discharge_tests.csv")
    tests["gate_mm"] = tests.pop("gate_in") * 25.4
    tests["duration_min"] = tests.pop("duration_s") / 60
    weighings = pd.read_csv(workspace() / "weighings.csv")
    for name in ("gross", "tare", "scale_division"):
        weighings[f"{name}_kg"] = weighings.pop(f"{name}_lb") * LB
    changes = {
        "workspace.toml": FILES["workspace.toml"].replace('"us"', '"metric"'),
        "routes.geojson": json.dumps(collection),
        "trucks.csv": FILES["trucks.csv"]
        .replace("capacity_lb", "capacity_kg")
        .replace("14000", repr(14000 * LB))
        .replace("20000", repr(20000 * LB))
        .replace("gate_positions_in", "gate_positions_mm")
        .replace("2;3", "50.8;76.2")
        .replace("conveyor,9071.8474,3,", "conveyor,9071.8474,76.2,"),
        "discharge_tests.csv": tests.to_csv(index=False),
        "weighings.csv": weighings.to_csv(index=False),
        "stock_counts.csv": "yard_id,material,counted_at,on_hand_t\n"
        f"Y1,salt,2026-11-01,{300 * 2000 * LB / 1000!r}\n",
        "storms/s1/rates.csv": f"route_id,application,rate_kg_per_lane_km\n*,1,{200 * LB / MI!r}\n",
        "storms/s1/forecast.csv": FILES["storms/s1/forecast.csv"]
        .replace("pavement_temp_f", "pavement_temp_c")
        .replace(",25,", f",{(25 - 32) / 1.8!r},")
        .replace("precipitation_in", "precipitation_mm")
        .replace("0.05", "1.27"),
    }
    metric = planned(workspace(changes))
    pd.testing.assert_frame_equal(by_segment(metric), by_segment(plain), rtol=1e-6)
    assert metric["feeder_pct"].to_numpy() == pytest.approx(plain["feeder_pct"], rel=1e-6)


def test_another_crs_and_format_give_the_same_plan(workspace):
    plain = by_segment(planned(workspace()))
    folder = workspace()
    frame = gpd.read_file(folder / "routes.geojson").to_crs("EPSG:26915")
    (folder / "routes.geojson").unlink()
    frame.to_file(folder / "routes.gpkg")
    pd.testing.assert_frame_equal(by_segment(planned(folder)), plain, rtol=1e-6)


def test_the_order_of_rows_does_not_matter(workspace):
    plain = by_segment(planned(workspace()))
    collection = route_features()
    for place, feature in enumerate(collection["features"]):
        feature["properties"]["sequence"] = place
    collection["features"].reverse()

    def reversed_rows(name: str) -> str:
        header, *rows = FILES[name].splitlines()
        return "\n".join([header, *reversed(rows)]) + "\n"

    names = ["trucks.csv", "discharge_tests.csv", "weighings.csv", "assignments.csv"]
    changes = {name: reversed_rows(name) for name in names}
    again = planned(workspace({**changes, "routes.geojson": json.dumps(collection)}))
    pd.testing.assert_frame_equal(by_segment(again), plain, rtol=1e-9)


def test_cutting_a_segment_in_two_changes_no_mass(workspace):
    plain = planned(workspace()).groupby("route_id")["mass_lb"].sum()
    collection = route_features()
    first = collection["features"][0]
    line = LineString(first["geometry"]["coordinates"])
    middle = line.interpolate(0.37, normalized=True)
    second = json.loads(json.dumps(first))
    first["geometry"]["coordinates"] = [line.coords[0], (middle.x, middle.y)]
    second["geometry"]["coordinates"] = [(middle.x, middle.y), line.coords[-1]]
    second["properties"]["segment_id"] = "a2"
    collection["features"].insert(1, second)
    cut = planned(workspace({"routes.geojson": json.dumps(collection)}))
    assert np.allclose(cut.groupby("route_id")["mass_lb"].sum(), plain, rtol=1e-7)


def test_rates_in_every_basis_mean_the_same_on_a_twelve_foot_lane(workspace):
    # 200 lb per lane-mile is 400 per two-lane-mile and, over 12 ft, 15.4117 g/m² (NIST SP 811)
    plain = by_segment(planned(workspace()))
    grams = 200 * LB * 1000 / (12 * FT * MI * 1000)
    for column, value in (("lb_per_two_lane_mile", 400.0), ("g_per_m2", grams)):
        text = f"route_id,application,rate_{column}\n*,1,{value!r}\n"
        again = by_segment(planned(workspace({"storms/s1/rates.csv": text})))
        pd.testing.assert_frame_equal(again, plain, rtol=1e-6)
