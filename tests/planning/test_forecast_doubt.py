"""How sure a forecast is by itself: by night, by day, as stated, as the policy says."""

import math

import pandas as pd
import pytest

from spreadplan.planning.applications import Condition
from spreadplan.planning.forecast_doubt import doubt_of
from spreadplan.schema.policy import Policy

AMES = (42.03, -93.63)


def condition(start: str, end: str, u_f: float = math.nan) -> Condition:
    return Condition(
        zone="*",
        event="light_snow",
        pavement_temp_f=25.0,
        trend="",
        precipitation_in=math.nan,
        start=pd.Timestamp(start),
        end=pd.Timestamp(end),
        pavement_temp_u_f=u_f,
    )


@pytest.mark.parametrize(
    ("start", "end", "u_c", "origin"),
    [
        ("2027-01-15T21:00-06:00", "2027-01-16T05:00-06:00", 2.25, "night"),
        ("2027-01-15T10:00-06:00", "2027-01-15T14:00-06:00", 4.5, "day"),
        ("2027-02-15T10:00-06:00", "2027-02-15T14:00-06:00", 5.25, "day"),
        ("2027-03-15T10:00-06:00", "2027-03-15T14:00-06:00", 6.0, "day"),
        ("2027-03-15T21:00-06:00", "2027-03-16T05:00-06:00", 2.25, "night"),
    ],
)
def test_the_report_of_the_iowa_field_demonstration(start, end, u_c, origin):
    """Technical performance report on the winter 2003-2004 Iowa field demonstration of FHWA's
    winter Maintenance Decision Support System (NCAR and others, 2004), section 11.2: RMSE of road
    temperature 1.5 to 3 C by night in all months, by day up to 4.5 C in January and 6 C in March.
    """
    found = doubt_of(condition(start, end), *AMES, Policy())
    assert (found.u_f / 1.8, found.origin) == (pytest.approx(u_c), origin)


def test_the_day_of_the_report_is_day_here():
    """The report's large errors lie between 9 a.m. and 3 p.m.; none of that counts as night."""
    found = doubt_of(condition("2027-01-15T09:00-06:00", "2027-01-15T15:00-06:00"), *AMES, Policy())
    assert found.origin == "day"


def test_south_of_the_equator_the_year_is_turned():
    july = condition("2027-07-15T10:00+12:00", "2027-07-15T14:00+12:00")
    assert doubt_of(july, -45.0, 170.0, Policy()).u_f / 1.8 == pytest.approx(4.5)
    assert doubt_of(july, -45.0, 170.0, Policy()).origin == "day"


def test_a_row_of_night_and_day_has_the_root_mean_square_of_both():
    row = condition("2027-01-15T09:00-06:00", "2027-01-16T09:00-06:00")
    found = doubt_of(row, *AMES, Policy())
    share = ((found.u_f / 1.8) ** 2 - 2.25**2) / (4.5**2 - 2.25**2)
    assert found.origin == "night and day"
    # the sun is above 10 degrees for about seven of the 24 hours
    assert 24.0 * share == pytest.approx(7.0, abs=0.7)


def test_what_is_stated_counts_and_then_the_policy():
    policy = Policy(night_u_f=3.0, day_u_f=7.0)
    night = ("2027-01-15T21:00-06:00", "2027-01-16T05:00-06:00")
    assert vars(doubt_of(condition(*night, u_f=1.5), *AMES, policy)) == {
        "u_f": 1.5,
        "origin": "stated",
    }
    assert vars(doubt_of(condition(*night), *AMES, policy)) == {"u_f": 3.0, "origin": "policy"}
    # a policy that speaks of the day alone says nothing of the night
    assert doubt_of(condition(*night), *AMES, Policy(day_u_f=7.0)).origin == "night"
