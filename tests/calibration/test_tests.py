"""Discharge, mass per count and their uncertainties; expected figures worked out by hand."""

import numpy as np
import pandas as pd
import pytest

from spreadplan.calibration.tests import discharge_results
from spreadplan.calibration.trucks import trucks_by_id
from spreadplan.calibration.weighing import weigh
from tests.calibration import builders
from tests.said import US

CONTRACT_COLUMNS = [
    "test_id",
    "truck_id",
    "material",
    "gate_in",
    "feeder_pct",
    "net_lb",
    "net_u_lb",
    "duration_s",
    "discharge_lb_per_min",
    "discharge_u_lb_per_min",
    "lb_per_count",
    "lb_per_count_u",
    "valid",
    "reason",
]


def results(tests: pd.DataFrame, weighings: pd.DataFrame, trucks: pd.DataFrame | None = None):
    return discharge_results(
        tests,
        weigh(weighings),
        trucks_by_id(builders.trucks() if trucks is None else trucks),
        builders.changes(),
        builders.POLICY,
        builders.AS_OF,
    )


def test_columns_of_the_contract_come_first_and_in_order():
    table = results(builders.tests({}), builders.weighings({}))
    assert list(table.columns[:14]) == CONTRACT_COLUMNS


def test_discharge_is_mass_over_time():
    row = results(builders.tests({"duration_s": 90.0}), builders.weighings({"gross_lb": 300.0}))
    assert row["discharge_lb_per_min"].iloc[0] == 200.0


def test_uncertainty_combines_weighing_and_timing():
    row = results(
        builders.tests({"duration_s": 90.0, "duration_u_s": 0.9}),
        builders.weighings({"gross_lb": 300.0, "scale_division_lb": 6.0}),
    ).iloc[0]
    # Weighing sqrt(36/12) lb in 1.5 min; timing 1 % of 200 lb/min.
    assert row["u_scale_lb_per_min"] == pytest.approx(np.sqrt(3.0) / 1.5)
    assert row["u_timing_lb_per_min"] == pytest.approx(2.0)
    assert row["discharge_u_lb_per_min"] == pytest.approx(np.sqrt(3.0 / 2.25 + 4.0))
    assert row["net_u_lb"] == pytest.approx(np.sqrt(3.0))


def test_missing_timing_uncertainty_is_that_of_a_stopwatch():
    row = results(builders.tests({}), builders.weighings({"gross_lb": 200.0})).iloc[0]
    assert row["u_timing_lb_per_min"] == pytest.approx(200.0 * 0.3 / 60.0)


def test_mass_per_count_of_a_closed_loop():
    row = results(
        builders.tests({"sensor_counts": 400.0}),
        builders.weighings({"gross_lb": 200.0, "scale_division_lb": 12.0}),
        builders.trucks({"control": "closed_loop"}),
    ).iloc[0]
    assert row["lb_per_count"] == 0.5
    weighing_u, counting_u = np.sqrt(12.0) / 400.0, 0.5 / np.sqrt(6.0) / 400.0
    assert row["lb_per_count_u"] == pytest.approx(np.hypot(weighing_u, counting_u))


def test_open_loop_has_no_mass_per_count():
    row = results(builders.tests({"sensor_counts": 400.0}), builders.weighings({})).iloc[0]
    assert np.isnan(row["lb_per_count"])


def test_zero_counts_give_no_mass_per_count():
    row = results(
        builders.tests({"sensor_counts": 0.0}),
        builders.weighings({}),
        builders.trucks({"control": "closed_loop"}),
    ).iloc[0]
    assert np.isnan(row["lb_per_count"])
    assert row["valid"]


def test_test_without_weighing_is_kept_and_does_not_count():
    table = results(builders.tests({}, {"test_id": "B"}), builders.weighings({}))
    assert table["valid"].tolist() == [True, False]
    assert US.say_all(table["reason"].iloc[1]) == "no weighing"


def test_order_of_the_tests_is_kept():
    table = results(
        builders.tests({"test_id": "Z"}, {"test_id": "A"}),
        builders.weighings({"test_id": "A", "gross_lb": 1.0}, {"test_id": "Z", "gross_lb": 2.0}),
    )
    assert table[["test_id", "net_lb"]].to_numpy().tolist() == [["Z", 2.0], ["A", 1.0]]
