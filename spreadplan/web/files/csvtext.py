"""A CSV file that keeps every byte that nobody changed: line ends, quotes, blank lines, order."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256

from spreadplan.errors import BadInput, Problem

BOM = "\ufeff"


def mark_of(cells: Iterable[str]) -> str:
    """The mark of a record with these cells."""
    text = "\x1f".join(cells).rstrip("\x1f")
    return sha256(text.encode("utf-8")).hexdigest()[:16]


@dataclass(frozen=True)
class Record:
    """One record as it stands in the file; a blank line has no cells."""

    text: str
    cells: tuple[str, ...]

    @property
    def mark(self) -> str:
        """The same for the same cells: tells whether a record is still as it was shown.

        Empty cells at the end do not count: a column may have been added since.
        """
        return mark_of(self.cells)


@dataclass(frozen=True)
class CsvText:
    """A header and records; ``records[i]`` has the row number ``first_row + i``."""

    before: str  # a byte-order mark and blank lines before the header
    header: Record
    records: tuple[Record, ...]
    first_row: int
    newline: str

    @property
    def names(self) -> tuple[str, ...]:
        """The columns' names."""
        return self.header.cells

    def text(self) -> str:
        """The whole file."""
        parts = [self.before, *self._closed([self.header, *self.records])]
        return "".join(parts)

    def _closed(self, records: Sequence[Record]) -> Iterable[str]:
        """Texts of records, each but the last surely ending with a line end."""
        for place, record in enumerate(records):
            last = place == len(records) - 1
            yield (
                record.text
                if last or record.text.endswith(("\n", "\r"))
                else (record.text + self.newline)
            )

    def values(self, record: Record) -> dict[str, str]:
        """Cells by column; of a record with too few cells or too many, as far as they go."""
        missing = ("",) * (len(self.names) - len(record.cells))
        return dict(zip(self.names, (*record.cells, *missing), strict=False))

    def made(self, values: Mapping[str, str]) -> Record:
        """A record with these values; columns that are not named stay empty."""
        cells = tuple(values.get(name, "") for name in self.names)
        return Record(_line(cells, self.newline), cells)

    def with_columns(self, names: Sequence[str]) -> CsvText:
        """The file with further columns at the right, empty in every record."""
        if not names:
            return self
        more = "," + _line(names, "")

        def longer(record: Record, added: str, cells: Sequence[str]) -> Record:
            body = record.text.rstrip("\r\n")
            return Record(body + added + (record.text[len(body) :]), (*record.cells, *cells))

        empty = [""] * len(names)
        return replace(
            self,
            header=longer(self.header, more, names),
            records=tuple(
                longer(record, "," * len(names), empty) if record.cells else record
                for record in self.records
            ),
        )

    def find(self, row: int, mark: str) -> int | None:
        """Where the record with this mark is now: at its row, or wherever it has moved to."""
        place = row - self.first_row
        if 0 <= place < len(self.records) and self.records[place].mark == mark:
            return place
        found = (n for n, record in enumerate(self.records) if record.mark == mark)
        return next(found, None)

    def with_record(self, place: int, record: Record | None) -> CsvText:
        """The file with another record in this place, or without it."""
        inside = () if record is None else (record,)
        return replace(self, records=(*self.records[:place], *inside, *self.records[place + 1 :]))

    def with_more(self, records: Iterable[Record]) -> CsvText:
        """The file with records at its end."""
        return replace(self, records=(*self.records, *records))


def _line(cells: Sequence[str], newline: str) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator=newline).writerow(cells)
    return out.getvalue()


def new_csv(names: Sequence[str]) -> CsvText:
    """A file that has only a header."""
    return CsvText("", Record(_line(names, "\n"), tuple(names)), (), 2, "\n")


def parse_csv(data: bytes, file: str) -> CsvText:
    """Read a CSV file. Raises BadInput where it cannot be changed without harm."""

    def refuse(row: int, what: str, remedy: str) -> BadInput:
        return BadInput([Problem(file=file, row=row, column="*", what=what, remedy=remedy)])

    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        remedy = "save the file as CSV UTF-8"
        raise refuse(row, "has a character that is not UTF-8", remedy) from None
    before = BOM if text.startswith(BOM) else ""
    lines = list(io.StringIO(text[len(before) :], newline=""))
    reader = csv.reader(lines, strict=True)
    header: Record | None = None
    first_row, row, start = 0, 0, 0
    records: list[Record] = []
    try:
        for row, cells in enumerate(reader, start=1):
            raw, start = "".join(lines[start : reader.line_num]), reader.line_num
            trimmed = tuple(cell.strip() for cell in cells)
            if not any(trimmed):
                trimmed = ()
            if header is None and not trimmed:
                before += raw
            elif header is None:
                header, first_row = Record(raw, trimmed), row + 1
            else:
                records.append(Record(raw, trimmed))
    except csv.Error as error:
        remedy = "close every double quote"
        raise refuse(row + 1, f"is not well-formed CSV ({error})", remedy) from None
    if header is None:
        raise refuse(0, "is empty", "give it a header row")
    newline = "\r\n" if header.text.endswith("\r\n") else "\n"
    return CsvText(before, header, tuple(records), first_row, newline)
