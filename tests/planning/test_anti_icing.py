"""Cautions on liquid before an event, by published rules."""

import pytest

from spreadplan.planning.plan import plan_storm
from tests.planning.small_county import NAN, county, frame, rates, times, trucks

DRY = ("*", "2026-12-01T00:00Z", "2026-12-01T08:00Z", "dry", 28.0, "", 0.0, "1")
SNOW = ("*", "2026-12-01T08:00Z", "2026-12-01T14:00Z", "light_snow", 25.0, "", 0.1, "2")


def planned(*forecast, chemical="NaCl", **changes):
    """The plan with brine on R1 in the first application."""
    usual = {
        "assignments": frame(
            "route_id truck_id yard_id material prewet_gal_per_ton",
            ("R1", "T1", "Y1", "brine", 0.0),
        ),
        "trucks": trucks(
            ("T1", "closed_loop", "auger", 10000.0, NAN, 0.0, 100.0, 5.0, (), NAN),
        ).assign(liquid_tank_gal=1000.0),
        "rates": rates(("*", "1", NAN, NAN, 40.0)),
        "materials": county().materials.assign(chemical=chemical),
        "forecast": times(
            frame(
                "zone start end event pavement_temp_f trend precipitation_in application",
                *forecast,
            ),
            "start",
            "end",
        ),
    }
    return plan_storm(county(**(usual | changes)))


def said(*forecast, **changes):
    """Codes of what is said of brine."""
    findings = planned(*forecast, **changes).findings
    found = findings[[one.code == "liquid_in_round" for one in findings["subject"]]]
    assert set(found["severity"]) <= {"caution"}
    return {one.code for one in found["what"]}


def changed(row, **cells):
    names = ("zone", "start", "end", "event", "temp", "trend", "rain", "application")
    return tuple(cells.get(name, cell) for name, cell in zip(names, row, strict=True))


def test_in_good_time_nothing_is_said():
    assert said(DRY, SNOW) == set()


@pytest.mark.parametrize(
    ("dry", "event", "code"),
    [
        (DRY, changed(SNOW, event="freezing_rain"), "liquid_before_rain"),
        (DRY, changed(SNOW, event="rain"), "liquid_before_rain"),
        (DRY, changed(SNOW, event="blowing_snow"), "liquid_in_wind"),
        (changed(DRY, temp=36.0), SNOW, "liquid_too_warm"),
        (changed(DRY, temp=10.0), SNOW, "liquid_too_cold"),
        (changed(DRY, start="2026-11-28T00:00Z"), SNOW, "liquid_too_early"),
    ],
)
def test_rules_that_speak_against_it(dry, event, code):
    assert code in said(dry, event)


def test_magnesium_is_slippery_on_a_warm_road_and_salt_is_not():
    warm = changed(DRY, temp=31.0)
    assert said(warm, SNOW, chemical="MgCl2") == {"liquid_slippery"}
    assert said(warm, SNOW) == set()


def test_rain_after_the_snow_is_another_matter():
    later = changed(SNOW, start="2026-12-01T14:00Z", end="2026-12-01T20:00Z", event="rain")
    assert said(DRY, SNOW, changed(later, application="3")) == set()


def test_liquid_when_the_event_has_begun():
    assert said(changed(SNOW, application="1")) == {"liquid_after_onset"}


def test_a_run_that_ends_after_the_onset():
    rows = planned(DRY, SNOW).segments
    treated = rows.loc[rows["application"] == "1", "treated_at"].dropna()
    onset = (treated.min() + (treated.max() - treated.min()) / 2).floor("min")
    onset = onset.strftime("%Y-%m-%dT%H:%MZ")
    assert treated.min() < treated.max()
    assert "liquid_too_late" in said(changed(DRY, end=onset), changed(SNOW, start=onset))


def test_solids_are_left_alone():
    plain = county().assignments
    found = said(DRY, changed(SNOW, event="rain"), assignments=plain)
    assert found == set()


def test_frost_is_an_event_without_water():
    frost = changed(SNOW, event="frost", rain=0.0)
    assert said(DRY, frost) == set()
