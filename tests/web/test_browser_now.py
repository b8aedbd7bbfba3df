"""A truck breaks down: from the open page to new cards, in a real browser, desk and phone."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from spreadplan.resources import resource
from spreadplan.web import create_app
from spreadplan.workspace.issued import read_issues
from tests.web.browsers import SIZES, Screen, screen
from tests.web.living import living

STORM = "2026-12-31-year-end-snow"
AT = "2026-12-31T20:50"
PAGE = f"/now/{STORM}?at={AT}"


@pytest.fixture(scope="module", params=list(SIZES))
def place(request, tmp_path_factory) -> Iterator[tuple[Screen, Path]]:
    """A browser that looks at a copy of the sample county."""
    folder = tmp_path_factory.mktemp("county") / "w"
    shutil.copytree(resource("sample_routes") / "county", folder)
    for storm in (folder / "storms").iterdir():
        if storm.name != STORM:
            shutil.rmtree(storm)
    with living(create_app(folder)) as server, screen(server.address, request.param) as browser:
        yield browser, folder


def logged(folder: Path) -> list[dict[str, str]]:
    path = folder / f"storms/{STORM}/log.csv"
    with path.open(encoding="utf-8", newline="") as handle:
        return [row for row in csv.DictReader(handle) if any(row.values())]


def pick(browser: Screen, name: str, value: str) -> None:
    """Choose in a list, as a person does: one click that opens it, one on the choice."""
    browser.click(f"#happened [name={name}]")
    browser.click(f"#happened [name={name}] option[value='{value}']")


def test_the_form_asks_only_for_what_belongs_to_what_happened(place):
    browser, _ = place
    browser.open(PAGE)

    def shown() -> list[str]:
        fields = browser.all("#happened [name]:not([type=hidden])")
        return [str(one.get_attribute("name")) for one in fields if one.is_displayed()]

    assert shown() == ["what", "truck_id", "time", "note"]
    pick(browser, "what", "stock")
    assert shown() == ["what", "yard_id", "material", "value_stock", "time", "note"]
    pick(browser, "what", "route_done")
    assert shown() == ["what", "truck_id", "route_id", "application", "time", "note"]


def test_from_a_truck_that_is_out_to_new_cards_in_four_clicks(place):
    browser, folder = place
    browser.open(PAGE)
    before = len(logged(folder))
    # four clicks: open the list, the truck, write it down, issue
    pick(browser, "truck_id", "TC-104")
    browser.click("#happened button.main")
    browser.until(lambda: browser.all(".options"), "the rest is planned unasked", 150)
    browser.picture("now-answer")
    assert logged(folder)[before:][0]["truck_id"] == "TC-104"
    assert "TC-104 out" in browser.text("#part-trucks").replace("\n", " ")
    rows = [row.text for row in browser.all(".options tbody tr")]
    assert "change nothing" in rows[0]
    assert sum("taken" in row for row in rows) == 1
    assert browser.driver.switch_to.active_element.get_attribute("id") == "ask"
    browser.click("form[data-once] button")
    browser.until(lambda: browser.all("#part-issued"), "it is issued", 60)
    browser.picture("now-issued")
    (only,) = read_issues(folder, STORM, tables=False).plans
    assert "TC-104" in only.issue.note
    card = browser.one("#part-issued .cards-list a").get_attribute("href")
    browser.driver.get(card)
    assert f"/issued/{STORM}/1/cab_cards/TC-" in card
    assert "calibration" in browser.text("body")
    assert browser.faults() == []


def test_an_entry_is_taken_back_on_the_page(place):
    browser, folder = place
    browser.open(PAGE)
    before = logged(folder)
    pick(browser, "what", "note")
    browser.type("#happened [name=note]", "drifting snow")
    browser.click("#happened button.main")
    browser.until(lambda: len(logged(folder)) == len(before) + 1, "it is written down")
    browser.until(lambda: "drifting snow" in browser.text("#part-log"), "it is shown")
    back = next(one for one in browser.all(".happenings li") if "drifting snow" in one.text)
    browser.press(back.find_element("css selector", "button"))
    browser.until(lambda: logged(folder) == before, "it is gone")
    browser.until(lambda: "drifting snow" not in browser.text("#part-log"), "it is not shown")
