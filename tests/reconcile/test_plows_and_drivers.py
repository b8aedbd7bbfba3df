"""Plows that come after the spreader, the trucks' own temperatures, and the drivers' log."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from spreadplan import runs
from spreadplan.cli import main
from spreadplan.runs.options import Options
from spreadplan.runs.reconciling import Reconciled
from tests.reconcile import three_segments

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("blank_charts")]

TWO_TRUCKS = {
    "trucks.csv": "truck_id,control,feeder,capacity_lb,gate_positions_in\n"
    "T1,closed_loop,auger,14000,2\nT2,closed_loop,auger,14000,2\n"
}
FORECAST = {
    "storms/s1/forecast.csv": "zone,start,end,event,pavement_temp_f,application\n"
    "*,2026-12-01T10:00Z,2026-12-01T12:00Z,snow,24,1\n"
}
ONE_LANE_EACH_WAY = {
    "routes.geojson": three_segments.routes().replace('"passes": 1', '"passes": 2')
}


def records(truck: str = "T1", minutes: float = 0.0, **columns: object) -> pd.DataFrame:
    """A drive along the three segments, so many minutes later."""
    table = three_segments.records().assign(truck_id=truck, **columns)
    time = pd.to_datetime(table["time"]) + pd.Timedelta(minutes=minutes)
    return table.assign(time=time.dt.strftime("%Y-%m-%dT%H:%M:%SZ"))


def plow(minutes: float, truck: str = "T2", **columns: object) -> pd.DataFrame:
    """The same drive with the plow down and the spreader off."""
    off = {"spreading": 0, "feed_total_lb": 500.0, "plow": 1, **columns}
    return records(truck, minutes, **off)


def westward(table: pd.DataFrame) -> pd.DataFrame:
    """The same drive the other way."""
    back = table.iloc[::-1][["lon", "lat", "speed_mph"]].reset_index(drop=True)
    return table.assign(**{name: back[name].to_numpy() for name in back}, heading_deg=270.0)


Run = Callable[..., Reconciled]


@pytest.fixture
def folder(tmp_path: Path) -> Callable[..., Path]:
    def written(telemetry: dict[str, pd.DataFrame], **changes: str) -> Path:
        content = three_segments.files() | TWO_TRUCKS | changes
        for name, table in telemetry.items():
            content[f"storms/s1/telemetry/{name}"] = table.to_csv(index=False)
        return three_segments.write(tmp_path / str(len(list(tmp_path.iterdir()))), content)

    return written


@pytest.fixture
def run(folder: Callable[..., Path]) -> Run:
    def reconciled(telemetry: dict[str, pd.DataFrame], **changes: str) -> Reconciled:
        quiet = Options(lambda text: None, lambda text: None, runs.no_progress)
        return runs.compute_use(folder(telemetry, **changes), "s1", quiet)

    return reconciled


def taken_off(result: Reconciled) -> float:
    """Reported mass that plows took off, of 580 lb that T1 spread while it moved."""
    table = result.use.ahead_of_plow
    if table.empty:
        return 0.0
    ratio = result.use.trucks.set_index("truck_id")["ratio"]["T1"]
    return float(table["off_lb"].sum() / ratio)


def test_a_plow_soon_after_in_the_same_lane_takes_it_off(run: Run):
    found = run({"a.csv": records(), "b.csv": plow(10.0)}, **ONE_LANE_EACH_WAY)
    assert taken_off(found) == pytest.approx(587.0, rel=0.01)
    table = found.use.ahead_of_plow
    assert table["segment_id"].tolist() == ["A", "B", "C"]
    assert set(table["plow_truck_id"]) == {"T2"}
    assert table["minutes"].to_numpy() == pytest.approx(10.0, abs=0.2)
    assert (table["off_lo_lb"] < table["off_lb"]).all()


@pytest.mark.parametrize(
    ("telemetry", "why"),
    [
        ({"a.csv": records(), "b.csv": plow(40.0)}, "it had time to work"),
        ({"a.csv": records(), "b.csv": plow(-10.0)}, "the plow went first"),
        ({"a.csv": records(), "b.csv": westward(plow(10.0))}, "the plow cleared the other lane"),
        ({"a.csv": records(), "b.csv": plow(10.0, plow=0)}, "the plow was up"),
        ({"a.csv": records(plow=1)}, "it spreads behind its own plow"),
        ({"a.csv": records(), "b.csv": plow(10.0, plow="x")}, "nobody knows of the plow"),
    ],
)
def test_what_no_plow_took_off_is_not_said(run: Run, telemetry: dict[str, pd.DataFrame], why: str):
    assert taken_off(run(telemetry, **ONE_LANE_EACH_WAY)) == 0.0, why


def test_a_pass_over_both_lanes_loses_the_half_that_is_plowed(run: Run):
    one_way = run({"a.csv": records(), "b.csv": plow(10.0)})
    assert taken_off(one_way) == pytest.approx(587.0 / 2.0, rel=0.01)
    both = run({"a.csv": records(), "b.csv": plow(10.0), "c.csv": westward(plow(20.0))})
    assert taken_off(both) == pytest.approx(587.0, rel=0.01)


def test_of_two_lanes_one_way_only_what_must_have_been_cleared_counts(run: Run):
    four = {
        "routes.geojson": three_segments.routes()
        .replace('"passes": 1', '"passes": 4')
        .replace('"lanes": 2', '"lanes": 4')
    }
    assert taken_off(run({"a.csv": records(), "b.csv": plow(10.0)}, **four)) == 0.0
    twice = {"a.csv": records(), "b.csv": plow(10.0), "c.csv": plow(15.0)}
    assert taken_off(run(twice, **four)) == pytest.approx(587.0, rel=0.01)


def test_a_road_of_two_routes_is_one_road(run: Run):
    import json

    routes = json.loads(ONE_LANE_EACH_WAY["routes.geojson"])
    twins = [json.loads(json.dumps(one)) for one in routes["features"]]
    for one in twins:
        one["properties"] |= {"route_id": "R2", "segment_id": f"2{one['properties']['segment_id']}"}
    routes["features"] += twins
    shared = {
        "routes.geojson": json.dumps(routes),
        "assignments.csv": "route_id,truck_id,yard_id,material\nR1,T1,Y1,salt\nR2,T2,Y1,salt\n",
    }
    found = run({"a.csv": records(), "b.csv": plow(10.0)}, **shared)
    assert taken_off(found) == pytest.approx(587.0, rel=0.01)
    assert set(found.use.ahead_of_plow["route_id"]) == {"R1"}


def test_what_trucks_measured_stands_beside_the_forecast(run: Run):
    cold = records(pavement_temp_f=np.linspace(19.0, 22.0, 27), air_temp_f=18.0)
    warm = records("T2", 20.0, pavement_temp_f="21", spreading=0, feed_total_lb=500.0)
    table = run({"a.csv": cold, "b.csv": warm}, **FORECAST).use.temperatures
    assert len(table) == 1
    row = table.iloc[0]
    assert row["forecast_pavement_temp_f"] == 24.0
    assert row["pavement_temp_f"] == pytest.approx(20.75, abs=0.3)
    assert 19.0 <= row["pavement_temp_low_f"] < row["pavement_temp_high_f"] <= 22.0
    assert (row["trucks"], row["verdict"]) == ("T1;T2", "colder")
    assert row["air_temp_f"] == 18.0
    alike = run({"a.csv": records(pavement_temp_f=23.0)}, **FORECAST).use.temperatures
    assert alike["verdict"].tolist() == ["as_forecast"]
    assert run({"a.csv": records()}, **FORECAST).use.temperatures.empty


# --- the drivers' log ----------------------------------------------------------------------------

HEAD = (
    "time,truck_id,route_id,application,as_card,gate_in,feeder_pct,rate_lb_per_lane_mile,"
    "surface,worked,note\n"
)


def driver_log(*rows: str) -> dict[str, str]:
    return {"storms/s1/driver_log.csv": HEAD + "".join(f"{row}\n" for row in rows)}


def test_what_the_driver_set_is_held_against_card_and_records(run: Run):
    log = driver_log(
        "2026-12-01T10:05Z,T1,R1,1,,3,,,packed,partly,",
        "2026-12-01T10:06Z,T1,R1,,true,,,,snow,yes,",
        "2026-12-01T10:07Z,T1,R1,1,,2,,400,,,",
        "2026-12-01T10:08Z,T2,R1,1,,2,,,,no,took over",
        "2026-12-01T10:09Z,T1,R1,1,,,,,ice,no,salt <b>ran</b> out",
    )
    table = run({"a.csv": records()}, **log).driver_log
    assert table["verdict"].tolist() == ["differs", "as_card", "differs", "no_card", "not_said"]
    assert table["application"].tolist() == ["1"] * 5
    assert table["card_gate_in"].iloc[0] == 2.0
    assert [one.code for one in table["what"].iloc[0]] == ["driver_set_gate"]
    codes = [one.code for one in table["what"].iloc[2]]
    assert codes[0] == "driver_set_rate"
    # 580 lb on 2.39 lane-miles, by the tickets: 244 lb per lane-mile, where 200 or 400 were set
    assert table["given_rate_lb_per_lane_mile"].iloc[0] == pytest.approx(244.0, rel=0.05)
    assert table["given_verdict"].iloc[2] == "less"
    assert table["planned_truck_id"].iloc[3] == "T1"


def test_the_report_says_it_in_words(folder: Callable[..., Path]):
    log = driver_log(
        "2026-12-01T10:05Z,T1,R1,1,,3,,,packed,partly,<script>alert(1)</script>",
    )
    both = {"a.csv": records(pavement_temp_f=20.0), "b.csv": plow(10.0)}
    place = folder(both, **log, **FORECAST, **ONE_LANE_EACH_WAY)
    assert main(["reconcile", str(place), "s1", "--no-pdf"]) == 0
    results = place / "results/s1"
    page = " ".join((results / "use_report.html").read_text().replace("\u00a0", " ").split())
    assert "he driver set gate 3 in where the card says 2 in" in page
    assert "ahead of a plow" in page
    assert "colder than forecast" in page
    assert "<script>alert" not in page
    written = pd.read_csv(results / "use_driver_log.csv")
    assert written["what"].iloc[0].startswith("the driver set gate")
    assert (results / "use_ahead_of_plow.csv").is_file()
    # what is not told any more is not left behind
    for name in ("driver_log.csv", "telemetry/b.csv"):
        (place / "storms/s1" / name).unlink()
    assert main(["reconcile", str(place), "s1", "--no-pdf"]) == 0
    assert not (results / "use_driver_log.csv").exists()
    assert not (results / "use_ahead_of_plow.csv").exists()


@pytest.mark.parametrize(
    ("row", "column", "what"),
    [
        ("soon,T1,R1,1,,2,,,,,", "time", "is not a date"),
        ("2026-12-01T10:05Z,T9,R1,1,,2,,,,,", "truck_id", "is not in trucks.csv"),
        ("2026-12-01T10:05Z,T1,R9,1,,2,,,,,", "route_id", "is not in routes"),
        ("2026-12-01T10:05Z,T1,R1,7,,2,,,,,", "application", "is not an application"),
        ("2026-12-01T10:05Z,T1,R1,1,,-2,,,,,", "gate_in", "is not possible"),
        ("2026-12-01T10:05Z,T1,R1,1,,,140,,,,", "feeder_pct", "is not possible"),
        ("2026-12-01T10:05Z,T1,R1,1,,,,1e9,,,", "rate_lb_per_lane_mile", "is not possible"),
        ("2026-12-01T10:05Z,T1,R1,1,,,,,muddy,,", "surface", "is not known"),
        ("2026-12-01T10:05Z,T1,R1,1,,,,,,maybe,", "worked", "is not known"),
        ("2026-12-01T10:05Z,T1,R1,1,,,,,,,", "*", "neither what was set nor what was seen"),
        ("2026-12-01T10:05Z,T1,R1,1,yes,3,,,,,", "as_card", "as the card says"),
        ("2026-12-09T10:05Z,T1,R1,1,,3,,,,,", "time", "after the storm"),
    ],
)
def test_a_bad_row_is_one_clear_line(
    folder: Callable[..., Path],
    capsys: pytest.CaptureFixture[str],
    row: str,
    column: str,
    what: str,
):
    place = folder({"a.csv": records()}, **driver_log(row), **FORECAST)
    assert main(["check", str(place)]) == 2
    said = [line for line in capsys.readouterr().err.splitlines() if "driver_log.csv" in line]
    assert len(said) == 1, said
    assert f"driver_log.csv:2:{column}: " in said[0]
    assert what in said[0]
