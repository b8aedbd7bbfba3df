"""Seeded ways to spoil a file: by its bytes, and by what it means."""

from __future__ import annotations

import csv
import io
import json
import random
import re
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pyarrow as pa
from pyarrow import parquet

from tests.hostile.words import CELLS

Mutator = Callable[[bytes, random.Random], bytes]

# --- bytes -------------------------------------------------------------------------------------

ODD_BYTES = (
    b"\x00",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\xed\xa0\x80",
    b"\xc0\x80",
    b"\xff",
    b"\x80",
    b"\r",
    b"\n",
    b'"',
    b",",
    b";",
    b"\x1a",
    b"\x1b[2J",
    b"{",
    b"[",
    b"=",
    b"\xf4\x90\x80\x80",
    b"\xe9",
    b"'",
)


def _place(data: bytes, chance: random.Random) -> int:
    return chance.randint(0, len(data))


def truncated(data: bytes, chance: random.Random) -> bytes:
    """Cut off somewhere, often near an end."""
    if chance.random() < 0.3:
        return data[: chance.choice([0, 1, 2, 4, 8, 16, max(0, len(data) - 1)])]
    return data[: _place(data, chance)]


def flipped(data: bytes, chance: random.Random) -> bytes:
    """Some bits the other way."""
    spoilt = bytearray(data)
    for _ in range(chance.choice([1, 1, 2, 8, 64])):
        if spoilt:
            spoilt[chance.randrange(len(spoilt))] ^= 1 << chance.randrange(8)
    return bytes(spoilt)


def overwritten(data: bytes, chance: random.Random) -> bytes:
    """Bytes set to borders of small and large numbers."""
    spoilt = bytearray(data)
    size = chance.choice([1, 2, 4, 8])
    value = chance.choice([b"\x00", b"\xff", b"\x7f", b"\x80", b"\x01"]) * size
    at = _place(data, chance)
    spoilt[at : at + size] = value
    return bytes(spoilt)


def inserted(data: bytes, chance: random.Random) -> bytes:
    """Odd bytes in between."""
    at = _place(data, chance)
    return data[:at] + chance.choice(ODD_BYTES) * chance.choice([1, 1, 1, 2, 50]) + data[at:]


def deleted(data: bytes, chance: random.Random) -> bytes:
    """A piece missing."""
    at = _place(data, chance)
    return data[:at] + data[at + chance.choice([1, 1, 2, 5, 40, 400]) :]


def repeated(data: bytes, chance: random.Random) -> bytes:
    """A piece that comes again."""
    at = _place(data, chance)
    piece = data[at : at + chance.choice([1, 3, 30, 300])]
    return data[:at] + piece * chance.choice([1, 2, 40]) + data[at:]


def swapped(data: bytes, chance: random.Random) -> bytes:
    """Two halves in the other order."""
    at = _place(data, chance)
    return data[at:] + data[:at]


def recoded(data: bytes, chance: random.Random) -> bytes:
    """The text in another encoding, or with other line ends."""
    text = data.decode("utf-8", errors="replace")
    kind = chance.choice(
        ["utf-16", "utf-16-le", "utf-32", "utf-8-sig", "utf-7", "cr", "crlf", "latin"]
    )
    if kind == "cr":
        return text.replace("\n", "\r").encode()
    if kind == "crlf":
        return text.replace("\n", "\r\n").encode()
    if kind == "latin":
        return (text.replace("a", "ä", 3)).encode("latin-1", errors="replace")
    return text.encode(kind)


BYTE_MUTATORS: tuple[Mutator, ...] = (
    truncated,
    flipped,
    overwritten,
    inserted,
    deleted,
    repeated,
    swapped,
    recoded,
)

# --- tables of text ----------------------------------------------------------------------------


def _rows(data: bytes) -> list[list[str]]:
    return [
        row for row in csv.reader(io.StringIO(data.decode("utf-8", "replace"), newline="")) if row
    ]


def _table(rows: list[list[str]]) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue().encode("utf-8", "surrogatepass")


def csv_cell(data: bytes, chance: random.Random) -> bytes:
    """A hostile word in a cell; in the header now and then."""
    rows = _rows(data)
    row = rows[0 if chance.random() < 0.1 else chance.randrange(len(rows))]
    row[chance.randrange(len(row))] = chance.choice(CELLS)
    return _table(rows)


def csv_column(data: bytes, chance: random.Random) -> bytes:
    """A hostile word in a whole column."""
    rows = _rows(data)
    column, word = chance.randrange(len(rows[0])), chance.choice(CELLS)
    for row in rows[1:]:
        if column < len(row):
            row[column] = word
    return _table(rows)


def csv_shape(data: bytes, chance: random.Random) -> bytes:
    """Columns and rows lost, doubled, moved or cut short."""
    rows = _rows(data)
    kind = chance.randrange(7)
    column, row = chance.randrange(len(rows[0])), chance.randrange(len(rows))
    if kind == 0:
        rows = [cells[:column] + cells[column + 1 :] for cells in rows]
    elif kind == 1:
        rows = [[*cells, *cells[column : column + 1]] for cells in rows]
    elif kind == 2:
        rows = [cells[::-1] for cells in rows]
    elif kind == 3:
        rows.append(rows[row])
    elif kind == 4:
        rows[row] = rows[row][: chance.randint(0, len(rows[row]))]
    elif kind == 5:
        del rows[row]
    else:
        chance.shuffle(rows)
    return _table(rows)


def csv_unit(data: bytes, chance: random.Random) -> bytes:
    """Another unit in the header."""
    text = data.decode("utf-8", "replace")
    units = [
        "lb",
        "kg",
        "ton",
        "t",
        "in",
        "ft",
        "mm",
        "m",
        "mph",
        "km_h",
        "f",
        "c",
        "s",
        "min",
        "gal",
    ]
    old = chance.choice(["_lb", "_in", "_s,", "_pct", "_ton", "_f,", "_mph"])
    return text.replace(old, f"_{chance.choice(units)}{',' * old.endswith(',')}", 1).encode()


# --- settings ----------------------------------------------------------------------------------

TOML_VALUES = (
    "1e308",
    "-1",
    "nan",
    "inf",
    "9" * 5_000,
    "0x" + "f" * 6_000,
    "9" * 400,
    "true",
    '""',
    "[]",
    "{}",
    "[1]",
    "[1, 2]",
    "[2, 1]",
    "[[1, 2]]",
    "[nan, inf]",
    '"x"',
    "0000-01-01",
    "2026-12-01",
    "9999-12-31",
    "2026-12-01T00:00:00Z",
    "12:00:00",
    '"\\u0000"',
    '"\\u001b[31m"',
    '"a\\nb"',
    '"../../x"',
    '"<script>alert(1)</script>"',
    '"{{ 7*7 }}"',
    "'''\nx\n'''",
    '"Etc/../../etc/passwd"',
    '"America"',
    '"' + "x" * 20_000 + '"',
    "{ a = { b = { c = 1 } } }",
    "[" * 60 + "]" * 60,
    "0",
    "1e-320",
    "-0.0",
    "[" * 3_000 + "]" * 3_000,
    "{ column = 5 }",
    '{ column = "", unit = "stone" }',
    '"kg"',
)


def toml_value(data: bytes, chance: random.Random) -> bytes:
    """A value of another kind."""
    lines = data.decode("utf-8", "replace").split("\n")
    found = [n for n, line in enumerate(lines) if "=" in line]
    if found:
        at = chance.choice(found)
        lines[at] = f"{lines[at].partition('=')[0]}= {chance.choice(TOML_VALUES)}"
    return "\n".join(lines).encode()


def toml_line(data: bytes, chance: random.Random) -> bytes:
    """A line lost, doubled, or another heading."""
    lines = data.decode("utf-8", "replace").split("\n")
    at, kind = chance.randrange(len(lines)), chance.randrange(5)
    if kind == 0:
        del lines[at]
    elif kind == 1:
        lines.insert(at, lines[at])
    elif kind == 2:
        lines.insert(
            at, chance.choice(["[rate]", "[[rate]]", "[workspace]", "[[tolerance]]", "[a.b.c]"])
        )
    elif kind == 3:
        key = chance.choice(["x", '"a\\u0000b"', '"<b>"', "rate_lb", "a.b"])
        lines[at] = re.sub(r"^\w+", lambda _found: key, lines[at])
    else:
        chance.shuffle(lines)
    return "\n".join(lines).encode()


# --- GeoJSON -----------------------------------------------------------------------------------

NODES: tuple[Any, ...] = (
    None,
    True,
    0,
    -1,
    1e308,
    -1e308,
    1e-320,
    float("nan"),
    float("inf"),
    10**400,
    2**63,
    "",
    "x",
    [],
    {},
    [[]],
    [1],
    [1, 2, 3, 4],
    [None, None],
    [[1, 1], [1, 1]],
    [[181, 91], [0, 0]],
    {"a": {"b": []}},
    "Point",
    "GeometryCollection",
    "MultiLineString",
    "Feature",
    "Topology",
    "\ud800",
    [["a", "b"]],
    {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::3857"}},
    [1e400, 0],
    {"type": "Point", "coordinates": [0, 0]},
    {"type": "LineString", "coordinates": [[0, 0]]},
    {"type": "GeometryCollection", "geometries": []},
    {"type": "LineString", "coordinates": []},
)


def _spots(node: Any) -> list[tuple[Any, Any]]:
    """Every place in a JSON value: the thing that holds it, and its key there."""
    places = (
        enumerate(node)
        if isinstance(node, list)
        else node.items()
        if isinstance(node, dict)
        else ()
    )
    return [spot for key, inner in list(places) for spot in [(node, key), *_spots(inner)]]


def json_node(data: bytes, chance: random.Random) -> bytes:
    """Another value somewhere, a key lost, an element doubled."""
    with suppress(ValueError):
        whole = json.loads(data)
        holder, key = chance.choice(_spots(whole) or [({}, "a")])
        kind = chance.randrange(6)
        if kind <= 2:
            holder[key] = chance.choice(NODES)
        elif kind == 3:
            holder[key] = chance.choice(CELLS)
        elif kind == 4 and isinstance(holder, list):
            holder.insert(key, holder[key])
        elif key in holder or isinstance(holder, list):
            del holder[key]
        return json.dumps(whole).encode()
    return data


# --- GeoPackage and Parquet --------------------------------------------------------------------

SQL = (
    "CREATE TRIGGER t AFTER INSERT ON {t} BEGIN DELETE FROM {t}; END",
    "CREATE VIEW v AS SELECT * FROM {t}",
    "DELETE FROM gpkg_contents",
    "DELETE FROM gpkg_geometry_columns",
    "DELETE FROM {t}",
    "UPDATE gpkg_geometry_columns SET srs_id = 99",
    "UPDATE gpkg_geometry_columns SET geometry_type_name = 'POINT'",
    "UPDATE gpkg_contents SET data_type = 'attributes'",
    "UPDATE gpkg_contents SET srs_id = -1",
    "UPDATE gpkg_spatial_ref_sys SET definition = 'x'",
    "ALTER TABLE {t} ADD COLUMN extra BLOB DEFAULT x'00ff'",
    "INSERT INTO {t} SELECT fid + 1000, * FROM (SELECT * FROM {t})",
    "PRAGMA application_id = 0",
    "PRAGMA user_version = 99999",
    "UPDATE {t} SET geom = NULL",
    "UPDATE {t} SET geom = x'47500001e6100000'",
    "UPDATE {t} SET geom = zeroblob(40)",
    "DROP TABLE {t}",
)


def geopackage(data: bytes, chance: random.Random) -> bytes:
    """Cells, geometries and the schema changed through SQL."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "x.gpkg"
        path.write_bytes(data)
        with suppress(sqlite3.Error), closing(sqlite3.connect(path)) as base:
            tables = [name for (name,) in base.execute("SELECT table_name FROM gpkg_contents")]
            table = f'"{tables[0]}"'
            for trigger in [
                n for (n,) in base.execute("SELECT name FROM sqlite_master WHERE type='trigger'")
            ]:
                base.execute(f'DROP TRIGGER "{trigger}"')
            columns = [row[1] for row in base.execute(f"PRAGMA table_info({table})")]
            if chance.random() < 0.5:
                column = chance.choice(columns[1:])
                word: Any = chance.choice(CELLS)
                if column == "geom":
                    # a step before this one may have left a text, nothing, or no row
                    (blob,) = base.execute(f"SELECT geom FROM {table}").fetchone() or (b"",)
                    known = blob if isinstance(blob, bytes) else str(blob).encode()
                    word = chance.choice(BYTE_MUTATORS)(known, chance)
                base.execute(
                    f'UPDATE {table} SET "{column}" = ? WHERE fid = (SELECT min(fid) FROM {table})',
                    (word,),
                )
            else:
                base.execute(chance.choice(SQL).format(t=table))
            base.commit()
        return path.read_bytes()


def columnar(data: bytes, chance: random.Random) -> bytes:
    """A column of another type, with other values, lost or doubled."""
    with suppress(pa.ArrowException, OSError):
        table = parquet.read_table(io.BytesIO(data))
        at, rows = chance.randrange(table.num_columns), table.num_rows
        name, word = table.column_names[at], chance.choice(CELLS)
        made: list[Any] = [
            pa.nulls(rows),
            pa.array([word] * rows),
            pa.array([word.encode()] * rows),
            pa.array([[word]] * rows),
            pa.array([{"a": 1}] * rows),
            pa.array([1e308] * rows),
            pa.array([float("nan")] * rows),
            pa.array([2**63 - 1] * rows),
            pa.array([True] * rows),
            pa.array([-(2**62)] * rows, pa.timestamp("s")),
            pa.array([1] * rows, pa.duration("s")),
            pa.array([0] * rows, pa.date32()),
            pa.array([1] * rows, pa.time32("s")),
            pa.array([2**62] * rows, pa.timestamp("ns", tz="UTC")),
            pa.array([7] * rows, pa.decimal128(20, 2)),
            pa.array([word] * rows).dictionary_encode(),
            pa.array([1.5] * rows, pa.float16()),
        ]
        kind = chance.randrange(6)
        if kind <= 3:
            table = table.set_column(at, name, chance.choice(made))
        elif kind == 4:
            table = table.remove_column(at)
        else:
            table = table.append_column(name, table.column(at))
        out = io.BytesIO()
        parquet.write_table(table, out)
        return out.getvalue()
    return data


MEANT: dict[str, tuple[Mutator, ...]] = {
    ".csv": (csv_cell, csv_cell, csv_column, csv_shape, csv_unit),
    ".toml": (toml_value, toml_value, toml_line),
    ".geojson": (json_node, json_node),
    ".gpkg": (geopackage, geopackage),
    ".parquet": (columnar, columnar),
}


def mutate(name: str, data: bytes, chance: random.Random) -> tuple[bytes, str]:
    """A file spoilt once, or a few times over, and by what."""
    meant = MEANT.get(Path(name).suffix, ())
    steps = []
    for _ in range(chance.choice([1, 1, 1, 1, 2, 3])):
        pool = meant if meant and chance.random() < 0.6 else BYTE_MUTATORS
        step = chance.choice(pool)
        with suppress(IndexError, ValueError, csv.Error, sqlite3.Error):
            data = step(data, chance)
            steps.append(step.__name__)
    return data, "+".join(steps)
