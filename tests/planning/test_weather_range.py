"""The range of mass by weather, against scenarios that are counted by hand."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from spreadplan.planning.weather_range import chance_below
from spreadplan.schema.policy import Policy
from tests.planning.small_county import (
    area,
    county,
    frame,
    line_route,
    policy_rates,
    rates,
    times,
)
from tests.said import plan_storm


def one_rate(rate: float, low_f: float = -np.inf, high_f: float = np.inf, **more):
    limits = {"pavement_temp_min_f": low_f, "pavement_temp_max_f": high_f}
    return limits | {"rate_low_lb_per_lane_mile": rate, "rate_high_lb_per_lane_mile": rate} | more


#: 300 below 20 F, 200 from there to 32 F, 100 above
THREE = policy_rates(
    one_rate(300.0, high_f=20.0), one_rate(200.0, 20.0, 32.0), one_rate(100.0, low_f=32.0)
)


def forecast(*rows):
    return times(
        frame(
            "zone start end event pavement_temp_f pavement_temp_u_f trend precipitation_in "
            "application",
            *rows,
        ),
        "start",
        "end",
    )


def night(zone: str, temp_f: float, u_f: float, application: str = "1"):
    day = 1 + int(application)
    start, end = f"2026-12-{day:02d}T04:00Z", f"2026-12-{day:02d}T08:00Z"
    return (zone, start, end, "light_snow", temp_f, u_f, "", 0.05, application)


def planned(table=THREE, common: float = 1.0, **changes):
    return plan_storm(county(policy=Policy(rates=table, common_share=common), **changes))


def ends(plan):
    return plan.by_weather.loc["salt", ["weather_lo_lb", "weather_hi_lb"]].to_numpy(dtype=float)


def test_probabilities_are_those_of_the_normal_distribution():
    borders = np.array([-40.0, 15.0, 20.0, 25.0, 32.0])
    for temp_f, u_f in ((25.0, 4.05), (18.3, 0.7), (-3.0, 9.0)):
        expected = norm.cdf(borders, loc=temp_f, scale=u_f)
        assert chance_below(borders, temp_f, u_f) == pytest.approx(expected, abs=1e-12)
    assert chance_below(borders, 20.0, 0.0).tolist() == [0.0, 0.0, 1.0, 1.0, 1.0]


def test_each_row_of_the_policy_has_its_probability():
    plan = planned(forecast=forecast(night("*", 25.0, 5.0)))
    table = plan.weather
    assert table["p_pavement"].to_numpy() == pytest.approx(
        np.diff([0.0, norm.cdf(20.0, 25.0, 5.0), norm.cdf(32.0, 25.0, 5.0), 1.0])
    )
    assert list(table["policy_rows"]) == ["1", "2", "3"]
    assert list(table["as_forecast"]) == [False, True, False]
    assert list(table["rate_lo_lb_per_lane_mile"]) == [300.0, 200.0, 100.0]
    miles = plan.segments["lane_miles"].sum()
    assert table["mass_lb"].to_numpy() == pytest.approx(miles * np.array([300.0, 200.0, 100.0]))


@pytest.mark.parametrize(
    ("temp_f", "low", "high"),
    [
        # 25 +- 5 F: 16 % below 20 F, 8 % above 32 F: both ends lie within the 90 %
        (25.0, 100.0, 300.0),
        # 29 +- 5 F: 4 % below 20 F is beyond the range, 27 % above 32 F is not
        (29.0, 100.0, 200.0),
        # 10 +- 5 F: 2 % above 20 F: whatever comes, it is 300
        (10.0, 300.0, 300.0),
    ],
)
def test_one_row_counted_by_hand(temp_f, low, high):
    plan = planned(forecast=forecast(night("*", temp_f, 5.0)))
    miles = plan.routes["lane_miles"].to_numpy()
    assert plan.routes["weather_lo_lb"].to_numpy() == pytest.approx(low * miles)
    assert plan.routes["weather_hi_lb"].to_numpy() == pytest.approx(high * miles)
    yard = plan.yards.iloc[0]
    assert yard["weather_lo_ton"] == pytest.approx(low * miles.sum() / 2000.0)
    assert yard["weather_hi_ton"] == pytest.approx(high * miles.sum() / 2000.0)
    assert plan.by_weather.loc["salt", "weather_hi_lb"] == pytest.approx(high * miles.sum())


TWO_ZONES = [
    {"route_id": "R1", "segment_id": "a", "zone": "north"},
    {"route_id": "R2", "segment_id": "c", "zone": "south"},
]


def test_a_cold_night_is_cold_everywhere():
    """Two zones of 21.5 and 22.5 F, u 2 F, with one error in common. Scenarios by hand, z being
    that error: z < -1.25 both below 20 F (10.6 %), -1.25 to -0.75 the north alone (12.1 %), else
    none of them. So the upper end of the storm has both at 300, the lower none.
    """
    rows = forecast(night("north", 21.5, 2.0), night("south", 22.5, 2.0))
    plan = planned(routes=line_route(TWO_ZONES), forecast=rows)
    miles = plan.routes["lane_miles"].sum()
    assert ends(plan) == pytest.approx([200.0 * miles, 300.0 * miles])
    assert norm.cdf(-1.25) == pytest.approx(0.1056, abs=1e-4)


def test_rows_that_err_alone_are_not_all_cold_at_once():
    """The same with nothing in common, and each zone 8 % likely below 20 F: both at once in 0.6 %
    of the scenarios, at least one in 15 %. One zone at 300 is the upper end; the sum of the ends
    of both would be more.
    """
    u_f = 2.0
    temp_f = 20.0 - u_f * norm.ppf(0.08)
    rows = forecast(night("north", temp_f, u_f), night("south", temp_f, u_f))
    apart = planned(common=0.0, routes=line_route(TWO_ZONES), forecast=rows)
    miles = apart.routes["lane_miles"].to_numpy()
    assert apart.by_weather.loc["salt", "weather_hi_lb"] == pytest.approx(
        200.0 * miles.sum() + 100.0 * miles.max()
    )
    assert apart.routes["weather_hi_lb"].sum() == pytest.approx(300.0 * miles.sum())
    together = planned(common=1.0, routes=line_route(TWO_ZONES), forecast=rows)
    assert together.by_weather.loc["salt", "weather_hi_lb"] == pytest.approx(300.0 * miles.sum())


def test_shares_between_are_those_of_a_plain_simulation():
    """Eight rounds with 0.3 of the variance in common, against half a million scenarios."""
    temps, u_f, share = (21.0, 24.0, 19.0, 30.0, 22.0, 20.5, 27.0, 18.0), 4.0, 0.3
    rows = forecast(*(night("*", temp, u_f, str(n)) for n, temp in enumerate(temps, 1)))
    plan = planned(common=share, forecast=rows)
    draw = np.random.default_rng(7)
    common = draw.standard_normal((500_000, 1))
    own = draw.standard_normal((500_000, len(temps)))
    met = np.array(temps) + u_f * (math.sqrt(share) * common + math.sqrt(1 - share) * own)
    rate = np.where(met <= 20.0, 300.0, np.where(met <= 32.0, 200.0, 100.0)).sum(axis=1)
    expected = np.quantile(rate, [0.05, 0.95], method="inverted_cdf")
    miles = plan.routes["lane_miles"].sum() / len(temps)
    assert ends(plan) / miles == pytest.approx(expected)


def test_caps_and_factors_hold_in_every_scenario():
    """A wellhead over all of R1 with a cap of 220: 300 becomes 220 there, 200 stays."""
    import shapely

    capped = area("A1", shapely.box(-95.0, 45.9, -93.96, 46.1), cap=220.0)
    plan = planned(sensitive_areas=capped, forecast=forecast(night("*", 22.0, 4.0)))
    found = plan.routes.set_index("route_id")
    assert found.loc["R1", "weather_hi_lb"] == pytest.approx(220.0 * found.loc["R1", "lane_miles"])
    assert found.loc["R2", "weather_hi_lb"] == pytest.approx(300.0 * found.loc["R2", "lane_miles"])


def test_what_a_truck_gives_besides_is_no_weather():
    """Where the pavement cannot turn out otherwise, the range is the mass as planned, to the bit:
    an open loop gives 205 where 200 is asked for, and goes on doing so.
    """
    table = policy_rates(one_rate(205.0))
    plan = planned(table, forecast=forecast(night("*", 22.0, 4.0)))
    assert (plan.routes["weather_lo_lb"] == plan.routes["mass_lb"]).all()
    assert (plan.routes["weather_hi_lb"] == plan.routes["mass_lb"]).all()


def test_the_planners_own_rate_has_no_range():
    plan = planned(
        rates=rates(("R1", "1", 250.0, math.nan, math.nan)),
        forecast=forecast(night("*", 22.0, 4.0)),
    )
    found = plan.routes.set_index("route_id")
    assert found.loc["R1", ["weather_lo_lb", "weather_hi_lb"]].isna().all()
    assert plan.weather["lane_miles"].to_numpy() == pytest.approx(found.loc["R2", "lane_miles"])
    # the yard gives what both take, and R1 takes its own
    most = found.loc["R1", "mass_lb"] + 300.0 * found.loc["R2", "lane_miles"]
    assert plan.yards.iloc[0]["weather_hi_ton"] == pytest.approx(most / 2000.0)


def test_where_the_policy_has_no_row_it_is_said_and_the_nearest_counts():
    table = policy_rates(one_rate(250.0, 20.0, 25.0), one_rate(150.0, 25.0, 32.0))
    plan = planned(table, forecast=forecast(night("*", 22.0, 2.0)))
    cold = plan.weather.iloc[0]
    assert (cold["policy_rows"], cold["p_pavement"]) == ("", pytest.approx(norm.cdf(-1.0)))
    assert cold["no_rate_lane_miles"] == cold["lane_miles"]
    assert math.isnan(cold["mass_lb"])
    miles = plan.routes["lane_miles"].sum()
    # 7 % are above 25 F, so both rows lie within the range; the trucks give a little beside both
    mass = plan.routes["mass_lb"].sum()
    assert ends(plan) == pytest.approx([mass - 100.0 * miles, mass])
    said = plan.findings[plan.findings["code"] == "weather_without_row_below"]
    assert list(said["severity"]) == ["caution"]
    assert "no row below 20 °F" in said["what"].iloc[0]
    assert "16 % that the pavement is colder" in said["what"].iloc[0]


def test_on_a_border_the_colder_row_is_the_forecast():
    plan = planned(forecast=forecast(night("*", 20.0, 2.0)))
    assert list(plan.segments["target_rate_lb_per_lane_mile"].unique()) == [300.0]
    now = plan.weather[plan.weather["as_forecast"]]
    assert list(now["policy_rows"]) == ["1"]
    assert plan.by_weather.loc["salt", "weather_hi_lb"] == pytest.approx(
        plan.routes["mass_lb"].sum()
    )


def test_a_certain_forecast_has_one_row_of_the_policy():
    plan = planned(forecast=forecast(night("*", 22.0, 0.0)))
    assert list(plan.weather["p_pavement"]) == [1.0]
    assert (plan.routes["weather_hi_lb"] == plan.routes["mass_lb"]).all()


def test_the_prewetting_liquid_goes_with_its_salt():
    """10 gal of brine of 9.8 lb/gal on each ton of R2 are 0.049 lb on a pound, in every weather."""
    assigned = county().assignments.assign(prewet_material=["", "brine"])
    plan = planned(assignments=assigned, forecast=forecast(night("*", 22.0, 2.0)))
    found = plan.routes.set_index("route_id").loc["R2"]
    yards = plan.yards.set_index("material")
    for end in ("lo", "hi"):
        tons = 0.049 * found[f"weather_{end}_lb"] / 2000.0
        assert yards.loc["brine", f"weather_{end}_ton"] == pytest.approx(tons)
    assert yards.loc["brine", "weather_hi_ton"] > 1.4 * yards.loc["brine", "weather_lo_ton"]


def test_what_decides_the_storm():
    """Two rounds: 30 F, where nothing can happen, and 21 F, where 300 or 200 hangs on 20 F."""
    rows = forecast(night("*", 28.0, 0.5, "1"), night("*", 21.0, 2.0, "2"))
    plan = planned(forecast=rows)
    said = plan.findings[plan.findings["code"] == "weather_decides"]
    assert list(said["subject"]) == ["forecast, application 2"]
    miles = plan.routes["lane_miles"].sum() / 2
    tons = 100.0 * miles / 2000.0
    what = said["what"].iloc[0].replace("\u00a0", " ")
    assert f"goes below 20 °F between 2026-12-03 04:00 and 2026-12-03 08:00 decides {tons:.2f}" in (
        what
    )
    assert f"{100 * norm.cdf(-0.5):.0f} % that it does" in what
    # where it is sure either way nothing decides
    calm = planned(forecast=forecast(night("*", 28.0, 0.5)))
    assert "weather_decides" not in set(calm.findings["code"])


def test_a_yard_that_is_short_only_if_it_turns_out_otherwise():
    rows = forecast(night("*", 22.0, 2.0))
    plan = planned(forecast=rows)
    need = plan.yards.iloc[0]
    between = 2000.0 * (need["needed_hi_ton"] + need["weather_hi_ton"]) / 2.0
    counts = county().stock_counts.assign(on_hand_lb=between)
    short = planned(forecast=rows, stock_counts=counts)
    assert (short.yards.iloc[0]["short_ton"], short.yards.iloc[0]["order_ton"]) == (0.0, 0.0)
    said = short.findings[short.findings["code"] == "may_run_short_by_weather"]
    assert list(said["severity"]) == ["caution"]
    assert "may_run_short_by_weather" not in set(plan.findings["code"])


def test_without_a_forecast_nothing_is_said_of_it():
    plan = plan_storm(county(forecast=county().forecast.iloc[:0]))
    assert plan.weather.empty
    assert plan.by_weather.empty


def test_the_masses_and_settings_are_what_they_were():
    """The doubt of the forecast changes no rate, setting or interval of the trucks."""
    sure = planned(forecast=forecast(night("*", 22.0, 0.0)))
    doubtful = planned(forecast=forecast(night("*", 22.0, 8.0)))
    # how long brine holds if it is colder than forecast is the doubt's own column
    bounds = ("geometry", "holds_until_colder", "holds_until_warmer")
    names = [name for name in sure.segments if name not in bounds]
    pd.testing.assert_frame_equal(
        pd.DataFrame(sure.segments[names]), pd.DataFrame(doubtful.segments[names])
    )


def test_how_long_brine_holds_knows_the_same_doubt():
    """By day in March 10.8 F where nothing is stated: as if the forecast had stated it."""
    noon = ("*", "2027-03-15T16:00Z", "2027-03-15T20:00Z", "light_snow", 26.0)
    ends = [
        planned(forecast=forecast((*noon, u_f, "", 0.05, "1"))).segments["holds_until_colder"]
        for u_f in (math.nan, 10.8, 4.05)
    ]
    assert ends[0].equals(ends[1])
    assert (ends[2] > ends[0]).all()


def test_what_a_yard_needs_beside_roads_is_part_of_both_ends():
    """A lot takes 100 lb in each round, whatever the pavement: both ends are so much higher."""
    from spreadplan.planning.stock import with_weather

    yards = pd.DataFrame({"yard_id": ["Y1"], "material": ["salt"], "needed_ton": [1.05]})
    index = pd.MultiIndex.from_tuples([("Y1", "salt")], names=["yard_id", "material"])
    ranges = pd.DataFrame(
        {"weather_lo_lb": [1500.0], "weather_hi_lb": [3000.0], "mass_lb": [2000.0]}, index=index
    )
    found = with_weather(yards, ranges).iloc[0]
    assert found["weather_lo_ton"] == pytest.approx(0.80)
    assert found["weather_hi_ton"] == pytest.approx(1.55)
