"""Tables below ``results/``, as the commands wrote them; one that somebody changed is not shown.

A spreadsheet that saves a table may write other separators, commas in numbers, other dates, and
names as numbers. What cannot be read as it was written is said in one line, and worked out again.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
from pyarrow import csv as pacsv
from pyarrow import parquet

from spreadplan.errors import BadInput, Problem
from spreadplan.results.tables import exact_text
from spreadplan.schema.results import RESULTS
from spreadplan.web.visits import Visit
from spreadplan.web.work.computed import input_files
from spreadplan.workspace.issued import ISSUED, LATEST

TEXTS: Final = ("id", "text", "term", "flag", "material", "storm", "storms")
"""Kinds of columns that are read as they stand; any other but a time is a number."""
REMEDY: Final = "work it out again: it is not as it was written, as after saving in a spreadsheet"


def shown_table(visit: Visit, name: str) -> pd.DataFrame | None:
    """A CSV file below ``results/`` with the columns of its schema; None where it is not there.

    Raises BadInput where it is not as a command writes it.
    """
    path = visit.site.folder / "results" / f"{name}.csv"
    try:
        state = path.stat()
    except FileNotFoundError:
        return None
    key = ("result", name, state.st_mtime_ns, state.st_size)
    return visit.site.computed.remember(key, lambda: read_result(path, f"results/{name}.csv"))


def tables(
    visit: Visit, folder: str, names: Iterable[str]
) -> tuple[dict[str, pd.DataFrame | None], list[Problem]]:
    """The tables of a folder by name, and what is wrong with those that cannot be read."""
    found: dict[str, pd.DataFrame | None] = {}
    problems: list[Problem] = []
    for name in names:
        try:
            found[name] = shown_table(visit, f"{folder}/{name}")
        except BadInput as error:
            found[name] = None
            problems += error.problems
    return found, problems


def read_result(path: Path, shown: str) -> pd.DataFrame:
    """A table as a command wrote it, by the schema of its file's name. Raises BadInput."""
    wanted = {column.name: column.kind for column in RESULTS[path.stem].columns}
    if path.read_bytes() == b"\n":  # a table without any row may have no columns either
        return pd.DataFrame(
            {column: _typed(pd.Series([], dtype=str), kind)[0] for column, kind in wanted.items()}
        )
    cells = _cells(path, shown)
    missing = [column for column in wanted if list(cells.columns).count(column) != 1]
    if missing:
        raise BadInput(
            [
                Problem(
                    file=shown,
                    row=1,
                    column=missing[0],
                    what="is not there, or stands twice",
                    remedy=REMEDY,
                )
            ]
        )
    read = {}
    for column, kind in wanted.items():
        values, wrong = _typed(cells[column], kind)
        if wrong.any():
            at = int(np.flatnonzero(wrong)[0])
            words = {"time": "a date and time"}.get(kind, "a number")
            what = f'"{cells[column].iloc[at]}" is not {words}'
            raise BadInput(
                [Problem(file=shown, row=at + 2, column=column, what=what, remedy=REMEDY)]
            )
        read[column] = values
    return pd.DataFrame(read)


def _cells(path: Path, shown: str) -> pd.DataFrame:
    """Every cell as text."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as handle:
            names = next(csv.reader(handle), [])
        texts = pacsv.ConvertOptions(column_types=dict.fromkeys(names, pa.string()), null_values=[])
        quoted = pacsv.ParseOptions(newlines_in_values=True)
        read: pd.DataFrame = pacsv.read_csv(
            path, parse_options=quoted, convert_options=texts
        ).to_pandas()
    except (ValueError, csv.Error, pa.ArrowException):
        raise BadInput(
            [
                Problem(
                    file=shown, row=0, column="*", what="cannot be read as a table", remedy=REMEDY
                )
            ]
        ) from None
    return read


def _typed(cells: pd.Series[str], kind: str) -> tuple[Any, np.ndarray]:
    """A column in its type, and which of its cells are wrong."""
    if kind in TEXTS:
        return [exact_text(text) for text in cells], np.zeros(len(cells), dtype=bool)
    given = (cells != "").to_numpy()
    if kind == "time":
        times = pd.to_datetime(cells.where(given), utc=True, format="ISO8601", errors="coerce")
        return times, times.isna().to_numpy() & given
    numbers = pd.to_numeric(cells.where(given, "nan"), errors="coerce").to_numpy(dtype=float)
    return numbers, ~np.isfinite(numbers) & (given | (kind == "count"))


def points(visit: Visit, storm: str, route_id: str, segment_id: str) -> pd.DataFrame:
    """The records on one segment, from ``use_points.parquet``."""
    path = visit.site.folder / "results" / storm / "use_points.parquet"
    wanted = [("segment_id", "=", segment_id), ("route_id", "=", route_id)]
    try:
        found: pd.DataFrame = parquet.read_table(path, filters=wanted).to_pandas()
    except (FileNotFoundError, pa.ArrowException):
        shown = f"results/{storm}/{path.name}"
        raise BadInput(
            [Problem(file=shown, row=0, column="*", what="cannot be read", remedy=REMEDY)]
        ) from None
    return found


def made_at(visit: Visit, name: str) -> pd.Timestamp | None:
    """When a result was written; None where it is not there."""
    path = visit.site.folder / "results" / name
    if not path.exists():
        return None
    return pd.Timestamp(path.stat().st_mtime, unit="s", tz="UTC")


def out_of_date(visit: Visit, name: str, storm: str = "") -> bool:
    """Whether an input is newer than a result. With a storm: its telemetry and issues too."""
    made = made_at(visit, name)
    if made is None:
        return False
    times = [os.stat(entry.path).st_mtime for entry in input_files(visit.site.folder)]
    telemetry = visit.site.folder / "storms" / storm / "telemetry"
    if storm and telemetry.is_dir():
        times += [path.stat().st_mtime for path in telemetry.iterdir()]
    issued = visit.site.folder / "storms" / storm / ISSUED / LATEST
    if storm and issued.is_file():
        times.append(issued.stat().st_mtime)
    return max(times, default=0.0) > made.timestamp() + 1.0
