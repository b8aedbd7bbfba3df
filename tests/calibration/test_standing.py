"""The one rule that says whether a calibration may be used."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spreadplan.calibration.standing import (
    UNTESTED_95,
    run_uncertainty,
    too_uncertain,
    working_outputs,
)
from spreadplan.calibration.trucks import trucks_by_id
from tests.calibration import builders
from tests.calibration.test_models import calibrated
from tests.said import US


def standing(runs, **truck):
    (found,) = calibrated(runs, **truck).standings.values()
    return found


def scattered(*masses, pct=50.0):
    return [{"feeder_pct": pct, "lb": mass} for mass in masses]


def test_the_bound_is_the_untested_truck():
    """20 % standard uncertainty, two-sided 95 % of a normal error: 39.2 %."""
    assert pytest.approx(0.392, abs=1e-4) == UNTESTED_95
    assert too_uncertain([0.1999, 0.2, 0.2001], 0.0, np.inf).tolist() == [False, True, True]
    # the calibration and the run both count: 0.15 and 0.15 make 0.212
    assert too_uncertain(0.15, [0.0, 0.15], np.inf).tolist() == [False, True]
    # few degrees of freedom widen what 10 % are worth: t is 4.30 with two
    assert run_uncertainty(0.10, 0.0, 2.0) == pytest.approx(0.4303, rel=1e-3)
    assert bool(too_uncertain(0.10, 0.0, 2.0))


def test_one_run_at_full_output_may_not_be_used_far_below_it():
    """The start-up is 0 ± 5 points: by hand 5 (1 − f / 100) / f, with 3 % for the run and for the
    test, and t = 2.776. At 27 % output that reaches the bound.
    """
    found = standing([{"feeder_pct": 100.0, "lb": 300.0}])
    by_hand = {f: 2.776 * np.sqrt((5 * (1 - f / 100) / f) ** 2 + 2 * 0.03**2) for f in (26, 28)}
    assert by_hand[26] > UNTESTED_95 > by_hand[28]
    assert found.level == "in_part"
    assert found.working_pct == (20.0, 100.0)
    assert 26.0 < found.usable_pct[0] <= 28.0
    assert found.usable_pct[1] == 100.0
    assert found.worst == pytest.approx(0.57, abs=0.02)
    low = found.usable_pct[0]
    assert US.say(found.says) == (
        f"do not use yet below {low:.0f} % output: what comes out in a run is known within "
        f"± {100 * found.worst:.0f} % only, no better than from a truck that was never tested "
        "(about 40 %)"
    )


def test_tests_that_scatter_by_half_may_not_be_used_at_all():
    found = standing(scattered(300.0, 600.0))
    assert (found.level, found.usable) == ("do_not_use", False)
    assert found.best > UNTESTED_95
    assert US.say(found.says).startswith(
        "do not use yet: what comes out in a run is known within ± "
    )


def test_tests_that_contradict_each_other_but_not_by_much():
    """Six runs, 14 % apart in two groups: chance does not explain it, yet the mean is known."""
    found = standing(
        scattered(279.0, 280.0, 281.0, 319.0, 320.0, 321.0, pct=100.0), min_feeder_pct=90.0
    )
    assert found.usable
    assert found.level == "contradicting"
    assert (
        US.say(found.says)
        == "its tests contradict each other: find the cause before you rely on them"
    )


def test_good_tests_have_nothing_against_them():
    runs = [{"feeder_pct": p, "lb": 3.0 * (p - 8.0)} for p in (20.0, 20.0, 40.0, 60.0, 80.0, 100.0)]
    twice = [
        *runs,
        *(run | {"performed_at": pd.Timestamp("2026-10-21T15:00", tz="UTC")} for run in runs),
    ]
    assert standing(twice).level == "good"
    assert standing(twice).says is None
    assert standing(runs).level == "short_of_target", "all of one day"
    loose = standing([runs[0], runs[3], runs[5]])
    assert loose.level == "short_of_target"
    assert loose.says is None


def test_a_closed_loop_goes_by_its_counts():
    runs = [{"feeder_pct": p, "lb": 3.0 * p} for p in (20.0, 40.0, 60.0, 80.0, 100.0)]
    result = calibrated(runs, control="closed_loop")
    (found,) = result.standings.values()
    assert (found.level, found.usable) == ("do_not_use", False)
    assert "no valid test has sensor counts" in US.say(found.says)
    row = US.table(result.advice).iloc[0]
    assert (row["standing"], row["need"]) == ("do_not_use", "test")
    assert "sensor counts" in row["advice"]
    counted = [run | {"sensor_counts": 10.0 * run["feeder_pct"]} for run in runs]
    assert standing(counted, control="closed_loop").level == "good"


def test_the_table_of_advice_says_it_too():
    table = calibrated([*scattered(300.0, 600.0), {"gate_in": 3.0, "lb": 150.0}]).advice
    assert dict(zip(table["gate_in"], table["standing"], strict=True)) == {
        2.0: "do_not_use",
        3.0: "do_not_use",
    }


runs = st.lists(
    st.builds(
        lambda pct, per: {"feeder_pct": pct, "lb": per * pct},
        st.sampled_from([20.0, 38.0, 50.0, 75.0, 100.0]),
        st.floats(1.0, 6.0),
    ),
    min_size=1,
    max_size=5,
)


def test_a_knee_that_may_hide_between_two_tests_parts_what_is_usable():
    """Known well enough at both tests, too badly between them: one side alone is called usable."""
    runs_far_apart = [(20.0, 50.0), (20.0, 65.0), (100.0, 200.0)]
    found = standing([{"feeder_pct": at, "lb": lb} for at, lb in runs_far_apart])
    assert found.level == "in_part"
    assert found.worst > UNTESTED_95
    low, high = found.usable_pct
    assert (low, high) != found.working_pct
    assert low == 20.0 or high == 100.0


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(runs)
def test_what_is_called_usable_is_known_better_than_an_untested_truck(some):
    result = calibrated(some)
    truck = trucks_by_id(builders.trucks())["T1"]
    for key, model in result.models.items():
        found = result.standings[key]
        outputs = working_outputs(model, truck)
        one_run = np.hypot(model.repeatability, model.day_sd)
        known = run_uncertainty(model.relative_u(outputs), one_run, model.relative_dof)
        low, high = found.usable_pct or (np.inf, -np.inf)
        inside = (outputs >= low) & (outputs <= high)
        assert (known[inside] < UNTESTED_95).all()
        # a step of 1 point decides at either end, and no stretch elsewhere is longer
        for elsewhere in (outputs < low - 1.0, outputs > high + 1.0):
            usable = outputs[elsewhere & (known < UNTESTED_95)]
            gaps = np.flatnonzero(np.diff(usable) > 1.5 * np.diff(outputs)[0]) + 1
            lengths = [np.ptp(one) for one in np.split(usable, gaps) if len(one)]
            assert max(lengths, default=0.0) <= max(high - low, 0.0) + 1.0
