"""What a form wants to change, in the words of the contract, and in the words of the file."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from spreadplan.errors import BadInput, Problem, SpreadplanError
from spreadplan.schema.columns import Column, Table
from spreadplan.schema.tables import TABLES
from spreadplan.units import RATE_SUFFIXES, SUFFIXES, convert
from spreadplan.workspace.parse import Rename, apply_renames, rate_basis
from spreadplan.workspace.tomlfiles import read_renames

#: What a spreadsheet would take for the start of a formula.
FORMULA_STARTS: Final = ("=", "+", "-", "@")


@dataclass(frozen=True)
class Add:
    """A new record. ``values`` by the contract's column names, in any unit it accepts."""

    file: str
    values: Mapping[str, str]


@dataclass(frozen=True)
class Change:
    """New values for some columns of a record that was shown with this row number and mark."""

    file: str
    row: int
    mark: str
    values: Mapping[str, str]


@dataclass(frozen=True)
class Remove:
    """Take a record out that was shown with this row number and mark."""

    file: str
    row: int
    mark: str


Edit = Add | Change | Remove


class Conflict(SpreadplanError):
    """Someone else changed the same record, or what was to be taken back is not there any more.

    ``edit`` is what could not be done, ``now_there`` the record that stands in its place, by the
    file's own columns.
    """

    def __init__(
        self, text: str, edit: Edit | None = None, now_there: Mapping[str, str] | None = None
    ) -> None:
        super().__init__(text)
        self.edit = edit
        self.now_there = now_there


class Refused(BadInput):
    """The edits would make the files wrong; nothing was written."""

    def __init__(self, problems: Iterable[Problem], places: Mapping[tuple[str, int], int]) -> None:
        super().__init__(problems)
        self._places = places

    def at(self, edit_number: int, column: str = "") -> list[Problem]:
        """The problems of one edit (they count from 0), of one column or of all."""
        own = [
            problem
            for problem in self.problems
            if self._places.get((problem.file, problem.row)) == edit_number
        ]
        if not column:
            return own
        return [p for p in own if _same_column(table_of(p.file)[0], p.column, column)]


def table_of(file: str) -> tuple[Table, str]:
    """The table that a file holds and its storm. Raises ValueError for any other file."""
    parts = file.split("/")
    for table in TABLES.values():
        if table.vector or parts[-1] != table.file:
            continue
        if not table.per_storm and len(parts) == 1:
            return table, ""
        below = table.per_storm and len(parts) == 3 and parts[0] == "storms"
        # a storm that lies there may have an odd name, but none that leads elsewhere
        if below and parts[1] and not parts[1].startswith("."):
            return table, parts[1]
    raise ValueError(f"{file!r} is not a table of the workspace")


def is_storm(name: str) -> bool:
    """Whether a text can be the name of a storm's folder.

    >>> is_storm("2026-12-08-cold-snow"), is_storm("../x"), is_storm(".hidden")
    (True, False, False)
    """
    plain = name.isprintable() and not set(name) & set('/\\:*?"<>|')
    return plain and 0 < len(name) <= 80 and name[0] != "." and name == name.strip(" .")


def columns_of(folder: Path, file: str, names: Sequence[str]) -> list[str]:
    """The columns of a file by the names that the contract gives them."""
    table, _ = table_of(file)
    ours = apply_renames(names, table, _renames(folder, table))
    return [ours[name] for name in names]


def _renames(folder: Path, table: Table) -> Mapping[str, Rename]:
    path = folder / "columns.toml"
    return read_renames(path)[0].get(table.name, {}) if path.is_file() else {}


def _column(table: Table, name: str) -> Column | None:
    """The column that goes by this name, with any unit."""
    return next((column for column in table.columns if name in column.spellings()), None)


def _same_column(table: Table, one: str, other: str) -> bool:
    if one == other:
        return True
    if table.rate and rate_basis(one) and rate_basis(other):
        return True
    column = _column(table, one)
    # a column that is missing from the file is named without its unit
    return column is not None and (column is _column(table, other) or column.name == other)


def in_file_terms(
    folder: Path, edit: Add | Change, names: Sequence[str]
) -> tuple[dict[str, str], list[str]]:
    """The values of an edit by the file's own columns and in the file's own units.

    Returns also the columns that the file does not have yet. Raises Refused for text that a
    spreadsheet would run as a formula, and for a rate that cannot be converted.
    """
    table, _ = table_of(edit.file)
    known = dict(zip(names, columns_of(folder, edit.file, names), strict=True))
    row = edit.row if isinstance(edit, Change) else 0
    values: dict[str, str] = {}
    more: list[str] = []
    for given, text in edit.values.items():
        text = " ".join(text.splitlines()).strip()
        if text.startswith(FORMULA_STARTS) and not _is_number(text):
            what, remedy = f'"{text[:40]}" begins like a formula', "begin with a letter or digit"
            raise _refused(edit.file, row, given, what, remedy)
        own = _own_column(table, given, known)
        if own is None:
            if text:
                more.append(given)
                values[given] = text
        else:
            values[own] = _converted(edit.file, row, table, text, given, known[own])
    return values, more


def _refused(file: str, row: int, column: str, what: str, remedy: str) -> Refused:
    return Refused(
        [Problem(file=file, row=row, column=column, what=what, remedy=remedy)], {(file, row): 0}
    )


def _own_column(table: Table, given: str, known: Mapping[str, str]) -> str | None:
    """The file's own name of a column."""
    if given in known:
        return given
    return next((own for own, ours in known.items() if _same_column(table, ours, given)), None)


def _converted(file: str, row: int, table: Table, text: str, given: str, ours: str) -> str:
    """A number in the unit of the file's column; anything else as it is."""
    if given == ours or not _is_number(text):
        return text
    if table.rate and rate_basis(given):
        (source, basis), (target, other) = (
            RATE_SUFFIXES[rate_basis(given)],
            RATE_SUFFIXES[rate_basis(ours)],
        )
        if basis != other:
            what = f"the file gives rates as {ours}"
            raise _refused(file, row, given, what, "give this rate in the same way")
    else:
        column = _column(table, given)
        if column is None or not column.quantity:
            return text
        units, spellings = SUFFIXES[column.quantity], column.spellings()
        source, target = units[spellings[given]], units[spellings[ours]]
    return f"{float(convert(np.array([float(text)]), source, target)[0]):.9g}"


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False
