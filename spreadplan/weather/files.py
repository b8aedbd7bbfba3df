"""Hourly weather at places from text files: CSV, and JSON whose structure `columns.toml` names.

In JSON a column is the way to it, `hourly.temperature`; lists of the same length are rows, and what
stands above them holds for all of them. A GeoJSON point is a place.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from spreadplan.errors import BadInput, Problem
from spreadplan.schema.weather import USUAL_NAMES, WEATHER
from spreadplan.workspace.csvfile import read_csv, read_text
from spreadplan.workspace.parse import Rename, Source, apply_renames, parse_table

#: what stands for a value that is missing
MISSING: Final = frozenset({"m", "null", "none", "nan", "na", "n/a", "-9999", "-9999.0", "--"})
#: a trace of precipitation, in; less than an instrument measures
TRACE_IN: Final = "0.0001"
MOST_ROWS: Final = 200_000
_OFFSET: Final = re.compile(r"(?:z|[+-]\d\d:?\d\d)$", re.IGNORECASE)


def read_weather_text(
    path: Path, timezone: ZoneInfo, renames: Mapping[str, Rename]
) -> tuple[pd.DataFrame, list[Problem]]:
    """Rows of weather from a CSV or JSON file.

    Parameters
    ----------
    path : the file; its name ends in ``.json`` or ``.geojson`` for JSON.
    timezone : of times without an offset; a column ``time_utc`` has UTC.
    renames : the part ``[weather]`` of columns.toml.

    Returns
    -------
    The columns of `schema.weather.WEATHER` by their inside names and row; and cautions.

    Raises
    ------
    BadInput : with what is wrong, row by row.
    """
    is_json = path.suffix.lower() in (".json", ".geojson")
    cells, rows = _json_cells(path) if is_json else _csv_cells(path)
    cells = cells.rename(columns=_ours(list(cells.columns), renames))
    cells = _in_utc(cells)
    blank = cells.map(lambda cell: cell.strip().casefold() in MISSING)
    cells = cells.mask(blank, "")
    for name in cells.columns:
        if name.startswith("precipitation_"):
            cells[name] = cells[name].replace({"T": TRACE_IN, "t": TRACE_IN})
    if is_json and "time" in cells:  # what has no time is no row: totals of days, units, remarks
        kept = (cells["time"] != "").to_numpy()
        cells, rows = cells[kept].reset_index(drop=True), rows[kept]
    source = Source(path.name, 0 if is_json else 1, rows, timezone)
    frame, problems = parse_table(cells, WEATHER, source, {})
    cautions = [one for one in problems if not one.fatal and not is_json]
    fatal = [one for one in problems if one.fatal]
    if fatal:
        raise BadInput(fatal)
    return frame, cautions


def _ours(names: list[str], renames: Mapping[str, Rename]) -> dict[str, str]:
    """Names in the file → ours: by columns.toml, else as observations are usually exported."""
    found = apply_renames(names, WEATHER, renames)
    taken = set(found.values())
    for theirs, ours in USUAL_NAMES.items():
        if found.get(theirs) == theirs and ours not in taken:
            found[theirs] = ours
    return found


def _in_utc(cells: pd.DataFrame) -> pd.DataFrame:
    """A column ``time_utc`` as ``time``, its times marked as UTC."""
    if "time_utc" not in cells or "time" in cells:
        return cells
    marked = [
        text if not text or _OFFSET.search(text) else f"{text}Z" for text in cells["time_utc"]
    ]
    return cells.drop(columns="time_utc").assign(time=marked)


def _csv_cells(path: Path) -> tuple[pd.DataFrame, np.ndarray]:
    raw, problems = read_csv(path, path.name)
    if raw is None or any(one.fatal for one in problems):
        raise BadInput(problems)
    return raw.cells, np.array(raw.rows, dtype=int)


def _json_cells(path: Path) -> tuple[pd.DataFrame, np.ndarray]:
    text, problems = read_text(path, path.name)
    if problems:
        raise BadInput(problems)
    try:
        rows = _rows(json.loads(text), "")
    except (ValueError, RecursionError) as error:
        why = "it is nested too deeply" if isinstance(error, RecursionError) else str(error)
        raise _refused(path, f"is not well-formed JSON ({why})", "fetch the file again") from None
    if len(rows) > MOST_ROWS:
        raise _refused(path, f"has more than {MOST_ROWS:,} rows", "keep to the hours of the storm")
    cells = pd.DataFrame(rows, dtype=object).fillna("").astype(str)
    return cells, np.arange(1, len(cells) + 1)


def _refused(path: Path, what: str, remedy: str) -> BadInput:
    return BadInput([Problem(file=path.name, row=0, column="*", what=what, remedy=remedy)])


def _rows(value: Any, name: str) -> list[dict[str, Any]]:
    """Rows of a JSON value; what stands beside them holds for each."""
    if isinstance(value, list):
        return [row for one in value for row in _rows(one, name)]
    if not isinstance(value, dict):
        return [] if value is None else [{name: _plain(value)}]
    if value.get("type") == "Point" and isinstance(value.get("coordinates"), list):
        lon, lat = (*value["coordinates"], None, None)[:2]
        return [{"lon": lon, "lat": lat}] if lat is not None else []
    shared: dict[str, Any] = {}
    columns: dict[str, list[Any]] = {}
    below: list[dict[str, Any]] = []
    for key, one in value.items():
        way = f"{name}.{key}" if name else key
        if isinstance(one, list) and not any(isinstance(part, (list, dict)) for part in one):
            columns[way] = one
        elif isinstance(one, (dict, list)):
            found = _rows(one, way)
            alone = isinstance(one, dict) and len(found) == 1
            shared.update(found[0] if alone else {})
            below += [] if alone else found
        elif one is not None:
            shared[way] = _plain(one)
    longest = max(map(len, columns.values()), default=0)
    made = [
        {way: _plain(cells[n]) for way, cells in columns.items() if n < len(cells)}
        for n in range(longest)
    ]
    return [{**shared, **row} for row in [*made, *below]] or [shared]


def _plain(value: Any) -> str:
    return "" if value is None else str(value)
