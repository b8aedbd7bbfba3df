"""Files of a sound workspace spoilt in many ways: a clear message or an acceptance, never more.

The numbers of the cases are fixed; tests/benchmarks/fuzz_readers.py runs as many as one likes.
"""

from __future__ import annotations

from collections import Counter

import pytest

from spreadplan import runs
from tests.hostile.engine import (
    ACCEPTED,
    DEFECT,
    REFUSED,
    at_most,
    case,
    check,
    lay_out,
    outcome,
    quiet,
    read_alone,
    readers,
)

BATCHES, EACH = 6, 40


@pytest.mark.parametrize("batch", range(BATCHES))
def test_a_spoilt_file_is_read_or_refused_with_clear_messages(tmp_path, batch):
    kinds: Counter[str] = Counter()
    for seed in range(batch * EACH, (batch + 1) * EACH):
        one = case(seed)
        folder = lay_out(one, tmp_path / "county")
        with at_most(60):
            found = outcome(folder, read_alone(one))
        assert found.kind != DEFECT, (seed, one.reader, one.how, found.words)
        kinds[found.kind] += 1
    assert kinds[REFUSED] > EACH / 5, kinds  # the spoiling spoils
    assert kinds[ACCEPTED] > 0, kinds  # and not everything is refused


def test_every_file_is_spoilt_and_the_cases_are_the_same_each_time():
    seen = {case(seed).reader for seed in range(len(readers()))}
    assert seen == {name for name, _ in readers()}
    csv_cases = [seed for seed in range(60) if case(seed).routes == "geojson"]
    assert [case(seed).data for seed in csv_cases] == [case(seed).data for seed in csv_cases]


@pytest.mark.parametrize("seed", range(1, 400, 80))
def test_what_is_accepted_goes_through_the_commands(tmp_path, seed):
    one = case(seed)
    folder = lay_out(one, tmp_path / "county")
    if outcome(folder, check).kind != ACCEPTED:
        return
    for command in (
        lambda place: runs.calibrate(place, quiet()),
        lambda place: runs.plan(place, "s1", quiet()),
    ):
        found = outcome(folder, command)
        assert found.kind != DEFECT, (seed, one.reader, one.how, found.words)
