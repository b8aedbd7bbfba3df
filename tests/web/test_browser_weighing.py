"""The form of a discharge test: no weight is dropped, turned into another unit, or saved unseen."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest

from spreadplan.web import create_app
from tests.web.browsers import Screen, screen
from tests.web.living import living
from tests.web.visitors import site_of

pytestmark = pytest.mark.slow


@pytest.fixture
def place(workspace) -> Iterator[tuple[Screen, Path]]:
    """A phone at the form of truck T1, whose test gave 300 lb/min at 50 % and gate 2 in."""
    folder = workspace()
    with (
        living(create_app(folder, site=site_of(folder))) as server,
        screen(server.address, "phone") as browser,
    ):
        browser.open("/trucks/T1/test")
        yield browser, folder


def rows(folder: Path, file: str) -> list[dict[str, str]]:
    with (folder / file).open(encoding="utf-8-sig", newline="") as handle:
        return list(csv.DictReader(handle))


def a_run(browser: Screen, **fields: str) -> None:
    browser.click("#safe")
    usual = {"gate_in": "2", "feeder_pct": "50", "duration_s": "60", "division": "1"}
    for name, value in {**usual, **fields}.items():
        browser.type(f"[name={name}]", value)


def save(browser: Screen) -> None:
    browser.click("#save")
    browser.until(lambda: "Saved as" in browser.text("#saved"), "it is saved")


def enter(browser: Screen, selector: str) -> str:
    """Press Enter in a field; gives the name of the field that it led to."""
    browser.one(selector).send_keys("\n")
    return str(browser.driver.switch_to.active_element.get_attribute("name"))


def test_a_weight_that_was_typed_is_saved_with_or_without_adding_it(place):
    browser, folder = place
    before = len(rows(folder, "discharge_tests.csv"))
    a_run(browser)
    assert enter(browser, "[name=duration_s]") != "", "Enter goes on, and saves nothing"
    browser.type("[name=gross]", "155")
    assert enter(browser, "[name=gross]") == "tare", "the empty weight is asked for next"
    browser.type("[name=tare]", "5")
    enter(browser, "[name=tare]")
    assert len(browser.all("#weighed li")) == 1
    assert len(rows(folder, "discharge_tests.csv")) == before, "Enter never saves"
    browser.type("[name=gross]", "154")
    assert "299" in browser.text("#net"), "what is being typed counts already"
    assert "being typed counts" in browser.text("#weighed")
    browser.picture("weighing")
    save(browser)
    assert [(r["gross_lb"], r["tare_lb"]) for r in rows(folder, "weighings.csv")[-2:]] == [
        ("155", "5"),
        ("154", "5"),
    ]


def test_a_typed_weight_that_cannot_be_stops_the_save(place):
    browser, folder = place
    before = (folder / "weighings.csv").read_bytes()
    a_run(browser, tare="5", gross="155")
    browser.click("#add")
    browser.type("[name=gross]", "4")
    browser.click("#save")
    assert "one of them is wrong" in browser.text("#faults")
    assert browser.one("[name=gross]").get_attribute("value") == "4"
    assert (folder / "weighings.csv").read_bytes() == before


def test_a_running_stopwatch_is_stopped_first(place):
    browser, _ = place
    browser.click("#safe")
    browser.type("[name=gross]", "300")
    browser.click("#start")
    browser.click("#save")
    assert "still runs" in browser.text("#faults")


def test_another_display_of_units_turns_no_weight_into_another(place):
    browser, folder = place
    a_run(browser, gross="155", tare="5")
    browser.click("#add")
    browser.type("[name=gross]", "154")
    browser.click("button[name=units]")
    browser.until(lambda: "begun in lb and in" in browser.text(), "it stays in its units")
    browser.until(lambda: browser.text("#net") == "299 lb", "the same pounds")
    assert browser.one("[name=gross]").get_attribute("value") == "154"
    browser.until(lambda: "lb/min" in browser.text("#discharge"), "the discharge as well")
    browser.picture("weighing-units")
    save(browser)
    assert [float(r["gross_lb"]) for r in rows(folder, "weighings.csv")[-2:]] == [155.0, 154.0]
    assert float(rows(folder, "discharge_tests.csv")[-1]["gate_in"]) == 2.0
    # what stays in the form for the next run is in pounds still; a form begun afresh is metric
    assert browser.one("#test-form").get_attribute("data-units") == "us"
    browser.click("#clear")
    browser.driver.switch_to.alert.accept()
    browser.until(lambda: browser.one("#test-form").get_attribute("data-units") == "metric", "kg")


@pytest.mark.parametrize(
    ("gross", "said"),
    [
        ("136", "If the scale shows kg and not lb, it is 300 lb/min"),
        ("3000", "With one zero less in the weight it is 300 lb/min"),
    ],
)
def test_a_slip_is_asked_about_before_it_is_saved(place, gross, said):
    browser, folder = place
    before = (folder / "weighings.csv").read_bytes()
    a_run(browser, gross=gross)
    browser.until(lambda: said in browser.text("#result"), "it is said while typing")
    assert browser.text("#measured") == "look again", "where the weights are typed as well"
    browser.press(browser.one("#look-again"))
    browser.picture("weighing-question")
    browser.click("#save")
    browser.until(lambda: "Nothing is saved yet" in browser.text("#faults"), "it is asked about")
    assert (folder / "weighings.csv").read_bytes() == before
    browser.click("#look-again input")
    save(browser)
    assert rows(folder, "weighings.csv")[-1]["gross_lb"] == gross
    browser.open("/history")
    assert "looked at again and kept" in browser.text()


def test_a_slip_that_was_typed_offline_comes_back_as_a_question(place):
    browser, folder = place
    before = (folder / "weighings.csv").read_bytes()
    a_run(browser)
    browser.offline(True)
    browser.type("[name=gross]", "30")
    browser.click("#save")
    browser.until(lambda: "kept on this device" in browser.text("#saved"), "it is kept")
    browser.offline(False)
    browser.until(lambda: "It is back in the form" in browser.text("#saved"), "it is asked about")
    browser.until(lambda: "one zero more" in browser.text("#look-again"), "with its question")
    assert (folder / "weighings.csv").read_bytes() == before
    browser.click("#look-again input")
    save(browser)
    assert rows(folder, "weighings.csv")[-1]["gross_lb"] == "30"


def test_a_test_has_its_date_and_who_did_it(place):
    browser, folder = place
    a_run(browser, gross="300")
    date = browser.one("[name=performed_at]").get_attribute("value")
    assert len(date) == len("2026-11-20T09:30"), "the date stands there to be seen"
    script = (
        "arguments[0].value = arguments[1];"
        "arguments[0].dispatchEvent(new Event('input', {bubbles: true}))"
    )
    browser.driver.execute_script(script, browser.one("[name=performed_at]"), "2026-10-05T14:20")
    browser.type("[name=performed_by]", "B. Shop")
    save(browser)
    written = rows(folder, "discharge_tests.csv")[-1]
    assert written["performed_at"].startswith("2026-10-05T14:20")
    assert written["performed_by"] == "B. Shop"
    browser.open("/trucks/T2/test")
    assert browser.one("[name=performed_by]").get_attribute("value") == "B. Shop"
