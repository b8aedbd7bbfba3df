"""Groups of a table, one at a time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.remarks import Remark


def groups(frame: pd.DataFrame, by: list[str]) -> Iterator[tuple[tuple[Any, ...], pd.DataFrame]]:
    """Keys and rows of each group, in order of first appearance."""
    for key, group in frame.groupby(by, sort=False):
        yield (key if isinstance(key, tuple) else (key,)), group


def places(frame: pd.DataFrame, by: list[str]) -> dict[tuple[Any, ...], NDArray[np.int64]]:
    """Places of the rows of each group; rows with a missing key belong to none."""
    indices: dict[Any, Any] = frame.groupby(by, sort=False).indices
    return {key if isinstance(key, tuple) else (key,): at for key, at in indices.items()}


def together(notes: Sequence[tuple[Remark, ...]]) -> NDArray[np.object_]:
    """Notes as one array of tuples, which `+` joins row by row; shape (n,)."""
    array = np.empty(len(notes), dtype=object)
    for place, note in enumerate(notes):
        array[place] = note
    return array


def first_alike(
    columns: Sequence[NDArray[Any]], rows: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The first row of each different one, and which of those each row is like; NaN is like NaN.

    ``columns`` : each of shape (rows,); without any, all rows are alike.
    """
    if not columns or not rows:
        return np.zeros(min(rows, 1), dtype=np.int64), np.zeros(rows, dtype=np.int64)
    frame = pd.DataFrame(dict(enumerate(columns)))
    number = frame.groupby(list(frame), sort=False, dropna=False).ngroup().to_numpy()
    first = np.unique(number, return_index=True)[1]
    return first.astype(np.int64), number.astype(np.int64)


def alike(frame: pd.DataFrame, by: list[str]) -> Iterator[tuple[tuple[Any, ...], pd.DataFrame]]:
    """As `groups`, for columns that hold remarks or tuples of them."""
    rows: dict[tuple[Any, ...], list[int]] = {}
    for place, key in enumerate(zip(*(frame[name].tolist() for name in by), strict=True)):
        rows.setdefault(key, []).append(place)
    for key, at in rows.items():
        yield key, frame.iloc[at]
