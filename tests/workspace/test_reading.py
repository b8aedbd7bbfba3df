"""Every accepted form of the same data gives the same tables."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from spreadplan.cli import main
from spreadplan.units import RATE_SUFFIXES, SUFFIXES, suffix_meant
from tests.conftest import FILES, route_features
from tests.workspace.test_bad_input import problems, read

UNITS = [
    # file, US column and value, the same in another unit
    ("trucks.csv", "capacity_lb", "14000", "capacity_kg", "6350.29318"),
    ("trucks.csv", "capacity_lb", "14000", "capacity_ton", "7"),
    ("trucks.csv", "capacity_lb", "14000", "capacity_t", "6.35029318"),
    ("trucks.csv", "gate_positions_in", "2;3", "gate_positions_mm", "50.8;76.2"),
    ("discharge_tests.csv", "duration_s", ",60,", "duration_min", ",1,"),
]


@pytest.mark.parametrize(("file", "name", "value", "other", "other_value"), UNITS)
def test_a_quantity_means_the_same_in_each_unit(workspace, file, name, value, other, other_value):
    text = FILES[file].replace(name, other).replace(value, other_value)
    table = file.removesuffix(".csv")
    inside = "gate_positions_in" if name.startswith("gate") else name
    given = read(workspace()).tables[table][inside].iloc[0]
    # the second truck's 20,000 is a payload in pounds only
    text = text.replace("20000", {"capacity_ton": "10", "capacity_t": "9"}.get(other, "20000"))
    again = read(workspace({file: text})).tables[table][inside].iloc[0]
    assert again == pytest.approx(given, rel=1e-9)


def test_two_lane_rates_are_half_of_lane_rates(workspace):
    # Minnesota Snow and Ice Control Field Handbook, LRRB 2005-01: one lane takes half of a rate
    # that is listed per two-lane mile.
    text = "route_id,application,rate_lb_per_two_lane_mile\n*,1,400\n"
    rates = read(workspace({"storms/s1/rates.csv": text})).storms["s1"]["rates"]
    assert rates["rate_lb_per_lane_mile"].iloc[0] == pytest.approx(200)
    assert rates["basis"].iloc[0] == "lb_per_two_lane_mile"


def test_liquid_and_area_rates_stay_apart(workspace):
    for name, inside in (("g_per_m2", "g_per_m2"), ("l_per_lane_km", "gal_per_lane_mile")):
        text = f"route_id,application,rate_{name}\n*,1,10\n"
        rates = read(workspace({"storms/s1/rates.csv": text})).storms["s1"]["rates"]
        filled = [
            column
            for column in rates.columns
            if column.startswith("rate_") and rates[column].notna().all()
        ]
        assert filled == [f"rate_{inside}"]


@pytest.mark.slow
@pytest.mark.parametrize("suffix", ["gpkg", "shp", "parquet"])
@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:26915", "EPSG:3857"])
def test_routes_are_the_same_from_every_format_and_crs(workspace, suffix, crs):
    plain = read(workspace()).tables["routes"]
    folder = workspace({"routes.geojson": None})
    (folder / "routes.geojson").unlink()
    frame = gpd.GeoDataFrame.from_features(route_features(), crs="EPSG:4326").to_crs(crs)
    path = folder / f"routes.{suffix}"
    if suffix == "parquet":
        frame.to_parquet(path)
    else:
        frame.to_file(path)
    again = read(folder).tables["routes"]
    assert list(again["segment_id"]) == list(plain["segment_id"])
    assert list(again["passes"]) == list(plain["passes"])
    assert again.geometry.geom_equals_exact(plain.geometry, 1e-7).all()


@pytest.mark.parametrize("suffix", ["gpkg", "shp", "parquet"])
def test_messages_name_the_file_that_was_read(workspace, capsys, suffix):
    """Whatever is said of the routes names their file, and no other that could have been there."""
    folder = workspace(
        {
            "routes.geojson": None,
            "storms/s1/rates.csv": "route_id,application,rate_lb_per_lane_mile\nR9,1,200\n",
        }
    )
    frame = gpd.GeoDataFrame.from_features(route_features(), crs="EPSG:4326")
    path = folder / f"routes.{suffix}"
    frame.to_parquet(path) if suffix == "parquet" else frame.to_file(path)
    assert main(["check", str(folder)]) == 2
    said = capsys.readouterr()
    assert f'"R9" is not in routes.{suffix}' in said.err
    (folder / "storms/s1/rates.csv").write_text(FILES["storms/s1/rates.csv"])
    assert main(["check", str(folder)]) == 0
    said = capsys.readouterr()
    assert f"routes.{suffix}: 3 rows" in said.out
    far = frame.geometry.affine_transform([1, 0, 0, 1, 0, 0]).to_numpy()
    far[0] = shapely.LineString([(-94.0, 46.0), (-80.0, 46.0)])
    frame = frame.set_geometry(gpd.GeoSeries(far, crs=4326))
    frame.to_parquet(path) if suffix == "parquet" else frame.to_file(path)
    (folder / "storms/s1/telemetry").mkdir()
    (folder / "storms/s1/telemetry/a.csv").write_text(
        "truck_id,time,lon,lat,speed_mph,spreading,feed_total_lb\n"
        "T1,2026-12-01T05:00:00,-94,46,20,1,5\n"
    )
    assert main(["reconcile", str(folder), "s1", "--no-pdf"]) == 2
    said = capsys.readouterr()
    assert f"routes.{suffix}:" in said.err
    assert "geojson" not in said.err.replace("sensitive_areas.geojson", "")


def test_a_file_without_crs_is_refused_and_two_files_for_one_table(workspace):
    folder = workspace()
    frame = gpd.GeoDataFrame.from_features(route_features())
    frame.to_parquet(folder / "routes.parquet")
    assert any("stands there twice" in p.what for p in problems(folder))
    (folder / "routes.geojson").unlink()
    assert any("coordinate system" in p.what for p in problems(folder))


def test_a_mark_at_the_start_quotes_blank_lines_and_spaces_are_tolerated(workspace):
    text = '\ufeff"yard_id", lon ,lat\r\n\r\n" Y1 ",-94, 46 \r\n'
    yards = read(workspace({"yards.csv": text})).tables["yards"]
    assert yards[["yard_id", "lon", "lat", "row"]].to_numpy().tolist() == [["Y1", -94.0, 46.0, 3]]


def test_local_times_follow_the_workspace_and_offsets_win(workspace):
    tests = read(workspace()).tables["discharge_tests"]
    assert tests["performed_at"].iloc[0] == pd.Timestamp("2026-10-20T14:00", tz="UTC")
    text = FILES["discharge_tests.csv"].replace("2026-10-20T09:00", "2026-11-01T01:30-06:00")
    tests = read(workspace({"discharge_tests.csv": text})).tables["discharge_tests"]
    assert tests["performed_at"].iloc[0] == pd.Timestamp("2026-11-01T07:30", tz="UTC")


def test_columns_toml_maps_foreign_names_and_units(workspace):
    text = "Truck,Loop,Type,Payload\nT1,open_loop,auger,6350.29318\nT2,closed_loop,auger,9000\n"
    mapping = (
        '[trucks]\ntruck_id = "Truck"\ncontrol = "Loop"\nfeeder = "Type"\n'
        'capacity = { column = "Payload", unit = "kg" }\n'
    )
    result = read(workspace({"trucks.csv": text, "columns.toml": mapping}))
    assert result.tables["trucks"]["capacity_lb"].iloc[0] == pytest.approx(14000)


WRITTEN_UNITS = [
    ("speed", "km/h", "km_h"),
    ("speed", "km/hr", "km_h"),
    ("speed", "KPH", "km_h"),
    ("speed", "kmh", "km_h"),
    ("speed", "miles per hour", "mph"),
    ("mass", "lbs", "lb"),
    ("mass", "tons", "ton"),
    ("mass", "US tons", "ton"),
    ("mass", "metric tons", "t"),
    ("temperature", "°F", "f"),
    ("temperature", "deg F", "f"),
    ("temperature", "Celsius", "c"),
    ("length", '"', "in"),
    ("volume", "U.S. gallons", "gal"),
    ("bulk_density", "lb/ft³", "lb_ft3"),
    ("bulk_density", "lbs per cu. ft", "lb_ft3"),
    ("stream_flow", "cubic feet per second", "cfs"),
    ("rate_limit", "lbs/lane-mile", "lb_per_lane_mile"),
    ("rate_limit", "lb / 2-lane mile", "lb_per_two_lane_mile"),
    # what could be two units, or is none that a file may hold, is not guessed
    ("mass", "T", ""),
    ("mass", "long tons", ""),
    ("length", "M", ""),
    ("speed", "knots", ""),
    ("rate_limit", "lb/mile", ""),
    ("mass", "", ""),
]


@pytest.mark.parametrize(("quantity", "written", "suffix"), WRITTEN_UNITS)
def test_units_are_understood_as_people_write_them(quantity, written, suffix):
    assert suffix_meant(written, SUFFIXES[quantity]) == suffix


def test_every_suffix_means_itself_and_no_two_are_taken_for_one():
    for suffixes in [*SUFFIXES.values(), RATE_SUFFIXES]:
        assert [suffix_meant(one, suffixes) for one in suffixes] == list(suffixes)
        assert [suffix_meant(one.upper(), suffixes) for one in suffixes if len(one) > 1] == [
            one for one in suffixes if len(one) > 1
        ]


def test_columns_toml_takes_everyday_units_and_names_those_it_does_not_know(workspace):
    text = (
        FILES["trucks.csv"]
        .replace("capacity_lb", "Payload")
        .replace("14000", "7")
        .replace("20000", "9")
    )
    loads = "ticket_id,truck_id,yard_id,loaded_at,material,Net\nL1,T1,Y1,2026-12-01T05:00,salt,2\n"
    rates = FILES["storms/s1/rates.csv"].replace("rate_lb_per_lane_mile", "Rate")
    mapping = """
        [trucks]
        capacity = {{ column = "Payload", unit = "tons" }}
        [loads]
        net_lb = {{ column = "Net", unit = "{}" }}
        [rates]
        rate = {{ column = "Rate", unit = "lbs/two-lane mile" }}
        [telemetry]
        heading_deg = {{ column = "Course", unit = "°" }}
    """
    files = {"trucks.csv": text, "storms/s1/loads.csv": loads, "storms/s1/rates.csv": rates}
    read_one = read(workspace({**files, "columns.toml": mapping.format("metric tons")}))
    assert read_one.tables["trucks"]["capacity_lb"].iloc[0] == pytest.approx(14_000)
    assert read_one.storms["s1"]["loads"]["net_lb"].iloc[0] == pytest.approx(4_409.245, rel=1e-6)
    assert read_one.storms["s1"]["rates"]["rate_lb_per_lane_mile"].iloc[0] == pytest.approx(100)
    assert read_one.renames["telemetry"]["heading_deg"].unit == ""
    found = [
        str(problem)
        for problem in problems(workspace({**files, "columns.toml": mapping.format("stone")}))
    ]
    assert found[0] == (
        'columns.toml:0:loads.net_lb: unit "stone" is not known here; write one of lb, kg, ton, t'
    )


def test_a_shapefile_column_that_lost_its_unit_can_be_mapped(workspace):
    mapping = '[routes]\nlane_width = { column = "lane_width", unit = "m" }\n'
    folder = workspace({"routes.geojson": None, "columns.toml": mapping})
    (folder / "routes.geojson").unlink(missing_ok=True)
    collection = route_features()
    for feature in collection["features"]:
        feature["properties"].update(lane_width=3.6576, service_cl="A")
    gpd.GeoDataFrame.from_features(collection, crs="EPSG:4326").to_file(folder / "routes.shp")
    routes = read(folder).tables["routes"]
    assert routes["lane_width_ft"].to_numpy() == pytest.approx(12)
    assert set(routes["service_class"]) == {"A"}


def test_absent_optional_files_are_said_and_defaults_hold(workspace):
    result = read(workspace())
    assert "sensitive_areas.geojson" in result.absent
    assert "policy.toml" in result.absent
    routes = result.tables["routes"]
    assert (routes["lane_width_ft"] == 12).all()
    assert routes["sequence"].tolist() == [1, 2, 1]
    assert result.tables["trucks"]["max_feeder_pct"].tolist() == [100, 100]
    assert np.isnan(result.tables["trucks"]["max_spread_lanes"]).all()
    assert result.table("deliveries").empty


def test_numbers_as_identifiers_keep_their_text(workspace):
    collection = route_features()
    for feature in collection["features"]:
        feature["properties"]["route_id"] = {"R1": 7, "R2": 8}[feature["properties"]["route_id"]]
    assignments = FILES["assignments.csv"].replace("R1", "7").replace("R2", "8")
    result = read(
        workspace({"routes.geojson": json.dumps(collection), "assignments.csv": assignments})
    )
    assert result.tables["routes"]["route_id"].tolist() == ["7", "7", "8"]


def test_the_starter_workspace_is_clean_in_every_file(tmp_path):
    from spreadplan.schema.tables import TABLES
    from spreadplan.workspace import read_workspace
    from spreadplan.workspace.starter import starter_files

    for name, text in starter_files("2026-10-01", "2027-04-30").items():
        path = tmp_path / "mine" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    per_storm = [table.name for table in TABLES.values() if table.per_storm]
    result = read_workspace(
        tmp_path / "mine",
        required=[name for name in TABLES if name not in per_storm] + ["policy"],
        storms={"first-storm": per_storm},
    )
    assert result.cautions == ()
    assert result.absent == ()
    empty = {name for name, frame in result.tables.items() if not len(frame)}
    assert empty == {"liquid_tests", "catches", "brine_batches"}  # not every agency has them
    assert all(len(frame) == 1 for name, frame in result.tables.items() if name not in empty)


def test_solids_and_liquids_have_prices_of_their_own(workspace):
    text = (
        "material,kind,density_lb_gal,cost_per_ton,cost_per_gal\n"
        "salt,solid,,78.5,\nbrine,liquid,9.83,,0.21\n"
    )
    materials = read(workspace({"materials.csv": text})).tables["materials"]
    assert materials["cost_per_ton"].tolist()[0] == 78.5
    assert materials["cost_per_gal"].tolist()[1] == 0.21


@pytest.mark.parametrize(("name", "given"), [("u_f", "3.6"), ("u_c", "2")])
def test_the_doubt_of_a_temperature_is_a_difference(workspace, name, given):
    """2 C of difference are 3.6 F of difference (NIST SP 811, B.8), not 35.6 F."""
    text = (
        f"zone,start,end,event,pavement_temp_c,pavement_temp_{name}\n"
        f"*,2026-12-01T04:00,2026-12-01T12:00,light_snow,-3,{given}\n"
        "*,2026-12-01T12:00,2026-12-01T16:00,light_snow,-3,\n"
    )
    forecast = read(workspace({"storms/s1/forecast.csv": text})).storms["s1"]["forecast"]
    assert forecast["pavement_temp_f"].iloc[0] == pytest.approx(26.6)
    assert forecast["pavement_temp_u_f"].iloc[0] == pytest.approx(3.6)
    assert np.isnan(forecast["pavement_temp_u_f"].iloc[1])


@pytest.mark.parametrize("given", ["night_u_f = 3.6", "night_u_c = 2"])
def test_the_policys_doubt_of_a_temperature_is_a_difference(workspace, given):
    policy = read(workspace({"policy.toml": f"[weather]\n{given}\ncommon_share = 0.5\n"})).policy
    assert (policy.night_u_f, policy.common_share) == (pytest.approx(3.6), 0.5)
    assert np.isnan(policy.day_u_f)


def test_a_doubt_given_twice_or_out_of_reach_is_named(workspace):
    twice = problems(workspace({"policy.toml": "[weather]\nday_u_f = 3\nday_u_c = 2\n"}))
    assert [(one.column, one.what) for one in twice] == [
        ("weather.day_u_c", "the quantity is given twice")
    ]
    far = problems(workspace({"policy.toml": "[weather]\nday_u_c = 21\n"}))
    assert far[0].remedy.startswith("give a number from 0 to 20")
