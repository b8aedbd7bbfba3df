"""Layers of a GeoPackage (OGC 12-128) that open in any GIS."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pandas as pd
from pyogrio.errors import DataLayerError, DataSourceError

from spreadplan.results.tables import each_once, plain_text


def write_geopackage(layers: Mapping[str, gpd.GeoDataFrame], path: Path) -> None:
    """Write each layer that has features; field names are the column names.

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
