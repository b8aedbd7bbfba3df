"""A late plan proposes who could take over, and the plan made again confirms it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from spreadplan.planning import StormPlan, plan_and_takeover, plan_storm
from spreadplan.planning.plan import PlanInputs
from spreadplan.planning.takeover import (
    amiss,
    nothing_late,
    take_over,
    takeover_findings,
)
from spreadplan.runs.calibrating import calibrate_fleet
from spreadplan.runs.planning import plan_inputs, planning_workspace, storm_start
from spreadplan.schema.results import RESULTS
from spreadplan.views.setting import voice_of

COUNTY = Path(__file__).parents[2] / "sample_routes" / "county"
STORM = "2027-01-16-long-snow"


def inputs_of(storm: str) -> PlanInputs:
    workspace = planning_workspace(COUNTY, storm)
    fleet = calibrate_fleet(workspace, storm_start(workspace, storm), storm)
    return plan_inputs(workspace, storm, fleet)


@pytest.fixture(scope="module")
def inputs() -> PlanInputs:
    return inputs_of(STORM)


@pytest.fixture(scope="module")
def plan(inputs) -> StormPlan:
    return plan_storm(inputs)


@pytest.fixture(scope="module")
def proposal(inputs, plan):
    return take_over(inputs, plan, plan_storm)


def test_the_late_route_is_relieved(plan, proposal):
    assert not nothing_late(plan)
    assert proposal.late_before > 40.0
    assert proposal.late_after == 0.0
    assert list(proposal.table.columns) == RESULTS["plan_reassigned"].names
    assert (proposal.table["from_truck"] != proposal.table["to_truck"]).all()


def test_what_it_says_is_what_the_plan_made_again_says(inputs, plan, proposal):
    again = plan_storm(replace(inputs, assignments=proposal.assignments))
    key = ["route_id", "application"]
    table = proposal.table.set_index(key)
    for name, of in (("before", plan), ("after", again)):
        routes = of.routes.set_index(key).loc[table.index]
        truck = "from_truck" if name == "before" else "to_truck"
        assert routes["truck_id"].tolist() == table[truck].tolist()
        assert routes["late_min"].tolist() == table[f"late_min_{name}"].tolist()
        assert routes["mass_lb"].tolist() == table[f"lb_{name}"].tolist()
    assert amiss(again)["late"] == proposal.late_after
    others = again.routes.set_index(key)["truck_id"].drop(table.index)
    assert others.equals(plan.routes.set_index(key)["truck_id"].drop(table.index))


def test_nothing_is_changed_in_the_inputs(inputs, plan):
    before = inputs.assignments.copy()
    told = plan_and_takeover(inputs)
    pd.testing.assert_frame_equal(inputs.assignments, before)
    pd.testing.assert_frame_equal(told.routes, plan.routes)
    assert len(told.reassigned) > 0


def test_the_clock_wins_over_the_solver(inputs, plan):
    """A plan that is no better with the proposal: nothing is proposed."""
    found = take_over(inputs, plan, lambda _changed: plan)
    assert found.table.empty
    assert found.found is not None
    assert found.found.cost < found.found.cost_before
    assert takeover_findings(found) == []


def test_a_plan_in_time_asks_nobody(monkeypatch):
    monkeypatch.setattr("spreadplan.planning.takeover.reassign", None)
    inputs = inputs_of("2026-11-21-first-snow")
    plan = plan_and_takeover(inputs)
    assert nothing_late(plan)
    assert plan.reassigned.empty


def test_a_truck_that_nobody_drives_gets_nothing(inputs, plan, proposal):
    helpers = set(proposal.table["to_truck"])
    shifts = pd.DataFrame(
        [
            (truck, pd.Timestamp("2027-01-15", tz="UTC"), pd.Timestamp("2027-01-20", tz="UTC"))
            for truck in inputs.trucks["truck_id"]
            if truck not in helpers
        ],
        columns=["truck_id", "from", "to"],
    )
    without = replace(inputs, shifts=shifts)
    found = take_over(without, plan_storm(without), plan_storm)
    assert len(found.table) > 0
    assert not set(found.table["to_truck"]) & helpers
    assert found.untreated_after < found.untreated_before


def test_it_is_said_in_words(inputs, proposal):
    voice = voice_of(planning_workspace(COUNTY, STORM).settings)
    said = [
        voice.say_all((one.subject, one.what, *one.remedies)) for one in takeover_findings(proposal)
    ]
    assert "with the takeovers proposed" in said[0]
    assert "no other takeover of these runs is better by more than 0 %" in said[0]
    assert any("give it to" in one and "instead of" in one for one in said[1:])
    assert any("then route R04, application 2" in one and "in time" in one for one in said[1:])
