"""Until when a treatment holds: by hand, hour by hour, and in a plan."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from spreadplan.planning import plan_storm
from spreadplan.planning.applications import Application
from spreadplan.planning.holding import holding
from spreadplan.planning.melting import melter_of, strength_at
from spreadplan.planning.snow_on_road import brine_share, gives_out_min
from tests.planning.small_county import NAN, START, county, frame, times
from tests.said import US

HOUR = 60.0
LB_PER_IN_FT2 = 62.428 / 12  # NIST SP 811: 1,000 kg/m3
FT2 = 12 * 5280  # of a lane-mile


def forecast(*rows, columns=""):
    """Rows of start hour, end hour, °F, inches of water and what ``columns`` name."""
    table = frame(
        "start end pavement_temp_f precipitation_in application " + columns,
        *rows,
    )
    for name in ("start", "end"):
        table[name] = START + pd.to_timedelta(table[name], unit="h")
    if "pavement_temp_u_f" not in table:
        table["pavement_temp_u_f"] = 4.0
    return table.assign(zone="*", event="snow", trend="")


def minutes(moment):
    return (moment - START) / pd.Timedelta(minutes=1)


def held(
    treated_h,
    sky,
    *,
    rate=200.0,
    plow=None,
    material="salt",
    chemical="NaCl",
    chemical_fraction=1.0,
):
    """One part of one lane treated at these hours; one row a round."""
    rounds = len(treated_h)
    rows = pd.DataFrame(
        {
            "zone": "",
            "material": material,
            "lane_width_ft": 12.0,
            "target_rate_lb_per_lane_mile": rate,
            "plow": pd.Series([plow] * rounds, dtype=object),
        }
    )
    labels = [Application(str(n + 1), "", START) for n in range(rounds)]
    melters = {material: melter_of(chemical, NAN, chemical_fraction)}
    treated = np.array(treated_h, dtype=float) * HOUR
    liquids = frozenset({"brine"})
    return holding(rows, treated, labels, sky, minutes, melters, liquids)


def most_water_in(rate, temp_f, times_of_share=1.0, base=0.10):
    """By hand: chemical / (chemical + water) = share x strength."""
    strength = float(strength_at("NaCl", np.array([temp_f]))[0]) / 100
    lb_ft2 = rate / FT2
    return lb_ft2 * (1 / (base * times_of_share * strength) - 1) / LB_PER_IN_FT2


def test_share_of_brine():
    """Wåhlin and Klein-Paste, Transportation Research Record 2482 (2015), abstract: 1.7 times as
    much solution at -6 °C as at -2 °C does the same, five times at -17 °C; Journal of Cold Regions
    Engineering 2020: 10 % by weight keeps snow loose, 5 % lets it be plowed.
    """
    at_f = np.array([-2.0, -6.0, -17.0]) * 1.8 + 32
    assert brine_share(at_f, plowed=False) == pytest.approx([0.10, 0.17, 0.50])
    assert brine_share(at_f, plowed=True) == pytest.approx([0.05, 0.085, 0.25])
    assert brine_share(np.array([-60.0]), plowed=False)[0] <= 1.0


def test_a_treatment_holds_until_snow_has_diluted_it():
    """At 28.4 °F (-2 °C) the share is 10 %; an even snowfall reaches the most in time by hand."""
    most = most_water_in(200.0, 28.4)
    sky = forecast((0, 10, 28.4, 2 * most, "1"))
    row = held([0.0], sky).iloc[0]
    assert row["holds"] == "gives out"
    assert row["holds_min"] == pytest.approx(5 * HOUR, rel=1e-3)
    assert row["needed_min"] == 10 * HOUR
    assert row["colder_min"] < row["holds_min"] < row["warmer_min"]
    half = held([0.0], forecast((0, 10, 28.4, 0.9 * most, "1"))).iloc[0]
    assert (half["holds"], half["holds_min"]) == ("holds", 10 * HOUR)


def test_what_fell_before_counts_where_nobody_plows():
    most = most_water_in(200.0, 28.4)
    sky = forecast((0, 10, 28.4, 2 * most, "1"))
    late = held([2.0], sky).iloc[0]
    assert late["holds_min"] == pytest.approx(5 * HOUR, rel=1e-3)
    # plowed off as it is treated, and 5 % do where it is plowed
    most_plowed = most_water_in(200.0, 28.4, base=0.05)
    heavy = forecast((0, 10, 28.4, 4 * most, "1"))
    plowed = held([2.0], heavy, plow=True).iloc[0]
    assert plowed["holds_min"] == pytest.approx((2 + most_plowed / (0.4 * most)) * HOUR, rel=1e-3)
    assert plowed["holds_min"] < 8 * HOUR


def test_plowing_takes_off_what_earlier_treatments_left():
    most_plowed = most_water_in(200.0, 28.4, base=0.05)
    sky = forecast((0, 10, 28.4, 2 * most_plowed, "1"), (10, 20, 28.4, 2 * most_plowed, "2"))
    second = held([0.0, 10.0], sky, plow=True).iloc[1]
    assert second["holds_min"] == pytest.approx(15 * HOUR, rel=1e-3)
    left = held([0.0, 10.0], sky, plow=False).iloc[1]
    assert left["holds_min"] < second["holds_min"]


def test_the_next_treatment_is_what_it_has_to_hold_for():
    most = most_water_in(200.0, 28.4)
    sky = forecast((0, 4, 28.4, 0.8 * most, "1"), (4, 10, 28.4, 1.2 * most, "2"))
    first, second = held([0.0, 4.5], sky, plow=False).itertuples()
    assert (first.holds, first.needed_min, first.comes_back) == ("holds", 4.5 * HOUR, True)
    # both treatments lie there: twice the most of one
    assert (second.holds, second.comes_back) == ("holds", False)
    assert second.holds_min == 10 * HOUR


def test_later_rows_of_the_forecast_are_followed():
    """Nothing falls at first; then it gets colder: what held at 28.4 °F does not at 15."""
    most = most_water_in(200.0, 28.4)
    sky = forecast((0, 2, 28.4, 0.5 * most, "1"), (2, 6, 15.0, 0.0, "1"))
    row = held([0.0], sky).iloc[0]
    assert (row["holds"], row["holds_min"]) == ("gives out", 2 * HOUR)
    colder = forecast((0, 2, 28.4, 0.5 * most, "1"), (2, 6, -7.0, 0.0, "1"))
    assert held([0.0], colder).iloc[0]["holds_min"] == 2 * HOUR, "below the eutectic"
    thaw = forecast((0, 2, 28.4, 0.5 * most, "1"), (2, 6, 33.0, 5.0, "1"))
    assert held([0.0], thaw).iloc[0]["holds"] == "holds"


def test_an_hour_by_hour_run_agrees():
    """The same in small steps, in plain Python, through a forecast of many rows."""
    rng = np.random.default_rng(7)
    rows = [
        (h, h + 1, float(rng.uniform(16, 31)), float(rng.uniform(0, 0.03)), "1") for h in range(12)
    ]
    found = held([0.7], forecast(*rows), rate=250.0).iloc[0]["holds_min"]
    water, at, steps = 0.0, 0.0, 600
    while at < 12:
        _, _, temp, rain, _ = rows[int(at)]
        water += rain / steps
        temp_c = (temp - 32) / 1.8
        times_ = float(np.interp(temp_c, [-17, -6, -2], [5, 1.7, 1]))
        if at >= 0.7 and water > most_water_in(250.0, temp, times_):
            break
        at = round(at + 1 / steps, 9)
    assert at < 12
    assert found == pytest.approx(at * HOUR, abs=0.3)


def test_what_is_not_known_gets_no_time():
    none = held([0.0], forecast((0, 10, 28.4, NAN, "1"))).iloc[0]
    assert none["holds"] == "unknown"
    assert math.isnan(none["holds_min"])
    # a gap of the forecast, and its end before the truck is back
    gap = forecast((0, 2, 28.4, 0.001, "1"), (4, 6, 28.4, 0.001, "1"))
    row = held([0.0], gap).iloc[0]
    assert (row["holds"], row["holds_min"]) == ("unknown", 2 * HOUR)
    short = held([0.0, 8.0], forecast((0, 4, 28.4, 0.001, "1")))
    assert short["holds"].tolist() == ["unknown", "unknown"]
    assert held([0.0], gap, chemical="MgCl2", chemical_fraction=NAN)["holds"][0] == "unknown"
    assert held([0.0], gap, chemical="")["holds"][0] == "unknown"
    assert held([0.0], gap, chemical="none")["holds"][0] == "abrasive"
    assert held([NAN], gap)["holds"][0] == ""
    # what is known already is said although the rest is not
    most = most_water_in(200.0, 28.4)
    early = forecast((0, 4, 28.4, 2 * most, "1"), (4, 8, 28.4, NAN, "1"))
    assert held([0.0], early).iloc[0]["holds"] == "gives out"


def test_water_of_a_brine_counts():
    """Brine of 23.3 %: a pound of salt brings 3.29 pounds of water of its own."""
    most = most_water_in(200.0, 28.4)
    sky = forecast((0, 10, 28.4, 2 * most, "1"))
    brine = held([0.0], sky, rate=200 / 0.233, material="brine", chemical_fraction=0.233).iloc[0]
    own_in = 200 * (1 / 0.233 - 1) / FT2 / LB_PER_IN_FT2
    assert brine["holds_min"] == pytest.approx((most - own_in) / (2 * most) * 10 * HOUR, rel=1e-3)


def test_a_stated_uncertainty_counts():
    rain = 2 * most_water_in(200.0, 28.4)
    sure, unsure = (
        held([0.0], forecast((0, 10, 28.4, rain, "1", u), columns="pavement_temp_u_f")).iloc[0]
        for u in (0.0, 2.0)
    )
    assert sure["colder_min"] == sure["holds_min"] == sure["warmer_min"]
    assert unsure["colder_min"] < unsure["holds_min"] < unsure["warmer_min"]


def planned(**weather):
    usual = {
        "zone": "*",
        "start": "2026-12-01T04:00Z",
        "end": "2026-12-01T08:00Z",
        "event": "light_snow",
        "pavement_temp_f": 25.0,
        "trend": "",
        "precipitation_in": 0.001,
        "application": "",
    }
    row = usual | weather
    return plan_storm(
        county(forecast=times(frame(" ".join(row), tuple(row.values())), "start", "end"))
    )


@pytest.mark.parametrize(
    ("weather", "verdict", "words"),
    [
        ({}, "holds", "holds until Tue 08:00; the forecast ends"),
        ({"precipitation_in": 0.5}, "gives out", "before the forecast ends Tue 08:00"),
        ({"pavement_temp_f": 14.0}, "too cold", "cost-effective"),
        ({"pavement_temp_f": -7.0}, "will not melt", "no NaCl brine stays liquid"),
        ({"precipitation_in": NAN}, "unknown", "states no precipitation"),
        ({"pavement_temp_f": 35.0, "precipitation_in": 2.0}, "holds", "holds until"),
    ],
)
def test_a_plan_says_until_when(weather, verdict, words):
    plan = planned(**weather)
    row = plan.melting.iloc[0]
    assert row["verdict"] == verdict
    assert words in US.say(row["advice"])
    if verdict in ("holds", "gives out", "unknown"):
        assert set(plan.segments["holds"]) == {verdict}
        assert set(plan.routes["holds"]) == {verdict}
    if verdict == "unknown":
        assert plan.segments["holds_until"].isna().all()


def test_a_run_has_the_worst_of_its_parts():
    plan = planned(precipitation_in=0.06)
    for run in plan.routes.itertuples():
        mine = plan.segments[plan.segments["route_id"] == run.route_id]
        spare = (mine["holds_until"] - mine["needed_until"]).min()
        assert run.holds_until - run.needed_until == spare


def test_nothing_is_known_before_anything_lies_there():
    sky_rows = forecast((0, 4, 28.4, 0.01, "1"))
    from spreadplan.planning.snow_on_road import Lies, sky_of

    sky = sky_of(sky_rows, "", ["1"], minutes)
    lies = Lies(np.array([0.0]), np.array([0.0]), np.array([0.0]))
    out, _ = gives_out_min(lies, sky, "NaCl", plowed=False)
    assert out[0] == 0.0, "without salt it gives out as soon as snow falls"
