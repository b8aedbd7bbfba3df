"""A cell of a vector file is judged as it stands there, not as what a library makes of it."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest

from tests.conftest import route_features
from tests.workspace.test_bad_input import problems, read

Build = Callable[..., Path]


@pytest.fixture
def routes(workspace: Build) -> Callable[..., Path]:
    """The small workspace with its routes in another format and more columns."""

    def build(suffix: str, **columns: list[Any]) -> Path:
        folder = workspace({"routes.geojson": None})
        frame = gpd.GeoDataFrame.from_features(route_features(), crs="EPSG:4326")
        frame = frame.assign(**{"passes": [2, 2, 1], **columns})
        path = folder / f"routes.{suffix}"
        if suffix == "parquet":
            frame.to_parquet(path)
        else:
            frame.to_file(path)
        return folder

    return build


def change_cell(folder: Path, column: str, value: object) -> None:
    """Put a value into the second feature of a GeoPackage, whatever its column is for."""
    with sqlite3.connect(folder / "routes.gpkg") as base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            if name.startswith(("rtree", "trigger")):
                base.execute(f'DROP TRIGGER "{name}"')
        base.execute(f'UPDATE routes SET "{column}" = ? WHERE fid = 2', [value])
    base.close()


DATABASE_CELLS = [
    ("lanes", "2,5", '"2,5" is not a number'),
    ("lanes", "two", '"two" is not a number'),
    ("lanes", "", "is empty"),
    ("lanes", b"\x02", '"binary data" is not a number'),
    ("passes", "2 times", '"2 times" is not a number'),
    ("passes", 2.7, "2.7 is not a whole number"),
    ("speed_mph", "25 mph", '"25 mph" is not a number'),
    ("two_way", "ja", '"ja" is neither true nor false'),
    ("two_way", 2, '"2" is neither true nor false'),
    ("narrow", "x" * 30_000, "is not a column of this file"),
]


@pytest.mark.slow
@pytest.mark.parametrize(("column", "value", "words"), DATABASE_CELLS)
def test_text_in_a_column_of_numbers_of_a_geopackage_is_named(routes, column, value, words):
    folder = routes("gpkg", lanes=[2.5, 2, 1], two_way=[True, False, True], narrow=[1, 2, 3])
    assert read(folder).tables["routes"]["lanes"].tolist() == [2.5, 2, 1]
    change_cell(folder, column, value)
    if "not a column" in words:
        assert words in read(folder).cautions[0].what
    else:
        found = problems(folder)
        assert [(p.file, p.row, p.column) for p in found] == [("routes.gpkg", 2, column)]
        assert words in found[0].what


def test_a_geopackage_cell_that_says_the_same_in_another_type_is_used(routes):
    folder = routes("gpkg", two_way=[True, False, True])
    change_cell(folder, "lanes", 2.5)  # declared whole: the library would read 2
    change_cell(folder, "two_way", "yes")  # the library would read no
    table = read(folder).tables["routes"]
    assert table["lanes"].tolist() == [2, 2.5, 1]
    assert table["two_way"].tolist() == [True, True, True]


def change_dbf(folder: Path, column: str, cell: str) -> None:
    """Put a text into the second record of a shapefile's table."""
    path = folder / "routes.dbf"
    data = bytearray(path.read_bytes())
    start, width = (int.from_bytes(data[at : at + 2], "little") for at in (8, 10))
    place = 1
    for at in range(32, start - 1, 32):
        if data[at : at + 11].split(b"\0")[0] == column.encode():
            first = start + width + place
            data[first : first + data[at + 16]] = cell.encode("latin-1").rjust(data[at + 16])
        place += data[at + 16]
    path.write_bytes(data)


TABLE_CELLS = [
    ("lanes", "2,5", '"2,5" is not a number'),
    ("lanes", "*" * 24, "is empty"),
    ("lanes", "2*0", '"2*0" is not a number'),
    ("lanes", "2 5", '"2 5" is not a number'),
    ("lanes", "nan", '"nan" is not a number'),
    ("lanes", "1-2", '"1-2" is not a number'),
    ("lanes", "", "is empty"),
    ("passes", "2.7", "2.7 is not a whole number"),
    ("two_way", "J", '"J" is neither true nor false'),
]


@pytest.mark.slow
@pytest.mark.parametrize(("column", "cell", "words"), TABLE_CELLS)
def test_a_cell_of_a_shapefile_that_is_no_number_is_named(routes, column, cell, words):
    folder = routes("shp", lanes=[2.5, 2, 1], two_way=[True, False, True])
    assert read(folder).tables["routes"]["lanes"].tolist() == [2.5, 2, 1]
    change_dbf(folder, column, cell)
    found = problems(folder)
    assert [(p.file, p.row, p.column) for p in found] == [("routes.shp", 2, column)]
    assert words in found[0].what


def test_a_deleted_record_of_a_shapefile_does_not_shift_the_others(routes):
    folder = routes("shp")
    change_dbf(folder, "lanes", "2,5")
    path = folder / "routes.dbf"
    data = bytearray(path.read_bytes())
    data[int.from_bytes(data[8:10], "little")] = ord("*")
    path.write_bytes(data)
    assert [(p.row, p.column) for p in problems(folder) if p.column == "lanes"] == [(1, "lanes")]


def test_a_shapefile_whose_table_is_cut_off_is_refused(routes):
    folder = routes("shp")
    path = folder / "routes.dbf"
    path.write_bytes(path.read_bytes()[:-40])
    assert "cannot be read" in problems(folder)[0].what


JSON_CELLS = [
    ("lanes", "2,5", '"2,5" is not a number'),
    ("lanes", True, '"True" is not a number'),
    ("passes", False, '"False" is not a number'),
    ("lanes", [2], '"[2]" is not a number'),
    ("lanes", 1e308, "is not a number"),
]


@pytest.mark.parametrize(("column", "value", "words"), JSON_CELLS)
def test_a_cell_of_a_geojson_file_that_is_no_number_is_named(workspace, column, value, words):
    collection = route_features()
    collection["features"][1]["properties"][column] = value
    collection["features"][2]["properties"]["two_way"] = True
    folder = workspace({"routes.geojson": json.dumps(collection)})
    found = problems(folder)
    assert [(p.file, p.row, p.column) for p in found] == [("routes.geojson", 2, column)]
    assert words in found[0].what


def test_names_that_look_like_dates_or_numbers_are_names(workspace):
    """And a column of both kinds draws no caution: each cell is judged."""
    names = ["2026-12-01", "2026/12/02", "12:30:00"]
    collection = route_features()
    for feature, name in zip(collection["features"], names, strict=True):
        feature["properties"]["segment_id"] = name
    collection["features"][0]["properties"]["zone"] = 7
    collection["features"][1]["properties"]["zone"] = "north"
    made = read(workspace({"routes.geojson": json.dumps(collection)}))
    assert made.tables["routes"]["segment_id"].tolist() == names
    assert made.tables["routes"]["zone"].tolist() == ["7", "north", ""]
    assert not [caution for caution in made.cautions if "doubt" in caution.what]


def test_text_and_flags_in_the_numbers_of_a_columnar_file_are_named(routes):
    folder = routes("parquet", lanes=["2", "2,5", "1"], passes=[True, False, True])
    found = [(p.row, p.column, p.what) for p in problems(folder)]
    assert (2, "lanes", '"2,5" is not a number') in found
    assert (1, "passes", '"True" is not a number') in found
