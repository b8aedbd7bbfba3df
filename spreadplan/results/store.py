"""All results of a command are put in place together, or the earlier ones stay whole.

Files are first written into a staging folder below ``results/``. When the last one is safe on the
disk, the list of moves is stored as ``moves.json``: from then on the results count as written. Each
file is then moved over the old one. If the machine stops in between, the next command that opens
the workspace finishes the moves; a staging folder without ``moves.json`` is rubbish and is removed.
"""

from __future__ import annotations

import json
import os
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from spreadplan.errors import CannotWrite

STAGING = ".staging-"
MOVES = "moves.json"
SECONDS_TO_WAIT = 30


class ResultStore:
    """A staging folder that mirrors ``results/``.

    ``path(name)`` gives the place to write the result ``name`` to; ``discard(pattern)`` names
    earlier results that go when the new ones are put in place, such as the cards of trucks that
    are no longer planned.
    """

    def __init__(self, results: Path, staging: Path) -> None:
        self._results = results
        self._staging = staging
        self._discards: list[str] = []

    def path(self, name: str) -> Path:
        """Where to write the result called ``name`` (relative to ``results/``, with slashes)."""
        path = self._staging / name
        path.parent.mkdir(parents=True, exist_ok=True)
        return path

    def discard(self, pattern: str) -> None:
        """Earlier results that match the pattern are removed unless they are written anew."""
        self._discards.append(pattern)

    def names(self) -> list[str]:
        """Results written so far."""
        return sorted(
            path.relative_to(self._staging).as_posix()
            for path in self._staging.rglob("*")
            if path.is_file()
        )

    def _commit(self) -> None:
        names = self.names()
        old = {
            path.relative_to(self._results).as_posix()
            for pattern in self._discards
            for path in self._results.glob(pattern)
        }
        for name in names:
            _sync(self._staging / name)
        draft = self._staging / f"{MOVES}.draft"
        draft.write_text(json.dumps({"put": names, "remove": sorted(old - set(names))}))
        _sync(draft)
        draft.rename(self._staging / MOVES)
        _finish(self._results, self._staging)


@contextmanager
def open_results(workspace: Path) -> Iterator[ResultStore]:
    """A store whose files appear below ``results/`` when the block ends without an error.

    Raises CannotWrite where the folder cannot be written, the disk is full, or another command
    holds the workspace for longer than half a minute.
    """
    results = workspace / "results"
    staging = results / f"{STAGING}{uuid.uuid4().hex[:12]}"
    lock = FileLock(results / ".lock", timeout=SECONDS_TO_WAIT)
    try:
        results.mkdir(exist_ok=True)
        with lock:
            recover(results)
            staging.mkdir()
            store = ResultStore(results, staging)
            try:
                yield store
                store._commit()
            finally:
                if not (staging / MOVES).exists():
                    shutil.rmtree(staging, ignore_errors=True)
    except Timeout:
        raise CannotWrite(
            f"{results}: another command is writing here; try again when it is done"
        ) from None
    except OSError as error:
        raise CannotWrite(
            f"{results}: cannot be written ({error.strerror or error}); earlier results are "
            "unchanged; free some space or allow writing, then run the command again"
        ) from error


def recover(results: Path) -> None:
    """Finish what an interrupted command had stored, and remove what it had not."""
    for staging in results.glob(f"{STAGING}*"):
        if (staging / MOVES).exists():
            _finish(results, staging)
        else:
            shutil.rmtree(staging, ignore_errors=True)


def _finish(results: Path, staging: Path) -> None:
    """Move every staged file into place; safe to repeat from any point."""
    moves = json.loads((staging / MOVES).read_text())
    for name in moves["put"]:
        if (staging / name).exists():
            target = results / name
            target.parent.mkdir(parents=True, exist_ok=True)
            os.replace(staging / name, target)
    for name in moves["remove"]:
        (results / name).unlink(missing_ok=True)
    shutil.rmtree(staging)


def _sync(path: Path) -> None:
    with path.open("rb") as handle:
        os.fsync(handle.fileno())
