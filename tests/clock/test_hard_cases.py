"""Runs that cannot be placed, trucks whose capacity nobody knows, other trucks for a run."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from spreadplan.planning.loads import cycle
from spreadplan.planning.places_of_runs import part_places
from spreadplan.planning.promises import promised
from spreadplan.planning.rows import parts_of
from spreadplan.planning.run_costs import run_costs
from spreadplan.schema.policy import Policy, Service
from tests.clock.small_storm import driven_again, planned, write
from tests.planning.small_county import NAN, county, frame, rates, times
from tests.said import plan_storm


def test_a_run_of_too_many_loads_is_left_out_and_the_rest_is_driven(tmp_path):
    folder = write(
        tmp_path,
        trucks="truck_id,control,feeder,capacity_lb\nT1,open_loop,auger,500\n"
        "T2,closed_loop,conveyor,6000\n",
        rate=2900.0,
    )
    plan = planned(folder)
    many = plan.routes[plan.routes["loads"] > 50]
    assert len(many)
    assert many["starts_at"].isna().all()
    assert many["late_min"].isna().all()
    left = plan.routes[(plan.routes["loads"] <= 50) & (plan.routes["loads"] > 0)]
    assert left["starts_at"].notna().all()
    assert driven_again(folder, plan).faults == []


def test_a_capacity_that_nobody_knows_loads_what_is_needed():
    usual = county()
    plan = plan_storm(
        dataclasses.replace(usual, trucks=usual.trucks.assign(capacity_lb=NAN), models={})
    )
    loads = plan.clock[plan.clock["activity"] == "load"]
    spread = plan.clock[plan.clock["activity"] == "spread"]
    assert loads["lb"].sum() == pytest.approx(spread["lb"].sum())
    assert loads["lb"].sum() == pytest.approx(plan.routes["mass_lb"].sum())


def test_without_yards_there_is_no_clock():
    plan = plan_storm(dataclasses.replace(county(), yards=county().yards.iloc[:0]))
    assert plan.clock.empty
    assert plan.routes["starts_at"].isna().all()
    assert plan.routes["mass_lb"].notna().all()


def test_a_truck_without_a_shift_is_said_and_not_driven():
    shifts = times(
        frame("truck_id from to", ("T1", "2026-12-01T03:00Z", "2026-12-01T09:00Z")), "from", "to"
    )
    plan = plan_storm(dataclasses.replace(county(), shifts=shifts))
    assert set(plan.clock["truck_id"]) == {"T1"}
    said = plan.findings[plan.findings["code"] == "no_shift_left"]
    assert said["subject"].tolist() == ["truck T2, application 1"]
    # a list of another storm says nothing about this one
    away = shifts.assign(**{name: shifts[name] + pd.Timedelta(days=9) for name in ("from", "to")})
    other = plan_storm(dataclasses.replace(county(), shifts=away))
    assert set(other.clock["truck_id"]) == {"T1", "T2"}


def test_an_application_without_a_start_is_said():
    own = rates(("*", "1", 200.0, NAN, NAN), ("*", "extra", 200.0, NAN, NAN))
    plan = plan_storm(dataclasses.replace(county(), rates=own))
    assert set(plan.clock["application"]) == {"1"}
    said = plan.findings[plan.findings["code"] == "no_clock_without_start"]
    assert "extra" in said["what"].iloc[0]


def test_promises_by_hand():
    """Two parts in three rounds at 0, 100 and 200 min; the event ends at 250."""
    rows = pd.DataFrame(
        {"application": ["1", "1", "2", "2", "3", "3"], "service_class": ["A", "B"] * 3}
    )
    policy = Policy(
        services=(
            Service(service_class="A", first_pass_min=30.0, cycle_min=100.0),
            Service(service_class="*", cycle_min=150.0),
        )
    )
    treated = np.array([20.0, 90.0, 140.0, np.nan, 270.0, 290.0])
    starts = np.array([0.0, 0.0, 100.0, 100.0, 200.0, 200.0])
    found = promised(rows, treated, starts, 250.0, policy)
    assert found["gap_min"].tolist() == pytest.approx([NAN, NAN, 120, NAN, 130, 200], nan_ok=True)
    # 140: 40 after its start, 10 late; but 120 since the last, 20 late. 270: 70 after, 40 late;
    # the event ends 110 after the last. 290: the event ends 160 after the last.
    assert found["late_min"].tolist() == pytest.approx([0, 0, 20, NAN, 40, 10], nan_ok=True)


def test_other_trucks_for_a_run(tmp_path):
    """A run's own truck and yard take what the plan says; a smaller hopper takes more loads."""
    inputs = county(rates=rates(("*", "1", 3000.0, NAN, NAN)))
    plan = plan_storm(inputs)
    parts = parts_of(inputs.routes, None)
    rows = parts.assign(
        run=parts["route_id"].map({"R1": 0, "R2": 1}), mass_lb=plan.segments["mass_lb"].to_numpy()
    )
    runs = plan.routes.assign(prewet_gal_per_ton=0.0, solid=True, first_lb=NAN)
    places = part_places(parts, inputs.yards)
    own = cycle(rows, runs, inputs.trucks, inputs.yards, places).runs
    candidates = pd.DataFrame(
        {"run": [0, 1, 0, 1], "truck_id": ["T1", "T2", "T2", "T1"], "yard_id": "Y1"}
    )
    small = inputs.trucks.assign(capacity_lb=[2500.0, 6000.0])
    found = run_costs(rows, runs, candidates, inputs.trucks, inputs.yards, places)
    for name in ("loads", "spreading_minutes", "reload_minutes", "travel_minutes", "minutes"):
        assert found[name].iloc[:2].tolist() == pytest.approx(own[name].tolist()), name
    own_small = cycle(rows, runs, small, inputs.yards, places).runs
    less = run_costs(rows, runs, candidates, small, inputs.yards, places)
    assert less["minutes"].iloc[:2].tolist() == pytest.approx(own_small["minutes"].tolist())
    assert less["loads"].iloc[3] > less["loads"].iloc[1]
    assert less["minutes"].iloc[3] > less["minutes"].iloc[1]
