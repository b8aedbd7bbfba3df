"""The four users' jobs, each from start to end, in a real browser on a desk and on a phone."""

from __future__ import annotations

import csv
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from spreadplan.resources import resource
from spreadplan.web import create_app
from spreadplan.web.work.jobs import Jobs
from tests.finished_county import writable_copy
from tests.web.browsers import SIZES, Screen, screen
from tests.web.living import living
from tests.web.visitors import WITHOUT_PDF, site_of

KEPT = ("2026-11-21-first-snow", "2026-11-28-light-snow")
STORM = KEPT[1]


@pytest.fixture(scope="module", params=list(SIZES))
def place(request, tmp_path_factory) -> Iterator[tuple[Screen, Path]]:
    """A browser that looks at a copy of the sample county with two storms."""
    folder = tmp_path_factory.mktemp("county") / "w"
    shutil.copytree(resource("sample_routes") / "county", folder)
    for storm in (folder / "storms").iterdir():
        if storm.name not in KEPT:
            shutil.rmtree(storm)
    site = site_of(folder)
    site.jobs = Jobs(folder, WITHOUT_PDF)
    app = create_app(folder, site=site)
    with living(app) as server, screen(server.address, request.param) as browser:
        yield browser, folder


def rows(folder: Path, file: str) -> list[dict[str, str]]:
    with (folder / file).open(encoding="utf-8-sig", newline="") as handle:
        return list(csv.DictReader(handle))


# --- shop technician ---------------------------------------------------------------------------


def fill_in(browser: Screen) -> None:
    """Two containers of 61 and 59.5 lb net, caught in 60.9 s."""
    browser.click("#safe")
    browser.press(next(b for b in browser.all("[data-set]") if b.text.startswith("3")))
    browser.type("[name=feeder_pct]", "30")
    browser.type("[name=duration_s]", "60.9")
    browser.type("[name=division]", "0.5")
    for gross, tare in (("67", "6"), ("65.5", "6")):
        browser.type("[name=gross]", gross)
        browser.type("[name=tare]", tare)
        browser.click("#add")


def test_the_technician_records_a_test_though_the_connection_drops(place):
    browser, folder = place
    before = len(rows(folder, "discharge_tests.csv"))
    browser.open("/trucks")
    first = browser.one("section.truck")
    assert "TC-106" in first.text, "the truck without a valid test comes first"
    assert "Not calibrated" in first.text
    browser.press(first.find_element("link text", "Test"))
    assert "Stay clear of the turning auger" in browser.text(".test > section"), "cautions first"

    fill_in(browser)
    assert browser.text("#net") == "120.5 lb"
    # 120.5 lb in 60.9 s is 118.7 lb/min
    browser.until(lambda: "118.7" in browser.text("#discharge"), "the discharge is shown")
    assert "±" in browser.text("#discharge")
    assert "lb/min" in browser.text("#discharge")
    assert "ong enough" in browser.text("#result")
    browser.picture("test-filled")

    browser.driver.refresh()
    browser.until(lambda: "118.7" in browser.text("#discharge"), "a reload loses nothing")
    assert browser.one("[name=feeder_pct]").get_attribute("value") == "30"
    assert len(browser.all("#weighed li")) == 2

    browser.offline(True)
    browser.click("#save")
    browser.until(lambda: "kept on this device" in browser.text("#saved"), "it is kept")
    browser.picture("test-offline")
    assert len(rows(folder, "discharge_tests.csv")) == before
    browser.offline(False)
    browser.until(lambda: "Saved as TC-106-" in browser.text("#saved"), "it is sent")
    recorded = rows(folder, "discharge_tests.csv")[before:]
    assert [(r["truck_id"], r["gate_in"], r["feeder_pct"], r["duration_s"]) for r in recorded] == [
        ("TC-106", "3", "30", "60.9")
    ]
    weights = [r for r in rows(folder, "weighings.csv") if r["test_id"] == recorded[0]["test_id"]]
    assert [r["gross_lb"] for r in weights] == ["67", "65.5"]
    browser.faults()  # being offline was complained of, rightly

    browser.open("/trucks/TC-106")
    assert recorded[0]["test_id"] in browser.text()
    browser.open("/trucks/TC-106/certificate")
    assert "TC-106" in browser.text("main, body")


def test_the_stopwatch_times_a_run_even_over_a_reload(place):
    browser, _ = place
    browser.open("/trucks/TC-105/test")
    browser.click("#start")
    started = time.monotonic()
    assert browser.one("#start").text == "Stop"
    browser.driver.refresh()
    browser.until(lambda: browser.one("#start").text == "Stop", "it still runs")
    browser.click("#start")
    told = float(browser.one("[name=duration_s]").get_attribute("value"))
    assert told == pytest.approx(time.monotonic() - started, abs=0.6)
    assert told > 0.1


def test_a_run_too_short_is_told_how_long_would_do(place):
    browser, _ = place
    browser.open("/trucks/TC-107/test")
    browser.type("[name=gate_in]", "3")
    browser.type("[name=feeder_pct]", "60")
    browser.type("[name=duration_s]", "8")
    browser.type("[name=division]", "5")
    browser.type("[name=gross]", "40")
    browser.type("[name=tare]", "5")
    browser.click("#add")
    browser.until(lambda: "Run longer: at least" in browser.text("#result"), "advice")
    browser.type("[name=feeder_pct]", "160")
    browser.until(
        lambda: browser.one("[name=feeder_pct]").get_attribute("aria-invalid") == "true",
        "the field that is wrong says so",
    )


def test_a_test_that_is_refused_comes_back_into_the_form(place):
    browser, folder = place
    browser.open("/trucks/TC-104/test")
    before = (folder / "discharge_tests.csv").read_bytes()
    fill_in(browser)
    browser.type("[name=feeder_pct]", "160")
    browser.click("#save")
    browser.until(lambda: "It is back in the form" in browser.text("#saved"), "it is back")
    assert browser.one("[name=feeder_pct]").get_attribute("aria-invalid") == "true"
    assert len(browser.all("#weighed li")) == 2
    assert (folder / "discharge_tests.csv").read_bytes() == before
    browser.type("[name=feeder_pct]", "60")
    browser.until(lambda: browser.all("#look-again input"), "it is less than the truck gives")
    browser.click("#look-again input")
    browser.click("#save")
    browser.until(lambda: "Saved as TC-104-" in browser.text("#saved"), "put right, it is saved")
    browser.faults()  # the refusal was complained of, rightly


# --- planner -----------------------------------------------------------------------------------


def try_rate(browser: Screen, route: str, rate: str) -> float:
    """Try a rate; gives how long until its effect is shown, s."""
    browser.one("[name=rate_whom]").send_keys(route)
    browser.type("[name=rate_value]", rate)
    button = browser.one("button[value=rate]")
    browser.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
    started = time.monotonic()
    button.click()
    browser.until(
        lambda: f"{route}: rate {rate} lb/lane-mile" in browser.text("#part-tried"), "the effect"
    )
    return time.monotonic() - started


def test_the_planner_tries_compares_writes_and_prints(place):
    browser, folder = place
    browser.open("/plan")
    browser.press(browser.one(f'a[href="/plan/{STORM}"]'))
    sections = [s.get_attribute("id") for s in browser.all("main section.card[id]")]
    assert sections.index("part-problems") < sections.index("part-routes")
    assert "no valid discharge test" in browser.text("#part-problems") or (
        "cannot get the target rate" in browser.text("#part-problems")
    )
    browser.until(lambda: browser.one("#map").get_attribute("data-loaded"), "the map is drawn")
    assert int(browser.one("#map").get_attribute("data-loaded")) == 407
    browser.picture("plan")

    # a second on a quiet computer; how quick it is, is no matter of a test
    assert try_rate(browser, "R01", "250") < 10.0
    assert "Rock salt" in browser.text("#part-tried")
    assert "c=" in browser.driver.current_url, "the address can be sent to someone"
    browser.press(browser.one("[data-keep]"))
    browser.driver.switch_to.alert.send_keys("More on R01")
    browser.driver.switch_to.alert.accept()
    browser.until(lambda: "More on R01" in browser.text("#scenarios"), "the scenario is listed")
    browser.click("#compare")
    browser.until(lambda: "Two plans side by side" in browser.text(), "both plans")
    assert "R01: rate 250 lb/lane-mile" in browser.text()
    first = browser.one("section[aria-label=Routes] tbody tr")
    assert "R01" in first.text, "the route that differs most comes first"
    browser.picture("compare")

    browser.driver.back()
    browser.until(lambda: "R01: rate 250" in browser.text("#part-tried"), "back at the plan")
    browser.press(browser.one("#part-tried form button"))
    browser.until(lambda: not browser.text("#part-tried").strip(), "written")
    written = [r for r in rows(folder, f"storms/{STORM}/rates.csv") if r["route_id"] == "R01"]
    assert [(r["application"], r["rate_lb_per_lane_mile"]) for r in written] == [("*", "250")]

    browser.open(f"/plan/{STORM}/cards")
    browser.press(next(a for a in browser.all(".cards-list a") if "R01" in a.text))
    assert "R01" in browser.text("body")
    assert browser.faults() == []


def test_a_click_on_the_map_tells_of_the_segment(place):
    browser, _ = place
    browser.open(f"/plan/{STORM}")
    browser.until(lambda: browser.one("#map").get_attribute("data-loaded"), "the map is drawn")
    # a route's name stands on the middle of its longest segment, and lets clicks through
    name = next(m for m in browser.all(".mark.route") if m.text == "R12")
    browser.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", name)
    time.sleep(0.5)  # until it is painted
    webdriver = browser.driver
    at = webdriver.execute_script(
        "const b = arguments[0].getBoundingClientRect();"
        "return [b.left + b.width / 2, b.top + b.height / 2]",
        name,
    )
    for kind in ("mousePressed", "mouseReleased"):
        webdriver.execute_cdp_cmd(
            "Input.dispatchMouseEvent",
            {"type": kind, "x": at[0], "y": at[1], "button": "left", "clickCount": 1},
        )
    browser.until(lambda: "route R12" in browser.text("#segment"), "the segment")
    assert "Rate wanted" in browser.text("#segment")
    browser.picture("plan-segment")


def test_a_change_that_cannot_be_is_refused_in_words(place):
    browser, _ = place
    browser.open(f"/plan/{STORM}")
    browser.type("[name=speed_value]", "500")
    browser.press(browser.one("button[value=speed]"))
    browser.until(lambda: "at most 75 mph" in browser.text("#try-fault"), "the reason")
    browser.faults()


def test_a_new_storm_from_a_forecast(place):
    browser, folder = place
    browser.open("/storms/new")
    name = f"2026-12-05-{'phone' if browser.phone else 'desk'}"
    browser.type("[name=name]", name)
    row = "forecast-new0"
    for column, text in {
        "zone": "*",
        "start": "2026-12-05T04:00",
        "end": "2026-12-05T10:00",
        "event": "light_snow",
        "temperature": "warm",
        "trend": "steady",
        "application": "1",
    }.items():
        browser.type(f"[name={row}-{column}]", text)
    browser.click("form.stack button.main")
    browser.until(lambda: "Nothing was saved" in browser.text(), "what is wrong")
    assert "pavement temp" in browser.text(".box.bad")
    assert browser.one(f"[name={row}-start]").get_attribute("value") == "2026-12-05T04:00"
    browser.type(f"[name={row}-temperature]", "24")
    browser.click("form.stack button.main")
    browser.until(lambda: f"/plan/{name}" in browser.driver.current_url, "the plan")
    assert rows(folder, f"storms/{name}/forecast.csv")[0]["pavement_temp_f"] == "24"
    shutil.rmtree(folder / "storms" / name)
    browser.faults()


# --- superintendent ----------------------------------------------------------------------------


def test_the_superintendent_drops_files_in_and_sees_what_went_where(place, tmp_path):
    browser, folder = place
    telemetry = folder / "storms" / STORM / "telemetry"
    moved = tmp_path / "fleet.parquet"
    shutil.move(telemetry / "fleet.parquet", moved)
    browser.open(f"/use/{STORM}")
    assert "no telemetry yet" in browser.text()
    browser.one("#files").send_keys(str(moved))
    browser.until(lambda: "fleet.parquet: is in" in browser.text("#sends"), "the file is in")
    browser.until(lambda: (telemetry / "fleet.parquet").exists(), "it lies in its place")
    browser.until(lambda: "no telemetry yet" not in browser.text(), "the page knows", 5)
    browser.click("form[data-job] button")
    browser.until(lambda: "One segment" in browser.text(), "the use is worked out", 120)
    assert "within" in browser.text("section[aria-label='Work out']")
    browser.until(lambda: browser.one("#map").get_attribute("data-loaded"), "the map is drawn")
    browser.picture("use")
    browser.press(browser.one("[data-pick]"))
    browser.until(lambda: "Passes that spread" in browser.text("#segment"), "the evidence")
    assert "fleet.parquet, rows" in browser.text("#segment")
    assert "TC-" in browser.text("#segment")
    assert "true over reported mass" in browser.text("#segment")
    browser.picture("use-segment")
    assert browser.faults() == []


def test_sending_can_be_stopped(place, tmp_path):
    browser, folder = place
    large = tmp_path / "large.csv"
    large.write_bytes(b"truck_id,time\n" + b"x,y\n" * 2_000_000)
    browser.open(f"/use/{STORM}")
    slow = {"offline": False, "latency": 50, "throughput": 200_000}
    browser.driver.set_network_conditions(**slow)
    browser.one("#files").send_keys(str(large))
    browser.until(lambda: browser.all("#sends button"), "it is being sent")
    browser.press(browser.one("#sends button"))
    browser.until(lambda: "stopped; nothing of it was kept" in browser.text("#sends"), "stopped")
    browser.offline(False)
    browser.until(lambda: not list((folder / ".history").glob("incoming-*")), "nothing is left")
    assert not (folder / "storms" / STORM / "telemetry" / "large.csv").exists()
    browser.faults()


# --- environmental officer ---------------------------------------------------------------------


def work_out_the_season(browser: Screen, folder: Path, finished: Path) -> None:
    """At the desk from start to end; on the phone it is stopped, and earlier results stay whole."""
    if not browser.phone:
        browser.open("/season")
        browser.click("form[data-job] button")
        browser.until(lambda: "Sensitive areas" in browser.text(), "it is worked out", 240)
        return
    writable_copy(finished / "results" / "season", folder / "results" / "season")
    browser.open("/season")
    browser.click("form[data-job] button")
    browser.until(lambda: browser.one("[data-stop]").is_displayed(), "it can be stopped")
    browser.press(browser.one("[data-stop]"))
    browser.until(lambda: "stopped" in browser.text("[data-text]"), "it is stopped")
    browser.open("/season")
    browser.until(lambda: "Sensitive areas" in browser.text(), "earlier results are whole")


def test_the_officer_sees_budgets_and_sensitive_areas(place, finished_county):
    browser, folder = place
    work_out_the_season(browser, folder, finished_county)
    assert "Long Pine Lake shore" in browser.text("section[aria-label='Sensitive areas']")
    assert "tons" in browser.text("section[aria-label=Budgets]")
    browser.picture("season")
    link = browser.one("a[href*='chloride.csv']")
    assert link.get_attribute("href").endswith("download=1")
    browser.click("header form button[name=units]")
    browser.until(
        lambda: "Used ± u, t" in browser.one("main").get_attribute("innerHTML"), "metric units"
    )
    browser.click("header form button[name=units]")
    assert (folder / "results" / "season" / "chloride.csv").is_file()
    assert browser.faults() == []
