"""Sharing scarce salt: against brute force, duality, and finite differences."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spreadplan.planning import plan_storm
from spreadplan.season.allocation import (
    FIRST_PART,
    Scarcity,
    allocate,
    area_rows,
    class_worth,
    haul_ways,
    scarcity_of_plan,
    wanted_rows,
)
from tests.planning.small_county import county, frame
from tests.said import US

NO_HAUL = pd.DataFrame(
    {
        "from_yard": pd.Series([], dtype=object),
        "to_yard": pd.Series([], dtype=object),
        "miles": pd.Series([], dtype=float),
    }
)
HAUL = pd.DataFrame({"from_yard": ["Y1", "Y2"], "to_yard": ["Y2", "Y1"], "miles": [10.0, 10.0]})


def wanted(*rows: tuple[Any, ...]) -> pd.DataFrame:
    """Rows of route, yard, class, lane-miles, wanted lb, minimum lb; application 1."""
    columns = ["route_id", "yard_id", "service_class", "lane_miles", "wanted_lb", "minimum_lb"]
    return pd.DataFrame(list(rows), columns=columns).assign(application="1")


def given_case(rows: pd.DataFrame, stock: dict[str, float], **changes: Any) -> Scarcity:
    usual: dict[str, Any] = {
        "wanted": rows,
        "stock": pd.DataFrame({"yard_id": list(stock), "available_lb": list(stock.values())}),
        "haul": NO_HAUL,
        "worth": class_worth(rows["service_class"]),
    }
    return Scarcity(**(usual | changes))


THREE = wanted(
    ("R1", "Y1", "A", 10.0, 4000.0, 2000.0), ("R2", "Y1", "B", 10.0, 4000.0, 2000.0),
    ("R3", "Y1", "C", 10.0, 4000.0, 2000.0),
)  # fmt: skip


def by_hand(case: Scarcity) -> float:
    """Best worth by trying every choice of rows; one yard, no haul, no areas.

    With the choice made, what is left of the stock goes to the best worth per lb first.
    """
    rows = case.wanted
    value = rows["service_class"].map(dict(case.worth)) * rows["lane_miles"]
    part = rows["minimum_lb"] / rows["wanted_lb"]
    first = value * (part + FIRST_PART * (1 - part))
    more = rows["wanted_lb"] - rows["minimum_lb"]
    best = 0.0
    for choice in itertools.product([0, 1], repeat=len(rows)):
        taken = np.array(choice, dtype=bool)
        left = case.stock["available_lb"].iloc[0] - rows["minimum_lb"][taken].sum()
        if left < 0:
            continue
        total = first[taken].sum()
        each = sorted(
            ((value[i] - first[i]) / more[i], more[i]) for i in np.flatnonzero(taken) if more[i] > 0
        )
        for per_lb, room in reversed(each):
            put = min(room, left)
            total += per_lb * put
            left -= put
        best = max(best, total)
    return best


def test_enough_for_everybody_gives_everybody_all():
    found = allocate(given_case(THREE, {"Y1": 20_000.0}))
    assert found.rows["share"].tolist() == pytest.approx([1.0, 1.0, 1.0])
    assert found.yards["worth_of_one_more_ton"].tolist() == [0.0]
    assert found.yards["left_ton"].tolist() == pytest.approx([4.0])


def test_higher_classes_come_first_and_a_thin_treatment_before_a_full_one():
    found = allocate(given_case(THREE, {"Y1": 8000.0}))
    # worth of a thousand lb: first half 15, 7.5, 3.75 by class, second half 5, 2.5, 1.25
    assert found.rows["mass_lb"].tolist() == pytest.approx([4000.0, 2000.0, 2000.0])
    assert found.worth == pytest.approx(40.0 + 15.0 + 7.5)
    classes = found.classes.set_index("service_class")
    assert classes["given_up_ton"].tolist() == pytest.approx([0.0, 1.0, 1.0])
    assert classes["thinned_lane_miles"].tolist() == [0.0, 10.0, 10.0]


def test_less_than_the_minimum_is_never_spread():
    found = allocate(given_case(THREE, {"Y1": 3000.0}))
    assert found.rows["mass_lb"].tolist() == pytest.approx([3000.0, 0.0, 0.0])
    assert found.classes["untreated_lane_miles"].tolist() == [0.0, 10.0, 10.0]


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from("ABC"), st.integers(1, 20), st.integers(100, 400), st.integers(20, 100)
        ),
        min_size=1,
        max_size=7,
    ),
    st.integers(0, 12_000),
)
def test_as_good_as_brute_force(rows, stock):
    table = wanted(
        *(
            (
                f"R{n}",
                "Y1",
                name,
                float(miles),
                float(miles * rate),
                float(miles * min(least, rate)),
            )
            for n, (name, miles, rate, least) in enumerate(rows)
        )
    )
    case = given_case(table, {"Y1": float(stock)})
    found = allocate(case)
    assert found.worth == pytest.approx(by_hand(case), rel=1e-5, abs=1e-6)
    mass = found.rows["mass_lb"]
    assert mass.sum() <= stock + 1e-4
    assert ((mass < 1e-6) | (mass > found.rows["minimum_lb"] - 1e-6)).all()
    assert (mass <= found.rows["wanted_lb"] + 1e-6).all()


def two_yards(extra: float = 0.0, cost: float = 0.02) -> Scarcity:
    rows = wanted(
        ("R1", "Y1", "A", 12.0, 4200.0, 1200.0), ("R2", "Y1", "B", 8.0, 2400.0, 800.0),
        ("R3", "Y2", "A", 10.0, 3000.0, 1000.0), ("R4", "Y2", "C", 15.0, 4500.0, 1500.0),
    )  # fmt: skip
    return given_case(rows, {"Y1": 3300.0 + extra, "Y2": 9000.0}, haul=HAUL, haul_cost=cost)


def test_dual_is_the_finite_difference():
    """The value of one more ton, against adding 20 lb and sharing again."""
    found = allocate(two_yards())
    more = allocate(two_yards(extra=20.0))
    dual = found.yards.set_index("yard_id").loc["Y1", "worth_of_one_more_ton"]
    assert dual > 0.0
    assert dual == pytest.approx((more.worth - found.worth) / 20.0 * 2000.0, rel=1e-4)


def test_haul_pays_only_while_it_costs_less_than_it_is_worth():
    cheap, dear = allocate(two_yards(cost=0.001)), allocate(two_yards(cost=5.0))
    assert cheap.haul["ton"].sum() > 0.0
    assert cheap.haul["from_yard"].tolist() == ["Y2"]
    assert len(dear.haul) == 0
    # where salt is hauled, a ton is worth as much more at the end as the way costs
    values = cheap.yards.set_index("yard_id")["worth_of_one_more_ton"]
    assert values["Y1"] - values["Y2"] == pytest.approx(0.001 * 10.0, abs=1e-9)


def test_complementary_slackness_and_balance():
    found = allocate(two_yards())
    yards = found.yards
    assert (yards["left_ton"] * yards["worth_of_one_more_ton"]).abs().max() < 1e-6
    flow = (
        yards["available_ton"]
        + yards["hauled_in_ton"]
        - yards["hauled_out_ton"]
        - yards["used_ton"]
        - yards["left_ton"]
    )
    assert flow.abs().max() < 1e-9
    assert yards["used_ton"].sum() == pytest.approx(found.rows["mass_lb"].sum() / 2000.0)


def test_limit_of_an_area_binds():
    share = pd.DataFrame(
        {
            "application": ["1"],
            "route_id": ["R1"],
            "service_class": ["A"],
            "area_id": ["S1"],
            "share": [0.5],
        }
    )
    limit = pd.DataFrame({"area_id": ["S1"], "limit_lb": [1250.0]})
    found = allocate(given_case(THREE, {"Y1": 20_000.0}, area_rows=share, area_limits=limit))
    assert found.rows["mass_lb"].tolist() == pytest.approx([2500.0, 4000.0, 4000.0])


def test_what_must_be_treated_and_cannot_be_is_said():
    found = allocate(given_case(THREE, {"Y1": 3000.0}, must_treat={"A", "B"}))
    assert not found.possible
    assert tuple(map(US.say, found.reasons)) == (
        "yard Y1: the least treatment of class A, B needs 0.50 tons more than there is, even with "
        "haul from the other yards",
    )
    assert allocate(given_case(THREE, {"Y1": 4000.0}, must_treat={"A", "B"})).possible


def test_a_yard_without_stock_is_refused():
    with pytest.raises(ValueError, match="Y1"):
        allocate(given_case(THREE, {"Y2": 1.0}))


def test_wanted_rows_take_the_plan_and_keep_low_rates_in_areas():
    plan = pd.DataFrame(
        {
            "application": ["1", "1", "1"],
            "route_id": ["R1", "R1", "R2"],
            "yard_id": "Y1",
            "service_class": ["A", "A", "B"],
            "material": ["salt", "salt", "sand"],
            "lane_miles": [10.0, 2.0, 5.0],
            "mass_lb": [3000.0, 120.0, 900.0],
        }
    )
    found = wanted_rows(plan, "salt", 100.0)
    assert found["wanted_lb"].tolist() == [3120.0]
    assert found["minimum_lb"].tolist() == [1000.0 + 120.0]


def test_a_plan_that_is_short_is_shared():
    """The small county's yard has a third of what the plan asks for."""
    base = plan_storm(county())
    need = float(base.yards["needed_ton"].iloc[0])
    short = base.yards.assign(on_hand_ton=need / 3.0)
    case = scarcity_of_plan(base.segments, short, county().yards, "salt")
    found = allocate(case)
    assert found.possible
    assert found.rows["mass_lb"].sum() == pytest.approx(need / 3.0 * 2000.0, rel=1e-6)
    assert found.classes["given_up_ton"].sum() == pytest.approx(need * 2.0 / 3.0)
    unknown = base.yards.assign(on_hand_ton=float("nan"))
    all_of_it = allocate(scarcity_of_plan(base.segments, unknown, county().yards, "salt"))
    assert all_of_it.rows["share"].tolist() == pytest.approx([1.0] * len(case.wanted))


def test_share_of_a_row_in_areas_and_what_is_left_of_their_limits():
    plan = pd.DataFrame(
        {
            "application": "1",
            "route_id": "R1",
            "service_class": "A",
            "material": "salt",
            "area_id": ["", "S1", "S1; S2"],
            "mass_lb": [600.0, 300.0, 100.0],
        }
    )
    shares = area_rows(plan, "salt").set_index("area_id")["share"]
    assert shares.to_dict() == pytest.approx({"S1": 0.4, "S2": 0.1})


def test_haul_ways_join_every_two_yards():
    yards = frame("yard_id lon lat reload_min", ("Y1", -94.0, 46.0, 5.0), ("Y2", -94.0, 46.1, 5.0))
    ways = haul_ways(yards)
    assert len(ways) == 2
    # a tenth of a degree of latitude is 6.91 miles
    assert ways["miles"].tolist() == pytest.approx([1.3 * 6.907] * 2, rel=1e-3)
