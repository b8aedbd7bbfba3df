"""Data frames as CSV files that a spreadsheet, or another program, reads without surprises."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

#: What a spreadsheet would take for the start of a formula.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
DIGITS = 9


def write_csv(frame: pd.DataFrame, path: Path, timezone: object = None) -> None:
    """Write a table: UTF-8, commas, ``true``/``false``, nine digits, empty for missing.

    Times are written in ``timezone`` with their offset. Text that a spreadsheet would run as a
    formula gets an apostrophe in front.
    """
    shown = {str(name): _shown(frame[name], timezone) for name in frame.columns}
    pd.DataFrame(shown).to_csv(path, index=False, lineterminator="\n")


def _shown(column: pd.Series, timezone: object) -> pd.Series:
    if column.dtype == bool:
        return pd.Series(np.where(column, "true", "false"), index=column.index)
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        local = column.dt.tz_convert(timezone or "UTC")
        texts = ["" if pd.isna(moment) else moment.isoformat() for moment in local]
        return pd.Series(texts, index=column.index)
    if column.dtype.kind == "f":
        return _rounded(column)
    if column.dtype.kind in "iu":
        return column
    return column.map(lambda value: _safe_text(value, timezone))


def _rounded(column: pd.Series) -> pd.Series:
    """Nine significant digits: more would be noise, fewer would break sums."""
    values = column.to_numpy(dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        exponent = np.floor(np.log10(np.abs(values)))
    exponent = np.where(np.isfinite(exponent), exponent, 0.0)
    scale = np.power(10.0, DIGITS - 1 - exponent)
    rounded = np.where(np.isfinite(values), np.round(values * scale) / scale, np.nan)
    return pd.Series(rounded, index=column.index)


def _safe_text(value: object, timezone: object) -> object:
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, (bool, np.bool_)):
        return "true" if value else "false"
    if isinstance(value, (tuple, list)):
        return ";".join(str(item) for item in value)
    if isinstance(value, pd.Timestamp):
        return value.tz_convert(timezone or "UTC").isoformat()  # type: ignore[arg-type]
    if isinstance(value, str) and value.startswith(FORMULA_STARTS) and not _is_number(value):
        return f"'{value}"
    return value


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
