"""Layers of a GeoPackage (OGC 12-128) that open in any GIS."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import geopandas as gpd
import pandas as pd

from spreadplan.results.tables import each_once, safe_text


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
                plain[column] = pd.array(each_once(plain[column], safe_text), dtype="str")
        plain.to_file(path, layer=name, driver="GPKG", engine="pyogrio", use_arrow=True)
