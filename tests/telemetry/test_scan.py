"""Telemetry files: every row is kept once or refused with its reason, whatever the file holds."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spreadplan.errors import BadInput
from spreadplan.schema.telemetry import TruckRecords
from spreadplan.telemetry import files as telemetry_files
from spreadplan.telemetry.scan import TelemetryFiles, scan_telemetry
from spreadplan.telemetry.store import TIME_BY_PLACE
from spreadplan.workspace.parse import Rename

CHICAGO = ZoneInfo("America/Chicago")
HEADER = "truck_id,time,lon,lat,speed_mph,spreading,feed_total_lb"


def line(truck: str = "T1", second: int = 0, **cells: str) -> str:
    """A good record; ``second`` after 10:00 UTC on 1 December 2026."""
    given_cells = {
        "truck_id": truck,
        "time": f"2026-12-01T{10 + second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d}Z",
        "lon": f"{-94 + second * 1e-5:.5f}",
        "lat": "46.1",
        "speed_mph": "25",
        "spreading": "1",
        "feed_total_lb": f"{1000 + 2 * second}",
    }
    return ",".join((given_cells | cells).values())


def write(folder: Path, name: str, lines: list[str], header: str = HEADER) -> None:
    folder.mkdir(exist_ok=True)
    (folder / name).write_text("\n".join([header, *lines]) + "\n", newline="")


def scan(folder: Path, **options: object) -> TelemetryFiles:
    """Scan with trucks T1, T2 and 07; the sum of the rows holds for every test in this file."""
    defaults: dict[str, object] = {"trucks": {"T1", "T2", "07"}, "renames": {}, "timezone": CHICAGO}
    files = scan_telemetry(folder, **(defaults | options))  # type: ignore[arg-type]
    rows_refused = len(files.quarantine())
    assert files.rows_kept + rows_refused == files.rows_read
    assert sum(files.refused_by_kind().values()) == rows_refused
    places = [
        (files.sources[file].name, row)
        for records in files.by_truck()
        for file, row in zip(records.source_file, records.source_row, strict=True)
    ]
    refused = files.quarantine()
    places += list(zip(refused["source_file"], refused["source_row"], strict=True))
    assert len(set(places)) == len(places) == files.rows_read
    return files


def by_name(files: TelemetryFiles) -> dict[str, TruckRecords]:
    return {records.truck_id: records for records in files.by_truck()}


def reasons(files: TelemetryFiles) -> dict[int, str]:
    frame = files.quarantine()
    return dict(zip(frame["source_row"], frame["reason"], strict=True))


# --- what is read ------------------------------------------------------------------------------


def test_a_plain_file(tmp_path: Path) -> None:
    write(tmp_path, "a.csv", [line("T2", 5), line("T1", 0), line("T1", 5), line("T2", 0)])
    files = scan(tmp_path)
    trucks = by_name(files)
    assert list(trucks) == ["T1", "T2"] == list(files.truck_rows)
    noon = datetime(2026, 12, 1, 10, tzinfo=UTC).timestamp()
    assert trucks["T2"].time_s.tolist() == [noon, noon + 5]
    assert trucks["T2"].source_row.tolist() == [5, 2]
    assert trucks["T2"].feed_total_lb.tolist() == [1000, 1010]
    assert trucks["T1"].lon.tolist() == [-94.0, -93.99995]
    assert trucks["T1"].spreading.tolist() == [True, True]
    assert np.isnan(trucks["T1"].heading_deg).all()
    assert trucks["T1"].material.tolist() == [-1, -1]
    assert files.counts == {"out of order": 1}


def test_units_of_the_header_are_converted(tmp_path: Path) -> None:
    header = "truck_id,time,lon,lat,speed_km_h,spreading,feed_total_kg,liquid_total_l,heading_deg"
    write(
        tmp_path,
        "a.csv",
        [line(speed_mph="40.2336", feed_total_lb="45.359237,3.785411784,511")],
        header,
    )
    files = scan(tmp_path)
    records = by_name(files)["T1"]
    assert records.speed_mph[0] == pytest.approx(25, rel=1e-6)  # kept in single precision
    assert records.feed_total_lb[0] == pytest.approx(100, rel=1e-12)
    assert records.liquid_total_gal[0] == pytest.approx(1, rel=1e-12)
    assert np.isnan(records.heading_deg[0])
    assert files.counts == {"heading not usable": 1}
    assert files.sources[0].feed_unit_lb == pytest.approx(1 / 0.45359237, rel=1e-12)


def test_foreign_export_by_renames(tmp_path: Path) -> None:
    header = "Unit,When,X,Y,Kmh,On,Salt"
    write(tmp_path, "a.csv", [line("07", speed_mph="40.2336", feed_total_lb="1")], header)
    renames = {
        "truck_id": Rename("Unit"),
        "time": Rename("When"),
        "lon": Rename("X"),
        "lat": Rename("Y"),
        "speed": Rename("Kmh", "km_h"),
        "spreading": Rename("On"),
        "feed_total": Rename("Salt", "t"),
    }
    records = by_name(scan(tmp_path, renames=renames))["07"]
    assert records.speed_mph[0] == pytest.approx(25, rel=1e-6)
    assert records.feed_total_lb[0] == pytest.approx(2204.62262, rel=1e-8)


def test_parquet_and_csv_give_the_same_records(tmp_path: Path) -> None:
    lines = [line("07", at) for at in range(0, 60, 5)]
    write(tmp_path / "c", "a.csv", lines)
    frame = pd.read_csv(tmp_path / "c" / "a.csv", dtype={"truck_id": int}, parse_dates=["time"])
    (tmp_path / "p").mkdir()
    frame.assign(truck_id="07").to_parquet(tmp_path / "p" / "a.parquet")
    one, other = by_name(scan(tmp_path / "c"))["07"], by_name(scan(tmp_path / "p"))["07"]
    for name in ("time_s", "lon", "lat", "speed_mph", "spreading", "feed_total_lb"):
        assert getattr(one, name).tolist() == getattr(other, name).tolist()
    assert (one.source_row - 1).tolist() == other.source_row.tolist()


def test_odd_but_readable_cells(tmp_path: Path) -> None:
    """Byte-order mark, CRLF, quotes, spaces, words for flags, blank lines and empty numbers."""
    rows = [
        '"T1","2026-12-01 10:00:00Z", -94.0 ,46.1,NULL,true,1000',
        " T1 ,2026-12-01T04:00:05-06:00,-94.0,46.1,25,no,",
        "",
        ",,,,,,",
        "T1,2026-12-01T10:00:10.5+00:00,-94.0,46.1,25,,1010",
    ]
    text = "\ufeff" + "\r\n".join([HEADER, *rows])
    (tmp_path / "a.csv").write_bytes(text.encode())
    files = scan(tmp_path)
    records = by_name(files)["T1"]
    assert files.rows_read == 3
    assert records.source_row.tolist() == [2, 3, 6]
    assert np.diff(records.time_s).tolist() == [5.0, 5.5]
    assert records.spreading.tolist() == [True, False, True]
    assert np.isnan(records.speed_mph[0])
    assert np.isnan(records.feed_total_lb[1])
    assert files.counts == {"spreading not said": 1}


def test_material_names(tmp_path: Path) -> None:
    rows = [line(second=at) + f",{name}" for at, name in enumerate(["salt", "", "sand", "salt"])]
    write(tmp_path, "a.csv", rows, HEADER + ",material")
    files = scan(tmp_path)
    assert files.materials == ("salt", "sand")
    assert by_name(files)["T1"].material.tolist() == [0, -1, 1, 0]


# --- what is refused, and what is left out -------------------------------------------------------


@pytest.mark.parametrize(
    ("bad", "reason"),
    [
        (line(second=9, feed_total_lb="1,5"), "the line has 8 cells where the header has 7"),
        (line("", 9), "truck_id is empty"),
        (line("T9", 9), 'truck "T9" is not in trucks.csv'),
        (line(second=9)[:25], "the line has 3 cells where the header has 7"),
        ('"' + line(second=9), "the line is not well-formed CSV (a double quote is left open)"),
        (line(second=9, truck_id="T\x001"), "the line has NUL characters: it is not text"),
        ("x" * 200_000, "the line is too long to be a record"),
        (line(second=0), "the same record stands in a.csv row 2"),
        (line(second=0, lat="46.2"), "a record of the truck at this time stands in a.csv row 2"),
        # neither an amount nor a place
        (line(second=9, lon="x", feed_total_lb=""), 'lon "x" is not a number'),
        (line(second=9, lat="", feed_total_lb="x"), 'feed_total_lb "x" is not a number'),
        (
            line(second=9, lon="0", lat="0.0", feed_total_lb=""),
            "the position is 0, 0: the receiver had no fix",
        ),
        # neither an amount nor a time
        (
            line(second=9, time="soon", feed_total_lb=""),
            'time "soon" is not a date or time that exists',
        ),
        # a total that falls and comes back shows that the record stands elsewhere in time
        (line(second=9, time="", feed_total_lb="999"), "time is empty"),
        (
            line(second=9, time="2007-04-17T10:00:00Z", feed_total_lb="2000"),
            "the time lies over a year away from the rest of the storm",
        ),
    ],
)
@pytest.mark.parametrize("few", [1, 500])
def test_a_bad_row_is_refused_alone(
    tmp_path: Path, bad: str, reason: str, few: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(telemetry_files, "FEW_LINES", few)
    write(tmp_path, "a.csv", [line(second=at) for at in (0, 5)] + [bad, line(second=15)])
    files = scan(tmp_path)
    assert by_name(files)["T1"].source_row.tolist() == [2, 3, 5]
    assert reasons(files) == {4: reason}


NO_PLACE = ("lon", "lat")
UNREADABLE = "a cell cannot be read, the rest of the record used"
NO_POSITION = "no position, the rest of the record used"


@pytest.mark.parametrize(
    ("cells", "unknown", "counts"),
    [
        ({"lon": "x"}, NO_PLACE, {UNREADABLE: 1, NO_POSITION: 1}),
        ({"lat": ""}, NO_PLACE, {NO_POSITION: 1}),
        ({"lat": "146"}, NO_PLACE, {NO_POSITION: 1}),
        ({"lon": "0", "lat": "0.0"}, NO_PLACE, {NO_POSITION: 1}),
        ({"speed_mph": "fast"}, ("speed_mph",), {UNREADABLE: 1}),
        (
            {"speed_mph": "250"},
            ("speed_mph",),
            {"speed impossible, the rest of the record used": 1},
        ),
        ({"speed_mph": "-1"}, ("speed_mph",), {"speed impossible, the rest of the record used": 1}),
        ({"spreading": "2"}, (), {UNREADABLE: 1, "spreading not said": 1}),
        ({"feed_total_lb": "inf"}, ("feed_total_lb",), {UNREADABLE: 1}),
        (
            {"feed_total_lb": "-5"},
            ("feed_total_lb",),
            {"total or rate impossible, the rest of the record used": 1},
        ),
        ({"time": "2026-02-30T10:00"}, (), {TIME_BY_PLACE: 1}),
        ({"time": ""}, (), {TIME_BY_PLACE: 1}),
        ({"time": "1970-01-01T00:00:00Z"}, (), {TIME_BY_PLACE: 1}),
        ({"time": "2007-04-17T10:00:00Z"}, (), {TIME_BY_PLACE: 1}),
    ],
)
@pytest.mark.parametrize("few", [1, 500])
@pytest.mark.parametrize("place", [0, 2, 5])
def test_a_field_that_cannot_be_used_is_left_out_and_its_record_counts(
    tmp_path: Path,
    cells: dict[str, str],
    unknown: tuple[str, ...],
    counts: dict[str, int],
    place: int,
    few: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """First, in the middle or last: the truck's total stays, and the record keeps its moment."""
    monkeypatch.setattr(telemetry_files, "FEW_LINES", few)
    seconds = range(0, 30, 5)
    given_cells = [cells if number == place else {} for number in range(len(seconds))]
    write(
        tmp_path,
        "a.csv",
        [line(second=at, **given) for at, given in zip(seconds, given_cells, strict=True)],
    )
    files = scan(tmp_path)
    records = by_name(files)["T1"]
    assert records.source_row.tolist() == list(range(2, 8))
    assert (records.time_s - records.time_s[0]).tolist() == list(seconds)
    for name in ("lon", "lat", "speed_mph", "feed_total_lb"):
        missing = np.flatnonzero(np.isnan(getattr(records, name))).tolist()
        assert missing == ([place] if name in unknown else [])
    assert records.spreading.all()
    assert files.counts == counts
    if "feed_total_lb" not in unknown:
        assert records.feed_total_lb[[0, -1]].tolist() == [1000, 1050]


def test_a_record_of_the_same_moment_says_what_the_first_does_not(tmp_path: Path) -> None:
    """A receiver and a controller that write records of their own; the earliest word counts."""
    rows = []
    for at in (0, 5, 10):
        rows += [
            line(second=at, feed_total_lb="", speed_mph=""),
            line(second=at, lon="", lat="", speed_mph="21"),
            line(second=at, lon="-93", speed_mph="22", feed_total_lb="7"),
        ]
    write(tmp_path, "a.csv", rows)
    files = scan(tmp_path)
    records = by_name(files)["T1"]
    assert records.lon.tolist() == [-94.0, -93.99995, -93.9999]
    assert records.feed_total_lb.tolist() == [1000, 1010, 1020]
    assert records.speed_mph.tolist() == [21, 21, 21]
    assert files.refused_by_kind() == {"two records at one time": 6}


def test_a_truck_without_a_time_in_a_disordered_file_is_refused(tmp_path: Path) -> None:
    rows = [line(second=at) for at in (0, 10, 5, 15)] + [line(second=20, time="")]
    write(tmp_path, "a.csv", rows)
    assert reasons(scan(tmp_path)) == {6: "time is empty"}


def test_a_cold_receiver_gives_neither_time_nor_place(tmp_path: Path) -> None:
    """The clock of a receiver without a fix stands at the start of the satellites' time."""
    cold = {"time": "1980-01-06T00:00:00Z", "lon": "0", "lat": "0"}
    rows = [line(second=at, **(cold if at < 15 or at > 50 else {})) for at in range(0, 65, 5)]
    write(tmp_path, "a.csv", rows)
    files = scan(tmp_path)
    records = by_name(files)["T1"]
    assert (records.time_s - records.time_s[0]).tolist() == list(range(0, 65, 5))
    assert records.feed_total_lb.tolist() == [1000 + 2 * at for at in range(0, 65, 5)]
    assert files.counts == {NO_POSITION: 5, TIME_BY_PLACE: 5}
    with scan(tmp_path, rows_in_memory=3) as spilt:
        assert by_name(spilt)["T1"].time_s.tolist() == records.time_s.tolist()


def test_a_quote_over_two_lines_spoils_those_two_only(tmp_path: Path) -> None:
    """Read as one record, the two lines would have the right number of cells."""
    rows = [line() + ",", line(second=5) + ',"left open', 'closed here"', line(second=10) + ","]
    write(tmp_path, "a.csv", rows, HEADER + ",note")
    files = scan(tmp_path)
    assert by_name(files)["T1"].source_row.tolist() == [2, 5]
    assert list(reasons(files)) == [3, 4]


def test_bytes_that_are_not_utf8_spoil_their_row_only(tmp_path: Path) -> None:
    rows = [HEADER.encode(), line().encode(), b"T\xff1" + line(second=5)[2:].encode()]
    (tmp_path / "a.csv").write_bytes(b"\n".join(rows))
    files = scan(tmp_path)
    assert reasons(files) == {3: 'truck "T\ufffd1" is not in trucks.csv'}


def test_reading_a_file_twice_counts_nothing_twice(tmp_path: Path) -> None:
    lines = [line("T1", at) for at in range(20)]
    write(tmp_path, "a.csv", lines[:15])
    write(tmp_path, "b.csv", lines[10:])
    write(tmp_path, "c.csv", lines)
    files = scan(tmp_path)
    records = by_name(files)["T1"]
    assert records.feed_total_lb.tolist() == [1000 + 2 * at for at in range(20)]
    assert files.rows_read == 45
    assert files.refused_by_kind() == {"the same record again": 25}
    assert files.quarantine()["reason"].iloc[0] == "the same record stands in a.csv row 12"
    assert "out of order" not in files.counts


# --- the clock change --------------------------------------------------------------------------


def local(clock: str, second: int) -> str:
    return line(time=f"2026-11-01T{clock}", second=second)


def utc_clock(files: TelemetryFiles) -> list[str]:
    times = by_name(files)["T1"].time_s
    return [datetime.fromtimestamp(time, UTC).strftime("%H:%M") for time in times]


def test_an_hour_that_comes_twice_is_told_apart_by_the_jump_back(tmp_path: Path) -> None:
    """At 02:00 on 1 November 2026 Chicago's clock goes back to 01:00 (07:00 UTC)."""
    clocks = ["00:50", "01:10", "01:30", "01:50", "01:10", "01:30", "01:50", "02:10"]
    write(tmp_path, "a.csv", [local(clock, at) for at, clock in enumerate(clocks)])
    files = scan(tmp_path)
    assert utc_clock(files) == [
        "05:50",
        "06:10",
        "06:30",
        "06:50",
        "07:10",
        "07:30",
        "07:50",
        "08:10",
    ]
    assert files.counts == {"clock change resolved": 6}


@pytest.mark.parametrize(
    ("clocks", "expected"),
    [
        (["00:55", "01:00", "01:05", "01:10"], ["05:55", "06:00", "06:05", "06:10"]),
        (["01:50", "01:55", "02:00"], ["07:50", "07:55", "08:00"]),
    ],
)
def test_without_a_jump_the_near_neighbour_tells(
    tmp_path: Path, clocks: list[str], expected: list[str]
) -> None:
    write(tmp_path, "a.csv", [local(clock, at) for at, clock in enumerate(clocks)])
    assert utc_clock(scan(tmp_path)) == expected


@pytest.mark.parametrize("clocks", [["01:30"], ["00:58", "01:02", "01:30", "01:58", "02:02"]])
def test_a_time_that_nobody_can_place_is_taken_as_the_earlier(
    tmp_path: Path, clocks: list[str]
) -> None:
    """Their order, and so their mass, is the same either way."""
    write(tmp_path, "a.csv", [local(clock, at) for at, clock in enumerate(clocks)])
    files = scan(tmp_path)
    hours = {"00": "05", "01": "06", "02": "08"}
    assert utc_clock(files) == [f"{hours[clock[:2]]}:{clock[3:]}" for clock in clocks]


def test_a_time_that_another_file_places_is_taken_from_there(tmp_path: Path) -> None:
    write(tmp_path, "a.csv", [local("01:30", 0), local("01:50", 1)])
    write(tmp_path, "b.csv", [local("01:50", 1), local("01:58", 2), local("02:02", 3)])
    files = scan(tmp_path)
    assert utc_clock(files) == ["07:30", "07:50", "07:58", "08:02"]


def test_a_local_time_of_more_than_one_jump_back_is_refused(tmp_path: Path) -> None:
    clocks = ["01:30", "01:10", "01:50", "01:20"]
    write(tmp_path, "a.csv", [local(clock, at) for at, clock in enumerate(clocks)])
    assert set(reasons(scan(tmp_path)).values()) == {"the time comes twice on the local clock"}


def test_a_time_that_the_clock_skips_is_refused(tmp_path: Path) -> None:
    write(tmp_path, "a.csv", [line(time="2027-03-14T01:59"), line(time="2027-03-14T02:30")])
    assert reasons(scan(tmp_path)) == {3: "the time does not exist on the local clock"}


# --- whole files -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "a.csv:0:*: is empty"),
        (b"truck_id;time\n", "cells are separated by semicolons"),
        ("truck_id,time".encode("utf-16"), "is UTF-16 text"),
        (HEADER.replace("_mph", "").encode(), "a.csv:1:speed: has no unit that is known"),
        (HEADER.replace(",lat", "").encode(), "a.csv:1:lat: column is missing"),
        (HEADER.replace("feed_total_lb", "x").encode(), "neither a running total nor a rate"),
        (HEADER.replace("lat", "lon").encode(), "a.csv:1:lon: column stands twice"),
        (HEADER.encode() + b"\rT1", "end in a carriage return alone"),
        (b"\x89PNG\r\n\x1a\n\0\0", "is not UTF-8 text"),
    ],
)
def test_a_header_that_cannot_be_understood_stops(
    tmp_path: Path, content: bytes, message: str
) -> None:
    (tmp_path / "a.csv").write_bytes(content)
    with pytest.raises(BadInput) as caught:
        scan(tmp_path, shown="storms/s1/telemetry/")
    assert message in str(caught.value)
    assert str(caught.value).startswith("storms/s1/telemetry/a.csv:")


def test_parquet_that_is_none_and_a_folder_without_files_stop(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="holds no telemetry file"):
        scan(tmp_path / "none")
    (tmp_path / "a.parquet").write_bytes(b"not a columnar file at all")
    with pytest.raises(BadInput, match=r"a\.parquet:0:\*: cannot be read"):
        scan(tmp_path)


TEN = 1_796_119_200.0  # 10:00 UTC on 1 December 2026
#: In microseconds of 64 bits this time would come round to TEN again.
COMES_ROUND = 1_796_119_200_000 + 2**61


def parquet(folder: Path, **columns: object) -> None:
    """Two good records with some columns replaced."""
    table: dict[str, object] = {
        "truck_id": ["T1", "T1"],
        "time": pd.to_datetime(["2026-12-01T10:00:00Z", "2026-12-01T10:00:05Z"]),
        "lon": [-94.0, -94.1],
        "lat": [46.0, 46.1],
        "speed_mph": [25.0, 25.0],
        "spreading": [1, 1],
        "feed_total_lb": [1000.0, 1010.0],
    }
    pq.write_table(pa.table(table | columns), folder / "a.parquet")


@pytest.mark.parametrize(
    ("columns", "reason"),
    [
        ({"truck_id": pa.array(["T1", None])}, "truck_id is empty"),
        ({"truck_id": pa.array(["T1", "x"]).dictionary_encode()}, 'truck "x" is not in trucks.csv'),
        (
            {"time": pa.array(["2026-12-01T10:00Z", "later"])},
            'time "later" is not a date or time that exists',
        ),
        ({"time": pd.to_datetime(["2026-12-01T04:00:00", None])}, "time is empty"),
        (
            {"time": pa.array([1_796_119_200_000, COMES_ROUND], pa.timestamp("ms", "UTC"))},
            "the time lies outside the years 1980 to 2100",
        ),
        ({"time": pa.array([date(2026, 12, 1), None])}, "time is empty"),
    ],
)
def test_columnar_files_of_any_types(
    tmp_path: Path, columns: dict[str, object], reason: str
) -> None:
    parquet(tmp_path, **columns)
    files = scan(tmp_path)
    assert reasons(files) == {2: reason}
    midnight = pa.types.is_date32(getattr(columns.get("time"), "type", pa.null()))
    assert by_name(files)["T1"].time_s.tolist() == [1_796_104_800.0 if midnight else TEN]


@pytest.mark.parametrize(
    ("columns", "counts"),
    [
        ({"lon": pa.array([Decimal("-94.0"), None])}, {NO_POSITION: 1}),
        ({"lat": pa.array(["46.0", "x"])}, {UNREADABLE: 1, NO_POSITION: 1}),
        ({"spreading": [1.0, 0.5]}, {UNREADABLE: 1, "spreading not said": 1}),
        ({"feed_total_lb": [0.0, float("inf")]}, {UNREADABLE: 1}),
    ],
)
def test_fields_of_columnar_files_are_judged_each_on_its_own(
    tmp_path: Path, columns: dict[str, object], counts: dict[str, int]
) -> None:
    parquet(tmp_path, **columns)
    files = scan(tmp_path)
    assert by_name(files)["T1"].time_s.tolist() == [TEN, TEN + 5]
    assert files.counts == counts


def test_numbers_as_truck_ids_and_true_as_flag(tmp_path: Path) -> None:
    parquet(tmp_path, truck_id=[7.0, 7.0], spreading=[True, None])
    files = scan(tmp_path, trucks={"7"})
    assert by_name(files)["7"].spreading.tolist() == [True, True]
    assert files.counts == {"spreading not said": 1}


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        ({"lon": [[1.0], [2.0]]}, "a.parquet:0:lon: holds list"),
        ({"time": [1, 2]}, "a.parquet:0:time: holds int64, not times"),
    ],
)
def test_columns_of_a_wrong_type_stop(
    tmp_path: Path, columns: dict[str, object], message: str
) -> None:
    parquet(tmp_path, **columns)
    with pytest.raises(BadInput) as caught:
        scan(tmp_path)
    assert message in str(caught.value)


def test_a_columnar_file_that_is_damaged_inside_stops(tmp_path: Path) -> None:
    parquet(tmp_path)
    content = bytearray((tmp_path / "a.parquet").read_bytes())
    content[4:60] = bytes(56)
    (tmp_path / "a.parquet").write_bytes(content)
    with pytest.raises(BadInput, match=r"a\.parquet:0:\*: cannot be read"):
        scan(tmp_path)


def test_unknown_columns_and_files_are_cautions(tmp_path: Path) -> None:
    write(tmp_path, "a.csv", [line() + ",7"], HEADER + ",mood")
    (tmp_path / "notes.txt").write_text("x")
    files = scan(tmp_path)
    assert sorted(problem.column for problem in files.cautions) == ["*", "mood"]
    assert not any(problem.fatal for problem in files.cautions)


def test_progress_is_told_once_for_each_step(tmp_path: Path) -> None:
    write(tmp_path, "a.csv", [line()])
    write(tmp_path, "b.csv", [line(second=5)])
    steps: list[int] = []

    @contextmanager
    def progress(what: str, total: int) -> Iterator[object]:
        steps.append(total)
        yield lambda: steps.append(1)

    scan(tmp_path, progress=progress)
    assert steps == [2, 1, 1]


# --- at large ----------------------------------------------------------------------------------


def mixed_storm(folder: Path) -> None:
    """Files that overlap, with rows broken in every way, in several blocks."""
    rng = random.Random(5)
    lines = [line(truck, at) for at in range(400) for truck in ("T1", "T2", "07")]
    rng.shuffle(lines)
    spoilt = [
        text if rng.random() > 0.02 else rng.choice([text[:20], text + ",1", "T1" + text, '"'])
        for text in lines
    ]
    write(folder, "a.csv", spoilt[:900])
    write(folder, "b.csv", spoilt[600:])


def fingerprint(files: TelemetryFiles) -> list[object]:
    found: list[object] = [files.quarantine().to_dict("list"), dict(files.counts)]
    for records in files.by_truck():
        found += [records.truck_id, records.source_file.tolist(), records.source_row.tolist()]
        found += [records.time_s.tolist(), records.lon.tolist(), records.feed_total_lb.tolist()]
    return found


def test_blocks_parts_and_the_temporary_folder_change_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mixed_storm(tmp_path)
    whole = fingerprint(scan(tmp_path))
    monkeypatch.setattr(telemetry_files, "BLOCK_BYTES", 5_000)
    monkeypatch.setattr(telemetry_files, "FEW_LINES", 10)
    assert fingerprint(scan(tmp_path)) == whole
    with scan(tmp_path, rows_in_memory=100) as files:
        assert fingerprint(files) == whole
        assert files._folder is not None
        place = Path(files._folder.name)
        assert place.exists()
    assert not place.exists()


PIECES = st.sampled_from(
    [
        "T1",
        "T2",
        "T9",
        "",
        '"',
        ",",
        "\r",
        "\n",
        "\0",
        "é",
        "2026-12-01T10:00:00Z",
        "2026-11-01T01:30:00",
        "2026-12-01T10:00:05",
        "-94.1",
        "46.1",
        "25",
        "1",
        "0",
        "1e999",
        "nan",
        "-3",
        "99999",
        " ",
        "x",
    ]
)
LINES = st.one_of(
    st.builds(line, st.sampled_from(["T1", "T2", "T9"]), st.integers(0, 50)),
    st.lists(PIECES, min_size=7, max_size=7).map(",".join),
    st.lists(PIECES, max_size=12).map("".join),
)


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(st.lists(st.lists(LINES, max_size=25), min_size=1, max_size=3), st.sampled_from([1, 500]))
def test_no_row_is_lost_or_counted_twice(
    tmp_path_factory: pytest.TempPathFactory, contents: list[list[str]], few: int
) -> None:
    """`scan` asserts that each row of each file is kept once or refused once."""
    folder = tmp_path_factory.mktemp("fuzz")
    for number, lines in enumerate(contents):
        write(folder, f"{number}.csv", lines)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(telemetry_files, "FEW_LINES", few)
        files = scan(folder)
    text = [path.read_bytes().split(b"\n")[1:] for path in sorted(folder.iterdir())]
    blank = b' ,"\r'
    sure = sum(bool(row.strip(blank)) for rows in text for row in rows)
    most = sum(bool(row.strip(b" ,\r")) for rows in text for row in rows)
    assert sure <= files.rows_read <= most
    for records in files.by_truck():
        assert (np.diff(records.time_s) > 0).all()
        assert (np.isfinite(records.lon) == np.isfinite(records.lat)).all()
