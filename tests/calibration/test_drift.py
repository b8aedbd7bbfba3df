"""Successive tests compared by their normalised error."""

import numpy as np
import pandas as pd
import pytest

from spreadplan.calibration.drift import drift, normalised_error
from spreadplan.calibration.pooling import Repeatability
from spreadplan.schema.results import RESULTS
from tests.calibration import builders
from tests.calibration.test_models import calibrated

FIRST = pd.Timestamp("2026-10-01T15:00", tz="UTC")


def compared(*tests: dict, changes: tuple[dict, ...] = (), **truck) -> pd.DataFrame:
    runs = [{"performed_at": FIRST + pd.Timedelta(days=day)} | run for day, run in enumerate(tests)]
    return drift(calibrated(runs, **truck).tests, builders.changes(*changes))


def test_normalised_error_by_its_definition():
    """ISO 13528: difference over the root sum of squares of the expanded uncertainties (k = 2)."""
    assert normalised_error(103.0, 1.5, 100.0, 2.0) == pytest.approx(3.0 / 5.0)


def test_open_loop_compares_discharge_at_the_same_output():
    row = compared({"lb": 150.0}, {"lb": 180.0}).iloc[0]
    weighed = [np.hypot(1 / np.sqrt(12), lb * 0.3 / 60) for lb in (150.0, 180.0)]
    # 3 % from run to run and 1.5 % from day to day
    scatter = [np.hypot(0.03, 0.015) * lb for lb in (150.0, 180.0)]
    u = np.hypot(weighed, scatter)
    assert row["value_unit"] == "lb/min"
    assert row["value_u"] == pytest.approx(u[1])
    assert row["en"] == pytest.approx(30.0 / np.hypot(2 * u[0], 2 * u[1]))
    assert row["verdict"] == "drift"


def test_two_tests_of_one_day_share_what_is_of_the_day():
    runs = [{"lb": 150.0}, {"lb": 160.0}]
    same = [one | {"performed_at": FIRST + pd.Timedelta(hours=n)} for n, one in enumerate(runs)]
    of_one_day = drift(calibrated(same).tests, builders.changes()).iloc[0]
    of_two = compared(*runs).iloc[0]
    day_u = 0.015 * of_two["value"]
    assert of_two["value_u"] == pytest.approx(np.hypot(of_one_day["value_u"], day_u))


def test_agreement_within_the_uncertainty_is_steady():
    assert compared({"lb": 150.0}, {"lb": 160.0})["verdict"].tolist() == ["steady"]


def test_outputs_further_apart_than_2_5_points_are_not_compared():
    assert compared({"feeder_pct": 50.0, "lb": 150.0}, {"feeder_pct": 52.6, "lb": 150.0}).empty


def test_near_outputs_are_taken_to_the_same_output_first():
    row = compared({"feeder_pct": 50.0, "lb": 150.0}, {"feeder_pct": 52.0, "lb": 156.0}).iloc[0]
    assert row["previous_value"] == pytest.approx(156.0)
    assert row["en"] == pytest.approx(0.0, abs=1e-9)


def test_latest_comparable_test_is_taken():
    table = compared(
        {"lb": 150.0, "test_id": "a"},
        {"lb": 240.0, "feeder_pct": 80.0, "test_id": "b"},
        {"lb": 152.0, "test_id": "c"},
        {"lb": 151.0, "test_id": "d"},
    )
    pairs = table[["test_id", "previous_test_id"]].to_numpy().tolist()
    assert pairs == [["c", "a"], ["d", "c"]]


def test_slip_at_another_output_is_not_called_drift():
    table = compared(
        {"feeder_pct": 38.0, "lb": 100.0, "sensor_counts": 200.0, "test_id": "a"},
        {"feeder_pct": 60.0, "lb": 100.0, "sensor_counts": 250.0, "test_id": "b"},
        {"feeder_pct": 40.0, "lb": 100.0, "sensor_counts": 201.0, "test_id": "c"},
        control="closed_loop",
    )
    # The second is 20 % off at an output of its own; the third agrees with the first.
    assert table[["test_id", "previous_test_id"]].to_numpy().tolist() == [["c", "a"]]
    assert table["verdict"].tolist() == ["steady"]


def test_closed_loop_compares_mass_per_count_at_near_outputs():
    row = compared(
        {"feeder_pct": 30.0, "lb": 100.0, "sensor_counts": 200.0},
        {"feeder_pct": 39.0, "lb": 200.0, "sensor_counts": 400.0},
        control="closed_loop",
    ).iloc[0]
    assert row["value_unit"] == "lb/count"
    assert row["en"] == pytest.approx(0.0, abs=1e-9)


def test_voided_tests_are_left_out_and_outdated_ones_stay():
    old = {"performed_at": pd.Timestamp("2024-10-01", tz="UTC"), "lb": 150.0}
    table = compared(old, {"lb": 300.0, "voided_by": "x"}, {"lb": 150.0})
    assert table["test_id"].tolist() == ["02"]
    assert table["previous_test_id"].tolist() == ["00"]


def test_gates_and_materials_are_kept_apart():
    assert compared({"lb": 150.0}, {"lb": 90.0, "gate_in": 1.0}, {"lb": 9.0, "material": "x"}).empty


def test_work_between_the_tests_is_told():
    between = {"changed_at": FIRST + pd.Timedelta(hours=5), "what": "hydraulics"}
    outside = {"changed_at": FIRST + pd.Timedelta(days=5), "what": "gate"}
    row = compared({"lb": 150.0}, {"lb": 200.0}, changes=(between, outside)).iloc[0]
    assert row["change_between"] == "hydraulics 2026-10-01"


def test_future_tests_do_not_show_in_the_calibration():
    later = builders.AS_OF + pd.Timedelta(days=1)
    table = calibrated([{"lb": 150.0}, {"lb": 150.0, "performed_at": later}]).drift
    assert table.empty
    assert list(table.columns) == RESULTS["drift"].names


def test_a_lone_truck_needs_more_than_its_assumed_scatter_to_drift():
    """12 % apart is |En| = 1.1, but 3 % is only assumed, worth 4 degrees of freedom: t = 2.8."""
    row = compared({"lb": 150.0}, {"lb": 168.0}).iloc[0]
    assert row["en"] > 1.0
    assert row["verdict"] == "steady"


def test_a_steady_fleet_is_rarely_called_drifting():
    """With k = 2 on both sides, chance exceeds |En| = 1 in about 4.6 % of comparisons; over all
    comparisons together it must not add up."""
    rng = np.random.default_rng(17)
    runs = [
        {"performed_at": FIRST + pd.Timedelta(minutes=m), "lb": 150.0 * (1 + 0.03 * z)}
        for m, z in enumerate(rng.standard_normal(401))
    ]
    known = {("T1", "salt", 2.0): Repeatability(0.03, 1e6)}
    table = drift(calibrated(runs).tests, builders.changes(), known)
    # Nominal 4.6 % of 400, standard deviation 1.1 % (a little more: neighbours share a test).
    assert 0.01 < (table["en"].abs() > 1.0).mean() < 0.08
    assert set(table["verdict"]) == {"steady"}


def test_drift_is_judged_by_what_the_other_trucks_repeat_to():
    runs = [{"lb": 150.0}, {"lb": 165.0, "performed_at": FIRST + pd.Timedelta(days=1)}]
    tests = calibrated(runs).tests
    verdicts = [
        drift(tests, builders.changes(), {("T1", "salt", 2.0): Repeatability(relative, 20.0)})
        for relative in (0.01, 0.06)
    ]
    assert [table["verdict"].iloc[0] for table in verdicts] == ["drift", "steady"]
