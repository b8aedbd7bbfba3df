"""The page that explains every file and column of a workspace, made from the schema itself."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from spreadplan.reports.render import html
from spreadplan.schema.columns import Column
from spreadplan.schema.tables import TABLES
from spreadplan.schema.telemetry import TELEMETRY
from spreadplan.units import RATE_SUFFIXES


def about_files(workspace: str, paper: str) -> str:
    """The page as HTML; ``workspace`` is what its heading says, ``paper`` letter or A4."""
    files = []
    for table in TABLES.values():
        columns = _rows(table.columns)
        if table.rate:
            columns.append(_rate_row())
        name = f"storms/NAME/{table.file}" if table.per_storm else table.file
        files.append({"name": name, "meaning": table.meaning, "columns": columns})
    return html(
        "about_the_files.html",
        title="The files of a workspace",
        workspace=workspace,
        paper=paper,
        as_of="",
        files=files,
        telemetry=_rows(TELEMETRY.columns),
    )


def _rows(columns: Iterable[Column]) -> list[dict[str, Any]]:
    rows = []
    for column in columns:
        usual, *others = column.spellings()
        rows.append(
            {
                "name": usual,
                "others": ", ".join(name[len(column.name) :] for name in others),
                "required": column.required,
                "meaning": _meaning(column),
                "example": column.example,
            }
        )
    return rows


def _meaning(column: Column) -> str:
    if not column.choices or all(word in column.meaning for word in column.choices):
        return column.meaning
    return f"{column.meaning}: {', '.join(column.choices)}"


def _rate_row() -> dict[str, Any]:
    usual, *others = RATE_SUFFIXES
    return {
        "name": f"rate_{usual}",
        "others": ", ".join(f"rate_{suffix}" for suffix in others),
        "required": True,
        "meaning": "the rate, in exactly one of these columns; 0 means no treatment",
        "example": "250",
    }
