"""`reconcile` from end to end: a storm worked out on paper, files of all kinds, and bad input."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pyogrio
import pytest

from spreadplan.cli import main
from tests.reconcile import three_segments
from tests.reconcile.three_segments import MILE_M, START

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("blank_charts")]

CONTRACT = {
    "use_segments.csv": "route_id,segment_id,material,passes,lane_miles,reported_lb,applied_lb,"
    "applied_lo_lb,applied_hi_lb,applied_rate_lb_per_lane_mile,planned_lb,allowed_lb,verdict,"
    "p_over",
    "use_trucks.csv": "truck_id,material,reported_lb,loaded_lb,returned_lb,ratio,ratio_lo,"
    "ratio_hi,verdict,advice",
    "balance.csv": "yard_id,material,opening_ton,delivered_ton,loaded_ton,returned_ton,"
    "expected_ton,counted_ton,difference_ton,difference_u_ton,verdict",
    "quarantine.csv": "source_file,source_row,reason",
    "use_points.parquet": "source_file,source_row,truck_id,time,segment_id,route_id,along,"
    "offset_m,mass_lb,pass_id,status",
}

Build = Callable[..., Path]


@pytest.fixture
def three(tmp_path: Path) -> Build:
    """Write the workspace of three segments with telemetry files of the given content."""
    count = 0

    def build(telemetry: dict[str, pd.DataFrame | str], **changes: str) -> Path:
        nonlocal count
        count += 1
        content = three_segments.files()
        content |= changes
        for name, table in telemetry.items():
            text = table if isinstance(table, str) else table.to_csv(index=False)
            content[f"storms/s1/telemetry/{name}"] = text
        return three_segments.write(tmp_path / f"w{count}", content)

    return build


def reconcile(folder: Path) -> Path:
    assert main(["reconcile", str(folder), "s1", "--no-pdf"]) == 0
    return folder / "results" / "s1"


def segments(results: Path) -> pd.DataFrame:
    return pd.read_csv(results / "use_segments.csv").set_index("segment_id")


def points(results: Path) -> pd.DataFrame:
    return pq.read_table(results / "use_points.parquet").to_pandas()


def test_a_storm_of_three_segments_by_hand(three: Build):
    """Road: A from 0 to 0.5 mi, B to 0.75, C to 1.25; 2 lanes, so 1.0, 0.5 and 1.0 lane-miles.

    Record k is at 0.02 + 0.05 k mi; the truck stands at 1.02 mi for records 20 to 22, then goes on.

    Released, lb: to records 1 to 9, 20 each on A (180). To record 10, from 0.47 to 0.52 mi, 20: 3
    of the 5 hundredths of a mile on A, so 12 on A and 8 on B. To records 11 to 14, 20 each on B
    (80); the total is set to zero after record 11. To record 15, from 0.72 to 0.77 mi, 30: 3 of 5
    on B, 18 on B and 12 on C. To records 16 to 20, 30 each on C (150). Standing, 4 and 3. To
    records 23 to 26, 30 each on C (120).

    A = 180 + 12 = 192; B = 8 + 80 + 18 = 106; C = 12 + 150 + 7 + 120 = 289; all = 587.
    Passes: A (0.50 - 0.02) / 0.50 = 0.96; B 1; C (1.22 - 0.75) / 0.50 = 0.94.

    Tickets: 1600 loaded - 1013 returned = 587, as reported: the ratio is 1.
    Rate: A 192 / (1.0 x 0.96) = 200; B 106 / 0.5 = 212; C 289 / (1.0 x 0.94) = 307.4.
    Plan at 200 lb per lane-mile: 200, 100, 200; 20 % more is allowed: 240, 120, 240.

    Uncertainty of C, lb: where the joints lie, 4 m at each of 2 ends of a pass, on 282 lb moving
    over 0.47 mi = 756.4 m: 0.3728 x 4 x sqrt 2 = 2.109. When within an interval, a tenth of the
    usual 20 lb (the 13th and 14th of 26 masses: 3, 4, 14 x 20, 10 x 30) at 2 ends of 0.94 passes:
    2 sqrt 1.88 = 2.742. Run to run: two tests that agree bring the assumed 3 %, worth 4 degrees of
    freedom, to 3 sqrt(4 / 5) = 2.683 %, of 289: 7.75.
    The ratio: two tickets of a 20 lb scale, 20 / sqrt 6 x sqrt 2 = 11.55 lb or 1.97 % of 587, and
    0.3 % of the scale itself: w = 1.99 %. Storms scatter by t = 4.64 %: sqrt(3^2 + 2^2) = 3.61
    times 1.29, the root mean square of the factors thought possible, since one storm tells nothing
    of it. B = 4.64^2 / (4.64^2 + 1.99^2) = 0.845. A season known to 5.5 % leaves
    sqrt((0.155 x 5.5)^2 + 0.845 x 1.99^2) = 2.02 %, and 2.04 % with the chance that the tickets are
    wrong: 5.9 lb of C.
    u = sqrt(2.109^2 + 2.742^2 + 7.75^2 + 5.9^2) = 10.35; z = (289 - 240) / u = 4.7; P(over) is
    0.999999, at least 0.95: over. B: 106 lies 14 under 120, u = 4.8: z = -2.9, P = 0.0017: within.
    """
    results = reconcile(three({"a.csv": three_segments.records()}))
    found = segments(results)
    assert found["reported_lb"].to_dict() == pytest.approx({"A": 192, "B": 106, "C": 289}, abs=0.05)
    assert found["reported_lb"].sum() == pytest.approx(587, rel=1e-8)
    assert found["passes"].to_dict() == pytest.approx({"A": 0.96, "B": 1.0, "C": 0.94}, abs=2e-4)
    assert found["standing_lb"].to_dict() == {"A": 0, "B": 0, "C": 7}
    assert found["lane_miles"].to_dict() == pytest.approx({"A": 1.0, "B": 0.5, "C": 1.0}, rel=1e-6)
    rate = found["applied_rate_lb_per_lane_mile"].to_dict()
    assert rate == pytest.approx({"A": 200, "B": 212, "C": 307.4}, abs=0.1)
    assert found["planned_lb"].to_dict() == pytest.approx({"A": 200, "B": 100, "C": 200}, rel=1e-6)
    assert found["allowed_lb"].to_dict() == pytest.approx({"A": 240, "B": 120, "C": 240}, rel=1e-6)
    assert found["verdict"].to_dict() == {"A": "within", "B": "within", "C": "over"}

    truck = pd.read_csv(results / "use_trucks.csv").iloc[0]
    assert (truck["reported_lb"], truck["loaded_lb"], truck["returned_lb"]) == (587, 1600, 1013)
    assert truck["ratio"] == pytest.approx(1.0, abs=1e-3)
    u_lb = np.sqrt(
        2.109**2 + 2.742**2 + (0.03 * 0.8**0.5 * 289) ** 2 + (truck["ratio_u"] * 289) ** 2
    )
    assert found.loc["C", "applied_u_lb"] == pytest.approx(u_lb, rel=1e-3)
    assert found.loc["C", "applied_hi_lb"] == pytest.approx(289 + 1.96 * u_lb, rel=1e-3)
    assert truck["ratio_u"] == pytest.approx(0.0204, abs=5e-4)
    assert found.loc["C", "p_over"] == pytest.approx(0.999999, abs=1e-6)
    assert found.loc["B", "p_over"] == pytest.approx(0.0017, abs=3e-4)

    route = pd.read_csv(results / "use_routes.csv").iloc[0]
    assert route["reported_lb"] == pytest.approx(587)
    assert route["cost"] == pytest.approx(587 / 2000 * 80, rel=1e-3)
    assert route["over_segments"] == 1
    # 100 tons - 0.8 loaded + 0.5065 returned = 99.7065; 99.5 counted
    pile = pd.read_csv(results / "balance.csv").iloc[0]
    assert pile["expected_ton"] == pytest.approx(99.7065)
    assert pile["difference_ton"] == pytest.approx(-0.2065)
    layers = {str(name) for name, _ in pyogrio.list_layers(results / "use.gpkg")}
    assert layers >= {"segments", "standing_mass"}
    standing = pyogrio.read_dataframe(results / "use.gpkg", layer="standing_mass")
    assert standing["mass_lb"].tolist() == [7]


def test_segments_of_no_length_change_nothing_and_accuse_nobody(three: Build):
    """5 cm where A meets B, and nothing at the start: the storm of three segments as before."""
    collection = json.loads(three_segments.routes())
    for name, ends in {"T": (0.5, 0.5 + 0.05 / MILE_M), "Z": (0.0, 0.0)}.items():
        line = np.column_stack(three_segments.lon_lat(np.array(ends))).tolist()
        one = json.loads(json.dumps(collection["features"][0]))
        one["properties"]["segment_id"] = name
        one["geometry"]["coordinates"] = line
        collection["features"].insert(1, one)
    telemetry = {"a.csv": three_segments.records()}
    plain = segments(reconcile(three(telemetry)))
    changed = three(telemetry, **{"routes.geojson": json.dumps(collection)})
    assert main(["plan", str(changed), "s1", "--no-pdf"]) == 0
    found = segments(reconcile(changed))
    columns = ["reported_lb", "passes", "applied_lb", "planned_lb", "verdict"]
    assert found.loc[plain.index, columns[-1]].equals(plain[columns[-1]])
    for name in columns[:-1]:
        assert found.loc[plain.index, name].to_numpy() == pytest.approx(plain[name].to_numpy())
    short = found.loc[["T", "Z"]]
    assert set(short["verdict"]) == {"unknown"}
    assert set(short["reason"]) == {"too short to tell who drove on it"}
    assert (short["reported_lb"] == 0).all()
    planned = pd.read_csv(changed / "results/s1/plan_segments.csv").set_index("segment_id")
    assert planned.loc["T", "mass_lb"] == pytest.approx(200 * 2 * 0.05 / MILE_M, rel=0.01)
    assert planned["achieved_rate_lb_per_lane_mile"].nunique() == 1


def test_the_points_of_the_hand_worked_storm(three: Build):
    found = points(reconcile(three({"a.csv": three_segments.records()})))
    assert found["segment_id"].tolist() == ["A"] * 10 + ["B"] * 5 + ["C"] * 12
    assert found["along"].all()
    assert found["mass_lb"].tolist() == pytest.approx(three_segments.RELEASED_LB)
    assert found["source_row"].tolist() == list(range(2, 29))
    assert found["offset_m"].max() < 0.5
    assert found["pass_id"].tolist() == [1] * 10 + [2] * 5 + [3] * 12
    assert found["status"].tolist() == ["matched"] * 21 + ["standing"] * 2 + ["matched"] * 4
    assert found["time"].iloc[0] == START


def test_the_ratio_of_the_tickets_goes_into_every_segment(three: Build):
    """Tickets say 704.4 = 1.2 x 587; one ticket against a fleet of one moves it most of the way."""
    more = three_segments.files()["storms/s1/loads.csv"].replace("1600", "1717.4")
    results = reconcile(three({"a.csv": three_segments.records()}, **{"storms/s1/loads.csv": more}))
    truck = pd.read_csv(results / "use_trucks.csv").iloc[0]
    assert 1.1 < truck["ratio"] < 1.2
    found = segments(results)
    assert found["applied_lb"].to_numpy() == pytest.approx(
        found["reported_lb"] * truck["ratio"], rel=1e-8
    )


def test_columns_of_the_contract_come_first_and_in_order(three: Build):
    results = reconcile(three({"a.csv": three_segments.records()}))
    for name, columns in CONTRACT.items():
        path = results / name
        header = (
            pq.read_schema(path).names
            if name.endswith(".parquet")
            else path.read_text().splitlines()[0].split(",")
        )
        assert header[: columns.count(",") + 1] == columns.split(","), name


def renamed(table: pd.DataFrame) -> pd.DataFrame:
    """The same records as another system exports them: names, units, local time."""
    local = pd.to_datetime(table["time"]).dt.tz_convert("America/Chicago")
    return pd.DataFrame(
        {
            "Unit": table["truck_id"],
            "Stamp": local.dt.strftime("%Y-%m-%dT%H:%M:%S"),
            "X": table["lon"],
            "Y": table["lat"],
            "Tempo": table["speed_mph"] * 1.609344,
            "Kurs": table["heading_deg"],
            "Auf": table["spreading"],
            "Menge": table["feed_total_lb"] * 0.45359237,
            "Bemerkung": "",
        }
    )


COLUMNS_TOML = """
[telemetry]
truck_id = "Unit"
time = "Stamp"
lon = "X"
lat = "Y"
speed = { column = "Tempo", unit = "km_h" }
heading_deg = "Kurs"
spreading = "Auf"
feed_total = { column = "Menge", unit = "kg" }
"""


def test_a_foreign_export_gives_the_same_storm(three: Build):
    """A pound is 0.453 592 37 kg, a mile 1.609 344 km (NIST Handbook 44, appendix C)."""
    own = segments(reconcile(three({"a.csv": three_segments.records()})))
    local = three_segments.files()["workspace.toml"].replace('"UTC"', '"America/Chicago"')
    foreign = segments(
        reconcile(
            three(
                {"a.csv": renamed(three_segments.records())},
                **{"columns.toml": COLUMNS_TOML, "workspace.toml": local},
            )
        )
    )
    numbers = ["reported_lb", "applied_lb", "passes", "planned_lb", "p_over"]
    assert foreign[numbers].to_numpy() == pytest.approx(own[numbers].to_numpy(), rel=1e-6)
    assert foreign["verdict"].tolist() == own["verdict"].tolist()


def counts_add_up(results: Path, rows: int) -> None:
    refused = pd.read_csv(results / "quarantine.csv")
    used = points(results)
    keys = ["source_file", "source_row"]
    assert len(used) + len(refused) == rows
    assert (
        not pd.concat([used[keys].astype({"source_file": str}), refused[keys]]).duplicated().any()
    )


@pytest.mark.parametrize(
    "split",
    [
        [range(27), range(27)],
        [range(15), range(10, 27)],
        [range(13, 27), range(13)],
        [range(26, -1, -1)],
        [range(0, 27, 2), range(1, 27, 2)],
    ],
    ids=["twice", "overlapping", "later file first", "backwards", "every other record"],
)
def test_files_may_repeat_overlap_and_come_in_any_order(three: Build, split: list[Iterable[int]]):
    table = three_segments.records()
    whole = segments(reconcile(three({"a.csv": table})))
    pieces = {f"{number}.csv": table.iloc[list(rows)] for number, rows in enumerate(split)}
    results = reconcile(three(pieces))
    pd.testing.assert_frame_equal(segments(results), whole)
    counts_add_up(results, sum(len(piece) for piece in pieces.values()))


def test_rows_that_cannot_be_used_are_named_with_their_reason(three: Build):
    table = three_segments.records().astype({"lat": object, "feed_total_lb": object})
    bad = table.iloc[[3, 4, 5]].copy()
    bad["time"] = ["31/12/2026", bad["time"].iloc[1], bad["time"].iloc[2]]
    bad["truck_id"] = ["T1", "T9", "T1"]
    bad["lat"] = [46.0, 46.0, "north"]
    results = reconcile(three({"a.csv": pd.concat([table, bad])}))
    counts_add_up(results, 30)
    refused = pd.read_csv(results / "quarantine.csv")
    assert refused["source_row"].tolist() == [29, 30, 31]
    assert refused["reason"].str.len().min() > 10
    assert segments(results)["reported_lb"].sum() == pytest.approx(587, rel=1e-8)


def test_mass_off_the_road_is_kept_on_a_row_of_its_own(three: Build):
    """Two records 3 km north of the road with 50 lb between them, after a silence."""
    table = three_segments.records()
    away = table.iloc[[26, 26]].copy()
    away["lat"] = 46.03
    moments = START + pd.to_timedelta([1200.0, 1230.0], unit="s")
    away["time"] = moments.strftime("%Y-%m-%dT%H:%M:%SZ")
    away["feed_total_lb"] += [0.0, 50.0]
    found = segments(reconcile(three({"a.csv": pd.concat([table, away])})))
    assert found.loc["off_route", "reported_lb"] == pytest.approx(50)
    assert found.loc["off_route", "verdict"] == "unknown"
    assert found["reported_lb"].sum() == pytest.approx(637, rel=1e-8)


def written(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in (folder / "results").rglob("*")
        if path.is_file()
    }


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("storms/s1/telemetry/a.csv", "truck_id,lon,lat\nT1,1,2\n", "s1/telemetry/a.csv:"),
        (
            "storms/s1/loads.csv",
            "ticket_id,truck_id,yard_id,loaded_at,material,net_lb\n"
            "L1,T1,Y1,2026-12-01T09:50Z,salt,much\n",
            'loads.csv:2:net_lb: "much"',
        ),
        (
            "storms/s1/telemetry/a.csv",
            "truck_id,time,lon,lat,speed_mph,spreading,feed_total_lb\n"
            "T9,2026-12-01T10:00Z,-94,46,0,1,5\n",
            "no usable record",
        ),
    ],
    ids=["header", "ticket", "nothing usable"],
)
def test_bad_input_is_exit_code_2_and_changes_no_result(
    three: Build, capsys: pytest.CaptureFixture[str], name: str, text: str, said: str
):
    folder = three({"a.csv": three_segments.records()})
    reconcile(folder)
    before = written(folder)
    capsys.readouterr()
    (folder / name).write_text(text)
    assert main(["reconcile", str(folder), "s1", "--no-pdf"]) == 2
    assert said in capsys.readouterr().err
    assert written(folder) == before


def test_without_telemetry_or_with_a_wrong_storm(three: Build, capsys: pytest.CaptureFixture[str]):
    folder = three({})
    assert main(["reconcile", str(folder), "s1", "--no-pdf"]) == 2
    assert "storms/s1/telemetry" in capsys.readouterr().err
    assert main(["reconcile", str(folder), "s9", "--no-pdf"]) == 2
    assert "name one of the storms: s1" in capsys.readouterr().err


def test_results_are_the_same_each_time(three: Build):
    folder = three({"a.csv": three_segments.records()})
    seen = []
    for _ in range(2):
        results = reconcile(folder)
        seen.append({p.name: p.read_bytes() for p in results.iterdir() if p.suffix != ".gpkg"})
    assert seen[0] == seen[1]


def test_lengths_by_hand_are_lengths_on_the_ground():
    lon, lat = three_segments.lon_lat(np.array([0.0, 1.25]))
    # a degree of longitude at 46 N is 77.465 km on WGS 84: a cos(lat) / sqrt(1 - e2 sin2 lat)
    a_m, e2 = 6_378_137.0, 0.006_694_38
    sine, cosine = np.sin(np.radians(46.0)), np.cos(np.radians(46.0))
    degree_m = np.radians(1.0) * a_m * cosine / np.sqrt(1.0 - e2 * sine**2)
    assert np.ptp(lon) * degree_m == pytest.approx(1.25 * MILE_M, rel=1e-5)
    assert np.ptp(lat) < 1e-6


RANGE = """[tolerance]
over_pct = 20
under_pct = 20
confidence = 0.95

[[rate]]
event = "light snow"
pavement_temp_min_f = 20
pavement_temp_max_f = 32
material = "salt"
rate_lb_per_lane_mile = [150, 250]
source = "this test"
"""
FORECAST = (
    "zone,start,end,event,pavement_temp_f,application\n"
    "*,2026-12-01T10:00Z,2026-12-01T12:00Z,light snow,28,1\n"
)


@pytest.mark.parametrize(("pick", "rate"), [("low", 150.0), ("", 200.0), ("high", 250.0)])
def test_a_storm_is_judged_by_the_end_of_the_range_that_was_planned(
    three: Build, pick: str, rate: float
):
    """Half a mile of two lanes: 150, 200 or 250 lb. Without a plan the middle counts."""
    folder = three(
        {"a.csv": three_segments.records()},
        **{"policy.toml": RANGE, "storms/s1/forecast.csv": FORECAST},
    )
    (folder / "storms/s1/rates.csv").unlink()
    if pick:
        assert main(["plan", str(folder), "s1", "--no-pdf", "--pick", pick]) == 0
    found = segments(reconcile(folder))
    assert found.loc["A", "planned_lb"] == pytest.approx(rate, rel=1e-4)


def test_nothing_is_judged_by_a_truck_that_cannot_have_reported_its_loads(three: Build):
    """16,000 lb were loaded and 1,013 came back, but 587 lb reported: 25 times as much."""
    folder = three(
        {"a.csv": three_segments.records()},
        **{
            "storms/s1/loads.csv": "ticket_id,truck_id,yard_id,loaded_at,material,net_lb\n"
            "L1,T1,Y1,2026-12-01T09:50Z,salt,16000\n"
        },
    )
    results = reconcile(folder)
    truck = pd.read_csv(results / "use_trucks.csv").iloc[0]
    assert truck["verdict"] == "tickets and reports disagree"
    found = segments(results)
    assert set(found["verdict"]) == {"unknown"}
    assert set(found["reason"]) == {"tickets and reports of its truck disagree"}
