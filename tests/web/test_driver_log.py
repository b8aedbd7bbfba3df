"""The drivers' log on the screen: the form of a card, all entries, two people at once, who may."""

from __future__ import annotations

import csv
import re
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import pytest

from spreadplan import clock
from tests.faults.rig import STORM, write_county
from tests.web.visitors import browser, signed_in, site_of

pytestmark = pytest.mark.usefixtures("blank_charts")
LOG = f"storms/{STORM}/driver_log.csv"
ALL = f"/plan/{STORM}/drivers"
FORM = f"{ALL}/T1_R1_1"
#: the storm lasts from 4 to 10 o'clock on 1 December, local time
DURING = "2026-12-01T04:30"


@pytest.fixture
def county(tmp_path):
    return write_county(tmp_path / "county")


def logged(county) -> list[dict[str, str]]:
    with (county / LOG).open(encoding="utf-8", newline="") as handle:
        return [row for row in csv.DictReader(handle) if any(row.values())]


def plain(text: str) -> str:
    return re.sub(r"[\s\u00a0]+", " ", re.sub(r"<[^>]+>", " ", text))


def write(visitor, **fields: str):
    return visitor.do(FORM, {"time": DURING, **fields})


def test_what_was_set_and_seen_is_written_down_beside_the_card(county):
    visitor = browser(county)
    page = visitor.get(FORM)
    assert page.status_code == 200
    assert "Not while moving: stop in a safe place first." in page.text
    assert "200 lb/lane-mile" in plain(page.text)
    answer = write(visitor, rate="300", surface="packed", worked="partly", note="drifts <b>")
    assert answer.status_code == 303, answer.text
    (row,) = logged(county)
    assert {name: row[name] for name in ("time", "truck_id", "route_id", "application")} == {
        "time": DURING,
        "truck_id": "T1",
        "route_id": "R1",
        "application": "1",
    }
    assert (row["rate_lb_per_lane_mile"], row["surface"], row["worked"]) == (
        "300",
        "packed",
        "partly",
    )
    for address in (FORM, ALL):
        shown = visitor.get(address).text
        said = "The driver set 300 lb/lane-mile where the card says 200 to 200 lb/lane-mile"
        assert said.replace("200 to 200", "200") in plain(shown) or said in plain(shown)
        assert "drifts <b>" not in shown
    # it can be taken back
    number = re.search(r'/history/(\d+)/undo"', visitor.get(FORM).text)
    assert number
    visitor.do(f"/history/{number[1]}/undo", {"next": FORM})
    assert logged(county) == []


def test_the_card_leads_to_its_form_and_the_list_of_cards_too(county):
    visitor = browser(county)
    assert f'href="{FORM}"' in visitor.get(f"/plan/{STORM}/cards").text
    assert f'href="{FORM}"' in visitor.get(f"/plan/{STORM}/cards/T1_R1_1").text
    sheet = visitor.get(f"/plan/{STORM}/driver_sheet").text
    assert "Truck T1" in sheet
    assert "Not while moving" in sheet


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, "Says neither what was set nor what was seen"),
        ({"gate": "300"}, "300 is not possible here"),
        ({"gate": "three"}, "is not a number"),
        ({"feeder_pct": "-1"}, "-1 is not possible here"),
        ({"rate": "1e9"}, "1e9 is not possible here"),
        ({"surface": "muddy"}, "is not known"),
        ({"worked": "yes", "time": "2027-01-20T04:30"}, "after the storm"),
        ({"worked": "yes", "time": "soon"}, "is not a date"),
        ({"as_card": "true", "gate": "2"}, "as the card says"),
        ({"note": "=HYPERLINK(1)"}, "begins like a formula"),
    ],
)
def test_what_cannot_be_is_said_beside_its_field_and_nothing_is_written(county, fields, said):
    answer = write(browser(county), **fields)
    assert answer.status_code == 422
    assert said in plain(answer.text)
    assert "Nothing was written down." in answer.text
    assert not (county / LOG).exists()
    if fields.get("gate") == "300":
        assert 'value="300"' in answer.text  # what was typed stays


def test_metric_units_go_into_the_columns_of_the_file(county):
    visitor = browser(county)
    assert write(visitor, rate="300", gate="3").status_code == 303
    visitor.cookies.set("spreadplan_units", "metric")
    assert write(visitor, rate="100", gate="50.8").status_code == 303
    first, second = logged(county)
    assert float(first["gate_in"]) == 3.0
    assert float(second["gate_in"]) == pytest.approx(2.0)
    assert float(second["rate_lb_per_lane_mile"]) == pytest.approx(354.8, abs=0.1)


def test_two_drivers_at_once_lose_nothing(county):
    site = site_of(county)
    visitors = [browser(county, site=site) for _ in range(4)]
    with ThreadPoolExecutor(4) as pool:
        answers = list(
            pool.map(lambda one: write(one[1], note=f"entry {one[0]}"), enumerate(visitors))
        )
    assert [one.status_code for one in answers] == [303] * 4
    assert sorted(row["note"] for row in logged(county)) == [f"entry {n}" for n in range(4)]


def test_while_the_storm_runs_the_present_counts(county, monkeypatch):
    monkeypatch.setattr(clock, "now", lambda: datetime(2026, 12, 1, 11, 20, tzinfo=UTC))
    visitor = browser(county)
    assert "(empty: now)" in visitor.get(FORM).text
    assert visitor.do(FORM, {"surface": "slush"}).status_code == 303
    zone = logged(county)[0]["time"]
    assert zone in ("2026-12-01T05:20", "2026-12-01T11:20")


def test_who_may_only_read_cannot_write(county):
    reader = signed_in(county, "read")
    page = reader.get(FORM)
    assert page.status_code == 200
    assert "Write it down" not in page.text
    assert write(reader, surface="wet").status_code == 403
    assert not (county / LOG).exists()


def test_odd_addresses_are_refused_and_a_spoilt_log_does_not_stop_the_pages(county):
    visitor = browser(county)
    assert visitor.get(f"{ALL}/T9_R9_9").status_code == 404
    assert visitor.get("/plan/nothing/drivers").status_code == 404
    assert visitor.do(f"{ALL}/..%2Fx", {"surface": "wet"}).status_code in (404, 405)
    (county / LOG).write_text("time,truck_id,route_id,surface\nsoon,T1,R1,wet\n")
    assert visitor.get(ALL).status_code == 200
    assert visitor.get(FORM).status_code == 200
    (county / LOG).write_bytes(b"\xff\xfe\x00rubbish")
    assert visitor.get(ALL).status_code == 200
    assert visitor.get(f"/plan/{STORM}").status_code == 200
