"""When a test stops counting, and what is doubtful about one that counts."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from spreadplan.calibration.tests import discharge_results
from spreadplan.calibration.trucks import trucks_by_id
from spreadplan.calibration.weighing import weigh
from spreadplan.views.display import Display
from tests.calibration import builders
from tests.said import US

TESTED = pd.Timestamp("2026-10-15T15:00", tz="UTC")


def judged(*tests: dict, changes: tuple[dict, ...] = (), as_of=builders.AS_OF, **truck):
    ids = [row.get("test_id", "A") for row in tests]
    found = discharge_results(
        builders.tests(*tests),
        weigh(builders.weighings(*({"test_id": test_id} for test_id in ids))),
        trucks_by_id(builders.trucks(truck)),
        builders.changes(*changes),
        builders.POLICY,
        as_of,
    )
    return replace(US, display=Display("us", as_of.tz)).table(found)


def reason(*tests: dict, **arguments) -> str:
    table = judged(*tests, **arguments)
    assert table["valid"].iloc[0] == (table["reason"].iloc[0] == "")
    return table["reason"].iloc[0]


def test_a_fresh_test_counts():
    assert reason({}) == ""


def test_voided_test_does_not_count():
    assert reason({"voided_by": "hopper ran empty"}) == "voided: hopper ran empty"


@pytest.mark.parametrize("what", ["gate", "feeder", "hydraulics"])
def test_later_change_voids(what: str):
    found = reason({}, changes=({"what": what},))
    assert found == f"{what} changed 2026-11-03, after this test"


def test_change_is_dated_in_local_time():
    late = {"changed_at": pd.Timestamp("2026-11-04T04:30", tz="UTC")}
    local = builders.AS_OF.tz_convert("America/Chicago")
    assert "2026-11-03" in reason({}, changes=(late,), as_of=local)


def test_sensor_change_voids_a_closed_loop_only():
    change = ({"what": "sensor"},)
    assert "sensor changed" in reason({}, changes=change, control="closed_loop")
    assert reason({}, changes=change, control="open_loop") == ""


@pytest.mark.parametrize("what", ["material", "other"])
def test_other_work_only_warns(what: str):
    table = judged({}, changes=({"what": what},))
    assert table["valid"].iloc[0]
    assert f"{what} change noted 2026-11-03" in table["warnings"].iloc[0]


def test_change_at_the_very_moment_of_the_test_does_not_void():
    assert reason({}, changes=({"changed_at": TESTED},)) == ""


def test_change_before_the_test_does_not_void():
    assert reason({}, changes=({"changed_at": TESTED - pd.Timedelta(minutes=1)},)) == ""


def test_change_counts_up_to_the_date_of_calibration():
    after = {"changed_at": builders.AS_OF + pd.Timedelta(seconds=1)}
    assert reason({}, changes=({"changed_at": builders.AS_OF},)) != ""
    assert reason({}, changes=(after,)) == ""


def test_change_on_another_truck_does_not_void():
    assert reason({}, changes=({"truck_id": "T2"},)) == ""


def test_age_limit_is_inclusive():
    limit = pd.Timedelta(days=builders.POLICY.calibration_max_age_days)
    assert reason({}, as_of=TESTED + limit) == ""
    found = reason({}, as_of=TESTED + limit + pd.Timedelta(days=2))
    assert found == "367 days old, more than the 365 days that the policy allows"


def test_test_after_the_date_of_calibration_does_not_count_yet():
    found = reason({}, as_of=TESTED - pd.Timedelta(seconds=1))
    assert found == "performed after the date of this calibration"


def test_run_without_feeder_output_does_not_count():
    assert reason({"feeder_pct": 0.0}) == "run without feeder output"


def test_every_reason_is_given():
    found = reason({"voided_by": "x"}, changes=({}, {"what": "feeder"}))
    assert found.split("; ") == [
        "voided: x",
        "gate changed 2026-11-03, after this test",
        "feeder changed 2026-11-03, after this test",
    ]


def warning(*tests: dict, **arguments) -> str:
    return judged(*tests, **arguments)["warnings"].iloc[0]


def test_nothing_to_warn_about():
    assert warning({"feeder_pct": 100.0, "duration_s": 60.0, "engine_rpm": 1200.0}) == ""


def test_short_run_warns():
    assert "run of 59 s is shorter than 60 s" in warning({"duration_s": 59.0})


@pytest.mark.parametrize(
    ("rpm", "warned"), [(1199, True), (1200, False), (1400, False), (1401, True)]
)
def test_engine_speed_outside_its_band_warns(rpm: float, warned: bool):
    assert ("engine at" in warning({"engine_rpm": float(rpm)})) == warned


def test_unknown_engine_speed_does_not_warn():
    assert "engine" not in warning({"engine_rpm": np.nan})


@pytest.mark.parametrize(("pct", "warned"), [(24.9, True), (25, False), (50, False), (50.1, True)])
def test_closed_loop_far_from_the_recommended_output_warns(pct: float, warned: bool):
    found = warning({"feeder_pct": float(pct)}, control="closed_loop")
    assert ("far from 35 to 40 %" in found) == warned


def test_only_open_loop_test_below_full_output_warns():
    assert "not run at full output" in warning({"feeder_pct": 79.0}, max_feeder_pct=80.0)
    assert warning({"feeder_pct": 80.0}, max_feeder_pct=80.0) == ""
    assert "full output" not in warning({"feeder_pct": 50.0}, {"test_id": "B", "feeder_pct": 60.0})


def test_invalid_neighbour_leaves_a_test_alone():
    found = warning({}, {"test_id": "B", "voided_by": "x"})
    assert "the only test here" in found


def test_assumed_division_warns():
    tests = builders.tests({"feeder_pct": 100.0})
    table = discharge_results(
        tests,
        weigh(builders.weighings({"scale_division_lb": np.nan})),
        trucks_by_id(builders.trucks()),
        builders.changes(),
        builders.POLICY,
        builders.AS_OF,
    )
    assert "scale division assumed" in US.say_all(table["warnings"].iloc[0])
