"""Attacks and accidents by name: each ends with a clear message or a right result, and soon."""

from __future__ import annotations

import io
import json
import os
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
import shapely
from pyarrow import parquet

from spreadplan.errors import BadInput
from spreadplan.workspace.fingerprint import input_fingerprint
from tests.blank_charts import blank_charts
from tests.conftest import FILES, route_features
from tests.hostile.engine import ACCEPTED, REFUSED, at_most, check, outcome, quiet
from tests.hostile.small_county import (
    TELEMETRY_CSV,
    TELEMETRY_PARQUET,
    columnar_records,
    records,
    small_county,
    write,
)

SECONDS = 20


@pytest.fixture
def county(tmp_path):
    """Write the small county with some files changed; ``None`` leaves one out."""

    def build(
        changes: dict[str, bytes | str | None] | None = None, routes: str = "geojson"
    ) -> Path:
        files = {**small_county(routes)}
        for name, data in (changes or {}).items():
            files.pop(name, None)
            if data is not None:
                files[name] = data.encode() if isinstance(data, str) else data
        folder = tmp_path / "county"
        write(files, folder)
        return folder

    return build


def refused(folder: Path) -> str:
    """The messages of a workspace that is refused, in time, with nothing changed."""
    with at_most(SECONDS):
        found = outcome(folder)
    assert found.kind == REFUSED, found
    return found.words


def accepted(folder: Path) -> None:
    with at_most(SECONDS):
        found = outcome(folder)
    assert found.kind == ACCEPTED, found


# --- a file that is something else than its name says ---


@pytest.mark.parametrize("suffix", ["geojson", "gpkg", "shp"])
@pytest.mark.parametrize("kind", ["recipe", "pipeline", "other driver"])
def test_a_file_does_not_make_us_read_another(county, tmp_path, suffix, kind):
    secret = tmp_path / "secret.geojson"
    secret.write_text(json.dumps(route_features()).replace("R1", "SECRET"))
    content = {
        "recipe": f'<OGRVRTDataSource><OGRVRTLayer name="secret"><SrcDataSource>{secret}'
        "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>",
        "pipeline": json.dumps(
            {
                "type": "gdal_streamed_alg",
                "command_line": f"gdal vector pipeline ! read {secret} ! write --format stream x",
            }
        ),
        "other driver": '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2">'
        "<Document><Placemark><name>SECRET</name><LineString><coordinates>1,1 2,2</coordinates>"
        "</LineString></Placemark></Document></kml>",
    }[kind]
    said = refused(county({"routes.geojson": None, f"routes.{suffix}": content}))
    assert f"routes.{suffix}:0:*: " in said
    assert "SECRET" not in said


@pytest.mark.parametrize("name", ["a!b", "county.zip", "a?b#c%20d", "[x]*"])
@pytest.mark.parametrize("routes", ["geojson", "gpkg", "parquet"])
def test_the_name_of_the_folder_is_no_address(tmp_path, name, routes):
    folder = tmp_path / name
    write(small_county(routes), folder)
    accepted(folder)


# --- what is no plain file ---

PLACES = [
    "budgets.csv",
    "policy.toml",
    "columns.toml",
    "routes.geojson",
    "trucks.csv",
    "workspace.toml",
    "storms/s1/loads.csv",
]


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("kind", ["folder", "pipe", "link to nothing", "device"])
def test_what_is_no_plain_file_is_not_read_and_not_taken_for_absent(county, place, kind):
    if sys.platform == "win32" and kind != "folder":
        pytest.skip("there are no such things")
    folder = county({place: None})
    path = folder / place
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to("/dev/zero" if kind == "device" else folder / "nothing")
    assert f"{place}:0:*: is not a file" in refused(folder)


@pytest.mark.skipif(sys.platform == "win32", reason="there are no pipes with names")
def test_a_pipe_is_no_input_of_the_fingerprint_and_none_of_the_telemetry(county):
    folder = county()
    before = input_fingerprint(folder)
    os.mkfifo(folder / "stray.csv")
    os.mkfifo(folder / "storms" / "s1" / "telemetry" / "b.csv")
    (folder / "folder.csv").mkdir()
    with at_most(SECONDS):
        assert input_fingerprint(folder) == before
    accepted(folder)


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names themselves")
@pytest.mark.parametrize("place", ["storms/{}/rates.csv", "storms/s1/telemetry/{}.csv"])
@pytest.mark.parametrize("name", ["a\udcffb", "a\nb", "\x1b[2J"])
def test_names_that_no_result_can_hold_are_refused(county, place, name):
    folder = county()
    path = folder / place.format(name)
    path.parent.mkdir(exist_ok=True)
    path.write_text(FILES["storms/s1/rates.csv"])
    assert "its name cannot be written" in refused(folder)


@pytest.mark.parametrize("name", ["season", "Calibration"])
def test_a_storm_cannot_take_the_place_of_other_results(county, name):
    folder = county()
    (folder / "storms" / "s1").rename(folder / "storms" / name)
    assert "has the name of a folder of results" in refused(folder)


def test_cards_of_other_storms_are_not_taken_for_old_ones(county):
    from spreadplan import runs

    folder = county()
    write({"storms/*/rates.csv": FILES["storms/s1/rates.csv"].encode()}, folder)
    with blank_charts():
        for storm in ("s1", "*"):
            runs.plan(folder, storm, quiet())
    cards = [
        sorted(p.name for p in (folder / "results" / storm / "cab_cards").iterdir())
        for storm in ("s1", "*")
    ]
    assert cards[0] == cards[1]
    assert cards[0]


# --- far too much ---


def many_rows(header: str, row: str, count: int) -> str:
    return header + "\n" + (row + "\n") * count


FLOODS = {
    "a cell of ten megabytes": ("trucks.csv", FILES["trucks.csv"].replace("auger", "a" * 10**7)),
    "ten thousand columns": ("trucks.csv", ",".join(f"c{n}" for n in range(10_000)) + "\n"),
    "a header that repeats": ("trucks.csv", "truck_id," * 400 + "x\n"),
    "100,000 short rows": ("trucks.csv", many_rows("truck_id,control", "T1", 100_000)),
    "10,000 equal rows": ("yards.csv", many_rows("yard_id,lon,lat", "Y1,-94,46", 10_000)),
    "10,000 wrong gates": (
        "trucks.csv",
        FILES["trucks.csv"] + "T3,open_loop,auger,14000,2;x;3,5\n" * 10_000,
    ),
    "a quote that never ends": ("trucks.csv", FILES["trucks.csv"] + '"' + "a,b\n" * 300_000),
    "quotes alone": ("trucks.csv", '"' * 10**6),
    "commas alone": ("trucks.csv", "," * 10**6),
    "digits without end": ("policy.toml", f"[sensitive]\nfactor = {'9' * 10_000}\n"),
    "a number of 24,000 bits": ("policy.toml", f"[sensitive]\nfactor = 0x{'f' * 6_000}\n"),
    "a number beyond floats": ("policy.toml", f"[sensitive]\nfactor = {'9' * 400}\n"),
    "nested lists": ("policy.toml", f"a = {'[' * 100_000}{']' * 100_000}\n"),
    "nested tables": ("policy.toml", "[" + ".".join("a" * 100_000) + "]\nb = 1\n"),
    "a control character by its number": ("policy.toml", '[[rate]]\nevent = "a\\u0000b"\n'),
    "nested JSON": ("routes.geojson", '{"a":' * 200_000),
    "nested geometry": (
        "routes.geojson",
        '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{},"geometry":'
        + '{"type":"GeometryCollection","geometries":[' * 5_000,
    ),
}


@pytest.mark.parametrize("name", FLOODS)
def test_far_too_much_is_refused_in_time(county, name):
    file, text = FLOODS[name]
    said = refused(county({file: text}))
    assert f"{file}:" in said
    assert len(said) < 250_000


@pytest.mark.parametrize("file", ["weighings.csv", "routes.geojson"])
def test_a_file_that_is_far_too_large_is_not_read(county, file):
    folder = county({file: None})
    with (folder / file).open("wb") as handle:
        handle.truncate(50_000_000_000)  # takes no room on the disk
    with at_most(SECONDS), pytest.raises(BadInput, match=f"{file}:0:.*: is larger than"):
        check(folder)


def with_line(coordinates: list[list[float]]) -> str:
    collection = route_features()
    collection["features"][0]["geometry"]["coordinates"] = coordinates  # type: ignore[index]
    return json.dumps(collection)


def tangle(count: int) -> list[list[float]]:
    return (np.random.default_rng(1).random((count, 2)) * 0.1 + [-94, 46]).round(6).tolist()


def test_a_line_of_very_many_vertices_is_refused(county):
    line = np.column_stack([np.linspace(-94, -93, 101_000), np.full(101_000, 46.0)]).tolist()
    assert "routes.geojson:1:geometry: has more than 100,000 vertices" in refused(
        county({"routes.geojson": with_line(line)})
    )


def test_a_tangle_is_looked_at_no_longer_than_it_is_worth(county):
    folder = county({"routes.geojson": with_line(tangle(3_000))})
    accepted(folder)


@pytest.mark.parametrize("number", ["NaN", "Infinity", "1e308", "1e999", "-1e-320", '"x"', "null"])
def test_coordinates_that_are_no_places(county, number):
    text = json.dumps(route_features()).replace("46.05", number, 1)
    found = outcome(county({"routes.geojson": text}))
    assert found.kind == REFUSED, found


def polygon_with_holes(count: int) -> str:
    k = np.arange(count)
    x, y = -94 + (k % 400) * 1e-4, 46 + (k // 400) * 1e-4
    rings = [[[a, b], [a + 5e-5, b], [a, b + 5e-5], [a, b]] for a, b in zip(x, y, strict=True)]
    outer = [[-94.1, 45.9], [-93.9, 45.9], [-93.9, 46.1], [-94.1, 46.1], [-94.1, 45.9]]
    feature = {
        "type": "Feature",
        "properties": {"area_id": "S1"},
        "geometry": {"type": "Polygon", "coordinates": [outer, *rings]},
    }
    return json.dumps({"type": "FeatureCollection", "features": [feature]})


def test_a_polygon_of_very_many_holes(county):
    said = refused(county({"sensitive_areas.geojson": polygon_with_holes(76_000)}))
    assert "sensitive_areas.geojson:1:geometry: has more than" in said


# --- bombs in columnar files ---


def as_parquet(table: pa.Table, **more: object) -> bytes:
    out = io.BytesIO()
    parquet.write_table(table, out, **more)
    return out.getvalue()


def telemetry(**columns: object) -> pa.Table:
    return pa.Table.from_pandas(columnar_records().assign(**columns), preserve_index=False)


def test_a_small_columnar_file_cannot_declare_very_many_rows(county):
    rows = 1_500_000
    table = telemetry()
    empty = pa.table(
        {name: pa.nulls(rows, table.schema.field(name).type) for name in table.column_names}
    )
    data = as_parquet(empty, compression="zstd")
    assert len(data) < rows / 10
    assert "declares 1,500,000 records" in refused(county({TELEMETRY_PARQUET: data}))
    lines = pa.table({"route_id": pa.nulls(rows, pa.string())})
    folder = county({"routes.geojson": None})
    write({"routes.parquet": as_parquet(lines, compression="zstd")}, folder)
    (folder / "routes.geojson").unlink()
    assert "declares 1,500,000 features" in refused(folder)


def repeated(word: str, rows: int) -> pa.Array:
    return pa.DictionaryArray.from_arrays(pa.array(np.zeros(rows, np.int32)), pa.array([word]))


@pytest.mark.parametrize("column", ["truck_id", "time", "lon", "material"])
def test_a_long_text_that_repeats_is_not_spread_out(county, column):
    table = telemetry()
    rows = table.num_rows
    bomb = pa.concat_tables([table] * 3_000).combine_chunks()
    at = bomb.column_names.index(column)
    bomb = bomb.set_column(at, column, repeated("x" * 5_000_000, rows * 3_000))
    said = refused(county({TELEMETRY_PARQUET: as_parquet(bomb, compression="zstd")}))
    assert f"{TELEMETRY_PARQUET}:0:*: cannot be read to its end" in said
    assert "5,000,000 letters" in said


def test_a_long_text_in_a_vector_file_is_not_spread_out(county):
    frame = gpd.GeoDataFrame.from_features(route_features()["features"], crs=4326)
    out = io.BytesIO()
    frame.to_parquet(out)
    table = parquet.read_table(out)
    table = pa.concat_tables([table] * 100_000).combine_chunks()
    bomb = table.append_column("name", repeated("x" * 5_000_000, table.num_rows))
    data = as_parquet(bomb, compression="zstd")
    said = refused(county({"routes.geojson": None, "routes.parquet": data}))
    assert "routes.parquet:0:*: name holds a text of more than 10,000 letters" in said


def test_text_in_a_columnar_file_that_is_no_utf8(county):
    raw = pa.array([b"T\xff1"] * 60, pa.binary()).view(pa.string())
    table = telemetry()
    for column in ("truck_id", "material"):
        spoilt = table.set_column(table.column_names.index(column), column, raw)
        said = refused(county({TELEMETRY_PARQUET: as_parquet(spoilt)}))
        assert f"{TELEMETRY_PARQUET}:0:*: cannot be read" in said


# --- programs in a GeoPackage ---

ENDLESS = "WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) SELECT x FROM c"
PROGRAMS = {
    "an endless view": (
        f"CREATE VIEW routes AS SELECT r.*, x FROM old AS r, ({ENDLESS})",
        "computed by a query",
    ),
    "a view": ("CREATE VIEW routes AS SELECT * FROM old", "computed by a query"),
    "a computed column": (
        "CREATE TABLE routes (fid INTEGER PRIMARY KEY, geom BLOB, route_id TEXT, segment_id TEXT,"
        " lanes REAL, speed_mph REAL, big TEXT AS (hex(zeroblob(100000000))) VIRTUAL);"
        "INSERT INTO routes SELECT fid, geom, route_id, segment_id, lanes, speed_mph FROM old",
        "has computed columns",
    ),
}


def geopackage_with(script: str, folder: Path) -> bytes:
    path = folder / "made.gpkg"
    path.write_bytes(small_county("gpkg")["routes.gpkg"])
    with closing(sqlite3.connect(path)) as base:
        names = [
            name
            for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        ]
        for name in names:
            base.execute(f'DROP TRIGGER "{name}"')
        base.executescript(f"ALTER TABLE routes RENAME TO old; {script}")
    return path.read_bytes()


def as_view(table: str) -> str:
    """What a GeoPackage says about itself, worked out by a query without end."""
    return (
        f"ALTER TABLE {table} RENAME TO was; "
        f"CREATE VIEW {table} AS SELECT w.* FROM was AS w, ({ENDLESS})"
    )


EVIL = f"CREATE VIEW evil AS SELECT 1 AS fid, x FROM ({ENDLESS});"
LISTED = "INSERT INTO gpkg_contents (table_name, data_type) VALUES ('evil', 'attributes');"
ELSEWHERE = {
    **{
        table: as_view(f"gpkg_{table}")
        for table in ("contents", "geometry_columns", "spatial_ref_sys", "ogr_contents")
    },
    "descriptions of columns": "CREATE VIEW gpkg_data_columns AS SELECT 'routes' AS table_name, "
    "'lanes' AS column_name, x AS name, 't' AS title, 'd' AS description, 'm' AS mime_type, "
    f"'c' AS constraint_name FROM ({ENDLESS})",
    "a table without places in place of the layer": EVIL
    + LISTED
    + "DELETE FROM gpkg_geometry_columns",
    "a view that is listed nowhere in place of the layer": EVIL
    + "DELETE FROM gpkg_geometry_columns",
}


@pytest.mark.parametrize("name", ELSEWHERE)
def test_no_other_part_of_a_geopackage_is_a_program_that_is_run(county, tmp_path, name):
    script = f"ALTER TABLE old RENAME TO routes; {ELSEWHERE[name]}"
    data = geopackage_with(script, tmp_path)
    assert "routes.gpkg:0:*: " in refused(county({"routes.geojson": None, "routes.gpkg": data}))


@pytest.mark.parametrize("listed", ["", LISTED])
def test_a_view_beside_the_layer_keeps_nobody_waiting(county, tmp_path, listed):
    data = geopackage_with(f"ALTER TABLE old RENAME TO routes; {EVIL} {listed}", tmp_path)
    accepted(county({"routes.geojson": None, "routes.gpkg": data}))


# --- a database that another program has open ---


def unmerged(script: str, folder: Path) -> dict[str, bytes | str | None]:
    """A GeoPackage and, beside it, a change that no program has merged into it yet."""
    path = folder / "open.gpkg"
    path.write_bytes(geopackage_with("ALTER TABLE old RENAME TO routes", folder))
    with closing(sqlite3.connect(path)) as base:
        base.execute("PRAGMA journal_mode = WAL")
        base.execute("PRAGMA wal_autocheckpoint = 0")
        base.executescript(script)
        beside = {ending: Path(f"{path}{ending}").read_bytes() for ending in ("", "-wal")}
    return {"routes.geojson": None, **{f"routes.gpkg{end}": data for end, data in beside.items()}}


def inputs(folder: Path) -> dict[str, tuple[bytes, int]]:
    """Every file that is no result, with its content and time."""
    return {
        str(path.relative_to(folder)): (path.read_bytes(), path.stat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.relative_to(folder).parts[0] != "results"
    }


def test_what_is_not_merged_yet_is_read_and_not_merged(county, tmp_path):
    from spreadplan import runs
    from spreadplan.web.work.computed import Computed
    from spreadplan.workspace import read_workspace

    folder = county(unmerged("UPDATE routes SET speed_mph = 11", tmp_path))
    before = inputs(folder)
    assert read_workspace(folder, required=["routes"]).tables["routes"]["speed_mph"].eq(11).all()
    said: list[str] = []
    for work in (
        lambda: runs.check(folder, quiet(said)),
        lambda: runs.plan(folder, "s1", quiet()),
        lambda: runs.compare(folder, "s1", quiet()),
        lambda: runs.reconcile(folder, "s1", quiet()),
        lambda: runs.season(folder, quiet()),
        lambda: Computed(folder).plan("s1"),
    ):
        with blank_charts():
            work()
        assert inputs(folder) == before
    marked = input_fingerprint(folder)
    (folder / "routes.gpkg-wal").unlink()
    assert input_fingerprint(folder) != marked  # it is an input like any other
    assert (
        not read_workspace(folder, required=["routes"]).tables["routes"]["speed_mph"].eq(11).any()
    )


@pytest.mark.parametrize("name", [*PROGRAMS, *ELSEWHERE])
def test_a_program_that_is_not_merged_yet_is_not_run_either(county, tmp_path, name):
    script = (
        f"ALTER TABLE routes RENAME TO old; {PROGRAMS[name][0]}"
        if name in PROGRAMS
        else ELSEWHERE[name]
    )
    folder = county(unmerged(script, tmp_path))
    before = inputs(folder)
    assert "routes.gpkg:0:*: " in refused(folder)
    assert inputs(folder) == before


def test_a_database_in_the_middle_of_a_change_is_refused(county, tmp_path):
    """What takes the change back may name other files to be deleted: it is never played."""
    victim = tmp_path / "victim.txt"
    victim.write_text("precious")
    name = str(victim).encode()
    start = bytes.fromhex("d9d505f920a163d7")
    sign = sum(name).to_bytes(4, "big")
    journal = (
        start
        + bytes(504)
        + (2**20).to_bytes(4, "big")
        + name
        + len(name).to_bytes(4, "big")
        + sign
        + start
    )
    files = {"routes.geojson": None, "routes.gpkg": small_county("gpkg")["routes.gpkg"]}
    folder = county({**files, "routes.gpkg-journal": journal})
    before = inputs(folder)
    assert "stands half-way through a change, which routes.gpkg-journal takes" in refused(folder)
    assert inputs(folder) == before
    assert victim.read_text() == "precious"
    # one that is over is left lying about by some programs
    (folder / "routes.gpkg-journal").write_bytes(bytes(512))
    accepted(folder)


@pytest.mark.skipif(sys.platform == "win32", reason="there are no pipes with names")
def test_what_stands_beside_a_database_is_a_plain_file_too(county, tmp_path):
    folder = county({"routes.geojson": None, "routes.gpkg": small_county("gpkg")["routes.gpkg"]})
    os.mkfifo(folder / "routes.gpkg-wal")
    assert "has routes.gpkg-wal beside it, which is not a file" in refused(folder)
    (folder / "routes.gpkg-wal").unlink()
    (folder / "routes.gpkg-wal").write_bytes(os.urandom(5_000))  # of another database, or no use
    accepted(folder)


def test_a_database_that_somebody_keeps_writing_is_not_read_in_the_middle(county, monkeypatch):
    import shutil

    folder = county({"routes.geojson": None, "routes.gpkg": small_county("gpkg")["routes.gpkg"]})
    real, left = shutil.copyfile, [1, 10]

    def copied(source: Path, target: Path) -> None:
        real(source, target)
        if left[0]:
            left[0] -= 1
            os.utime(source, ns=(left[1], left[1]))
            left[1] += 1

    monkeypatch.setattr("spreadplan.workspace.vector_files.shutil.copyfile", copied)
    accepted(folder)  # once is no trouble
    left[0] = 99
    assert "is being written by another program" in refused(folder)


@pytest.mark.parametrize("name", PROGRAMS)
def test_a_layer_that_is_a_program_is_not_run(county, tmp_path, name):
    script, words = PROGRAMS[name]
    data = geopackage_with(script, tmp_path)
    said = refused(county({"routes.geojson": None, "routes.gpkg": data}))
    assert "routes.gpkg:0:*: " in said
    assert words in said


def test_triggers_of_a_geopackage_are_never_run_and_the_file_stays_as_it_is(county, tmp_path):
    script = (
        "ALTER TABLE old RENAME TO routes;"
        "CREATE TRIGGER evil AFTER UPDATE ON routes BEGIN DELETE FROM routes; END;"
    )
    data = geopackage_with(script, tmp_path)
    folder = county({"routes.geojson": None, "routes.gpkg": data})
    accepted(folder)
    assert (folder / "routes.gpkg").read_bytes() == data


def test_a_second_layer_is_said(county, tmp_path):
    frame = gpd.GeoDataFrame.from_features(route_features()["features"], crs=4326)
    path = tmp_path / "two.gpkg"
    for layer in ("routes", "more"):
        frame.to_file(path, layer=layer, engine="pyogrio")
    folder = county({"routes.geojson": None, "routes.gpkg": path.read_bytes()})
    said: list[str] = []
    from spreadplan import runs

    runs.check(folder, quiet(said))
    assert any("More than one layer" in line and "routes.gpkg:0:*: " in line for line in said)


# --- damaged but readable: never another value ---


def test_a_number_that_was_cut_in_a_shapefile_is_refused(tmp_path):
    files = dict(small_county("shp"))
    data = files["routes.dbf"]
    at = data.index(b"2.0000")
    files["routes.dbf"] = data[:at] + b"2*0" + data[at + 3 :]
    write(files, tmp_path / "shapes")
    assert 'routes.shp:1:passes: "2*000000000000000" is not a number' in refused(
        tmp_path / "shapes"
    )


def test_an_empty_geometry_does_not_shift_the_others(county):
    """Feature 1 has no line; feature 2 lies far off: each is named by its own number."""
    collection = route_features()
    one, two = collection["features"][:2]  # type: ignore[index]
    one["geometry"] = None
    two["geometry"]["coordinates"] = [[46.0, -84.0], [46.05, -84.0]]
    yards = "yard_id,lon,lat\nY1,-84,46\n"
    said = refused(county({"routes.geojson": json.dumps(collection), "yards.csv": yards}))
    assert "routes.geojson:1:geometry: is empty" in said
    assert "routes.geojson:2:geometry: lies 9,649 miles" in said
    assert "are longitude and latitude exchanged?" in said


def test_two_empty_geometries_are_two_problems(county):
    collection = route_features()
    for feature in collection["features"][:2]:  # type: ignore[index]
        feature["geometry"] = None
    said = refused(county({"routes.geojson": json.dumps(collection)}))
    assert said.count("is empty") == 2


def test_telemetry_with_wild_values_loses_no_record(county):
    frame = records().astype(object)
    wild = ["1e308", "=1+1", "<script>", "\ud83d", "x" * 5_000, "-0", "1e-320", "0x10"]
    for at, word in enumerate(wild):
        frame.iloc[at, at % frame.shape[1]] = word
    text = frame.to_csv(index=False).encode("utf-8", "surrogatepass")
    accepted(county({TELEMETRY_CSV: text}))


def test_a_list_in_a_cell_of_a_vector_file(county):
    collection = route_features()
    for feature in collection["features"]:  # type: ignore[attr-defined]
        feature["properties"]["lanes"] = [1, 2]
        feature["properties"]["name"] = {"a": [1]}
    assert "routes.geojson:1:lanes: " in refused(county({"routes.geojson": json.dumps(collection)}))


def test_every_reader_of_vector_files_agrees(county, tmp_path):
    """The guards refuse nothing that is sound: all four formats give the same segments."""
    from spreadplan.workspace import read_workspace

    seen = []
    for routes in ("geojson", "gpkg", "parquet", "shp"):
        folder = tmp_path / routes
        write(small_county(routes), folder)
        frame = read_workspace(folder, required=["routes"]).tables["routes"]
        seen.append(
            (frame["segment_id"].tolist(), shapely.to_wkt(frame.geometry.to_numpy()).tolist())
        )
    assert seen[0] == seen[1] == seen[2] == seen[3]
    with pytest.raises(BadInput):
        check(tmp_path)


def test_pandas_never_guesses_an_identifier(county):
    """Identifiers that look like numbers, dates or nothing stay the text that they are."""
    for word in ("007", "1e3", "NaN", "null", "True", "2026-12-01", "-"):
        trucks = FILES["trucks.csv"].replace("T1", word)
        folder = county({"trucks.csv": trucks})
        from spreadplan.workspace import read_workspace

        ids = read_workspace(folder, required=["trucks"]).tables["trucks"]["truck_id"]
        assert ids.tolist() == [word, "T2"]
        assert isinstance(pd.Series(ids).iloc[0], str)
