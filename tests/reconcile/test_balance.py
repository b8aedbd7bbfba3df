"""Stockpile balance by hand."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from spreadplan.reconcile.balance import balance_between_counts, stock_balance
from spreadplan.schema.results import RESULTS
from tests.reconcile.ticket_tables import hours

START, END = hours(100), hours(124)
#: how often each was counted
YARDS = {"Y1": 7, "Y2": 4, "Y3": 1, "Y4": 0}


def counts(*rows: tuple[str, float, float, float]) -> pd.DataFrame:
    """Yard, hour, tons on hand, tons of uncertainty."""
    frame = pd.DataFrame(
        [(yard, "salt", hours(at), 2000.0 * on_hand, 2000.0 * u) for yard, at, on_hand, u in rows],
        columns=["yard_id", "material", "counted_at", "on_hand_lb", "on_hand_u_lb"],
    )
    return frame.astype({"counted_at": "datetime64[ns, UTC]", "on_hand_lb": float})


def moves(moment: str, *rows: tuple[str, float, float]) -> pd.DataFrame:
    """Yard, hour, tons; scales show 20 lb."""
    frame = pd.DataFrame(
        [(yard, "salt", hours(at), 2000.0 * tons) for yard, at, tons in rows],
        columns=["yard_id", "material", moment, "net_lb"],
    )
    return frame.astype({moment: "datetime64[ns, UTC]", "net_lb": float})


def balance(
    counted: pd.DataFrame,
    delivered: pd.DataFrame | None = None,
    loaded: pd.DataFrame | None = None,
    returned: pd.DataFrame | None = None,
) -> pd.DataFrame:
    found = stock_balance(
        counted,
        moves("delivered_at") if delivered is None else delivered,
        moves("loaded_at") if loaded is None else loaded,
        moves("returned_at") if returned is None else returned,
        START,
        END,
    )
    assert list(found.columns) == RESULTS["balance"].names
    return found.set_index("yard_id")


def test_a_yard_by_hand():
    """500 + 25 - (7 + 6.5) + 1.5 = 513 expected, 505 counted: -8 tons.

    What moved before the first or after the last count doesn't count; a load of another storm
    between the two does. u = sqrt(10**2 + 8**2 + 4 tickets * (20 lb)**2 / 6 in tons) = 12.806.
    """
    found = balance(
        counts(("Y1", 10, 480.0, 20.0), ("Y1", 90, 500.0, 10.0), ("Y1", 150, 505.0, 8.0),
               ("Y1", 300, 100.0, 8.0)),
        moves("delivered_at", ("Y1", 50, 99.0), ("Y1", 110, 25.0), ("Y1", 200, 99.0)),
        moves("loaded_at", ("Y1", 101, 7.0), ("Y1", 140, 6.5)),
        moves("returned_at", ("Y1", 123, 1.5)),
    ).loc["Y1"]  # fmt: skip
    values = [
        found[f"{name}_ton"]
        for name in (
            "opening",
            "delivered",
            "loaded",
            "returned",
            "expected",
            "counted",
            "difference",
        )
    ]
    assert values == pytest.approx([500.0, 25.0, 13.5, 1.5, 513.0, 505.0, -8.0])
    assert found["difference_u_ton"] == pytest.approx(12.806, abs=0.001)
    assert found["verdict"] == "agrees"
    assert (found["opening_at"], found["counted_at"]) == (hours(90), hours(150))


@pytest.mark.parametrize(
    ("counted", "verdict"),
    [
        (471.0, "more used than recorded"),
        (473.0, "agrees"),
        (527.0, "agrees"),
        (529.0, "more delivered than recorded"),
    ],
)
def test_twice_the_uncertainty_decides(counted: float, verdict: str) -> None:
    """u = hypot(10, 10) = 14.142 tons and 500 expected: 28.28 either way."""
    found = balance(counts(("Y1", 90, 500.0, 10.0), ("Y1", 150, counted, 10.0)))
    assert found.loc["Y1", "verdict"] == verdict


def test_an_unstated_uncertainty_is_five_percent_of_the_pile():
    found = balance(counts(("Y1", 90, 300.0, np.nan), ("Y1", 150, 400.0, np.nan)))
    assert found.loc["Y1", "difference_u_ton"] == pytest.approx(25.0)


def test_each_count_has_an_uncertainty_of_its_own():
    """The count before it stated 1 ton and the one after it 2: neither says how good these are."""
    found = balance(
        counts(
            ("Y1", 10, 300.0, 1.0),
            ("Y1", 90, 300.0, np.nan),
            ("Y1", 150, 400.0, np.nan),
            ("Y1", 300, 400.0, 2.0),
        )
    )
    assert found.loc["Y1", "difference_u_ton"] == pytest.approx(25.0)


def test_not_counted_yet():
    found = balance(
        counts(("Y1", 90, 500.0, 10.0)),
        loaded=moves("loaded_at", ("Y1", 101, 7.0), ("Y1", 130, 6.0)),
    ).loc["Y1"]
    assert found["verdict"] == "not counted yet"
    assert found["expected_ton"] == pytest.approx(493.0)
    assert np.isnan(found["difference_ton"])
    assert np.isnan(found["difference_u_ton"])


def test_no_opening_count():
    found = balance(
        counts(("Y1", 150, 500.0, 10.0)),
        loaded=moves("loaded_at", ("Y1", 99, 3.0), ("Y1", 101, 7.0), ("Y2", 101, 5.0)),
    )
    assert found["verdict"].tolist() == ["no opening count", "no opening count"]
    assert found["loaded_ton"].tolist() == pytest.approx([7.0, 5.0])
    assert found["expected_ton"].isna().all()


def test_nothing_at_all():
    assert balance(counts()).empty


def test_from_count_to_count_is_what_a_storm_between_the_two_would_find():
    """Yards counted on different days; what moved at the moment of a count lies before it."""
    rng = np.random.default_rng(4)
    at = {yard: np.sort(rng.choice(400, size, replace=False)) for yard, size in YARDS.items()}
    counted = counts(
        *((yard, hour, rng.uniform(100, 500), 5.0) for yard, hours in at.items() for hour in hours)
    ).sample(frac=1.0, random_state=1, ignore_index=True)
    moved = [
        moves(
            moment,
            *((str(rng.choice(list(YARDS))), hour, rng.uniform(5, 20)) for hour in range(400)),
        )
        for moment in ("delivered_at", "loaded_at", "returned_at")
    ]
    expected = [
        found[(found["yard_id"] == yard)]
        for yard, hours_of in sorted(at.items())
        for start, end in pairwise(hours_of)
        for found in [stock_balance(counted, *moved, hours(start), hours(end))]
    ]
    assert len(expected) == sum(YARDS.values()) - 3  # one yard was counted once, one never
    pd.testing.assert_frame_equal(
        balance_between_counts(counted, *moved),
        pd.concat(expected, ignore_index=True),
        check_exact=True,
    )
