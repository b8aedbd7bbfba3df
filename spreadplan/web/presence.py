"""Which servers are at work on a workspace: what a killed one left behind is removed by the next.

Each server holds a lock of its own for as long as it lives, however it ends.
"""

from __future__ import annotations

import uuid
from contextlib import suppress
from glob import escape
from pathlib import Path

from filelock import FileLock, Timeout

from spreadplan.errors import CannotWrite
from spreadplan.places import Outside, own_file, own_folder
from spreadplan.web.files.history import FOLDER


class Presence:
    """One server, by a mark that its drafts carry."""

    def __init__(self, workspace: Path) -> None:
        self._workspace = workspace
        self._place = workspace / FOLDER
        self._mark = uuid.uuid4().hex[:12]
        self._lock = FileLock(self._place / f"server-{self._mark}.lock", thread_local=False)
        # where nobody may write there are no drafts either
        with suppress(OSError, Timeout, CannotWrite):
            own_folder(workspace, FOLDER)
            self._lock.acquire(timeout=0.0)
            self._forget_the_dead()

    def draft(self, ending: str) -> Path:
        """A place for a file that arrives and does not count yet."""
        name = f"incoming-{self._mark}-{uuid.uuid4().hex[:12]}{ending}"
        return own_folder(self._workspace, FOLDER) / name

    def end(self) -> None:
        """The server goes down."""
        self._lock.release()
        Path(self._lock.lock_file).unlink(missing_ok=True)

    def _forget_the_dead(self) -> None:
        for path in self._place.glob("server-*.lock"):
            try:
                lock = FileLock(own_file(path), thread_local=False)
                lock.acquire(timeout=0.0)
            except (OSError, Timeout, Outside):  # it lives, or is none of ours
                continue
            mark = escape(path.stem.removeprefix("server-"))
            for left in self._place.glob(f"incoming-{mark}-*"):
                left.unlink(missing_ok=True)
            path.unlink(missing_ok=True)
            lock.release()
