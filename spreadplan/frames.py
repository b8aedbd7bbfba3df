"""Small helpers for tables: the types of a frame's cells are known to its schema, not to Python."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd


def lines(frame: pd.DataFrame) -> Iterator[Any]:
    """The rows of a table as named tuples, for the few places that go row by row."""
    yield from frame.itertuples(index=False)
