"""Every report of a workspace that is made to break them."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import numpy as np
import pytest

from spreadplan.reports import charts
from tests.reports.hard_workspace import LONG, SCRIPT, TEMPLATE, Hard

#: columns of plain counts or of values that carry their unit in the cell.
WITHOUT_UNIT = {
    "Loads",
    "Tests",
    "Counts until",
    "Time",
    "95 % at middle",
    "95 % at worst",
    "Holds until",
    "Needed until",
}
UNITS = re.compile(
    r"(, (in|mm|%|s|lb|kg|tons|t|lb/min|kg/min|°F|°C|mph|km/h|lane-mi|lane-km|lb/lane-mile|"
    r"kg/lane-km|lb per count|kg per count)$)|^(at most \(95 %\), (tons|t)|lane-mi|lane-km|mph|"
    r"km/h|lb per count|kg per count|set|appl\. .*|Tested, % output)$"
)


def test_names_are_shown_as_text_and_never_run(pages):
    for name, page in pages.items():
        assert SCRIPT not in page, name
        assert "<script" not in page.lower(), name
        assert "<b>frontage" not in page, name
    certificate = pages[f"us_certificate_{TEMPLATE}"]
    assert "{{7*7}}{% raw %}" in re.sub("<wbr>", "", certificate)
    assert "&lt;script&gt;" in re.sub("<wbr>", "", pages[f"us_certificate_{SCRIPT}"])


def test_pages_ask_no_other_host_and_read_no_file(pages):
    for name, page in pages.items():
        addresses = set(re.findall(r"(?:https?:|file:|//)[^\s\"'<>)]+", page))
        assert addresses <= {
            "http://www.w3.org/2000/svg",
            "http://www.w3.org/1999/xlink",
            "//www.w3.org/2000/svg",
            "//www.w3.org/1999/xlink",
        }, name
        assert "<link" not in page
        assert "@import" not in page


def test_every_chart_is_described_and_its_names_are_unique(pages):
    charts_seen = 0
    for name, page in pages.items():
        assert "<img" not in page, name
        for svg in re.findall(r"<svg.*?</svg>", page, re.DOTALL):
            charts_seen += 1
            title = re.search(r"<title>([^<]+)</title>", svg)
            assert title, name
            assert len(title[1]) > 20, name
            assert 'role="img"' in svg
            assert f'aria-label="{title[1]}"' in svg
        ids = re.findall(r'\bid="([^"]+)"', page)
        assert len(ids) == len(set(ids)), name
        for used in re.findall(r'(?:url\(|href=")#([^)"]+)', page):
            assert used in ids, name
    assert charts_seen > 10


class Columns(HTMLParser):
    """The text of each header cell of class n."""

    def __init__(self) -> None:
        super().__init__()
        self.headers: list[str] = []
        self._inside = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "th" and dict(attrs).get("class") == "n":
            self._inside = True
            self.headers.append("")

    def handle_endtag(self, tag: str) -> None:
        if tag == "th":
            self._inside = False

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.headers[-1] += data


def test_every_column_of_numbers_has_its_unit(pages):
    seen = 0
    for name, page in pages.items():
        found = Columns()
        found.feed(page)
        for header in found.headers:
            text = " ".join(header.split())
            seen += 1
            assert text in WITHOUT_UNIT or UNITS.search(text), f"{name}: {text!r}"
    assert seen > 100


def test_metric_workspace_shows_metric_units(pages):
    card = pages[next(name for name in pages if name.startswith("metric_card"))]
    assert "km/h" in card
    assert "mph" not in card
    assert "lane-mile" not in card
    assert "size: A4" in card
    assert "size: letter" in pages["us_plan"]


def test_problems_come_first(pages):
    plan = pages["us_plan"]
    order = [
        "to solve before the storm",
        "at a glance",
        "Planned rates",
        "Need by yard",
        "Routes",
        "Does it work",
        "Where the rates come from",
        "Calibrations in force",
        "How this was worked out",
    ]
    places = [plan.index(text) for text in order]
    assert places == sorted(places)


def test_certificate_states_validity(pages):
    assert "Not calibrated" in pages["us_certificate_never"]
    assert "it was never tested" in pages["us_certificate_never"]
    long = re.sub("<wbr>", "", pages[f"us_certificate_{LONG}"])
    assert "2027-10-01" in long  # the oldest valid test, 2026-10-01, and 365 days
    assert "voided: the container was not empty" in long


def test_certificate_names_the_cautions(pages):
    text = pages["us_certificate_never"]
    for caution in (
        "Two people",
        "Eye protection",
        "gloves",
        "safety boots",
        "Stay clear",
        "spinner",
        "maker's instructions",
        "wheels chocked",
        "same driver",
        "Tare",
    ):
        assert caution in text.replace("&#39;", "'")


def test_card_shows_what_the_plan_sets(hard_us: Hard, pages):
    card = pages[next(name for name in pages if name.startswith("us_card_7-7"))]
    settings = hard_us.plan.settings
    mine = settings[(settings["route_id"] == "../one") & settings["gate_in"].notna()]
    assert len(mine) == 1, "in the later rounds its one test leaves too much in doubt"
    for one in mine.itertuples():
        assert f"<td>{one.feeder_pct:g}</td>" in card
        assert f"<td>{one.gate_in:g}</td>" in card
        assert f"<td>{one.achieved_rate_lb_per_lane_mile:.0f}</td>" in card


def test_untested_truck_gets_no_setting(pages):
    card = pages["us_card_never_untested_1"]
    assert card.count("no setting can be given") >= 2
    assert "Ask before you spread" in card


def test_no_comparable_tests_no_control_chart(hard_us: Hard):
    none = hard_us.calibration.drift.iloc[:0]
    tests = hard_us.calibration.tests
    changes = hard_us.workspace.table("changes")
    assert charts.drift_chart(none, tests, changes, hard_us.setting.voice) is None


def test_charts_are_the_same_every_time(hard_us: Hard):
    models = [one for key, one in hard_us.calibration.models.items() if key[0] == LONG]
    tests = hard_us.calibration.tests
    mine = tests[tests["truck_id"] == LONG]
    first, second = (
        charts.discharge_curves(models, mine, hard_us.setting.voice).svg() for _ in range(2)
    )
    assert first == second


@pytest.mark.parametrize("missing", ["on_hand_lb", "needed_hi_lb"])
def test_need_chart_bears_missing_values(hard_us: Hard, missing):
    yards = hard_us.plan.yards
    columns = {
        f"{name}_lb": yards[f"{name}_ton"] * 2000.0 for name in ("needed", "needed_hi", "on_hand")
    }
    chart = charts.need_by_yard(
        yards.assign(**columns).assign(**{missing: np.nan}), hard_us.setting.voice
    )
    assert "needed" in chart.svg()
