"""Charts on the screen are those of the reports, in the page's colours and the visitor's units."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import unescape
from pathlib import Path

import pandas as pd
import pytest

from spreadplan.resources import resource
from spreadplan.views.voice import plain_name
from tests.finished_county import STORM, writable_copy
from tests.web.visitors import Browser, browser

TRUCK = "TC-101"
PAGES = {"truck": f"/trucks/{TRUCK}", "use": f"/use/{STORM}", "season": "/season"}


@pytest.fixture(scope="module")
def folder(finished_county, tmp_path_factory) -> Path:
    return writable_copy(finished_county, tmp_path_factory.mktemp("charts") / "w")


@pytest.fixture(scope="module")
def visitor(folder) -> Callable[[str], Browser]:
    visitors = {units: browser(folder) for units in ("us", "metric")}
    for units, one in visitors.items():
        one.cookies.set("spreadplan_units", units)
    return visitors.__getitem__


def charts(page: str) -> list[str]:
    return [one for one in re.findall(r"<svg.*?</svg>", page, re.DOTALL) if 'class="chart"' in one]


def said(svg: str) -> str:
    """What a chart shows, in words."""
    return unescape(re.search(r'aria-label="([^"]*)"', svg)[1])


@pytest.mark.parametrize("name", PAGES)
def test_charts_have_the_colours_of_the_page_in_light_and_dark(visitor, name):
    drawn = charts(visitor("us").get(PAGES[name]).text)
    assert drawn
    style = (resource("templates") / "static" / "app.css").read_text("utf-8")
    light, dark = (
        re.search(rf":root{which} {{(.*?)}}", style, re.DOTALL)[1]
        for which in ("", r'\[data-theme="dark"\]')
    )
    used = {colour for svg in drawn for colour in re.findall(r'(?:fill|stroke)="([^"]+)"', svg)}
    used = {colour for colour in used if not colour.startswith("url(#")} - {"none"}
    assert len(used) >= 4
    for colour in used:
        variable = re.fullmatch(r"var\((--[\w-]+)\)", colour)
        assert variable, colour
        assert f"{variable[1]}:" in light, colour
        assert f"{variable[1]}:" in dark, colour


@pytest.mark.parametrize("name", PAGES)
def test_names_inside_charts_are_unique_in_their_page(visitor, name):
    page = visitor("us").get(PAGES[name]).text
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    inside = {used for svg in charts(page) for used in re.findall(r"url\(#([^)]+)\)", svg)}
    assert inside
    assert inside <= set(ids)


@pytest.mark.parametrize(("units", "word"), [("us", "lb/min"), ("metric", "kg/min")])
def test_a_trucks_charts_say_what_its_certificate_says(visitor, units, word):
    drawn = charts(visitor(units).get(PAGES["truck"]).text)
    certificate = charts(visitor(units).get(f"{PAGES['truck']}/certificate").text)
    whole = next(said(svg) for svg in certificate if "feeder output" in said(svg))
    start = "Calibration against feeder output. "
    assert whole == start + " ".join(said(svg).removeprefix(start) for svg in drawn)
    assert len(drawn) == 4
    assert any(f">{word}</text>" in svg for svg in drawn)


def test_every_test_names_itself_under_the_mouse(visitor, folder):
    page = visitor("us").get(PAGES["truck"]).text
    tests = pd.read_csv(folder / "results" / "calibration" / "tests.csv")
    mine = tests[tests["truck_id"] == TRUCK]
    texts = [unescape(one) for one in re.findall(r"<g><title>([^<]+)</title>", page)]
    for test in mine.itertuples():
        of_it = [text for text in texts if text.startswith(f"{test.test_id}: ")]
        assert of_it
        assert all(test.valid != ("does not count" in text) for text in of_it)


@pytest.mark.parametrize("units", ["us", "metric"])
def test_the_routes_of_a_storm_are_drawn_as_in_its_report(visitor, folder, units):
    report = (folder / "results" / STORM / "use_report.html").read_text("utf-8")
    of_report = next(said(one) for one in charts(report) if "against its plan" in said(one))
    (drawn,) = charts(visitor(units).get(PAGES["use"]).text)
    assert (said(drawn) == of_report) == (units == "us")
    assert said(drawn).startswith(of_report.partition(":")[0])


def test_each_material_has_its_own_chart_of_the_season(visitor, folder):
    materials = pd.read_csv(folder / "results" / "season" / "burn_down.csv")["material"].unique()
    budgets, *drawn = charts(visitor("us").get(PAGES["season"]).text)
    assert said(budgets).startswith("Use in percent of each budget. agency, Rock salt: ")
    assert len(drawn) == len(materials)
    for material, svg in zip(sorted(materials), drawn, strict=True):
        assert f"{plain_name(material)}:" in said(svg)
