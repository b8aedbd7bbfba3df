"""Cells of a vector file that the library below would turn into other values without a word.

It reads the text "2,5" in a column of numbers as 2, "two" as 0, 2.7 in a column of whole numbers as
2, and "yes" in a flag as false. Such cells are given back as they stand in the file: whoever parses
the column then judges them as it does the cells of a text file.
"""

from __future__ import annotations

import json
import re
import sqlite3
import warnings
from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
from numpy.typing import NDArray

from spreadplan.workspace.csvfile import LONGEST_CELL

#: column -> position of the feature -> the cell as it stands in the file
Cells = dict[str, dict[int, Any]]

#: Smallest and largest number of the declared types of whole numbers: OGC 12-128r18 (GeoPackage
#: 1.3.1), table 1; from memory.
WHOLE: Final = {
    "TINYINT": (-(2**7), 2**7 - 1),
    "SMALLINT": (-(2**15), 2**15 - 1),
    "MEDIUMINT": (-(2**31), 2**31 - 1),
    "INT": (-(2**63), 2**63 - 1),
    "INTEGER": (-(2**63), 2**63 - 1),
}
REAL: Final = ("FLOAT", "DOUBLE", "REAL")
#: Bytes that a number, a whole one and a flag are written with in the table of a shapefile.
FRACTION, SIGNED, FLAGS = (
    np.isin(np.arange(256), list(letters))
    for letters in (b" 0123456789+-.eE\x00", b" 0123456789+-\x00", b" TtFfYyNn?\x00")
)


def as_they_stand(path: Path, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The features with the cells that the library changed put back.

    Raises ValueError where the file does not hold the cells of as many features.
    """
    find = _FINDERS.get(path.suffix.lower())
    for name, cells in (find(path, frame) if find else {}).items():
        column = frame[name].astype(object).to_numpy(copy=True)
        for position, value in cells.items():
            column[position] = value
        frame = frame.assign(**{name: pd.Series(column, index=frame.index, dtype=object)})
    return frame


# --- GeoPackage --------------------------------------------------------------------------------


def _of_database(path: Path, frame: gpd.GeoDataFrame) -> Cells:
    address = f"{path.resolve().as_uri()}?mode=ro&immutable=1"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what the library doubts was said when it read the file
        layer = str(pyogrio.list_layers(f"GPKG:{path}")[0][0])  # the one that was read
    table, found = quoted(layer), {}
    with closing(sqlite3.connect(address, uri=True)) as base:
        columns = base.execute(f"PRAGMA table_info({table})").fetchall()
        key = next((quoted(row[1]) for row in columns if row[5]), "rowid")
        for _, name, kind, *_ in columns:
            column, rule = quoted(name), _other_than(kind, quoted(name))
            if name not in frame.columns or not rule:
                continue
            cells = base.execute(
                f"SELECT {key}, CASE typeof({column}) WHEN 'text' THEN "
                f"substr({column}, 1, {LONGEST_CELL}) WHEN 'blob' THEN 'binary data' "
                f"ELSE {column} END FROM {table} WHERE {column} IS NOT NULL AND {rule}"
            ).fetchall()
            if cells:
                found[name] = dict(cells)
        if not found:
            return {}
        # the library gives the features in this order
        rows = [row for (row,) in base.execute(f"SELECT {key} FROM {table} ORDER BY {key}")]
    if len(rows) != len(frame):
        raise ValueError(f'layer "{layer}" has {len(rows)} rows but {len(frame)} features')
    place = {row: position for position, row in enumerate(rows)}
    return {
        name: {place[row]: value for row, value in cells.items()} for name, cells in found.items()
    }


def quoted(name: str) -> str:
    """A name as SQL takes it, whatever is in it."""
    return '"{}"'.format(name.replace('"', '""'))


def _other_than(kind: str, column: str) -> str:
    """Which cells are not what their column is declared to hold; "" where none can be wrong."""
    kind = kind.upper()
    if kind in WHOLE:
        low, high = WHOLE[kind]
        return f"(typeof({column}) <> 'integer' OR {column} < {low} OR {column} > {high})"
    if kind in REAL:
        return f"typeof({column}) NOT IN ('integer', 'real')"
    if kind == "BOOLEAN":
        return f"(typeof({column}) <> 'integer' OR {column} NOT IN (0, 1))"
    return ""


# --- shapefile ---------------------------------------------------------------------------------


def _of_shapefile(path: Path, frame: gpd.GeoDataFrame) -> Cells:
    table = next(
        (one for one in (path.with_suffix(".dbf"), path.with_suffix(".DBF")) if one.is_file()), None
    )
    if table is None:
        return {}
    fields, records = _table_of_shapefile(table.read_bytes())
    records = records[records[:, 0] != ord("*")]  # a deleted record has no feature
    if len(records) != len(frame):
        raise ValueError(f"its table has {len(records)} records for {len(frame)} features")
    names = [name for name in frame.columns if name != "geometry"]
    if len(fields) != len(names):
        raise ValueError(f"its table has {len(fields)} columns, but {len(names)} could be read")
    found: Cells = {}
    for name, field in zip(names, fields, strict=True):
        if field.kind in "NFL" and field.width:
            raw = np.ascontiguousarray(records[:, field.first : field.first + field.width])
            cells = {
                position: raw[position].tobytes().decode("latin-1").strip(" \x00")
                for position in _odd_cells(raw, field)
            }
            if cells:
                found[str(name)] = cells
    return found


class _Field(NamedTuple):
    kind: str
    first: int
    width: int
    decimals: int


def _table_of_shapefile(data: bytes) -> tuple[list[_Field], NDArray[np.uint8]]:
    """The fields of a record, and the records as bytes; shape (records, width).

    Source of the layout: dBase III, as the ESRI Shapefile Technical Description (1998) refers to
    it; from memory. A header of 32 bytes, a descriptor of 32 for each field, then records whose
    first byte is an asterisk where they are deleted.
    """
    count, start, width = (
        int.from_bytes(data[first:last], "little") for first, last in ((4, 8), (8, 10), (10, 12))
    )
    fields: list[_Field] = []
    at, place = 32, 1
    while at + 32 <= start and data[at : at + 1] != b"\r":
        kind, length, decimals = chr(data[at + 11]), data[at + 16], data[at + 17]
        fields.append(_Field(kind, place, length, decimals))
        at, place = at + 32, place + length
    if not width or place > width or len(data) < start + count * width:
        raise ValueError("its table is not whole")
    records = np.frombuffer(data, dtype=np.uint8, count=count * width, offset=start)
    return fields, records.reshape(count, width)


def _odd_cells(raw: NDArray[np.uint8], field: _Field) -> list[int]:
    """Positions of the cells that are neither what their field is for nor blank."""
    letters = FLAGS if field.kind == "L" else FRACTION if field.decimals else SIGNED
    # GDAL fills a cell without a value with asterisks, as others do one that is too narrow
    odd = ~letters[raw].all(axis=1) & ~np.isin(raw, list(b" *")).all(axis=1)
    if field.kind != "L":
        texts = np.char.strip(raw.view(f"S{field.width}").ravel(), b" \x00")
        texts = np.where(odd | (texts == b"") | (np.char.find(texts, b"*") >= 0), b"0", texts)
        try:
            texts.astype(float)
        except ValueError:  # digits and signs in an order that is no number: look one by one
            odd |= np.array([not _is_number(cell) for cell in texts.tolist()])
    return [int(position) for position in np.flatnonzero(odd)]


def _is_number(cell: bytes) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


# --- GeoJSON -----------------------------------------------------------------------------------


def _of_json(path: Path, frame: gpd.GeoDataFrame) -> Cells:
    """True and false in a column of numbers, read as 1 and 0; what stands beside a list, as one."""
    data = path.read_bytes()
    numbers = [name for name in frame.columns if frame[name].dtype.kind in "iuf"]
    lists = [
        name
        for name in frame.columns
        if frame[name].dtype == object and any(isinstance(c, np.ndarray) for c in frame[name])
    ]
    names = b"|".join(re.escape(json.dumps(name).encode()) for name in numbers)
    flags = (
        names
        and (b"true" in data or b"false" in data)
        and re.search(rb"(?:" + names + rb")\s*:\s*(?:true|false)\b", data)
    )
    if not flags and not lists:
        return {}
    content = json.loads(data)
    features = content.get("features", [content])
    if len(features) != len(frame):
        raise ValueError(f"it has {len(features)} features, of which {len(frame)} could be read")
    rows: list[Mapping[str, Any]] = [feature.get("properties") or {} for feature in features]
    found: Cells = {name: dict(enumerate(row.get(name) for row in rows)) for name in lists}
    for name in numbers:
        found[name] = {
            at: row[name] for at, row in enumerate(rows) if isinstance(row.get(name), bool)
        }
    return {name: cells for name, cells in found.items() if cells}


_FINDERS: Final[Mapping[str, Callable[[Path, gpd.GeoDataFrame], Cells]]] = {
    ".gpkg": _of_database,
    ".shp": _of_shapefile,
    ".geojson": _of_json,
}
