"""Layers of a GeoPackage (OGC 12-128) that open in any GIS."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from pathlib import Path
from typing import Final

import geopandas as gpd
import pandas as pd
from pyogrio.errors import DataLayerError, DataSourceError

from spreadplan.results.tables import each_once, plain_text
from spreadplan.schema.results import RESULTS

#: OGC 12-128r18 (GeoPackage 1.3), annex F.9: what the columns of a layer are, in words
_DESCRIPTIONS: Final = """
CREATE TABLE gpkg_data_columns (
    table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT,
    mime_type TEXT, constraint_name TEXT,
    CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
    CONSTRAINT gdc_tn UNIQUE (table_name, name)
);
"""
_EXTENSION: Final = "http://www.geopackage.org/spec121/#extension_schema"


def write_geopackage(
    layers: Mapping[str, gpd.GeoDataFrame], path: Path, described: Mapping[str, str] | None = None
) -> None:
    """Write each layer that has features; field names are the column names.

    ``described`` : the result table, by its name in `RESULTS`, whose columns a layer has; their
    meanings go into the file.

    Lists become text, identifiers stay as they are, since a map runs no formulas; times keep their
    zone, and a layer's geometry is in WGS 84. Raises OSError
    where the file could not be written whole.
    """
    for name, frame in layers.items():
        if frame.empty:
            continue
        plain = frame.reset_index(drop=True)
        for column in plain.columns:
            if plain[column].dtype == object:
                plain[column] = pd.array(each_once(plain[column], plain_text), dtype="str")
        try:
            plain.to_file(path, layer=name, driver="GPKG", engine="pyogrio", use_arrow=True)
        except (DataLayerError, DataSourceError) as error:
            raise OSError(f"{path.name}: {error}") from error
        # the library says nothing when the disk is full by the time it closes the file
        if not _is_whole(path, name, plain):
            raise OSError(f"{path.name} could not be written whole: is the disk full?")
    written = {name: table for name, table in (described or {}).items() if len(layers[name])}
    if written:
        _describe(path, {name: (layers[name].columns, table) for name, table in written.items()})


def _describe(path: Path, layers: Mapping[str, tuple[Iterable[str], str]]) -> None:
    """Put the meanings of the columns into the file."""
    rows = [
        (layer, column.name, column.name, column.meaning)
        for layer, (names, table) in layers.items()
        for column in RESULTS[table].columns
        if column.name in set(names)
    ]
    try:
        with closing(sqlite3.connect(path)) as file, file:
            file.executescript(_DESCRIPTIONS)
            file.executemany(
                "INSERT INTO gpkg_data_columns (table_name, column_name, name, description) "
                "VALUES (?, ?, ?, ?)",
                rows,
            )
            file.execute(
                "INSERT INTO gpkg_extensions VALUES (?, NULL, ?, ?, ?)",
                ["gpkg_data_columns", "gpkg_schema", _EXTENSION, "read-write"],
            )
    except sqlite3.Error as error:
        raise OSError(f"{path.name}: {error}") from error


def _is_whole(path: Path, layer: str, frame: gpd.GeoDataFrame) -> bool:
    """Whether a layer has all its features, and all of them in its spatial index."""
    shapes = int((~(frame.geometry.isna() | frame.geometry.is_empty)).sum())
    try:
        with closing(sqlite3.connect(path)) as file:
            (column,) = file.execute(
                "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?", [layer]
            ).fetchone()
            counts = [
                file.execute(f'SELECT count(*) FROM "{table}"').fetchone()[0]
                for table in (layer, f"rtree_{layer}_{column}")
            ]
    except (sqlite3.Error, TypeError):  # no such table, or no such row
        return False
    return counts == [len(frame), shapes]
