"""The schema of results: the columns that others read, in the order agreed with them."""

from __future__ import annotations

import ast
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from spreadplan.results.geopackage import write_geopackage
from spreadplan.results.tables import as_described
from spreadplan.schema.results import RESULTS
from spreadplan.schema.results.columns import PLAIN
from spreadplan.views.display import KINDS

PACKAGE = Path(__file__).parents[2] / "spreadplan"
#: the first columns of each table, as other programs read them
AGREED = {
    "tests": "test_id truck_id material gate_in feeder_pct net_lb net_u_lb duration_s "
    "discharge_lb_per_min discharge_u_lb_per_min lb_per_count lb_per_count_u valid reason",
    "discharge": "truck_id material gate_in feeder_pct discharge_lb_per_min discharge_u_lb_per_min "
    "extrapolated",
    "plan_segments": "application route_id segment_id truck_id material lane_miles "
    "target_rate_lb_per_lane_mile rate_source speed_mph discharge_lb_per_min gate_in feeder_pct "
    "achieved_rate_lb_per_lane_mile mass_lb mass_lo_lb mass_hi_lb prewet_gal max_speed_mph status "
    "note",
    "plan_routes": "application route_id truck_id yard_id material lane_miles mass_lb mass_lo_lb "
    "mass_hi_lb loads prewet_gal minutes status",
    "plan_yards": "yard_id material needed_ton needed_hi_ton on_hand_ton short_ton",
    "use_points": "source_file source_row truck_id time segment_id route_id along offset_m mass_lb "
    "pass_id status",
    "use_segments": "route_id segment_id material passes lane_miles reported_lb applied_lb "
    "applied_lo_lb applied_hi_lb applied_rate_lb_per_lane_mile planned_lb allowed_lb verdict "
    "p_over",
    "use_trucks": "truck_id material reported_lb loaded_lb returned_lb ratio ratio_lo ratio_hi "
    "verdict advice",
    "balance": "yard_id material opening_ton delivered_ton loaded_ton returned_ton expected_ton "
    "counted_ton difference_ton difference_u_ton verdict",
    "quarantine": "source_file source_row reason",
    "budget": "season scope scope_id material budget_ton used_ton used_u_ton storms forecast_ton "
    "forecast_hi_ton verdict",
}


@pytest.mark.parametrize("name", AGREED)
def test_columns_that_others_read_come_first_and_in_their_order(name: str):
    agreed = AGREED[name].split()
    names = RESULTS[name].names
    if name == "plan_yards":  # its order column stands behind them
        assert [column for column in names if column in agreed] == agreed
    else:
        assert names[: len(agreed)] == agreed


def test_every_column_has_a_meaning_and_a_kind_that_can_be_shown():
    for table in RESULTS.values():
        assert len(set(table.names)) == len(table.columns), table.name
        for column in table.columns:
            assert column.meaning, f"{table.name}.{column.name}"
            assert column.kind in KINDS or column.kind in PLAIN, (
                f"{table.name}.{column.name}: {column.kind}"
            )
            assert column.heading, f"{table.name}.{column.name}"
            assert (column.kind == "term") == bool(column.terms), f"{table.name}.{column.name}"
        headings = [(column.heading, column.kind) for column in table.columns]
        assert not table.sheet or len(set(headings)) == len(headings), table.name


def listed(path: Path) -> Iterator[tuple[int, list[str]]]:
    """Every list, tuple or set of words in a module, with its line."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, (ast.List, ast.Tuple, ast.Set)):
            words = [one.value for one in node.elts if isinstance(one, ast.Constant)]
            yield node.lineno, [word for word in words if isinstance(word, str)]


@pytest.mark.slow
def test_no_module_repeats_the_columns_of_a_result():
    """A few of them to work on are no repetition; most of a table, one after the other, are."""
    found = [
        f"{path.relative_to(PACKAGE)}:{line} lists the columns of {table.name}"
        for path in sorted(PACKAGE.rglob("*.py"))
        if "schema" not in path.parts
        for line, words in listed(path)
        for table in RESULTS.values()
        if len(words) > 5 and set(words) <= set(table.names)
        if len(set(words)) > 0.5 * len(table.columns)
    ]
    assert found == []


def test_a_table_that_is_not_as_described_is_a_defect():
    frame = pd.DataFrame({"reason": ["x"], "source_row": [2], "source_file": ["a.csv"]})
    assert list(as_described("quarantine", frame).columns) == RESULTS["quarantine"].names
    with pytest.raises(ValueError, match="extra"):
        as_described("quarantine", frame.assign(extra=1))
    with pytest.raises(ValueError, match="reason"):
        as_described("quarantine", frame.drop(columns="reason"))


def test_fields_of_a_map_carry_their_meanings(tmp_path: Path):
    """OGC 12-128r18 (GeoPackage 1.3), annex F.9, table gpkg_data_columns."""
    shapes = gpd.GeoDataFrame(
        {"route_id": ["R1"], "own": [1.0]}, geometry=[shapely.Point(-94, 46)], crs="EPSG:4326"
    )
    path = tmp_path / "map.gpkg"
    write_geopackage({"segments": shapes, "bare": shapes}, path, {"segments": "use_segments"})
    with sqlite3.connect(path) as file:
        found = file.execute(
            "SELECT table_name, column_name, description FROM gpkg_data_columns"
        ).fetchall()
    assert found == [("segments", "route_id", "the route")]
    assert list(gpd.read_file(path, layer="segments")["own"]) == [1.0]
