"""Hours of the invented county's trucks beside what agencies publish of theirs."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

STORM = "2026-12-31-year-end-snow"


def test_rounds_last_as_long_as_agencies_say(finished_county: Path):
    """Iowa Department of Transportation, Snow removal operations (web page, read 2026): a route
    takes two to three hours, some four; loading and unloading come on top.

    A county's routes are shorter than a state's: the middle of its trucks may lie below, none far
    above. One truck has two routes on sand salt, of which it carries little at a time.
    """
    runs = pd.read_csv(finished_county / f"results/{STORM}/plan_routes.csv")
    first = runs[runs["application"] == runs["application"].min()]
    hours = first.groupby("truck_id")["minutes"].sum() / 60.0
    assert 1.5 <= hours.median() <= 3.0
    assert (hours > 4.0).mean() <= 0.2
    assert hours.max() < 8.0


def test_the_county_promises_no_more_than_a_state_with_more_trucks(finished_county: Path):
    """South Dakota Department of Transportation, winter plan for 2022-23, as told by KELO News
    (Capitol News Bureau): interstates and priority routes are attended to every two hours, others
    every four. The county's rounds take about two hours themselves: a promise below that could not
    be kept by its own trucks.
    """
    import tomllib

    policy = tomllib.loads((finished_county / "policy.toml").read_text(encoding="utf-8"))
    cycles = {one["service_class"]: one.get("cycle_min") for one in policy["service"]}
    assert cycles["A"] >= 120
    assert cycles["A"] < cycles["B"]
    assert cycles["B"] >= 240
    runs = pd.read_csv(finished_county / f"results/{STORM}/plan_routes.csv")
    rounds = runs.groupby(["application", "truck_id"])["minutes"].sum()
    assert rounds.median() <= cycles["A"]
