"""The height of the sun, against values computed and published by others."""

import numpy as np
import pandas as pd
import pytest

from spreadplan.planning.sun import sun_elevation_deg


def at(*times: str) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(list(times))


def test_the_worked_example_of_the_solar_position_algorithm():
    """I. Reda and A. Andreas, Solar Position Algorithm for Solar Radiation Applications, National
    Renewable Energy Laboratory, NREL/TP-560-34302 (2003, revised 2008), table A5.1 (from memory):
    17 October 2003, 12:30:30, UTC-7, 39.742476 N, 105.1786 W: topocentric elevation without
    refraction 39.872046 degrees. Parallax, which our formula leaves out, is 0.002 of them.
    """
    found = sun_elevation_deg(at("2003-10-17T12:30:30-07:00"), 39.742476, -105.1786)
    assert found == pytest.approx([39.872046], abs=0.01)


def test_the_declination_of_meeus():
    """J. Meeus, Astronomical Algorithms, 2nd ed. 1998, example 25.a (from memory): 13 October 1992,
    0 h TD: apparent declination -7.78507 degrees. At the pole that is the sun's height.
    """
    assert sun_elevation_deg(at("1992-10-13T00:00Z"), 90.0, 0.0) == pytest.approx(
        [-7.78507], abs=0.01
    )


def test_noon_and_midnight_of_a_midwinter_day():
    """By definition: at noon it stands at 90 - latitude + declination, at midnight opposite."""
    times = pd.date_range("2026-12-21T12:00Z", periods=24 * 60, freq="min")
    found = sun_elevation_deg(times, 60.0, 10.0)
    assert found.max() == pytest.approx(30.0 - 23.436, abs=0.02)
    assert found.min() == pytest.approx(-30.0 - 23.436, abs=0.02)
    # ten degrees east noon comes 40 min before that of Greenwich; equation of time +2 min
    assert times[int(np.argmax(found))].strftime("%H:%M") in {"11:17", "11:18", "11:19"}
