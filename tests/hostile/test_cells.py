"""Whatever stands in a cell: a value within its limits, or a problem in one line; never both."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spreadplan.errors import MOST_NAMED, Problem, few, plain
from spreadplan.results.tables import FORMULA_STARTS, exact_text, safe_text
from spreadplan.schema.columns import Column, Table
from spreadplan.schema.tables import TABLES
from spreadplan.workspace.parse import (
    CONTROL_CHARACTERS,
    LARGEST,
    YEARS,
    Source,
    parse_moment,
    parse_table,
)
from spreadplan.workspace.starter import usual_name
from tests.hostile.engine import is_clear
from tests.hostile.words import CELLS, FORMULAS, NUMBERS, TIMES

ZONE = ZoneInfo("America/Chicago")
COLUMNS = [(table, column) for table in TABLES.values() for column in table.columns]
CELL = st.one_of(st.sampled_from(CELLS), st.text(max_size=30), st.floats().map(repr))
#: a decimal number as the reader's message asks for it
DECIMAL = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")


def parsed(
    table: Table, column: Column, cells: list[str]
) -> tuple[pd.DataFrame, list[Problem], dict[int, list[Problem]]]:
    """Cells of one column read alone: the table, problems of this column and those by cell."""
    name = usual_name(column)
    frame = pd.DataFrame({name: pd.Series([cell.strip() for cell in cells], dtype=object)})
    source = Source(table.file, 1, np.arange(2, len(cells) + 2), ZONE)
    read, problems = parse_table(frame, table, source, {})
    mine = [one for one in problems if one.column == name and "stands already" not in one.what]
    by_cell: dict[int, list[Problem]] = {}
    for problem in mine:
        by_cell.setdefault(problem.row - 2, []).append(problem)
    return read, mine, by_cell


def holds_no_impossible_value(column: Column, value: object) -> bool:
    """What a column may hold where its reader named no problem."""
    if column.kind in ("id", "text", "choice"):
        known = column.kind != "choice" or value in (*column.choices, column.default, "")
        return known and (not isinstance(value, str) or not CONTROL_CHARACTERS.search(value))
    if column.kind == "flag":
        return pd.isna(value) or value in (True, False)
    if column.kind == "time":
        return pd.isna(value) or YEARS[0] - 1 <= value.year <= YEARS[1] + 1  # type: ignore[attr-defined]
    values = value if column.kind == "lengths" else [value]
    return all(
        math.isnan(one)
        if isinstance(one, float) and math.isnan(one)
        else math.isfinite(one)
        and (column.low is None or one >= column.low)
        and (column.high is None or one <= column.high)
        for one in values  # type: ignore[attr-defined]
    )


@pytest.mark.parametrize(
    ("table", "column"), COLUMNS, ids=[f"{t.name}-{c.inside}" for t, c in COLUMNS]
)
def test_every_hostile_cell_is_read_right_or_named(table, column):
    read, problems, by_cell = parsed(table, column, list(CELLS))
    assert all(is_clear(str(problem)) for problem in problems)
    for at, cell in enumerate(CELLS):
        value = read[column.inside].iloc[at]
        assert at in by_cell or holds_no_impossible_value(column, value), cell
    if column.kind in ("number", "quantity", "whole"):
        refused = {CELLS[at].strip() for at in by_cell}
        assert {"0x10", "1_000", "1,000", "１２", "1e309", "1j"} <= refused


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(COLUMNS), st.lists(CELL, min_size=1, max_size=25))
def test_any_cells_are_read_right_or_named(place, cells):
    table, column = place
    read, problems, by_cell = parsed(table, column, cells)
    assert len(read) == len(cells)
    assert all(is_clear(str(problem)) for problem in problems)
    for at in range(len(cells)):
        assert at in by_cell or holds_no_impossible_value(column, read[column.inside].iloc[at])


@settings(max_examples=60, deadline=None)
@given(st.one_of(st.sampled_from(NUMBERS), st.from_regex(DECIMAL, fullmatch=True), st.text()))
def test_a_number_is_what_it_says_or_is_refused(cell):
    cell = cell.strip()
    table, column = next((t, c) for t, c in COLUMNS if c.inside == "sequence")
    read, problems, _ = parsed(table, column, [cell])
    value = float(read["sequence"].iloc[0])
    blank = cell.lower() in ("", "nan", "-nan", "+nan")
    if DECIMAL.fullmatch(cell) and abs(float(cell)) <= LARGEST:
        assert value == pytest.approx(float(cell), rel=1e-15, abs=5e-324)
        assert not problems
    elif not blank:
        assert problems, cell
        assert math.isnan(value)


@settings(max_examples=200, deadline=None)
@given(st.one_of(st.sampled_from(TIMES), st.text(max_size=40), st.datetimes().map(str)))
def test_a_time_is_a_moment_or_says_what_is_wrong(text):
    moment, fault = parse_moment(text, ZONE)
    assert (moment is None) == bool(fault)
    if moment is not None:
        assert moment.tzinfo is UTC
        given_time = datetime.fromisoformat(text)
        same = moment if given_time.tzinfo else moment.astimezone(ZONE).replace(tzinfo=None)
        assert same == given_time


@settings(max_examples=200)
@given(st.text(), st.integers(2, 400))
def test_what_is_said_is_one_line_that_can_be_read(text, longest):
    shown = plain(text, longest)
    assert shown.isprintable()
    assert len(shown) <= 10 * (longest + 1)
    if text.isprintable() and len(text) <= longest:
        assert shown == text


def test_a_flood_of_problems_is_counted_and_what_stops_the_work_is_named():
    cautions = [
        Problem(file="a.csv", row=row, column="x", what="is odd", remedy="look", fatal=False)
        for row in range(5_000)
    ]
    stop = Problem(file="a.csv", row=6_000, column="y", what="is wrong", remedy="mend it")
    kept = few(
        [
            *cautions,
            stop,
            Problem(file="b.csv", row=1, column="x", what="is wrong", remedy="mend it"),
        ]
    )
    assert len(kept) == MOST_NAMED + 2
    assert stop in kept
    assert "4,501 more" in kept[MOST_NAMED].what
    assert kept[MOST_NAMED].fatal


@settings(max_examples=200)
@given(
    st.one_of(
        st.sampled_from(FORMULAS),
        st.text("'=+-@1a", max_size=6),
        st.text(),
        st.tuples(st.sampled_from(FORMULA_STARTS), st.text()).map("".join),
    )
)
def test_no_text_in_a_table_is_a_formula_and_each_can_be_told_from_all_others(text):
    shown = safe_text(text)
    if shown is None:
        assert text == ""
        return
    assert not shown.startswith(FORMULA_STARTS) or math.isfinite(float(shown)) or text == shown
    assert not shown.startswith(FORMULA_STARTS) or re.fullmatch(r"[+-][0-9.eE+-]+", shown)
    assert exact_text(shown) == text
