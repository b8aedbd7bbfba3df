"""Layers of a GeoPackage (OGC 12-128) that open in any GIS."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd


def write_geopackage(layers: Mapping[str, gpd.GeoDataFrame], path: Path) -> None:
    """Write each layer that has features; field names are the column names.

    Lists become text, times keep their zone, and a layer's geometry is in WGS 84.
    """
    for name, frame in layers.items():
        if frame.empty:
            continue
        plain = frame.reset_index(drop=True)
        for column in plain.columns:
            if plain[column].dtype == object and column != plain.geometry.name:
                plain[column] = plain[column].map(_plain)
        plain.to_file(path, layer=name, driver="GPKG", engine="pyogrio")


def _plain(value: Any) -> object:
    if isinstance(value, (tuple, list)):
        return ";".join(str(item) for item in value)
    return None if value is None or pd.isna(value) else value
