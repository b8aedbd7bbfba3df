"""The season's workbook: every table in the units and with the names of the workspace."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan import __version__
from spreadplan.schema.results import RESULTS, ResultColumn, ResultTable
from spreadplan.schema.sheets import FORM_OF, Sheet, SheetColumn
from spreadplan.units import convert
from spreadplan.views.display import KINDS, Display
from spreadplan.views.season_view import MONEY, SeasonView
from spreadplan.views.setting import Setting
from spreadplan.views.voice import Voice
from spreadplan.views.words import term

SHEETS: Final = tuple(table for table in RESULTS.values() if table.sheet)
"""The tables that have a sheet, in their order."""


def season_sheets(
    tables: Mapping[str, pd.DataFrame], view: SeasonView, setting: Setting
) -> list[Sheet]:
    """Every sheet of the season's workbook; ``tables`` : by the names of their files."""
    sheets = [sheet_of(table, tables[table.name], setting.voice) for table in SHEETS]
    return [_about(view, setting), *sheets, _meanings(setting.display)]


def _about(view: SeasonView, setting: Setting) -> Sheet:
    shown, season = setting.display, view.result.season
    said = {
        "workspace": setting.workspace,
        "season": season.name,
        "from": shown.date(season.start),
        "to": shown.date(season.end),
        "data as of": shown.date(season.as_of),
        "software": f"spreadplan {__version__}",
        "inputs (fingerprint, SHA-256)": view.fingerprint,
        "money": MONEY,
        "true mass": "applied and used mass is reported mass corrected by each truck's ratio",
        "chances": "probabilities, shown in percent",
        "times": f"local, {shown.timezone}",
        "columns": "what each of them holds stands on the last sheet",
    }
    return Sheet(
        "About",
        "What this workbook was made from.",
        [SheetColumn("what", list(said)), SheetColumn("value", list(said.values()))],
    )


def _meanings(shown: Display) -> Sheet:
    rows = [
        (table.sheet, heading(column, shown), column.meaning)
        for table in SHEETS
        for column in table.columns
    ]
    names = ("sheet", "column", "what it holds")
    cells = zip(*rows, strict=True)
    columns = [SheetColumn(name, list(own)) for name, own in zip(names, cells, strict=True)]
    return Sheet("Columns", "What each column of the other sheets holds.", columns)


def sheet_of(table: ResultTable, frame: pd.DataFrame, voice: Voice) -> Sheet:
    """A table as a sheet: in words, with the columns of its schema in their order."""
    said = voice.table(frame)
    columns = [_column(column, said[column.name], voice) for column in table.columns]
    return Sheet(table.sheet, table.meaning, columns)


def heading(column: ResultColumn, shown: Display) -> str:
    """The heading of a column with the unit shown."""
    unit = "local time" if column.kind == "time" else ""
    if column.kind == "money":
        unit = shown.currency
    elif column.kind in KINDS:
        unit = shown.unit(column.kind)
    return ", ".join(part for part in (column.heading, unit) if part)


def _column(column: ResultColumn, values: pd.Series[Any], voice: Voice) -> SheetColumn:
    shown = voice.display
    form = FORM_OF.get(column.kind, "text")
    return SheetColumn(heading(column, shown), _cells(column, values, voice), form)


def _cells(column: ResultColumn, values: pd.Series[Any], voice: Voice) -> list[Any]:
    """Values in the units and words of the workspace."""
    kind = column.kind
    if kind in KINDS:
        numbers = values.to_numpy(dtype=float)
        if column.unit:
            numbers = convert(numbers, column.unit, KINDS[kind].inside)
        return list(np.asarray(voice.display.values(numbers, kind), dtype=float))
    if kind == "time":
        local = pd.to_datetime(values, utc=True).dt.tz_convert(voice.display.timezone)
        return list(local.dt.tz_localize(None))
    if kind == "term":
        return [term(column.terms, str(code)).words for code in values]
    if kind in voice.names:
        return [voice.names[kind](str(key)) for key in values]
    return list(values)
