"""Data frames as CSV files that a spreadsheet, or another program, reads without surprises."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from pyarrow import csv

from spreadplan.schema.results import RESULTS

#: What a spreadsheet would take for the start of a formula; in some languages the wide ones too.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
PLAIN_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]*)?([eE][+-]?[0-9]+)?")
DIGITS = 9


def as_described(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """A table with the columns of its schema, in their order; ``name`` : a key of `RESULTS`.

    Raises ValueError where the table lacks a column, or has one that nobody described.
    """
    columns = RESULTS[name].names
    if unlike := set(columns).symmetric_difference(frame.columns):
        raise ValueError(f"{name} is not as its schema says: {sorted(unlike)}")
    return frame[columns]


def write_csv(frame: pd.DataFrame, path: Path, timezone: object = None) -> None:
    """Write a table: UTF-8, commas, ``true``/``false``, nine digits, empty for missing.

    Times are written in ``timezone`` with their offset. Text that a spreadsheet would run as a
    formula gets an apostrophe in front.
    """
    table = pa.table({str(name): _shown(frame[name], timezone) for name in frame.columns})
    with path.open("wb") as handle:
        handle.write(",".join(table.column_names).encode() + b"\n")
        csv.write_csv(table, handle, csv.WriteOptions(include_header=False))


def _shown(column: pd.Series[Any], timezone: object) -> Any:
    """A column as an Arrow array that is written as it should be read."""
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        local = column.dt.tz_convert(timezone or "UTC")
        return pa.array([None if pd.isna(moment) else moment.isoformat() for moment in local])
    if column.dtype.kind == "f":
        return _short_numbers(rounded(column.to_numpy(dtype=float)))
    if column.dtype.kind in "iub":
        return pa.array(column.to_numpy())
    return pa.array(each_once(column, lambda value: safe_text(value, timezone)), pa.string())


def _short_numbers(values: np.ndarray) -> Any:
    """Whole numbers without a decimal point where the whole column is so, as 3 in place of 3.0."""
    missing = ~np.isfinite(values)
    if np.array_equal(values[~missing], np.round(values[~missing])) and not missing.any():
        return (
            pa.array(values.astype(np.int64)) if (np.abs(values) < 1e15).all() else pa.array(values)
        )
    return pa.array(values, mask=missing)


def each_once(column: pd.Series[Any], shown: Callable[[Any], str | None]) -> list[str | None]:
    """The text of each cell; a value that repeats is turned into text once."""
    known: dict[Any, str | None] = {}
    texts = []
    for value in column.tolist():
        try:
            text = known[value]
        except KeyError:
            text = known[value] = shown(value)
        except TypeError:  # a list cannot be a key
            text = shown(value)
        texts.append(text)
    return texts


def rounded(values: np.ndarray) -> np.ndarray:
    """Nine significant digits: more would be noise, fewer would break sums."""
    sizes = np.abs(values)
    # beyond these a power of ten leaves the range of a float; such numbers stay as they are
    usual = np.isfinite(values) & (sizes > 1e-290) & (sizes < 1e290)
    exponent = np.floor(np.log10(np.where(usual, sizes, 1.0)))
    scale = np.power(10.0, DIGITS - 1 - exponent)
    short = np.round(np.where(usual, values, 0.0) * scale) / scale
    return np.where(usual, short, np.where(np.isfinite(values), values, np.nan))


def safe_text(value: Any, timezone: object = None) -> str | None:
    """A cell as text that no spreadsheet runs as a formula; None where it is missing.

    An apostrophe in front keeps a formula from being one. Text that has apostrophes in front of
    what would be a formula gets one more, so that `exact_text` gives every text back.
    """
    text = plain_text(value, timezone)
    if text is None or not text.lstrip("'").startswith(FORMULA_STARTS):
        return text
    return text if PLAIN_NUMBER.fullmatch(text) else f"'{text}"


def exact_text(text: str) -> str:
    """The text that `safe_text` was given.

    >>> exact_text("'=1+1"), exact_text("'tis"), exact_text("-5")
    ('=1+1', "'tis", '-5')
    """
    guarded = text.startswith("'") and text.lstrip("'").startswith(FORMULA_STARTS)
    return text[1:] if guarded else text


def plain_text(value: Any, timezone: object = None) -> str | None:
    """A cell as text, letter by letter; None where it is missing."""
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return None
    if isinstance(value, (bool, np.bool_)):
        return "true" if value else "false"
    if isinstance(value, (tuple, list)):
        texts = (f"{item:g}" if isinstance(item, float) else str(item) for item in value)
        return ";".join(texts) or None
    if isinstance(value, pd.Timestamp):
        return value.tz_convert(timezone or "UTC").isoformat()  # type: ignore[arg-type]
    return str(value) or None
