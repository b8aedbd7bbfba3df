"""What the trucks' records tell up to a moment of a storm."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.reconcile.use import TruckUse
from spreadplan.runs.crews import threads
from spreadplan.runs.options import Options
from spreadplan.runs.reported import tasks_of
from spreadplan.runs.scanning import scan
from spreadplan.schema.telemetry import TruckRecords
from spreadplan.workspace import Workspace

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class Trace:
    """The records of one truck up to a moment.

    Attributes
    ----------
    treatments : route_id, segment_id, time_s, passes, as `TruckUse.treatments` has them.
    time_s, mass_lb, spreading : of each record, shape (n,): seconds since 1970 UTC, mass released
        since the one before, whether it spreads.
    lon, lat : of the last record that has a position, WGS 84 degrees; NaN without one.
    speed_mph : of the last record.
    """

    truck_id: str
    treatments: pd.DataFrame
    time_s: Floats
    mass_lb: Floats
    spreading: NDArray[np.bool_]
    lon: float
    lat: float
    speed_mph: float

    @property
    def last_s(self) -> float:
        """Time of the last record."""
        return float(self.time_s[-1])

    def released_lb(self, since_s: float) -> float:
        """Mass released after a time."""
        return float(self.mass_lb[self.time_s > since_s].sum())


def followed_until(
    workspace: Workspace, storm: str, at: pd.Timestamp, options: Options
) -> dict[str, Trace]:
    """Read and match the records of a storm up to a moment; by truck, empty without telemetry."""
    from spreadplan.runs.reconciling import network_of  # late: it imports reports

    folder = workspace.folder / f"storms/{storm}/telemetry"
    if not folder.is_dir() or not any(folder.iterdir()):
        return {}
    task = tasks_of(workspace, storm)
    network = network_of(workspace)
    found = {}
    with scan(workspace, storm, options) as files, threads(network) as crew:
        known = (_until(records, at.timestamp()) for records in files.by_truck())
        for use, records in crew.in_order(task(one) for one in known if len(one)):
            found[use.truck_id] = _trace(records, use)
    return found


def _until(records: TruckRecords, until_s: float) -> TruckRecords:
    """The records not later than a time."""
    count = int(np.searchsorted(records.time_s, until_s, side="right"))
    if count == len(records):
        return records
    whole = len(records)
    cut: dict[str, Any] = {
        one.name: values[:count]
        for one in fields(records)
        if isinstance(values := getattr(records, one.name), np.ndarray) and len(values) == whole
    }
    return replace(records, **cut)


def _trace(records: TruckRecords, use: TruckUse) -> Trace:
    placed = np.flatnonzero(np.isfinite(records.lon) & np.isfinite(records.lat))
    last = placed[-1] if len(placed) else -1
    names = ["route_id", "segment_id", "time_s", "passes"]
    table = pd.DataFrame({name: use.treatments.get(name, []) for name in names})
    return Trace(
        truck_id=records.truck_id,
        treatments=table,
        time_s=records.time_s,
        mass_lb=use.points["mass_lb"],
        spreading=records.spreading,
        lon=float(records.lon[last]) if last >= 0 else float("nan"),
        lat=float(records.lat[last]) if last >= 0 else float("nan"),
        speed_mph=float(records.speed_mph[-1]),
    )
