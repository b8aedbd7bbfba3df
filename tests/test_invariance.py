"""The same operation told in other units, formats, orders and cuts gives the same plan."""

from __future__ import annotations

import csv
import itertools
import json
import shutil
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString
from shapely.ops import substring

from spreadplan.planning import StormPlan
from spreadplan.runs.options import Options, no_progress
from spreadplan.runs.planning import compute_plan
from tests.conftest import FILES, route_features
from tests.differential.plan_files import FACTORS, moment
from tests.differential.random_workspace import STORM, write_workspace

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("blank_charts")]

LB, FT, MI = 0.45359237, 0.3048, 1.609344
MASSES = ["mass_lb", "mass_lo_lb", "mass_hi_lb"]
Row = dict[str, Any]


def _nothing(_text: str) -> None:
    """Nobody listens."""


def plan_of(folder: Path, storm: str = STORM) -> StormPlan:
    return compute_plan(folder, storm, Options(_nothing, _nothing, no_progress))[2]


def planned(folder: Path) -> pd.DataFrame:
    return plan_of(folder).segments.drop(columns="geometry")


def by_segment(table: pd.DataFrame) -> pd.DataFrame:
    keys = ["application", "route_id", "segment_id"]
    return table.groupby(keys)[["lane_miles", "mass_lb"]].sum()


#: a rate that the open loop's tests bear: below them it may not be used
USABLE = {"storms/s1/rates.csv": "route_id,application,rate_lb_per_lane_mile\n*,1,800\n"}


def test_metric_files_give_the_masses_of_the_us_ones(workspace, tmp_path):
    plain = planned(workspace(USABLE))
    assert plain["feeder_pct"].notna().all()
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
        "storms/s1/rates.csv": f"route_id,application,rate_kg_per_lane_km\n*,1,{800 * LB / MI!r}\n",
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


# --- drawn workspaces: the whole plan with its intervals -----------------------------------------


@pytest.fixture(scope="module")
def drawn(tmp_path_factory) -> Callable[[int], tuple[Path, StormPlan]]:
    """A drawn workspace and its plan, by seed; each is made once."""
    known: dict[int, tuple[Path, StormPlan]] = {}

    def draw(seed: int) -> tuple[Path, StormPlan]:
        if seed not in known:
            folder = write_workspace(tmp_path_factory.mktemp("drawn"), seed)
            known[seed] = folder, plan_of(folder)
        return known[seed]

    return draw


def same_plan(again: StormPlan, plan: StormPlan, rtol: float) -> None:
    """Every mass with its interval, loads, times and needs are the same; so are the settings."""
    keys = ["application", "route_id", "segment_id"]
    for name, by, numbers in (
        ("segments", keys, ["lane_miles", *MASSES, "prewet_gal"]),
        ("routes", keys[:2], ["lane_miles", *MASSES, "loads", "minutes", "settings"]),
        (
            "yards",
            ["yard_id", "material"],
            ["needed_ton", "needed_hi_ton", "on_hand_ton", "short_ton"],
        ),
    ):
        old, new = (
            getattr(each, name).groupby(by)[numbers].sum(min_count=1).sort_index()
            for each in (plan, again)
        )
        pd.testing.assert_frame_equal(
            new, old, rtol=rtol, atol=1e-7, check_dtype=False, check_exact=False
        )
    settings = ["gate_in", "status"]
    old, new = (each.segments.groupby(keys)[settings].first() for each in (plan, again))
    pd.testing.assert_frame_equal(new.sort_index(), old.sort_index(), rtol=1e-6)


def copied(folder: Path, tmp_path: Path) -> Path:
    """A copy of a workspace's files that may be changed."""
    return Path(shutil.copytree(folder, tmp_path / "copy"))


def rewritten(path: Path, change: Callable[[list[Row]], list[Row]]) -> None:
    """Write the rows of a CSV file anew."""
    with path.open(newline="") as lines:
        rows = change(list(csv.DictReader(lines)))
    with path.open("w", newline="") as lines:
        writer = csv.DictWriter(lines, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def features_changed(path: Path, change: Callable[[list[Row]], Iterable[Row]]) -> None:
    """Write the features of a GeoJSON file anew."""
    if path.exists():
        collection = json.loads(path.read_text())
        collection["features"] = list(change(collection["features"]))
        path.write_text(json.dumps(collection))


def tables(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.csv"))


#: stem of a column -> kind of quantity, for every quantity of a drawn workspace
STEMS = {
    "capacity": "mass",
    "prewet_tank": "volume",
    "gross": "mass",
    "tare": "mass",
    "scale_division": "mass",
    "duration": "seconds",
    "duration_u": "seconds",
    "gate": "inches",
    "gate_positions": "inches",
    "reload": "minutes",
    "prewet": "per_mass",
    "on_hand": "mass",
    "net": "mass",
    "density": "density",
    "rate": "lane_rate",
    "speed": "speed",
    "lane_width": "feet",
    "max_rate": "lane_rate",
}
#: the other system's unit of each kind
OTHER = {
    "mass": ("lb", "kg"),
    "volume": ("gal", "l"),
    "seconds": ("s", "min"),
    "inches": ("in", "mm"),
    "minutes": ("min", "s"),
    "per_mass": ("gal_per_ton", "l_per_t"),
    "density": ("lb_gal", "kg_l"),
    "lane_rate": ("lb_per_lane_mile", "kg_per_lane_km"),
    "speed": ("mph", "km_h"),
    "feet": ("ft", "m"),
}


def other_units(row: Row) -> Row:
    """A row with every quantity in a unit of the other system."""
    result: Row = {}
    for name, value in row.items():
        if name == "pavement_temp_f":
            result["pavement_temp_c"] = repr((float(value) - 32) / 1.8)
            continue
        if name == "pavement_temp_c":
            result["pavement_temp_f"] = repr(float(value) * 1.8 + 32)
            continue
        stem, kind, suffix = next(
            (
                (stem, kind, name.removeprefix(f"{stem}_"))
                for stem, kind in STEMS.items()
                if name.removeprefix(f"{stem}_") in FACTORS[kind]
            ),
            ("", "", ""),
        )
        if not stem:
            result[name] = value
            continue
        first, second = OTHER[kind]
        target = first if suffix != first and suffix != "ton" else second
        factor = float(FACTORS[kind][suffix] / FACTORS[kind][target])
        texts = [text for text in str("" if value is None else value).split(";") if text]
        texts = [repr(float(text) * factor) for text in texts]
        new: Any = ";".join(texts)
        result[f"{stem}_{target}"] = float(new) if isinstance(value, (int, float)) else new
    return result


@pytest.mark.parametrize("seed", [1, 6])
def test_every_quantity_in_another_unit(drawn, tmp_path, seed):
    folder, plan = drawn(seed)
    copy = copied(folder, tmp_path)
    for path in tables(copy):
        rewritten(path, lambda rows: [other_units(row) for row in rows])
    for name in ("routes", "sensitive_areas"):
        features_changed(
            copy / f"{name}.geojson",
            lambda features: [{**f, "properties": other_units(f["properties"])} for f in features],
        )
    text = (copy / "weighings.csv").read_text().splitlines()[0]
    assert text != (folder / "weighings.csv").read_text().splitlines()[0]
    same_plan(plan_of(copy), plan, 1e-9)


@pytest.mark.parametrize("seed", [1, 6])
def test_rows_and_columns_in_any_order(drawn, tmp_path, seed):
    folder, plan = drawn(seed)
    copy = copied(folder, tmp_path)
    rng = Random(seed)

    def shuffled(rows: list[Row]) -> list[Row]:
        names = rng.sample(list(rows[0]), len(rows[0]))
        return [{name: row[name] for name in names} for row in rng.sample(rows, len(rows))]

    for path in tables(copy):
        rewritten(path, shuffled)
    features_changed(copy / "sensitive_areas.geojson", lambda f: rng.sample(f, len(f)))

    def mixed(features: list[Row]) -> list[Row]:
        for place, feature in enumerate(features):
            feature["properties"].setdefault("sequence", place + 1)
        return rng.sample(features, len(features))

    features_changed(copy / "routes.geojson", mixed)
    same_plan(plan_of(copy), plan, 1e-9)


@pytest.mark.parametrize("crs", ["EPSG:32615", "EPSG:26992", "EPSG:3857"])
def test_any_crs(drawn, tmp_path, crs):
    folder, plan = drawn(2)
    copy = copied(folder, tmp_path)
    for name in ("routes", "sensitive_areas"):
        path = copy / f"{name}.geojson"
        if path.exists():
            gpd.read_file(path).to_crs(crs).to_file(path.with_suffix(".gpkg"))
            if name == "routes":
                path.unlink()
            else:
                gpd.read_file(path).to_crs(crs).to_crs("EPSG:4326").to_file(path)
                path.with_suffix(".gpkg").unlink()
    same_plan(plan_of(copy), plan, 1e-6)


def test_lines_digitised_the_other_way(drawn, tmp_path):
    folder, plan = drawn(2)
    copy = copied(folder, tmp_path)

    def turned(features: list[Row]) -> list[Row]:
        for feature in features:
            feature["geometry"]["coordinates"].reverse()
        return features

    features_changed(copy / "routes.geojson", turned)
    again = plan_of(copy)
    # travel between segments may differ; what is spread may not
    keys = ["application", "route_id", "segment_id"]
    for by in (keys, keys[:2]):
        old, new = (
            each.segments.groupby(by)[["lane_miles", "mass_lb"]].sum() for each in (plan, again)
        )
        pd.testing.assert_frame_equal(new, old, rtol=1e-7)
    old, new = (each.routes.set_index(keys[:2])[MASSES] for each in (plan, again))
    pd.testing.assert_frame_equal(new, old, rtol=1e-7)


def test_times_with_their_offset_in_another_time_zone(drawn, tmp_path):
    folder, plan = drawn(1)
    copy = copied(folder, tmp_path)
    home = ZoneInfo("America/Chicago")

    def told(rows: list[Row]) -> list[Row]:
        names = {
            "performed_at",
            "changed_at",
            "counted_at",
            "delivered_at",
            "loaded_at",
            "returned_at",
            "start",
            "end",
        }
        return [
            {
                name: cell if name not in names or not cell else moment(cell, home).isoformat()
                for name, cell in row.items()
            }
            for row in rows
        ]

    for path in tables(copy):
        rewritten(path, told)
    toml = copy / "workspace.toml"
    toml.write_text(toml.read_text().replace("America/Chicago", "Asia/Tokyo"))
    same_plan(plan_of(copy), plan, 1e-12)


def test_other_names_for_everything(drawn, tmp_path):
    folder, plan = drawn(1)
    copy = copied(folder, tmp_path)
    kinds = {"truck_id": "truck", "route_id": "way", "yard_id": "yard", "test_id": "test"}

    def renamed(name: str, cell: str) -> str:
        # digits read backwards, so that what sorted first no longer does
        number = str(99 - int(cell[1:])) if cell[1:].isdigit() else cell
        return cell if cell in ("", "*") else f"{kinds[name]}, no. {number}"

    def change(rows: list[Row]) -> list[Row]:
        return [
            {name: renamed(name, cell) if name in kinds else cell for name, cell in row.items()}
            for row in rows
        ]

    for path in tables(copy):
        rewritten(path, change)
    features_changed(
        copy / "routes.geojson",
        lambda features: [{**f, "properties": change([f["properties"]])[0]} for f in features],
    )
    again = plan_of(copy)
    for name in ("segments", "routes", "yards"):
        frame = getattr(plan, name)
        for column in set(kinds) & set(frame.columns):
            frame = frame.assign(**{column: [renamed(column, c) for c in frame[column]]})
        plan = replace(plan, **{name: frame})
    same_plan(again, plan, 1e-9)


def test_segments_cut_in_three(drawn, tmp_path):
    folder, plan = drawn(6)
    copy = copied(folder, tmp_path)

    def cut(features: list[Row]) -> Iterable[Row]:
        for place, feature in enumerate(features):
            row = feature["properties"]
            line = LineString(feature["geometry"]["coordinates"])
            shares = [0.0, 0.31, 0.77, 1.0]
            for number, (low, high) in enumerate(itertools.pairwise(shares)):
                piece = substring(line, low, high, normalized=True)
                yield {
                    "type": "Feature",
                    "geometry": {"type": "LineString", "coordinates": list(piece.coords)},
                    "properties": {
                        **row,
                        "segment_id": f"{row['segment_id']}/{number}",
                        "sequence": 10 * row.get("sequence", place) + number,
                    },
                }

    features_changed(copy / "routes.geojson", cut)
    again = plan_of(copy)
    assert len(again.segments) > 2 * len(plan.segments)
    numbers = ["lane_miles", *MASSES, "loads", "settings", "spreading_minutes"]
    old, new = (
        each.routes.set_index(["application", "route_id"])[numbers].sort_index()
        for each in (plan, again)
    )
    pd.testing.assert_frame_equal(new, old, rtol=1e-6)
    old, new = (
        each.yards.set_index(["yard_id", "material"])[["needed_ton", "needed_hi_ton"]]
        for each in (plan, again)
    )
    pd.testing.assert_frame_equal(new.sort_index(), old.sort_index(), rtol=1e-6)


def test_the_weighings_of_a_test_in_more_rows(workspace):
    """Five equal containers in two rows weigh what one row says, and are known no worse."""
    header = "test_id,method,gross_lb,tare_lb,count,scale_division_lb\n"
    others = "D1,vehicle_scale,30000,29400,,20\nD3,direct,410,,,1\n"
    one = plan_of(
        workspace(USABLE | {"weighings.csv": f"{header}{others}D2,container,80,5,5,0.5\n"})
    )
    text = f"{header}D2,container,80,5,2,0.5\n{others}D2,container,80,5,3,0.5\n"
    two = plan_of(workspace(USABLE | {"weighings.csv": text}))
    apart = plan_of(
        workspace(USABLE | {"weighings.csv": header + "D2,container,80,5,,0.5\n" * 5 + others})
    )
    same = ["application", "route_id"]
    masses = [each.routes.set_index(same)["mass_lb"].to_numpy() for each in (one, two, apart)]
    assert masses[1] == pytest.approx(masses[0], rel=1e-3)
    assert masses[2] == pytest.approx(masses[0], rel=1e-3)
    widths = [
        float(np.ptp(each.routes.set_index(same).loc[("1", "R1"), MASSES[1:]]))
        for each in (one, two, apart)
    ]
    assert widths[0] > widths[1] > widths[2]
