"""Mass along the way: a storm worked out by hand, and conservation whatever comes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spreadplan.matching.candidates import Noise
from spreadplan.matching.network import build_network
from spreadplan.matching.trace import Match, match_trace
from spreadplan.reconcile.attribution import STATUSES, Attribution, attribute_mass
from tests.reconcile.roads import Drive, drive, roads

NO_NOISE = Noise(1.0, 0.1, 0.3, 20.0, 0.5)


def a_match(
    segment: list[int],
    position_m: list[float],
    pieces: list[list[tuple[int, float, float]]],
    joined: list[bool] | None = None,
    standing: list[bool] | None = None,
    gap: list[bool] | None = None,
) -> Match:
    """A match written out by hand; ``pieces[i]``: (segment, from, to) between fix i-1 and i."""
    n = len(segment)
    flat = [p for interval in pieces for p in interval]
    return Match(
        segment=np.array(segment, np.int32),
        position_m=np.array(position_m, float),
        offset_m=np.zeros(n),
        joined=np.array(joined or [False] + [True] * (n - 1)),
        standing=np.array(standing or [False] * n),
        gap=np.array(gap or [False] * n),
        outlier=np.zeros(n, bool),
        piece_start=np.cumsum([0, *map(len, pieces)]).astype(np.int64),
        piece_segment=np.array([p[0] for p in flat], np.int32),
        piece_from_m=np.array([p[1] for p in flat], float),
        piece_to_m=np.array([p[2] for p in flat], float),
        noise=NO_NOISE,
    )


def status(attribution: Attribution) -> list[str]:
    return [STATUSES[s] for s in attribution.fix_status]


def test_storm_of_three_segments_by_hand() -> None:
    """Segments of 100, 60 and 100 m; worked out on paper.

    Fix 1 at 80 m of S0. To fix 2, 10 m into S2: 20 m of S0, 60 m of S1, 10 m of S2 = 90 m with
    18 lb, 0.2 lb/m: 4, 12 and 2 lb. To fix 3, 60 m into S2: 50 m with 10 lb. Then it stands for
    two reports, releasing 3 lb and 0.5 lb. Then back to 40 m against the digitising: 20 m, 5 lb.
    """
    match = a_match(
        [0, 4, 4, 4, 4, 5],
        [80.0, 10.0, 60.0, 60.0, 60.0, 40.0],
        [
            [],
            [(0, 80.0, 100.0), (2, 0.0, 60.0), (4, 0.0, 10.0)],
            [(4, 10.0, 60.0)],
            [],
            [],
            [(5, 60.0, 40.0)],
        ],
        standing=[False, False, True, True, True, False],
    )
    mass = np.array([0.0, 18.0, 10.0, 3.0, 0.5, 5.0])
    found = attribute_mass(match, mass, np.ones(6, bool))
    assert found.segment_mass_lb(3) == pytest.approx([4.0, 0.0, 12.0, 0.0, 2.0 + 10.0 + 3.5, 5.0])
    assert found.segment_mass_lb(3, standing=True) == pytest.approx([0.0, 0.0, 0.0, 0.0, 3.5, 0.0])
    assert found.off_route_lb == 0.0
    assert found.piece_fix.tolist() == [1, 1, 1, 2, 3, 4, 5]
    assert found.piece_mass_lb == pytest.approx([4.0, 12.0, 2.0, 10.0, 3.0, 0.5, 5.0])
    length_m = np.abs(found.piece_to_m - found.piece_from_m)
    assert length_m == pytest.approx([20.0, 60.0, 10.0, 50.0, 0.0, 0.0, 20.0])
    expected = ["matched", "matched", "matched", "standing", "standing", "matched"]
    assert status(found) == expected


def test_same_storm_from_positions() -> None:
    """The storm again, from fixes along a real line: 0.2 lb/m at 10 m/s."""
    network = build_network(
        roads({"S0": [(0, 0), (100, 0)], "S1": [(100, 0), (160, 0)], "S2": [(160, 0), (260, 0)]})
    )
    trace = drive(network, [(5, 0), (256, 0)])
    match = match_trace(network, *trace.arrays())
    mass = np.concatenate([[0.0], np.full(match.segment.size - 1, 10.0)])
    found = attribute_mass(match, mass, np.ones(match.segment.size, bool))
    assert found.segment_mass_lb(network.rows)[0::2] == pytest.approx([19.0, 12.0, 19.0], abs=0.6)
    assert found.segment_mass_lb(network.rows)[1::2] == pytest.approx([0.0, 0.0, 0.0])


def test_spreading_on_one_end_only_takes_the_neighbours_rate() -> None:
    # 100 m with 20 lb, then switched off on the next 100 m after 5 lb: its first 25 m.
    match = a_match([0, 0, 0], [0.0, 100.0, 200.0], [[], [(0, 0.0, 100.0)], [(0, 100.0, 200.0)]])
    off = attribute_mass(match, np.array([0.0, 20.0, 5.0]), np.array([True, True, False]))
    assert (off.piece_from_m[1], off.piece_to_m[1]) == pytest.approx((100.0, 125.0))
    # Switched on in the first 100 m, 5 lb, at the rate of the second: its last 25 m.
    on = attribute_mass(match, np.array([0.0, 5.0, 20.0]), np.array([False, True, True]))
    assert (on.piece_from_m[0], on.piece_to_m[0]) == pytest.approx((75.0, 100.0))
    # No neighbour to compare with: half of the way.
    alone = attribute_mass(match, np.array([0.0, 0.0, 5.0]), np.array([False, True, False]))
    assert (alone.piece_from_m[0], alone.piece_to_m[0]) == pytest.approx((100.0, 150.0))
    # Mass although never on: over the whole way.
    never = attribute_mass(match, np.array([0.0, 0.0, 5.0]), np.zeros(3, bool))
    assert (never.piece_from_m[0], never.piece_to_m[0]) == pytest.approx((100.0, 200.0))


def test_part_of_a_way_splits_at_the_border_it_crosses() -> None:
    # Switched off after 30 m of 100 (6 lb at 0.2 lb/m), the border lies at 20 m.
    match = a_match(
        [0, 0, 2],
        [0.0, 100.0, 80.0],
        [[], [(0, 0.0, 100.0)], [(0, 100.0, 120.0), (2, 0.0, 80.0)]],
    )
    found = attribute_mass(match, np.array([0.0, 20.0, 6.0]), np.array([True, True, False]))
    assert found.segment_mass_lb(2) == pytest.approx([24.0, 0.0, 2.0, 0.0])


def test_off_route_and_gaps_keep_their_mass() -> None:
    match = a_match(
        [0, -1, -1, 0, 0],
        [10.0, np.nan, np.nan, 20.0, 90.0],
        [[], [], [], [], [(0, 20.0, 90.0)]],
        joined=[False, False, False, False, True],
        gap=[False, False, False, False, True],
    )
    mass = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    found = attribute_mass(match, mass, np.ones(5, bool))
    assert found.off_route_lb == pytest.approx(9.0)
    assert found.segment_mass_lb(1) == pytest.approx([6.0, 0.0])
    assert found.segment_mass_lb(1, standing=True) == pytest.approx([1.0, 0.0])
    assert status(found) == ["matched", "off_route", "off_route", "off_route", "gap"]


def test_pile_at_a_stop_is_shown_where_it_lies() -> None:
    network = build_network(roads({"A": [(0, 0), (400, 0)], "B": [(400, 0), (800, 0)]}))
    trace = drive(network, [(10, 0), (310, 0)])
    whole = Drive(
        np.concatenate([trace.time_s, trace.time_s[-1] + 5.0 * np.arange(1, 5)]),
        np.concatenate([trace.x_m, np.full(4, trace.x_m[-1])]),
        np.concatenate([trace.y_m, np.full(4, trace.y_m[-1])]),
        np.concatenate([trace.speed_mps[:-1], np.zeros(5)]),
        np.concatenate([trace.heading_deg, np.full(4, 90.0)]),
    )
    match = match_trace(network, *whole.arrays())
    mass = np.where(whole.time_s > trace.time_s[-1], 40.0, 0.0)
    found = attribute_mass(match, mass, np.ones(mass.size, bool))
    assert found.segment_mass_lb(network.rows, standing=True) == pytest.approx(
        [160.0, 0.0, 0.0, 0.0], abs=1e-6
    )
    assert found.piece_from_m == pytest.approx(np.full(4, 260.0), abs=5.0)


def test_what_is_refused() -> None:
    match = a_match([0, 0], [0.0, 10.0], [[], [(0, 0.0, 10.0)]])
    with pytest.raises(ValueError, match="2 fixes, but 3 masses"):
        attribute_mass(match, np.zeros(3), np.ones(2, bool))
    with pytest.raises(ValueError, match="fix 1 is -1"):
        attribute_mass(match, np.array([0.0, -1.0]), np.ones(2, bool))
    with pytest.raises(ValueError, match="fix 0 is nan"):
        attribute_mass(match, np.array([np.nan, 1.0]), np.ones(2, bool))


@st.composite
def any_storm(draw: st.DrawFn) -> tuple[Match, np.ndarray, np.ndarray, int]:
    """A match of any shape, with masses and flags."""
    rows = draw(st.integers(1, 4))
    n = draw(st.integers(1, 12))
    place = st.floats(0.0, 1e4)
    segment, position, joined, pieces = [], [], [], []
    for i in range(n):
        on = draw(st.booleans()) or draw(st.booleans())
        segment.append(draw(st.integers(0, 2 * rows - 1)) if on else -1)
        position.append(draw(place) if on else np.nan)
        joined.append(i > 0 and on and segment[i - 1] >= 0 and draw(st.booleans()))
        parts = draw(st.integers(0, 4)) if joined[-1] else 0
        pieces.append(
            [(draw(st.integers(0, 2 * rows - 1)), draw(place), draw(place)) for _ in range(parts)]
        )
        pieces[-1] = [p for p in pieces[-1] if p[1] != p[2]]
    flags = st.lists(st.booleans(), min_size=n, max_size=n)
    match = a_match(segment, position, pieces, joined, draw(flags), draw(flags))
    mass = draw(st.lists(st.one_of(st.just(0.0), st.floats(0.0, 1e6)), min_size=n, max_size=n))
    return match, np.array(mass), np.array(draw(flags)), rows


@pytest.mark.slow
@settings(max_examples=300, deadline=None)
@given(any_storm())
def test_mass_is_conserved_whatever_comes(storm: tuple[Match, np.ndarray, np.ndarray, int]) -> None:
    match, mass, flags, rows = storm
    found = attribute_mass(match, mass, flags)
    total = found.segment_mass_lb(rows).sum() + found.off_route_lb
    assert total == pytest.approx(mass.sum(), rel=1e-12, abs=1e-12)
    by_fix = np.bincount(found.piece_fix, found.piece_mass_lb, mass.size)
    assert by_fix == pytest.approx(mass, rel=1e-12, abs=1e-12)
    assert (found.piece_mass_lb >= 0.0).all()
    standing_lb = found.segment_mass_lb(rows, standing=True)
    assert (standing_lb <= found.segment_mass_lb(rows) + 1e-9).all()


def test_a_truck_that_only_creeps_leaves_a_pile() -> None:
    """Two reports within 2 m of a stop sign with 17 lb each: a pile of 34 lb, not a stretch."""
    match = a_match(
        [0, 0, 0, 0],
        [60.0, 90.0, 91.0, 92.0],
        [[], [(0, 60.0, 90.0)], [(0, 90.0, 91.0)], [(0, 91.0, 92.0)]],
        standing=[False, True, False, True],
    )
    found = attribute_mass(match, np.array([0.0, 6.0, 17.0, 17.0]), np.ones(4, bool))
    assert found.segment_mass_lb(1, standing=True).tolist() == [34.0, 0.0]
    assert status(found)[1:] == ["matched", "standing", "standing"]
    assert found.segment_mass_lb(1).sum() == pytest.approx(40.0)
