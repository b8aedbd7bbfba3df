"""Sums of a season that know what is common."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spreadplan.reconcile.applied import applied_by_segment, applied_parts, summed_applied
from spreadplan.season.use import LAYERS, layered_u, planned_storm, season_use, summed_use
from tests.season.season_tables import assignments, forecast, storm


def test_common_errors_add_up_and_own_errors_do_not():
    use = season_use([storm("s1", "2026-12-01"), storm("s2", "2026-12-09")], assignments())
    total = summed_use(use.assign(all=""), ["all"]).iloc[0]
    assert total["applied_lb"] == 18_000.0
    assert total["reported_lb"] == 16_800.0
    # fleet: 2 x 90 for all; T1: 2 x 180; T2: 2 x 60; own: 30, 40 twice
    assert total["applied_u_lb"] == pytest.approx(np.sqrt(180**2 + 360**2 + 120**2 + 2 * 50**2))
    assert total["storms"] == 2


def test_mass_is_kept_whatever_the_grouping():
    use = season_use([storm("s1", "2026-12-01"), storm("s2", "2026-12-09", 2.0)], assignments())
    for by in (["route_id"], ["truck_id", "material"], ["yard_id"], ["storm", "segment_id"]):
        assert summed_use(use, by)["applied_lb"].sum() == pytest.approx(27_000.0)


def test_two_trucks_share_the_lane_miles_of_a_segment():
    one = storm("s1", "2026-12-01")
    extra = one.parts.iloc[[0]].assign(truck_id="T9", applied_lb=1000.0)
    both = pd.concat([one.parts, extra], ignore_index=True)
    use = season_use([storm("s1", "2026-12-01", parts=both)], assignments())
    on_a = use[use["segment_id"] == "a"].set_index("truck_id")
    assert on_a["treated_lane_miles"].sum() == pytest.approx(20.0)
    assert on_a.loc["T9", "treated_lane_miles"] == pytest.approx(4.0)


def test_mass_off_the_routes_counts_but_has_no_lane_miles():
    one = storm("s1", "2026-12-01")
    off = one.parts.iloc[[0]].assign(route_id="", segment_id="off_route", applied_lb=500.0)
    use = season_use([storm("s1", "2026-12-01", parts=pd.concat([one.parts, off]))], assignments())
    assert use["applied_lb"].sum() == 9500.0
    assert use["treated_lane_miles"].sum() == pytest.approx(45.0)
    assert use.loc[use["segment_id"] == "off_route", "yard_id"].tolist() == [""]


def test_a_storm_without_telemetry_counts_as_planned():
    plan = pd.DataFrame(
        {
            "application": ["1", "2", "1"],
            "route_id": ["R1", "R1", "R2"],
            "segment_id": ["a", "a", "c"],
            "truck_id": ["T1", "T1", ""],
            "material": "salt",
            "lane_miles": [10.0, 10.0, 5.0],
            "mass_lb": [2000.0, 1000.0, np.nan],
            "mass_hi_lb": [2196.0, 1098.0, np.nan],
        }
    )
    start = pd.Timestamp("2026-12-20T00:00Z")
    one = planned_storm("p", start, start, plan, forecast())
    assert one.source == "planned"
    assert one.rounds == 2
    use = season_use([one], assignments())
    row = summed_use(use, ["route_id"]).loc["R1"]
    assert row["applied_lb"] == 3000.0
    assert row["treated_lane_miles"] == pytest.approx(20.0)
    assert row["applied_u_lb"] == pytest.approx(150.0, rel=1e-3)
    assert use["reported_lb"].sum() == 0.0


def test_what_reconcile_hands_over_fits():
    """Totals of a storm agree with reconcile's own sums, which keep the same errors common."""
    use = pd.DataFrame({
        "route_id": ["R1", "R1", "R2"], "segment_id": ["a", "b", "c"], "material": "salt",
        "truck_id": ["T1", "T1", "T2"], "reported_lb": [3600.0, 1800.0, 3000.0],
        "passes": [2.0, 2.0, 4.0], "matching_u_lb": [20.0, 20.0, 0.0], "timing_u_lb": 10.0,
    })  # fmt: skip
    ratios = pd.DataFrame({
        "truck_id": ["T1", "T2"], "material": "salt", "ratio": [1.1, 1.0],
        "ratio_u": [0.03, 0.02], "ratio_fleet_u": [0.01, 0.01], "ratio_storm_u": [0.02, 0.01],
    })  # fmt: skip
    roads = pd.DataFrame(
        {
            "route_id": ["R1", "R1", "R2"],
            "segment_id": ["a", "b", "c"],
            "lane_miles": [10.0, 5.0, 7.5],
            "passes_per_application": [1.0, 1.0, 2.0],
        }
    )
    split = applied_parts(use, ratios).assign(without_ticket_lb=0.0)
    judged = applied_by_segment(split, roads).assign(unseen_lb=0.0)
    found = season_use([storm("s1", "2026-12-01", parts=split, segments=judged)], assignments())
    ours = summed_use(found, ["route_id"])
    theirs = summed_applied(split, ["route_id"])
    for name in ("applied_lb", "applied_u_lb", "applied_lo_lb", "applied_hi_lb", "reported_lb"):
        assert ours[name].tolist() == pytest.approx(theirs[name].tolist())
    assert ours["treated_lane_miles"].tolist() == pytest.approx([30.0, 15.0])


def test_no_storm_at_all_gives_an_empty_table():
    use = season_use([], assignments())
    assert len(use) == 0
    assert "applied_lb" in use


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from("AB"),
            st.sampled_from("xy"),
            st.sampled_from("12"),
            *[st.floats(0, 50)] * len(LAYERS),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_layers_agree_with_the_full_covariance_matrix(rows):
    """JCGM 100:2008, 5.2.2: u2 = sum of covariances, written out element by element."""
    table = pd.DataFrame(rows, columns=["truck_id", "material", "storm", *LAYERS]).assign(all="")
    covariance = np.zeros((len(rows), len(rows)))
    for i, one in enumerate(rows):
        for j, other in enumerate(rows):
            material, truck = one[1] == other[1], one[:2] == other[:2]
            covariance[i, j] += one[3] * other[3] * material
            covariance[i, j] += one[4] * other[4] * truck
            covariance[i, j] += one[5] * other[5] * (truck and one[2] == other[2])
            covariance[i, j] += one[6] * other[6] * (i == j)
    found = float(layered_u(table, ["all"]).iloc[0])
    assert found == pytest.approx(np.sqrt(covariance.sum()), rel=1e-9, abs=1e-9)
