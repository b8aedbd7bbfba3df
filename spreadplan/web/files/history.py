"""Who changed what and when: `.history/changes.jsonl`, which only ever grows."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from spreadplan import clock
from spreadplan.durable import put_bytes
from spreadplan.errors import Problem
from spreadplan.journal import NotUnderstood, is_texts, only_keys, read_json, set_aside
from spreadplan.places import can_be_a_name
from spreadplan.web.files.edits import table_of

FOLDER: Final = ".history"
OUTSIDE: Final = "outside"
"""Who a change is noted down for that was not made through the application."""
START: Final = b'{"number":'
"""How each line begins."""


@dataclass(frozen=True)
class RowChange:
    """One record before and after; None where it was not there. Cells by the file's own columns."""

    file: str
    row: int
    before: Mapping[str, str] | None
    after: Mapping[str, str] | None


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One change, all of it or nothing.

    number : counts from 1.
    undoes : number of the change that this one takes back, else 0.
    rows : records that were added, changed or removed.
    added : files that were added whole (telemetry), by name below the workspace.
    hashes : file → fingerprint of its content after the change.
    """

    number: int
    at: str
    who: str
    what: str
    undoes: int = 0
    rows: tuple[RowChange, ...] = ()
    added: tuple[str, ...] = ()
    hashes: Mapping[str, str] = field(default_factory=dict)

    @property
    def moment(self) -> datetime:
        """When, in UTC."""
        return datetime.fromisoformat(self.at)

    @property
    def files(self) -> list[str]:
        """The files that changed."""
        return sorted({*(row.file for row in self.rows), *self.added, *self.hashes})

    def line(self) -> str:
        """As one line of JSON."""
        return json.dumps(asdict(self), ensure_ascii=False, separators=(",", ":"))


def history_entry(data: Mapping[str, Any]) -> Entry:
    """An entry from its JSON. Raises NotUnderstood where it is none that this version writes."""
    only_keys(data, {one.name for one in fields(Entry)})
    _demand(data, ("number", "undoes"), _is_count, "a count")
    _demand(data, ("at", "who", "what"), lambda value: isinstance(value, str), "a text")
    _demand(data, ("at",), _is_moment, "a time with its offset")
    _demand(data, ("rows",), lambda rows: isinstance(rows, list), "a list")
    _demand(
        data,
        ("added",),
        lambda names: is_texts(names) and all(map(_is_telemetry, names)),
        "files of telemetry",
    )
    _demand(data, ("hashes",), _is_cells, "fingerprints by file")
    if data["number"] == 0:
        raise NotUnderstood('"number" is 0')
    rows = tuple(map(_row_of, data["rows"]))
    return Entry(**{**data, "rows": rows, "added": tuple(data["added"])})


def _row_of(data: Any) -> RowChange:
    if not isinstance(data, dict):
        raise NotUnderstood('"rows" is not a list of records')
    only_keys(data, {one.name for one in fields(RowChange)})
    _demand(data, ("file",), _is_table, "a table of the workspace")
    _demand(data, ("row",), _is_count, "a count")
    _demand(data, ("before", "after"), lambda cells: cells is None or _is_cells(cells), "cells")
    return RowChange(**data)


def _demand(
    data: Mapping[str, Any], names: tuple[str, ...], fits: Callable[[Any], bool], what: str
) -> None:
    for name in names:
        if not fits(data[name]):
            raise NotUnderstood(f'"{name}" is not {what}')


def _is_count(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**53


def _is_moment(value: str) -> bool:
    try:
        return datetime.fromisoformat(value).tzinfo is not None
    except ValueError:
        return False


def _is_cells(value: Any) -> bool:
    return isinstance(value, dict) and is_texts([*value.values()])


def _is_table(value: Any) -> bool:
    try:
        return isinstance(value, str) and bool(table_of(value))
    except ValueError:
        return False


def _is_telemetry(name: str) -> bool:
    parts = name.split("/")
    return all(map(can_be_a_name, parts)) and (parts[0], parts[2:3]) == ("storms", ["telemetry"])


def moment_of_change() -> str:
    """This moment, as it is noted down."""
    return clock.now().isoformat(timespec="seconds")


class History:
    """The changes of a workspace. Whoever appends or mends holds the lock of the store."""

    def __init__(self, workspace: Path) -> None:
        self.path = workspace / FOLDER / "changes.jsonl"
        self._forget()

    def _forget(self) -> None:
        """Read the file from its start the next time."""
        self._entries: list[Entry] = []
        self._file: tuple[int, int] | None = None
        self._read_to = 0
        self._sound = True

    def entries(self) -> list[Entry]:
        """Every change, the oldest first; only what is new is read from the file.

        Lines that cannot be understood are left out.
        """
        self._read_on()
        return self._entries

    def last(self) -> int:
        """The number of the latest change, 0 without any."""
        entries = self.entries()
        return entries[-1].number if entries else 0

    def _read_on(self) -> bytes:
        """Take in what is new; gives what stands behind the last whole line."""
        if not self.path.is_file():  # a pipe would be waited for
            self._forget()
            return b""
        with self.path.open("rb") as handle:
            state = os.fstat(handle.fileno())
            # mended by another server, or shortened by somebody
            if self._file != (state.st_dev, state.st_ino) or state.st_size < self._read_to:
                self._forget()
                self._file = state.st_dev, state.st_ino
            handle.seek(self._read_to)
            for line in handle:
                if not line.endswith(b"\n"):  # still being written, or torn by a crash
                    return line
                self._read_to += len(line)
                try:
                    self._entries += _entries_of(line)
                except NotUnderstood:
                    self._sound = False
        return b""

    def append(self, entry: Entry) -> None:
        """Add a change at the end: safe on the disk when this returns, not there if it raises."""
        self.path.parent.mkdir(exist_ok=True)
        self.entries()
        whole = self._read_to
        with self.path.open("ab", buffering=0) as handle:
            if handle.tell() > whole:  # a line torn by a crash never counted
                handle.truncate(whole)
            line = entry.line().encode("utf-8") + b"\n"
            try:
                if handle.write(line) < len(line):
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                os.fsync(handle.fileno())
            except OSError:
                handle.truncate(whole)
                raise

    def mend(self) -> list[Problem]:
        """Put aside what cannot be understood and name it; the other changes stay as they are."""
        name, place = f"{FOLDER}/{self.path.name}", self.path.parent
        if self.path.exists() and not self.path.is_file():
            aside = set_aside(place, [self.path])
            remedy = f"it was put aside in {FOLDER}/{aside.name}"
            return [
                Problem(
                    file=name, row=0, column="*", what="is not a file", remedy=remedy, fatal=False
                )
            ]
        rest = self._read_on()
        if self._sound and _is_torn(rest):
            return []
        sound: list[bytes] = []
        damaged: list[tuple[int, bytes, str]] = []
        *lines, last = self.path.read_bytes().split(b"\n")
        for row, line in enumerate([*lines, *([] if _is_torn(last) else [last])], start=1):
            try:
                _entries_of(line)
                sound.append(line + b"\n")
            except NotUnderstood as error:
                damaged.append((row, line + b"\n", str(error)))
        found = [_put_aside(name, place, damaged)] if damaged else []
        put_bytes(self.path, b"".join(sound), self.path.stat().st_mode & 0o777)
        self._forget()
        return found


def _entries_of(line: bytes) -> list[Entry]:
    """The change on a line, none on a blank one. Raises NotUnderstood."""
    return [history_entry(read_json(line))] if line.strip() else []


def _is_torn(rest: bytes) -> bool:
    """Whether what stands behind the last whole line is nothing, or the beginning of a line."""
    try:
        return not _entries_of(rest)
    except NotUnderstood:
        return rest.startswith(START) or START.startswith(rest)


def _put_aside(name: str, place: Path, damaged: Sequence[tuple[int, bytes, str]]) -> Problem:
    aside = set_aside(place, [])
    put_bytes(aside / "changes.jsonl", b"".join(line for _, line, _ in damaged))
    row, _, why = damaged[0]
    more = f"; so are {len(damaged) - 1:,} more" if len(damaged) > 1 else ""
    what = f"is not a change that this program wrote ({why}){more}"
    remedy = f"put aside in {FOLDER}/{aside.name}; the other changes stand"
    return Problem(file=name, row=row, column="*", what=what, remedy=remedy, fatal=False)
