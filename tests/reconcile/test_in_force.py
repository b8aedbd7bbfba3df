"""Which plan a round and a treatment are judged by, where the plan was replaced in the storm."""

from __future__ import annotations

import pandas as pd
import pytest

from spreadplan.reconcile.in_force import PlanVersion, in_force, version_at
from spreadplan.reconcile.treatments import WORST_FIRST, against_rates, rates_by_version
from spreadplan.reconcile.verdicts import DecisionRule

RULE = DecisionRule(over_pct=10.0, under_pct=10.0, confidence=0.95)
STARTS = {"1": "2026-12-31T18:00Z", "2": "2026-12-31T23:00Z"}


def seconds(text: str) -> float:
    return pd.Timestamp(text).timestamp()


def version(name: str, since: str, rows: list[tuple[str, str, float]], **due: str) -> PlanVersion:
    """A plan of one route R; rows: application, segment, mass. ``due`` : application A1 → time."""
    segments = pd.DataFrame(rows, columns=["application", "segment_id", "mass_lb"])
    start = pd.to_datetime(segments["application"].map(STARTS), utc=True)
    segments = segments.assign(
        route_id="R",
        truck_id="T1",
        material="salt",
        lane_miles=1.0,
        mass_lo_lb=0.9 * segments["mass_lb"],
        mass_hi_lb=1.1 * segments["mass_lb"],
        area_id="",
        max_rate_lb_per_lane_mile=float("nan"),
        start=start,
        due=[
            pd.Timestamp(due.get(f"A{label}", begin.isoformat()))
            for label, begin in zip(segments["application"], start, strict=True)
        ],
    )
    keys = ["application", "route_id", "truck_id", "material"]
    runs = segments.groupby(keys)[["mass_lb", "mass_lo_lb", "mass_hi_lb"]].sum().reset_index()
    return PlanVersion(name=name, since_s=seconds(since), segments=segments, runs=runs)


def passes(*rows: tuple[str, str]) -> pd.DataFrame:
    """segment and time of whole passes on R."""
    return pd.DataFrame(
        {
            "route_id": "R",
            "segment_id": [segment for segment, _ in rows],
            "material": "salt",
            "truck_id": "T1",
            "time_s": [seconds(time) for _, time in rows],
            "reported_lb": 300.0,
            "passes": 1.0,
        }
    )


def taken(plan) -> dict[tuple[str, str], str]:
    rows = plan.segments
    names = [plan.versions[at].name for at in rows["version"]]
    return dict(zip(zip(rows["segment_id"], rows["application"], strict=True), names, strict=True))


BOTH = [("1", "a", 300.0), ("1", "b", 300.0), ("2", "a", 300.0), ("2", "b", 300.0)]
LOWER = [(label, segment, 200.0) for label, segment, _ in BOTH]
FIRST = version("1", "2026-12-31T15:00Z", BOTH)
SECOND = version("2", "2026-12-31T21:00Z", LOWER)


def test_the_first_plan_holds_from_the_beginning():
    since = [seconds("2026-12-31T15:00Z"), seconds("2026-12-31T21:00Z")]
    times = [0.0, since[0], since[1] - 1.0, since[1], float("nan")]
    found = version_at(pd.Series(since).to_numpy(), pd.Series(times).to_numpy())
    assert found.tolist() == [0, 0, 0, 1, 0]


def test_one_plan_is_taken_as_it_is():
    plan = in_force([FIRST], passes(("a", "2026-12-31T22:00Z")))
    assert plan.segments.drop(columns="version").equals(FIRST.segments)
    assert plan.runs.drop(columns="version").equals(FIRST.runs)
    assert not plan.several


def test_a_round_is_that_of_the_plan_in_force_when_it_was_made():
    """Round 1: a at 19:00 under issue 1, b at 22:00, late, under issue 2; round 2 under issue 2."""
    made = passes(("a", "2026-12-31T19:00Z"), ("b", "2026-12-31T22:00Z"))
    plan = in_force([FIRST, SECOND], made)
    assert taken(plan) == {("a", "1"): "1", ("b", "1"): "2", ("a", "2"): "2", ("b", "2"): "2"}
    # half of the run of round 1 is of each plan, and no mass is there twice
    runs = plan.runs.set_index(["application", "version"])["mass_lb"]
    assert runs.to_dict() == {("1", 0): 300.0, ("1", 1): 200.0, ("2", 1): 400.0}


def test_a_round_that_nobody_made_is_that_of_the_plan_in_force_when_it_was_due():
    plan = in_force([FIRST, SECOND], passes())
    assert taken(plan)["a", "1"] == "1"
    assert taken(plan)["a", "2"] == "2"


def test_a_round_that_a_later_plan_dropped_before_it_was_due_is_not_asked_for():
    rest = version("2", "2026-12-31T21:00Z", [("2", "b", 200.0)])
    plan = in_force([FIRST, rest], passes(("a", "2026-12-31T19:00Z"), ("b", "2026-12-31T19:10Z")))
    assert ("a", "2") not in taken(plan)
    assert taken(plan)["b", "2"] == "2"


def test_a_round_made_late_is_that_of_the_plan_that_still_had_it():
    """The plan for the rest counts a of round 1 as done; it is made at 21:05 all the same."""
    rest = version("2", "2026-12-31T21:00Z", [("2", "a", 200.0)])
    plan = in_force([FIRST, rest], passes(("a", "2026-12-31T21:05Z")))
    assert taken(plan)["a", "1"] == "1"


def test_a_run_in_progress_is_due_when_it_ends():
    """Its run ends at 21:30: who replaced the plan at 21:00 said what of it is to be done."""
    first = version("1", "2026-12-31T15:00Z", BOTH, A1="2026-12-31T21:30Z")
    rest = version("2", "2026-12-31T21:00Z", [("1", "a", 200.0)], A1="2026-12-31T22:00Z")
    plan = in_force([first, rest], passes(("b", "2026-12-31T20:00Z")))
    assert taken(plan)["a", "1"] == "2"
    assert taken(plan)["b", "1"] == "1"


def test_a_route_that_only_the_later_plan_has_is_judged_by_it():
    later = version("2", "2026-12-31T21:00Z", [*LOWER, ("1", "c", 200.0)])
    plan = in_force([FIRST, later], passes(("c", "2026-12-31T19:00Z")))
    assert taken(plan)["c", "1"] == "2"


def test_without_times_a_segment_is_judged_by_the_plan_under_which_it_was_made():
    def timeless(one: PlanVersion) -> PlanVersion:
        nothing = pd.Series(pd.NaT, index=one.segments.index, dtype="datetime64[ns, UTC]")
        return PlanVersion(
            name=one.name,
            since_s=one.since_s,
            segments=one.segments.assign(start=nothing, due=nothing),
            runs=one.runs,
        )

    made = passes(("a", "2026-12-31T19:00Z"), ("b", "2026-12-31T22:00Z"))
    plan = in_force([timeless(FIRST), timeless(SECOND)], made)
    assert taken(plan)["a", "1"] == "1"
    assert taken(plan)["b", "1"] == "2"


# --- treatments against the rate in force ---


def parts_of(made: pd.DataFrame, lb: list[float]) -> pd.DataFrame:
    rows = made.assign(reported_lb=lb)
    keys = ["route_id", "segment_id", "material", "truck_id"]
    sums = rows.groupby(keys)[["reported_lb", "passes"]].sum().reset_index()
    nothing = dict.fromkeys(("fleet_u_lb", "truck_u_lb", "storm_u_lb"), 0.0)
    return sums.assign(applied_lb=sums["reported_lb"], own_u_lb=5.0, **nothing)


def judged(versions: list[PlanVersion], made: pd.DataFrame, lb: list[float]) -> pd.DataFrame:
    plan = in_force(versions, made)
    per_round = pd.Series(1.0, index=pd.MultiIndex.from_product([["R"], list("ab")]))
    made = made.assign(reported_lb=lb)
    parts = parts_of(made, lb)
    rates = rates_by_version(parts, made, plan, per_round, RULE)
    assert rates["applied_lb"].sum() == pytest.approx(sum(lb))
    keys = ["route_id", "segment_id", "material"]
    rows = parts.groupby(keys)["passes"].sum().rename("applications").reset_index()
    rounds = plan.segments.groupby("segment_id")["application"].nunique()
    rows = rows.assign(
        rounds_planned=rows["segment_id"].map(rounds).astype(float), coverage=1.0, reason=""
    )
    return rows.join(against_rates(rows, rates, plan, RULE)).set_index("segment_id")


def test_what_was_right_before_the_new_plan_is_too_much_after_it():
    """300 lb a lane-mile twice: 600 lb where 500 were planned would be the mean of both plans."""
    made = passes(("a", "2026-12-31T19:00Z"), ("a", "2026-12-31T23:10Z"))
    found = judged([FIRST, SECOND], made, [300.0, 300.0]).loc["a"]
    assert found["rate_verdict"] == "over"
    assert found["issue"] == "1;2"
    assert (found["treatments"], found["planned_treatments"]) == (2.0, 2.0)
    assert found["rounds_verdict"] == "as_planned"


def test_each_treatment_at_the_rate_of_its_plan_is_within():
    made = passes(("a", "2026-12-31T19:00Z"), ("a", "2026-12-31T23:10Z"))
    found = judged([FIRST, SECOND], made, [300.0, 200.0]).loc["a"]
    assert found["rate_verdict"] == "within"


def test_more_rounds_at_the_right_rate_are_no_rate_too_high():
    made = passes(*[("a", f"2026-12-31T{hour}:00Z") for hour in (18, 19, 20)])
    found = judged([FIRST], made, [300.0, 300.0, 300.0]).loc["a"]
    assert (found["rate_verdict"], found["rounds_verdict"]) == ("within", "more")


def test_fewer_rounds_at_twice_the_rate_are_both():
    found = judged([FIRST], passes(("a", "2026-12-31T18:30Z")), [600.0]).loc["a"]
    assert (found["rate_verdict"], found["rounds_verdict"]) == ("over", "fewer")


def test_a_treatment_that_its_plan_did_not_ask_for_has_no_rate():
    rest = version("2", "2026-12-31T21:00Z", [("2", "b", 200.0)])
    made = passes(("a", "2026-12-31T22:00Z"))
    found = judged([FIRST, rest], made, [300.0]).loc["a"]
    assert found["rate_verdict"] == "unknown"


def test_every_rate_verdict_has_its_words():
    from spreadplan.views.words import TERMS

    assert set(TERMS["rate_verdict"]) == set(WORST_FIRST)
