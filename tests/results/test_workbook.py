"""The workbook as another program reads it."""

from __future__ import annotations

import zipfile
from datetime import datetime

import openpyxl
import pandas as pd
import pytest

from spreadplan.results.workbook import HEADER_ROW, write_workbook
from spreadplan.schema.sheets import Sheet, SheetColumn

MADE = pd.Timestamp("2027-03-14T12:00Z")
HOSTILE = ["=1+1", "+SUM(A1)", "-2+3", "@cmd", "\t=1", "plain", "-12.5", ""]


def written(tmp_path, *sheets):
    path = tmp_path / "book.xlsx"
    write_workbook(sheets, path, MADE)
    return openpyxl.load_workbook(path)


def cells(page, column):
    return [page.cell(row, column) for row in range(HEADER_ROW + 2, page.max_row + 1)]


def test_numbers_are_numbers_with_formats_and_missing_ones_are_empty(tmp_path):
    page = written(
        tmp_path,
        Sheet(
            "Use",
            "of a season",
            [
                SheetColumn("used, tons", [1.25, float("nan"), 1234.5], "hundredth"),
                SheetColumn("p over", [0.25, 1.0, 0.0], "percent"),
            ],
        ),
    )["Use"]
    assert [cell.value for cell in cells(page, 1)] == [1.25, None, 1234.5]
    assert [cell.data_type for cell in cells(page, 2)] == ["n", "n", "n"]
    assert cells(page, 1)[0].number_format == "#,##0.00"
    assert cells(page, 2)[0].number_format == "0.0%"


def test_no_cell_starts_a_formula(tmp_path):
    page = written(
        tmp_path,
        Sheet(
            "Names", "=about", [SheetColumn("=header", HOSTILE), SheetColumn("b", HOSTILE[::-1])]
        ),
    )["Names"]
    seen = 0
    for row in page.iter_rows():
        for cell in row:
            assert cell.data_type != "f"
            if isinstance(cell.value, str):
                seen += 1
                assert not cell.value.startswith(("=", "@", "\t", "+")), cell.value
    assert seen == 2 * (len(HOSTILE) - 1) + 3
    assert cells(page, 1)[0].value == "'=1+1"
    assert cells(page, 1)[6].value == "-12.5"  # a number as text runs nothing


def test_dates_are_local_times(tmp_path):
    moments = [pd.Timestamp("2027-01-16T01:00"), pd.NaT]
    page = written(tmp_path, Sheet("Storms", "", [SheetColumn("start", moments, "date")]))["Storms"]
    assert [cell.value for cell in cells(page, 1)] == [datetime(2027, 1, 16, 1), None]


def test_header_stays_in_sight_and_can_be_filtered(tmp_path):
    columns = [SheetColumn("a", ["x"]), SheetColumn("b, tons", [1.0], "tenth")]
    page = written(tmp_path, Sheet("S", "", columns))["S"]
    assert page.freeze_panes == "B4"
    assert page.auto_filter.ref == "A3:B4"
    assert [page.cell(HEADER_ROW + 1, place).value for place in (1, 2)] == ["a", "b, tons"]


def test_an_empty_table_is_a_sheet_with_its_header(tmp_path):
    page = written(
        tmp_path, Sheet("Empty", "", [SheetColumn("a", []), SheetColumn("b", [], "tenth")])
    )
    assert page["Empty"].max_row == HEADER_ROW + 1


def test_same_tables_same_bytes(tmp_path):
    sheet = Sheet("S", "", [SheetColumn("a", ["x"])])
    for name in ("one.xlsx", "two.xlsx"):
        write_workbook([sheet], tmp_path / name, MADE)
    assert (tmp_path / "one.xlsx").read_bytes() == (tmp_path / "two.xlsx").read_bytes()
    with zipfile.ZipFile(tmp_path / "one.xlsx") as inside:
        properties = inside.read("docProps/core.xml").decode()
    assert "2027-03-14T12:00:00Z" in properties  # the moment given, not that of the writing


@pytest.mark.parametrize(
    ("sheets", "why"),
    [
        ([Sheet("a", "", []), Sheet("A", "", [])], "repeat"),
        ([Sheet("x" * 32, "", [])], "too long"),
        ([Sheet("a", "", [SheetColumn("a", [1]), SheetColumn("b", [1, 2])])], "columns of"),
    ],
)
def test_what_cannot_be_a_workbook_is_refused(tmp_path, sheets, why):
    with pytest.raises(ValueError, match=why):
        write_workbook(sheets, tmp_path / "book.xlsx", MADE)
