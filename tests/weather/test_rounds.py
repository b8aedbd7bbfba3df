"""Which event an hour is, and which hours make a round."""

import math
from types import SimpleNamespace

import pandas as pd
import pytest

from spreadplan.weather.rounds import event_of, forecast_rows, zone_weather

NAN = math.nan
HERE = {"north": (-94.0, 46.0)}
NOTHING_BEFORE = pd.DataFrame({"application": [], "start": pd.to_datetime([], utc=True)})


def hour(weather="", water=NAN, air=NAN, pavement=30.0, dew=NAN, hours=1.0):
    return SimpleNamespace(
        weather=weather,
        precipitation_in=water,
        air_temp_f=air,
        pavement_temp_f=pavement,
        dew_point_f=dew,
        hours=hours,
    )


@pytest.mark.parametrize(
    ("row", "event"),
    [
        # METAR present weather: WMO-No. 306, code table 4678
        (hour("-SN BR"), "light_snow"),
        (hour("SN"), "moderate_snow"),
        (hour("+SHSN"), "heavy_snow"),
        (hour("-FZRA"), "freezing_rain"),
        (hour("FZDZ"), "freezing_rain"),
        (hour("FZFG", water=0.0), ""),
        (hour("PL"), "sleet"),
        (hour("-RA", pavement=40.0), ""),
        (hour("-RA", pavement=31.0), "freezing_rain"),
        (hour("BR"), ""),
        (hour("light_snow"), "light_snow"),
        # half an inch and an inch of snow an hour, ten times its water
        (hour(water=0.04, air=28.0), "light_snow"),
        (hour(water=0.05, air=28.0), "moderate_snow"),
        (hour(water=0.10, air=28.0), "heavy_snow"),
        (hour(water=0.10, air=28.0, hours=3.0), "light_snow"),
        (hour(water=0.10, air=36.0, pavement=31.0), "freezing_rain"),
        (hour(water=0.10, air=36.0, pavement=33.0), ""),
        (hour(water=0.0001, air=28.0), ""),
        (hour(pavement=28.0, dew=29.0), "frost"),
        (hour(pavement=33.0, dew=34.0), ""),
        (hour(pavement=28.0, dew=20.0), ""),
        (hour(), ""),
    ],
)
def test_the_event_of_an_hour(row, event):
    assert event_of(row) == event


def weather(*rows, start="2026-12-02T00:00Z"):
    """Rows of hour, pavement, air, water, code at one place."""
    names = ["hour", "pavement_temp_f", "air_temp_f", "precipitation_in", "weather"]
    frame = pd.DataFrame(rows, columns=names)
    times = pd.Timestamp(start) + pd.to_timedelta(frame.pop("hour"), unit="h")
    return frame.assign(
        time=times, lon=-94.0, lat=46.0, place="A", dew_point_f=NAN, pavement_temp_u_f=NAN
    )


def test_rounds_counted_by_hand():
    """Snow in the hours that end at 2 to 7; rounds of four hours from 1 to 5 and from 5 to 7."""
    rows = [
        (one, 30.0 - one, NAN, 0.02, "-SN" if 2 <= one <= 6 else "SN" if one == 7 else "")
        for one in range(1, 8)
    ]
    rows[0] = (1, 29.0, NAN, 0.0, "")
    made = forecast_rows(zone_weather(weather(*rows), HERE), 4.0, NOTHING_BEFORE)
    assert [one.strftime("%H:%M") for one in made["start"]] == ["01:00", "05:00"]
    assert [one.strftime("%H:%M") for one in made["end"]] == ["05:00", "07:00"]
    assert list(made["event"]) == ["light_snow", "moderate_snow"]
    assert list(made["pavement_temp_f"]) == [25.0, 23.0]
    assert made["precipitation_in"].to_numpy() == pytest.approx([0.08, 0.04])
    assert list(made["trend"]) == ["falling", "steady"]
    assert list(made["application"]) == ["1", "2"]


def test_a_row_that_reaches_into_two_rounds_is_shared():
    """Rows of three hours, 0.06 in each, in rounds of two hours: 0.04 in each."""
    rows = [(3 * n, 28.0, NAN, 0.06, "SN") for n in range(1, 5)]
    made = forecast_rows(zone_weather(weather(*rows), HERE), 2.0, NOTHING_BEFORE)
    assert len(made) == 6
    assert made["precipitation_in"].to_numpy() == pytest.approx([0.04] * 6)


def test_air_counts_hour_by_hour_where_the_pavement_is_missing():
    rows = [(1, 30.0, 27.0, 0.02, "SN"), (2, NAN, 25.0, 0.02, "SN"), (3, NAN, NAN, 0.02, "SN")]
    zones = zone_weather(weather(*rows), HERE)
    assert zones["north"].left_out == 1
    made = forecast_rows(zones, 1.0, NOTHING_BEFORE)
    assert list(made["by_air"]) == [False, True]
    assert list(made["pavement_temp_f"]) == [30.0, 25.0]


def test_the_nearest_place_with_temperatures_counts():
    near = weather((1, NAN, NAN, 0.02, "SN")).assign(lon=-94.01, place="near")
    far = weather((1, 28.0, NAN, 0.02, "SN")).assign(lon=-94.5, place="far")
    farther = weather((1, 10.0, NAN, 0.02, "SN")).assign(lon=-96.0, place="farther")
    found = zone_weather(pd.concat([farther, near, far], ignore_index=True), HERE)["north"]
    assert found.place == "far"
    # half a degree of longitude at 46 N: 111.412 km cos 46 less a little, 24.07 mi
    assert found.miles == pytest.approx(24.1, abs=0.1)


def test_an_update_goes_on_counting():
    rows = [(1, 28.0, NAN, 0.02, "SN")]
    before = pd.DataFrame(
        {
            "application": ["1", "2", "2", "3"],
            "start": pd.to_datetime(
                ["2026-12-01T16:00Z", "2026-12-01T20:00Z", "2026-12-01T20:00Z", "2026-12-02T00:00Z"]
            ),
        }
    )
    made = forecast_rows(zone_weather(weather(*rows), HERE), 4.0, before)
    assert list(made["application"]) == ["3"]
