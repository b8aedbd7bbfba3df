"""The page of a plan issues it once asked, lists what was issued, and changes none of it."""

from __future__ import annotations

import pytest

from spreadplan.workspace.issued import read_issues
from tests.faults.rig import STORM, write_county
from tests.web.visitors import browser, signed_in

pytestmark = pytest.mark.usefixtures("blank_charts")


@pytest.fixture
def county(tmp_path):
    return write_county(tmp_path / "county")


def issue(visitor, **fields: str):
    return visitor.do(f"/plan/{STORM}/issue", {"by": "Ann", "note": "<b>cold</b>", **fields})


def test_the_form_issues_the_plan_and_the_page_lists_it(county):
    visitor = browser(county)
    before = visitor.get(f"/plan/{STORM}").text
    assert "No plan was issued: treatments are judged by the plan that the files give now" in before
    answer = issue(visitor)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/plan/{STORM}#issues")
    page = visitor.get(f"/plan/{STORM}").text
    assert "issue 1 (in force from 2026-12-01 04:00, by Ann)" in page
    assert "&lt;b&gt;cold&lt;/b&gt;" in page
    assert f"/issued/{STORM}/1/cab_cards/T1_R1_1.html" in page
    (only,) = read_issues(county, STORM).plans
    assert (only.issue.by, only.issue.note) == ("Ann", "<b>cold</b>")


def test_a_card_of_an_issue_is_shown_as_it_was_issued_and_nothing_else_is(county):
    visitor = browser(county)
    issue(visitor)
    card = visitor.get(f"/issued/{STORM}/1/cab_cards/T1_R1_1.html")
    assert card.status_code == 200
    assert "issue 1" in card.text
    assert "script-src" not in card.headers["content-security-policy"] or (
        "script-src 'none'" in card.headers["content-security-policy"]
    )
    for name in (
        "1/nothing.html",
        ".lock",
        "1/../../rates.csv",
        "latest.json",
        "1/..%2f..%2frates.csv",
    ):
        assert visitor.get(f"/issued/{STORM}/{name}").status_code == 404, name


def test_a_time_that_cannot_be_is_said_on_the_page_and_nothing_is_issued(county):
    visitor = browser(county)
    answer = issue(visitor, at="soon")
    assert answer.status_code == 422
    assert "is not a time" in answer.text
    assert read_issues(county, STORM).plans == []


def test_who_may_only_record_issues_nothing(county):
    visitor = signed_in(county, "record")
    assert issue(visitor).status_code == 403
    assert "Issue this plan" not in visitor.get(f"/plan/{STORM}").text
    assert read_issues(county, STORM).plans == []


def test_an_account_is_named_where_nobody_else_is(county):
    visitor = signed_in(county, "plan")
    assert issue(visitor, by="").status_code == 303
    assert read_issues(county, STORM).plans[0].issue.by == "a-plan"


def test_what_was_tampered_with_is_named_on_the_page(county):
    visitor = browser(county)
    issue(visitor)
    (county / f"storms/{STORM}/issued/1/plan_routes.csv").write_text("x")
    page = visitor.get(f"/plan/{STORM}")
    assert page.status_code == 200
    assert "was changed after the plan was issued" in page.text


def test_the_page_of_the_use_says_which_plan_judged(county):
    from spreadplan.runs import Options, reconcile

    visitor = browser(county)
    issue(visitor)
    reconcile(county, STORM, Options(pdf=False))
    assert "plan in force when it was made: issue 1" in visitor.get(f"/use/{STORM}").text
