"""Files that appear whole or not at all, and the folder they belong in."""

from __future__ import annotations

import os
import uuid
from pathlib import Path

from spreadplan.errors import BadInput, Problem


def check_workspace(folder: Path) -> None:
    """Raise BadInput where a folder is no workspace."""
    if not (folder / "workspace.toml").is_file():
        what = "is not a workspace: it has no workspace.toml"
        remedy = "name a workspace, or make one with: spreadplan new FOLDER"
        raise BadInput([Problem(str(folder), 0, "*", what, remedy)])


def put_text(path: Path, text: str, mode: int = 0o644) -> None:
    """Write a file through a neighbour that is then moved into its place."""
    draft = path.with_name(f".{path.name}.{uuid.uuid4().hex[:12]}")
    try:
        write_synced(draft, text.encode("utf-8"), mode)
        os.replace(draft, path)
    finally:
        draft.unlink(missing_ok=True)
    sync_folder(path.parent)


def write_synced(path: Path, data: bytes, mode: int = 0o644) -> None:
    """Write a new file and wait until it is on the disk."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(descriptor, "wb") as handle:
        handle.write(data)
        handle.flush()
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
