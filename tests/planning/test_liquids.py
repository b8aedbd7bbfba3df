"""Routes of liquid: flow, setting by the boom's tests, tank, stock in gallons."""

import numpy as np
import pandas as pd
import pytest

from spreadplan.calibration.liquid import LiquidModel
from spreadplan.calibration.validity import TruckWork
from spreadplan.planning.plan import plan_storm
from tests.planning.small_county import NAN, county, frame, rates, times, trucks


def boom(measured, *, u=0.02, run_sd=0.02):
    measured = np.array(measured, dtype=float)
    return LiquidModel(
        truck_id="T1",
        material="brine",
        circuit="boom",
        set_gal_per_min=np.array([10.0, 40.0]),
        measured_gal_per_min=measured,
        u_gal_per_min=u * measured,
        run_sd=run_sd,
        dof=6.0,
        test_ids=("Q1", "Q2"),
    )


def brine_county(**changes):
    """Route R1 gets brine from T1, 40 gal per lane-mile; T1 has a tank of 100 gal."""
    usual = {
        "assignments": frame(
            "route_id truck_id yard_id material prewet_gal_per_ton",
            ("R1", "T1", "Y1", "brine", 0.0),
        ),
        "trucks": trucks(
            ("T1", "closed_loop", "auger", 10000.0, NAN, 0.0, 100.0, 5.0, (), NAN),
        ).assign(liquid_tank_gal=100.0),
        "rates": rates(("*", "1", NAN, NAN, 40.0)),
        "liquid_models": {("T1", "brine", "boom"): boom([11.0, 44.0])},
        "stock_counts": times(
            frame(
                "yard_id material counted_at on_hand_lb on_hand_u_lb",
                ("Y1", "brine", "2026-11-01T12:00Z", 980.0, NAN),
            ),
            "counted_at",
        ),
    }
    return county(**(usual | changes))


def of_r1(plan):
    return plan.segments[plan.segments["route_id"] == "R1"]


def test_flow_and_setting_by_hand():
    """40 gal/lane-mile at the speed v on n lanes: 40 n v / 60 gal/min; the boom gives 1.1 of it."""
    rows = of_r1(plan_storm(brine_county()))
    flow = 40.0 * rows["lanes_per_pass"] * rows["speed_mph"] / 60.0
    assert rows["rate_gal_per_lane_mile"].to_numpy() == pytest.approx(40.0)
    assert rows["flow_gal_per_min"].to_numpy() == pytest.approx(flow.to_numpy())
    assert rows["setting_gal_per_min"].to_numpy() == pytest.approx(flow.to_numpy() / 1.1)
    assert set(rows["status"]) == {"ok"}
    assert rows["liquid_gal"].to_numpy() == pytest.approx(40.0 * rows["lane_miles"].to_numpy())


def test_the_interval_is_that_of_the_boom():
    tested, untested = (
        of_r1(plan_storm(brine_county(liquid_models=models)))
        for models in ({("T1", "brine", "boom"): boom([11.0, 44.0])}, {})
    )

    def width(rows):
        return ((rows["mass_hi_lb"] - rows["mass_lo_lb"]) / rows["mass_lb"]).iloc[0]

    # two parts of 2 %, at 6 degrees of freedom; an untested truck has 20 %, normal
    assert width(tested) == pytest.approx(2 * 2.4469 * np.hypot(0.02, 0.02), rel=1e-3)
    assert width(untested) == pytest.approx(2 * 1.96 * 0.20, rel=1e-3)
    assert set(untested["status"]) == {"uncalibrated"}
    assert untested["setting_gal_per_min"].isna().all()
    assert untested["flow_gal_per_min"].notna().all()


def test_a_flow_beyond_the_tests_is_said():
    plan = plan_storm(brine_county(rates=rates(("*", "1", NAN, NAN, 60.0))))
    assert set(of_r1(plan)["status"]) == {"extrapolated"}
    assert "flows_outside_tests" in [one.code for one in plan.findings["what"]]


def test_a_boom_known_no_better_than_none_gets_no_setting():
    models = {("T1", "brine", "boom"): boom([11.0, 44.0], u=0.2)}
    rows = of_r1(plan_storm(brine_county(liquid_models=models)))
    assert set(rows["status"]) == {"do_not_use"}
    assert rows["setting_gal_per_min"].isna().all()


def test_the_tank_limits_the_load():
    plan = plan_storm(brine_county())
    route = plan.routes[plan.routes["route_id"] == "R1"].iloc[0]
    assert route["load_lb"] == pytest.approx(100.0 * 9.8)
    assert route["loads"] == np.ceil(route["liquid_gal"] / 100.0)
    assert len(plan.reloads) == route["loads"] - 1


def test_without_a_tank_the_capacity_counts_and_that_is_said():
    fleet = brine_county().trucks.assign(liquid_tank_gal=NAN)
    plan = plan_storm(brine_county(trucks=fleet))
    assert plan.routes["load_lb"].dropna().iloc[0] == 10000.0
    assert "no_liquid_tank" in [one.code for one in plan.findings["what"]]


def test_yards_need_and_have_gallons():
    plan = plan_storm(brine_county())
    yard = plan.yards.iloc[0]
    needed = plan.routes["liquid_gal"].sum()
    assert yard["needed_gal"] == pytest.approx(needed)
    assert yard["on_hand_gal"] == pytest.approx(100.0)
    assert yard["short_gal"] == pytest.approx(max(needed - 100.0, 0.0))
    solid = plan_storm(county()).yards
    assert solid["needed_gal"].isna().all()


def test_a_pass_wider_than_the_boom_is_too_wide():
    fleet = brine_county().trucks.assign(boom_width_ft=8.0)
    rows = of_r1(plan_storm(brine_county(trucks=fleet)))
    wide = rows["lanes_per_pass"] > 1
    assert wide.any()
    assert set(rows.loc[wide, "status"]) == {"infeasible"}


@pytest.mark.parametrize(("what", "status"), [("liquid", "uncalibrated"), ("gate", "ok")])
def test_work_before_the_storm(what, status):
    work = TruckWork(pd.Timestamp("2026-11-30T12:00Z"), what)
    key = "next_liquid_voiding" if what == "liquid" else "next_voiding"
    rows = of_r1(plan_storm(brine_county(**{key: {"T1": work}})))
    assert set(rows["status"]) == {status}
