"""A plan that a person can drive: few changes, what they cost, no silence on the tolerance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from spreadplan.planning.review import MANY_CHANGES
from tests.planning.small_county import NAN, LineModel, area, county, line_route, times, trucks
from tests.planning.test_plan import by_segment
from tests.said import plan_storm

pytestmark = pytest.mark.slow

COARSE = trucks(("T1", "open_loop", "auger", 90000.0, NAN, 0.0, 100.0, 5.0, (2.0,), NAN))
#: 4 lb/min per percent: 200 lb per lane-mile on two lanes at 30 mph is 50 %.
MODELS = {("T1", "salt", 2.0): LineModel(2.0, 4.0)}


def plan_of(segments, **more):
    """Segments of route R1; a hundredth of a degree along this parallel is 0.48 mi."""
    routes = line_route([{"route_id": "R1"} | one for one in segments])
    mine = county().assignments.iloc[:1]
    return plan_storm(
        county(**{"routes": routes, "assignments": mine, "trucks": COARSE, "models": MODELS} | more)
    )


def test_a_short_piece_is_set_as_its_neighbour_and_its_cost_is_said():
    plan = plan_of(
        [
            {"segment_id": "a", "degrees": 0.03},
            {"segment_id": "b", "degrees": 0.004, "speed_mph": 20.0},
            {"segment_id": "c", "degrees": 0.03},
        ]
    )
    rows, run = by_segment(plan), plan.routes.iloc[0]
    assert list(rows["feeder_pct"]) == [50.0, 50.0, 50.0]
    # 200 lb/min at 20 mph on two lanes is 300 lb per lane-mile; its own 35 % would give 210
    assert rows.loc["b", "achieved_rate_lb_per_lane_mile"] == pytest.approx(300.0)
    assert rows.loc["b", "note"].endswith(
        "too short for a setting of its own, that of its neighbors gives +50 % of the target rate"
    )
    miles = rows.loc["b", "lane_miles"]
    assert run["joined_more_lb"] == pytest.approx((300.0 - 210.0) * miles)
    assert run["joined_less_lb"] == 0.0
    assert run["changes"] == 0
    assert run["mass_lb"] == pytest.approx(
        (rows["achieved_rate_lb_per_lane_mile"] * rows["lane_miles"]).sum()
    )
    assert run["past_tolerance_lane_miles"] == pytest.approx(miles)
    said = plan.findings[plan.findings["code"] == "joined_past_tolerance"].iloc[0]
    assert said["subject"] == "route R1, application 1"
    assert "get up to 50 % too much and 0 % too little, past the policy's tolerance" in said["what"]


def test_a_closed_loop_is_set_as_its_neighbour_too():
    closed = trucks(("T1", "closed_loop", "auger", 90000.0, NAN, 0.0, 100.0, 1.0, (2.0,), NAN))
    models = {("T1", "salt", 2.0): LineModel(2.0, 8.0, lb_per_count=0.3)}
    # 0.1 mi in an area with half the rate, and 0.15 mi of lower rate beside it
    well = area("W", shapely.box(-93.97, 45.99, -93.9679, 46.01), factor=0.5)
    plan = plan_of(
        [{"segment_id": one, "degrees": 0.03} for one in "ab"],
        trucks=closed,
        models=models,
        sensitive_areas=well,
    )
    settings = plan.settings
    assert list(settings["rate_to_set_lb_per_lane_mile"]) == [200.0, 100.0, 200.0]
    inside = settings[settings["area_id"] == "W"]
    assert (inside["achieved_rate_lb_per_lane_mile"] <= 100.0 + 1e-9).all()
    assert inside["miles"].iloc[0] < 0.25, "however short, the area gets no more"
    assert plan.routes["changes"].iloc[0] == 2


def test_a_step_that_leads_past_the_tolerance_is_said():
    steps = trucks(("T1", "open_loop", "auger", 90000.0, NAN, 0.0, 100.0, 40.0, (2.0,), NAN))
    plan = plan_of([{"segment_id": "a", "degrees": 0.03}], trucks=steps)
    # 40 % gives 160 of 200
    assert by_segment(plan).loc["a", "achieved_rate_lb_per_lane_mile"] == pytest.approx(160.0)
    said = plan.findings[plan.findings["code"] == "steps_past_tolerance"].iloc[0]
    assert said["severity"] == "caution"
    assert "give up to 0 % too much and 20 % too little" in said["what"]
    assert plan.routes["past_tolerance_lane_miles"].iloc[0] > 0.0


def test_more_than_eight_changes_are_a_finding():
    def codes(count):
        speeds = [
            {"segment_id": str(n), "degrees": 0.02, "speed_mph": (20.0, 30.0)[n % 2]}
            for n in range(count)
        ]
        plan = plan_of(speeds)
        assert plan.routes["changes"].iloc[0] == count - 1
        return set(plan.findings["code"])

    assert "many_changes" not in codes(MANY_CHANGES + 1)
    assert "many_changes" in codes(MANY_CHANGES + 2)


@pytest.mark.parametrize(("event", "icy"), [("freezing_rain", True), ("light_snow", False)])
def test_nothing_is_said_of_a_higher_speed_where_the_road_may_be_icy(event, icy):
    inputs = county()
    forecast = inputs.forecast.assign(event=event)
    rates = inputs.policy.rates.assign(event=event)
    plan = plan_of(
        [{"segment_id": "a", "degrees": 0.03}],
        forecast=times(forecast, "start", "end"),
        policy=replace(inputs.policy, rates=rates),
    )
    more = [
        plan.segments["rate_at_5_mph_more_lb_per_lane_mile"],
        plan.settings["rate_at_5_mph_more_lb_per_lane_mile"],
        plan.settings["feeder_at_5_mph_more_pct"],
    ]
    assert [bool(np.isnan(values).all()) for values in more] == [icy] * 3
    assert np.isfinite(plan.settings["feeder_at_5_mph_less_pct"]).all()
