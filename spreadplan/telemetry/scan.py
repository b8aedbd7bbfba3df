"""Telemetry of one storm: every file read, every row kept once or refused with its reason."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from spreadplan.errors import BadInput, Problem
from spreadplan.schema.telemetry import ONLY_IF_GIVEN, SourceFile, TruckRecords
from spreadplan.telemetry.files import FileBatch, TelemetryFile, open_telemetry
from spreadplan.telemetry.rows import Columns, Ledger, Reasons, Rejects, clean
from spreadplan.telemetry.store import (
    Group,
    Kept,
    Store,
    in_order_of_truck,
    in_row_order,
    in_truck_order,
    load_columns,
    save_columns,
)
from spreadplan.workspace.parse import Rename
from spreadplan.workspace.whole_files import readable_name

Progress = Callable[[str, int], AbstractContextManager[Callable[[], None]]]

#: Rows that stay in memory, at about 60 bytes each.
ROWS_IN_MEMORY = 16_000_000
SUFFIXES = (".csv", ".parquet")
#: About so many records of a batch tell where its file is.
SAMPLE = 200


@dataclass(frozen=True, kw_only=True)
class TelemetryFiles:
    """Clean telemetry of a storm.

    Use it in a ``with`` statement: rows that did not fit into memory are in a temporary folder.

    Attributes
    ----------
    sources : the files, in order of name; ``TruckRecords.source_file`` points into them.
    materials : names that the records give; ``TruckRecords.material`` points into them.
    first_named : where each of them was first read: the file as messages name it, and the row.
    rows_read, rows_kept : every row that is read is kept or refused.
    truck_rows : truck → rows kept, in the order of `by_truck`.
    counts : odd things that were put right, by what they are.
    cautions : what is odd about whole files, or cannot be used of most of one.
    usable : share of its records that could be used, of each truck that a spoilt file touches.
    sampled : file as messages name it → row, lon, lat of some hundreds of its records.
    """

    sources: tuple[SourceFile, ...]
    materials: tuple[str, ...]
    first_named: Mapping[str, tuple[str, int]]
    rows_read: int
    rows_kept: int
    truck_rows: Mapping[str, int]
    counts: Mapping[str, int]
    cautions: tuple[Problem, ...]
    usable: Mapping[str, float]
    sampled: Mapping[str, pd.DataFrame]
    _trucks: tuple[str, ...]
    _groups: tuple[Group | Path, ...]
    _refused: Rejects
    _reasons: Reasons
    _folder: TemporaryDirectory[str] | None

    def __enter__(self) -> TelemetryFiles:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Remove the temporary folder; `by_truck` is of no use afterwards."""
        if self._folder is not None:
            self._folder.cleanup()

    def by_truck(self) -> Iterator[TruckRecords]:
        """The records of one truck after the other; only one truck's arrays are made at a time."""
        for group in self._groups:
            loaded = _load_group(group) if isinstance(group, Path) else group
            for code, columns in loaded.of_truck():
                yield self._records(self._trucks[code], columns)

    def _records(self, truck_id: str, columns: Columns) -> TruckRecords:
        size = len(columns["row"])

        def numbers(name: str) -> Any:
            found = columns.get(name)
            return np.full(size, np.nan) if found is None else found.astype(float, copy=False)

        given = {name: numbers(name) for name in ONLY_IF_GIVEN if name in columns}
        material = columns.get("material", np.full(size, -1))
        return TruckRecords(
            truck_id=truck_id,
            time_s=columns["time_s"],
            lon=columns["lon"],
            lat=columns["lat"],
            speed_mph=numbers("speed_mph"),
            heading_deg=numbers("heading_deg"),
            spreading=columns["spreading"],
            feed_total_lb=numbers("feed_total_lb"),
            feed_rate_lb_min=numbers("feed_rate_lb_min"),
            liquid_total_gal=numbers("liquid_total_gal"),
            material=material.astype(np.int64),
            source_file=columns["file"].astype(np.int64),
            source_row=columns["row"].astype(np.int64),
            materials=self.materials,
            sources=self.sources,
            **given,
        )

    def refused_by_kind(self) -> dict[str, int]:
        """How many rows were refused for what kind of reason, most first."""
        kinds = pd.Series(self._reasons.kinds, dtype=object)
        found = kinds.iloc[self._refused.reason].value_counts()
        return {str(kind): int(number) for kind, number in found.items()}

    def quarantine(self) -> pd.DataFrame:
        """Refused rows: source_file, source_row, reason, in the order of files and rows."""
        refused, names = self._refused, np.array([*(s.name for s in self.sources), ""], object)
        reason = np.array([*self._reasons.texts, ""], dtype=object)[refused.reason]
        repeats = refused.other_file >= 0
        other = names[refused.other_file[repeats]]
        reason[repeats] = [
            f"{text} {file} row {row}"
            for text, file, row in zip(
                reason[repeats], other, refused.other_row[repeats], strict=True
            )
        ]
        frame = pd.DataFrame(
            {"source_file": names[refused.file], "source_row": refused.row, "reason": reason}
        )
        return frame.iloc[np.lexsort((refused.row, refused.file))].reset_index(drop=True)


def scan_telemetry(
    folder: Path,
    *,
    trucks: Collection[str],
    renames: Mapping[str, Rename],
    timezone: ZoneInfo,
    shown: str = "",
    progress: Progress | None = None,
    rows_in_memory: int = ROWS_IN_MEMORY,
) -> TelemetryFiles:
    """Read every telemetry file of a storm.

    Parameters
    ----------
    folder : holds ``*.csv`` and ``*.parquet`` files, read in order of name.
    trucks : the truck_ids of trucks.csv; rows of others are refused.
    renames : the part ``[telemetry]`` of columns.toml.
    timezone : of times without an offset.
    shown : the folder as messages name it, with a slash at its end.
    progress : see `spreadplan.runs.Options`.
    rows_in_memory : beyond so many rows a temporary folder is used.

    Raises
    ------
    BadInput : no file is there, or a file's header cannot be understood; every problem is named.
    """
    files, cautions = _open_all(folder, shown or f"{folder.name}/", renames, timezone)
    names = tuple(sorted(trucks))
    ledger = Ledger(trucks={truck: code for code, truck in enumerate(names)}, timezone=timezone)
    store = Store(limit=rows_in_memory, trucks=len(names))
    try:
        read, refused, sampled = _read_all(files, store, ledger, progress)
        groups, repeats = _arrange_all(store, ledger)
    except BaseException:
        if store.folder is not None:
            store.folder.cleanup()
        raise
    refused += repeats
    everything = _stacked(refused)
    kept = {names[truck]: rows for truck, rows in sorted(groups.rows.items())}
    if sum(kept.values()) + len(everything.row) != read:
        raise AssertionError("rows kept and rows refused do not add up to the rows read")
    shown_names = [file.shown for file in files]
    losses, lost = ledger.losses, everything.other_file < 0
    losses.count_refused(
        everything.file[lost],
        everything.row[lost],
        everything.reason[lost],
        ledger.reasons.kinds,
        ledger.reasons.texts,
    )
    return TelemetryFiles(
        sources=tuple(file.source for file in files),
        materials=tuple(ledger.materials),
        first_named={
            name: (files[file].shown, row) for name, (file, row) in ledger.first_named.items()
        },
        rows_read=read,
        rows_kept=sum(kept.values()),
        truck_rows=kept,
        counts={what: number for what, number in ledger.counts.items() if number},
        cautions=(*cautions, *losses.problems(shown_names)),
        usable=losses.usable_shares(kept, names, shown_names),
        sampled=dict(zip(shown_names, sampled, strict=True)),
        _trucks=names,
        _groups=tuple(groups.places),
        _refused=everything,
        _reasons=ledger.reasons,
        _folder=store.folder,
    )


def _open_all(
    folder: Path, shown: str, renames: Mapping[str, Rename], timezone: ZoneInfo
) -> tuple[list[TelemetryFile], list[Problem]]:
    entries = sorted(entry for entry in folder.iterdir()) if folder.is_dir() else []
    entries = [entry for entry in entries if not entry.name.startswith(".")]
    paths = [entry for entry in entries if entry.suffix.lower() in SUFFIXES and entry.is_file()]
    problems = [
        Problem(
            file=shown + entry.name,
            row=0,
            column="*",
            what="is not read",
            remedy="export it as .csv or .parquet",
            fatal=False,
        )
        for entry in entries
        if entry not in paths
    ]
    problems += [
        Problem(
            file=shown + path.name,
            row=0,
            column="*",
            what="its name cannot be written",
            remedy="rename it in plain letters",
        )
        for path in paths
        if not readable_name(path.name)
    ]
    if not paths:
        remedy = "put the trucks' records there, as .csv or .parquet"
        problems.append(
            Problem(file=shown, row=0, column="*", what="holds no telemetry file", remedy=remedy)
        )
    files = []
    for path in paths:
        file, faults = open_telemetry(path, shown + path.name, renames, timezone)
        problems += faults
        if file is not None:
            files.append(file)
    if any(problem.fatal for problem in problems):
        raise BadInput(problems)
    return files, problems


def _read_all(
    files: list[TelemetryFile], store: Store, ledger: Ledger, progress: Progress | None
) -> tuple[int, list[Rejects], list[pd.DataFrame]]:
    """Rows read, the refused ones, and some places of each file; the others go to the store."""
    read, refused, sampled = 0, [], []
    steps = [file.steps for file in files]
    bar = progress("reading telemetry", sum(steps)) if progress else nullcontext(lambda: None)
    with bar as step:
        for number, file in enumerate(files):
            places = [np.zeros((0, 3))]
            try:
                for batches in _one_ahead(file.batches()):
                    cleaned = [clean(batch, file, number, ledger) for batch in batches]
                    store.add(in_row_order([kept for kept, _ in cleaned]))
                    places += [_some(kept) for kept, _ in cleaned]
                    refused += [rejected for _, rejected in cleaned if len(rejected.row)]
                    read += sum(len(batch.rows) + len(batch.broken) for batch in batches)
                    step()
            except (OSError, pa.ArrowException, UnicodeDecodeError, OverflowError) as error:
                reason = " ".join(str(error).replace(str(file.path), file.path.name).split())
                what = f"cannot be read to its end ({reason})"
                problem = Problem(
                    file=file.shown, row=0, column="*", what=what, remedy="export the file again"
                )
                raise BadInput([problem]) from error
            sampled.append(pd.DataFrame(np.concatenate(places), columns=["row", "lon", "lat"]))
    return read, refused, sampled


def _some(columns: Columns) -> NDArray[np.float64]:
    """Row, longitude and latitude of some of the records of a batch, shape (k, 3)."""
    every = slice(None, None, max(len(columns["row"]) // SAMPLE, 1))
    return np.column_stack([columns[name][every] for name in ("row", "lon", "lat")]).astype(float)


def _one_ahead(batches: Iterator[list[FileBatch]]) -> Iterator[list[FileBatch]]:
    """The same, but the next are read while the last are worked on."""
    with ThreadPoolExecutor(1, "reading") as reader:
        waiting = reader.submit(next, batches, None)
        while (read := waiting.result()) is not None:
            waiting = reader.submit(next, batches, None)
            yield read


@dataclass(frozen=True)
class _Groups:
    places: list[Group | Path]
    rows: dict[int, int]


def _arrange_all(store: Store, ledger: Ledger) -> tuple[_Groups, list[Rejects]]:
    groups = _Groups([], {})
    refused: list[Rejects] = []
    middle_s = store.middle_s()
    for number, batches in enumerate(store.groups()):
        group, repeats = in_order_of_truck(batches, middle_s, ledger)
        refused += repeats
        groups.rows.update((truck, kept.size) for truck, kept in group.kept.items())
        if store.folder is None:
            groups.places.append(group)
        elif group.kept:
            path = Path(store.folder.name) / f"group_{number:02d}.arrow"
            save_columns(group.in_order(), path)
            groups.places.append(path)
    return groups, refused


def _load_group(path: Path) -> Group:
    """A group that was written in its final order."""
    batch = in_truck_order(load_columns(path))
    sizes = np.diff(batch.start)
    return Group([batch], {int(truck): Kept(int(sizes[truck])) for truck in np.flatnonzero(sizes)})


def _stacked(refused: list[Rejects]) -> Rejects:
    if not refused:
        return Rejects(*(np.zeros(0, dtype=np.int64) for _ in range(5)))  # type: ignore[arg-type]
    return Rejects(
        np.concatenate([part.file for part in refused]),
        np.concatenate([part.row for part in refused]),
        np.concatenate([part.reason for part in refused]),
        np.concatenate([part.other_file for part in refused]),
        np.concatenate([part.other_row for part in refused]),
    )
