"""A file that cannot be used is named with share, reason and one example, and accuses nobody."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from spreadplan.cli import main
from spreadplan.telemetry.losses import FOREIGN, NOBODY, Alike
from tests.reconcile import three_segments
from tests.telemetry.test_scan import line, scan, write

DAY_FIRST = '"01.12.2026 05:00"'


def said(folder: Path) -> list[str]:
    with scan(folder) as files:
        return [str(caution) for caution in files.cautions]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Of the telemetry of a storm."""
    return tmp_path / "telemetry"


def broken(count: int) -> list[str]:
    """Records whose times and totals nobody can read."""
    return [line(second=at, time=DAY_FIRST, feed_total_lb="?") for at in range(count)]


def good(count: int, **cells: str) -> list[str]:
    return [line(second=at, feed_total_lb=str(at), **cells) for at in range(count)]


def test_a_file_of_which_nothing_can_be_used_is_named(folder: Path):
    write(folder, "a.csv", good(30))
    write(folder, "b.csv", broken(40) + [line(truck="B22", second=at) for at in range(2)])
    assert said(folder) == [
        "telemetry/b.csv:2:*: all 42 records refused, 40 of them: a cell cannot be read, as row 2: "
        f"time {DAY_FIRST} is not a date or time that exists; put the export right; until then no "
        "truck is judged by the file"
    ]


def test_most_of_a_file_is_named_a_little_of_it_is_not(folder: Path):
    write(folder, "a.csv", good(70, lat="46.01") + broken(30))
    write(folder, "b.csv", good(85, lat="46.02", truck="T2") + broken(15))
    (caution,) = said(folder)
    assert caution.startswith("telemetry/a.csv:72:*: 30 of 100 records (30 %) refused: a cell")


def test_a_file_without_a_record_is_named(folder: Path):
    write(folder, "a.csv", good(3))
    write(folder, "b.csv", [])
    assert said(folder) == ["telemetry/b.csv:0:*: holds no record; export it again, or remove it"]


def test_repeated_records_are_not_lost(folder: Path):
    write(folder, "a.csv", good(30))
    write(folder, "b.csv", good(30))
    assert said(folder) == []


LEFT_OUT = [
    (
        {"lon": "46", "lat": "-94"},
        "position impossible, as row 2: longitude 46, latitude -94 is "
        "not on the globe; are longitude and latitude exchanged? The rest of each is used",
    ),
    ({"lon": "0", "lat": "0"}, "position impossible, as row 2: the position is 0, 0: the receiver"),
    ({"lon": ""}, "a cell is empty, as row 2: the position is empty; the rest of each is used"),
    ({"speed_mph": "fast"}, 'a cell cannot be read, as row 2: speed_mph "fast" is not a number'),
    ({"feed_total_lb": ""}, "neither a total nor a rate is given; the rest of each is used"),
]


@pytest.mark.parametrize(("cells", "words"), LEFT_OUT)
def test_a_field_that_no_record_of_a_file_tells_is_named(folder: Path, cells, words):
    rows = [line(second=at, **{"feed_total_lb": str(at), **cells}) for at in range(20)]
    write(folder, "a.csv", rows)
    (caution,) = said(folder)
    assert caution.startswith("telemetry/a.csv:2:*: all 20 records: ")
    assert words in caution


def test_a_record_with_two_faults_of_a_kind_is_one_record(folder: Path):
    write(folder, "a.csv", good(20, lon="W94", lat="N46") + good(10, lon="-94", lat="N46"))
    (first, *others) = said(folder)
    assert first.startswith("telemetry/a.csv:2:*: all 30 records: a cell cannot be read, as row 2:")
    assert not any("%" in one for one in others)


def test_totals_that_are_empty_while_nothing_is_spread_are_no_fault(folder: Path):
    rows = [line(second=at, feed_total_lb="" if at % 4 else str(at)) for at in range(40)]
    write(folder, "a.csv", rows)
    assert said(folder) == []


@pytest.mark.parametrize(
    ("word", "meant"),
    [
        ("tc 107", 1),
        ("TC107", 1),
        ("107", 1),
        ("0107", 1),
        ("tc-105", 0),
        ("", NOBODY),
        ("B-22", FOREIGN),
        ("TC-1", FOREIGN),
        ("tc", FOREIGN),
        ("é", FOREIGN),
    ],
)
def test_a_truck_that_is_spelt_otherwise(word: str, meant: int):
    assert Alike(["TC-105", "TC-107"]).truck(word) == meant


def test_two_trucks_of_one_number_are_not_guessed():
    alike = Alike(["A-7", "B-7"])
    assert (alike.truck("7"), alike.truck("a7")) == (FOREIGN, 0)


# --- what follows from it, and what does not ----------------------------------------------------


def reconciled(
    folder: Path, files: dict[str, str | pd.DataFrame], changes: dict[str, str] | None = None
) -> Path:
    content = three_segments.files() | (changes or {})
    for name, table in files.items():
        text = table if isinstance(table, str) else table.to_csv(index=False)
        content[f"storms/s1/telemetry/{name}"] = text
    three_segments.write(folder, content)
    assert main(["reconcile", str(folder), "s1", "--no-pdf"]) == 0
    return folder / "results" / "s1"


def spoilt(half: pd.DataFrame, how: str) -> str | pd.DataFrame:
    if how == "times":
        return half.assign(time="01.12.2026 10:01", feed_total_lb="?")
    if how == "truck":
        return half.assign(truck_id="t-1")
    if how == "number":
        return half.assign(truck_id="001")
    header, *rows = half.to_csv(index=False).splitlines()
    return "\n".join([header, *(row + ",7" for row in rows)]) + "\n"


@pytest.mark.slow
@pytest.mark.parametrize("how", ["times", "truck", "number", "lines"])
def test_no_truck_is_accused_by_half_a_storm(tmp_path: Path, how: str, capsys):
    """The second half of the storm cannot be read: 260 lb of 587 are reported.

    Of the tickets' 587 lb the truck seems to have reported less than half, and not to have been on
    most of its route.
    """
    records = three_segments.records()
    results = reconciled(
        tmp_path, {"a.csv": records.iloc[:14], "b.csv": spoilt(records.iloc[14:], how)}
    )
    assert "telemetry/b.csv:2:*: all 13 records refused: " in capsys.readouterr().err
    truck = pd.read_csv(results / "use_trucks.csv").iloc[0]
    assert truck["reported_lb"] == pytest.approx(260)
    assert truck["verdict"] == "records incomplete"
    assert truck["advice"] == (
        "put the export of T1 right: 48 % of its records could not be read, so that nothing can be "
        "held against it"
    )
    assert truck["ratio"] == pytest.approx(1.0)
    verdicts = pd.read_csv(results / "use_segments.csv").set_index("segment_id")["verdict"]
    assert verdicts.to_dict() == {"A": "within", "B": "unknown", "C": "unknown"}


@pytest.mark.slow
def test_a_truck_of_which_nothing_can_be_read_is_not_said_to_be_silent(tmp_path: Path):
    records = three_segments.records()
    trucks = three_segments.files()["trucks.csv"] + "T2,closed_loop,auger,14000,2\n"
    results = reconciled(
        tmp_path,
        {"a.csv": spoilt(records, "times"), "b.csv": records.assign(truck_id="T2", lat=46.3)},
        {"trucks.csv": trucks},
    )
    table = pd.read_csv(results / "use_trucks.csv").set_index("truck_id")
    assert table.loc["T1", "verdict"] == "records incomplete"
    assert "100 % of its records could not be read" in table.loc["T1", "advice"]
    verdicts = pd.read_csv(results / "use_segments.csv").set_index("segment_id")["verdict"]
    assert set(verdicts[["A", "B", "C"]]) == {"unknown"}


@pytest.mark.slow
def test_the_truck_of_another_agency_changes_nothing(tmp_path: Path, capsys):
    records = three_segments.records()
    results = reconciled(tmp_path, {"a.csv": records, "b.csv": records.assign(truck_id="B22")})
    assert "spell the truck as trucks.csv does, or add it there" in capsys.readouterr().err
    assert pd.read_csv(results / "use_trucks.csv")["verdict"].tolist() == ["not shown"]


def test_records_of_nobody_may_be_of_the_truck_that_the_file_names(folder: Path):
    write(folder, "a.csv", good(40) + good(40, truck="T2"))
    for name, named in (("t2_night.csv", {"T2"}), ("night.csv", {"T1", "T2", "07"})):
        write(folder, name, [row + ",7" for row in good(10)])
        with scan(folder) as files:
            assert set(files.usable) == named
            assert files.usable["T2"] == pytest.approx(0.8)
        (folder / name).unlink()


def test_check_and_reconcile_refuse_a_storm_of_which_nothing_can_be_used(tmp_path: Path, capsys):
    records = three_segments.records().assign(truck_id="X")
    content = three_segments.files()
    content["storms/s1/telemetry/a.csv"] = records.to_csv(index=False)
    three_segments.write(tmp_path, content)
    for command in (["check", str(tmp_path)], ["reconcile", str(tmp_path), "s1", "--no-pdf"]):
        assert main(command) == 2
        told = capsys.readouterr()
        assert 'all 27 records refused: truck not in trucks.csv, as row 2: truck "X"' in told.err
        assert "storms/s1/telemetry:0:*: has no usable record" in told.err
        assert "no problems found" not in told.out


def test_check_finds_no_problems_only_where_there_are_none(tmp_path: Path, capsys):
    content = three_segments.files()
    content["workspace.toml"] += "as_of = 2027-04-30\n"
    records = three_segments.records()
    content["storms/s1/telemetry/a.csv"] = records.to_csv(index=False)
    three_segments.write(tmp_path, content)
    assert main(["check", str(tmp_path)]) == 0
    assert "no problems found" in capsys.readouterr().out
    (tmp_path / "storms/s1/telemetry/b.csv").write_text(
        records.iloc[:9].assign(truck_id="X").to_csv(index=False)
    )
    assert main(["check", str(tmp_path)]) == 0
    assert "nothing that stops the work" in capsys.readouterr().out
