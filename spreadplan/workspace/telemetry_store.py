"""Columns of all telemetry files gathered, grouped by truck and put in order of time.

Memory: about 60 bytes a row. Up to a limit the rows stay in memory; beyond it they go to a
temporary folder in groups of trucks, and only one group is in memory at a time.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from spreadplan.workspace.telemetry_rows import (
    OPTIONAL,
    BoolArray,
    Columns,
    FloatArray,
    Ledger,
    Rejects,
    rejects,
)

GROUPS = 32
#: A jump back of the local clock longer than this is the clock change, not mere disorder.
FOLD_BACK_S = 300.0
#: Records this close to their neighbour in time belong to the same side of the clock change.
NEAR_S = 600.0
#: A storm is no year long: receivers with a wrong week or a lost clock are off by years.
LONGEST_STORM_S = 366 * 86_400.0

#: Type and value of a column that some batches lack.
ABSENT: dict[str, tuple[Any, Any]] = {
    "material": (np.int16, -1),
    "shift_s": (np.int16, 0),
    **{name: (kind, np.nan) for name, kind in OPTIONAL.items()},
}


@dataclass(frozen=True)
class Group:
    """Rows of some trucks: ``order[start[i]:start[i + 1]]`` are those of ``truck[i]``, by time."""

    columns: Columns
    order: NDArray[np.int32]
    truck: NDArray[np.int64]
    start: NDArray[np.int64]

    def of_truck(self) -> Iterator[tuple[int, Columns]]:
        """Each truck's code and columns."""
        for at, truck in enumerate(self.truck):
            pick = self.order[self.start[at] : self.start[at + 1]]
            wanted = (name for name in self.columns if name != "truck")
            yield int(truck), {name: self.columns[name][pick] for name in wanted}


@dataclass
class Store:
    """Takes batches of clean columns; gives them back in groups of trucks, in order of code.

    Beyond ``limit`` rows everything is written to ``folder``.
    """

    limit: int
    trucks: int
    rows: int = 0
    folder: tempfile.TemporaryDirectory[str] | None = None
    _held: list[Columns] = field(default_factory=list)
    _held_rows: int = 0
    _middles: list[tuple[float, int]] = field(default_factory=list)

    def add(self, columns: Columns) -> None:
        """Take the rows of a batch."""
        size = len(columns["row"])
        if not size:
            return
        self.rows += size
        self._held.append(columns)
        self._held_rows += size
        self._middles.append((float(np.median(columns["time_s"][::16])), size))
        if self._held_rows > self.limit:
            self._spill()

    def middle_s(self) -> float:
        """About the median time of all rows."""
        if not self._middles:
            return 0.0
        times, sizes = (np.array(values) for values in zip(*sorted(self._middles), strict=True))
        return float(times[np.searchsorted(np.cumsum(sizes), sizes.sum() / 2)])

    def groups(self) -> Iterator[Columns]:
        """The rows, group by group of trucks; each group's rows in the order they came."""
        if self.folder is None:
            yield _gathered(self._held)
            return
        if self._held:
            self._spill()
        for group in range(GROUPS):
            parts = sorted(Path(self.folder.name).glob(f"raw_{group:02d}_*.arrow"))
            columns = _gathered([load_columns(part) for part in parts])
            yield columns
            for part in parts:
                part.unlink()

    def _spill(self) -> None:
        if self.folder is None:
            self.folder = tempfile.TemporaryDirectory(prefix="spreadplan_")
        columns = _gathered(self._held)
        self._held_rows = 0
        part = f"{self.rows:015d}"  # names sort in the order of writing
        group = columns["truck"].astype(np.int64) * GROUPS // self.trucks
        for number in np.unique(group):
            chosen = {name: values[group == number] for name, values in columns.items()}
            save_columns(chosen, Path(self.folder.name) / f"raw_{number:02d}_{part}.arrow")


def _gathered(batches: list[Columns]) -> Columns:
    """Batches as one set of columns; empties the list as it goes, so that rows stand only once."""
    sizes = [len(batch["row"]) for batch in batches]
    gathered: Columns = {}
    for name in dict.fromkeys(name for batch in batches for name in batch):
        parts = [
            batch.pop(name) if name in batch else np.full(size, ABSENT[name][1], ABSENT[name][0])
            for batch, size in zip(batches, sizes, strict=True)
        ]
        gathered[name] = np.concatenate(parts)
    batches.clear()
    return gathered


def in_row_order(batches: list[Columns]) -> Columns:
    """Batches of one file as one set of columns, in the order of its rows."""
    if len(batches) == 1:
        return batches[0]
    columns = _gathered(batches)
    order = np.argsort(columns["row"], kind="stable")
    return {name: values[order] for name, values in columns.items()}


def save_columns(columns: Columns, path: Path) -> None:
    """Write columns to a file that `load_columns` maps into memory."""
    table = pa.table({name: pa.array(values) for name, values in columns.items()})
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table)


def load_columns(path: Path) -> Columns:
    """Columns as they were saved."""
    with pa.memory_map(str(path)) as source:
        table = pa.ipc.open_file(source).read_all()
        return {
            name: np.array(table[name].to_numpy(zero_copy_only=False))
            for name in table.column_names
        }


# --- order -------------------------------------------------------------------------------------


def arrange(columns: Columns, middle_s: float, ledger: Ledger) -> tuple[Group, list[Rejects]]:
    """Group rows by truck, order them by time, and refuse those that repeat or cannot be placed.

    ``columns["time_s"]`` is corrected in place where the local clock showed a time twice.
    """
    if not columns:
        none = np.zeros(0, dtype=np.int64)
        return Group({}, none.astype(np.int32), none, np.zeros(1, dtype=np.int64)), []
    by_truck = np.argsort(columns["truck"], kind="stable").astype(np.int32)
    sizes = np.bincount(columns["truck"])
    trucks = np.flatnonzero(sizes)
    refused: list[Rejects] = []
    pieces: list[NDArray[np.int32]] = []
    for rows in np.split(by_truck, np.cumsum(sizes[trucks])[:-1]):
        rows = _placed_in_time(rows, columns, middle_s, ledger, refused)
        pieces.append(_without_repeats(rows, columns, ledger, refused))
    start = np.concatenate([[0], np.cumsum([len(piece) for piece in pieces])]).astype(np.int64)
    order = np.concatenate(pieces)
    columns.pop("shift_s", None)
    filled = np.diff(start) > 0
    return Group(columns, order, trucks[filled], np.append(start[:-1][filled], start[-1])), refused


def _refuse(rows: NDArray[np.int32], columns: Columns, reason: int, refused: list[Rejects]) -> None:
    if rows.size:
        refused.append(rejects(columns["file"][rows], columns["row"][rows], reason))


def _placed_in_time(
    rows: NDArray[np.int32],
    columns: Columns,
    middle_s: float,
    ledger: Ledger,
    refused: list[Rejects],
) -> NDArray[np.int32]:
    """A truck's rows in order of time; those whose time cannot be right or known are refused."""
    time, file = columns["time_s"][rows], columns["file"][rows]
    wrong = np.abs(time - middle_s) > LONGEST_STORM_S
    if "shift_s" in columns and columns["shift_s"][rows].any():
        shift = columns["shift_s"][rows].astype(float)
        time, unclear = resolve_clock_change(time, shift, file)
        columns["time_s"][rows] = time
        ledger.count("clock change resolved", int(((shift > 0) & ~unclear).sum()))
        reason = ledger.reasons.code("time unclear", "the time comes twice on the local clock")
        _refuse(rows[unclear & ~wrong], columns, reason, refused)
    else:
        unclear = np.zeros(len(rows), dtype=bool)
    if wrong.any():
        reason = ledger.reasons.code(
            "time impossible", "the time lies over a year away from the rest of the storm"
        )
        _refuse(rows[wrong], columns, reason, refused)
    good = ~(wrong | unclear)
    if not good.all():
        rows, time, file = rows[good], time[good], file[good]
    back = np.diff(time) < 0
    if back.any():
        ledger.count("out of order", int((back & (np.diff(file) == 0)).sum()))
        rows = rows[np.argsort(time, kind="stable")]
    return rows


def _without_repeats(
    rows: NDArray[np.int32], columns: Columns, ledger: Ledger, refused: list[Rejects]
) -> NDArray[np.int32]:
    """A truck's rows, ordered by time, with only the first of those at one time."""
    repeated = np.concatenate([[False], np.diff(columns["time_s"][rows]) == 0])
    if not repeated.any():
        return rows
    first = rows[np.maximum.accumulate(np.where(repeated, 0, np.arange(len(rows))))][repeated]
    later = rows[repeated]
    same = np.ones(len(later), dtype=bool)
    for name in ("lon", "lat", "feed_total_lb", "feed_rate_lb_min"):
        if name in columns:
            one, other = columns[name][first], columns[name][later]
            same &= (one == other) | (np.isnan(one) & np.isnan(other))
    reasons = ledger.reasons
    code = np.where(
        same,
        reasons.code("the same record again", "the same record stands in"),
        reasons.code("two records at one time", "a record of the truck at this time stands in"),
    )
    refused.append(
        rejects(
            columns["file"][later],
            columns["row"][later],
            code,
            columns["file"][first],
            columns["row"][first],
        )
    )
    kept: NDArray[np.int32] = rows[~repeated]
    return kept


def resolve_clock_change(
    time_s: FloatArray, shift_s: FloatArray, file: NDArray[np.int16]
) -> tuple[FloatArray, BoolArray]:
    """Decide which of two moments is meant by times that the local clock shows twice.

    One truck's records in the order they stand in the files. Within a run of such times the one
    jump back of the clock parts the earlier from the later. Without a jump, the run belongs to the
    neighbour that it follows, or leads to, without a silence. Otherwise nobody can know.

    Parameters
    ----------
    time_s : shape (n,), the earlier moment.
    shift_s : shape (n,), by how much the other moment is later; 0 where there is but one.
    file : shape (n,), records of different files are no neighbours.

    Returns
    -------
    The times, and which of them stay unclear.
    """
    time_s = time_s.copy()
    unclear = np.zeros(len(time_s), dtype=bool)
    twice = shift_s > 0
    edge = np.flatnonzero((np.diff(twice) != 0) | (np.diff(file) != 0)) + 1
    bounds = np.concatenate([[0], edge, [len(time_s)]])
    for start, stop in pairwise(bounds.tolist()):
        if not twice[start]:
            continue
        run = time_s[start:stop]
        back = np.flatnonzero(np.diff(run) < -FOLD_BACK_S) + 1
        if back.size == 1:
            run[back[0] :] += shift_s[start + back[0] : stop]
            continue
        before = start > 0 and file[start - 1] == file[start]
        after = stop < len(time_s) and file[stop] == file[start]
        near_before = before and -NEAR_S < run[0] - time_s[start - 1] < NEAR_S
        near_after = after and -NEAR_S < time_s[stop] - run[-1] - shift_s[stop - 1] < NEAR_S
        if back.size or near_before == near_after:
            unclear[start:stop] = True
        elif near_after:
            run += shift_s[start:stop]
    return time_s, unclear
