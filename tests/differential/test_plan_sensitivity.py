"""The parts of an interval's variance: they add up, and a part that is taken away is missed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from unittest.mock import patch

import pytest

from spreadplan.calibration.form import FormSeen, UsualForm, learn_form
from spreadplan.calibration.models import DischargeModel
from spreadplan.resources import resource
from spreadplan.runs.planning import planning_workspace
from tests.benchmarks.sensitivity_plan import (
    STORM,
    assumed,
    parts_of_variance,
    planned,
    relative_widths,
)


@pytest.fixture(scope="module")
def county():
    workspace = planning_workspace(resource("sample_routes") / "county", STORM)
    return workspace, planned(workspace, STORM)


@pytest.mark.parametrize("route", ["R01", "R02", "R04", "R05", "R08", "R09"])
def test_moving_every_reading_explains_the_variance(county, route):
    """No test leans on an assumed start-up here, so nothing is a remainder."""
    parts = parts_of_variance(county[1], "1", route)
    assert parts["start-up and form"] == 0.0
    assert sum(parts.values()) == pytest.approx(1.0, abs=0.01)


def test_without_its_dominant_input_an_interval_shrinks_by_that_share(county):
    workspace, before = county
    shares = {route: parts_of_variance(before, "1", route) for route in ("R01", "R05", "R07")}
    for route in ("R01", "R05"):
        order = sorted(shares[route], key=shares[route].get)
        assert {"run to run, this storm", "day to day"} == set(order[-2:])
    with patch.object(DischargeModel, "repeatability", 0.0):
        after = planned(workspace, STORM)
    left = (relative_widths(after) / relative_widths(before)) ** 2
    for route, parts in shares.items():
        # open-loop settings and closed-loop rates do not depend on the scatter of a run
        assert left[route] == pytest.approx(1.0 - parts["run to run, this storm"], abs=1e-6)


def test_half_the_doubt_in_the_start_up_takes_three_quarters_of_its_part(county):
    """R07 at 16 mph throughout: far below the one tested output."""
    workspace, _ = county
    routes = workspace.tables["routes"]
    routes = routes[(routes["route_id"] != "R07") | (routes["speed_mph"] >= 30.0)]
    slow = routes.assign(speed_mph=routes["speed_mph"].where(routes["route_id"] != "R07", 16.0))
    workspace = replace(workspace, tables={**workspace.tables, "routes": slow})
    before = planned(workspace, STORM)
    parts = parts_of_variance(before, "1", "R07")
    assert max(parts, key=parts.get) == "start-up and form"

    def half_as_doubtful(others: Sequence[FormSeen]) -> UsualForm:
        usual = learn_form(others)
        return replace(usual, startup_u_pct=usual.startup_u_pct / 2.0)

    with patch("spreadplan.calibration.models.learn_form", half_as_doubtful), assumed():
        after = planned(workspace, STORM)
    left = (relative_widths(after)["R07"] / relative_widths(before)["R07"]) ** 2
    assert left == pytest.approx(1.0 - 0.75 * parts["start-up and form"], abs=0.005)
