"""Files that appear whole or not at all, and that are on the disk when it is said so."""

from __future__ import annotations

import glob
import os
import uuid
from pathlib import Path


def put_bytes(path: Path, data: bytes, mode: int = 0o644) -> None:
    """Write a file through a neighbour that is then moved into its place."""
    draft = path.with_name(f"{_draft_start(path)}{uuid.uuid4().hex[:12]}")
    try:
        write_synced(draft, data, mode)
        os.replace(draft, path)
    finally:
        draft.unlink(missing_ok=True)
    sync_folder(path.parent)


def put_text(path: Path, text: str, mode: int = 0o644) -> None:
    """Write a text as `put_bytes` does."""
    put_bytes(path, text.encode("utf-8"), mode)


def remove_drafts(path: Path) -> None:
    """Remove what `put_bytes` left when it was killed; whoever calls this is alone with it."""
    for draft in path.parent.glob(f"{glob.escape(_draft_start(path))}*"):
        draft.unlink(missing_ok=True)


def _draft_start(path: Path) -> str:
    return f".{path.name}.draft-"


def write_synced(path: Path, data: bytes, mode: int = 0o644) -> None:
    """Write a new file and wait until it is on the disk."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(descriptor, "wb") as handle:
        handle.write(data)
        handle.flush()
        os.fsync(handle.fileno())


def sync_file(path: Path) -> None:
    """Wait until a file's content is on the disk."""
    with path.open("rb+") as handle:  # some systems do that only for whoever may write
        os.fsync(handle.fileno())


def sync_folder(folder: Path) -> None:
    """Wait until names in a folder are on the disk, where the system can do that."""
    try:
        descriptor = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows does not open folders; its moves are on the disk when they return
        return
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
