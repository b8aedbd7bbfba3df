"""Tables below ``results/``, as the commands wrote them."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pandas as pd
from pyarrow import parquet

from spreadplan.results.tables import exact_text
from spreadplan.web.computed import input_files
from spreadplan.web.visits import Visit


def table(visit: Visit, name: str) -> pd.DataFrame | None:
    """A CSV file below ``results/``; None where it is not there. Identifiers stay text."""
    path = visit.site.folder / "results" / f"{name}.csv"
    try:
        state = path.stat()
    except FileNotFoundError:
        return None
    key = ("result", name, state.st_mtime_ns, state.st_size)
    return visit.site.computed.remember(key, lambda: _read(path))


def _read(path: Path) -> pd.DataFrame:
    heads = pd.read_csv(path, nrows=0).columns
    texts: dict[Any, type[str]] = {name: str for name in heads if name.endswith("_id")}
    texts |= {name: str for name in ("season", "storm", "application", "material") if name in heads}
    frame = pd.read_csv(path, dtype=texts, keep_default_na=False, na_values=[""])
    for name in frame.columns:
        if frame[name].dtype == object or pd.api.types.is_string_dtype(frame[name]):
            frame[name] = [exact_text(text) for text in frame[name].fillna("")]
    return frame


def points(visit: Visit, storm: str, route_id: str, segment_id: str) -> pd.DataFrame:
    """The records on one segment, from ``use_points.parquet``."""
    path = visit.site.folder / "results" / storm / "use_points.parquet"
    wanted = [("segment_id", "=", segment_id), ("route_id", "=", route_id)]
    found: pd.DataFrame = parquet.read_table(path, filters=wanted).to_pandas()
    return found


def made_at(visit: Visit, name: str) -> pd.Timestamp | None:
    """When a result was written; None where it is not there."""
    path = visit.site.folder / "results" / name
    if not path.exists():
        return None
    return pd.Timestamp(path.stat().st_mtime, unit="s", tz="UTC")


def out_of_date(visit: Visit, name: str, storm: str = "") -> bool:
    """Whether an input is newer than a result. With a storm: its telemetry as well."""
    made = made_at(visit, name)
    if made is None:
        return False
    times = [os.stat(entry.path).st_mtime for entry in input_files(visit.site.folder)]
    telemetry = visit.site.folder / "storms" / storm / "telemetry"
    if storm and telemetry.is_dir():
        times += [path.stat().st_mtime for path in telemetry.iterdir()]
    return max(times, default=0.0) > made.timestamp() + 1.0
