"""Storms are pooled only within a truck's calibration period, and a drift is followed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from spreadplan.reconcile.periods import in_periods, with_trend

STARTS = {
    f"s{n}": pd.Timestamp("2026-12-01", tz="UTC") + pd.Timedelta(days=15 * n) for n in range(8)
}
NO_TESTS = pd.DataFrame({"truck_id": [], "material": [], "performed_at": [], "voided_by": []})


def changes(*rows: tuple[str, str, str]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["truck_id", "changed_at", "what"])
    return frame.assign(changed_at=pd.to_datetime(frame["changed_at"], utc=True))


def reports(truck: str = "T1") -> pd.DataFrame:
    return pd.DataFrame({"storm": list(STARTS), "truck_id": truck, "material": "salt"})


def test_work_on_the_truck_divides_its_storms():
    work = changes(("T1", "2027-01-03", "sensor"), ("T1", "2027-01-03", "other"))
    found = in_periods(reports(), NO_TESTS, work, STARTS, "s5")["truck_id"]
    assert found.tolist() == ["T1 (period 0)"] * 3 + ["T1"] * 5


def test_a_test_divides_them_too_unless_it_is_voided():
    tests = pd.DataFrame(
        {
            "truck_id": ["T1", "T1", "T2"],
            "material": "salt",
            "performed_at": pd.to_datetime(["2027-01-03", "2027-02-02", "2027-01-03"], utc=True),
            "voided_by": ["", "scale not level", ""],
        }
    )
    found = in_periods(reports(), tests, changes(), STARTS, "s0")["truck_id"]
    assert found.tolist() == ["T1"] * 3 + ["T1 (period 1)"] * 5


def tickets(ratios: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "storm": list(STARTS),
            "truck_id": "T1",
            "material": "salt",
            "reported_lb": 20_000.0,
            "loaded_lb": 20_000.0 * ratios,
            "returned_lb": 0.0,
            "loads": 2,
            "ticket_u_lb": 20.0,
            "unreturned_lb": 0.0,
            "comparable": True,
        }
    )


TABLE = pd.DataFrame(
    {
        "truck_id": ["T1"],
        "material": ["salt"],
        "ratio": [1.1],
        "ratio_lo": [1.05],
        "ratio_hi": [1.15],
        "ratio_u": [0.02],
        "ratio_fleet_u": [0.01],
    }
)


def test_a_steady_rise_is_followed_to_the_storm_asked_for():
    """ln ratio grows by 0.03 in 15 days: exp(0.06) - 1 = 6.2 % in 30 days, exp(0.21) at the end."""
    rising = tickets(np.exp(0.03 * np.arange(8)))
    last = with_trend(TABLE, rising, STARTS, "s7").iloc[0]
    assert last["trend_pct_per_month"] == pytest.approx(6.18, abs=0.01)
    assert last["ratio"] == pytest.approx(np.exp(0.21), rel=1e-6)
    assert last["ratio_lo"] < last["ratio"] < last["ratio_hi"]
    first = with_trend(TABLE, rising, STARTS, "s0").iloc[0]
    assert first["ratio"] == pytest.approx(1.0, rel=1e-6)


def test_scatter_alone_changes_nothing_but_is_reported():
    rng = np.random.default_rng(5)
    found = with_trend(TABLE, tickets(np.exp(rng.normal(0, 0.03, 8))), STARTS, "s7").iloc[0]
    assert found["ratio"] == 1.1
    assert found["trend_p"] > 0.01


def test_few_storms_or_open_hoppers_tell_nothing():
    rising = tickets(np.exp(0.03 * np.arange(8)))
    assert np.isnan(with_trend(TABLE, rising.head(4), STARTS, "s3")["trend_p"].iloc[0])
    open_hopper = rising.assign(unreturned_lb=5_000.0)
    assert np.isnan(with_trend(TABLE, open_hopper, STARTS, "s7")["trend_p"].iloc[0])


@pytest.mark.slow
def test_false_alarms_are_as_rare_as_the_level_says():
    rng = np.random.default_rng(11)
    alarms = sum(
        with_trend(TABLE, tickets(np.exp(rng.normal(0, 0.03, 8))), STARTS, "s7")["trend_p"].iloc[0]
        < 0.01
        for _ in range(400)
    )
    assert alarms <= 10  # 4 expected; more than 10 of 400 would come once in 200 seeds
