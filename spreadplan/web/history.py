"""Who changed what and when: `.history/changes.jsonl`, which only ever grows."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from spreadplan import clock

FOLDER: Final = ".history"
OUTSIDE: Final = "outside"
"""Who a change is noted down for that was not made through the application."""


@dataclass(frozen=True)
class RowChange:
    """One record before and after; None where it was not there. Cells by the file's own columns."""

    file: str
    row: int
    before: Mapping[str, str] | None
    after: Mapping[str, str] | None


@dataclass(frozen=True)
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


def entry_of(data: Mapping[str, Any]) -> Entry:
    """An entry from its JSON."""
    rows = tuple(RowChange(**row) for row in data["rows"])
    return Entry(**{**data, "rows": rows, "added": tuple(data["added"])})


def now() -> str:
    """This moment, as it is noted down."""
    return clock.now().isoformat(timespec="seconds")


class History:
    """The changes of a workspace. Whoever appends holds the lock of the store."""

    def __init__(self, workspace: Path) -> None:
        self.path = workspace / FOLDER / "changes.jsonl"
        self._entries: list[Entry] = []
        self._read_to = 0

    def entries(self) -> list[Entry]:
        """Every change, the oldest first; only what is new is read from the file."""
        for entry in self._unread():
            self._entries.append(entry)
        return self._entries

    def _unread(self) -> Iterator[Entry]:
        try:
            with self.path.open("rb") as handle:
                handle.seek(self._read_to)
                for line in handle:
                    if not line.endswith(b"\n"):  # still being written, or torn by a crash
                        return
                    self._read_to += len(line)
                    yield entry_of(json.loads(line))
        except FileNotFoundError:
            return

    def append(self, entry: Entry) -> None:
        """Add a change at the end: safe on the disk when this returns, not there if it raises."""
        self.path.parent.mkdir(exist_ok=True)
        whole = self._whole_bytes()
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

    def _whole_bytes(self) -> int:
        """The length of the file up to its last whole line."""
        self.entries()
        return self._read_to
