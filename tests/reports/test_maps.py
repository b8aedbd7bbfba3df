from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spreadplan.reports.maps import rate_classes


def squares(values: np.ndarray, weight: np.ndarray, cuts: tuple[int, ...]) -> float:
    ends = [0, *cuts, len(values)]
    total = 0.0
    for start, end in pairwise(ends):
        part, mass = values[start:end], weight[start:end]
        total += float(np.sum(mass * (part - np.average(part, weights=mass)) ** 2))
    return total


@settings(deadline=None)
@given(
    st.lists(st.integers(1, 900), min_size=3, max_size=9, unique=True), st.integers(1, 3),
    st.integers(0, 1000),
)  # fmt: skip
def test_natural_breaks_are_the_best_of_all_groupings(rates, classes, seed):
    values = np.sort(np.array(rates, dtype=float))
    weight = np.random.default_rng(seed).uniform(0.1, 5.0, len(values))
    lowest = rate_classes(values, weight, classes)
    cuts = tuple(int(np.searchsorted(values, low)) for low in lowest[1:])
    best = min(
        squares(values, weight, cut) for cut in combinations(range(1, len(values)), classes - 1)
    )
    assert squares(values, weight, cuts) == pytest.approx(best, rel=1e-9, abs=1e-6)


def test_rates_that_are_missing_or_nothing_make_no_class():
    assert len(rate_classes(np.array([np.nan, 0.0]), np.ones(2))) == 0


def test_thousands_of_rates_make_five_classes():
    rates = np.random.default_rng(1).uniform(50, 900, 20_000)
    lowest = rate_classes(rates, np.ones(len(rates)))
    assert len(lowest) == 5
    assert np.all(np.diff(lowest) > 0)
