"""Compile what `reconcile` needs while other work is done.

The kernels are compiled on first use and kept on disk. That takes tens of seconds, once for each
installation, and nobody should wait for it who has other things to do first.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import geopandas as gpd
import numpy as np
import shapely

from spreadplan.matching.network import build_network
from spreadplan.reconcile.use import truck_use
from spreadplan.schema.telemetry import TruckRecords


@contextmanager
def compiling() -> Iterator[None]:
    """Compile in a process beside this one; at the end wait until it is done."""
    program = "from spreadplan.runs.warming import compile_kernels; compile_kernels()"
    beside = subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        yield
    except BaseException:
        beside.terminate()
        raise
    finally:
        beside.wait()


def compile_kernels() -> None:
    """Follow a truck along a road and back, so that every kernel runs once."""
    lon = np.array([-94.0, -93.99, -93.98])
    lines = shapely.linestrings([[(lon[i], 46.0), (lon[i + 1], 46.0)] for i in range(2)])
    routes = gpd.GeoDataFrame(
        {"route_id": "R", "segment_id": ["A", "B"], "two_way": True, "speed_mph": 30.0},
        geometry=lines,
        crs=4326,
    )
    size = 40
    there = np.concatenate([np.linspace(0.0, 1.0, size // 2), np.linspace(1.0, 0.0, size // 2)])
    nothing, none = np.full(size, np.nan), np.zeros(size, dtype=np.int64)
    count = np.arange(size, dtype=np.float64)
    records = TruckRecords(
        truck_id="T",
        time_s=count * 5.0,
        lon=lon[0] + there * (lon[2] - lon[0]),
        lat=np.full(size, 46.0),
        speed_mph=np.full(size, 30.0),
        heading_deg=np.where(count < size // 2, 90.0, 270.0),
        spreading=count >= 0.0,
        feed_total_lb=count * 10.0,
        feed_rate_lb_min=nothing,
        liquid_total_gal=nothing,
        material=none - 1,
        source_file=none,
        source_row=none,
    )
    truck_use(build_network(routes), records, frozenset({"R"}), "salt")
