import numpy as np
import pandas as pd
import pytest

from spreadplan.calibration.assumptions import DAY_REL, LIQUID_REPEATABILITY_REL
from spreadplan.calibration.standing import UNTESTED_RELATIVE_U
from tests.calibration import builders
from tests.calibration.liquid_builders import (
    DAY,
    VOICE,
    catches,
    floats,
    judged,
    liquid_tests,
    one,
    runs,
    table,
)


def test_flow_and_uncertainty_by_hand():
    """12.4 gal in 75 s: 9.92 gal/min; readings of 0.1 gal, stop watch 0.3 s: GUM 5.1.2 by hand."""
    tests = liquid_tests({"duration_s": 75.0, "duration_u_s": np.nan})
    caught = catches(
        {"volume_gal": 6.2, "scale_division_gal": 0.1},
        {"volume_gal": 6.2, "scale_division_gal": np.nan},
    )
    results, _, _ = judged(tests, caught)
    row = results.iloc[0]
    assert row["measured_gal_per_min"] == pytest.approx(9.92)
    reading = np.sqrt(2 * 0.1**2 / 12) * 60 / 75
    assert row["u_gal_per_min"] == pytest.approx(np.hypot(reading, 9.92 * 0.3 / 75))
    assert "assumed" in VOICE.table(results)["warnings"].iloc[0]


def test_repeats_are_averaged_and_their_scatter_counts():
    results, _, models = runs((10.0, 9.8), (10.0, 10.2))
    model = one(models)
    sd = np.hypot(
        results["u_gal_per_min"], LIQUID_REPEATABILITY_REL * results["measured_gal_per_min"]
    )
    weight = sd**-2
    mean = (results["measured_gal_per_min"] * weight).sum() / weight.sum()
    squares = (((results["measured_gal_per_min"] - mean) / sd) ** 2).sum()
    factor = (4.0 + squares) / 5.0
    assert model.measured_gal_per_min == pytest.approx([mean])
    expected = np.hypot(np.sqrt(factor / weight.sum()), DAY_REL * mean)
    assert model.u_gal_per_min == pytest.approx([expected])
    assert model.dof == 5.0


def test_another_day_makes_the_days_part_smaller():
    tests = liquid_tests(
        {"test_id": "A"}, {"test_id": "B", "performed_at": DAY + pd.Timedelta(days=3)}
    )
    caught = catches({"test_id": "A"}, {"test_id": "B"})
    _, _, apart = judged(tests, caught)
    _, _, together = judged(tests.assign(performed_at=DAY), caught)
    saved = one(together).u_gal_per_min[0] ** 2 - one(apart).u_gal_per_min[0] ** 2
    assert saved == pytest.approx((DAY_REL * 10.0) ** 2 / 2.0)


def test_repeats_that_disagree_are_named():
    results, _, models = runs((10.0, 9.0), (10.0, 11.0), (20.0, 20.0), (20.0, 20.1))
    said = table(results, models)
    assert "repeats disagree: 9 to 11" in said["doubts"].iloc[0]
    assert said["doubts"].iloc[1] == ""
    _, _, steady = runs((20.0, 20.0), (20.0, 20.1))
    assert one(steady).u_gal_per_min[0] < said["u_gal_per_min"].iloc[1]  # one scatter for all


def test_setting_known_no_better_than_untested_is_not_valid():
    results, _, models = runs((10.0, 5.0), (10.0, 12.0))
    row = table(results, models).iloc[0]
    assert not row["valid"]
    assert "no better than an untested truck" in row["reason"]


@pytest.mark.parametrize(
    ("change", "counts"),
    [("hydraulics", False), ("liquid", False), ("gate", True), ("feeder", True), ("other", True)],
)
def test_work_that_ends_a_test(change, counts):
    work = builders.changes(
        {"truck_id": "T1", "changed_at": DAY + pd.Timedelta(days=2), "what": change}
    )
    results, _, _ = judged(liquid_tests({}), catches({}), work)
    assert bool(results["valid"].iloc[0]) is counts
    if change == "other":
        assert "check with a short run" in VOICE.table(results)["warnings"].iloc[0]


@pytest.mark.parametrize(
    ("test", "caught", "why"),
    [
        ({"voided_by": "hose came off"}, {}, "voided: hose came off"),
        ({"performed_at": DAY - pd.Timedelta(days=400)}, {}, "days old"),
        ({"performed_at": DAY + pd.Timedelta(days=400)}, {}, "performed after"),
        ({}, {"volume_gal": 0.0}, "no liquid came out"),
        ({}, {"test_id": "other"}, "nothing was caught"),
    ],
)
def test_why_a_test_does_not_count(test, caught, why):
    results, _, models = judged(liquid_tests(test), catches(caught))
    row = table(results, models).iloc[0]
    assert not row["valid"]
    assert why in row["reason"]
    assert models == {}


def test_a_voided_repeat_does_not_move_the_mean():
    tests = liquid_tests({"test_id": "A"}, {"test_id": "B", "voided_by": "foam"})
    caught = catches({"test_id": "A", "volume_gal": 9.5}, {"test_id": "B", "volume_gal": 15.0})
    results, _, models = judged(tests, caught)
    row = table(results, models).iloc[0]
    assert row["measured_gal_per_min"] == pytest.approx(9.5)
    assert row["tests"] == "A"


def test_liters_for_gallons_draw_a_warning():
    results, _, _ = runs((10.0, 37.9))
    assert "check the units" in VOICE.table(results)["warnings"].iloc[0]


# --- what to set -------------------------------------------------------------------------------


def test_between_two_settings_the_line_between_them():
    _, _, models = runs((4.0, 4.4), (8.0, 8.4))
    found = one(models).setting_for(floats(4.4, 6.4, 8.4))
    assert found.setting_gal_per_min == pytest.approx([4.0, 6.0, 8.0])
    assert not found.extrapolated.any()
    assert found.relative_u[1] > max(found.relative_u[0], found.relative_u[2])


def test_beyond_the_settings_the_ratio_of_the_nearest():
    _, _, models = runs((4.0, 4.4), (8.0, 8.4))
    found = one(models).setting_for(floats(2.2, 16.8, 1e6, 0.0))
    assert found.setting_gal_per_min[:2] == pytest.approx([2.0, 16.0])
    assert found.extrapolated.all()
    at_end = one(models).setting_for(floats(8.4)).relative_u[0]
    assert found.relative_u[1] == pytest.approx(np.hypot(at_end, 0.10))
    assert found.relative_u[2] == UNTESTED_RELATIVE_U
    assert found.setting_gal_per_min[3] == 0.0


def test_a_pump_at_its_limit_is_named_and_left_out():
    results, _, models = runs((10.0, 10.0), (20.0, 18.0), (30.0, 17.5))
    assert "no more than a lower one" in table(results, models)["doubts"].iloc[2]
    found = one(models).setting_for(floats(14.0, 18.0))
    assert found.setting_gal_per_min == pytest.approx([15.0, 20.0])


def test_the_circuits_of_a_truck_are_apart():
    tests = liquid_tests(
        {"test_id": "A"}, {"test_id": "B", "circuit": "prewet", "setting_gal_per_min": 2.0}
    )
    caught = catches({"test_id": "A"}, {"test_id": "B", "volume_gal": 2.2})
    results, _, models = judged(tests, caught)
    assert set(models) == {("T1", "brine", "boom"), ("T1", "brine", "prewet")}
    assert table(results, models)["ratio"].tolist() == pytest.approx([1.0, 1.1])


def test_the_interval_of_the_mean_holds_the_truth():
    """Of 150 invented circuits with 2 % scatter and two repeats, about 95 % hold it."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(150):
        gallons = 10.0 * (1.0 + DAY_REL * rng.normal()) * (1.0 + 0.02 * rng.normal(size=3))
        _, _, models = runs(*((10.0, float(one)) for one in gallons))
        model = one(models)
        relative = model.u_gal_per_min[0]
        held += abs(model.measured_gal_per_min[0] - 10.0) < 1.96 * relative
    assert 0.90 < held / 150 < 0.995
