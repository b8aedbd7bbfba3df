"""The setting along a run changes as seldom as the rates allow: held against trying all ways."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spreadplan.planning.changes import LEAST_MI, LEAST_MIN, PARTS, Along, fewest_changes

GIVES = np.array([100.0, 150.0, 200.0, 300.0])


def run(*rows, speed=20.0, lanes=2.0):
    """Rows of (low, high, miles) or (low, high, miles, sensitive); each needs its low place."""
    low, high, miles = (np.array([row[at] for row in rows]) for at in range(3))
    return Along(
        low=low,
        high=high,
        need=GIVES[low],
        miles=miles.astype(float),
        minutes=miles / speed * 60.0,
        lane_miles=miles * lanes,
        sensitive=np.array([len(row) > 3 and row[3] for row in rows]),
    )


def stretches_of(places, along):
    """(first, last excluded, place) of each stretch of one setting."""
    cuts = [0, *(at for at in range(1, len(places)) if places[at] != places[at - 1]), len(places)]
    return [(a, b, int(places[a])) for a, b in pairwise(cuts)]


def cost_of(stretches, along):
    """What a way costs, in plain Python from the rule; None where it is not allowed."""
    total = [0, 0, 0, 0.0]
    for first, end, place in stretches:
        rows = range(first, end)
        serves = [at for at in rows if along.low[at] <= place <= along.high[at]]
        enough = (
            sum(along.miles[at] for at in serves) >= LEAST_MI - 1e-9
            and sum(along.minutes[at] for at in serves) >= LEAST_MIN - 1e-9
        )
        lowers = any(along.sensitive[at] for at in serves)
        if not enough and not lowers and len(stretches) > 1:
            return None
        length = sum(along.miles[at] for at in rows), sum(along.minutes[at] for at in rows)
        long_enough = length[0] >= LEAST_MI - 1e-9 and length[1] >= LEAST_MIN - 1e-9
        if not enough and not long_enough and len(stretches) > 1:
            total[1] += PARTS // 4
        for at in rows:
            total[0] += int(along.sensitive[at] and place > along.high[at])
            total[1] += 0 if at in serves else int(np.rint(along.lane_miles[at] * PARTS))
            total[3] += along.lane_miles[at] * (GIVES[place] / along.need[at] - 1.0) ** 2
        total[2] += 1
    return tuple(total)


def best_by_trying(along):
    """The least cost of all ways to give each row a setting, rows that ask for the same alike."""
    costs = []
    for places in product(range(len(GIVES)), repeat=len(along.need)):
        alike = all(
            places[at] == places[at - 1]
            for at in range(1, len(places))
            if all(
                getattr(along, name)[at] == getattr(along, name)[at - 1]
                for name in ("low", "high", "need", "sensitive")
            )
        )
        cost = cost_of(stretches_of(places, along), along) if alike else None
        if cost is not None:
            costs.append(cost)
    return min(costs)


row = st.tuples(
    st.integers(0, 3),
    st.integers(0, 2),
    st.sampled_from([0.05, 0.1, 0.2, 0.25, 0.4, 1.0]),
    st.booleans(),
).map(lambda one: (one[0], min(one[0] + one[1], 3), one[2], one[3]))


@settings(max_examples=250, deadline=None)
@given(rows=st.lists(row, min_size=1, max_size=5), speed=st.sampled_from([15.0, 30.0, 45.0]))
def test_no_way_is_better(rows, speed):
    along = run(*rows, speed=speed)
    found = fewest_changes(along, GIVES)
    mine, best = cost_of(stretches_of(found, along), along), best_by_trying(along)
    assert mine is not None
    assert mine[:3] == best[:3]
    assert mine[3] == pytest.approx(best[3], rel=1e-9, abs=1e-12)


def test_changes_are_counted_and_not_settings():
    # two settings would do (0 and 3), used in turn; the middle one serves all but never twice
    along = run((0, 1, 1.0), (1, 3, 1.0), (0, 1, 1.0), (1, 3, 1.0))
    assert list(fewest_changes(along, GIVES)) == [1, 1, 1, 1]


def test_a_short_piece_joins_its_neighbour():
    assert list(fewest_changes(run((0, 0, 2.0), (3, 3, 0.2), (0, 0, 2.0)), GIVES)) == [0, 0, 0]
    # a quarter of a mile is long enough, but not at 45 mph: 20 s
    rows = ((0, 0, 2.0), (3, 3, 0.25), (0, 0, 2.0))
    assert list(fewest_changes(run(*rows), GIVES)) == [0, 3, 0]
    assert list(fewest_changes(run(*rows, speed=45.0), GIVES)) == [0, 0, 0]
    # two short ones that ask for the same make a stretch, with what lies between them
    rows = ((0, 0, 2.0), (3, 3, 0.2), (0, 0, 0.05), (3, 3, 0.2), (0, 0, 2.0))
    assert list(fewest_changes(run(*rows), GIVES)) == [0, 3, 3, 3, 0]


def test_a_sensitive_piece_never_gets_its_neighbours_higher_rate():
    # however short it is; the road beside it joins where that is shorter still
    rows = ((3, 3, 2.0), (0, 0, 0.1, True), (3, 3, 2.0))
    assert list(fewest_changes(run(*rows), GIVES)) == [3, 0, 3]
    rows = ((3, 3, 2.0), (0, 0, 0.2, True), (2, 2, 0.1), (3, 3, 2.0))
    assert list(fewest_changes(run(*rows), GIVES)) == [3, 0, 0, 3]
    # of a short run all of it gets the lower rate
    assert list(fewest_changes(run((3, 3, 0.1), (0, 0, 0.1, True)), GIVES)) == [0, 0]


def test_a_lower_rate_beside_an_area_may_be_taken_in_it():
    # what lies in the area asks for more than its neighbours
    rows = ((0, 0, 2.0), (3, 3, 0.1, True), (0, 0, 2.0))
    found = fewest_changes(run(*rows), GIVES)
    assert found[0] == found[2] == 0
    assert found[1] <= 3


def test_a_long_run_of_many_pieces_is_solved_at_once():
    rng = np.random.default_rng(3)
    low = rng.integers(0, 30, 3000)
    along = Along(
        low=low,
        high=low + 2,
        need=100.0 + low,
        miles=np.full(3000, 0.02),
        minutes=np.full(3000, 0.05),
        lane_miles=np.full(3000, 0.04),
        sensitive=rng.random(3000) < 0.05,
    )
    places = fewest_changes(along, 100.0 + np.arange(33))
    assert not (along.sensitive & (places > along.high)).any()
