"""`use_points.parquet`, written truck by truck so that a large storm never is in memory whole."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from spreadplan.reconcile.applied import OFF_ROUTE
from spreadplan.reconcile.attribution import STATUSES
from spreadplan.reconcile.network import Network
from spreadplan.reconcile.use import TruckUse
from spreadplan.schema.telemetry import TruckRecords

NAME = pa.dictionary(pa.int32(), pa.string())
SCHEMA = pa.schema(
    [
        ("source_file", NAME),
        ("source_row", pa.int64()),
        ("truck_id", NAME),
        ("time", pa.timestamp("us", tz="UTC")),
        ("segment_id", NAME),
        ("route_id", NAME),
        ("along", pa.bool_()),
        ("offset_m", pa.float32()),
        ("mass_lb", pa.float64()),
        ("pass_id", pa.int64()),
        ("status", NAME),
    ]
)


class PointsFile:
    """The file while it is written; use it in a ``with`` statement."""

    def __init__(self, path: Path) -> None:
        self._writer = parquet.ParquetWriter(path, SCHEMA, compression="zstd")

    def __enter__(self) -> PointsFile:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._writer.close()

    def add(self, use: TruckUse, network: Network, records: TruckRecords) -> None:
        """Write the points of one truck."""
        self._writer.write_table(points_table(use, network, records))


def points_table(use: TruckUse, network: Network, records: TruckRecords) -> pa.Table:
    """The points of one truck as the contract names their columns; off the routes the ids say so.

    ``pass_id`` numbers the truck's stretches on one segment in one direction, 0 off the routes.
    """
    points = use.points
    row, size = points["row"], len(points["row"])
    sources = [source.name for source in records.sources]
    columns = {
        "source_file": _named(points["source_file"], sources),
        "source_row": pa.array(points["source_row"]),
        "truck_id": _named(np.zeros(size, dtype=np.int64), [use.truck_id]),
        "time": pa.array(np.round(points["time_s"] * 1e6).astype(np.int64)).cast(
            SCHEMA.field("time").type
        ),
        "segment_id": _of_row(row, network.segment_id),
        "route_id": _of_row(row, network.route_id),
        "along": pa.array(points["along"], mask=row < 0),
        "offset_m": pa.array(points["offset_m"].astype(np.float32), from_pandas=True),
        "mass_lb": pa.array(points["mass_lb"]),
        "pass_id": pa.array(points["pass_id"]),
        "status": _named(points["status"].astype(np.int64), list(STATUSES)),
    }
    return pa.table(columns, schema=SCHEMA)


def _of_row(row: Any, names: Any) -> Any:
    """Ids of rows of the routes table, as far as they occur."""
    rows, codes = np.unique(row, return_inverse=True)
    found = [OFF_ROUTE if one < 0 else str(names[one]) for one in rows]
    return _named(codes, found)


def _named(codes: Any, names: list[str]) -> Any:
    return pa.DictionaryArray.from_arrays(
        pa.array(np.asarray(codes, dtype=np.int32)), pa.array(names, pa.string())
    )
