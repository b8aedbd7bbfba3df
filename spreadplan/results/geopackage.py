"""Layers of a GeoPackage (OGC 12-128) that open in any GIS."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import geopandas as gpd

from spreadplan.results.tables import safe_text


def write_geopackage(layers: Mapping[str, gpd.GeoDataFrame], path: Path) -> None:
    """Write each layer that has features; field names are the column names.

    Lists become text, times keep their zone, and a layer's geometry is in WGS 84.
    """
    for name, frame in layers.items():
        if frame.empty:
            continue
        plain = frame.reset_index(drop=True)
        for column in plain.columns:
            if plain[column].dtype == object:
                plain[column] = plain[column].map(safe_text).astype("str")
        plain.to_file(path, layer=name, driver="GPKG", engine="pyogrio", use_arrow=True)
