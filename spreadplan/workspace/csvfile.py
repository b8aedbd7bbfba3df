"""Text files as rows of strings, with the row numbers that a spreadsheet shows."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from spreadplan.errors import Problem
from spreadplan.workspace.whole_files import no_plain_file

#: A cell longer than this is a broken quote or an attack, not a name or a number.
LONGEST_CELL = 10_000
MOST_COLUMNS = 500
#: Tables that people keep are small; a storm's telemetry is read elsewhere, in blocks.
MOST_ROWS = 300_000
MOST_BYTES = 200_000_000

csv.field_size_limit(LONGEST_CELL)


@dataclass(frozen=True)
class RawTable:
    """Cells as text, before anything is understood.

    ``cells`` has one column per header cell, named by it; ``rows`` the row number of each record.
    """

    file: str
    cells: pd.DataFrame
    rows: list[int]


def read_text(path: Path, file: str) -> tuple[str, list[Problem]]:
    """The text of a UTF-8 file; a byte-order mark is dropped."""

    def failed(row: int, what: str, remedy: str) -> tuple[str, list[Problem]]:
        return "", [Problem(file=file, row=row, column="*", what=what, remedy=remedy)]

    fault = no_plain_file(path, MOST_BYTES)
    if fault:
        return failed(0, *fault)
    try:
        data = path.read_bytes()
    except OSError as error:
        return failed(0, f"cannot be read ({error.strerror})", "check that it is a readable file")
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return failed(1, "is UTF-16 text", "save it as CSV UTF-8")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        return failed(row, "has a character that is not UTF-8", "save the file as CSV UTF-8")
    if "\x00" in text:
        row = text.count("\n", 0, text.index("\x00")) + 1
        return failed(row, "has a NUL character: not a text file", "export it again as CSV UTF-8")
    return text, []


def read_csv(path: Path, file: str) -> tuple[RawTable | None, list[Problem]]:
    """Header and records of a CSV file (RFC 4180), cells trimmed of white space.

    Returns no table where the file as a whole cannot be understood; rows with too many or too few
    cells are problems of their own.
    """
    text, problems = read_text(path, file)
    if problems:
        return None, problems
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    records: list[list[str]] = []
    rows: list[int] = []
    header: list[str] | None = None
    try:
        for row, record in enumerate(reader, start=1):
            cells = [cell.strip() for cell in record]
            if not any(cells):
                continue
            if len(rows) >= MOST_ROWS:
                what = f"has more than {MOST_ROWS:,} rows"
                return None, [_fault(file, row, what, "keep to those that are needed")]
            if header is None:
                header, problems = cells, header_problems(cells, row, file)
                if problems:
                    return None, problems
            elif len(cells) != len(header):
                what = f"has {len(cells)} cells where the header has {len(header)}"
                remedy = "give every column one cell; put text with a comma in double quotes"
                problems.append(_fault(file, row, what, remedy))
            else:
                records.append(cells)
                rows.append(row)
    except csv.Error as error:
        row = text.count("\n", 0) + 1 if reader.line_num == 0 else reader.line_num
        what = f"is not well-formed CSV ({error})"
        remedy = "close every double quote and keep cells short"
        return None, [*problems, _fault(file, row, what, remedy)]
    if header is None:
        return None, [_fault(file, 0, "is empty", "give it a header row and data rows")]
    return RawTable(file, pd.DataFrame(records, columns=header, dtype=object), rows), problems


def _fault(file: str, row: int, what: str, remedy: str) -> Problem:
    """A problem of the whole row, or of the whole file in row 0."""
    return Problem(file=file, row=row, column="*", what=what, remedy=remedy)


def header_problems(header: list[str], row: int, file: str) -> list[Problem]:
    """What is wrong with a header row as such, before its columns are looked up."""
    for mark, name in ((";", "semicolons"), ("\t", "tabs"), ("|", "bars")):
        if len(header) == 1 and mark in header[0]:
            return [
                Problem(
                    file=file,
                    row=row,
                    column="*",
                    what=f"cells are separated by {name}",
                    remedy="separate them with commas",
                )
            ]
    if len(header) > MOST_COLUMNS:
        return [
            Problem(
                file=file,
                row=row,
                column="*",
                what=f"has {len(header)} columns",
                remedy=f"keep to the columns that are needed (at most {MOST_COLUMNS})",
            )
        ]
    return [
        Problem(
            file=file,
            row=row,
            column=name or "*",
            what="column stands twice" if name else "a column has no name",
            remedy="keep one of the two" if name else "name it or remove it",
        )
        for name in dict.fromkeys(header)
        if header.count(name) > 1 or not name
    ]
