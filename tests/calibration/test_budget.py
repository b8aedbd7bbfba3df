"""The uncertainty budget adds up to the model's own uncertainty."""

import numpy as np
import pytest

from spreadplan.calibration import uncertainty_budget
from tests.calibration.test_models import TWO_GATES, calibrated

RUNS = {
    "one test": [{"lb": 150.0}],
    "two tests": [{"feeder_pct": 30.0, "lb": 85.0}, {"feeder_pct": 80.0, "lb": 245.0}],
    "proportional": [{"feeder_pct": p, "lb": 3.0 * p + e} for p, e in ((30, 2), (60, -3), (90, 3))],
    "line": TWO_GATES[:4],
    "empty catch": [{"feeder_pct": 10.0, "lb": 0.0}, {"feeder_pct": 60.0, "lb": 150.0}],
    "saturating": [
        {"feeder_pct": p, "lb": 3.0 * (min(p, 71.0) - 8.0)} for p in (20.0, 40.0, 60.0, 80.0, 99.0)
    ],
    "contradictory": [{"feeder_pct": 40.0, "lb": 200.0}, {"feeder_pct": 80.0, "lb": 100.0}],
}


@pytest.mark.slow
@pytest.mark.parametrize("output", [25.0, 55.0, 100.0])
@pytest.mark.parametrize("runs", RUNS.values(), ids=RUNS.keys())
def test_terms_add_up_to_the_uncertainty_of_the_prediction(runs: list[dict], output: float):
    calibration = calibrated(runs)
    model = calibration.models["T1", "salt", 2.0]
    budget = uncertainty_budget(model, calibration.tests, output)
    combined = np.sqrt(np.sum(budget["standard_u_pct"] ** 2))
    # Weights are taken from slightly different fitted curves: agreement to a few percent.
    assert combined == pytest.approx(100.0 * float(model.relative_u(output)), rel=0.05)
    assert budget["share_pct"].sum() == pytest.approx(100.0)


def test_terms_of_one_test_at_its_own_output_by_hand():
    calibration = calibrated([{"lb": 150.0}])
    budget = uncertainty_budget(calibration.models["T1", "salt", 2.0], calibration.tests)
    terms = budget.set_index("source")["standard_u_pct"]
    assert terms["scale"] == pytest.approx(100.0 / np.sqrt(12.0) / 150.0)
    assert terms["timing"] == pytest.approx(100.0 * 0.3 / 60.0)
    assert terms["run-to-run repeatability"] == pytest.approx(3.0)
    assert terms["start-up and form of the curve"] == pytest.approx(0.0, abs=1e-4)


def test_startup_rules_far_from_the_only_test():
    calibration = calibrated([{"lb": 150.0}])
    model = calibration.models["T1", "salt", 2.0]
    terms = uncertainty_budget(model, calibration.tests, 20.0).set_index("source")
    # 5 points of start-up, 30 of 50 points away, relative to 20 points: 15 %.
    assert terms.loc["start-up and form of the curve", "standard_u_pct"] == pytest.approx(15.0)


def test_terms_of_a_mass_per_count():
    calibration = calibrated(
        [{"feeder_pct": 38.0, "lb": 120.0, "sensor_counts": 240.0}], control="closed_loop"
    )
    budget = uncertainty_budget(calibration.models["T1", "salt", 2.0], calibration.tests)
    terms = budget.set_index("source")["standard_u_pct"]
    assert terms["scale"] == pytest.approx(100.0 / np.sqrt(12.0) / 120.0)
    assert terms["sensor counts"] == pytest.approx(100.0 / np.sqrt(6.0) / 240.0)
    assert terms["run-to-run repeatability"] == pytest.approx(3.0)
    assert "timing" not in terms.index


def test_slip_dominates_where_it_is_found():
    runs = [
        {"feeder_pct": p, "lb": 3.0 * p, "sensor_counts": 3.0 * p / k}
        for p, k in ((20.0, 0.56), (40.0, 0.52), (60.0, 0.48), (80.0, 0.44))
    ]
    calibration = calibrated(runs, control="closed_loop")
    model = calibration.models["T1", "salt", 2.0]
    budget = uncertainty_budget(model, calibration.tests, 80.0)
    combined = np.sqrt(np.sum(budget["standard_u_pct"] ** 2))
    assert (
        budget["source"].iloc[int(np.argmax(budget["share_pct"]))] == "dependence on feeder output"
    )
    assert combined == pytest.approx(100.0 * float(model.relative_u_per_count(80.0)), rel=1e-6)


def test_default_output_is_one_that_flows():
    """The middle between an empty catch at 10 % and one just above it would deliver nothing."""
    calibration = calibrated(
        [
            {"feeder_pct": 5.0, "lb": 0.0},
            {"feeder_pct": 20.0, "lb": 0.0},
            {"feeder_pct": 24.0, "lb": 9.0},
        ]
    )
    model = calibration.models["T1", "salt", 2.0]
    assert model.predict(model.middle_pct).discharge_lb_per_min > 0.0
    assert np.isfinite(uncertainty_budget(model, calibration.tests)["standard_u_pct"]).all()
