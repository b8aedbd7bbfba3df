"""What may not be used is said alike on the truck's page, certificate, plan and card."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest

from spreadplan import runs
from spreadplan.reports.cab_card import cab_cards
from spreadplan.reports.certificate import certificates, work_sheet
from spreadplan.reports.plan_report import PlanBackground, plan_report
from spreadplan.runs.what_if import plan_from, read_for_plan
from spreadplan.views.setting import setting_of
from spreadplan.views.words import WORDS
from tests.conftest import FILES
from tests.web.visitors import browser

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("blank_charts")]

COUNTY = Path(__file__).parents[2] / "sample_routes" / "county"
#: 600 and 300 lb in a minute at one and the same output
APART = {"discharge_tests.csv": FILES["discharge_tests.csv"].replace("2,100,60", "2,50,60")}


def plain(page: str) -> str:
    """The text of a page, as it is read."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", "", page)).split())


@pytest.fixture
def pages(workspace):
    """Every page about truck T1, by what it is."""

    def make(changes):
        folder = workspace(changes)
        quiet = runs.Options(print, print, runs.no_progress, pdf=False)
        read, fleet, plan = runs.compute_plan(folder, "s1", quiet)
        setting, areas = setting_of(read.settings), read.table("sensitive_areas")
        background = PlanBackground(
            sensitive_areas=areas, yards=read.table("yards"), policy=read.policy, pick="middle"
        )
        visitor = browser(folder)
        of_trucks = certificates(
            fleet, read.table("trucks"), read.table("changes"), read.policy, setting
        )
        return plan, {
            "certificate": plain(dict(of_trucks)["T1"]),
            "report": plain(plan_report(plan, fleet, background, setting)),
            "card": plain(dict(cab_cards(plan, areas, setting, fleet.as_of))["T1_R1_1"]),
            "truck": plain(visitor.get("/trucks/T1").text),
            "trucks": plain(visitor.get("/trucks").text),
            "plan": plain(visitor.get("/plan/s1").text),
            "route": plain(visitor.get("/plan/s1/routes/R1").text),
            "sheet": plain(work_sheet(setting, fleet.as_of)),
        }

    return make


def test_do_not_use_yet_stands_on_every_page(pages):
    plan, found = pages(APART)
    mine = plan.segments[plan.segments["truck_id"] == "T1"]
    assert set(mine["status"]) == {"do_not_use"}
    for name in ("certificate", "report", "card", "truck", "trucks", "plan", "route"):
        assert re.search("do not use yet", found[name], re.I), name
    # the reason, in one wording, wherever there is room for one
    why = "what comes out in a run is known within"
    for name in ("certificate", "report", "truck", "plan", "route"):
        assert why in found[name], name
    assert "no setting can be given" in found["card"]
    for name in ("certificate", "truck"):
        assert "Do not use yet" in found[name]
        assert "Calibrated, more tests advised" not in found[name]
        assert "Until it is tested, no setting of this truck can be relied on." in found[name]


def test_where_only_some_outputs_may_be_used_the_truck_is_calibrated_in_part(pages):
    one = {
        "discharge_tests.csv": FILES["discharge_tests.csv"].replace("D2,T1", "D2,T2"),
        "weighings.csv": FILES["weighings.csv"],
    }
    _, found = pages(one)
    for name in ("certificate", "truck"):
        assert "Calibrated in part" in found[name]
        assert re.search(r"do not use yet below \d+ % output", found[name]), name


def test_tests_that_contradict_each_other_are_the_headline(pages):
    """Six runs at one output in two groups 14 % apart: well known, yet something is wrong."""
    header = FILES["discharge_tests.csv"].splitlines()[0]
    masses = [279, 280, 281, 319, 320, 321]
    tests = "".join(f"D{n},T1,salt,2026-10-20,2,100,60,,1300\n" for n in range(6))
    weighings = "".join(f"D{n},direct,{mass},,,1\n" for n, mass in enumerate(masses))
    _, found = pages(
        {
            "discharge_tests.csv": f"{header}\n{tests}",
            "weighings.csv": FILES["weighings.csv"].splitlines()[0] + "\n" + weighings,
            "trucks.csv": FILES["trucks.csv"]
            .replace("_step_pct", "_step_pct,min_feeder_pct")
            .replace("2;3,5", "2;3,5,90")
            .replace("3,1\n", "3,1,0\n"),
        }
    )
    assert "Tests contradict each other" in found["trucks"]
    for name in ("certificate", "truck"):
        assert "Tests contradict each other" in found[name], name
        assert "Calibrated, more tests advised" not in found[name]


def test_the_rule_of_the_gate_is_one_on_all_paper(pages):
    rate = {"storms/s1/rates.csv": "route_id,application,rate_lb_per_lane_mile\n*,1,900\n"}
    _, found = pages(rate)
    for name in ("certificate", "report", "sheet"):
        assert WORDS["gate_rule"] in found[name], name
    assert "Gate 2 in for the whole storm: moved, no setting here holds." in found["card"]
    guide = (COUNTY.parents[1] / "templates" / "guide" / "technician.md").read_text()
    assert WORDS["gate_rule"] in guide
    for page in found.values():
        assert "From now on it stays where it is" not in page


@pytest.mark.parametrize(
    "storm",
    [
        "2026-12-08-cold-snow",
        "2026-12-31-year-end-snow",
        "2027-01-07-deep-cold",
        "2027-01-16-long-snow",
        "2027-02-04-night-snow",
    ],
)
def test_no_truck_of_the_sample_moves_its_gate_in_a_storm(storm):
    """TC-105, tested at two gates, had both in each of these storms."""
    routes = plan_from(*read_for_plan(COUNTY, storm), storm).plan.routes
    gates = routes.dropna(subset=["gate_in"]).groupby("truck_id")["gate_in"].nunique()
    assert "TC-105" in gates.index
    assert set(gates) == {1}
