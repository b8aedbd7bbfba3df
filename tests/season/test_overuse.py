"""Findings and what supports them."""

from __future__ import annotations

import pandas as pd
import pytest

from spreadplan.schema.policy import Policy
from spreadplan.schema.results import RESULTS
from spreadplan.season.chloride import area_shares
from spreadplan.season.overuse import (
    calibration_in_force,
    evidence,
    of_rate,
    repeat_offences,
    support,
)
from spreadplan.season.use import PLANNED, season_use
from tests.said import US, words
from tests.season.season_tables import areas, assignments, routes, segments, storm

TESTS = pd.DataFrame(
    {
        "test_id": ["D1", "D2", "D3"],
        "truck_id": ["T1", "T1", "T2"],
        "material": "salt",
        "performed_at": pd.to_datetime(["2026-10-01", "2026-10-20", "2026-10-05"], utc=True),
        "valid": [True, True, False],
    }
)


def over(applied: float, u: float, allowed: float = 3900.0):
    """A storm with one segment near its limit."""
    return storm("s1", "2026-12-01", segments=segments(
        ("R1", "a", 10.0, 2.0, applied, u, 3600.0, allowed),
        ("R1", "b", 5.0, 2.0, 2000.0, 75.0, 1800.0, 2200.0),
    ))  # fmt: skip


def found(one, calibrations=None):
    shares = area_shares(routes(), areas(), Policy())
    return evidence([one], calibrations or {"s1": TESTS}, shares, 0.95)


def test_a_clear_excess_is_supported_with_its_evidence():
    row = found(over(4400.0, 130.0)).iloc[0]
    assert row["supported"]
    assert row["rate_lb_per_lane_mile"] == pytest.approx(220.0)
    assert row["limit_lb_per_lane_mile"] == pytest.approx(195.0)
    assert row["trucks"] == "T1"
    assert words(row["calibration"]) == "T1: test D2 of 2026-10-20 and 1 more"
    assert row["area_id"] == "S1; W1"
    assert row["p_over"] == pytest.approx(0.99994, abs=1e-4)


def test_an_excess_within_the_uncertainty_is_listed_as_not_supported():
    row = found(over(4000.0, 130.0)).iloc[0]
    assert not row["supported"]
    assert row["p_over"] == pytest.approx(0.779, abs=1e-3)
    assert "not supported" in US.say(row["says"])


def test_what_lies_below_its_limit_is_not_listed():
    assert len(found(over(3890.0, 130.0))) == 0
    assert list(found(over(3890.0, 130.0)).columns) == RESULTS["evidence"].names


def test_planned_storms_accuse_nobody():
    one = storm("s1", "2026-12-01", source=PLANNED)
    assert len(found(one)) == 0


def test_surest_first_and_counted():
    two = storm("s1", "2026-12-01", segments=segments(
        ("R1", "a", 10.0, 2.0, 4000.0, 130.0, 3600.0, 3900.0),
        ("R1", "b", 5.0, 2.0, 2900.0, 75.0, 1800.0, 2200.0),
    ))  # fmt: skip
    table = found(two)
    assert table["segment_id"].tolist() == ["b", "a"]
    assert support(table) == (2, 1, 0)


def test_more_rounds_within_their_rate_are_no_over_application():
    """Four rounds of 200 lb per lane-mile where two of 180 (195 allowed) were planned, u 130.

    8,000 lb against 2 x 1,950 = 3,900 allowed in all; 4 x 1,950 = 7,800 for the rounds made, which
    it exceeds with a probability of 94 %: not the 95 % that are needed.
    """
    four = storm("s1", "2026-12-01", segments=segments(
        ("R1", "a", 10.0, 4.0, 8000.0, 130.0, 3600.0, 3900.0),
        ("R1", "b", 5.0, 4.0, 4800.0, 75.0, 1800.0, 2200.0),
    ))  # fmt: skip
    table = found(four).set_index("segment_id")
    row = table.loc["a"]
    assert row["limit_lb_per_lane_mile"] == pytest.approx(195.0)
    assert row["rate_lb_per_lane_mile"] == pytest.approx(200.0)
    assert words(row["reason"]) == "more rounds than planned"
    assert US.say(row["says"]).startswith(
        "more rounds than planned: 4.0 where 2 were planned, each 200 lb/lane-mile (95 %: 194 to "
        "206 lb/lane-mile) against 195"
    )
    assert words(table.loc["b", "reason"]) == "rate above the plan, and more rounds than planned"
    assert support(table) == (1, 1, 1)
    assert of_rate(table).index.tolist() == ["b"]
    use = season_use([four], assignments())
    season = repeat_offences([four], use, 0.95).set_index("segment_id")
    assert words(season.loc["a", "reason"]) == "more rounds than planned"


def test_calibration_in_force():
    assert words(calibration_in_force(TESTS, "T2", "salt")) == "T2: no valid test with salt"
    assert words(calibration_in_force(None, "T1", "salt")) == "T1: calibration not read"


def test_small_excesses_of_a_season_add_up_only_as_far_as_the_truck_is_known():
    """Ten storms 100 lb over: the truck's own error (120 of 4,000) is common to all of them."""
    storms = [storm(f"s{n}", f"2026-12-{n:02d}") for n in range(1, 11)]
    use = season_use(storms, assignments())
    table = repeat_offences(storms, use, 0.95).set_index("segment_id")
    row = table.loc["a"]
    assert row["storms_above"] == 10
    assert row["over_lb"] == pytest.approx(1000.0)
    assert row["applied_u_lb"] == pytest.approx((400**2 + 1200**2 + 10 * 30**2) ** 0.5)
    assert row["verdict"] == "probably_over"
    assert "b" not in table.index
