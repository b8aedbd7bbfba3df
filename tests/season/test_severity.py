"""Severity of storms, and fair comparison."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from spreadplan.season.severity import (
    fair_comparison,
    severity_index,
    severity_table,
    storm_severity,
    storm_type,
    temperature_band,
)
from spreadplan.season.use import season_use
from tests.season.season_tables import assignments, forecast, storm

NAN = float("nan")
ZONES = pd.Series({("R1", "a"): "", ("R1", "b"): "", ("R2", "c"): ""})


def snow(temp: float, hours: int = 6, event: str = "light_snow", trend: str = "steady"):
    return forecast(
        ("*", "2026-12-01T00:00Z", f"2026-12-01T{hours:02d}:00Z", event, temp, trend, 0.06, "1")
    )


def test_words_of_the_policy_find_their_storm_type():
    assert storm_type("Light snow", NAN) == "light_snow"
    assert storm_type("light_snow", 0.06) == "medium_snow"
    assert storm_type("heavy_snow", NAN) == "heavy_snow"
    assert storm_type("moderate-snow", NAN) == "medium_snow"
    assert storm_type("freezing_rain", NAN) == "freezing_rain"
    assert storm_type("sleet", NAN) == "freezing_rain"
    assert [storm_type(one, NAN) for one in ("frost", "rain", "blowing_snow")] == ["", "", ""]


def test_bands_of_temperature():
    assert [temperature_band(t) for t in (33.0, 32.0, 25.0, 24.9)] == [
        "warm",
        "mid_range",
        "mid_range",
        "cold",
    ]


def test_colder_longer_and_harder_is_more_severe():
    base = storm_severity(snow(28.0)).severity_hours
    assert storm_severity(snow(20.0)).severity_hours > base
    assert storm_severity(snow(28.0, hours=9)).severity_hours == pytest.approx(1.5 * base)
    assert storm_severity(snow(28.0, event="heavy_snow")).severity_hours > base
    assert storm_severity(snow(28.0, trend="falling")).severity_hours > base


def test_what_the_index_does_not_know_is_said_and_not_counted():
    both = forecast(
        ("*", "2026-12-01T00:00Z", "2026-12-01T06:00Z", "light_snow", 28.0, "", 0.06, "1"),
        ("*", "2026-12-01T06:00Z", "2026-12-01T10:00Z", "frost", 27.0, "", NAN, "2"),
    )
    found = storm_severity(both)
    assert found.unrated_hours == 4.0
    assert found.note == "not in the index: frost"
    assert found.severity_hours == storm_severity(snow(28.0)).severity_hours
    # the treatment table speaks of the pavement, not of the event: 300, then 250 for 20 to 28 F
    assert found.guidance_lb_per_lane_mile == 550.0


def test_a_zone_takes_the_general_rows_where_it_has_none():
    one = storm(
        "s1",
        "2026-12-01",
        forecast=forecast(
            ("north", "2026-12-01T00:00Z", "2026-12-01T04:00Z", "light_snow", 20.0, "", 0.0, "1"),
            ("south", "2026-12-01T00:00Z", "2026-12-01T04:00Z", "light_snow", 30.0, "", 0.0, "1"),
            ("*", "2026-12-01T04:00Z", "2026-12-01T06:00Z", "light_snow", 18.0, "", 0.0, "2"),
        ),
    )
    table = severity_table([one]).set_index("zone")
    assert table["hours"].tolist() == [6.0, 6.0]
    assert table["coldest_f"].tolist() == [18.0, 18.0]
    assert table.loc["north", "severity_hours"] > table.loc["south", "severity_hours"]


def test_the_same_work_in_a_harder_storm_is_less_per_severity():
    storms = [
        storm("mild", "2026-12-01", forecast=snow(33.0)),
        storm("hard", "2026-12-09", forecast=snow(20.0)),
    ]
    use = season_use(storms, assignments())
    table = fair_comparison(use, storms, ZONES, ["storm"]).set_index("storm")
    assert table.loc["mild", "rate_lb_per_lane_mile"] == table.loc["hard", "rate_lb_per_lane_mile"]
    per = table["lb_per_lane_mile_severity_hour"]
    ratio = severity_index("light_snow", "cold") / severity_index("light_snow", "warm")
    assert per["mild"] / per["hard"] == pytest.approx(ratio)
    # MaineDOT Table A, one round: 75 above 32 F, 400 at 20 F
    assert table.loc["mild", "guidance_share"] == pytest.approx(9000.0 / 22.5 / 75.0)
    assert table.loc["hard", "guidance_share"] == pytest.approx(9000.0 / 22.5 / 400.0)


def test_rate_of_a_route_by_hand():
    storms = [storm("s1", "2026-12-01")]
    use = season_use(storms, assignments())
    table = fair_comparison(use, storms, ZONES, ["route_id"]).set_index("route_id")
    index = severity_index("light_snow", "mid_range")
    assert table.loc["R1", "severity_hours"] == pytest.approx(6.0 * index)
    assert table.loc["R1", "lb_per_lane_mile_severity_hour"] == pytest.approx(400.0 / (6.0 * index))
    low, high = (table.loc["R1", f"lb_per_lane_mile_severity_hour_{end}"] for end in ("lo", "hi"))
    u = np.sqrt(60**2 + 180**2 + 30**2 + 40**2)
    factor = stats.norm.ppf(0.975)  # a normal 95 % interval
    assert (high - low) / 2 == pytest.approx(factor * u / 15.0 / (6.0 * index))


@pytest.mark.parametrize("order", [[0, 1, 2], [2, 1, 0], [1, 0, 2]])
def test_a_route_in_two_zones_had_the_weather_of_both(order: list[int]):
    """R1: segment a, 10 lane-miles, in the cold north; b, 5 lane-miles, in the mild south.

    Two rounds of 6 h each: 6 h times the mean index, two thirds of the north's and one of the
    south's, whichever segment stands first in the file.
    """
    weather = forecast(
        ("north", "2026-12-01T04:00Z", "2026-12-01T10:00Z", "light_snow", 20.0, "steady", 0.1, "1"),
        ("south", "2026-12-01T04:00Z", "2026-12-01T10:00Z", "light_snow", 33.0, "steady", 0.1, "1"),
    )
    storms = [storm("s1", "2026-12-01", forecast=weather)]
    use = season_use(storms, assignments())
    zones = pd.Series({("R1", "a"): "north", ("R1", "b"): "south", ("R2", "c"): "south"})
    table = fair_comparison(use, storms, zones.iloc[order], ["route_id"]).set_index("route_id")
    cold, mild = (severity_index("light_snow", band) for band in ("cold", "warm"))
    hours = 6.0 * (2.0 * cold + mild) / 3.0
    assert table.loc["R1", "severity_hours"] == pytest.approx(hours)
    assert table.loc["R2", "severity_hours"] == pytest.approx(6.0 * mild)
    # 6,000 lb on 15 lane-miles
    per_hour = table.loc["R1", "lb_per_lane_mile_severity_hour"]
    assert per_hour == pytest.approx(400.0 / hours)
    # MaineDOT Table A, one round: 75 above 32 F, 400 at 20 F
    assert table.loc["R1", "guidance_share"] == pytest.approx(400.0 / ((2 * 400.0 + 75.0) / 3.0))
