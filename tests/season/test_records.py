"""Trucks that drift and yards whose books don't add up."""

from __future__ import annotations

import pandas as pd
import pytest

from spreadplan.reconcile.balance import balance_between_counts
from spreadplan.remarks import remark
from spreadplan.season.records import latest, record_findings, truck_history
from tests.planning.small_county import frame
from tests.said import said

NAN = float("nan")
TEST_IT = remark("nothing_needed")
NO_BOOKS = pd.DataFrame(columns=["verdict", "difference_ton", "difference_u_ton"])


def trucks(*rows):
    columns = (
        "truck_id material reported_lb season_ratio season_lo season_hi storm_ratio verdict "
        "test_again advice trend_pct_per_month trend_p"
    )
    return frame(columns, *rows).assign(
        ratio=NAN, ratio_lo=NAN, ratio_hi=NAN, without_ticket_lb=0.0, missing_loads=0
    )


def history(drifting_p=0.001):
    first = trucks(
        ("T1", "salt", 100.0, 1.05, 1.0, 1.1, 1.04, "reports too little", False, "none", 3.6,
         drifting_p),
        ("T2", "salt", 100.0, 1.0, 0.98, 1.02, NAN, "agrees", False, "none needed", 0.1, 0.8),
    )  # fmt: skip
    last = trucks(
        ("T1", "salt", 100.0, 1.20, 1.14, 1.26, 1.22, "reports too little", True, TEST_IT, 3.6,
         drifting_p),
        ("T2", "salt", 100.0, 1.0, 0.98, 1.02, 1.01, "agrees", False, "none needed", 0.1, 0.8),
    )  # fmt: skip
    starts = {"b": pd.Timestamp("2027-02-01T00:00Z"), "a": pd.Timestamp("2026-12-01T00:00Z")}
    return truck_history({"b": last, "a": first}, starts)


def test_history_is_in_order_of_time_and_the_last_storm_counts():
    table = history()
    assert table["storm"].tolist() == ["a", "b", "a", "b"]
    now = latest(table)
    assert now["truck_id"].tolist() == ["T1", "T2"]
    assert now["ratio"].tolist() == [1.20, 1.0]


def test_a_drift_is_a_problem_and_without_one_a_wrong_ratio_is_a_caution():
    nothing = balance_between_counts(
        counts(), deliveries(), tickets("loaded_at"), tickets("returned_at")
    ).iloc[:0]
    (found,) = map(said, record_findings(history(), nothing))
    assert (found.severity, found.subject) == ("problem", "truck T1, salt")
    assert "20 % more than it reports" in found.what
    assert "+3.6 % a month" in found.what
    (steady,) = map(said, record_findings(history(drifting_p=0.3), nothing))
    assert steady.severity == "caution"
    assert "a month" not in steady.what


def counts():
    table = frame(
        "yard_id material counted_at on_hand_lb on_hand_u_lb",
        ("Y1", "salt", "2026-11-01T12:00Z", 200_000.0, 2_000.0),
        ("Y1", "salt", "2026-12-01T12:00Z", 150_000.0, 2_000.0),
        ("Y1", "salt", "2027-01-01T12:00Z", 190_000.0, 2_000.0),
        ("Y2", "salt", "2026-11-15T12:00Z", 10_000.0, 2_000.0),
    )
    return table.assign(counted_at=pd.to_datetime(table["counted_at"], utc=True))


def deliveries():
    return pd.DataFrame(
        {
            "yard_id": pd.Series([], dtype=object),
            "material": pd.Series([], dtype=object),
            "delivered_at": pd.to_datetime(pd.Series([], dtype=object), utc=True),
            "net_lb": pd.Series([], dtype=float),
        }
    )


def tickets(moment):
    rows = [("Y1", "salt", "2026-11-20T12:00Z", 50_000.0, 20.0)] if moment == "loaded_at" else []
    table = pd.DataFrame(
        rows, columns=["yard_id", "material", moment, "net_lb", "scale_division_lb"]
    )
    table[moment] = pd.to_datetime(table[moment], utc=True)
    return table.astype({"net_lb": float, "scale_division_lb": float})


def test_books_are_balanced_from_count_to_count():
    table = balance_between_counts(
        counts(), deliveries(), tickets("loaded_at"), tickets("returned_at")
    )
    assert table["yard_id"].tolist() == ["Y1", "Y1"]  # Y2 was counted once only
    assert table["verdict"].tolist() == ["agrees", "more delivered than recorded"]
    # 150,000 lb expected and 190,000 counted: 20 tons
    assert table["difference_ton"].tolist() == pytest.approx([0.0, 20.0])
    found = [
        one
        for one in map(said, record_findings(history(), table))
        if one.subject.startswith("yard")
    ]
    assert [one.subject for one in found] == ["yard Y1, salt"]
    assert "20.0 ± 2.8" in found[0].what
    assert "more counted on 2027-01-01 than the records since 2026-12-01" in found[0].what


def test_one_count_alone_balances_nothing():
    table = balance_between_counts(
        counts().iloc[:1], deliveries(), tickets("loaded_at"), tickets("returned_at")
    )
    assert table.empty
    assert "verdict" in table.columns


def test_loads_without_a_ticket_are_named_where_they_are_counted():
    """T1 lacks 9,000 lb, two usual loads, in one storm; T3 and T4 have no ticket in any."""
    rows = trucks(
        ("T1", "salt", 100.0, 1.0, 0.98, 1.02, 0.6, "tickets missing", False, "look", 0.0, 1.0),
        ("T2", "salt", 100.0, 1.0, 0.98, 1.02, 1.0, "agrees", False, "none needed", 0.0, 1.0),
        ("T3", "salt", 100.0, 1.0, 0.98, 1.02, NAN, "no tickets", False, "weigh", 0.0, 1.0),
        ("T4", "salt", 100.0, 1.0, 0.98, 1.02, NAN, "no tickets", False, "weigh", 0.0, 1.0),
    ).assign(without_ticket_lb=[9000.0, 0.0, 3000.0, 1000.0], missing_loads=[2, 0, 1, 0])
    table = truck_history({"a": rows}, {"a": pd.Timestamp("2026-12-01T00:00Z")})
    found = list(map(said, record_findings(table, NO_BOOKS)))
    assert [(one.severity, one.subject, one.what) for one in found] == [
        (
            "caution",
            "tickets of T1, salt",
            "4.50 tons of what it used in a are presumed: no ticket names them; 2 of its usual "
            "loads would explain it",
        ),
        ("note", "tickets of salt", "2.00 tons used by trucks that no ticket tells of: T3, T4"),
    ]
