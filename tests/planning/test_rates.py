import numpy as np
import pandas as pd
import pytest

from spreadplan.planning.applications import (
    Condition,
    applications_of,
    conditions_of,
    labelled_forecast,
)
from spreadplan.planning.policy_rows import policy_rows
from spreadplan.planning.rates import (
    end_taken,
    lower_in_areas,
    pick_from_range,
    planner_rates,
    policy_rate,
    rate_on_lane,
)
from spreadplan.schema.policy import Policy
from tests.planning.small_county import NAN, START, frame, no_rates, policy_rates, rates, times
from tests.said import US


def forecast(*rows):
    table = frame(
        "zone start end event pavement_temp_f trend precipitation_in application",
        *[
            (zone, start, "2026-12-02T00:00Z", "snow", temp, "", rain, label)
            for zone, start, temp, rain, label in rows
        ],
    )
    return times(table, "start", "end")


FOUR, EIGHT, TEN = (f"2026-12-01T{hour:02d}:00Z" for hour in (4, 8, 10))


def test_rows_without_a_label_are_numbered_in_their_zone():
    table = labelled_forecast(
        forecast(("a", EIGHT, 20.0, 0.1, ""), ("b", TEN, 20.0, 0.1, ""), ("a", FOUR, 25.0, 0.1, ""))
    )
    found = dict(zip(table["row"], table["application"], strict=True))
    assert found == {2: "2", 3: "1", 4: "1"}


def test_applications_come_in_order_of_time_then_number():
    table = labelled_forecast(
        forecast(
            ("*", EIGHT, 20.0, 0.1, "10"),
            ("*", EIGHT, 20.0, 0.1, "2"),
            ("*", FOUR, 20.0, 0.1, "first"),
        )
    )
    own = rates(("*", "A", 100.0, NAN, NAN), ("*", "*", 90.0, NAN, NAN), ("*", "", 80.0, NAN, NAN))
    found = applications_of(table, own)
    assert [one.label for one in found] == ["first", "2", "10", "A"]
    assert [one.phase for one in found] == ["initial", *["subsequent"] * 3]


def test_a_zone_of_its_own_wins_and_several_rows_are_read_with_caution():
    table = labelled_forecast(
        forecast(
            ("*", FOUR, 30.0, 0.2, "1"),
            ("north", FOUR, 26.0, 0.1, "1"),
            ("north", EIGHT, 22.0, 0.3, "1"),
        )
    )
    found, findings = conditions_of(table, ["north", "south"], applications_of(table, no_rates()))
    assert found["south", "1"].pavement_temp_f == 30.0
    north = found["north", "1"]
    assert (north.pavement_temp_f, north.zone) == (22.0, "north")
    assert north.precipitation_in == pytest.approx(0.4)
    assert [(US.say(one.subject), one.severity) for one in findings] == [
        ("zone north, application 1", "note")
    ]
    assert "rows 3, 4" in US.say(findings[0].what)


def test_no_row_for_a_zone_is_no_condition():
    table = labelled_forecast(forecast(("north", FOUR, 26.0, 0.1, "1")))
    found, _ = conditions_of(table, ["south"], applications_of(table, no_rates()))
    assert found == {}


def held(
    rows, temp=25.0, event="light_snow", trend="", service="A", material="salt", phase="initial"
):
    condition = Condition(
        zone="*",
        event=event,
        pavement_temp_f=temp,
        trend=trend,
        precipitation_in=0.1,
        start=START,
        end=START,
    )
    table = list(policy_rates(*rows).itertuples(index=False))
    return [row.row for row in policy_rows(table, condition, service, material, phase)]


def test_policy_rows_match_on_everything_they_state():
    assert held([{"event": "*"}]) == [1]
    assert held([{"event": "frost"}]) == []
    assert held([{"trend": "falling"}]) == []
    assert held([{"trend": "falling"}], trend="Falling") == [1]
    assert held([{"service_class": "B"}]) == []
    assert held([{"material": "sand"}]) == []
    assert held([{"phase": "subsequent"}]) == []
    assert held([{"material": "sand"}], material="") == [1]
    assert held([{"pavement_temp_max_f": 24.9}]) == []
    assert held([{"pavement_temp_min_f": NAN, "pavement_temp_max_f": NAN}]) == [1]
    assert held([{}], temp=NAN) == []


def test_the_more_specific_row_wins():
    rows = [{}, {"service_class": "A"}, {"service_class": "A", "material": "salt"}, {"event": "*"}]
    assert held(rows) == [3]
    assert held(rows, material="sand") == [2]
    assert held(rows, service="B", event="frost") == [4]


def test_at_a_border_the_colder_row_holds():
    rows = [{"pavement_temp_min_f": 32.0}, {"pavement_temp_min_f": 28, "pavement_temp_max_f": 32.0}]
    assert held(rows, temp=32.0) == [2]
    assert held(rows, temp=33.0) == [1]
    assert held(rows[:1], temp=32.0) == [1], "without a colder row the border belongs to this one"


def test_what_rounding_makes_of_a_temperature_changes_no_row():
    # -6.5 C in floating point: 20.299999999999997 F
    rows = [{"pavement_temp_min_f": 20.3}, {"pavement_temp_max_f": 20.3}]
    assert held(rows, temp=-6.5 * 1.8 + 32.0) == [2]
    assert held(rows[:1], temp=-6.5 * 1.8 + 32.0) == [1]


def test_overlapping_rows_are_all_named():
    assert held([{"pavement_temp_min_f": 20.0}, {"pavement_temp_max_f": 30.0}]) == [1, 2]


@pytest.mark.parametrize(
    ("low", "high", "picked"),
    [(100.0, 300.0, (100.0, 200.0, 300.0)), (NAN, 150.0, (150.0,) * 3), (150.0, NAN, (150.0,) * 3)],
)
def test_picking_from_a_range(low, high, picked):
    assert tuple(pick_from_range(low, high, pick) for pick in ("low", "middle", "high")) == picked


def test_later_rounds_take_the_low_end_unless_the_planner_chose():
    """Minnesota Snow and Ice Control Field Handbook for Snowplow Operators, LRRB manual 2005-01,
    p. 15: for a reapplication start with the lowest rate of the range.
    """
    assert [end_taken("by_round", phase) for phase in ("initial", "subsequent")] == [
        "middle",
        "low",
    ]
    for pick in ("low", "middle", "high"):
        assert {end_taken(pick, phase) for phase in ("initial", "subsequent")} == {pick}
    row = {"rate_low_lb_per_lane_mile": 100.0, "rate_high_lb_per_lane_mile": 200.0}
    table = list(policy_rates(row).itertuples(index=False))
    weather = Condition(
        zone="*",
        event="light_snow",
        pavement_temp_f=25.0,
        trend="",
        precipitation_in=0.1,
        start=START,
        end=START,
    )
    said = {}
    for phase, rate in (("initial", 150.0), ("subsequent", 100.0)):
        found, _ = policy_rate(table, weather, "A", "salt", phase, "by_round")
        assert found.lb_per_lane_mile == rate
        said[phase] = US.say(found.source)
    assert said["initial"] == (
        "policy row 1: test table; middle of 100 to 200 lb/lane-mile, as the first round does, "
        "initial"
    )
    assert said["subsequent"].endswith("lb/lane-mile, as later rounds start low, subsequent")


def test_the_planners_own_route_and_application_come_first():
    table = rates(
        ("*", "", 100.0, NAN, NAN),
        ("*", "1", 110.0, NAN, NAN),
        ("R1", "*", 120.0, NAN, NAN),
        ("R1", "1", 130.0, NAN, NAN),
        ("R1", "2", NAN, NAN, NAN),
        ("R2", "2", NAN, 10.0, NAN),
    )
    first, _ = planner_rates(table, ["R1", "R2"], "1")
    assert (first["R1"].lb_per_lane_mile, US.say(first["R1"].source)) == (
        130.0,
        "planner (rates.csv row 5)",
    )
    assert first["R2"].lb_per_lane_mile == 110.0
    second, findings = planner_rates(table, ["R1", "R2", "R3"], "2")
    assert second["R1"].lb_per_lane_mile == 120.0, "an empty rate is no rate"
    assert second["R2"].g_per_m2 == 10.0
    assert second["R3"].lb_per_lane_mile == 100.0
    assert findings == []


def test_two_rates_for_one_route_are_reported():
    _, findings = planner_rates(
        rates(("R1", "1", 100.0, NAN, NAN), ("R1", "1", 120.0, NAN, NAN)), ["R1"], "1"
    )
    assert "rows 2 and 3" in US.say(findings[0].what)


def test_bases_of_a_rate():
    """NIST SP 811, appendix B: 1 lb is 453.59237 g, 1 ft is 0.3048 m, 1 mi is 5280 ft."""
    area_rate = 100 * 453.59237 / (12 * 0.3048 * 5280 * 0.3048)
    assert area_rate == pytest.approx(7.7058, abs=1e-4)
    base = pd.DataFrame(
        {
            "lb_per_lane_mile": [100.0, NAN, NAN, NAN],
            "g_per_m2": [NAN, area_rate, area_rate, NAN],
            "gal_per_lane_mile": [NAN, NAN, NAN, 10.0],
        }
    )
    width = np.array([9.0, 12.0, 9.0, 12.0])
    density = np.array([NAN, NAN, NAN, 9.8])
    scaled = rate_on_lane(base, width, density, Policy(scale_by_lane_width=True))
    # the third, per area, depends on the width already and is not scaled again
    assert scaled == pytest.approx([75.0, 100.0, 75.0, 98.0], rel=1e-12)
    plain = rate_on_lane(base, width, density, Policy())
    assert plain == pytest.approx([100.0, 100.0, 75.0, 98.0], rel=1e-12)


def areas(*rows):
    return pd.DataFrame(rows, columns=["area_id", "rate_factor", "max_rate_lb_per_lane_mile"])


def test_sensitive_areas_lower_and_never_raise():
    held = areas(("half", 0.5, NAN), ("cap", NAN, 120.0), ("both", 0.5, 80.0))
    where = pd.Series([(), ("half",), ("cap",), ("both",), ("half", "cap"), ("cap",)])
    rate = np.array([200.0, 200.0, 200.0, 200.0, 300.0, 100.0])
    plain = lower_in_areas(rate, where, held, Policy(sensitive_factor=NAN))
    assert list(plain.rate_lb_per_lane_mile) == [200.0, 100.0, 120.0, 80.0, 120.0, 100.0]
    assert list(plain.cap_lb_per_lane_mile) == [np.inf, np.inf, 120.0, 80.0, 120.0, 120.0]
    assert list(plain.lowered) == [False, True, True, True, True, False]
    usual = lower_in_areas(rate, where, held, Policy(sensitive_factor=0.7))
    assert list(usual.rate_lb_per_lane_mile) == [200.0, 100.0, 120.0, 80.0, 120.0, 70.0]


def test_without_areas_nothing_changes():
    rate = np.array([200.0, NAN])
    found = lower_in_areas(rate, pd.Series([(), ()]), None, Policy())
    assert found.rate_lb_per_lane_mile == pytest.approx(rate, nan_ok=True)


def test_the_source_names_a_range_in_its_own_basis():
    row = {"rate_low_g_per_m2": 10.0, "rate_high_g_per_m2": 20.0}
    table = list(policy_rates(row).itertuples(index=False))
    condition = Condition(
        zone="*",
        event="light_snow",
        pavement_temp_f=25.0,
        trend="",
        precipitation_in=0.1,
        start=START,
        end=START,
    )
    found, _ = policy_rate(table, condition, "A", "salt", "initial", "low")
    assert found.g_per_m2 == 10.0
    assert US.say(found.source) == "policy row 1: test table; low of 10 to 20 g/m², initial"


def test_equal_rows_take_the_first_and_say_so():
    table = list(
        policy_rates(
            {"rate_low_lb_per_lane_mile": 100.0}, {"rate_low_lb_per_lane_mile": 200.0}
        ).itertuples(index=False)
    )
    condition = Condition(
        zone="*",
        event="light_snow",
        pavement_temp_f=25.0,
        trend="",
        precipitation_in=0.1,
        start=START,
        end=START,
    )
    found, findings = policy_rate(table, condition, "A", "salt", "initial", "low")
    assert found.lb_per_lane_mile == 100.0
    assert US.say(findings[0].what).startswith("rows 1, 2 of policy.toml hold equally")
