"""Cells of text → typed columns in the inside units, with every problem named.

The order of work is the same for every file: which column is which (`match_columns`), what each
cell holds (`parse_cell_columns`), and what rows say together (`row_problems`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from spreadplan.errors import BadInput, Problem
from spreadplan.schema.columns import Column, Table
from spreadplan.schema.limits import RATE_LIMITS
from spreadplan.units import RATE_SUFFIXES, RATE_UNITS, SUFFIXES, convert, to_canonical
from spreadplan.workspace.csvfile import LONGEST_CELL

TRUE = {"true", "1", "yes", "y", "1.0"}
FALSE = {"false", "0", "no", "n", "0.0"}
YEARS = (1980, 2100)
#: Beyond it a change of unit could leave the range of a float; nothing that is measured comes near.
LARGEST = 1e100
#: A number as some write thousands: 24.000.
GROUPED = re.compile(r"[1-9]\d{0,2}\.\d{3}")
#: More in one cell are no list of what a truck has.
MOST_LISTED = 50
#: What no file of results may hold: control characters, halves of pairs, and what is no letter.
CONTROL_CHARACTERS = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")


@dataclass(frozen=True)
class Rename:
    """One line of `columns.toml`: our column is called ``theirs`` and is in ``unit``."""

    theirs: str
    unit: str = ""


@dataclass(frozen=True)
class Found:
    """A column of the schema in the file at hand: its name there and its unit suffix."""

    column: Column
    name: str
    suffix: str


@dataclass(frozen=True)
class Source:
    """Where cells come from: for messages and for times without an offset."""

    file: str
    header_row: int
    rows: np.ndarray  # shape (n,), row number of each record
    timezone: ZoneInfo

    def at(self, position: Any, column: str, what: str, remedy: str) -> Problem:
        """A problem in the record at this position."""
        return Problem(
            file=self.file, row=int(self.rows[position]), column=column, what=what, remedy=remedy
        )

    def in_header(self, column: str, what: str, remedy: str, *, fatal: bool = True) -> Problem:
        """A problem of a whole column."""
        return Problem(
            file=self.file,
            row=self.header_row,
            column=column or "*",
            what=what,
            remedy=remedy,
            fatal=fatal,
        )


# --- which column is which ---------------------------------------------------------------------


def apply_renames(
    names: Iterable[str], table: Table, renames: Mapping[str, Rename]
) -> dict[str, str]:
    """Name in the file → name as the contract spells it, by `columns.toml`.

    A rename may name our column with its unit (``net_lb``) or without (``net``); a unit given
    beside it is the unit of *their* numbers.
    """
    theirs_to_ours: dict[str, str] = {}
    for ours, rename in renames.items():
        base = next(
            (
                column.name
                for column in table.columns
                if ours == column.name or ours in column.spellings()
            ),
            ours,
        )
        theirs_to_ours[rename.theirs] = f"{base}_{rename.unit}" if rename.unit else ours
    return {name: theirs_to_ours.get(name, name) for name in names}


def match_columns(
    names: list[str], table: Table, source: Source
) -> tuple[list[Found], list[Problem]]:
    """Find each column of the schema among the names in a file.

    Problems: a required column is missing, a quantity has no unit or an unknown one, one quantity
    comes in two units. Cautions: columns that nobody knows.
    """
    found: list[Found] = []
    problems: list[Problem] = []
    known: set[str] = set()
    for column in table.columns:
        spellings = column.spellings()
        present = [name for name in names if name in spellings]
        known.update(present)
        if len(present) > 1:
            problems.append(
                source.in_header(
                    present[1],
                    f"the quantity is given twice: {' and '.join(present)}",
                    "keep exactly one of them",
                )
            )
        elif present:
            found.append(Found(column, present[0], spellings[present[0]]))
        else:
            wrong = [name for name in _wrong_unit(column, names, table) if name not in known]
            known.update(wrong)
            problems.extend(_missing(column, wrong, source))
    if table.rate:
        known.update(name for name in names if looks_like_rate(name))
    problems.extend(
        source.in_header(name, "is not a column of this file", "it is ignored", fatal=False)
        for name in names
        if name not in known
    )
    return found, problems


def _wrong_unit(column: Column, names: list[str], table: Table) -> list[str]:
    """Names that begin like a quantity but carry no unit that is known."""
    if not column.quantity:
        return []
    spelled = {spelling for other in table.columns for spelling in other.spellings()}
    longer = [
        f"{other.name}_"
        for other in table.columns
        if len(other.name) > len(column.name) and other.name.startswith(column.name)
    ]
    return [
        name
        for name in names
        if name not in spelled
        and (name == column.name or name.startswith(f"{column.name}_"))
        and not name.startswith(tuple(longer))
    ]


def _missing(column: Column, wrong: list[str], source: Source) -> list[Problem]:
    usual, *others = column.spellings()
    accepted = usual
    if others:
        accepted += f" (or with {', '.join(name[len(column.name) :] for name in others)})"
    if wrong:
        return [
            source.in_header(name, "has no unit that is known", f"name it {accepted}")
            for name in wrong
        ]
    if column.required:
        return [source.in_header(column.name, "column is missing", f"add {accepted}")]
    return []


# --- what each cell holds ----------------------------------------------------------------------


def parse_cell_columns(
    cells: pd.DataFrame, found: list[Found], table: Table, source: Source
) -> tuple[pd.DataFrame, list[Problem]]:
    """Every column of the schema as a typed column; absent ones hold their default."""
    problems: list[Problem] = []
    typed: dict[str, object] = {}
    by_inside = {item.column.inside: item for item in found}
    for column in table.columns:
        item = by_inside.get(column.inside)
        if item is None:
            typed[column.inside] = _absent(column, len(cells))
            continue
        raw = cells[item.name]
        values, faults = _PARSERS[column.kind](raw, item, source)
        problems.extend(faults)
        if column.required:
            problems.extend(
                source.at(position, item.name, "is empty", f"give {column.meaning}")
                for position in np.flatnonzero(_blank(raw))
            )
        typed[column.inside] = values
    frame = pd.DataFrame(typed, index=pd.RangeIndex(len(cells)))
    frame["row"] = source.rows
    return frame, problems


def _absent(column: Column, size: int) -> object:
    if column.kind == "time":
        return pd.Series(pd.NaT, index=range(size), dtype="datetime64[ns, UTC]")
    if column.kind in ("quantity", "number"):
        value = float("nan") if column.default is None else column.default
        return np.full(size, value, dtype=float)
    return pd.Series([column.default] * size, index=range(size))


def _blank(raw: pd.Series) -> np.ndarray:
    if raw.dtype.kind in "iufb":
        return np.asarray(raw.isna())
    values = raw.to_numpy(dtype=object)
    return np.asarray(pd.isna(values) | (values == ""))


def _text_of(value: object) -> str:
    """Text of a cell that a vector file gave as some type: 7.0 is the identifier 7."""
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _parse_text(raw: pd.Series, item: Found, source: Source) -> tuple[pd.Series, list[Problem]]:
    codes, unique = pd.factorize(raw.astype(object), use_na_sentinel=False)
    texts = np.array([_text_of(value) for value in unique] or [""], dtype=object)
    values = pd.Series(texts[codes], index=raw.index, dtype=object)
    odd = np.array([_odd_text(text) for text in texts])[codes]
    return values, [
        source.at(at, item.name, odd[at], "type the text again") for at in np.flatnonzero(odd != "")
    ]


def _odd_text(text: str) -> str:
    if len(text) > LONGEST_CELL:
        return f"has more than {LONGEST_CELL:,} letters"
    return "has a control character" if CONTROL_CHARACTERS.search(text) else ""


def _parse_choice(raw: pd.Series, item: Found, source: Source) -> tuple[pd.Series, list[Problem]]:
    values = raw.map(_text_of).astype(object)
    wrong = np.flatnonzero(~values.isin([*item.column.choices, ""]))
    words = ", ".join(item.column.choices)
    values = values.where(values != "", item.column.default)
    return values, [
        source.at(
            position, item.name, f"{_quote(raw.iloc[position])} is not known", f"use one of {words}"
        )
        for position in wrong
    ]


def _parse_flag(raw: pd.Series, item: Found, source: Source) -> tuple[pd.Series, list[Problem]]:
    words = raw.map(_text_of).str.lower()
    values = pd.Series(item.column.default, index=raw.index, dtype=object)
    values[words.isin(TRUE)] = True
    values[words.isin(FALSE)] = False
    wrong = np.flatnonzero(~words.isin(TRUE | FALSE | {""}))
    return values if item.column.default is None else values.astype(bool), [
        source.at(
            position,
            item.name,
            f"{_quote(raw.iloc[position])} is neither true nor false",
            "use true or false",
        )
        for position in wrong
    ]


def _numbers(raw: pd.Series, name: str, source: Source) -> tuple[np.ndarray, list[Problem]]:
    """Finite numbers of a column; blanks are NaN."""
    if raw.dtype.kind in "iuf":
        values = raw.to_numpy(dtype=float)
        blank = np.isnan(values)
    else:
        texts = np.array([_text_of(value) for value in raw.to_numpy(dtype=object)], dtype=object)
        blank = texts == ""
        values = np.asarray(pd.to_numeric(np.where(blank, "nan", texts), errors="coerce"), float)
    usable = np.abs(values) <= LARGEST
    wrong = np.flatnonzero(~blank & ~usable)
    problems = [
        source.at(
            position,
            name,
            f"{_quote(raw.iloc[position])} is not a number",
            "write plain digits with a decimal point, as in 1250.5",
        )
        for position in wrong
    ]
    return np.where(blank | ~usable, np.nan, values), problems


def _limit_problems(
    values: np.ndarray, raw: pd.Series, item: Found, source: Source
) -> list[Problem]:
    """Values outside what the column accepts; limits are said in the unit of the file."""
    column = item.column
    problems: list[Problem] = []
    for limit, beyond, word in (
        (
            column.low,
            np.less_equal if column.above else np.less,
            "above" if column.above else "at least",
        ),
        (column.high, np.greater, "at most"),
    ):
        if limit is None:
            continue
        with np.errstate(invalid="ignore"):
            wrong = np.flatnonzero(beyond(values, limit))
        shown = limit
        if item.suffix:
            units = SUFFIXES[column.quantity]
            inside = units[column.unit or next(iter(units))]
            shown = float(convert(np.array([limit]), inside, units[item.suffix])[0])
        problems.extend(
            source.at(
                position,
                item.name,
                f"{raw.iloc[position]} is not possible here",
                f"it must be {word} {shown:.6g}; {_digits_to_check(raw.iloc[position])}",
            )
            for position in wrong
        )
    return problems


def _digits_to_check(cell: object) -> str:
    """What to look at in a number out of range; a point may have been meant to group thousands."""
    text = _text_of(cell)
    if GROUPED.fullmatch(text):
        return f"write {text.replace('.', '')} if thousands are meant, the point is for decimals"
    return "check the unit and the digits"


def _parse_number(raw: pd.Series, item: Found, source: Source) -> tuple[np.ndarray, list[Problem]]:
    values, problems = _numbers(raw, item.name, source)
    if item.suffix:
        values = to_canonical(values, item.column.quantity, item.suffix, item.column.unit)
    problems += _limit_problems(values, raw, item, source)
    default = item.column.default
    if isinstance(default, (int, float)) and not np.isnan(default):
        values = np.where(np.isnan(values) & _blank(raw), float(default), values)
    return values, problems


def _parse_whole(raw: pd.Series, item: Found, source: Source) -> tuple[object, list[Problem]]:
    values, problems = _parse_number(raw, item, source)
    wrong = np.flatnonzero(np.isfinite(values) & (values != np.round(values)))
    problems += [
        source.at(
            position,
            item.name,
            f"{raw.iloc[position]} is not a whole number",
            "write a whole number",
        )
        for position in wrong
    ]
    countable = (np.abs(values) < 2**53).all()  # others are refused by the column's limits
    return (values.astype(int) if countable else values), problems


def _parse_lengths(raw: pd.Series, item: Found, source: Source) -> tuple[pd.Series, list[Problem]]:
    parts: list[str] = []
    owners: list[int] = []
    for position, cell in enumerate(raw.map(_text_of)):
        found = [part.strip() for part in cell.split(";") if part.strip()]
        parts += found
        owners += [position] * len(found)
    counts = np.bincount(owners, minlength=len(raw)) if owners else np.zeros(len(raw), dtype=int)
    many = np.flatnonzero(counts > MOST_LISTED)
    owner = np.array(owners, dtype=int)
    spots = Source(source.file, source.header_row, source.rows[owner], source.timezone)
    values, problems = _parse_number(pd.Series(parts, dtype=object), item, spots)
    lists: list[set[float]] = [set() for _ in range(len(raw))]
    for position, value in zip(owners, values.tolist(), strict=True):
        if np.isfinite(value):
            lists[position].add(value)
    problems += [
        source.at(at, item.name, f"lists {counts[at]:,} values", f"list at most {MOST_LISTED}")
        for at in many
    ]
    ordered = [tuple(sorted(one)) for one in lists]
    return pd.Series(ordered, index=raw.index, dtype=object), problems


def parse_moment(value: str, timezone: ZoneInfo) -> tuple[datetime | None, str]:
    """An ISO 8601 text as a moment in UTC, or what is wrong with it.

    A time without an offset is local; one that the clock skips, or shows twice, is refused since
    nobody can know which is meant.
    """
    try:
        moment = datetime.fromisoformat(value)
    except ValueError:
        return None, "is not a date or time that exists"
    if not YEARS[0] <= moment.year <= YEARS[1]:
        return None, f"lies outside the years {YEARS[0]} to {YEARS[1]}"
    if moment.tzinfo is None:
        early, late = (
            moment.replace(tzinfo=timezone, fold=0),
            moment.replace(tzinfo=timezone, fold=1),
        )
        if early.utcoffset() != late.utcoffset():
            skipped = early.astimezone(UTC).astimezone(timezone).replace(tzinfo=None) != moment
            return None, f"{'does not exist' if skipped else 'comes twice'} on the local clock"
        moment = early
    return moment.astimezone(UTC), ""


def _parse_time(raw: pd.Series, item: Found, source: Source) -> tuple[pd.Series, list[Problem]]:
    problems: list[Problem] = []
    moments: list[Any] = []
    for position, cell in enumerate(raw.map(_text_of)):
        moment, fault = parse_moment(cell, source.timezone) if cell else (None, "")
        moments.append(moment)
        if fault:
            problems.append(
                source.at(
                    position,
                    item.name,
                    f"{_quote(cell)} {fault}",
                    "write it as 2026-12-01T04:30, with an offset such as -06:00 where the clock "
                    "change makes it unclear",
                )
            )
    return pd.Series(pd.to_datetime(moments, utc=True), index=raw.index), problems


def _quote(value: object) -> str:
    text = _text_of(value)
    return f'"{text[:40]}{"…" if len(text) > 40 else ""}"'


_PARSERS = {
    "id": _parse_text,
    "text": _parse_text,
    "choice": _parse_choice,
    "flag": _parse_flag,
    "whole": _parse_whole,
    "number": _parse_number,
    "time": _parse_time,
    "quantity": _parse_number,
    "lengths": _parse_lengths,
}


# --- rates and rows ----------------------------------------------------------------------------


def rate_basis(name: str) -> str:
    """The basis that a rate column or key carries in its name, or nothing."""
    return next(
        (suffix for suffix in RATE_SUFFIXES if name == suffix or name.endswith(f"_{suffix}")), ""
    )


def looks_like_rate(name: str) -> bool:
    """Whether a column is meant as a rate, with a basis or without."""
    return bool(rate_basis(name)) or name.split("_")[0] == "rate" or name.endswith("_rate")


def rate_problem(names: list[str]) -> tuple[str, str, str] | None:
    """What is wrong with the rate columns or keys of a table: name, what, remedy."""
    accepted = ", ".join(f"rate_{suffix}" for suffix in RATE_SUFFIXES)
    rates = [name for name in names if looks_like_rate(name)]
    if not rates:
        return "rate", "rate is missing", f"add one of {accepted}"
    if len(rates) > 1:
        return rates[1], f"the rate is given twice: {' and '.join(rates)}", "keep exactly one"
    if not rate_basis(rates[0]):
        return (
            rates[0],
            "the rate has no basis: per lane-mile and per two-lane-mile differ by a factor of two",
            f"name it one of {accepted}",
        )
    return None


def rate_fault(value: float, basis: str) -> tuple[str, str, bool] | None:
    """What is wrong with a rate in the inside unit of its basis: what, remedy, whether it stops.

    The limits are said in the unit of ``basis``, one of `RATE_SUFFIXES`.
    """
    unit, inside = RATE_SUFFIXES[basis]
    limit = RATE_LIMITS[inside]
    shown = {
        name: float(convert(np.array([each]), RATE_UNITS[inside], unit)[0])
        for name, each in (("usual", limit.usual), ("most", limit.most))
    }
    words = basis.replace("_", " ")
    if not 0 <= value <= limit.most and not np.isnan(value):
        allowed = f"a rate is at least 0 and at most {shown['most']:,.0f} {words}"
        return "is not possible here", f"{allowed}; check the basis and the digits", True
    if value > limit.usual:
        what = f"is more than is usual anywhere, {shown['usual']:,.0f} {words}"
        return what, "check the basis and the digits", False
    return None


def parse_rate_column(cells: pd.DataFrame, source: Source) -> tuple[dict[str, Any], list[Problem]]:
    """The one rate column of a table: a column for each inside basis, all but one NaN."""
    fault = rate_problem(list(cells.columns))
    if fault:
        return {}, [source.in_header(*fault)]
    name = next(name for name in cells.columns if looks_like_rate(name))
    basis = rate_basis(name)
    unit, inside = RATE_SUFFIXES[basis]
    values, problems = _numbers(cells[name], name, source)
    problems += [
        source.at(position, name, "is empty", "give the rate; 0 means no treatment")
        for position in np.flatnonzero(_blank(cells[name]))
    ]
    converted = convert(values, unit, RATE_UNITS[inside])
    for position, value in enumerate(converted.tolist()):
        beyond = rate_fault(value, basis)
        if beyond:
            what, remedy, fatal = beyond
            said = source.at(position, name, f"{cells[name].iloc[position]} {what}", remedy)
            problems.append(replace(said, fatal=fatal))
    columns: dict[str, Any] = {
        f"rate_{suffix}": converted if suffix == inside else np.full(len(cells), np.nan)
        for suffix in RATE_UNITS
    }
    return {**columns, "basis": basis}, problems


def duplicate_problems(frame: pd.DataFrame, table: Table, source: Source) -> list[Problem]:
    """Rows that share the table's key with an earlier row."""
    if not table.key or frame.empty:
        return []
    keys = list(table.key)
    repeated = np.flatnonzero(frame.duplicated(keys))
    if not repeated.size:
        return []
    first = frame.groupby(keys, dropna=False, sort=False)["row"].transform("first").to_numpy()
    problems = []
    for position in repeated:
        label = ", ".join(str(frame[name].iloc[position]) for name in keys)
        problems.append(
            source.at(
                position,
                keys[-1],
                f"{label} stands already in row {first[position]}",
                "keep one of the two, or give it a name of its own",
            )
        )
    return problems


def parse_table(
    cells: pd.DataFrame, table: Table, source: Source, renames: Mapping[str, Rename]
) -> tuple[pd.DataFrame, list[Problem]]:
    """Cells of one file as a validated table; see the module's text for the steps."""
    cells = cells.rename(columns=apply_renames(cells.columns, table, renames))
    twice = cells.columns[cells.columns.duplicated()]
    if len(twice):
        mapped = str(twice[0]) in renames
        what = (
            "two columns of the file are mapped to it in columns.toml"
            if mapped
            else ("column stands twice" if twice[0] else "columns have no name")
        )
        remedy = "map only one of them" if mapped else "keep one of them"
        raise BadInput([source.in_header(str(twice[0]) or "*", what, remedy)])
    found, problems = match_columns(list(cells.columns), table, source)
    frame, faults = parse_cell_columns(cells, found, table, source)
    problems += faults
    if table.rate:
        rates, faults = parse_rate_column(cells, source)
        problems += faults
        for name, values in rates.items():
            frame[name] = values
    return frame, problems + duplicate_problems(frame, table, source)
