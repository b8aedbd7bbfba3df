"""Open a vector file as what its name says it is, and nothing else.

The libraries below look at a file's content, not at its name. A file that calls itself GeoJSON but
holds a recipe would have them read other files, run a pipeline or ask another host; a GeoPackage is
a database whose views can run for ever; a columnar file of a kilobyte can declare billions of rows.
So the driver is named, and what a file declares is looked at before it is read.

Opening a database can change it, and what another program wrote last may still stand beside it. So
both are copied, the copy is put in order and looked at, and nothing else is read.
"""

from __future__ import annotations

import shutil
import sqlite3
import warnings
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from spreadplan.errors import Problem
from spreadplan.workspace.csvfile import LONGEST_CELL
from spreadplan.workspace.vector_cells import as_they_stand, quoted
from spreadplan.workspace.whole_files import most_rows, no_plain_file

#: A county of a million segments has some 400 MB as GeoJSON.
MOST_BYTES = 500_000_000
MOST_FEATURES = 2_000_000
SHAPEFILE_START = b"\x00\x00\x27\x0a"
DATABASE_START = b"SQLite format 3\x00"
#: Begins what takes back a change that another program has not finished.
ROLLBACK_START = bytes.fromhex("d9d505f920a163d7")
TRIES = 3
MIGHT_NOT_BE_WHOLE = "parsed incompletely"
#: Said of columns whose cells are not all of one kind: each is judged when the column is parsed.
MIXED = "as JSON; leaving as string"

#: what is wrong with a file, and what would be right
Fault = tuple[str, str]
AGAIN = "export it again as GeoJSON or GeoPackage"
SAVE = "open it in the program that wrote it, save it and close it there"
MAKE_ROOM = "allow reading it, or make room for temporary files"


@contextmanager
def undisturbed(path: Path) -> Iterator[tuple[Path, Fault | None]]:
    """What is opened in a file's place, and why it is not opened at all."""
    fault = no_plain_file(path, MOST_BYTES)
    if fault or path.suffix != ".gpkg":
        check = _CHECKS.get(path.suffix)
        yield path, fault or (check(path) if check else None)
        return
    try:
        folder = TemporaryDirectory(prefix="spreadplan-")
    except OSError as error:
        yield path, (f"cannot be copied to be read ({error.strerror})", MAKE_ROOM)
        return
    with folder as name:
        copy = Path(name) / path.name
        yield copy, _copied(path.resolve(), copy) or _database_fault(copy)


def _copied(path: Path, copy: Path) -> Fault | None:
    """Copy a database with what other programs have not merged into it yet."""
    unmerged, rollback = path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-journal")
    copy_of_unmerged = copy.with_name(f"{copy.name}-wal")
    for _ in range(TRIES):
        before = [_state(one) for one in (path, unmerged, rollback)]
        try:
            if rollback.is_file() and _begins_with(rollback, ROLLBACK_START):
                return f"stands half-way through a change, which {rollback.name} takes back", SAVE
            if unmerged.exists() and (fault := no_plain_file(unmerged, MOST_BYTES)):
                return f"has {unmerged.name} beside it, which {fault[0]}", SAVE
            shutil.copyfile(path, copy)
            copy_of_unmerged.unlink(missing_ok=True)
            if unmerged.exists():
                shutil.copyfile(unmerged, copy_of_unmerged)
        except OSError as error:
            return f"cannot be copied to be read ({error.strerror})", MAKE_ROOM
        if [_state(one) for one in (path, unmerged, rollback)] == before:
            return None
    return "is being written by another program", SAVE


def _begins_with(path: Path, start: bytes) -> bool:
    with path.open("rb") as file:
        return file.read(len(start)) == start


def _state(path: Path) -> tuple[int, int, int] | None:
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_ino, found.st_size, found.st_mtime_ns


def _json_fault(path: Path) -> Fault | None:
    with path.open("rb") as file:
        start = file.read(4096).removeprefix(b"\xef\xbb\xbf").lstrip()
    if not start:
        return "is empty", AGAIN
    return None if start.startswith(b"{") else ("is not GeoJSON", AGAIN)


def _shape_fault(path: Path) -> Fault | None:
    return None if _begins_with(path, SHAPEFILE_START) else ("is not a shapefile", AGAIN)


def _database_fault(copy: Path) -> Fault | None:
    """Layers must be plain tables: a view, or a computed column, is a program.

    The copy is changed: what stood beside it is merged, and no view is left for anyone to run.
    """
    if not _begins_with(copy, DATABASE_START):
        return "is not a GeoPackage", AGAIN
    try:
        with closing(sqlite3.connect(copy, isolation_level=None)) as base:
            base.execute("PRAGMA synchronous = OFF")
            views = _without_views(base)
            fault = _layer_fault(base, views)
            base.execute("PRAGMA journal_mode = DELETE")
    except (sqlite3.Error, OverflowError, UnicodeDecodeError) as error:
        return f"is a damaged GeoPackage ({error})", AGAIN
    return fault


def _without_views(base: sqlite3.Connection) -> set[str]:
    """Take every view out of a database; gives their names in small letters."""
    views = [name for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'view'")]
    for name in views:
        base.execute(f"DROP VIEW {quoted(name)}")
    return {name.lower() for name in views}


def _layer_fault(base: sqlite3.Connection, views: set[str]) -> Fault | None:
    programs, tables = set(views), []
    found = base.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table'").fetchall()
    for name, text in found:
        if str(text).upper().startswith("CREATE VIRTUAL"):
            programs.add(str(name).lower())
        else:
            tables.append(str(name))
    # what a GeoPackage says about itself must not be worked out either
    for name in sorted(programs):
        if name.startswith("gpkg"):
            return f'its table "{name}" is computed by a query', AGAIN
    listed = base.execute("SELECT table_name FROM gpkg_contents WHERE data_type = 'features'")
    for (name,) in listed.fetchall():
        if str(name).lower() in programs:
            return f'layer "{name}" is computed by a query', "export it as a plain layer"
    for name in tables:
        if any(row[-1] > 1 for row in base.execute(f"PRAGMA table_xinfo({quoted(name)})")):
            return f'layer "{name}" has computed columns', "export it as a plain layer"
    with_geometry = base.execute(
        "SELECT count(*) FROM gpkg_contents AS c, gpkg_geometry_columns AS g, sqlite_master AS m "
        "WHERE c.data_type = 'features' AND lower(g.table_name) = lower(c.table_name) "
        "AND lower(m.name) = lower(c.table_name) AND m.type = 'table'"
    ).fetchone()
    return None if with_geometry[0] else ("holds no layer with geometry", AGAIN)


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
            file=file,
            row=0,
            column="*",
            what=f"was read with a doubt ({text.replace(str(path), path.name)})",
            remedy="look at it, or export it again",
            fatal=MIGHT_NOT_BE_WHOLE in text,
        )
        for text in said
        if not any(words in text for words in ignored)
    ]
