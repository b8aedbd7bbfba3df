"""Groups of a table, one at a time."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray


def groups(frame: pd.DataFrame, by: list[str]) -> Iterator[tuple[tuple[Any, ...], pd.DataFrame]]:
    """Keys and rows of each group, in order of first appearance."""
    for key, group in frame.groupby(by, sort=False):
        yield (key if isinstance(key, tuple) else (key,)), group


def places(frame: pd.DataFrame, by: list[str]) -> dict[tuple[Any, ...], NDArray[np.int64]]:
    """Places of the rows of each group; rows with a missing key belong to none."""
    indices: dict[Any, Any] = frame.groupby(by, sort=False).indices
    return {key if isinstance(key, tuple) else (key,): at for key, at in indices.items()}
