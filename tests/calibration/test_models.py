"""Models of a fleet: grouping, prediction, gates between tested ones, tables."""

import numpy as np
import pandas as pd
import pytest

from spreadplan.calibration import between_gates, fit_fleet
from spreadplan.calibration.models import GateInterpolation
from tests.calibration import builders
from tests.said import US


def calibrated(runs: list[dict], **truck):
    """Calibration from runs that carry their own mass as ``lb``."""
    rows = [{"test_id": f"{place:02d}"} | run for place, run in enumerate(runs)]
    tests = [{key: value for key, value in row.items() if key != "lb"} for row in rows]
    return fit_fleet(
        builders.tests(*tests),
        builders.weighings(*({"test_id": r["test_id"], "gross_lb": r["lb"]} for r in rows)),
        builders.trucks(truck),
        builders.materials(),
        builders.changes(),
        builders.assignments(),
        builders.POLICY,
        builders.AS_OF,
    )


TWO_GATES = [
    {"gate_in": gate, "feeder_pct": pct, "lb": lb_per_pct * (pct - 10.0)}
    for gate, lb_per_pct in ((2.0, 2.0), (4.0, 5.0))
    for pct in (25.0, 50.0, 75.0, 100.0)
]


def test_one_model_per_truck_material_and_gate():
    models = calibrated([*TWO_GATES, {"material": "grit", "lb": 80.0}]).models
    assert set(models) == {("T1", "salt", 2.0), ("T1", "salt", 4.0), ("T1", "grit", 2.0)}


def test_invalid_tests_do_not_enter_a_model():
    models = calibrated([{"lb": 150.0}, {"lb": 300.0, "voided_by": "wrong gate"}]).models
    assert models["T1", "salt", 2.0].test_ids == ("00",)
    assert models["T1", "salt", 2.0].predict(50.0).discharge_lb_per_min == pytest.approx(150.0)


def test_no_model_where_nothing_came_out():
    assert calibrated([{"lb": 0.0}]).models == {}


def test_prediction_keeps_the_shape_and_marks_untested_outputs():
    model = calibrated(TWO_GATES).models["T1", "salt", 2.0]
    found = model.predict(np.array([[24.9, 25.0], [100.0, 12.0]]))
    assert found.discharge_lb_per_min.shape == (2, 2)
    assert found.extrapolated.tolist() == [[True, False], [False, True]]
    assert found.discharge_lb_per_min[0, 1] == pytest.approx(30.0)


def test_closed_loop_has_both_curve_and_mass_per_count():
    model = calibrated(
        [{"feeder_pct": 38.0, "lb": 120.0, "sensor_counts": 240.0}], control="closed_loop"
    ).models["T1", "salt", 2.0]
    assert model.lb_per_count == pytest.approx(0.5)
    assert model.count_kind == "constant"
    assert model.relative_u_per_count(90.0) == pytest.approx(model.lb_per_count_u / 0.5)
    assert model.predict(76.0).discharge_lb_per_min == pytest.approx(240.0)


def test_closed_loop_without_counts_is_flagged():
    model = calibrated([{"lb": 120.0}], control="closed_loop").models["T1", "salt", 2.0]
    assert np.isnan(model.lb_per_count)
    assert np.isnan(model.relative_u_per_count(50.0))
    assert any("no valid test has sensor counts" in US.say(flag) for flag in model.flags)


def test_repeatability_starts_at_3_percent_and_learns():
    alone = calibrated([{"lb": 150.0}]).models["T1", "salt", 2.0]
    steady = calibrated([{"lb": 150.0}] * 5).models["T1", "salt", 2.0]
    wild = calibrated([{"lb": lb} for lb in (120.0, 180.0, 150.0)]).models["T1", "salt", 2.0]
    assert alone.repeatability == pytest.approx(0.03)
    assert steady.repeatability == pytest.approx(0.03 * np.sqrt(0.5))
    assert wild.repeatability > 0.06


def test_a_tested_gate_is_never_interpolated():
    models = calibrated(TWO_GATES).models
    assert between_gates(models, "T1", "salt", 4.0) is models["T1", "salt", 4.0]


@pytest.mark.parametrize("gate_in", [1.0, 4.5])
def test_nothing_is_said_outside_the_tested_gates(gate_in: float):
    assert between_gates(calibrated(TWO_GATES).models, "T1", "salt", gate_in) is None


def test_nothing_is_said_of_another_truck_or_material():
    models = calibrated(TWO_GATES).models
    assert between_gates(models, "T2", "salt", 3.0) is None
    assert between_gates(models, "T1", "grit", 3.0) is None


def test_gate_between_is_interpolated_and_flagged():
    models = calibrated(TWO_GATES).models
    found = between_gates(models, "T1", "salt", 2.5)
    assert isinstance(found, GateInterpolation)
    assert "was not tested: interpolated between 2 and 4 in" in US.say(found.flags[0])
    output = np.array([30.0, 60.0])
    value = found.predict(output)
    # A quarter of the way: 2.75 lb/min per point above 10 %.
    assert value.discharge_lb_per_min == pytest.approx(2.75 * (output - 10.0))
    ends = [models["T1", "salt", gate].predict(output) for gate in (2.0, 4.0)]
    bend_u = 0.75 * 0.25 * 3.0 * (output - 10.0) / np.sqrt(3.0)
    expected = np.sqrt(
        (0.75 * ends[0].discharge_u_lb_per_min) ** 2
        + (0.25 * ends[1].discharge_u_lb_per_min) ** 2
        + bend_u**2
    )
    assert value.discharge_u_lb_per_min == pytest.approx(expected)


def test_gate_between_has_an_inverse():
    runs = [
        *TWO_GATES[:4],
        *(
            {"gate_in": 4.0, "feeder_pct": pct, "lb": 5.0 * (min(pct, 70.0) - 15.0)}
            for pct in (20.0, 40.0, 60.0, 80.0, 100.0)
        ),
    ]
    models = calibrated(runs).models
    found = between_gates(models, "T1", "salt", 3.0)
    assert isinstance(found, GateInterpolation)
    assert found.upper.kind == "saturating"
    output = np.array([11.0, 14.0, 30.0, 69.0, 71.0, 100.0])
    discharge = found.predict(output).discharge_lb_per_min
    assert found.feeder_for(discharge) == pytest.approx(output)
    assert np.isnan(found.feeder_for(discharge[-1] * 1.01))
    assert found.feeder_for(0.0) == 0.0


def test_discharge_table_has_the_columns_of_the_contract():
    table = calibrated(TWO_GATES).discharge
    assert list(table.columns[:7]) == [
        "truck_id",
        "material",
        "gate_in",
        "feeder_pct",
        "discharge_lb_per_min",
        "discharge_u_lb_per_min",
        "extrapolated",
    ]


def test_discharge_table_covers_the_feeder_range_and_the_tested_outputs():
    runs = [{"feeder_pct": pct, "lb": 3.0 * pct} for pct in (33.0, 66.0, 90.0)]
    table = calibrated(runs, min_feeder_pct=12.0, max_feeder_pct=90.0).discharge
    assert table["feeder_pct"].tolist() == sorted([*range(15, 95, 5), 33, 66])
    assert table.set_index("feeder_pct").loc[[30, 33, 90], "extrapolated"].tolist() == [
        True,
        False,
        False,
    ]


def test_discharge_table_adds_positions_between_tested_gates_only():
    table = calibrated(TWO_GATES, gate_positions_in=(1.0, 2.0, 3.0, 5.0)).discharge
    basis = table.groupby("gate_in")["basis"].unique().map(list)
    assert basis.to_dict() == {
        2.0: ["tested gate"],
        3.0: ["between gates"],
        4.0: ["tested gate"],
    }


def test_discharge_table_never_falls_with_output():
    table = calibrated(TWO_GATES, gate_positions_in=(3.0,)).discharge
    rise = table.groupby("gate_in")["discharge_lb_per_min"].diff().dropna()
    assert (rise >= 0.0).all()
    within = table["discharge_lb_per_min"].between(
        table["discharge_lo_lb_per_min"], table["discharge_hi_lb_per_min"]
    )
    assert within.all()


def test_models_table_tells_what_the_model_knows():
    calibration = calibrated(TWO_GATES)
    row = calibration.models_table.iloc[0]
    model = calibration.models["T1", "salt", 2.0]
    assert row["kind"] == "line"
    assert row["start_pct"] == pytest.approx(10.0)
    assert row["start_u_pct"] == pytest.approx(np.sqrt(model.covariance[1, 1]))
    assert row["tests"] == "00;01;02;03"
    assert (row["tested_lo_pct"], row["tested_hi_pct"]) == (25.0, 100.0)
    assert np.isnan(row["saturation_pct"])


def test_an_empty_workspace_gives_empty_tables():
    empty = fit_fleet(
        builders.tests(),
        builders.weighings(),
        builders.trucks(),
        builders.materials(),
        builders.changes(),
        builders.assignments({}),
        builders.POLICY,
        builders.AS_OF,
    )
    assert empty.models == {}
    assert len(empty.tests) == len(empty.discharge) == len(empty.drift) == 0
    assert "extrapolated" in empty.discharge.columns
    assert empty.advice["need"].tolist() == ["test"]


def test_row_order_of_the_inputs_does_not_matter():
    forward, backward = calibrated(TWO_GATES), calibrated(TWO_GATES[::-1])
    for key, model in forward.models.items():
        other = backward.models[key]
        for name in ("slope", "start_pct", "saturation_pct"):
            expected = getattr(other.curve, name)
            assert getattr(model.curve, name) == pytest.approx(expected, rel=1e-12), name
    columns = ["gate_in", "feeder_pct", "discharge_lb_per_min"]
    pd.testing.assert_frame_equal(forward.discharge[columns], backward.discharge[columns])
