"""What one run worked out and another may use again, in the user's own cache folder.

An entry is found by a digest of everything that it depends on, so it never goes out of date; it
only falls out of use. It can be deleted at any time: what is missing is worked out anew. Whatever
is the matter with the folder or an entry (not writable, full, damaged, somebody else's) costs time,
never a result and never a message. Entries are plain columns and JSON: reading one runs nothing.
"""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa

from spreadplan.durable import put_bytes

CHOSEN: Final = "SPREADPLAN_CACHE_DIR"
"""Names another folder; where it is empty, nothing is kept."""

MOST_BYTES: Final = 500_000_000
"""All entries together; those that were not used for longest go first. Common practice, no source:
some hundred storms of a large county."""

SUFFIX: Final = ".kept"
DIGEST_BYTES: Final = sha256().digest_size

Tables = Mapping[str, Mapping[str, np.ndarray]]


@dataclass(frozen=True)
class KeptResult:
    """An entry.

    facts : what JSON can hold; numbers come back to the bit, NaN too.
    tables : columns of one length by name, of numbers or texts; shape (rows,) each.
    """

    facts: Mapping[str, Any]
    tables: Tables = field(default_factory=dict)


def kept_folder() -> Path | None:
    """Where entries lie; None where the user wants none or has no place for them.

    Source: XDG Base Directory Specification 0.8, freedesktop.org, 2021: ``XDG_CACHE_HOME``.
    """
    chosen = os.environ.get(CHOSEN)
    if chosen is not None:
        return Path(chosen) if chosen else None
    for name in ("XDG_CACHE_HOME", "LOCALAPPDATA"):
        if (base := Path(os.environ.get(name, ""))).is_absolute():
            return base / "spreadplan"
    with suppress(RuntimeError):  # an account without a home
        return Path.home() / ".cache" / "spreadplan"
    return None


def take_result(digest: str) -> KeptResult | None:
    """The entry of a digest, if a whole one is there."""
    with suppress(OSError, ValueError, KeyError, pa.ArrowException):
        path = _place(digest)
        if path is not None:
            found = _unpacked(_read(path), digest)
            os.utime(path)  # it was of use: others go before it
            return found
    return None


def keep_result(digest: str, entry: KeptResult) -> None:
    """Keep an entry, if it can be kept."""
    with suppress(OSError, ValueError, TypeError, pa.ArrowException):
        data = _packed(entry, digest)
        path = _place(digest, make=True)
        if path is not None and len(data) <= MOST_BYTES:
            put_bytes(path, data, 0o600)
            _make_room(path.parent)


def _place(digest: str, make: bool = False) -> Path | None:
    """Where an entry belongs, in a folder that nobody but the user can write to."""
    folder = kept_folder()
    if folder is None:
        return None
    if make:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if hasattr(os, "getuid"):
        state = folder.stat()
        if state.st_uid != os.getuid() or state.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
            return None
    return folder / f"{digest}{SUFFIX}"


def _read(path: Path) -> bytes:
    """A plain file of the folder itself: no link, and no pipe that would be waited for."""
    if not stat.S_ISREG(path.lstat().st_mode):
        raise OSError(f"{path.name} is not a plain file")
    return path.read_bytes()


def _packed(entry: KeptResult, digest: str) -> bytes:
    """The entry behind a digest of itself and its name: half a file, or another's, is known."""
    sink = pa.BufferOutputStream()
    options = pa.ipc.IpcWriteOptions(compression="zstd" if pa.Codec.is_available("zstd") else None)
    facts = {"facts": entry.facts, "tables": list(entry.tables)}
    for columns in ({}, *entry.tables.values()):
        table = pa.table({name: _column(values) for name, values in columns.items()})
        if not columns:
            table = table.replace_schema_metadata({"facts": json.dumps(facts)})
        with pa.ipc.new_stream(sink, table.schema, options=options) as stream:
            stream.write_table(table)
    data: bytes = sink.getvalue().to_pybytes()
    return _seal(data, digest) + data


def _column(values: np.ndarray) -> pa.Array:
    texts = values.dtype == object
    return pa.array(values, pa.string()) if texts else pa.array(values)


def _unpacked(data: bytes, digest: str) -> KeptResult:
    """Raise ValueError where it is not what was packed under this digest."""
    seal, data = data[:DIGEST_BYTES], data[DIGEST_BYTES:]
    if seal != _seal(data, digest):
        raise ValueError("not a whole entry of this digest")
    source = pa.BufferReader(data)
    facts = json.loads(pa.ipc.open_stream(source).read_all().schema.metadata[b"facts"])
    tables = {}
    for name in facts["tables"]:
        table = pa.ipc.open_stream(source).read_all()
        tables[name] = {
            column: np.array(table[column].to_numpy(zero_copy_only=False))
            for column in table.column_names
        }
    return KeptResult(facts["facts"], tables)


def _seal(data: bytes, digest: str) -> bytes:
    return sha256(digest.encode() + data).digest()


def _make_room(folder: Path) -> None:
    """Remove what was not used for longest, until the rest is within `MOST_BYTES`."""
    found = []
    for path in folder.iterdir():
        with suppress(FileNotFoundError):  # another process makes room too
            state = path.lstat()
            if SUFFIX in path.name and stat.S_ISREG(state.st_mode):  # drafts of a killed run too
                found.append((state.st_mtime_ns, state.st_size, path))
    whole = sum(size for _, size, _ in found)
    for _, size, path in sorted(found):
        if whole <= MOST_BYTES:
            return
        path.unlink(missing_ok=True)
        whole -= size
