import numpy as np
import pytest

from spreadplan.planning.changes import Along, fewest_changes
from spreadplan.planning.settings import (
    Control,
    GateChoice,
    choose_gate,
    fit_gate,
)
from tests.planning.small_county import LineModel

OPEN = Control(closed_loop=False, min_feeder_pct=10.0, max_feeder_pct=100.0, step_pct=5.0)
CLOSED = Control(closed_loop=True, min_feeder_pct=10.0, max_feeder_pct=100.0, step_pct=1.0)
NO_CAP = np.inf


def fit(model, control, *needs, cap=NO_CAP):
    need = np.array(needs, dtype=float)
    return fit_gate(model, control, need, np.full(len(need), cap))


def test_the_grid_ends_within_the_range():
    assert list(Control(False, 10.0, 34.0, 8.0).grid()) == [10.0, 18.0, 26.0, 34.0]
    assert list(Control(False, 0.0, 0.35, 0.1).grid()) == [0.0, 0.1, 0.2, 0.3]


def test_open_loop_takes_the_nearest_setting():
    # 4 lb/min per percent: 202 lies between 200 (50 %) and 220 (55 %); 213 nearer to 220
    found = fit(LineModel(2.0, 4.0), OPEN, 202.0, 213.0)
    assert list(found.feeder_pct) == [50.0, 55.0]
    assert list(found.discharge) == [200.0, 220.0]
    assert not (found.short | found.excess).any()


def test_settings_within_two_percent_serve():
    # steps of 1 %: 196 to 204 lb/min serve a need of 200, which is 49 to 51 %
    fine = Control(False, 0.0, 100.0, 1.0)
    found = fit(LineModel(2.0, 4.0), fine, 200.0)
    assert (found.grid_pct[found.low[0]], found.grid_pct[found.high[0]]) == (49.0, 51.0)


def test_a_cap_is_never_passed():
    found = fit(LineModel(2.0, 4.0), OPEN, 213.0, cap=213.0)
    assert found.discharge[0] == 200.0
    assert found.grid_discharge[found.high[0]] <= 213.0
    # on a fine grid too: what serves the need ends at the cap
    fine = fit(LineModel(2.0, 4.0), Control(False, 0.0, 100.0, 0.5), 200.0, cap=200.0)
    assert fine.grid_discharge[fine.high[0]] == 200.0
    assert fine.low[0] < fine.high[0]


def test_a_cap_below_the_lowest_setting_cannot_be_kept():
    found = fit(LineModel(2.0, 4.0), OPEN, 39.5, cap=39.5)
    assert found.excess[0]


def test_too_much_and_too_little():
    # 40 to 400 lb/min; two percent beyond either end still serve an open loop
    found = fit(LineModel(2.0, 4.0), OPEN, 38.0, 39.9, 407.9, 409.0)
    assert list(found.excess) == [True, False, False, False]
    assert list(found.short) == [False, False, False, True]
    exact = fit(LineModel(2.0, 4.0), CLOSED, 39.9, 40.0, 400.0, 400.1)
    assert list(exact.excess) == [True, False, False, False]
    assert list(exact.short) == [False, False, False, True]
    assert list(exact.discharge) == [40.0, 40.0, 400.0, 400.0]


def test_closed_loop_predicts_the_output_unrounded():
    found = fit(LineModel(3.0, 9.0, start=5.0), CLOSED, 200.0)
    assert found.feeder_pct[0] == pytest.approx(5.0 + 200.0 / 9.0)
    assert found.max_discharge == pytest.approx(9.0 * 95.0)


def test_a_setting_that_gives_nothing_is_not_offered():
    found = fit(LineModel(2.0, 4.0, start=30.0), OPEN, 2.0)
    assert found.grid_pct[0] == 35.0
    assert found.feeder_pct[0] == 35.0


def test_where_more_output_gives_no_more_the_lowest_is_taken():
    # level from 85 %: 100 % would give the same, and lie beyond the tested outputs
    model = LineModel(2.0, 4.0, saturation=85.0, tested_hi_pct=90.0)
    found = fit(model, OPEN, 345.0, 400.0)
    assert list(found.feeder_pct) == [85.0, 85.0]
    assert not found.extrapolated.any()
    one = np.ones(1)
    along = Along(
        low=found.low[:1],
        high=found.high[:1],
        need=np.array([345.0]),
        miles=one,
        minutes=one,
        lane_miles=one,
        sensitive=one == 0,
    )
    assert found.grid_pct[fewest_changes(along, found.grid_discharge)[0]] == 85.0


def test_a_gate_that_gives_nothing_at_all_is_short():
    found = fit(LineModel(2.0, 4.0, start=100.0), OPEN, 100.0)
    assert found.short[0]


def gate_for(needs, control, *models, miles=None):
    need = np.array(needs, dtype=float)
    weight = np.ones(len(need)) if miles is None else np.array(miles, dtype=float)
    choices = []
    for model in models:
        found = fit(model, control, *needs)
        unable = found.short | found.excess
        choices.append(GateChoice(unable, found.extrapolated, found.discharge, found.feeder_pct))
    return choose_gate(choices, control, need, weight)


SMALL, MIDDLE, LARGE = LineModel(2.0, 2.0), LineModel(3.0, 4.0), LineModel(4.0, 8.0)


def test_first_of_all_a_gate_must_serve():
    # 300 is too much for the small gate, though it is best for the 110
    assert gate_for([110.0, 300.0], CLOSED, SMALL, MIDDLE) == 1
    # lane-miles decide: most of the route is within reach of the first only
    low = LineModel(4.0, 8.0, start=5.0)
    assert gate_for([25.0, 500.0], CLOSED, SMALL, low, miles=[9, 1]) == 0
    assert gate_for([25.0, 500.0], CLOSED, SMALL, low, miles=[1, 9]) == 1


def test_then_tested_outputs():
    narrow = LineModel(3.0, 4.0, tested_lo_pct=70.0)
    assert gate_for([200.0], CLOSED, narrow, LARGE) == 1


def test_then_the_error_that_steps_leave():
    # 36 lb/min a step at the large gate, 9 at the small one
    coarse = Control(False, 10.0, 100.0, 9.0)
    assert gate_for([105.0], coarse, LineModel(2.0, 2.0), LineModel(4.0, 4.2)) == 0


def test_then_the_middle_of_the_range():
    # 220 lb/min is 55 % of the middle gate, 27.5 % of the large one
    assert gate_for([220.0], CLOSED, LARGE, MIDDLE) == 1


def test_a_full_tie_takes_the_first_gate():
    assert gate_for([220.0], CLOSED, MIDDLE, MIDDLE) == 0
