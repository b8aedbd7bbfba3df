"""Files that appear whole or not at all, and the folder they belong in."""

from __future__ import annotations

import glob
import os
import uuid
from pathlib import Path

from spreadplan.errors import BadInput, Problem
from spreadplan.results.store import sync_folder


def check_workspace(folder: Path) -> None:
    """Raise BadInput where a folder is no workspace."""
    if not (folder / "workspace.toml").is_file():
        what = "is not a workspace: it has no workspace.toml"
        remedy = "name a workspace, or make one with: spreadplan new FOLDER"
        raise BadInput([Problem(str(folder), 0, "*", what, remedy)])


def put_text(path: Path, text: str, mode: int = 0o644) -> None:
    """Write a file through a neighbour that is then moved into its place."""
    draft = path.with_name(f"{_draft_start(path)}{uuid.uuid4().hex[:12]}")
    try:
        write_synced(draft, text.encode("utf-8"), mode)
        os.replace(draft, path)
    finally:
        draft.unlink(missing_ok=True)
    sync_folder(path.parent)


def remove_drafts(path: Path) -> None:
    """Remove what `put_text` left when it was killed; whoever calls this is alone with the file."""
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
