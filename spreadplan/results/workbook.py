"""Tables as a workbook (Office Open XML, ISO/IEC 29500) of real numbers with units and formats.

Text from the inputs is always written as text, and what a spreadsheet would take for a formula
gets an apostrophe in front, as in the CSV files.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import xlsxwriter

from spreadplan.results.tables import rounded, safe_text
from spreadplan.schema.sheets import FORMATS, Sheet, SheetColumn

WIDEST: Final = 60
LONGEST_SHEET_NAME: Final = 31
HEADER_ROW: Final = 2


def write_workbook(sheets: Sequence[Sheet], path: Path, made: pd.Timestamp) -> None:
    """Write sheets with their header row frozen, filters on it, and numbers as numbers.

    Parameters
    ----------
    made : moment put into the file as its date; the same inputs then give the same bytes.

    Raises
    ------
    ValueError : two sheets of one name, a name that is too long, or columns of unequal length.
    OSError : the file could not be written.
    """
    names = [sheet.name.casefold() for sheet in sheets]
    if len(set(names)) != len(names) or max(map(len, names), default=0) > LONGEST_SHEET_NAME:
        raise ValueError(f"names of sheets repeat or are too long: {names}")
    options = {
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "nan_inf_to_errors": False,
        "in_memory": True,
    }
    made_up = BytesIO()  # the library would leave a half-written file to be closed by chance
    with xlsxwriter.Workbook(made_up, options) as book:
        book.set_properties(
            {"created": made.tz_convert("UTC").to_pydatetime(warn=False).replace(tzinfo=None)}
        )
        forms = {
            name: book.add_format({"num_format": form, "valign": "top"})
            for name, form in FORMATS.items()
        }
        head = book.add_format({"bold": True, "text_wrap": True, "valign": "bottom", "bottom": 1})
        about = book.add_format({"italic": True, "font_color": "#5d6b76"})
        for sheet in sheets:
            _write_sheet(book.add_worksheet(sheet.name), sheet, forms, head, about)
    path.write_bytes(made_up.getvalue())


def _write_sheet(page: Any, sheet: Sheet, forms: Mapping[str, Any], head: Any, about: Any) -> None:
    rows = {len(column.values) for column in sheet.columns}
    if len(rows) > 1:
        raise ValueError(f"sheet {sheet.name}: columns of {sorted(rows)} rows")
    count = rows.pop() if rows else 0
    page.write_string(0, 0, _text(sheet.about), about)
    for place, column in enumerate(sheet.columns):
        page.write_string(HEADER_ROW, place, _text(column.header), head)
        page.set_column(place, place, _width(column))
        _write_column(page, place, column, forms[column.form])
    page.set_row(HEADER_ROW, 32)
    page.freeze_panes(HEADER_ROW + 1, 1)
    if count and sheet.columns:
        page.autofilter(HEADER_ROW, 0, HEADER_ROW + count, len(sheet.columns) - 1)
    page.set_landscape()
    page.fit_to_pages(1, 0)
    page.repeat_rows(HEADER_ROW)
    page.set_footer("&L&A&Rpage &P of &N")


def _write_column(page: Any, place: int, column: SheetColumn, form: Any) -> None:
    for row, value in enumerate(_cells(column), HEADER_ROW + 1):
        if value is None:
            page.write_blank(row, place, None, form)
        elif isinstance(value, bool):
            page.write_boolean(row, place, value, form)
        elif isinstance(value, datetime):
            page.write_datetime(row, place, value, form)
        elif isinstance(value, float):
            page.write_number(row, place, value, form)
        else:
            page.write_string(row, place, value, form)


def _cells(column: SheetColumn) -> list[float | str | bool | datetime | None]:
    """Numbers, text, yes or no, or local times; None where a value is missing."""
    if column.form == "flag":
        return [None if pd.isna(value) else bool(value) for value in column.values]
    if column.form == "text":
        return [safe_text(value) for value in column.values]
    if column.form == "date":
        moments = pd.to_datetime(pd.Series(list(column.values)))
        return [None if pd.isna(moment) else moment.to_pydatetime(warn=False) for moment in moments]
    numbers = rounded(np.asarray(column.values, dtype=float))
    return [float(number) if math.isfinite(number) else None for number in numbers]


def _text(text: str) -> str:
    return safe_text(text) or ""


def _width(column: SheetColumn) -> float:
    """Characters of the widest cell, within reason; headers may wrap."""
    known = [] if column.form == "date" else [one for one in _cells(column) if one is not None]
    shown = [len(value) if isinstance(value, str) else 11 for value in known] or [19]
    words = max((len(word) for word in column.header.split()), default=4)
    return float(min(max([6, words, len(column.header) // 2, *shown]) + 2, WIDEST))
