"""Running totals and rates of one truck, each case worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spreadplan.reconcile.increments import (
    Increments,
    interval_mass,
    released_by,
    tells_liquid_alone,
    typical_rise,
)
from spreadplan.schema.telemetry import SourceFile, TruckRecords

NAN = float("nan")
STEADY = [1000.0 + 10 * at for at in range(12)]  # 10 lb each 5 s: 120 lb/min


def truck(
    totals: list[float], *, every_s: float = 5.0, unit_lb: float = 1.0, **changes: object
) -> TruckRecords:
    """Records that spread at 20 mph, with these running totals."""
    size = len(totals)
    unknown = np.full(size, NAN)
    records = TruckRecords(
        truck_id="T1",
        time_s=1.8e9 + every_s * np.arange(size),
        lon=np.full(size, -94.0),
        lat=np.full(size, 46.0),
        speed_mph=np.full(size, 20.0),
        heading_deg=unknown,
        spreading=np.ones(size, dtype=bool),
        feed_total_lb=np.array(totals),
        feed_rate_lb_min=unknown,
        liquid_total_gal=unknown,
        material=np.full(size, -1),
        source_file=np.zeros(size, dtype=np.int64),
        source_row=np.arange(2, size + 2),
        materials=(),
        sources=(SourceFile("a.csv", unit_lb),),
    )
    arrays = {
        name: np.asarray(value) if isinstance(value, list) else value
        for name, value in changes.items()
    }
    return replace(records, **arrays)  # type: ignore[arg-type]


def of(totals: list[float], **changes: object) -> Increments:
    return interval_mass(truck(totals, **changes))  # type: ignore[arg-type]


def test_steady_total() -> None:
    got = of(STEADY)
    assert got.mass_lb.tolist() == [0.0] + [10.0] * 11
    assert got.counts == {}


def test_reset_counts_what_was_released_since() -> None:
    got = of([*STEADY, 4.0, 14.0, 24.0])
    assert got.mass_lb[-3:].tolist() == [4.0, 10.0, 10.0]
    assert got.mass_lb.sum() == pytest.approx(110 + 24)
    assert got.counts == {"total reset": 1}


def test_reset_of_a_total_that_was_small() -> None:
    got = of([0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 3.0, 13.0, 23.0, 33.0, 43.0, 53.0, 63.0])
    assert got.mass_lb.sum() == pytest.approx(50 + 63)
    assert got.counts == {"total reset": 1}


@pytest.mark.parametrize(
    ("size", "unit_lb"),
    [(65_536.0, 1.0), (100_000.0, 1.0), (65_536.0, 2.20462262185), (999.99 + 0.01, 2000.0)],
)
def test_wrap_at_the_end_of_the_counter(size: float, unit_lb: float) -> None:
    """The range is one of the counter's own unit: 65,536 kg is 144,482 lb."""
    before = size * unit_lb - 105 + 10 * np.arange(11.0)
    got = of([*before, 5.0, 15.0, 25.0], unit_lb=unit_lb)
    assert got.mass_lb[1:] == pytest.approx(np.full(13, 10.0), rel=1e-6)
    assert got.counts == {"total wrapped": 1}


def test_a_fall_from_no_counters_end_is_a_reset() -> None:
    """62,005 is no end of a range: what was lost before the reset is not invented."""
    before = 62_005.0 - 105 + 10 * np.arange(11.0)
    got = of([*before, 5.0, 15.0, 25.0])
    assert got.mass_lb.sum() == pytest.approx(100 + 25)
    assert got.counts == {"total reset": 1}


def test_repeats_hold_no_mass() -> None:
    totals = [*STEADY, 1110.0, 1110.0, 1120.0]
    got = of(totals)
    assert got.mass_lb[-3:].tolist() == [0.0, 0.0, 10.0]
    assert got.counts == {"total unchanged": 2}


def test_missing_totals_are_bridged_by_distance_driven_while_spreading() -> None:
    totals = [*STEADY, NAN, NAN, NAN, 1170.0, NAN]
    spreading = [True] * 13 + [False] + [True] * 3
    speed = [20.0] * 12 + [20.0, 20.0, 0.0, 10.0, 10.0]
    got = of(totals, spreading=spreading, speed_mph=speed)
    # 60 lb by the speed while spreading at both ends: 20 and 20, 20 and 0, 0 and 0, 0 and 10 mph
    assert got.mass_lb[12:].tolist() == pytest.approx([60 * w / 35 for w in (20, 10, 0, 5, 0)])
    assert got.counts == {"total missing": 4}


def test_missing_totals_of_a_truck_that_stands_are_bridged_by_time() -> None:
    totals = [*STEADY, NAN, 1130.0]
    got = of(totals, speed_mph=[0.0] * 14)
    assert got.mass_lb[-2:].tolist() == pytest.approx([10.0, 10.0])
    got = of(totals, spreading=[False] * 14)
    assert got.mass_lb[-2:].tolist() == pytest.approx([10.0, 10.0])


@pytest.mark.parametrize("slip", [[1900.0], [0.0], [3.0, 3.0], [90_000.0, 90_010.0, 90_020.0]])
def test_a_slip_up_or_down_and_back_is_no_mass(slip: list[float]) -> None:
    after = [STEADY[-1] + 10 * (len(slip) + at) for at in range(1, 4)]
    got = of([*STEADY, *slip, *after])
    assert got.mass_lb.sum() == pytest.approx(after[-1] - STEADY[0])
    assert got.mass_lb.max() <= 10.0 + 1e-9
    assert got.counts == {"slip of the total": len(slip)}


def test_an_impossible_jump_that_stays_is_not_counted_and_said() -> None:
    """9,000 lb in 5 s is 108,000 lb/min."""
    got = of([*STEADY, 10_110.0, 10_120.0, 10_130.0, 10_140.0, 10_150.0])
    assert got.mass_lb.sum() == pytest.approx(110 + 40)
    assert got.left_out_lb == pytest.approx(9_000.0)
    assert got.counts == {"impossible jump, not counted": 1}


def test_a_fast_but_possible_stretch_is_counted() -> None:
    """A blast of 100 lb in 5 s, ten times the usual, is 1,200 lb/min."""
    got = of([*STEADY, 1210.0, 1310.0, 1320.0])
    assert got.mass_lb.sum() == pytest.approx(320.0)
    assert got.counts == {}


def test_a_total_set_back_to_an_older_value_releases_nothing() -> None:
    start = [80_000.0 + 10 * at for at in range(12)]
    got = of([*start, 70_000.0, 70_010.0, 70_020.0, 70_030.0, 70_040.0])
    assert got.mass_lb.sum() == pytest.approx(110 + 40)
    assert got.counts == {"total set back, not counted": 1}


def test_rounding_downwards_is_not_counted_twice() -> None:
    got = of([1000.0, 1010.0, 1009.5, 1010.5, 1020.0, 1030.0, 1040.0, 1050.0])
    assert got.mass_lb.sum() == pytest.approx(50.0)
    assert (got.mass_lb >= 0).all()


def test_a_long_silence_is_bridged_by_the_total() -> None:
    time = 1.8e9 + np.array([0.0, 5, 10, 15, 20, 25, 30, 630, 635])
    totals = [1000.0, 1010, 1020, 1030, 1040, 1050, 1060, 2260, 2270]
    got = of(totals, time_s=time)
    assert got.mass_lb[-2:].tolist() == [1200.0, 10.0]


def test_coarse_counter_is_spread_over_the_intervals_since_its_last_step() -> None:
    """A counter in steps of 0.01 ton, 20 lb, moves at every second record only."""
    totals = [1000.0 + 20 * (at // 2) for at in range(13)]
    got = of(totals, unit_lb=2000.0)
    assert got.mass_lb[1:] == pytest.approx(np.full(12, 10.0))
    assert got.counts["coarse counter"] == 1


def test_no_total_before_the_first_one_is_known() -> None:
    got = of([NAN, NAN, 1000.0, 1010.0, 1020.0])
    assert got.mass_lb.tolist() == [0.0, 0.0, 0.0, 10.0, 10.0]


def test_rates_are_averaged_over_the_interval() -> None:
    """60 then 120 lb/min for 5 s: 90 lb/min on average, 7.5 lb."""
    got = of([NAN] * 4, feed_rate_lb_min=[60.0, 120.0, 120.0, 0.0])
    assert got.mass_lb.tolist() == pytest.approx([0.0, 7.5, 10.0, 5.0])


def test_rates_respect_flag_silence_and_limits() -> None:
    time = 1.8e9 + np.array([0.0, 5, 10, 80, 85, 90])
    got = of(
        [NAN] * 6,
        feed_rate_lb_min=[120.0, 120.0, 120.0, 120.0, 9_000.0, 120.0],
        spreading=[False, True, True, True, True, True],
        time_s=time,
    )
    # half of the first interval; 5 s; a silence of 70 s; then 10 s with the impossible one left out
    assert got.mass_lb.tolist() == pytest.approx([0.0, 5.0, 10.0, 0.0, 10.0, 10.0])
    assert got.counts == {
        "impossible rate, not counted": 1,
        "rate with the spreader off, not counted": 1,
        "silence, rate not counted across it": 1,
    }


def test_totals_win_over_rates() -> None:
    got = of(STEADY, feed_rate_lb_min=[999.0] * 12)
    assert got.mass_lb.sum() == pytest.approx(110.0)


def test_material_starts_with_its_record() -> None:
    got = of(STEADY[:6], material=[-1, 0, 0, 1, -1, 1], materials=("salt", "sand"))
    assert got.material.tolist() == [0, 0, 0, 0, 1, 1]
    assert got.counts == {"material changed": 1}


def test_liquid_is_read_like_the_feed() -> None:
    liquid = [50.0 + at for at in range(10)] + [0.5, 1.5]
    got = of(STEADY, liquid_total_gal=liquid)
    assert got.liquid_gal.sum() == pytest.approx(9 + 1.5)
    assert got.counts == {"liquid: total reset": 1}


def test_one_record_and_none() -> None:
    assert of([1000.0]).mass_lb.tolist() == [0.0]
    assert of([]).mass_lb.size == 0


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(
    steps=st.lists(st.floats(0, 50), min_size=6, max_size=60),
    start=st.floats(0, 90_000),
    missing=st.sets(st.integers(1, 58)),
    still=st.sets(st.integers(0, 59)),
)
def test_mass_is_conserved_whatever_is_missing(
    steps: list[float], start: float, missing: set[int], still: set[int]
) -> None:
    """However gaps and stops lie, the sum is the difference between first and last total."""
    totals = start + np.concatenate([[0.0], np.cumsum(np.round(steps, 1))])
    seen = totals.copy()
    seen[[at for at in missing if at < len(steps)]] = NAN
    spreading = np.array([at not in still for at in range(len(totals))])
    got = of(seen.tolist(), spreading=spreading)
    assert got.mass_lb.sum() == pytest.approx(totals[-1] - totals[0], abs=1e-6)
    assert (got.mass_lb >= 0).all()


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.one_of(st.floats(0, 200_000), st.just(NAN), st.sampled_from([0.0, 65_535.0, 99_999.0])),
        max_size=40,
    )
)
def test_any_totals_give_possible_masses(totals: list[float]) -> None:
    """No more mass than the feeder's limit allows, with each record's lateness and step."""
    got = of(totals)
    given_ones = np.array(totals)[np.isfinite(totals)]
    _, step = typical_rise(5.0 * np.flatnonzero(np.isfinite(totals)), given_ones)
    most = 50.0 * (5 * len(totals) + 10 * len(given_ones)) + (2 * step + 2) * len(given_ones)
    assert got.mass_lb.sum() <= most
    assert (got.mass_lb >= 0).all()
    assert got.mass_lb.shape == (len(totals),)


def test_a_total_zeroed_in_a_long_break_near_the_end_of_a_range_is_a_reset():
    """31,699 lb, an hour's break, then from 0: not 1,069 lb more up to 32,768."""
    totals = [31_599.0 + 10 * at for at in range(11)] + [0.0, 10.0, 20.0]
    records = truck(totals)
    later = records.time_s + np.where(np.arange(14) >= 11, 3600.0, 0.0)
    found = interval_mass(replace(records, time_s=later))
    assert found.mass_lb.sum() == pytest.approx(120.0)
    assert found.counts["total reset"] == 1


def test_a_truck_of_liquid_that_tells_gallons_alone() -> None:
    """2 gal in each 5 s of brine at 9.8 lb/gal are 19.6 lb; salt is not weighed by its liquid."""
    gallons = [2.0 * at for at in range(12)]
    alone = truck([NAN] * 12, liquid_total_gal=gallons)
    assert tells_liquid_alone(alone)
    brine = released_by(alone, "brine", {"brine": 9.8})
    assert brine.mass_lb[1:] == pytest.approx(np.full(11, 19.6))
    assert brine.known_share == 1.0
    salt = released_by(alone, "salt", {"brine": 9.8})
    assert salt.mass_lb.sum() == 0.0
    assert salt.known_share == 0.0
    assert salt.liquid_gal.sum() == pytest.approx(22.0)
    # what the records say they spread comes before what is usual
    names = replace(alone, materials=("brine",), material=np.zeros(12, dtype=np.int64))
    assert released_by(names, "salt", {"brine": 9.8}).mass_lb.sum() == pytest.approx(11 * 19.6)
    both = truck(STEADY, liquid_total_gal=gallons)
    assert not tells_liquid_alone(both)
    assert released_by(both, "brine", {"brine": 9.8}).mass_lb.tolist() == [0.0] + [10.0] * 11
