"""Columns of all telemetry files gathered, grouped by truck and put in order of time.

Memory: about 60 bytes a row. Up to a limit the rows stay in memory; beyond it they go to a
temporary folder in groups of trucks, and only one group is in memory at a time.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from spreadplan.schema.telemetry import ONLY_IF_GIVEN
from spreadplan.telemetry.rows import (
    OPTIONAL,
    BoolArray,
    Columns,
    FloatArray,
    Ledger,
    Rejects,
    rejects,
)

LongArray = NDArray[np.int64]

GROUPS = 32
#: About so many records of a batch tell its median time.
SAMPLE = 4_096
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
    "untimed": (np.int32, -1),
    **{name: (kind, np.nan) for name, kind in OPTIONAL.items()},
}

TIME_BY_PLACE = "time not usable, taken from the records beside it"
#: Columns that only tell how to read the times.
ASIDE = ("shift_s", "untimed")
#: Fields that a record takes from another of the same moment where it lacks them.
FILLED = (
    "lon",
    "lat",
    "speed_mph",
    "heading_deg",
    "feed_total_lb",
    "feed_rate_lb_min",
    "liquid_total_gal",
    *ONLY_IF_GIVEN,
    "material",
)


@dataclass(frozen=True)
class TruckBatch:
    """Rows in order of truck: those of truck i are ``start[i]:start[i + 1]``, as they came."""

    columns: Columns
    start: NDArray[np.int64]


@dataclass(frozen=True)
class Kept:
    """Which of a truck's rows count, in order of time; nothing said: all of them, as they came.

    ``time_s`` are the times of all its rows where some of them were not plain. ``filled`` holds, by
    column, rows and what another record of the same moment says there.
    """

    size: int
    order: LongArray | None = None
    time_s: FloatArray | None = None
    filled: Mapping[str, tuple[LongArray, NDArray[Any]]] = field(default_factory=dict)


@dataclass(frozen=True)
class Rows:
    """The rows of one truck, as they came; a column is put together when it is asked for."""

    batches: list[TruckBatch]
    truck: int

    def names(self) -> list[str]:
        """Columns that any of the batches has."""
        return list(dict.fromkeys(name for batch in self.batches for name in batch.columns))

    def column(self, name: str) -> NDArray[Any]:
        """The column, of shape (rows of the truck,)."""
        parts = []
        for batch in self.batches:
            first, last = batch.start[self.truck], batch.start[self.truck + 1]
            if name in batch.columns:
                parts.append(batch.columns[name][first:last])
            else:
                kind, value = ABSENT[name]
                parts.append(np.full(last - first, value, kind))
        return parts[0] if len(parts) == 1 else np.concatenate(parts)


@dataclass(frozen=True)
class Group:
    """Rows of some trucks; ``kept`` by truck, in order of code."""

    batches: list[TruckBatch]
    kept: dict[int, Kept]

    def of_truck(self) -> Iterator[tuple[int, Columns]]:
        """Each truck's code and columns, in order of time."""
        for truck, kept in self.kept.items():
            rows = Rows(self.batches, truck)
            columns = {name: rows.column(name) for name in rows.names() if name not in ASIDE}
            if kept.time_s is not None:
                columns["time_s"] = kept.time_s
            for name, (at, values) in kept.filled.items():
                columns[name] = columns[name].copy()
                columns[name][at] = values
            if kept.order is not None:
                columns = {name: values[kept.order] for name, values in columns.items()}
            yield truck, columns

    def in_order(self) -> Columns:
        """All rows that count, in order of truck and time."""
        return _gathered([columns for _, columns in self.of_truck()])


@dataclass(kw_only=True)
class Store:
    """Takes batches of clean columns; gives them back in groups of trucks, in order of code.

    A batch is put in order of truck as it comes, while it is small enough to be near the processor:
    doing so with all rows at once takes three times as long. Beyond ``limit`` rows everything is
    written to ``folder``.
    """

    limit: int
    trucks: int
    rows: int = 0
    folder: tempfile.TemporaryDirectory[str] | None = None
    _held: list[TruckBatch] = field(default_factory=list)
    _held_rows: int = 0
    _middles: list[tuple[float, int]] = field(default_factory=list)

    def add(self, columns: Columns) -> None:
        """Take the rows of a batch."""
        size = len(columns["row"])
        if not size:
            return
        self.rows += size
        times = columns["time_s"][:: max(size // SAMPLE, 1)]
        times = times[np.isfinite(times)]
        if times.size:
            self._middles.append((float(np.median(times)), size))
        self._held.append(in_truck_order(columns, self.trucks))
        self._held_rows += size
        if self._held_rows > self.limit:
            self._spill()

    def middle_s(self) -> float:
        """About the median time of all rows."""
        if not self._middles:
            return 0.0
        times, sizes = (np.array(values) for values in zip(*sorted(self._middles), strict=True))
        return float(times[np.searchsorted(np.cumsum(sizes), sizes.sum() / 2)])

    def groups(self) -> Iterator[list[TruckBatch]]:
        """The rows, group by group of trucks; each truck's rows in the order they came."""
        if self.folder is None:
            yield self._held
            return
        if self._held:
            self._spill()
        for group in range(GROUPS):
            parts = sorted(Path(self.folder.name).glob(f"raw_{group:02d}_*.arrow"))
            yield [in_truck_order(load_columns(part), self.trucks) for part in parts]
            for part in parts:
                part.unlink()

    def _spill(self) -> None:
        if self.folder is None:
            self.folder = tempfile.TemporaryDirectory(prefix="spreadplan_")
        part = f"{self.rows:015d}"  # names sort in the order of writing
        border = -(-np.arange(GROUPS + 1) * self.trucks // GROUPS)
        for number, (low, high) in enumerate(pairwise(border.tolist())):
            chosen = [_of_trucks(batch, low, high) for batch in self._held]
            chosen = [columns for columns in chosen if len(columns["row"])]
            if chosen:
                save_columns(
                    _gathered(chosen), Path(self.folder.name) / f"raw_{number:02d}_{part}.arrow"
                )
        self._held.clear()
        self._held_rows = 0


def in_truck_order(columns: Columns, trucks: int = 0) -> TruckBatch:
    """A batch with each truck's rows together, as they came; of at least so many trucks."""
    truck = columns["truck"]
    start = np.concatenate([[0], np.cumsum(np.bincount(truck, minlength=trucks))])
    if (np.diff(truck) >= 0).all():
        return TruckBatch(columns, start)
    order = np.argsort(truck, kind="stable")
    return TruckBatch({name: values[order] for name, values in columns.items()}, start)


def _of_trucks(batch: TruckBatch, low: int, high: int) -> Columns:
    """The rows of the trucks from one code up to, but without, another."""
    first, last = batch.start[low], batch.start[high]
    return {name: values[first:last] for name, values in batch.columns.items()}


def _gathered(batches: list[Columns]) -> Columns:
    """Batches as one set of columns."""
    names = dict.fromkeys(name for batch in batches for name in batch)
    return {
        name: np.concatenate(
            [
                batch[name]
                if name in batch
                else np.full(len(batch["row"]), ABSENT[name][1], ABSENT[name][0])
                for batch in batches
            ]
        )
        for name in names
    }


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


def in_order_of_truck(
    batches: list[TruckBatch], middle_s: float, ledger: Ledger
) -> tuple[Group, list[Rejects]]:
    """Order each truck's rows by time, and refuse those that repeat or cannot be placed."""
    refused: list[Rejects] = []
    sizes = sum((np.diff(batch.start) for batch in batches), np.zeros(1, np.int64))
    kept = {
        int(truck): _arranged(Rows(batches, int(truck)), middle_s, ledger, refused)
        for truck in np.flatnonzero(sizes)
    }
    return Group(batches, {truck: one for truck, one in kept.items() if one.size}), refused


def _arranged(rows: Rows, middle_s: float, ledger: Ledger, refused: list[Rejects]) -> Kept:
    """Which rows of a truck count, in order of time."""
    time, why = _moments(rows, middle_s, ledger)
    corrected = time if why is not None else None
    good = np.isfinite(time)
    whole = bool(good.all())
    if whole and (np.diff(time) > 0).all():
        return Kept(len(time), None, corrected)
    if why is not None and not whole:
        file, row = rows.column("file")[~good], rows.column("row")[~good]
        refused.append(rejects(file, row, why[~good]))
        for number in np.unique(file).tolist():
            ledger.losses.refuse(number, np.full(int((file == number).sum()), rows.truck))
    order = np.flatnonzero(good)
    file = rows.column("file")
    back = np.diff(time[order]) < 0
    if back.any():
        ledger.count("out of order", int((back & (np.diff(file[order]) == 0)).sum()))
        order = order[np.argsort(time[order], kind="stable")]
    order, filled = _without_repeats(rows, order, time, ledger, refused)
    return Kept(len(order), order, corrected, filled)


def _moments(
    rows: Rows, middle_s: float, ledger: Ledger
) -> tuple[FloatArray, NDArray[np.int32] | None]:
    """Times of a truck's rows as they came, NaN where nobody can know; with the reasons, by row.

    No reasons: every time is as it was read.
    """
    time, names = rows.column("time_s"), rows.names()
    wrong = np.abs(time - middle_s) > LONGEST_STORM_S
    shift = rows.column("shift_s").astype(float) if "shift_s" in names else np.zeros(1)
    if "untimed" not in names and not shift.any() and not wrong.any():
        return time, None
    code, file = ledger.reasons.code, rows.column("file")
    why = rows.column("untimed").copy() if "untimed" in names else np.full(len(time), -1, np.int32)
    time = time.copy()
    if shift.any():
        known = np.flatnonzero(np.isfinite(time))
        time[known], unclear = resolve_clock_change(time[known], shift[known], file[known])
        ledger.count("clock change resolved", int(((shift[known] > 0) & ~unclear).sum()))
        why[known[unclear]] = code("time unclear", "the time comes twice on the local clock")
        time[known[unclear]] = np.nan
    if wrong.any():
        text = "the time lies over a year away from the rest of the storm"
        why[wrong], time[wrong] = code("time impossible", text), np.nan
    given = "feed_total_lb" in names
    total = rows.column("feed_total_lb") if given else np.full(len(time), np.nan)
    placed = times_by_place(time, file, total)
    ledger.count(TIME_BY_PLACE, int((np.isnan(time) & np.isfinite(placed)).sum()))
    return placed, why


def times_by_place(time_s: FloatArray, file: NDArray[np.int16], total: FloatArray) -> FloatArray:
    """Times of records that have none of their own, from where they stand in their file.

    Between the records around them they are spread evenly; before the first and after the last
    such record they keep the truck's usual step. A place tells nothing where the file is not in
    order of time, or where the running total does not go on from before and lead on to after.

    Parameters
    ----------
    time_s, file, total : shape (n,), one truck's records as they stand in the files; NaN: unknown.

    Returns
    -------
    ``time_s`` with the times found filled in; NaN where nothing is known.
    """
    found = time_s.copy()
    edge = np.flatnonzero(np.diff(file) != 0) + 1
    bounds = np.concatenate([[0], edge, [len(time_s)]])
    for start, stop in pairwise(bounds.tolist()):
        time = time_s[start:stop]
        lacking = np.isnan(time)
        known = np.flatnonzero(~lacking)
        steps = np.diff(time[known])
        if not lacking.any() or not (steps > 0).any() or (steps < 0).any():
            continue
        step = float(np.median(steps[steps > 0]))
        at = np.arange(len(time))
        first, last = known[0], known[-1]
        guess = np.interp(at, known, time[known])
        guess += step * (np.minimum(at - first, 0) + np.maximum(at - last, 0))
        fits = lacking & _total_fits(total[start:stop])
        found[start:stop][fits] = guess[fits]
    return found


def _total_fits(total: FloatArray) -> BoolArray:
    """Where a running total goes on from the one before and leads on to the one after.

    It does not where it falls and comes back, or rises and comes back; a reset does not come back.
    """
    fits = np.ones(len(total), dtype=bool)
    given = np.flatnonzero(np.isfinite(total))
    value = total[given]
    before = np.concatenate([[-np.inf], value[:-1]])
    after = np.concatenate([value[1:], [np.inf]])
    fits[given] = (before > after) | ((before <= value) & (value <= after))
    return fits


def _without_repeats(
    rows: Rows, order: LongArray, time_s: FloatArray, ledger: Ledger, refused: list[Rejects]
) -> tuple[LongArray, dict[str, tuple[LongArray, NDArray[Any]]]]:
    """A truck's rows, ordered by time, with only the first of those at one time.

    What the first lacks, others of the moment may say: a receiver and a controller may each send
    a record of their own. The second result holds, by column, the rows to fill and with what.
    """
    repeated = np.concatenate([[False], np.diff(time_s[order]) == 0])
    if not repeated.any():
        return order, {}
    first = order[np.maximum.accumulate(np.where(repeated, 0, np.arange(len(order))))][repeated]
    later = order[repeated]
    same = np.ones(len(later), dtype=bool)
    filled: dict[str, tuple[LongArray, NDArray[Any]]] = {}
    names = rows.names()
    for name in FILLED:
        if name not in names:
            continue
        values = rows.column(name)
        one, other = _unknown(values[first]), _unknown(values[later])
        if name in ("lon", "lat", "feed_total_lb", "feed_rate_lb_min"):
            same &= (values[first] == values[later]) | (one & other)
        lacks = np.flatnonzero(one & ~other)
        if lacks.size:
            at, place = np.unique(first[lacks], return_index=True)  # the earliest of the others
            filled[name] = at, values[later[lacks[place]]]
    reasons = ledger.reasons
    code = np.where(
        same,
        reasons.code("the same record again", "the same record stands in"),
        reasons.code("two records at one time", "a record of the truck at this time stands in"),
    )
    file, row = rows.column("file"), rows.column("row")
    refused.append(rejects(file[later], row[later], code, file[first], row[first]))
    kept: LongArray = order[~repeated]
    return kept, filled


def _unknown(values: NDArray[Any]) -> BoolArray:
    """Where a column says nothing: NaN, or -1 in one of codes."""
    unknown: BoolArray = np.isnan(values) if values.dtype.kind == "f" else values < 0
    return unknown


def resolve_clock_change(
    time_s: FloatArray, shift_s: FloatArray, file: NDArray[np.int16]
) -> tuple[FloatArray, BoolArray]:
    """Decide which of two moments is meant by times that the local clock shows twice.

    One truck's records in the order they stand in the files. Within a run of such times the one
    jump back of the clock parts the earlier from the later. Without a jump, the run belongs to the
    neighbour that it follows, or leads to, without a silence. Where that tells nothing, the later
    moment is meant if records of that moment stand elsewhere, else the earlier one is taken: the
    order of the records, and so their mass, is the same. With more than one jump nobody can know.

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
    open_runs = np.zeros(len(time_s), dtype=bool)
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
        if back.size:
            unclear[start:stop] = True
        elif near_before == near_after:
            open_runs[start:stop] = True
        elif near_after:
            run += shift_s[start:stop]
    later = open_runs & np.isin(time_s + shift_s, time_s[~open_runs & ~unclear])
    for start, stop in pairwise(bounds.tolist()):
        if later[start:stop].any():
            time_s[start:stop] += shift_s[start:stop]
    return time_s, unclear
