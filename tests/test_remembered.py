"""What is asked again is not worked out again, and what differs in a bit is."""

from __future__ import annotations

import numpy as np
import pytest

from spreadplan.remembered import remembered


def asked() -> tuple[list[float], object]:
    """A remembered sum, and how often it was worked out."""
    worked_out: list[float] = []

    @remembered(2)
    def total(numbers: np.ndarray, more: float = 0.0) -> float:
        worked_out.append(more)
        return float(numbers.sum()) + more

    return worked_out, total


def test_the_same_numbers_are_worked_out_once():
    worked_out, total = asked()
    assert total(np.array([1.0, np.nan, 2.0])[::2]) == 3.0
    assert total(np.array([1.0, 2.0])) == 3.0
    assert len(worked_out) == 1
    assert total(np.array([1.0, 2.0]), more=1.0) == 4.0
    assert len(worked_out) == 2


@pytest.mark.parametrize(
    "other",
    [
        np.array([1.0, np.nextafter(2.0, 3.0)]),
        np.array([1, 2]),
        np.array([[1.0, 2.0]]),
        np.array([2.0, 1.0]),
    ],
    ids=["last bit", "kind", "shape", "order"],
)
def test_what_differs_is_worked_out(other):
    worked_out, total = asked()
    total(np.array([1.0, 2.0]))
    assert total(other) == float(other.sum())
    assert len(worked_out) == 2


def test_an_array_that_changed_since_is_another():
    worked_out, total = asked()
    numbers = np.array([1.0, 2.0])
    assert total(numbers) == 3.0
    numbers[0] = 5.0
    assert total(numbers) == 7.0
    assert len(worked_out) == 2


def test_only_the_last_are_kept():
    worked_out, total = asked()
    for first in (1.0, 2.0, 3.0, 1.0):
        total(np.array([first]))
    assert len(worked_out) == 4


def test_objects_are_refused():
    _, total = asked()
    with pytest.raises(TypeError, match="no bits"):
        total(np.array([1.0, None], dtype=object))
