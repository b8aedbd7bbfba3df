"""Plans side by side."""

from __future__ import annotations

import pytest

from spreadplan.planning import plan_storm
from spreadplan.schema.policy import Policy
from spreadplan.season.scenarios import (
    colder,
    compare_plans,
    next_rows,
    prewet_changed,
    rates_changed,
    truck_down,
    usual_scenarios,
)
from tests.planning.small_county import county, policy_rates
from tests.said import US


def compared(*scenarios, inputs=None):
    inputs = inputs or county()
    table = compare_plans(inputs, plan_storm(inputs), scenarios)
    return US.table(table).set_index("scenario")


def test_the_plan_itself_comes_first_and_differs_by_nothing():
    table = compared(rates_changed(county(), 10.0))
    assert table.index.tolist() == ["as planned", "rates +10 %"]
    assert table["mass_ton_more"].iloc[0] == 0.0


@pytest.mark.slow
def test_rates_scale_the_mass():
    table = compared(rates_changed(county(), -20.0), rates_changed(county(), 20.0))
    base = table.loc["as planned", "mass_ton"]
    # the feeder of T1 moves in steps of 5 %, so not exactly
    assert table.loc["rates -20 %", "mass_ton"] == pytest.approx(0.8 * base, rel=0.05)
    assert table.loc["rates +20 %", "mass_ton_more"] == pytest.approx(0.2 * base, rel=0.2)
    assert table.loc["rates +20 %", "cost_more"] > 0.0


def test_colder_takes_the_row_of_the_policy_for_that_temperature():
    rates = policy_rates(
        {"pavement_temp_min_f": 22.0, "rate_low_lb_per_lane_mile": 200.0},
        {"pavement_temp_max_f": 22.0, "rate_low_lb_per_lane_mile": 300.0},
    )
    inputs = county(policy=Policy(rates=rates))
    table = compared(colder(inputs, 5.0), inputs=inputs)
    base = table.loc["as planned", "mass_ton"]
    assert table.loc["5 °F colder", "mass_ton"] == pytest.approx(1.5 * base, rel=0.05)


@pytest.mark.slow
def test_prewetting_changes_the_liquid_and_not_the_salt():
    table = compared(prewet_changed(county(), 0.0), prewet_changed(county(), 8.0, 25.0))
    base = table.loc["as planned"]
    dry = table.loc["no prewetting"]
    assert base["prewet_gal"] > 0.0
    assert dry["prewet_gal"] == 0.0
    assert dry["mass_ton"] == pytest.approx(base["mass_ton"])
    wet = table.loc["prewet 8 gal/ton, 25 % less salt"]
    assert wet["mass_ton"] == pytest.approx(0.75 * base["mass_ton"], rel=0.05)
    assert wet["prewet_gal"] == pytest.approx(8.0 * wet["mass_ton"])


@pytest.mark.slow
def test_a_truck_down_leaves_its_route_open_or_hands_it_over():
    table = compared(truck_down(county(), "T1", {}), truck_down(county(), "T1", {"R1": "T2"}))
    gone, handed = table.iloc[1], table.iloc[2]
    assert gone["not_treatable_lane_miles_more"] > 0.0
    assert gone["mass_ton_more"] < 0.0
    assert "R1 open" in gone["change"]
    assert handed["not_treatable_lane_miles_more"] == pytest.approx(0.0)
    assert handed["longest_minutes_more"] > 0.0


def test_what_cannot_be_is_refused():
    with pytest.raises(ValueError, match="T9"):
        truck_down(county(), "T9", {})
    with pytest.raises(ValueError, match="T1"):
        truck_down(county(), "T1", {"R1": "T1"})
    with pytest.raises(ValueError, match="rates_below_zero"):
        rates_changed(county(), -101.0)


def test_inputs_stay_as_they_were():
    inputs = county()
    before = inputs.policy.rates["rate_low_lb_per_lane_mile"].tolist()
    usual_scenarios(inputs)
    assert inputs.policy.rates["rate_low_lb_per_lane_mile"].tolist() == before
    assert len(usual_scenarios(inputs)) == 4


def test_the_rows_of_the_policy_next_to_the_forecast():
    """25 F, between 300 up to 22 F and 100 from 32 F; nothing is said above 40 F. From 35 F the
    next warmer row is none, so it stays as forecast.
    """
    rates = policy_rates(
        {"pavement_temp_max_f": 22.0, "rate_low_lb_per_lane_mile": 300.0},
        {
            "pavement_temp_min_f": 22.0,
            "pavement_temp_max_f": 32.0,
            "rate_low_lb_per_lane_mile": 200.0,
        },
        {
            "pavement_temp_min_f": 32.0,
            "pavement_temp_max_f": 40.0,
            "rate_low_lb_per_lane_mile": 100.0,
        },
    )
    inputs = county(policy=Policy(rates=rates))
    found = next_rows(inputs, plan_storm(inputs))
    assert [US.say(one.name) for one in found] == [
        "one policy row colder",
        "one policy row warmer",
    ]
    targets = [
        plan_storm(one.inputs).segments["target_rate_lb_per_lane_mile"].unique().tolist()
        for one in found
    ]
    assert targets == [[300.0], [100.0]]
    warm = county(policy=Policy(rates=rates), forecast=inputs.forecast.assign(pavement_temp_f=35.0))
    assert [US.say(one.name) for one in next_rows(warm, plan_storm(warm))] == [
        "one policy row colder"
    ]
