"""A run held against its truck: slips of pen, unit, gate and counts are asked about, others not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from spreadplan.calibration import fit_fleet
from spreadplan.calibration.comparison import QUESTIONED
from spreadplan.calibration.trial import RunTrial, try_run
from spreadplan.calibration.trucks import trucks_by_id
from spreadplan.units import POUNDS_PER_KILOGRAM
from tests.calibration import builders as build

OPEN = {"gate_positions_in": (2.0, 3.0, 4.0)}
CLOSED = {"control": "closed_loop", "gate_positions_in": (2.0, 3.0)}


def history(
    loads: dict[float, float],
    truck: dict,
    counts_per_lb: float = 0.0,
    fleet: tuple[dict, ...] = (),
    **test: object,
) -> tuple[object, pd.DataFrame]:
    """A fleet whose first truck gave these loads, lb in a minute at an output in percent."""
    trucks = build.trucks(truck, *fleet)
    rows, weighed = [], []
    for number, (output, load) in enumerate(loads.items()):
        name = f"T{number}"
        counts = round(load * counts_per_lb) if counts_per_lb else np.nan
        rows.append({"test_id": name, "feeder_pct": output, "sensor_counts": counts, **test})
        weighed.append({"test_id": name, "gross_lb": load})
    result = fit_fleet(
        build.tests(*rows),
        build.weighings(*weighed),
        trucks,
        build.materials(),
        build.changes(),
        build.assignments(),
        build.POLICY,
        build.AS_OF,
    )
    return result, trucks


def tried(known: tuple, test: dict, *weighed: dict) -> RunTrial:
    result, trucks = known
    rows = [{"test_id": "new", **one} for one in weighed]
    return try_run(
        build.tests({"test_id": "new", **test}),
        build.weighings(*rows),
        trucks_by_id(trucks),
        build.changes(),
        build.POLICY,
        5.0,
        result.tests,
        result.models,
    )


def asked(known: tuple, test: dict, *weighed: dict) -> dict[str, dict]:
    return {one.code: dict(one.values) for one in tried(known, test, *weighed).questions}


@pytest.fixture(scope="module")
def open_loop() -> tuple:
    return history({20.0: 118.0, 60.0: 362.0, 100.0: 597.0}, OPEN)


@pytest.fixture(scope="module")
def closed_loop() -> tuple:
    return history({35.0: 351.0, 38.0: 379.0, 40.0: 402.0}, CLOSED, counts_per_lb=3.0)


@pytest.mark.parametrize("output", [25.0, 50.0, 80.0, 100.0])
@pytest.mark.parametrize("scatter", [0.93, 1.0, 1.07])
def test_an_honest_run_is_not_asked_about(open_loop, output, scatter):
    assert asked(open_loop, {"feeder_pct": output}, {"gross_lb": 6.0 * output * scatter}) == {}


@pytest.mark.parametrize(
    ("factor", "slip"),
    [
        (1.0 / POUNDS_PER_KILOGRAM, "slip_kg"),
        (POUNDS_PER_KILOGRAM, "slip_lb"),
        (0.1, "slip_zero_missing"),
        (10.0, "slip_zero_more"),
    ],
)
@pytest.mark.parametrize("output", [25.0, 60.0, 95.0])
def test_a_wrong_unit_or_zero_is_named_with_what_it_would_be(open_loop, factor, slip, output):
    found = asked(open_loop, {"feeder_pct": output}, {"gross_lb": 6.0 * output * factor})
    assert found["run_slipped"]["slip"].code == slip
    right = found["run_slipped"]["right_lb_per_min"]
    assert right == pytest.approx(6.0 * output, rel=1e-6)


def test_a_run_time_in_minutes_is_named(open_loop):
    found = asked(open_loop, {"feeder_pct": 50.0, "duration_s": 2.0}, {"gross_lb": 600.0})
    assert found["run_slipped"]["slip"].code == "slip_minutes"


def test_what_no_slip_explains_is_asked_about_all_the_same(open_loop):
    assert "run_unlike" in asked(open_loop, {"feeder_pct": 50.0}, {"gross_lb": 480.0})


@pytest.mark.parametrize("age_days", [10, 700])
def test_tests_that_are_too_old_to_count_still_show_a_slip(age_days):
    done = build.AS_OF - pd.Timedelta(days=age_days)
    known = history({20.0: 118.0, 60.0: 362.0}, OPEN, performed_at=done)
    assert bool(known[0].models) == (age_days < 365)
    found = asked(known, {"feeder_pct": 60.0}, {"gross_lb": 362.0 / POUNDS_PER_KILOGRAM})
    assert found["run_slipped"]["slip"].code == "slip_kg"


def test_a_voided_test_is_no_measure():
    known = history({60.0: 36.2}, OPEN, voided_by="zero missing")
    assert asked(known, {"feeder_pct": 60.0}, {"gross_lb": 362.0}) == {}


@pytest.mark.parametrize(
    ("test", "load", "basis"),
    [
        ({"gate_in": 3.0}, 5400.0, "by_own_other_gate"),
        ({"material": "sand"}, 3600.0, "by_own_other_material"),
        ({"truck_id": "T9"}, 3600.0, "by_fleet"),
    ],
)
def test_a_first_test_is_held_against_the_nearest_thing_known(test, load, basis):
    known = history({20.0: 118.0, 60.0: 362.0, 100.0: 597.0}, OPEN, fleet=({"truck_id": "T9"},))
    found = asked(known, {"feeder_pct": 60.0, **test}, {"gross_lb": load})
    assert found["run_slipped"]["basis"].code == basis
    assert found["run_slipped"]["slip"].code == "slip_zero_more"
    assert "run_slipped" not in asked(known, {"feeder_pct": 60.0, **test}, {"gross_lb": load / 10})


def test_the_first_test_of_the_first_truck_is_held_against_nothing():
    assert asked(history({}, OPEN), {}, {"gross_lb": 3600.0}) == {}


def test_a_gate_that_no_test_and_no_list_knows_is_asked_about(open_loop):
    load = {"gross_lb": 1500.0}
    assert "gate_unknown" in asked(open_loop, {"gate_in": 5.0}, load)
    first = tried(open_loop, {"gate_in": 3.0}, {"gross_lb": 450.0})
    assert [one.code for one in first.notes] == ["gate_first"]
    assert first.questions == ()


def test_counts_that_are_missing_or_ten_times_too_high_are_asked_about(closed_loop):
    at = {"feeder_pct": 38.0}
    load = {"gross_lb": 380.0}
    assert asked(closed_loop, {**at, "sensor_counts": 1140}, load) == {}
    assert list(asked(closed_loop, at, load)) == ["counts_missing"]
    for counts in (11400, 114, 1140 * 2):
        found = asked(closed_loop, {**at, "sensor_counts": counts}, load)
        assert list(found) == ["counts_unlike"], counts
        assert found["counts_unlike"]["usual_counts"] == pytest.approx(1140, rel=0.02)


def test_a_wrong_weight_is_not_blamed_on_the_counts_as_well(closed_loop):
    test = {"feeder_pct": 38.0, "sensor_counts": 1140}
    assert list(asked(closed_loop, test, {"gross_lb": 38.0})) == ["run_slipped"]


def test_more_than_the_hopper_holds_is_asked_about():
    known = history({}, OPEN | {"capacity_lb": 3000.0})
    assert list(asked(known, {}, {"gross_lb": 3001.0})) == ["more_than_hopper"]
    assert asked(known, {}, {"gross_lb": 2999.0}) == {}


def containers(*weights: tuple[float, float]) -> list[dict]:
    return [{"method": "container", "gross_lb": full, "tare_lb": tare} for full, tare in weights]


def test_a_container_unlike_the_others_is_pointed_at():
    known = history({}, OPEN)
    slipped = containers((52.0, 5.0), (530.0, 5.0), (51.0, 5.0))
    assert asked(known, {}, *slipped)["container_unlike"]["number"] == 2
    no_tare = containers((52.0, 5.0), (53.0, 0.0), (51.0, 5.0))
    assert asked(known, {}, *no_tare)["tare_missing"]["number"] == 2
    short = containers((52.0, 5.0), (7.0, 5.0), (51.0, 5.0))
    assert asked(known, {}, *short)["container_unlike"]["number"] == 2


def test_the_last_container_may_be_partly_full():
    known = history({}, OPEN)
    assert asked(known, {}, *containers((52.0, 5.0), (53.0, 5.0), (9.0, 5.0))) == {}
    assert asked(known, {}, *containers((52.0, 0.0), (53.0, 0.0))) == {}


def test_every_question_can_be_asked():
    """None of the codes that stop a save is misspelt."""
    from spreadplan.views.words import WORDS

    assert set(QUESTIONED) <= set(WORDS)
