"""The form of a liquid test in a browser: what does not fit is named where it is looked at."""

from __future__ import annotations

import pytest

from spreadplan.web import create_app
from tests.web.browsers import screen
from tests.web.living import living
from tests.web.test_liquid_form import rows, with_brine  # noqa: F401 - a fixture
from tests.web.visitors import site_of

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("device", ["phone", "desk"])
def test_a_volume_in_the_wrong_unit_is_named_once_and_saved_when_looked_at(with_brine, device):  # noqa: F811
    folder = with_brine
    with (
        living(create_app(folder, site=site_of(folder))) as server,
        screen(server.address, device) as browser,
    ):
        browser.open("/trucks/T1/liquid-test")
        browser.click("#safe")
        for name, value in {"setting": "10", "duration_s": "60", "caught_all": "37.85"}.items():
            browser.type(f"[name={name}]", value)
        browser.until(lambda: "check the units" in browser.text("#result"), "it is asked about")
        assert "check the units" in browser.text("#look-again")
        assert browser.text("#result").count("check the units") == 1
        browser.picture("liquid-question")
        browser.click("#save")
        browser.until(lambda: "Nothing is saved yet" in browser.text("#faults"), "it is held")
        assert not (folder / "liquid_tests.csv").exists()
        browser.click("#look-again input")
        browser.click("#save")
        browser.until(lambda: "Saved as" in browser.text("#saved"), "it is saved")
        assert len(rows(folder, "liquid_tests.csv")) == 1
        assert browser.faults() == []
