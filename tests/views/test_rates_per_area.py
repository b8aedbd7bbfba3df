"""Rates in g/m² where workspace.toml asks for them: on paper, on the screen, in the forms."""

from __future__ import annotations

import json
import re
from html import unescape
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from spreadplan import runs
from spreadplan.reports.cab_card import cab_cards
from spreadplan.reports.plan_report import PlanBackground, plan_report
from spreadplan.runs.planning import planning_workspace
from spreadplan.views.display import Display
from spreadplan.views.setting import setting_of, voice_of
from spreadplan.workspace.tomlfiles import Settings, read_settings
from tests.conftest import FILES, route_features
from tests.views.plain_names import text_of
from tests.web.visitors import browser


@pytest.fixture
def folder(workspace) -> Path:
    """Route R1 has lanes of 10 ft, R2 of the 12 ft that the workspace takes for usual."""
    routes = route_features()
    for one in routes["features"]:
        narrow = one["properties"]["route_id"] == "R1"
        one["properties"]["lane_width_ft"] = 10 if narrow else 12
    toml = FILES["workspace.toml"].replace('"us"', '"metric"\nrate_unit = "g_per_m2"')
    return workspace(
        {
            "workspace.toml": toml,
            "routes.geojson": json.dumps(routes),
            "storms/s1/rates.csv": "route_id,application,rate_g_per_m2\n*,1,80\n",
        }
    )


def test_a_rate_per_lane_mile_is_so_many_grams_per_square_meter():
    """100 lb per lane-mile of 12 ft: 45 359.237 g (NIST SP 811, 2008, appendix B) on 1 609.344 m
    times 3.6576 m."""
    shown = Display("metric", ZoneInfo("UTC"), area_lane_ft=12.0)
    expected = 45359.237 / (1609.344 * 3.6576)
    assert shown.value(100.0, "rate") == pytest.approx(expected, rel=1e-12)
    narrow = shown.rate_on_lane(np.array([100.0]), np.array([10.0]))
    assert shown.values(narrow, "rate") == pytest.approx([expected * 12.0 / 10.0])
    assert shown.show(100.0, "rate") == "7.7\u00a0g/m²"
    assert shown.unit("liquid_rate") == "L per lane-km"


def test_who_asks_for_another_system_gets_its_rates():
    metric = Settings(
        name="x", units="metric", timezone=ZoneInfo("UTC"), rate_unit="g_per_m2", lane_width_ft=12.0
    )
    assert voice_of(metric).display.unit("rate") == "g/m²"
    assert voice_of(metric, units="us").display.unit("rate") == "lb/lane-mile"


def test_another_unit_of_rates_is_refused(tmp_path):
    path = tmp_path / "workspace.toml"
    path.write_text('[workspace]\nname = "x"\nunits = "us"\ntimezone = "UTC"\nrate_unit = "g_m2"\n')
    _, (problem,) = read_settings(path)
    assert str(problem) == (
        "workspace.toml:0:workspace.rate_unit: is 'g_m2'; write rate_unit = \"g_per_m2\", or leave "
        "it out for lb per lane-mile or kg per lane-km"
    )


@pytest.mark.slow
def test_report_and_cards_show_the_rate_that_was_given_on_every_lane(folder):
    quiet = runs.Options(print, print, runs.no_progress, pdf=False)
    read, fleet, plan = runs.compute_plan(folder, "s1", quiet)
    setting, areas = setting_of(read.settings), read.table("sensitive_areas")
    background = PlanBackground(
        sensitive_areas=areas, yards=read.table("yards"), policy=read.policy, pick="middle"
    )
    report = text_of(plan_report(plan, fleet, background, setting))
    cards = {name: text_of(page) for name, page in cab_cards(plan, areas, setting, fleet.as_of)}
    for text in (report, *cards.values()):
        assert "g/m²" in text
        assert not re.search(r"(?:lb|kg)/lane", text)
    assert re.search(r"Map of 2\u00a0routes, rates [0-9.]+ to 80\.0\u00a0g/m²", report)
    assert re.search(r"light snow −3\.9 1\.3 80\.0 ", report)
    assert re.search(r"set rate, g/m² .*? 76 80 ", cards["T2_R2_1"])
    assert re.search(r"(?:79|7[89]\.\d)\sg/m²", cards["T1_R1_1"])  # as set, in whole steps


@pytest.mark.slow
def test_pages_and_forms_speak_of_grams_per_square_meter(folder):
    visitor = browser(folder)
    page = text_of(visitor.get("/plan/s1").text)
    assert re.search(r"R1 T1 [a-z ]+ 80 ", page), page
    assert "New rate g/m²" in page
    tried = visitor.get(
        "/plan/s1",
        params={"try": "rate", "rate_whom": "R1", "rate_value": "70"},
        follow_redirects=False,
    ).headers["location"]
    page = text_of(visitor.get(tried).text)
    assert "R1: rate 70\u00a0g/m²" in page
    assert re.search(r"R1 T1 [a-z ]+ 70 ", page)
    text = unescape(re.findall(r'name="c" value="([^"]+)"', visitor.get(tried).text)[0])
    assert visitor.do("/plan/s1/keep", {"c": text}).status_code == 303
    table = planning_workspace(folder, "s1").table("rates", "s1")
    assert dict(zip(table["route_id"], table["rate_g_per_m2"], strict=True)) == {"*": 80, "R1": 70}
    form = text_of(visitor.get("/plan/s1/inputs").text)
    assert "Rate, g/m²" in form


def test_a_file_in_grams_is_edited_in_grams_whoever_looks_at_it(folder):
    toml = folder / "workspace.toml"
    toml.write_text(FILES["workspace.toml"])
    visitor = browser(folder)
    page = visitor.get("/plan/s1/inputs").text
    assert "Rate, g/m²" in text_of(page)
    assert re.search(r'name="rates-2-rate" value="80"', page)
