"""Telemetry files as batches of columns: CSV block by block, Parquet batch by batch.

A CSV block is first read as typed columns in one go. Where that fails, the block is cut into parts,
and those again, until only the few lines around the fault are left, which are read cell by cell. A
record is one line: a quote that stays open spoils its own line only.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
from numpy.typing import NDArray

from spreadplan.errors import Problem
from spreadplan.schema.telemetry import TELEMETRY, SourceFile
from spreadplan.units import to_canonical
from spreadplan.workspace.csvfile import header_problems
from spreadplan.workspace.parse import (
    FALSE,
    TRUE,
    Found,
    Rename,
    Source,
    apply_renames,
    match_columns,
)
from spreadplan.workspace.whole_files import most_rows

BLOCK_BYTES = 8_000_000
BATCH_ROWS = 250_000
#: A line longer than this is no record: a broken export, or no text file at all.
LONGEST_LINE = 100_000
LINE_FEED = 10
MOST_ROWS = 500_000_000
LONGEST_WORD = 1_000
#: A block that cannot be read in one go is cut into so many parts; so few lines are not cut.
PARTS = 16
FEW_LINES = 500
OFFSET = re.compile(r"\d[T ].*(Z|z|[+-]\d\d(:?\d\d)?)$")
NO_NUMBER = ["", "nan", "NaN", "NAN", "null", "NULL", "Null", "none", "None", "NA", "N/A", "n/a"]


@dataclass(frozen=True)
class FileBatch:
    """Records as they stand in a file.

    ``rows`` has shape (n,); ``columns`` maps inside names to Arrow arrays of length n, typed or
    text; ``broken`` holds the row and the fault of each line that is no record.
    """

    rows: NDArray[np.int64]
    columns: Mapping[str, pa.Array]
    broken: list[tuple[int, str]] = field(default_factory=list)


@dataclass(frozen=True, kw_only=True)
class TelemetryFile:
    """A file whose header is understood; ``names`` are its columns as the contract spells them."""

    path: Path
    shown: str  # its name in messages
    found: tuple[Found, ...]
    names: tuple[str, ...]
    data_start: int = 0  # byte at which the first record of a CSV file starts
    first_row: int = 1

    @property
    def is_csv(self) -> bool:
        """Whether it is a text file."""
        return self.path.suffix.lower() == ".csv"

    @property
    def steps(self) -> int:
        """About how many batches it holds, for the progress bar."""
        if self.is_csv:
            return math.ceil((self.path.stat().st_size - self.data_start) / BLOCK_BYTES)
        with pq.ParquetFile(self.path) as file:
            return math.ceil(int(file.metadata.num_rows) / BATCH_ROWS)

    @property
    def source(self) -> SourceFile:
        """Its name and the size of its counters' units."""
        unit = {"feed_total": 1.0, "liquid_total": 1.0}
        for item in self.found:
            if item.column.name in unit:
                one = to_canonical(np.ones(1), item.column.quantity, item.suffix)
                unit[item.column.name] = float(one[0])
        return SourceFile(self.path.name, unit["feed_total"], unit["liquid_total"])

    def batches(self) -> Iterator[list[FileBatch]]:
        """Its records, in order, list by list; those in one list may be mingled."""
        return _csv_batches(self) if self.is_csv else _parquet_batches(self)


def open_telemetry(
    path: Path, shown: str, renames: Mapping[str, Rename], timezone: ZoneInfo
) -> tuple[TelemetryFile | None, list[Problem]]:
    """Understand a file's header; ``shown`` is its name in messages.

    Returns nothing, and why, where the file as a whole cannot be understood.
    """
    try:
        if path.suffix.lower() == ".csv":
            header, start, row, problems = _csv_header(path, shown)
        else:
            header, start, row, problems = _parquet_header(path), 0, 0, []
    except (OSError, pa.ArrowException, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "not whole"
        problem = Problem(
            file=shown,
            row=0,
            column="*",
            what=f"cannot be read ({reason})",
            remedy="export the file again",
        )
        return None, [problem]
    if problems:
        return None, problems
    ours = apply_renames(header, TELEMETRY, renames)
    names = [ours[name] for name in header]
    source = Source(shown, row, np.zeros(0, dtype=int), timezone)
    found, problems = match_columns(names, TELEMETRY, source)
    problems += _header_faults(names, found, source)
    if path.suffix.lower() != ".csv":
        problems += _type_faults(path, names, found, source)
    if any(problem.fatal for problem in problems):
        return None, problems
    return TelemetryFile(
        path=path,
        shown=shown,
        found=tuple(found),
        names=tuple(names),
        data_start=start,
        first_row=row + 1,
    ), problems


def _header_faults(names: list[str], found: list[Found], source: Source) -> list[Problem]:
    problems = [
        source.in_header(name, "column stands twice", "keep one, or rename only one to it")
        for name in dict.fromkeys(names)
        if names.count(name) > 1
    ]
    told = {"feed_total", "feed_rate", "set_rate", "liquid_total"}
    if not told & {item.column.name for item in found}:
        problems.append(
            source.in_header(
                "feed_total_lb",
                "neither a running total nor a rate of the material is there",
                "add feed_total_lb or feed_rate_lb_min, set_rate_lb_per_lane_mile where a truck "
                "tells no more than what it was set to, liquid_total_gal of a truck of liquid, or "
                "name theirs in columns.toml",
            )
        )
    rates = [item.name for item in found if item.column.name == "set_rate"]
    problems += [
        source.in_header(name, f"the set rate is given twice: {rates[0]} and {name}", "keep one")
        for name in rates[1:]
    ]
    return problems


# --- text files --------------------------------------------------------------------------------


def _csv_header(path: Path, shown: str) -> tuple[list[str], int, int, list[Problem]]:
    """Column names, byte after the header, row of the header, problems."""
    with path.open("rb") as file:
        for row in range(1, 1_000):
            line = file.readline(LONGEST_LINE)
            fault = _no_text(line, row, shown)
            if fault:
                return [], 0, row, [fault]
            text = line.decode("utf-8-sig", errors="replace").strip("\r\n")
            try:
                cells = [cell.strip() for cell in next(csv.reader([text], strict=True), [])]
            except csv.Error as error:
                what = f"header is not well-formed CSV ({error})"
                return (
                    [],
                    0,
                    row,
                    [
                        Problem(
                            file=shown,
                            row=row,
                            column="*",
                            what=what,
                            remedy="close every double quote",
                        )
                    ],
                )
            if any(cells):
                return cells, file.tell(), row, header_problems(cells, row, shown)
            if not line:
                break
    return (
        [],
        0,
        1,
        [
            Problem(
                file=shown,
                row=0,
                column="*",
                what="is empty",
                remedy="export it again, or remove it",
            )
        ],
    )


def _no_text(line: bytes, row: int, shown: str) -> Problem | None:
    """What is wrong with a header line that is not UTF-8 text with line ends."""
    what = ""
    try:
        line.decode("utf-8-sig")
    except UnicodeDecodeError:
        what = "is not UTF-8 text"
    if line[:2] in (b"\xff\xfe", b"\xfe\xff"):
        what = "is UTF-16 text"
    elif b"\x00" in line:
        what = "has a NUL character: not a text file"
    elif b"\r" in line.rstrip(b"\r\n"):
        what = "has lines that end in a carriage return alone"
    elif len(line) >= LONGEST_LINE:
        what = "has a header that never ends"
    return (
        Problem(file=shown, row=row, column="*", what=what, remedy="save it as CSV UTF-8")
        if what
        else None
    )


def _csv_batches(file: TelemetryFile) -> Iterator[list[FileBatch]]:
    row = file.first_row
    for block in _blocks(file):
        parts = list(_parse_block(block, row, file))
        typed = [part for part in parts if not pa.types.is_string(part.columns["time"].type)]
        text = [part for part in parts if pa.types.is_string(part.columns["time"].type)]
        yield [_merged(some) for some in (typed, text) if some]
        row += _line_count(block)


def _blocks(file: TelemetryFile) -> Iterator[bytes]:
    """Whole lines, about `BLOCK_BYTES` at a time, each line ended by a line feed."""
    with file.path.open("rb") as stream:
        stream.seek(file.data_start)
        rest = b""
        while data := stream.read(BLOCK_BYTES):
            data = rest + data
            cut = data.rfind(b"\n") + 1
            if cut:
                yield data[:cut]
            # a line without end is cut short, still too long to be taken for a record
            rest = data[cut:][: LONGEST_LINE + 1]
        if rest:
            yield rest + b"\n"


def _line_count(block: bytes) -> int:
    # ten times faster than bytes.count where line feeds are many
    return int(np.count_nonzero(np.frombuffer(block, dtype=np.uint8) == LINE_FEED))


def _parse_block(block: bytes, row: int, file: TelemetryFile) -> Iterator[FileBatch]:
    """The records of whole lines, the first of which is ``row``."""
    lines = _line_count(block)
    columns = _typed(block, lines, file)
    if columns is not None:
        yield FileBatch(np.arange(row, row + lines), columns)
    elif lines <= FEW_LINES:
        yield _cell_by_cell(block, row, file)
    else:
        starts = np.flatnonzero(np.frombuffer(block, dtype=np.uint8) == LINE_FEED) + 1
        starts = np.concatenate([[0], starts])
        cuts = np.unique(np.linspace(0, lines, PARTS + 1).astype(int))
        for first, last in pairwise(cuts.tolist()):
            yield from _parse_block(block[starts[first] : starts[last]], row + first, file)


def _typed(block: bytes, lines: int, file: TelemetryFile) -> dict[str, pa.Array] | None:
    """Columns read in one go; nothing where any line needs a closer look."""
    if b"\x00" in block or (b"\r" in block and block.count(b"\r") != block.count(b"\r\n")):
        return None
    try:
        table = pa_csv.read_csv(
            pa.BufferReader(block),
            read_options=pa_csv.ReadOptions(
                column_names=list(file.names), use_threads=lines > 10 * FEW_LINES
            ),
            parse_options=pa_csv.ParseOptions(ignore_empty_lines=False),
            convert_options=_conversion(file, _clock(block, file)),
        )
    except pa.ArrowInvalid:
        return None
    columns = {item.column.inside: table[item.name] for item in file.found}
    # a quote swallowed a line end; a line has no cell at all
    if table.num_rows != lines or columns["time"].null_count:
        return None
    return {name: column.combine_chunks() for name, column in columns.items()}


def _clock(block: bytes, file: TelemetryFile) -> pa.DataType:
    """Type of the times by the first line: with an offset, or on the local clock."""
    cells, _ = _cells(block[: block.index(b"\n")], len(file.names))
    name = next(item.name for item in file.found if item.column.inside == "time")
    time = cells[file.names.index(name)] if cells else ""
    return pa.timestamp("ns", tz="UTC" if OFFSET.search(time) else None)


def _conversion(file: TelemetryFile, time: pa.DataType) -> pa_csv.ConvertOptions:
    words = pa.dictionary(pa.int32(), pa.string())
    types = {"id": words, "flag": pa.bool_(), "time": time}
    return pa_csv.ConvertOptions(
        include_columns=[item.name for item in file.found],
        column_types={item.name: types.get(item.column.kind, pa.float64()) for item in file.found},
        null_values=NO_NUMBER,
        true_values=sorted(TRUE),
        false_values=sorted(FALSE),
    )


def _cell_by_cell(block: bytes, row: int, file: TelemetryFile) -> FileBatch:
    """Records as text; every line by itself."""
    rows: list[int] = []
    records: list[list[str]] = []
    broken: list[tuple[int, str]] = []
    for number, line in enumerate(block.split(b"\n")[:-1], start=row):
        cells, fault = _cells(line, len(file.names))
        if fault:
            broken.append((number, fault))
        elif cells:
            rows.append(number)
            records.append(cells)
    by_column = list(zip(*records, strict=True)) or [()] * len(file.names)
    columns = {
        item.column.inside: pa.array(by_column[file.names.index(item.name)], pa.string())
        for item in file.found
    }
    return FileBatch(np.array(rows, dtype=np.int64), columns, broken)


def _cells(line: bytes, width: int) -> tuple[list[str], str]:
    """Cells of one line, none if it is blank, or why it is no record."""
    if len(line) > LONGEST_LINE:
        return [], "the line is too long to be a record"
    if b"\x00" in line:
        return [], "the line has NUL characters: it is not text"
    try:
        text = line.decode("utf-8", errors="replace").rstrip("\r").replace("\r", " ")
        record = next(csv.reader([text], strict=True), [])
    except csv.Error:
        return [], "the line is not well-formed CSV (a double quote is left open)"
    cells = [cell.strip() for cell in record]
    if not any(cells):
        return [], ""
    if len(cells) != width:
        return [], f"the line has {len(cells)} cells where the header has {width}"
    return cells, ""


def _merged(parts: list[FileBatch]) -> FileBatch:
    """Batches of the same types as one."""
    if len(parts) == 1:
        return parts[0]
    columns = {
        name: pa.chunked_array([part.columns[name] for part in parts])
        .unify_dictionaries()
        .combine_chunks()
        for name in parts[0].columns
    }
    broken = [fault for part in parts for fault in part.broken]
    return FileBatch(np.concatenate([part.rows for part in parts]), columns, broken)


# --- columnar files ----------------------------------------------------------------------------


def _parquet_header(path: Path) -> list[str]:
    with pq.ParquetFile(path) as file:
        return [name.strip() for name in file.schema_arrow.names]


def _type_faults(path: Path, names: list[str], found: list[Found], source: Source) -> list[Problem]:
    """Columns whose type cannot hold what they should."""
    with pq.ParquetFile(path) as file:
        kinds = dict(zip(names, file.schema_arrow.types, strict=True))
        rows = file.metadata.num_rows
    problems = []
    if not 0 <= rows <= most_rows(path, MOST_ROWS):
        what = f"declares {rows:,} records"
        problems.append(source.in_header("*", what, f"split it; at most {MOST_ROWS:,} in a file"))
    for item in found:
        kind = kinds[item.name]
        number = pa.types.is_integer(kind) or pa.types.is_floating(kind)
        if pa.types.is_nested(kind) or pa.types.is_binary(kind):
            problems.append(source.in_header(item.name, f"holds {kind}", "write single values"))
        elif item.column.kind == "time" and number:
            problems.append(
                source.in_header(item.name, f"holds {kind}, not times", "write it as a timestamp")
            )
    return problems


def _parquet_batches(file: TelemetryFile) -> Iterator[list[FileBatch]]:
    row = file.first_row
    ids = {item.column.inside for item in file.found if item.column.kind == "id"}
    with pq.ParquetFile(file.path) as stream:
        schema = stream.schema_arrow
    stored = dict(zip(file.names, schema.names, strict=True))
    wanted = {stored[item.name]: item.column.inside for item in file.found}
    texts = [name for name in wanted if pa.types.is_string(schema.field(name).type)]
    with pq.ParquetFile(file.path, read_dictionary=texts) as stream:
        for batch in stream.iter_batches(BATCH_ROWS, columns=list(wanted)):
            columns = {
                inside: _words(batch.column(name), spread=inside not in ids)
                for name, inside in wanted.items()
            }
            yield [FileBatch(np.arange(row, row + batch.num_rows), columns)]
            row += batch.num_rows


def _words(array: pa.Array, *, spread: bool) -> pa.Array:
    """A column as it is; one of texts that repeat is spread out where that is wanted.

    Raises ArrowInvalid where a text is too long for a cell: spread out it might fill the memory.
    """
    if not pa.types.is_dictionary(array.type):
        return array
    if pa.types.is_string(array.type.value_type):
        longest = pc.max(pc.binary_length(array.dictionary)).as_py() or 0
        if longest > LONGEST_WORD:
            raise pa.ArrowInvalid(f"a cell holds {longest:,} letters")
    return array.dictionary_decode() if spread else array
