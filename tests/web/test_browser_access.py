"""Every page for everyone: WCAG 2.2 AA by axe-core, light and dark, on a desk and on a phone."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from spreadplan.web import create_app
from tests.finished_county import STORM, writable_copy
from tests.web.browsers import SIZES, Screen, screen
from tests.web.living import living

TRIED = "c=%5B%22rate%22%2C%22R01%22%2C%22%22%2C250%2C%22us%22%5D"
PAGES = {
    "start": "/",
    "trucks": "/trucks",
    "truck": "/trucks/TC-102",
    "test": "/trucks/TC-101/test",
    "storms": "/plan",
    "plan": f"/plan/{STORM}?{TRIED}",
    "route": f"/plan/{STORM}/routes/R04",
    "compare": f"/plan/{STORM}/compare?{TRIED.replace('c=', 'b=', 1)}",
    "cards": f"/plan/{STORM}/cards",
    "inputs": f"/plan/{STORM}/inputs",
    "new storm": "/storms/new",
    "now": f"/now/{STORM}?at=2026-12-31T20:50",
    "now answered": f"/now/{STORM}?at=2026-12-31T20:50&ask=2026-12-31T20:50",
    "uses": "/use",
    "use": f"/use/{STORM}",
    "season": "/season",
    "changes": "/history",
    "work": "/jobs",
    "missing": "/nothing/there",
}


@pytest.fixture(scope="module")
def folder(finished_county, tmp_path_factory) -> Path:
    """The sample county, the use of a storm and the season worked out."""
    return writable_copy(finished_county, tmp_path_factory.mktemp("county") / "w")


@pytest.fixture(scope="module", params=list(SIZES))
def browser(request, folder) -> Iterator[Screen]:
    with living(create_app(folder)) as server, screen(server.address, request.param) as looking:
        yield looking


@pytest.mark.parametrize("name", PAGES)
def test_page(browser, name):
    """No barrier, nothing wider than the screen, nothing that the browser complains of."""
    browser.dark(False)
    browser.open(PAGES[name])
    if browser.all("#map"):
        browser.until(lambda: browser.one("#map").get_attribute("data-loaded"), "the map")
    if browser.all("#answer"):
        browser.until(lambda: browser.all(".options"), "the answer", 150)
    browser.picture(f"{name}-light")
    found = browser.barriers()
    if browser.overflow() > 0:
        found.append(f"{browser.overflow()} px wider than the screen")
    browser.dark(True)
    browser.picture(f"{name}-dark")
    found += [f"dark: {barrier}" for barrier in browser.barriers("color-contrast")]
    found += [fault for fault in browser.faults() if not (name == "missing" and "404" in fault)]
    assert found == []


def test_axe_would_find_a_barrier(browser):
    """The check itself can fail."""
    browser.open("/")
    assert browser.barriers() == []
    browser.driver.execute_script(
        "document.querySelector('main').insertAdjacentHTML('beforeend', '<input><img src=\"/x\">')"
    )
    assert {text.split(":")[0] for text in browser.barriers()} == {"image-alt", "label"}


def test_keys_reach_the_content_first(browser):
    """The first stop of the keyboard skips the navigation."""
    browser.open("/trucks")
    first = browser.driver.switch_to.active_element
    first.send_keys("\ue004")  # tab
    now = browser.driver.switch_to.active_element
    assert now.text == "Skip to the content"
    now.send_keys("\ue007")  # enter
    assert browser.driver.switch_to.active_element.get_attribute("id") == "content"


def test_a_theme_that_is_chosen_wins_over_the_systems(browser):
    def ground() -> str:
        return str(browser.driver.execute_script("return getComputedStyle(document.body).color"))

    browser.dark(False)
    browser.open("/")
    light = ground()
    browser.click("header button[value=dark]")
    browser.until(lambda: ground() != light, "it is dark")
    browser.click("header button[value=light]")
    browser.until(lambda: ground() == light, "it is light again")
