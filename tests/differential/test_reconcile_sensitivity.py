"""The shares of variance that the sensitivity table prints, for one truck."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from spreadplan.reconcile.this_storm import in_this_storm
from spreadplan.runs.options import Options, no_progress
from spreadplan.runs.reconciling import compute_use
from tests.benchmarks.sensitivity_use import mass_variances, ratio_variances
from tests.reconcile import three_segments


def test_the_ratio_of_one_truck_by_hand():
    """600 lb reported; 1000 loaded - 400 returned on a 20 lb scale; the season says 1 within 5 %.

    Tickets: 2 x 20² / 6 = 133.3 lb², over 600²: 3.704e-4; the scale's own 0.3 %: 0.09e-4. Storms
    scatter by 3 %: B = 9e-4 / (9e-4 + 3.794e-4) = 0.7035. Nothing apart: the tickets are right with
    0.98 x 0.3891 / s over that + 0.02 x 0.375 / 0.670 (0.4 of a load of 1000 is 0.667 of 600),
    s² = 9e-4 + 25e-4 + 3.794e-4, s = 0.06147: 0.99820.
    Division 0.99820 x 0.7035 x 3.704e-4 = 2.601e-4; scale 6.32e-6; storm 0.00180 x 9e-4 = 1.62e-6.
    Season: 0.99820 x 0.2965² + 0.00180 = 0.08955, times 9e-4 for the fleet and 16e-4 for the rest.
    """
    season = pd.DataFrame(
        {
            "truck_id": ["T1"],
            "material": "salt",
            "ratio": 1.0,
            "ratio_lo": 0.9,
            "ratio_hi": 1.1,
            "ratio_u": 0.05,
            "ratio_fleet_u": 0.03,
            "p_missing": 0.0,
            "storm_sd": 0.03,
            "wrong_share": 0.02,
            "carried_lb": 0.0,
            "carried_u_lb": 0.0,
        }
    )
    tickets = pd.DataFrame({
        "truck_id": ["T1"], "material": "salt", "storm": "s1", "reported_lb": 600.0,
        "loaded_lb": 1000.0, "returned_lb": 400.0, "loads": 1, "typical_load_lb": 1000.0,
        "ticket_u_lb": np.sqrt(2 * 20.0**2 / 6), "method_u": 0.0, "comparable": True,
    })  # fmt: skip
    found = ratio_variances(season, tickets).iloc[0].to_numpy()
    by_hand = [8.06e-5, 1.433e-4, 1.62e-6, 2.601e-4, 0.0, 6.32e-6, 0.0]
    assert found == pytest.approx(by_hand, rel=5e-3, abs=1e-9)
    assert found.sum() == pytest.approx(in_this_storm(season, tickets)["ratio_u"].item() ** 2)


def test_the_parts_of_a_segment_make_up_its_variance(tmp_path: Path):
    content = three_segments.files()
    content["storms/s1/telemetry/a.csv"] = three_segments.records().to_csv(index=False)
    folder = three_segments.write(tmp_path / "w", content)
    quiet = Options(lambda _: None, lambda _: None, no_progress, pdf=False)
    use = compute_use(folder, "s1", quiet).use
    keys = ["route_id", "segment_id", "material"]
    parts = mass_variances(use.parts, keys)
    expected = use.segments.set_index(keys)["applied_u_lb"].sort_index() ** 2
    assert parts.sum(axis=1).to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-9)
    assert (parts >= 0.0).all(axis=None)
    # C, by hand in `test_reconcile_command`: joints 2.109 lb and timing 2.742 lb, at a ratio of 1
    ratio2 = use.trucks["ratio"].item() ** 2
    c = parts.loc[("R1", "C", "salt")].to_numpy()
    assert c[:2] == pytest.approx([2.109**2 * ratio2, 2.742**2 * ratio2], rel=2e-3)
