"""What to test next. Where runs are promised to be enough, they are made and must be enough."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from spreadplan.calibration import fit_fleet
from spreadplan.calibration.curve import with_runs_on_it
from spreadplan.calibration.days import learn_day_sd
from spreadplan.schema.results import RESULTS
from tests.calibration import builders
from tests.calibration.test_models import calibrated
from tests.said import US

ANOTHER_DAY = {"performed_at": pd.Timestamp("2026-10-21T15:00", tz="UTC")}


def advised(runs: list[dict], **truck):
    return US.table(calibrated(runs, **truck).advice).iloc[0]


def fleet_advice(tests, weighings, *assigned: dict, trucks=None, policy=builders.POLICY):
    return fit_fleet(
        tests,
        weighings,
        builders.trucks() if trucks is None else trucks,
        builders.materials(),
        builders.changes(),
        builders.assignments(*assigned),
        policy,
        builders.AS_OF,
    ).advice.pipe(US.table)


def test_assigned_truck_without_any_test():
    trucks = builders.trucks({"gate_positions_in": (3.0, 2.0)})
    table = fleet_advice(
        builders.tests(), builders.weighings(), {}, {"route_id": "R2"}, trucks=trucks
    )
    assert list(table.columns) == RESULTS["advice"].names
    assert len(table) == 1
    row = table.iloc[0]
    assert row["need"] == "test"
    assert np.isnan(row["gate_in"])
    assert row["advice"].startswith("Never tested: run discharge tests with salt at each gate")
    assert "(2; 3 in)" in row["advice"]


def test_assigned_truck_whose_tests_stopped_counting():
    table = fleet_advice(builders.tests({"voided_by": "wet salt"}), builders.weighings({}), {})
    assert "No test counts any more (voided: wet salt)" in table["advice"].iloc[0]


def test_assigned_truck_whose_tests_delivered_nothing():
    table = fleet_advice(builders.tests({}), builders.weighings({"gross_lb": 0.0}), {})
    assert "delivered nothing" in table["advice"].iloc[0]


def test_liquid_needs_no_gate():
    table = fleet_advice(builders.tests(), builders.weighings(), {"material": "brine"})
    assert "test the boom with brine" in table["advice"].iloc[0]


def test_covered_assignment_asks_for_nothing_more():
    table = fleet_advice(builders.tests({}), builders.weighings({}), {})
    assert table["gate_in"].tolist() == [2.0]


def test_one_test_is_advised_where_the_doubt_is():
    row = advised([{"feeder_pct": 100.0, "lb": 300.0}])
    assert row["need"] == "test"
    assert row["cause"] == "start-up and form of the curve"
    assert "at 20 % output" in row["advice"]
    # 5 points at 80 of 100 points, relative to 20 points: 20 %, with the rest and t = 2.78: 56 %.
    assert row["current_u_pct"] == pytest.approx(
        2.776 * np.sqrt(20.0**2 + 3.05**2 + (100.0 * learn_day_sd([])) ** 2), rel=1e-3
    )


def test_enough_good_tests_need_nothing():
    runs = [{"feeder_pct": p, "lb": 3.0 * (p - 8.0)} for p in (20.0, 20.0, 40.0, 60.0, 80.0, 100.0)]
    assert advised(runs)["need"] == "test", "all of one day"
    row = advised([*runs, *(run | ANOTHER_DAY for run in runs)])
    assert row["need"] == "ok"
    assert row["current_u_pct"] <= 5.0
    assert np.isnan(row["further_runs"])


def test_advised_runs_of_a_curve_do_reach_the_target():
    runs = [
        {"feeder_pct": p, "lb": 3.0 * (p - 8.0), "duration_s": 60.0} for p in (40.0, 70.0, 100.0)
    ]
    before = advised(runs)
    assert before["need"] == "test"
    assert before["reached_pct"] <= 5.0
    text = before["advice"].split(", each")[0].removeprefix("Do ")
    made = []
    for part in text.split(", "):
        number, output = int(part.split()[0]), float(part.split(" at ")[1].split()[0])
        made += [{"feeder_pct": output, "lb": 3.0 * (output - 8.0)} | ANOTHER_DAY] * number
    assert len(made) == before["further_runs"]
    after = advised(runs + made)
    assert after["need"] == "ok"
    # Agreeing runs also shrink the variance factor, so the promise is kept with room to spare.
    assert after["current_u_pct"] <= before["reached_pct"]


def test_promise_of_a_curve_agrees_with_adding_the_runs_as_information():
    calibration = calibrated(
        [{"feeder_pct": p, "lb": 3.0 * (p - 8.0)} for p in (40.0, 70.0, 100.0)]
    )
    row, model = US.table(calibration.advice).iloc[0], calibration.models["T1", "salt", 2.0]
    outputs = np.linspace(20.0, 100.0, 17)
    relative = model.curve.gradient(outputs) / model.curve.discharge(outputs)[:, None]
    # Most runs advised here are at 20 %, where three tests above say least.
    at_pct = [20.0, 20.0, 20.0, 100.0]
    assert row["advice"].startswith("Do 3 more runs at 20 % output, 1 more run at 100 % output, ")
    run_sd = np.sqrt(model.scale * (0.03**2 + 0.05**2 / 12.0))
    # what the three tests of one day have in common is left with four of another: 3² + 4² of 7²
    day_u = model.day_sd * 5.0 / 7.0
    alone = model.covariance - np.diag([(model.curve.slope * model.day_sd) ** 2, 0.0])
    information = np.linalg.inv(alone)
    for at in at_pct:
        row_of = relative[outputs == at][0]
        information += np.outer(row_of, row_of) / run_sd**2
    of_runs = np.einsum("ij,jk,ik->i", relative, np.linalg.inv(information), relative)
    names = ("feeder_pct", "discharge_lb_per_min", "discharge_u_lb_per_min")
    tests = [calibration.tests[name].to_numpy(dtype=float) for name in names]
    measured = 0.05 / np.sqrt(12.0)
    curve = with_runs_on_it(model.curve, *tests, np.array(at_pct), measured)
    worst = (of_runs + (curve.form_u(outputs) / curve.discharge(outputs)) ** 2).max()
    expected = (
        100.0
        * stats.t.ppf(0.975, model.dof + row["further_runs"])
        * np.hypot(np.sqrt(worst), day_u)
    )
    assert row["reached_pct"] == pytest.approx(expected, rel=1e-9)


def test_advised_runs_of_a_closed_loop_do_reach_the_target():
    run = {"feeder_pct": 38.0, "lb": 120.0, "sensor_counts": 240.0}
    before = advised([run], control="closed_loop")
    assert before["need"] == "test"
    assert "at 35 to 40 % output" in before["advice"]
    assert before["further_runs"] == 4
    # By hand: now 3 % with weighing 0.24 % and counting 0.17 %; each further run 3 % with 1.44 %.
    now, run_more = 0.03**2 + 0.0024056**2 + 0.0017010**2, 0.03**2 + 0.05**2 / 12.0
    # One test of a day and four of another keep (1² + 4²) / 5² of a day's variance.
    alone = 1.0 / (1.0 / now + 4.0 / run_more)
    day = learn_day_sd([]) ** 2 * 17.0 / 25.0
    expected = 100.0 * stats.t.ppf(0.975, 8.0) * np.sqrt(alone + day)
    assert before["reached_pct"] == pytest.approx(expected, rel=1e-4)
    more = [run | ANOTHER_DAY] * int(before["further_runs"])
    after = advised([run, *more], control="closed_loop")
    assert after["need"] == "ok"


def test_a_target_beyond_the_repeatability_is_called_so():
    ids = "ABCDE"
    outputs = (30.0, 30.0, 60.0, 60.0, 90.0)
    errors = (0.955, 1.045, 1.045, 0.955, 1.04)
    row = fleet_advice(
        builders.tests(
            *({"test_id": i, "feeder_pct": p} for i, p in zip(ids, outputs, strict=True))
        ),
        builders.weighings(
            *(
                {"test_id": i, "gross_lb": 3.0 * p * e}
                for i, p, e in zip(ids, outputs, errors, strict=True)
            )
        ),
        {},
        policy=SimpleNamespace(calibration_pct=1.5, calibration_max_age_days=365.0),
    ).iloc[0]
    assert row["further_runs"] == 6
    assert row["reached_pct"] > 1.5
    # Between the 3 % taken for granted and the 4.9 % standard deviation of the five errors.
    assert "repeatability of 3.9 %" in row["advice"]
    assert "is the limit" in row["advice"]


def test_contradictory_tests_are_not_cured_by_more_runs():
    row = advised([{"lb": 100.0}, {"lb": 200.0}])
    assert row["need"] == "test"
    assert "look for the cause first" in row["advice"]


def test_slip_is_not_cured_by_more_runs():
    runs = [
        {"feeder_pct": p, "lb": 3.0 * p, "sensor_counts": 3.0 * p / k}
        for p, k in ((20.0, 0.56), (40.0, 0.52), (60.0, 0.48), (80.0, 0.44))
    ]
    row = advised(runs, control="closed_loop")
    assert "slip or air gaps" in row["advice"]
    assert row["cause"] == "dependence on feeder output"


def plan_of(weighing: dict, **truck) -> str:
    rows = builders.weighings({"test_id": "A"} | weighing)
    tests = builders.tests({"test_id": "A", "feeder_pct": 100.0})
    return fleet_advice(tests, rows, {}, trucks=builders.trucks(truck))["advice"].iloc[0]


def test_coarse_vehicle_scale_asks_for_a_longer_run():
    text = plan_of(
        {
            "method": "vehicle_scale",
            "gross_lb": 30600.0,
            "tare_lb": 30000.0,
            "scale_division_lb": 20.0,
        }
    )
    # 120 lb/min at 20 % output, weighing may take up 1.44 %: 8.2 lb need 566 lb, nearly 290 s.
    assert "for at least 290 s" in text
    assert "weigh the truck before and after each run" in text
    assert "too coarse" not in text


def test_scale_that_cannot_do_it_is_named():
    text = plan_of(
        {
            "method": "vehicle_scale",
            "gross_lb": 30600.0,
            "tare_lb": 30000.0,
            "scale_division_lb": 50.0,
        }
    )
    assert "too coarse for the target" in text


def test_small_hopper_limits_the_run():
    text = plan_of(
        {
            "method": "vehicle_scale",
            "gross_lb": 30600.0,
            "tare_lb": 30000.0,
            "scale_division_lb": 20.0,
        },
        capacity_lb=240.0,
    )
    assert "for at least 120 s" in text
    assert "too coarse" in text


def test_containers_are_counted():
    text = plan_of({"method": "container", "gross_lb": 54.0, "tare_lb": 4.0, "count": 6})
    # 300 lb/min at full output in containers of 50 lb; 60 lb of the slowest run fill two.
    assert "weigh the catch, about 2 containers, one by one" in text
