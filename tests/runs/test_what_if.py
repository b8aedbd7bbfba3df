"""A plan with changes is the plan of files that have them."""

from __future__ import annotations

import json

import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from spreadplan.remarks import Remark, remark
from spreadplan.runs.what_if import WhatIf, plan_from, read_for_plan
from tests.said import US

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("blank_charts")]


def planned(folder, what_if=None):
    workspace, fleet = read_for_plan(folder, "s1")
    return plan_from(workspace, fleet, "s1", what_if or WhatIf()).plan


def with_speed(folder, route, speed):
    path = folder / "routes.geojson"
    data = json.loads(path.read_text())
    for feature in data["features"]:
        if route in ("*", feature["properties"]["route_id"]):
            feature["properties"]["speed_mph"] = speed
    path.write_text(json.dumps(data))


def with_text(file, old, new):
    def change(folder):
        path = folder / file
        assert old in path.read_text()
        path.write_text(path.read_text().replace(old, new))

    return change


def with_own(rows):
    def change(folder):
        head = "route_id,truck_id,yard_id,material,from_application\n"
        (folder / "storms/s1/assignments.csv").write_text(head + rows)

    return change


@pytest.mark.parametrize(
    ("what_if", "change"),
    [
        (WhatIf(rates=(("*", "1", 300.0),)), with_text("storms/s1/rates.csv", ",200", ",300")),
        (
            WhatIf(rates=(("R2", "1", 120.0),)),
            with_text("storms/s1/rates.csv", "*,1,200\n", "*,1,200\nR2,1,120\n"),
        ),
        (WhatIf(speeds=(("R1", 18.0),)), lambda folder: with_speed(folder, "R1", 18)),
        (WhatIf(speeds=(("*", 30.0),)), lambda folder: with_speed(folder, "*", 30)),
        (WhatIf(trucks=(("R1", "T2", ""),)), with_own("R1,T2,Y1,salt,\n")),
        (WhatIf(trucks=(("R1", "T2", "1"),)), with_own("R1,T2,Y1,salt,1\n")),
        (
            WhatIf(trucks=(("R2", "T1", ""), ("R1", "T2", ""))),
            with_own("R2,T1,Y1,salt,\nR1,T2,Y1,salt,\n"),
        ),
        (WhatIf(warmer=(("*", -20.0),)), with_text("storms/s1/forecast.csv", ",25,", ",5,")),
    ],
)
def test_a_tried_change_gives_what_the_file_with_it_would(workspace, what_if, change):
    folder = workspace()
    as_it_stands = planned(folder)
    tried = planned(folder, what_if)
    change(folder)
    filed = planned(folder)
    for name in ("routes", "yards", "settings", "melting", "findings"):
        assert_frame_equal(getattr(tried, name), getattr(filed, name))
    besides = ["geometry", "rate_source"]
    own = pd.DataFrame(filed.segments.drop(columns=besides))
    assert_frame_equal(pd.DataFrame(tried.segments.drop(columns=besides)), own)
    sources = set(tried.segments["rate_source"])
    assert (remark("rate_tried") in sources) == bool(what_if.rates)
    assert remark("rate_of_planner", row=0) not in sources
    assert not tried.segments.equals(as_it_stands.segments)


def test_a_gate_that_was_not_tested_makes_the_truck_uncalibrated(workspace):
    folder = workspace()
    assert set(planned(folder).routes["status"]) != {"uncalibrated"}
    tried = planned(folder, WhatIf(gates=(("T1", 3.0),))).routes.set_index("truck_id")
    assert tried.loc["T1", "status"] == "uncalibrated"
    assert tried.loc["T2", "status"] != "uncalibrated"
    same = planned(folder, WhatIf(gates=(("T1", 2.0),)))
    assert_frame_equal(same.routes, planned(folder).routes)


@pytest.mark.parametrize(
    ("what_if", "what"),
    [
        (WhatIf(rates=(("R9", "1", 1.0),)), "no route"),
        (WhatIf(rates=(("R1", "1", -1.0),)), "at least 0"),
        (WhatIf(rates=(("R1", "1", float("nan")),)), "at least 0"),
        (WhatIf(speeds=(("R1", 0.0),)), "above 0"),
        (WhatIf(speeds=(("R9", 10.0),)), "no route"),
        (WhatIf(trucks=(("R1", "T9", ""),)), "no truck"),
        (WhatIf(trucks=(("R9", "T1", ""),)), "no route"),
        (WhatIf(trucks=(("R1", "T2", "7"),)), "no application"),
        (WhatIf(gates=(("T9", 2.0),)), "no truck"),
        (WhatIf(warmer=(("nowhere", 2.0),)), "no forecast zone"),
        (WhatIf(warmer=(("*", float("nan")),)), "at most 100"),
    ],
)
def test_changes_that_are_not_possible_are_said(workspace, what_if, what):
    with pytest.raises(ValueError) as refused:  # noqa: PT011
        planned(workspace(), what_if)
    (why,) = refused.value.args
    assert what in (US.say(why) if isinstance(why, Remark) else why)
