"""`use_points.parquet`, written some trucks at a time: a large storm never is in memory whole."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import Any, Final

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from spreadplan.matching.network import Network
from spreadplan.reconcile.applied import OFF_ROUTE
from spreadplan.reconcile.attribution import STATUSES
from spreadplan.reconcile.use import TruckUse
from spreadplan.schema.telemetry import ONLY_IF_GIVEN, TruckRecords

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
        ("set_rate_lb_per_lane_mile", pa.float32()),
        ("set_rate_g_per_m2", pa.float32()),
        ("set_rate_gal_per_lane_mile", pa.float32()),
        ("liquid_rate_gal_per_lane_mile", pa.float32()),
        ("plow", pa.bool_()),
        ("air_temp_f", pa.float32()),
        ("pavement_temp_f", pa.float32()),
    ]
)
FEW_VALUES: Final = [field.name for field in SCHEMA if field.type == NAME]
ROWS_AT_ONCE: Final = 500_000
"""Points that are written together: few, and the file is slow to write and to read."""


class PointsFile:
    """The file while it is written, by a thread of its own; use it in a ``with`` statement."""

    def __init__(self, path: Path, rows_at_once: int = ROWS_AT_ONCE) -> None:
        self._rows_at_once = rows_at_once
        self._held: list[TruckUse] = []
        self._surroundings: tuple[Network, Sequence[str]] | None = None
        self._writing: Future[None] | None = None
        self._thread = ThreadPoolExecutor(1, "points")
        self._writer = parquet.ParquetWriter(
            # no delta encoding: it leaves stray bytes in its padding, and files would differ
            path,
            SCHEMA,
            compression="zstd",
            use_dictionary=FEW_VALUES,
        )

    def __enter__(self) -> PointsFile:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if error is None:
                self._write_held()
                self._wait()
        finally:
            self._thread.shutdown()
            self._writer.close()

    def add(self, use: TruckUse, network: Network, records: TruckRecords) -> None:
        """Take the points of one truck; all trucks have one network and the same files."""
        self._surroundings = network, [source.name for source in records.sources]
        self._held.append(use)
        if sum(len(one.points["row"]) for one in self._held) >= self._rows_at_once:
            self._write_held()

    def _write_held(self) -> None:
        """Have the points at hand written while the next are being found."""
        self._wait()
        if self._held and self._surroundings:
            self._writing = self._thread.submit(self._write, self._held, *self._surroundings)
        self._held = []

    def _write(self, uses: list[TruckUse], network: Network, sources: Sequence[str]) -> None:
        self._writer.write_table(points_table(uses, network, sources))

    def _wait(self) -> None:
        if self._writing is not None:
            self._writing.result()
        self._writing = None


def points_table(uses: Sequence[TruckUse], network: Network, sources: Sequence[str]) -> pa.Table:
    """Points of some trucks as the contract names their columns; off the routes the ids say so.

    ``pass_id`` numbers a truck's stretches on one segment in one direction, 0 off the routes.
    """
    sizes = [len(use.points["row"]) for use in uses]
    points = {
        name: np.concatenate([use.points[name] for use in uses])
        for name in uses[0].points
        if name not in ONLY_IF_GIVEN
    }
    row = points["row"]
    truck = np.repeat(np.arange(len(uses)), sizes)
    columns = {
        "source_file": _named(points["source_file"], sources),
        "source_row": pa.array(points["source_row"]),
        "truck_id": _named(truck, [use.truck_id for use in uses]),
        "time": pa.array(np.round(points["time_s"] * 1e6).astype(np.int64)).cast(
            SCHEMA.field("time").type
        ),
        **_of_rows(row, {"segment_id": network.segment_id, "route_id": network.route_id}),
        "along": pa.array(points["along"], mask=row < 0),
        "offset_m": pa.array(points["offset_m"].astype(np.float32), from_pandas=True),
        "mass_lb": pa.array(points["mass_lb"]),
        "pass_id": pa.array(points["pass_id"]),
        "status": _named(points["status"], STATUSES),
        **{
            name: _if_given([use.points[name] for use in uses], sizes, name)
            for name in ONLY_IF_GIVEN
        },
    }
    return pa.table({name: columns[name] for name in SCHEMA.names}, schema=SCHEMA)


def _if_given(parts: Sequence[Any], sizes: Sequence[int], name: str) -> Any:
    """A column that some trucks' files have; empty where it is not known."""
    kind = SCHEMA.field(name).type
    if all(part is None for part in parts):
        return pa.nulls(sum(sizes), kind)
    values = np.concatenate(
        [np.full(n, np.nan) if part is None else part for part, n in zip(parts, sizes, strict=True)]
    )
    if kind == pa.bool_():
        return pa.array(values == 1.0, mask=np.isnan(values))
    return pa.array(values.astype(np.float32), from_pandas=True)


def _of_rows(row: Any, names: dict[str, Any]) -> dict[str, Any]:
    """Ids of rows of the routes table; only those that occur are in the file."""
    seen = np.zeros(len(next(iter(names.values()))) + 1, dtype=bool)
    seen[row] = True  # the last is -1, off the routes
    place = np.cumsum(seen) - 1
    codes = place[row]
    occurs = np.flatnonzero(seen[:-1])
    off = [OFF_ROUTE] if seen[-1] else []
    named = {}
    for name, ids in names.items():
        # a name that stood twice in a dictionary would be written in an order of chance
        texts, first = np.unique([*map(str, ids[occurs]), *off], return_inverse=True)
        named[name] = _named(first[codes], texts.tolist())
    return named


def _named(codes: Any, names: Sequence[str]) -> Any:
    return pa.DictionaryArray.from_arrays(
        pa.array(np.asarray(codes, dtype=np.int32)), pa.array(names, pa.string())
    )
