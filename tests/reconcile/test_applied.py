"""True mass on segments: by hand, and sums against an explicit covariance matrix."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from spreadplan.reconcile.applied import (
    OFF_ROUTE,
    applied_by_segment,
    applied_parts,
    summed_applied,
    timing_u_lb,
)

RATIOS = pd.DataFrame({
    "truck_id": ["T1", "T2"], "material": ["salt", "salt"], "ratio": [1.1, 0.9],
    "ratio_u": [0.05, 0.04], "ratio_fleet_u": [0.03, 0.03], "ratio_storm_u": [0.02, 0.01],
})  # fmt: skip

USE = pd.DataFrame(
    [
        ("R1", "a", "salt", "T1", 200.0, 2.0, 6.0, 8.0),
        ("R1", "a", "salt", "T2", 100.0, 1.0, 0.0, 0.0),
        ("R1", "b", "salt", "T1", 300.0, 2.0, 10.0, 0.0),
        ("", OFF_ROUTE, "salt", "T1", 50.0, 0.0, 0.0, 0.0),
    ],
    columns=[
        "route_id",
        "segment_id",
        "material",
        "truck_id",
        "reported_lb",
        "passes",
        "matching_u_lb",
        "timing_u_lb",
    ],
)

SEGMENTS = pd.DataFrame(
    {
        "route_id": ["R1", "R1"],
        "segment_id": ["a", "b"],
        "lane_miles": [1.0, 2.0],
        "passes_per_application": [1, 2],
    }
)


def test_a_segment_by_hand():
    """Segment a: 200 * 1.1 + 100 * 0.9 = 310 lb in 3 applications on 1 lane-mile.

    Variances: T1 own (1.1*6)**2 + (1.1*8)**2 + (0.03*220)**2/2 = 142.78, T2 own (0.03*90)**2 =
    7.29; trucks (220*0.04)**2 = 77.44 and 90**2 * (0.04**2 - 0.03**2) = 5.67; fleet
    (310*0.03)**2 = 86.49. Sum 319.67, u = 17.879.
    """
    row = applied_by_segment(applied_parts(USE, RATIOS), SEGMENTS).set_index("segment_id").loc["a"]
    assert row["reported_lb"] == 300.0
    assert row["applied_lb"] == pytest.approx(310.0)
    assert row["passes"] == row["applications"] == 3.0
    assert row["applied_rate_lb_per_lane_mile"] == pytest.approx(310.0 / 3.0)
    assert row["applied_u_lb"] == pytest.approx(17.879, abs=0.001)
    assert row["applied_hi_lb"] == pytest.approx(310.0 + 1.95996 * 17.879, abs=0.01)
    assert row["applied_lo_lb"] == pytest.approx(310.0 - 1.95996 * 17.879, abs=0.01)


def test_mass_off_the_routes_is_kept_without_a_rate():
    found = applied_by_segment(applied_parts(USE, RATIOS), SEGMENTS).set_index("segment_id")
    assert found["reported_lb"].sum() == USE["reported_lb"].sum()
    assert found.loc[OFF_ROUTE, "applied_lb"] == pytest.approx(55.0)
    assert np.isnan(found.loc[OFF_ROUTE, "applied_rate_lb_per_lane_mile"])


def test_sums_equal_the_explicit_covariance_matrix():
    """Random use of 3 trucks on 40 segments; J V J' with V written out element by element."""
    rng = np.random.default_rng(12)
    count = 120
    use = pd.DataFrame(
        {
            "route_id": rng.choice(["R1", "R2", "R3"], count),
            "segment_id": [f"s{number}" for number in range(count)],
            "material": rng.choice(["salt", "sand"], count),
            "truck_id": rng.choice(["T1", "T2", "T3"], count),
            "reported_lb": rng.uniform(10.0, 500.0, count),
            "passes": rng.integers(1, 5, count) * 1.0,
            "matching_u_lb": rng.uniform(0.0, 20.0, count),
            "timing_u_lb": rng.uniform(0.0, 20.0, count),
        }
    )
    ratios = pd.DataFrame(
        [
            (
                truck,
                material,
                rng.uniform(0.8, 1.2),
                rng.uniform(0.06, 0.1),
                rng.uniform(0.0, 0.04),
                rng.uniform(0.0, 0.04),
            )
            for truck in ("T1", "T2", "T3")
            for material in ("salt", "sand")
        ],
        columns=[
            "truck_id",
            "material",
            "ratio",
            "ratio_u",
            "ratio_fleet_u",
            "ratio_storm_u",
        ],
    )
    full = use.merge(ratios, on=["truck_id", "material"])
    applied = (full["reported_lb"] * full["ratio"]).to_numpy()
    same_material = np.equal.outer(full["material"].to_numpy(), full["material"].to_numpy())
    same_truck = np.equal.outer(full["truck_id"].to_numpy(), full["truck_id"].to_numpy())
    fleet = applied * full["ratio_fleet_u"].to_numpy()
    truck = applied * np.sqrt(full["ratio_u"] ** 2 - full["ratio_fleet_u"] ** 2).to_numpy()
    own = (full["ratio"] ** 2 * (full["matching_u_lb"] ** 2 + full["timing_u_lb"] ** 2)).to_numpy()
    own = own + (0.03 * applied) ** 2 / full["passes"].to_numpy()
    covariance = (
        np.outer(fleet, fleet) * same_material
        + np.outer(truck, truck) * (same_material & same_truck)
        + np.diag(own)
    )
    parts = applied_parts(use, ratios)
    for by in (["route_id"], ["material"], ["truck_id"], ["route_id", "material"]):
        found = summed_applied(parts, by)
        for key, rows in full.groupby(by if len(by) > 1 else by[0]):
            inside = np.isin(np.arange(count), rows.index)
            u_lb = np.sqrt(inside @ covariance @ inside)
            assert found.loc[key, "applied_u_lb"] == pytest.approx(u_lb, rel=1e-9)
            assert found.loc[key, "applied_lb"] == pytest.approx(applied[inside].sum())


def test_common_errors_do_not_average_out():
    """100 segments of one truck: relative uncertainty of the sum stays that of the ratio."""
    use = pd.DataFrame(
        {
            "route_id": "R1",
            "segment_id": [str(number) for number in range(100)],
            "material": "salt",
            "truck_id": "T1",
            "reported_lb": 100.0,
            "passes": 1.0,
            "matching_u_lb": 10.0,
            "timing_u_lb": 0.0,
        }
    )
    parts = applied_parts(use, RATIOS)
    total = summed_applied(parts, ["route_id"]).iloc[0]
    one = summed_applied(parts, ["segment_id"]).iloc[0]
    assert 0.05 < total["applied_u_lb"] / total["applied_lb"] < 0.052
    assert one["applied_u_lb"] / one["applied_lb"] > 0.11


def test_a_trucks_own_run_to_run_scatter_counts():
    """One segment, one run: (0.06 * 110)**2 + 5.5**2 with ratio 1.1 of 100 lb and u = 5 %."""
    use = USE.iloc[[0]].assign(
        reported_lb=100.0, passes=1.0, matching_u_lb=0.0, timing_u_lb=0.0, run_u=0.06
    )
    found = summed_applied(applied_parts(use, RATIOS), ["segment_id"])["applied_u_lb"].iloc[0]
    assert found == pytest.approx(np.hypot(0.06 * 110.0, 0.05 * 110.0))


def test_a_truck_without_a_ratio_is_refused():
    with pytest.raises(ValueError, match="truck T2 has no ratio for salt"):
        applied_parts(USE, RATIOS.iloc[:1])


def test_timing_grows_with_the_interval_and_the_root_of_the_passes():
    """By hand: 0.1 * 50 lb * sqrt(2 ends * 2 passes) = 10 lb."""
    assert timing_u_lb(np.array([50.0]), np.array([2.0]))[0] == pytest.approx(10.0)
