"""No page asks for speed on ice, and a rate from memory is said where it is read."""

from __future__ import annotations

import re

import pytest

from spreadplan import runs
from spreadplan.reports.cab_card import cab_cards
from spreadplan.reports.plan_report import PlanBackground, plan_report
from spreadplan.views.setting import setting_of
from tests.web.visitors import browser

pytestmark = pytest.mark.slow

POLICY = """
[[rate]]
event = "{event}"
material = "salt"
rate_lb_per_lane_mile = [800, 1000]
source = "a table"
provenance = "{provenance}"
"""
FORECAST = (
    "zone,start,end,event,pavement_temp_f,precipitation_in,application\n"
    "*,2026-12-01T04:00,2026-12-01T10:00,{event},29,0.05,1\n"
)


@pytest.fixture
def made(workspace):
    """A plan of one event: its folder, the report, the card of the open loop, of the closed."""

    def make(event, provenance="read"):
        folder = workspace(
            {
                "policy.toml": POLICY.format(event=event, provenance=provenance),
                "storms/s1/forecast.csv": FORECAST.format(event=event),
                "storms/s1/rates.csv": None,
            }
        )
        quiet = runs.Options(print, print, runs.no_progress, pdf=False)
        read, fleet, plan = runs.compute_plan(folder, "s1", quiet)
        setting, areas = setting_of(read.settings), read.table("sensitive_areas")
        background = PlanBackground(
            sensitive_areas=areas, yards=read.table("yards"), policy=read.policy, pick="middle"
        )
        report = plan_report(plan, fleet, background, setting)
        cards = dict(cab_cards(plan, areas, setting, fleet.as_of))
        return folder, report, cards["T1_R1_1"], cards["T2_R2_1"]

    return make


def speeds_of(card):
    """Speeds of the table of settings by speed, and the one that is marked as planned."""
    table = re.search(r'<table class="speeds">(.*?)</table>', card, re.S)[1]
    every = re.findall(r"<td[^>]*>(\d+)", table)
    return every, re.findall(r'<td class="plan">(\d+)', table)


def test_a_card_for_snow_shows_what_holds_at_a_higher_speed(made):
    _, _, open_loop, closed_loop = made("light_snow")
    assert speeds_of(open_loop) == (["15", "20", "25", "30"], ["25"])
    assert "may be icy" not in open_loop + closed_loop


@pytest.mark.parametrize("event", ["freezing_rain", "frost"])
def test_a_card_for_ice_never_goes_beyond_the_planned_speed(made, event):
    _, _, open_loop, closed_loop = made(event)
    assert speeds_of(open_loop) == (["15", "20", "25"], ["25"])
    for card in (open_loop, closed_loop):
        assert "The road may be icy: never faster than planned." in card
        assert not re.search("faster, feeder unchanged|too little comes out", card)


@pytest.mark.parametrize("event", ["freezing_rain", "light_snow"])
def test_no_page_holds_out_a_high_speed(made, event):
    _, report, *cards = made(event)
    for page in (report, *cards):
        assert not re.search(r"any speed|faster where|kept at|feeder raised", page)
    assert "no advice to drive that fast" in " ".join(report.split())
    assert ("as planned" in report) == (event == "freezing_rain")


def test_a_rate_from_memory_is_said_first_on_the_card_and_beside_the_rate(made):
    folder, report, *cards = made("freezing_rain", "from memory")
    said = report.index("Rates from memory: check them against their source")
    assert said < report.index("Nothing stops this plan") < report.index("The storm at a glance")
    weather = report[report.index("Target rates") : report.index("Need by yard")]
    assert re.search(r'900<br><span class="badge warn">from memory</span>', weather)
    for card in cards:
        assert card.count('<span class="mark alarm">?</span>') == 2, "beside the rate and below"
        assert "Rate from memory, not checked against its source: ask" in card
    visitor = browser(folder)
    for path in ("/plan/s1", "/plan/s1/routes/R1", "/plan/s1/segment?i=0"):
        assert '<span class="badge warn">from memory</span>' in visitor.get(path).text, path


def test_a_rate_that_was_read_has_no_such_mark(made):
    folder, report, *cards = made("freezing_rain", "read")
    for page in (report, *cards, browser(folder).get("/plan/s1").text):
        assert "from memory" not in page
        assert '<span class="mark alarm">?</span>' not in page
