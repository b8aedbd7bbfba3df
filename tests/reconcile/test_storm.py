"""A storm judged as a whole: against the sample county's truth, and in small pieces by hand."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from spreadplan import runs
from spreadplan.matching.network import build_network
from spreadplan.reconcile.storm import (
    coverage,
    missed,
    run_u,
    segment_table,
    setting_u,
    with_area_limits,
)
from spreadplan.reconcile.use import TruckUse
from tests.reconcile import three_segments

REPO = Path(__file__).resolve().parents[2]
COUNTY = REPO / "sample_routes" / "county"
TRUTH = REPO / "tests" / "sample_routes" / "truth"
#: storms of which the true position of every record is known: every 5 s and every 9 to 10 s
KNOWN = ("2026-11-28-light-snow", "2027-02-04-night-snow")
MIN_RIGHT = 0.985
MAX_MASS_ERROR = 0.015
MIN_COVERED = 0.9


@dataclass
class Storm:
    name: str
    result: Any
    points: pd.DataFrame


@pytest.fixture(scope="module", params=KNOWN)
def storm(request: pytest.FixtureRequest) -> Storm:
    """A storm of the county as `reconcile` sees it."""
    kept: list[pd.DataFrame] = []

    def keep(use: TruckUse, network: Any, records: Any) -> None:
        row = use.points["row"]
        kept.append(
            pd.DataFrame(
                {
                    "source_row": use.points["source_row"],
                    "truck_id": use.truck_id,
                    "segment_id": np.where(row < 0, "", network.segment_id[row]),
                    "along": use.points["along"],
                    "status": use.points["status"],
                }
            )
        )

    quiet = runs.Options(lambda text: None, lambda text: None, runs.no_progress)
    result = runs.compute_use(COUNTY, request.param, quiet, keep)
    points = pd.concat(kept).set_index("source_row").sort_index()
    return Storm(request.param, result, points)


def true_segments(name: str) -> pd.DataFrame:
    truth = pd.read_parquet(TRUTH / "segments.parquet")
    return truth[truth["storm"] == name]


def test_records_lie_on_their_true_directed_segment(storm: Storm):
    truth = pd.read_parquet(TRUTH / f"positions_{storm.name}.parquet")
    assert len(truth) == len(storm.points)
    found = storm.points.reset_index()
    assert (found["truck_id"] == truth["truck_id"]).all()
    on = (truth["segment_id"] != "").to_numpy()
    right = (found["segment_id"] == truth["segment_id"]) & (found["along"] == truth["along"])
    print(f"{storm.name}: {100 * right[on].mean():.2f} % of {on.sum()} records right")
    assert right[on].mean() > MIN_RIGHT


def test_reported_mass_lies_on_the_segment_where_it_was_released(storm: Storm):
    true = true_segments(storm.name).groupby("segment_id")["reported_lb"].sum()
    found = storm.result.use.segments.groupby("segment_id")["reported_lb"].sum()
    both = pd.concat([true, found], axis=1, keys=["true", "found"]).fillna(0.0)
    off = float((both["found"] - both["true"]).abs().sum() / both["true"].sum())
    print(f"{storm.name}: mass error over all segments {100 * off:.2f} % of the total")
    assert off < MAX_MASS_ERROR


def test_intervals_of_applied_mass_cover_the_truth(storm: Storm):
    true = true_segments(storm.name).groupby(["segment_id", "material"])["true_lb"].sum()
    found = storm.result.use.segments.set_index(["segment_id", "material"])
    both = found.join(true, how="inner")
    both = both[(both["true_lb"] > 20.0) & (both.index.get_level_values(0) != "off_route")]
    covered = both["true_lb"].between(both["applied_lo_lb"], both["applied_hi_lb"])
    print(f"{storm.name}: {100 * covered.mean():.1f} % of {len(both)} intervals cover the truth")
    assert covered.mean() > MIN_COVERED
    # an interval that covers because it is vast says nothing
    wide = (both["applied_hi_lb"] - both["applied_lo_lb"]) / both["applied_lb"]
    assert wide.median() < 0.5


def test_what_is_called_over_is_over_in_truth(storm: Storm):
    true = true_segments(storm.name).groupby(["segment_id", "material"])["true_lb"].sum()
    judged = storm.result.use.segments.set_index(["segment_id", "material"]).join(true)
    over = judged[judged["verdict"] == "over"]
    print(f"{storm.name}: {len(over)} over")
    assert len(over) > 0
    assert (over["true_lb"] > over["allowed_lb"]).mean() >= 0.9


def test_ratios_of_the_trucks_cover_the_truth(storm: Storm):
    truth = pd.read_csv(TRUTH / "trucks.csv")
    truth = truth[truth["storm"] == storm.name].set_index(["truck_id", "material"])
    found = storm.result.use.trucks.set_index(["truck_id", "material"]).join(
        truth[["true_lb"]], how="inner"
    )
    true = found["true_lb"] / found["reported_lb"]
    covered = true.between(found["ratio_lo"], found["ratio_hi"])
    print(f"{storm.name}: {covered.sum()} of {len(found)} ratios cover the truth")
    assert covered.mean() >= 0.8


def test_sums_agree_from_points_to_routes(storm: Storm):
    use = storm.result.use
    total = use.segments["reported_lb"].sum()
    assert use.trucks["reported_lb"].sum() == pytest.approx(total, rel=1e-9)
    assert use.routes["reported_lb"].sum() == pytest.approx(total, rel=1e-9)
    assert use.parts["reported_lb"].sum() == pytest.approx(total, rel=1e-9)
    assert use.routes["applied_lb"].sum() == pytest.approx(use.segments["applied_lb"].sum())
    assert storm.result.rows_read == len(storm.points) + len(storm.result.quarantine)


# --- pieces, by hand ----------------------------------------------------------------------------


def roads() -> gpd.GeoDataFrame:
    table = gpd.read_file(three_segments.routes(), engine="pyogrio")
    return table.assign(two_way=True)


def test_lane_miles_of_one_application():
    table = segment_table(roads())
    assert table["lane_miles"].tolist() == pytest.approx([1.0, 0.5, 1.0], rel=1e-6)
    assert table["passes_per_application"].tolist() == [1.0, 1.0, 1.0]


def test_the_limit_is_what_the_cap_allows_of_the_material():
    planned = pd.DataFrame({"cap_lb_per_lane_mile": [np.inf, 150.0, 1500.0]})
    limits = with_area_limits(planned)["max_rate_lb_per_lane_mile"].tolist()
    assert limits == pytest.approx([np.nan, 150.0, 1500.0], nan_ok=True)


def test_a_segment_is_missed_where_its_truck_was_heard_and_put_down_next_to_nothing():
    rows = pd.DataFrame({
        "applied_lb": [10.0, 30.0, 10.0, 10.0, 10.0],
        "planned_lb": [100.0, 100.0, 100.0, 0.0, np.nan],
        "verdict": ["under", "under", "unknown", "under", "unknown"],
    })  # fmt: skip
    assert missed(rows).tolist() == [True, False, False, False, False]


def a_use(
    truck_id: str, driven_mi: list[float], heard_share: float, unheard_mi: float = 0.0
) -> TruckUse:
    """``unheard_mi`` : driven on B while nobody knows how much was released."""
    way_mi = {"driven_m": np.array(driven_mi), "unheard_m": np.array([0.0, unheard_mi, 0.0])}
    driven = {"row": np.arange(3)} | {
        name: miles * three_segments.MILE_M for name, miles in way_mi.items()
    }
    return TruckUse(
        truck_id=truck_id,
        points={},
        segments={},
        driven=driven,
        lost_lb=0.0,
        piles={},
        heard_share=heard_share,
        known_share=1.0,
        first_s=0.0,
        last_s=1.0,
        counts={},
        left_out_lb=0.0,
    )


def test_coverage_is_what_was_driven_or_would_have_been_heard():
    """Two applications planned: two passes of each segment, of 0.5, 0.25 and 0.5 miles.

    T1, which should make them, is heard on 60 % of its way. It drove A twice: 1. It drove half of
    B twice, and T2 the other half once: (0.25 + 0.125) / 0.25 = 1.5 of 2 passes: 0.75. Nobody
    drove C, which T1 would have been heard doing with 0.6.
    """
    planned = pd.DataFrame(
        {
            "route_id": "R1",
            "segment_id": list("ABC") * 2,
            "application": list("111222"),
            "truck_id": "T1",
        }
    )
    rows = pd.DataFrame(
        {"route_id": ["R1"] * 3 + ["off_route"], "segment_id": [*"ABC", "off_route"], "passes": 0.0}
    )
    uses = [a_use("T1", [1.0, 0.25, 0.0], 0.6), a_use("T2", [0.0, 0.125, 0.0], 1.0)]
    table = roads()
    found = coverage(rows, planned, segment_table(table), build_network(table), uses)
    assert found.tolist() == pytest.approx([1.0, 0.75, 0.6, 0.0], abs=1e-5)


def test_rounds_of_a_truck_that_was_not_heard_are_not_missing():
    """T1 makes the first round and was heard all along, T2 the second and sent no record."""
    planned = pd.DataFrame(
        {
            "route_id": "R1",
            "segment_id": "B",
            "application": ["1", "2"],
            "truck_id": ["T1", "T2"],
        }
    )
    rows = pd.DataFrame({"route_id": ["R1"], "segment_id": ["B"], "passes": [0.0]})
    table = roads()
    around = segment_table(table), build_network(table), [a_use("T1", [0.0] * 3, 1.0)]
    assert coverage(rows, planned, *around).tolist() == pytest.approx([0.5])
    assert coverage(rows, planned[::-1], *around).tolist() == pytest.approx([0.5])


def test_a_way_back_with_the_spreader_off_makes_up_for_no_pass_that_was_not_heard():
    """B is to get two passes. T1 spread one, drove back twice with the spreader off, and made the
    other while its rate was silent: heard of one of two, unless it spread on two others."""
    planned = pd.DataFrame(
        {
            "route_id": "R1",
            "segment_id": "B",
            "application": ["1", "2"],
            "truck_id": "T1",
        }
    )
    rows = pd.DataFrame({"route_id": ["R1"], "segment_id": ["B"], "passes": [1.0]})
    uses = [a_use("T1", [0.0, 0.75, 0.0], 0.99, unheard_mi=0.25)]
    table = roads()
    around = segment_table(table), build_network(table), uses
    assert coverage(rows, planned, *around).tolist() == pytest.approx([0.5], abs=1e-5)
    twice = rows.assign(passes=2.0)
    assert coverage(twice, planned, *around).tolist() == pytest.approx([1.0], abs=1e-5)


@pytest.mark.slow
def test_a_storm_without_weather_has_no_verdict(tmp_path: Path):
    content = three_segments.files()
    del content["storms/s1/rates.csv"]
    folder = three_segments.write(tmp_path / "w", content)
    (folder / "storms/s1/telemetry").mkdir()
    three_segments.records().to_csv(folder / "storms/s1/telemetry/a.csv", index=False)
    quiet = runs.Options(lambda text: None, lambda text: None, runs.no_progress)
    segments = runs.compute_use(folder, "s1", quiet).use.segments
    assert set(segments["verdict"]) == {"unknown"}
    assert segments["planned_lb"].isna().all()
    assert segments["reported_lb"].sum() == pytest.approx(587.0)


def test_an_odd_setting_pulls_the_mean_of_a_truck():
    """T1 spreads 30 % of its mass at a setting known to 10 %, the rest at one known to 2 %.

    Beyond the least, s = sqrt(0.10**2 - 0.02**2) = 0.09798. At the odd setting 0.7 s is left, since
    the tickets hold 0.3 of it; at the other 0.3 s. Two segments at one setting share its error.
    """
    planned = pd.DataFrame(
        {
            "route_id": "R1",
            "segment_id": list("abc"),
            "truck_id": "T1",
            "mass_lb": 100.0,
        }
    )
    half = 1.959964 * 100.0 * np.array([0.10, 0.02, 0.02])
    planned = planned.assign(mass_lo_lb=100.0 - half, mass_hi_lb=100.0 + half)
    use = planned[["route_id", "segment_id", "truck_id"]].assign(
        material="salt", reported_lb=[30.0, 20.0, 50.0]
    )
    found = setting_u(use, planned)
    assert found == pytest.approx([0.7 * 0.09798, 0.3 * 0.09798, 0.3 * 0.09798], rel=1e-4)
    assert setting_u(use, planned.iloc[:0]).tolist() == [0.0, 0.0, 0.0]


def test_run_to_run_scatter_comes_from_the_gates_in_use():
    models = pd.DataFrame(
        {
            "truck_id": ["T1", "T1", "T2"],
            "material": "salt",
            "gate_in": [2.0, 3.0, 2.0],
            "repeatability_pct": [2.0, 18.0, 4.0],
        }
    )
    planned = pd.DataFrame({"truck_id": ["T1"], "material": ["salt"], "gate_in": [2.0]})
    use = pd.DataFrame(
        {"truck_id": ["T1", "T2", "T3", "T1"], "material": ["salt", "salt", "salt", "sand"]}
    )
    assert run_u(use, planned, models) == pytest.approx([0.02, 0.04, 0.03, 0.03])
    assert run_u(use, planned.iloc[:0], models) == pytest.approx([0.10, 0.04, 0.07, 0.03])
