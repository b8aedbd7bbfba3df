"""What pages promise besides their look: saved once, in the right units, no finer than seen."""

from __future__ import annotations

import csv
import json
import re
import shutil
import statistics
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from spreadplan.resources import resource
from spreadplan.web.work import map_layers
from spreadplan.web.work.changes_tried import parse, query, what_if
from tests.web.visitors import Browser, browser, signed_in

STORM = "2026-11-28-light-snow"
TEST = {
    "material": "salt",
    "performed_at": "2026-11-20T09:00",
    "gate_in": "2",
    "feeder_pct": "50",
    "duration_s": "60",
}
WEIGHINGS = [
    {
        "method": "container",
        "gross_lb": "80",
        "tare_lb": "5",
        "count": "4",
        "scale_division_lb": "0.5",
    }
]


def rows(folder: Path, file: str) -> list[dict[str, str]]:
    with (folder / file).open(encoding="utf-8-sig", newline="") as handle:
        return list(csv.DictReader(handle))


def send(visitor: Browser, path: str, data: object):
    return visitor.post(path, json=data, headers={"x-csrf-token": visitor.token()})


# --- discharge test ----------------------------------------------------------------------------


def test_a_test_sent_twice_is_recorded_once(workspace):
    folder = workspace()
    visitor = browser(folder)
    sent = {"test_id": "T1-2026-11-20-ab", "test": TEST, "weighings": WEIGHINGS}
    first, second = (send(visitor, "/trucks/T1/tests", sent) for _ in range(2))
    assert (first.status_code, second.status_code) == (201, 200)
    assert second.json()["already_there"]
    assert [r["test_id"] for r in rows(folder, "discharge_tests.csv")].count(sent["test_id"]) == 1
    assert [r["test_id"] for r in rows(folder, "weighings.csv")].count(sent["test_id"]) == 1


def test_a_test_in_metric_units_lands_in_the_files_units(workspace):
    folder = workspace()
    test = {k: v for k, v in TEST.items() if k != "gate_in"} | {"gate_mm": "50.8"}
    weighing = {"method": "direct", "gross_kg": "136.077711", "tare_kg": "0"}
    sent = {"test_id": "T1-metric", "test": test, "weighings": [weighing]}
    assert send(browser(folder), "/trucks/T1/tests", sent).status_code == 201
    assert float(rows(folder, "discharge_tests.csv")[-1]["gate_in"]) == pytest.approx(2.0)
    assert float(rows(folder, "weighings.csv")[-1]["gross_lb"]) == pytest.approx(300.0)


def test_a_test_with_a_problem_is_refused_beside_its_field(workspace):
    folder = workspace()
    before = (folder / "discharge_tests.csv").read_bytes()
    sent = {"test_id": "T1-bad", "test": TEST | {"feeder_pct": "500"}, "weighings": WEIGHINGS}
    answer = send(browser(folder), "/trucks/T1/tests", sent)
    assert answer.status_code == 422
    assert [one["column"] for one in answer.json()["problems"]] == ["feeder_pct"]
    assert (folder / "discharge_tests.csv").read_bytes() == before


def test_the_live_discharge_is_that_of_the_calibration(workspace):
    folder = workspace()
    visitor = browser(folder)
    told = send(visitor, "/trucks/T1/try", {"test": TEST, "weighings": WEIGHINGS}).json()
    assert told["net"].startswith("300.0 ± ")  # four times 80 less 5 lb, in a minute
    assert told["discharge"].startswith("300.0 ± ")
    assert told["discharge"].endswith("lb/min")
    sent = {"test_id": "T1-live", "test": TEST, "weighings": WEIGHINGS}
    send(visitor, "/trucks/T1/tests", sent)
    recorded = visitor.get("/trucks/T1").text
    assert told["discharge"].removesuffix("\u00a0lb/min") in recorded, "recorded as it was shown"


def test_a_test_that_counts_no_more_keeps_its_figures(workspace):
    folder = workspace()
    visitor = browser(folder)
    assert visitor.do("/trucks/T1/tests/D1/void", {"why": "gate slipped"}).status_code == 303
    voided = rows(folder, "discharge_tests.csv")[0]
    assert (voided["test_id"], voided["voided_by"]) == ("D1", "gate slipped")
    assert voided["duration_s"] == "60"
    assert visitor.do("/trucks/T2/tests/D1/void", {"why": "x"}).status_code == 404


@pytest.mark.slow
def test_who_may_only_read_records_nothing(workspace):
    visitor = signed_in(workspace(), "read")
    sent = {"test_id": "T1-read", "test": TEST, "weighings": WEIGHINGS}
    assert send(visitor, "/trucks/T1/tests", sent).status_code == 403
    assert ">Test</a>" not in visitor.get("/trucks").text


# --- plan --------------------------------------------------------------------------------------


def change(*parts: object) -> str:
    return json.dumps(parts)


def test_a_change_means_the_same_in_either_system():
    us, metric = (
        what_if(parse([text]))
        for text in (change("rate", "R1", "", 300, "us"), change("rate", "R1", "", 84.55, "metric"))
    )
    assert us.rates[0][2] == 300.0
    assert metric.rates[0][2] == pytest.approx(300.0, rel=1e-3)
    colder = what_if(parse([change("warmer", "*", "", -5, "metric")]))
    assert colder.warmer == (("*", pytest.approx(-9.0)),)


def test_a_later_change_of_the_same_thing_wins():
    first, later, other = (
        change("speed", "R1", "", 20, "us"),
        change("speed", "R1", "", 30, "us"),
        change("speed", "R2", "", 25, "us"),
    )
    tried = parse([first, other, later])
    assert sorted(what_if(tried).speeds) == [("R1", 30.0), ("R2", 25.0)]
    assert parse([one.text() for one in tried]) == tried
    assert query(tried).count("c=") == 2


NONSENSE = (
    "",
    "[]",
    '["rate"]',
    '["rate","R1","","x","us"]',
    '["rate","R1","",NaN,"us"]',
    '["rate",1,"",5,"us"]',
    '["salt","R1","",5,"us"]',
    '["rate","R1","",5,"ells"]',
)


@pytest.mark.parametrize("text", NONSENSE)
def test_a_change_that_makes_no_sense_is_refused(workspace, text):
    answer = browser(workspace()).get("/plan/s1", params={"c": text})
    assert answer.status_code == 400
    assert "cannot be understood" in answer.text


def test_tried_changes_are_written_where_they_have_a_file(workspace):
    folder = workspace()
    visitor = browser(folder)
    usual = (folder / "assignments.csv").read_text()
    wanted = [
        change("rate", "R1", "1", 250, "us"),
        change("truck", "R2", "", "T1", "us"),
        change("warmer", "*", "", -3, "us"),
    ]
    fields = {"csrf": visitor.token(), "c": wanted}
    assert visitor.post("/plan/s1/keep", data=fields, follow_redirects=False).status_code == 303
    assert rows(folder, "storms/s1/rates.csv")[1] == {
        "route_id": "R1",
        "application": "1",
        "rate_lb_per_lane_mile": "250",
    }
    assert rows(folder, "storms/s1/assignments.csv") == [
        {
            "route_id": "R2",
            "truck_id": "T1",
            "yard_id": "Y1",
            "material": "salt",
            "prewet_gal_per_ton": "0",
            "from_application": "",
        }
    ]
    assert (folder / "assignments.csv").read_text() == usual, "every other storm stays as it is"
    assert rows(folder, "storms/s1/forecast.csv")[0]["pavement_temp_f"] == "22"
    assert visitor.get("/history").text.count("Take back change") == 1, "all of it is one change"


SECOND_ROUND = {
    "storms/s1/rates.csv": "route_id,application,rate_lb_per_lane_mile\n*,1,200\n*,2,200\n*,3,200\n"
}


def write(visitor: Browser, *trucks: tuple[str, str, str]) -> int:
    wanted = [change("truck", route, since, truck, "us") for route, truck, since in trucks]
    fields = {"csrf": visitor.token(), "c": wanted}
    return visitor.post("/plan/s1/keep", data=fields, follow_redirects=False).status_code


def own_trucks(folder: Path) -> list[tuple[str, str, str]]:
    return [
        (row["route_id"], row["truck_id"], row["from_application"])
        for row in rows(folder, "storms/s1/assignments.csv")
    ]


@pytest.mark.slow
def test_a_truck_takes_over_from_a_round_on_and_keeps_the_route(workspace):
    folder = workspace(SECOND_ROUND)
    visitor = browser(folder)
    shown = visitor.get("/plan/s1", params={"c": change("truck", "R1", "2", "T2", "us")}).text
    assert "R1: truck T2 from application 2 on" in shown
    assert "this storm alone" in shown
    assert "storms/s1" in shown
    assert write(visitor, ("R1", "T2", "3")) == 303
    assert write(visitor, ("R2", "T1", "2")) == 303
    assert own_trucks(folder) == [("R1", "T2", "3"), ("R2", "T1", "2")]
    assert write(visitor, ("R1", "T2", "2")) == 303
    assert own_trucks(folder) == [("R2", "T1", "2"), ("R1", "T2", "2")], "to the end of the storm"
    assert write(visitor, ("R2", "T2", "2")) == 303
    assert own_trucks(folder) == [("R2", "T2", "2"), ("R1", "T2", "2")]
    assert write(visitor, ("R1", "T1", "9")) == 422
    assert visitor.do("/history/4/undo").status_code == 303
    assert own_trucks(folder) == [("R2", "T1", "2"), ("R1", "T2", "2")]


def test_the_prewetting_of_a_truck_is_kept_in_the_unit_of_the_file(workspace):
    folder = workspace(
        {
            **SECOND_ROUND,
            "assignments.csv": "route_id,truck_id,yard_id,material,prewet_l_per_t\n"
            "R1,T1,Y1,salt,41.7\n"
            "R2,T2,Y1,salt,\n",
            "storms/s1/assignments.csv": "route_id,truck_id,yard_id,material,prewet_l_per_t\n"
            "R2,T1,Y1,salt,\n",
        }
    )
    assert write(browser(folder), ("R1", "T2", "2")) == 303
    added = rows(folder, "storms/s1/assignments.csv")[1]
    assert float(added["prewet_l_per_t"]) == pytest.approx(41.7)
    assert added["from_application"] == "2"


def test_the_prewetting_liquid_of_a_truck_is_kept(workspace):
    columns = "route_id,truck_id,yard_id,material,prewet_gal_per_ton,prewet_material\n"
    folder = workspace(
        {
            **SECOND_ROUND,
            "materials.csv": "material,kind,density_lb_gal,chemical\nsalt,solid,,NaCl\n"
            "brine,liquid,9.83,NaCl\n",
            "assignments.csv": columns + "R1,T1,Y1,salt,10,brine\nR2,T2,Y1,salt,,\n",
        }
    )
    assert write(browser(folder), ("R1", "T2", "2")) == 303
    assert rows(folder, "storms/s1/assignments.csv")[0]["prewet_material"] == "brine"


@pytest.mark.slow
def test_the_trucks_of_a_storm_stand_in_its_form(workspace):
    folder = workspace(SECOND_ROUND)
    visitor = browser(folder)
    assert write(visitor, ("R1", "T2", "2")) == 303
    form = visitor.get("/plan/s1/inputs").text
    mark = re.search(r'name="storm_assignments-2-mark" value="(\w+)"', form)
    assert mark
    row = {
        "mark": mark[1],
        "route": "R1",
        "truck": "T2",
        "yard": "Y1",
        "material": "salt",
        "prewet": "0",
        "since": "9",
    }
    fields = {f"storm_assignments-2-{name}": value for name, value in row.items()}
    refused = visitor.do("/plan/s1/inputs", fields)
    assert refused.status_code == 422
    assert "is not an application of this storm" in refused.text
    gone = {name: "" for name in fields if not name.endswith("mark")}
    assert visitor.do("/plan/s1/inputs", fields | gone).status_code == 303
    assert own_trucks(folder) == []
    assert 'value="R2"' not in visitor.get("/plan/s1/inputs").text


@pytest.mark.slow
def test_a_round_that_a_truck_waits_for_cannot_be_taken_out(workspace):
    folder = workspace(SECOND_ROUND)
    visitor = browser(folder)
    assert write(visitor, ("R1", "T2", "3")) == 303
    form = visitor.get("/plan/s1/inputs").text
    mark = re.search(r'name="rates-4-mark" value="(\w+)"', form)
    assert mark
    emptied = {
        "rates-4-mark": mark[1],
        "rates-4-route": "",
        "rates-4-application": "",
        "rates-4-start": "",
        "rates-4-rate": "",
    }
    refused = visitor.do("/plan/s1/inputs", emptied)
    assert refused.status_code == 422
    assert "storms/s1/assignments.csv" in refused.text


def test_a_speed_cannot_be_written_and_nothing_else_is_then(workspace):
    folder = workspace()
    visitor = browser(folder)
    before = (folder / "storms/s1/rates.csv").read_bytes()
    wanted = [change("rate", "R1", "1", 250, "us"), change("speed", "R1", "", 20, "us")]
    answer = visitor.post("/plan/s1/keep", data={"csrf": visitor.token(), "c": wanted})
    assert answer.status_code == 422
    assert "the file of the routes" in answer.text
    assert (folder / "storms/s1/rates.csv").read_bytes() == before


@pytest.mark.slow
def test_inputs_show_the_visitors_units_and_keep_the_files(workspace):
    folder = workspace()
    visitor = browser(folder)
    visitor.do("/preferences", {"units": "metric", "next": "/"})
    form = visitor.get("/plan/s1/inputs").text
    assert 'value="-3.889"' in form, "25 °F"
    mark = form.split('name="forecast-2-mark" value="')[1].split('"')[0]
    same = {
        "forecast-2-mark": mark,
        "forecast-2-zone": "*",
        "forecast-2-start": "2026-12-01T04:00",
        "forecast-2-end": "2026-12-01T10:00",
        "forecast-2-event": "light_snow",
        "forecast-2-temperature": "-3.889",
        "forecast-2-trend": "steady",
        "forecast-2-water": "1.27",
        "forecast-2-application": "1",
    }
    before = (folder / "storms/s1/forecast.csv").read_bytes()
    assert visitor.do("/plan/s1/inputs", same).status_code == 303
    assert (folder / "storms/s1/forecast.csv").read_bytes() == before, "nothing was changed"
    assert (
        visitor.do("/plan/s1/inputs", same | {"forecast-2-temperature": "-10"}).status_code == 303
    )
    assert float(rows(folder, "storms/s1/forecast.csv")[0]["pavement_temp_f"]) == pytest.approx(14)
    assert rows(folder, "storms/s1/forecast.csv")[0]["precipitation_in"] == "0.05"


# --- maps --------------------------------------------------------------------------------------


def network(count: int) -> gpd.GeoSeries:
    """Wiggly roads of 40 points on a grid, about 300 m each."""
    side = int(np.ceil(np.sqrt(count)))
    along = np.linspace(0.0, 0.004, 40)
    wiggle = 2e-5 * np.sin(np.arange(40))
    lines = [
        shapely.LineString(np.column_stack([x + along, y + wiggle]))
        for x in np.arange(side) * 0.005 - 95.0
        for y in np.arange(side) * 0.005 + 45.0
    ]
    return gpd.GeoSeries(lines[:count], crs="EPSG:4326")


def layer(geometry: gpd.GeoSeries, box: str, zoom: float) -> dict:
    looks = {"k": np.zeros(len(geometry), dtype=int)}
    seen = map_layers.box_of(box)
    return json.loads(map_layers.line_layer(geometry, np.arange(len(geometry)), looks, seen, zoom))


def test_a_large_network_is_sent_no_finer_and_no_farther_than_is_seen():
    geometry = network(5_000)
    far = layer(geometry, "-96,44,-94,46", 8)
    near = layer(geometry, "-94.9,45.1,-94.88,45.12", 15)
    assert not far["whole"]
    assert len(far["features"]) == 5_000
    assert {len(f["geometry"]["coordinates"]) for f in far["features"]} == {2}
    assert 10 < len(near["features"]) < 60
    assert min(len(f["geometry"]["coordinates"]) for f in near["features"]) > 10
    for one in near["features"]:
        place = one["properties"]["i"]
        drawn = shapely.LineString(one["geometry"]["coordinates"])
        # half a pixel at zoom 15, and the digits that are sent
        assert drawn.hausdorff_distance(geometry.iloc[place]) < 180 / (512 * 2**15) + 1e-5


def test_a_small_network_is_sent_whole():
    assert layer(network(20), "-94.9,45.1,-94.88,45.12", 3)["whole"]
    assert len(layer(network(20), "-94.9,45.1,-94.88,45.12", 3)["features"]) == 20


@pytest.mark.parametrize("box", ["1,2,3", "a,b,c,d", "nan,0,1,1"])
def test_a_box_that_is_none_is_refused(workspace, box):
    answer = browser(workspace()).get("/plan/s1/lines", params={"box": box})
    assert answer.status_code == 400


# --- speed -------------------------------------------------------------------------------------


@pytest.mark.slow
def test_pages_of_the_sample_county_answer_at_once(tmp_path):
    """100 ms at the median is asked for; twice that is allowed here.

    Processor time, which is what a page costs: other tests may be running.
    """
    folder = tmp_path / "w"
    shutil.copytree(resource("sample_routes") / "county", folder)
    visitor = browser(folder)
    tried = query(parse([change("rate", "R01", "", 250, "us")]))
    paths = [
        "/",
        "/trucks",
        "/trucks/TC-101",
        "/trucks/TC-101/test",
        "/plan",
        f"/plan/{STORM}",
        f"/plan/{STORM}{tried}",
        f"/plan/{STORM}/lines",
        f"/plan/{STORM}/routes/R04",
        f"/plan/{STORM}/cards",
        "/use",
        f"/use/{STORM}",
        "/season",
    ]
    medians = {}
    for path in paths:
        assert visitor.get(path).status_code == 200, path  # the first visit computes
        times = []
        for _ in range(5):
            started = time.process_time()
            visitor.get(path)
            times.append(time.process_time() - started)
        medians[path] = statistics.median(times)
    assert {path: took for path, took in medians.items() if took > 0.2} == {}
    assert statistics.median(medians.values()) < 0.1
