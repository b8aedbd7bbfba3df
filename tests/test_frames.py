"""Rows of tables, as pandas gives them, in less time."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import Point

from spreadplan.frames import lines

FRAME = pd.DataFrame(
    {
        "truck_id": ["T1", "T2"],
        "mass_lb": [0.1, np.nan],
        "rounds": [1, 2],
        "whole": pd.array([1, None], dtype="Int64"),
        "over": [True, False],
        "start": pd.to_datetime(["2026-12-01T10:00Z", None]),
        "a name of two words": ["x", "y"],
    },
    index=[7, 3],
)


@pytest.mark.parametrize(
    "frame",
    [FRAME, FRAME.iloc[:0], gpd.GeoDataFrame({"n": [1]}, geometry=[Point(1.0, 2.0)], crs=4326)],
)
def test_lines_are_the_rows_of_pandas_cell_by_cell(frame):
    ours, theirs = list(lines(frame)), list(frame.itertuples(index=False))
    assert len(ours) == len(theirs) == len(frame)
    for our, their in zip(ours, theirs, strict=True):
        assert our._fields == their._fields
        assert [type(cell) for cell in our] == [type(cell) for cell in their]
        assert repr(tuple(our)) == repr(tuple(their))
