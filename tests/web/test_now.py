"""The page of a storm that runs: time line, what happened, two people at once, who may."""

from __future__ import annotations

import csv
import re
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import pytest

from spreadplan import clock
from spreadplan.runs import Options, issue
from spreadplan.workspace.issued import read_issues
from tests.faults.rig import STORM, write_county
from tests.web.visitors import browser, signed_in, site_of

pytestmark = pytest.mark.usefixtures("blank_charts")
PAGE = f"/now/{STORM}"
LOG = f"storms/{STORM}/log.csv"
#: the storm lasts from 4 to 10 o'clock on 1 December, local time
DURING = "2026-12-01T04:20"


@pytest.fixture
def county(tmp_path):
    return write_county(tmp_path / "county")


def happened(visitor, **fields: str):
    given = {"what": "truck_out", "truck_id": "T1", "time": DURING, "at": DURING, **fields}
    return visitor.do(f"{PAGE}/log", given)


def logged(county) -> list[dict[str, str]]:
    with (county / LOG).open(encoding="utf-8", newline="") as handle:
        return [row for row in csv.DictReader(handle) if any(row.values())]


def plain(text: str) -> str:
    words = re.sub(r"<(svg|script)\b.*?</\1>|<[^>]+>", " ", text, flags=re.S)
    return re.sub(r"[\s\u00a0]+", " ", words)


def line_of(page: str, truck: str) -> str:
    """The row of a truck as text."""
    row = next(one for one in page.split("<tr") if f">{truck} <span" in one)
    return plain(f"<tr{row}")


# --- the time line -----------------------------------------------------------------------------


def test_each_truck_is_told_with_what_it_does_and_what_comes_next(county):
    page = browser(county).get(f"{PAGE}?at={DURING}")
    assert page.status_code == 200
    assert re.search(r"T1 in time (spreads|on the way for|loads for) R1", line_of(page.text, "T1"))
    before = browser(county).get(f"{PAGE}?at=2026-12-01T02:00").text
    assert "has not begun R1 (1) from 04:00" in line_of(before, "T1")


def test_before_after_and_without_times_the_page_says_so(county):
    visitor = browser(county)
    assert "Spreading has not begun: it starts 2026-12-01 04:00, in 2 h 00 min" in plain(
        visitor.get(f"{PAGE}?at=2026-12-01T02:00").text
    )
    # the workspace names its own day, long after
    assert "The storm is over since 2026-12-01" in plain(visitor.get(PAGE).text)
    (county / f"storms/{STORM}/forecast.csv").unlink()
    page = plain(visitor.get(f"{PAGE}?at={DURING}").text)
    assert "The plan has no times" in page
    assert "Nothing can be said without times" in page


def test_what_is_later_than_promised_stands_on_top(county):
    with (county / "policy.toml").open("a") as policy:
        policy.write('\n[[service]]\nservice_class = "*"\nfirst_pass_min = 5\n')
    page = plain(browser(county).get(f"{PAGE}?at={DURING}").text)
    assert "Later than promised: 2 runs" in page
    assert page.index("Later than promised") < page.index("Does now")


def test_the_plan_that_was_issued_is_the_one_that_is_shown(county):
    issue(county, STORM, Options(pdf=False), at="2026-12-01T04:00", by="Ann")
    rates = county / f"storms/{STORM}/rates.csv"
    rates.write_text(rates.read_text().replace("200", "0"))  # nothing is to be spread any more
    page = browser(county).get(f"{PAGE}?at={DURING}").text
    assert "By the plan as issued: issue 1 (in force from 2026-12-01 04:00, by Ann)" in plain(page)
    assert "R1" in line_of(page, "T1")


def test_the_navigation_leads_to_a_storm_that_runs_and_to_no_other(county, monkeypatch):
    visitor = browser(county)
    assert ">Now</a></li>" not in visitor.get("/trucks").text
    assert "No storm runs at present" in visitor.get("/now").text
    assert f'href="{PAGE}"' in visitor.get(f"/plan/{STORM}").text
    monkeypatch.setattr(clock, "now", lambda: datetime(2026, 12, 1, 11, tzinfo=UTC))
    assert ">Now</a></li>" in visitor.get("/trucks").text
    assert visitor.get("/now", follow_redirects=False).headers["location"] == PAGE


def test_an_odd_moment_and_an_odd_storm_are_refused(county):
    visitor = browser(county)
    assert visitor.get(f"{PAGE}?at=soon").status_code == 400
    assert visitor.get("/now/nothing").status_code == 404
    assert happened(visitor, what="flood").status_code == 400


# --- what happened -----------------------------------------------------------------------------


def test_a_truck_that_is_out_is_written_down_and_its_runs_are_without_a_truck(county):
    visitor = browser(county)
    answer = happened(visitor, note="hydraulic <hose>")
    assert answer.status_code == 303, answer.text
    assert logged(county)[0]["what"] == "truck_out"
    assert logged(county)[0]["truck_id"] == "T1"
    page = visitor.get(f"{PAGE}?at={DURING}").text
    assert "T1 out out since 04:20 1 run without a truck" in line_of(page, "T1")
    assert "Later than promised: 1 run" in plain(page)
    assert "hydraulic &lt;hose&gt;" in page
    assert happened(visitor, what="truck_back", time="2026-12-01T04:40").status_code == 303
    later = visitor.get(f"{PAGE}?at=2026-12-01T04:45").text
    assert "T1 in time" in line_of(later, "T1")


def test_a_route_that_is_done_is_done(county):
    visitor = browser(county)
    assert happened(visitor, what="route_done", route_id="R1", application="1").status_code == 303
    page = visitor.get(f"{PAGE}?at={DURING}").text
    assert re.search(r"T1: R1, application 1, 04:00 to \d\d:\d\d, done", page)


@pytest.mark.parametrize(
    ("units", "typed", "written"),
    [("us", "1500", "1500"), ("metric", "1000", "2204.62262")],
)
def test_masses_are_typed_in_the_visitors_unit_and_stand_in_the_files(
    county, units, typed, written
):
    (county / LOG).write_text("time,what,truck_id,value_lb,yard_id,material,note\n")
    visitor = browser(county)
    visitor.cookies.set("spreadplan_units", units)
    assert happened(visitor, what="hopper", value_hopper=typed).status_code == 303
    assert logged(county)[0]["value_lb"] == written
    stock = {"what": "stock", "yard_id": "Y1", "material": "salt", "value_stock": "2"}
    assert happened(visitor, **stock).status_code == 303
    assert float(logged(county)[1]["value_lb"]) == pytest.approx(
        4000 if units == "us" else 4409.245, rel=1e-6
    )


@pytest.mark.parametrize(
    ("fields", "name", "words"),
    [
        ({"time": "soon"}, "time", "is not a date or time that exists"),
        ({"time": "2027-02-01T04:00"}, "time", "after the storm"),
        ({"truck_id": ""}, "truck_id", "Is empty, and “truck out” is about it"),
        ({"what": "hopper", "value_hopper": "-4"}, "value_hopper", "4"),
        ({"what": "truck_back"}, "what", "was not out; write “truck out” before it"),
    ],
)
def test_what_is_wrong_stands_beside_its_field_and_nothing_is_written(county, fields, name, words):
    answer = happened(browser(county), **fields, note="kept as typed")
    assert answer.status_code == 422
    assert not (county / LOG).exists()
    found = re.search(f'id="fault-{name}">(.*?)</span>', answer.text)
    assert found, plain(answer.text)
    assert words in found[1]
    assert f'aria-describedby="fault-{name}"' in answer.text
    assert 'value="kept as typed"' in answer.text


def test_two_people_who_write_the_same_at_once_are_told(county):
    site = site_of(county)
    visitors = [signed_in(county, "record", site, name) for name in ("ann", "bo")]
    with ThreadPoolExecutor(2) as pool:
        answers = list(pool.map(happened, visitors))
    assert sorted(answer.status_code for answer in answers) == [303, 422]
    assert len(logged(county)) == 1
    refused = next(answer for answer in answers if answer.status_code == 422)
    assert "is out already since the entry of 2026-12-01 04:20" in plain(refused.text)
    # different things both stand
    with ThreadPoolExecutor(2) as pool:
        notes = pool.map(lambda one: happened(one, what="note", note="x"), visitors)
        assert {answer.status_code for answer in notes} == {303}
    assert [row["what"] for row in logged(county)] == ["truck_out", "note", "note"]


def test_an_entry_is_taken_back_by_who_wrote_it_or_plans_and_stays_in_the_history(county):
    site = site_of(county)
    ann, bo = (signed_in(county, "record", site, name) for name in ("ann", "bo"))
    happened(ann)
    back = re.compile(r'action="(/history/\d+/undo)"')
    (address,) = back.findall(ann.get(f"{PAGE}?at={DURING}").text)
    assert not back.findall(bo.get(f"{PAGE}?at={DURING}").text)
    assert bo.do(address).status_code == 403
    answer = ann.do(address, {"next": f"{PAGE}?at={DURING}"})
    assert answer.headers["location"] == f"{PAGE}?at={DURING}"
    assert logged(county) == []
    assert "Nothing was written down yet" in ann.get(f"{PAGE}?at={DURING}").text
    assert "took back" in ann.get("/history").text


def test_a_truck_out_that_a_truck_back_follows_is_not_taken_back_alone(county):
    visitor = browser(county)
    happened(visitor)
    happened(visitor, what="truck_back", time="2026-12-01T04:40")
    addresses = re.findall(r'action="(/history/\d+/undo)"', visitor.get(PAGE).text)
    assert visitor.do(addresses[-1]).status_code == 422
    assert len(logged(county)) == 2


def test_a_row_that_was_written_elsewhere_is_changed_by_its_form(county):
    (county / LOG).write_text(f"time,what,truck_id,note\n{DURING},truck_out,T1,by hand\n")
    page = browser(county).get(f"{PAGE}?at={DURING}").text
    assert (
        f'href="/mend?file={LOG.replace("/", "%2F")}' in page or f'href="/mend?file={LOG}' in page
    )


def test_who_may_only_read_writes_nothing(county):
    visitor = signed_in(county, "read")
    assert happened(visitor).status_code == 403
    page = visitor.get(f"{PAGE}?at={DURING}")
    assert page.status_code == 200
    assert "Write it down" not in page.text


# --- what now ----------------------------------------------------------------------------------

ASK = f"at={DURING}&ask={DURING}"


def answered(visitor, query: str = ASK) -> str:
    """The page with its answer."""
    end = time.monotonic() + 120
    visitor.get(f"{PAGE}?{query}")
    while visitor.get(f"{PAGE}/answer?{query}").json()["state"] == "running":
        assert time.monotonic() < end, "no answer"
        time.sleep(0.1)
    return visitor.get(f"{PAGE}?{query}").text


def issue_it(visitor, **fields: str):
    return visitor.do(f"{PAGE}/issue", {"ask": DURING, "at": DURING, "by": "Ann", **fields})


def test_ways_out_stand_side_by_side_and_one_button_issues_the_plan(county):
    visitor = browser(county)
    happened(visitor)
    page = answered(visitor)
    table = plain(page[page.index('aria-label="Ways out"') :])
    assert "As assigned (change nothing)" in table
    assert "Issue it: As assigned" in table, "nobody else can take over here"
    assert 'value="truck out T1"' in page, "why is filled in with what happened"
    answer = issue_it(visitor, note="T1 is out")
    assert (answer.status_code, answer.headers["location"]) == (
        303,
        f"{PAGE}?at=2026-12-01T04%3A20#part-issued",
    )
    (only,) = read_issues(county, STORM).plans
    assert (only.issue.by, only.issue.note) == ("Ann", "T1 is out")
    assert f"{only.issue.since.tz_convert('America/Chicago'):%H:%M}" == "04:20"
    after = visitor.get(f"{PAGE}?at={DURING}").text
    cards = [name for name in only.issue.files if name.endswith(".html") and "cab_cards" in name]
    assert not any(name.split("/")[-1].startswith("T1_") for name in cards), "T1 is out"
    assert [name for name in cards if f'href="/issued/{STORM}/1/{name}"' not in after] == []
    assert "T1 out out since 04:20" in line_of(after, "T1")


def test_what_was_written_down_meanwhile_stops_the_issue_of_what_somebody_saw(county):
    site = site_of(county)
    ann, bo = (signed_in(county, "plan", site, name) for name in ("ann", "bo"))
    answered(ann)
    happened(bo, what="note", note="the bridge is closed")
    answer = issue_it(ann)
    assert answer.status_code == 409
    assert "something was written down or issued since" in plain(answer.text)
    assert read_issues(county, STORM).plans == []


def test_two_people_who_issue_at_once_make_one_issue(county):
    site = site_of(county)
    visitors = [signed_in(county, "plan", site, name) for name in ("ann", "bo")]
    for visitor in visitors:
        answered(visitor)
    with ThreadPoolExecutor(2) as pool:
        answers = list(pool.map(issue_it, visitors))
    assert sorted(answer.status_code for answer in answers) == [303, 409]
    assert len(read_issues(county, STORM).plans) == 1


def test_a_moment_outside_the_storm_is_refused_in_words(county):
    visitor = browser(county)
    page = plain(answered(visitor, "ask=2027-02-01T04:00"))
    assert "lies outside the storm" in page
    assert "Plan the rest" in page


def test_who_may_not_plan_asks_and_issues_nothing(county):
    visitor = signed_in(county, "record")
    page = visitor.get(f"{PAGE}?{ASK}").text
    assert "needs an account that may plan" in page
    assert visitor.get(f"{PAGE}/answer?{ASK}").status_code == 403
    assert issue_it(visitor).status_code == 403
