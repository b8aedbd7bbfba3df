"""What is saved: by hand, and without counting twice."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from spreadplan.schema.policy import Policy
from spreadplan.season.chloride import area_shares
from spreadplan.season.savings import ALREADY, AREAS, CALIBRATION, PREWETTING, TO_GAIN, savings
from spreadplan.season.use import PLANNED, season_use
from tests.season.season_tables import areas, assignments, materials, routes, storm

STORMS = [storm("s1", "2026-12-01"), storm("s2", "2026-12-09")]


def judged(storms=STORMS):
    return pd.concat([one.segments.assign(storm=one.storm) for one in storms])


def planned(rate_in_area: float = 100.0) -> pd.DataFrame:
    """One round a storm on R1: 10 lane-miles at 200, 5 of an area at less."""
    return pd.DataFrame({
        "storm": ["s1", "s1"], "application": "1", "route_id": "R1", "material": "salt",
        "area_id": ["", "S1"], "lane_miles": [10.0, 5.0],
        "target_rate_lb_per_lane_mile": [200.0, rate_in_area],
    })  # fmt: skip


def table(storms=STORMS, plan=None, segments=None):
    use = season_use(storms, assignments())
    ground = areas().iloc[:1]
    shares = area_shares(routes(), ground, Policy())
    rows = judged(storms) if segments is None else segments
    found = savings(use, rows, plan, shares, assignments(), materials())
    return found.set_index(["state", "practice"])


def test_calibrated_rates_by_hand():
    """T1 puts down 12,000 lb where it reports 10,800; T2 what it reports."""
    row = table().loc[(TO_GAIN, CALIBRATION)]
    assert row["saved_ton"] == pytest.approx(0.6, abs=0.02)
    # all of the uncertainty of the true mass
    u = np.sqrt(180**2 + 360**2 + 120**2 + 2 * 50**2) / 2000
    assert row["saved_hi_ton"] - row["saved_lo_ton"] == pytest.approx(2 * 1.96 * u, rel=0.05)
    assert row["money"] == pytest.approx(80.0 * row["saved_ton"])


def test_areas_count_only_what_calibration_leaves():
    """R1-a touches the area: reported 3,600 a storm, 3,000 allowed. Its true mass of 4,000 lies
    1,000 above, but 400 of that is the truck's error and was counted before."""
    rows = judged()
    rows.loc[rows["segment_id"] == "a", "allowed_lb"] = 3000.0
    assert table(segments=rows).loc[(TO_GAIN, AREAS), "saved_ton"] == pytest.approx(0.6, abs=0.005)
    assert table().loc[(TO_GAIN, AREAS), "saved_ton"] == pytest.approx(0.0)


def test_prewetting_counts_only_dry_routes_and_what_is_left():
    rows = judged()
    rows.loc[rows["segment_id"] == "a", "allowed_lb"] = 3000.0
    row = table(segments=rows).loc[(TO_GAIN, PREWETTING)]
    left = (10_800 - 1200) / 2000
    assert row["saved_ton"] == pytest.approx(0.25 * left, rel=0.01)
    assert row["saved_lo_ton"] == pytest.approx(0.2025 * left, rel=0.02)
    assert row["saved_hi_ton"] == pytest.approx(0.2975 * left, rel=0.02)


def test_steps_add_up_to_the_way_from_today_to_the_best():
    rows = judged()
    rows.loc[rows["segment_id"] == "a", "allowed_lb"] = 3000.0
    total = table(segments=rows).loc[TO_GAIN, "saved_ton"].sum()
    true, best = 18_000 / 2000, ((10_800 - 1200) * 0.75 + 6000) / 2000
    assert total == pytest.approx(true - best, abs=0.03)


def test_what_prewetting_saves_already():
    """R2 took 3 tons prewetted; dry it would have taken 3 / (1 - 0.2 ... 0.3)."""
    row = table().loc[(ALREADY, PREWETTING)]
    assert row["saved_ton"] == pytest.approx(3.0 * (np.log(0.8 / 0.7) / 0.1 - 1.0), rel=0.01)
    assert row["base_ton"] == pytest.approx(3.0, rel=0.01)


def test_what_lower_rates_save_already():
    """5 lane-miles at 100 less than the rest of the route: 500 lb, if the driver did lower it."""
    row = table(plan=planned()).loc[(ALREADY, AREAS)]
    assert row["saved_ton"] == pytest.approx(0.125, abs=0.005)
    assert row["saved_lo_ton"] == pytest.approx(0.025 * 0.25, abs=0.003)
    assert row["saved_hi_ton"] == pytest.approx(0.975 * 0.25, abs=0.003)
    assert (ALREADY, AREAS) not in table().index


def test_two_runs_give_the_same_figures():
    pd.testing.assert_frame_equal(table(), table())


def test_planned_storms_save_nothing():
    storms = [storm("s1", "2026-12-01", source=PLANNED)]
    assert len(table(storms)) == 0


def test_a_truck_that_puts_down_too_little_will_use_more():
    less = [storm("s1", "2026-12-01")]
    less[0].parts["applied_lb"] = 0.9 * less[0].parts["reported_lb"]
    assert table(less).loc[(TO_GAIN, CALIBRATION), "saved_ton"] < 0.0
