"""A test that is being typed gives what it will give once it is recorded."""

from __future__ import annotations

import pytest

from spreadplan.runs.calibrating import read_fleet
from spreadplan.runs.trial import try_test

OPEN_LOOP = {
    "truck_id": "T1",
    "material": "salt",
    "performed_at": "2026-10-20T10:00",
    "gate_in": "2",
    "feeder_pct": "50",
    "duration_s": "60",
}
CLOSED_LOOP = {
    **OPEN_LOOP,
    "truck_id": "T2",
    "gate_in": "3",
    "feeder_pct": "38",
    "sensor_counts": "1200",
    "performed_at": "2026-10-21",
}
CONTAINERS = [
    {
        "method": "container",
        "gross_lb": "80",
        "tare_lb": "5",
        "count": "4",
        "scale_division_lb": "0.5",
    }
]


@pytest.mark.parametrize(
    ("test_id", "test", "weighings"),
    [
        ("D2", OPEN_LOOP, CONTAINERS),
        ("D3", CLOSED_LOOP, [{"method": "direct", "gross_lb": "410", "scale_division_lb": "1"}]),
    ],
)
def test_typed_and_recorded_agree(workspace, test_id, test, weighings):
    tables, fleet = read_fleet(workspace())
    recorded = fleet.tests.set_index("test_id").loc[test_id]
    run = try_test(tables, fleet, test, weighings).run
    assert run is not None
    for name in (
        "net_lb",
        "net_u_lb",
        "discharge_lb_per_min",
        "discharge_u_lb_per_min",
        "lb_per_count",
        "lb_per_count_u",
    ):
        assert run.result[name] == pytest.approx(recorded[name], rel=1e-12, nan_ok=True), name


def test_masses_add_up_and_metric_is_understood(workspace):
    tables, fleet = read_fleet(workspace())
    rows = [{"method": "container", "gross_kg": "45.359237", "tare_kg": "0"}] * 3
    test = {**OPEN_LOOP, "duration_s": "", "duration_min": "2"}
    del test["duration_s"]
    run = try_test(tables, fleet, test, rows).run
    assert run is not None
    assert run.result["net_lb"] == pytest.approx(300.0)
    assert run.result["discharge_lb_per_min"] == pytest.approx(150.0)


def test_a_short_run_on_a_coarse_scale_is_told_to_run_longer(workspace):
    tables, fleet = read_fleet(workspace())
    coarse = [{"method": "direct", "gross_lb": "40", "scale_division_lb": "5"}]
    run = try_test(tables, fleet, {**OPEN_LOOP, "duration_s": "10"}, coarse).run
    assert run is not None
    assert not run.fine_enough
    assert run.advised is not None
    assert run.advised.run_s > 10
    longer = [
        {"method": "direct", "gross_lb": str(4 * run.advised.run_s), "scale_division_lb": "5"}
    ]
    again = try_test(tables, fleet, {**OPEN_LOOP, "duration_s": str(run.advised.run_s)}, longer).run
    assert again is not None
    assert again.fine_enough
    assert run.advised.fine_enough


@pytest.mark.parametrize(
    ("test", "weighings", "column"),
    [
        ({**OPEN_LOOP, "truck_id": "T9"}, CONTAINERS, "truck_id"),
        ({**OPEN_LOOP, "duration_s": "soon"}, CONTAINERS, "duration_s"),
        ({**OPEN_LOOP, "duration_s": ""}, CONTAINERS, "duration_s"),
        (OPEN_LOOP, [], "*"),
        (OPEN_LOOP, [{"method": "guess", "gross_lb": "1"}], "method"),
        (OPEN_LOOP, [{"method": "direct", "gross_lb": ""}], "gross_lb"),
    ],
)
def test_what_cannot_be_understood_is_named(workspace, test, weighings, column):
    tables, fleet = read_fleet(workspace())
    trial = try_test(tables, fleet, test, weighings)
    assert trial.run is None
    assert column in [problem.column for problem in trial.problems]
