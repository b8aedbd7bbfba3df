"""Open a vector file as what its name says it is, and nothing else.

The libraries below look at a file's content, not at its name. A file that calls itself GeoJSON but
holds a recipe would have them read other files, run a pipeline or ask another host; a GeoPackage is
a database whose views can run for ever; a columnar file of a kilobyte can declare billions of rows.
So the driver is named, and what a file declares is looked at before it is read.
"""

from __future__ import annotations

import sqlite3
import warnings
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from spreadplan.errors import Problem
from spreadplan.workspace.csvfile import LONGEST_CELL
from spreadplan.workspace.vector_cells import as_they_stand
from spreadplan.workspace.whole_files import most_rows, no_plain_file

#: A county of a million segments has some 400 MB as GeoJSON.
MOST_BYTES = 500_000_000
MOST_FEATURES = 2_000_000
SHAPEFILE_START = b"\x00\x00\x27\x0a"
DATABASE_START = b"SQLite format 3\x00"
MIGHT_NOT_BE_WHOLE = "parsed incompletely"
#: Said of columns whose cells are not all of one kind: each is judged when the column is parsed.
MIXED = "as JSON; leaving as string"

#: what is wrong with a file, and what would be right
Fault = tuple[str, str]
AGAIN = "export it again as GeoJSON or GeoPackage"


def vector_fault(path: Path) -> Fault | None:
    """Why a file is not opened at all."""
    fault = no_plain_file(path, MOST_BYTES)
    if fault:
        return fault
    check = _CHECKS.get(path.suffix)
    return check(path) if check else None


def _json_fault(path: Path) -> Fault | None:
    with path.open("rb") as file:
        start = file.read(4096).removeprefix(b"\xef\xbb\xbf").lstrip()
    if not start:
        return "is empty", AGAIN
    return None if start.startswith(b"{") else ("is not GeoJSON", AGAIN)


def _shape_fault(path: Path) -> Fault | None:
    with path.open("rb") as file:
        return None if file.read(4) == SHAPEFILE_START else ("is not a shapefile", AGAIN)


def _database_fault(path: Path) -> Fault | None:
    """Layers must be plain tables: a view, or a computed column, is a program."""
    with path.open("rb") as file:
        if file.read(16) != DATABASE_START:
            return "is not a GeoPackage", AGAIN
    address = f"{path.resolve().as_uri()}?mode=ro&immutable=1"
    try:
        with closing(sqlite3.connect(address, uri=True)) as base:
            layers = base.execute(
                "SELECT m.name, m.type, m.sql FROM gpkg_contents AS c, sqlite_master AS m "
                "WHERE c.data_type = 'features' AND lower(m.name) = lower(c.table_name) "
                "AND m.type IN ('table', 'view')"
            ).fetchall()
            for name, kind, text in layers:
                if kind == "view" or str(text).split()[1].upper() == "VIRTUAL":
                    return f'layer "{name}" is computed by a query', "export it as a plain layer"
                quoted = str(name).replace('"', '""')
                if any(row[-1] > 1 for row in base.execute(f'PRAGMA table_xinfo("{quoted}")')):
                    return f'layer "{name}" has computed columns', "export it as a plain layer"
    except (sqlite3.Error, OverflowError, UnicodeDecodeError) as error:
        return f"is a damaged GeoPackage ({error})", AGAIN
    return None if layers else ("holds no layer with geometry", AGAIN)


def _columnar_fault(path: Path) -> Fault | None:
    """What a columnar file declares, and how long its texts are, before they are spread out."""
    try:
        with pq.ParquetFile(path) as file:
            rows, schema = file.metadata.num_rows, file.schema_arrow
            if not 0 <= rows <= most_rows(path, MOST_FEATURES):
                return f"declares {rows:,} features", f"keep to {MOST_FEATURES:,} and export again"
        texts = [field.name for field in schema if _is_text(field.type)]
        with pq.ParquetFile(path, read_dictionary=texts) as file:
            for group in range(file.num_row_groups):
                table = file.read_row_group(group, columns=texts)
                for name in dict.fromkeys(texts):
                    if _longest(table, name) > LONGEST_CELL:
                        return f"{name} holds a text of more than {LONGEST_CELL:,} letters", (
                            "shorten it"
                        )
    except (pa.ArrowException, OSError, ValueError) as error:
        return f"cannot be read ({str(error).replace(str(path), path.name)})", AGAIN
    return None


def _is_text(kind: pa.DataType) -> bool:
    inner = kind.value_type if pa.types.is_dictionary(kind) else kind
    return bool(pa.types.is_string(inner) or pa.types.is_large_string(inner))


def _longest(table: pa.Table, name: str) -> int:
    longest = 0
    for place, column in enumerate(table.column_names):
        if column == name:
            for chunk in table.column(place).chunks:
                words = chunk.dictionary if pa.types.is_dictionary(chunk.type) else chunk
                longest = max(longest, pc.max(pc.binary_length(words)).as_py() or 0)
    return longest


_CHECKS: dict[str, Callable[[Path], Fault | None]] = {
    ".geojson": _json_fault,
    ".shp": _shape_fault,
    ".gpkg": _database_fault,
    ".parquet": _columnar_fault,
}
#: A prefix makes the library take this driver and no other.
_DRIVERS = {".geojson": "GeoJSON:", ".gpkg": "GPKG:"}
#: What else a driver is told: a name that looks like a date is a name.
_TOLD = {".geojson": {"DATE_AS_STRING": "YES"}}


def read_features(path: Path, file: str) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """The features with their cells as the file holds them, and what the library had doubts about.

    Raises whatever the library raises, which is different for each format.
    """
    if path.suffix == ".parquet":
        return gpd.read_parquet(path), []
    source = f"{_DRIVERS[path.suffix]}{path}" if path.suffix in _DRIVERS else path
    with warnings.catch_warnings(record=True) as doubts:
        warnings.simplefilter("always")
        frame = gpd.read_file(
            source, engine="pyogrio", on_invalid="ignore", **_TOLD.get(path.suffix, {})
        )
    said = dict.fromkeys(" ".join(str(doubt.message).split()) for doubt in doubts)
    ignored = [MIXED]
    if isinstance(frame, gpd.GeoDataFrame):
        frame = as_they_stand(path, frame)
        ignored += [MIGHT_NOT_BE_WHOLE] * (path.suffix == ".shp")  # those cells were looked at
    return frame, [
        Problem(
            file,
            0,
            "*",
            f"was read with a doubt ({text.replace(str(path), path.name)})",
            "look at it, or export it again",
            fatal=MIGHT_NOT_BE_WHOLE in text,
        )
        for text in said
        if not any(words in text for words in ignored)
    ]
