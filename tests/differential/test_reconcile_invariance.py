"""The same storm told in other units, cuts, orders, formats, zones and directions is the same."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from tests.differential.reconcile_runs import reconcile_quietly
from tests.reconcile import three_segments

#: exact: NIST Handbook 44, 2024, appendix C
LB_KG, MILE_KM, FT_M = 0.45359237, 1.609344, 0.3048
MASSES = ["reported_lb", "applied_lb", "applied_lo_lb", "applied_hi_lb", "planned_lb", "allowed_lb"]
JUDGED = [*MASSES, "passes", "lane_miles", "p_over"]

Run = Callable[[dict[str, str] | None], Path]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Results of the storm of three segments with some files changed; None: nothing changed."""
    scratch = tmp_path_factory.mktemp("invariance")
    count = 0

    def results(changes: dict[str, str] | None = None) -> Path:
        nonlocal count
        count += 1
        content = three_segments.files()
        content["storms/s1/telemetry/a.csv"] = three_segments.records().to_csv(index=False)
        folder = three_segments.write(scratch / f"w{count}", content | (changes or {}))
        return reconcile_quietly(folder)

    return results


@pytest.fixture(scope="module")
def plain(run: Run) -> Path:
    return run(None)


def table(results: Path, name: str = "use_segments", key: str = "segment_id") -> pd.DataFrame:
    return pd.read_csv(results / f"{name}.csv").set_index(key).sort_index()


def same(found: Path, expected: Path, rel: float = 1e-6) -> None:
    """Segments, trucks, routes and stock agree in every number."""
    for name, key, columns in (
        ("use_segments", "segment_id", JUDGED),
        (
            "use_trucks",
            "truck_id",
            ["reported_lb", "loaded_lb", "returned_lb", "ratio", "ratio_hi"],
        ),
        ("use_routes", "route_id", ["reported_lb", "applied_lb", "applied_hi_lb", "cost"]),
        ("balance", "yard_id", ["expected_ton", "difference_ton", "difference_u_ton"]),
    ):
        a, b = table(found, name, key), table(expected, name, key)
        assert a.index.tolist() == b.index.tolist()
        assert a[columns].to_numpy() == pytest.approx(b[columns].to_numpy(), rel=rel, abs=1e-9)
    verdicts = table(found)["verdict"].tolist()
    assert verdicts == table(expected)["verdict"].tolist()
    assert "over" in verdicts
    assert "within" in verdicts


def features() -> dict[str, Any]:
    collection: dict[str, Any] = json.loads(three_segments.routes())
    return collection


def test_a_metric_operation_puts_down_the_same_mass(run: Run, plain: Path):
    collection = features()
    for feature in collection["features"]:
        speed = feature["properties"].pop("speed_mph")
        feature["properties"].update(speed_km_h=speed * MILE_KM, lane_width_m=12 * FT_M)
    records = three_segments.records()
    records["speed_km_h"] = records.pop("speed_mph") * MILE_KM
    records["feed_total_t"] = records.pop("feed_total_lb") * LB_KG / 1000
    files = three_segments.files()
    metric = {
        "workspace.toml": files["workspace.toml"].replace('"us"', '"metric"'),
        "routes.geojson": json.dumps(collection),
        "trucks.csv": "truck_id,control,feeder,capacity_kg,gate_positions_mm\n"
        f"T1,closed_loop,auger,{14000 * LB_KG!r},50.8\n",
        "discharge_tests.csv": files["discharge_tests.csv"]
        .replace("gate_in", "gate_mm")
        .replace("T09:00,2,", "T09:00,50.8,")
        .replace("T10:00,2,", "T10:00,50.8,"),
        "weighings.csv": "test_id,method,gross_kg,scale_division_kg\n"
        f"D1,direct,{400 * LB_KG!r},{LB_KG!r}\nD2,direct,{200 * LB_KG!r},{LB_KG!r}\n",
        "stock_counts.csv": "yard_id,material,counted_at,on_hand_t\n"
        f"Y1,salt,2026-12-01T00:00Z,{200000 * LB_KG / 1000!r}\n"
        f"Y1,salt,2026-12-02T00:00Z,{199000 * LB_KG / 1000!r}\n",
        "storms/s1/rates.csv": "route_id,application,start,rate_kg_per_lane_km\n"
        f"*,1,2026-12-01T10:00Z,{200 * LB_KG / MILE_KM!r}\n",
        "storms/s1/loads.csv": "ticket_id,truck_id,yard_id,loaded_at,material,net_kg\n"
        f"L1,T1,Y1,2026-12-01T09:50Z,salt,{1600 * LB_KG!r}\n",
        "storms/s1/returns.csv": "truck_id,yard_id,returned_at,material,net_t\n"
        f"T1,Y1,2026-12-01T10:20Z,salt,{1013 * LB_KG / 1000!r}\n",
        "storms/s1/telemetry/a.csv": records.to_csv(index=False),
    }
    same(run(metric), plain)


def test_cutting_segments_in_two_keeps_what_lies_on_the_road(run: Run, plain: Path):
    """B in two parts, C in two: reported, true, planned and allowed mass of both parts add up."""
    collection = features()
    parts = []
    for feature in collection["features"]:
        (x0, y0), (x1, y1) = feature["geometry"]["coordinates"]
        cut = 0.37
        middle = [x0 + cut * (x1 - x0), y0 + cut * (y1 - y0)]
        name = feature["properties"]["segment_id"]
        for number, line in enumerate(([[x0, y0], middle], [middle, [x1, y1]])):
            part = json.loads(json.dumps(feature))
            part["geometry"]["coordinates"] = line
            part["properties"].update(segment_id=f"{name}{number}", sequence=len(parts) + 1)
            parts.append(part)
    collection["features"] = parts
    found = table(run({"routes.geojson": json.dumps(collection)}))
    sums = found.groupby(found.index.str[0])[["reported_lb", "applied_lb", "lane_miles"]].sum()
    planned = found.groupby(found.index.str[0])[["planned_lb", "allowed_lb", "standing_lb"]].sum()
    whole = table(plain)
    # the smoothed track may shift by centimetres; a joint carries some 0.25 lb per metre
    assert sums["reported_lb"].to_numpy() == pytest.approx(whole["reported_lb"].to_numpy(), abs=0.1)
    assert sums["applied_lb"].to_numpy() == pytest.approx(whole["applied_lb"].to_numpy(), abs=0.1)
    assert sums["lane_miles"].to_numpy() == pytest.approx(whole["lane_miles"].to_numpy(), rel=1e-7)
    for name in planned:
        assert planned[name].to_numpy() == pytest.approx(whole[name].to_numpy(), rel=1e-6)
    # the plan of a part is the whole's by length, so a part may not be judged worse with more
    assert found.loc[["C1"], "verdict"].tolist() == ["over"]


def test_text_and_parquet_that_overlap_are_one_storm(tmp_path: Path, run: Run, plain: Path):
    records = three_segments.records()
    first = run(
        {
            "storms/s1/telemetry/a.csv": records.iloc[:17].to_csv(index=False),
            "storms/s1/telemetry/c.csv": records.iloc[[3, 20, 4]].to_csv(index=False),
        }
    )
    folder = first.parent.parent
    late = records.iloc[9:].assign(time=lambda rows: pd.to_datetime(rows["time"]))
    late.to_parquet(folder / "storms/s1/telemetry/b.parquet")
    results = reconcile_quietly(folder)
    same(results, plain, rel=1e-9)
    assert len(pd.read_csv(results / "quarantine.csv")) == 17 + 18 + 3 - 27


def test_a_reading_sent_twice_counts_once(run: Run, plain: Path):
    twice = three_segments.records().iloc[np.repeat(np.arange(27), 2)]
    results = run({"storms/s1/telemetry/a.csv": twice.to_csv(index=False)})
    same(results, plain, rel=1e-9)
    assert len(pd.read_csv(results / "quarantine.csv")) == 27


@pytest.mark.parametrize("zone", ["America/St_Johns", "Pacific/Kiritimati"])
def test_the_workspace_clock_moves_no_mass_where_times_have_an_offset(
    run: Run, plain: Path, zone: str
):
    other = three_segments.files()["workspace.toml"].replace('"UTC"', f'"{zone}"')
    same(run({"workspace.toml": other}), plain, rel=1e-9)


def test_routes_in_another_crs_and_format(run: Run, plain: Path, tmp_path: Path):
    """The same road in UTM zone 15 N, as a GeoPackage."""
    results = run(None)
    folder = results.parent.parent
    frame = gpd.read_file(folder / "routes.geojson").to_crs("EPSG:26915")
    (folder / "routes.geojson").unlink()
    frame.to_file(folder / "routes.gpkg")
    same(reconcile_quietly(folder), plain, rel=1e-5)


def test_the_digitised_direction_changes_only_the_word(run: Run, plain: Path):
    collection = features()
    for feature in collection["features"]:
        feature["geometry"]["coordinates"].reverse()
    results = run({"routes.geojson": json.dumps(collection)})
    same(results, plain, rel=1e-6)

    def along(folder: Path) -> list[bool]:
        found: list[bool] = pq.read_table(folder / "use_points.parquet")["along"].to_pylist()
        return found

    assert set(along(plain)) == {True}
    assert set(along(results)) == {False}


def test_the_order_of_rows_in_every_table(run: Run, plain: Path):
    files = three_segments.files()

    def backwards(text: str) -> str:
        header, *rows = text.splitlines()
        return "\n".join([header, *reversed(rows)]) + "\n"

    collection = features()
    collection["features"].reverse()
    names = ["discharge_tests.csv", "weighings.csv", "stock_counts.csv"]
    changes = {name: backwards(files[name]) for name in names}
    records = three_segments.records().sample(frac=1.0, random_state=7)
    changes["storms/s1/telemetry/a.csv"] = records.to_csv(index=False)
    same(run({**changes, "routes.geojson": json.dumps(collection)}), plain, rel=1e-9)
