"""All results of a command are put in place together, or the earlier ones stay whole.

Files are first written into a staging folder below ``results/``. When the last one is safe on the
disk and nothing stands in its way, the list of moves is stored as ``moves.json`` (see
`spreadplan.journal`): from then on the results count as written. Each file is then moved over the
old one. If the machine stops in between, the next command that opens the workspace finishes the
moves; a staging folder without ``moves.json`` is rubbish and is removed.
"""

from __future__ import annotations

import errno
import os
import shutil
import signal
import threading
import uuid
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from spreadplan.durable import sync_file
from spreadplan.errors import CannotWrite, Problem
from spreadplan.journal import Journal, NotUnderstood, read_journal, set_aside
from spreadplan.places import can_be_a_name, inside, own_file, own_folder

STAGING = ".staging-"
MOVES = "moves.json"
SECONDS_TO_WAIT = 30.0
#: so long nobody is told that there is something to wait for
SECONDS_OF_SILENCE = 1.0
STOPS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)


def _nobody(_text: str) -> None:
    """Tells nobody."""


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
        """Where to write the result called ``name`` (relative to ``results/``, with slashes).

        Raises Outside for a name that leads out.
        """
        path = inside(self._staging, name)
        if not self._staging.is_dir():  # making it again would bring a removed workspace back
            raise FileNotFoundError(errno.ENOENT, "the folder was removed meanwhile")
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
            if not path.is_dir()
        }
        # what is called as nothing of ours can be is somebody else's
        old = {name for name in old if all(map(can_be_a_name, name.split("/")))}
        removed = sorted(old - set(names))
        for name in names:
            sync_file(self._staging / name)
        _make_way(self._results, names, removed)
        moves = tuple((f"{self._staging.name}/{name}", name) for name in names)
        journal = Journal(moves, tuple(removed))
        with _signals_wait():
            journal.write(self._staging / MOVES, self._results)
            _finish(self._results, self._staging, journal)


@contextmanager
def open_results(workspace: Path, tell: Callable[[str], None] = _nobody) -> Iterator[ResultStore]:
    """A store whose files appear below ``results/`` when the block ends without an error.

    ``tell`` is told where another command has to be waited for, and what had to be put aside.
    Raises CannotWrite where the folder cannot be written or leads out of the workspace, the disk
    is full, or another command holds the workspace for longer than half a minute.
    """
    results = workspace / "results"
    staging = results / f"{STAGING}{uuid.uuid4().hex[:12]}"
    with alone(workspace, tell):
        staging.mkdir()
        store = ResultStore(results, staging)
        try:
            yield store
            store._commit()
        finally:
            if not (staging / MOVES).exists():
                shutil.rmtree(staging, ignore_errors=True)


@contextmanager
def alone(
    workspace: Path, tell: Callable[[str], None] = _nobody, seconds: float | None = None
) -> Iterator[None]:
    """No other command writes to this workspace; what an interrupted one left is put right.

    ``seconds`` : longest wait for another command, half a minute without it. Raises CannotWrite
    as `open_results` does, for any error of the disk within the block too.
    """
    results = workspace / "results"
    try:
        lock = FileLock(own_file(own_folder(workspace, "results") / ".lock"))
        longest = SECONDS_TO_WAIT if seconds is None else seconds
        with _held(lock, results, tell, longest):
            recover(results, tell)
            yield
    except OSError as error:
        if _is_no_refusal(error, workspace):
            raise
        raise CannotWrite(
            f"{results}: cannot be written ({error.strerror or error}); earlier results are "
            "unchanged; free some space or allow writing, then run the command again"
        ) from error


def _is_no_refusal(error: OSError, workspace: Path) -> bool:
    """Whether no disk said so: a template or another file of the program is missing.

    What GDAL could not write has no number of the system's.
    """
    if isinstance(error, LookupError):  # as a template that is not there
        return True
    if error.errno != errno.ENOENT or not error.filename:
        return False
    return not Path(str(error.filename)).absolute().is_relative_to(workspace.absolute())


@contextmanager
def _held(
    lock: FileLock, results: Path, tell: Callable[[str], None], seconds: float
) -> Iterator[None]:
    """The lock; whoever has to wait for it is told."""
    try:
        lock.acquire(timeout=min(SECONDS_OF_SILENCE, seconds))
    except Timeout:
        tell(f"{results}: another command is writing here; waiting until it is done")
        try:
            lock.acquire(timeout=max(0.0, seconds - SECONDS_OF_SILENCE))
        except Timeout:
            raise CannotWrite(
                f"{results}: another command is writing here; try again when it is done"
            ) from None
    try:
        yield
    finally:
        lock.release()


def recover(results: Path, tell: Callable[[str], None] = _nobody) -> None:
    """Finish what an interrupted command had stored, and remove what it had not."""
    for staging in sorted(results.glob(f"{STAGING}*")):
        moves = staging / MOVES
        if staging.is_symlink() or not staging.is_dir():
            _put_aside(staging, "is not a folder", results, tell)
        elif not (moves.exists() or moves.is_symlink()):
            shutil.rmtree(staging, ignore_errors=True)
        else:
            try:
                journal = read_journal(moves, results)
            except NotUnderstood as error:
                _put_aside(staging, f"its {MOVES} {error}", results, tell)
                continue
            with _signals_wait():
                _finish(results, staging, journal)


def _put_aside(staging: Path, why: str, results: Path, tell: Callable[[str], None]) -> None:
    """Name new results that cannot be put in place, and let them not stop anybody."""
    aside = set_aside(results, [staging])
    place = f"{results.name}/{staging.name}"
    what = f"new results of an earlier command cannot be put in place: {why}"
    remedy = f"run that command again; all of it was put aside in {results.name}/{aside.name}"
    tell(
        f"caution: {Problem(file=place, row=0, column='*', what=what, remedy=remedy, fatal=False)}"
    )


def _make_way(results: Path, names: Iterable[str], removed: Iterable[str]) -> None:
    """Make the folders that the files will stand in. Raises OSError for what is in the way.

    Once the moves are stored nothing must stop them.
    """
    for name in names:
        target = inside(results, name)
        for folder in reversed(target.relative_to(results).parents):
            place = results / folder
            if place.exists() and not place.is_dir():
                raise NotADirectoryError(errno.ENOTDIR, f"{place} is a file, not a folder")
        target.parent.mkdir(parents=True, exist_ok=True)
        if target.is_dir() and not target.is_symlink():
            raise IsADirectoryError(errno.EISDIR, f"{target} is a folder, not a file")
    for folder in {(results / name).parent for name in (*names, *removed)}:
        if not os.access(folder, os.W_OK):
            raise PermissionError(errno.EACCES, f"{folder} does not allow writing")


def _finish(results: Path, staging: Path, journal: Journal) -> None:
    """Move every staged file into place; safe to repeat from any point."""
    try:
        journal.carry_out(results)
        shutil.rmtree(staging)
    except OSError as error:
        raise CannotWrite(
            f"{results}: new results are complete but could not all be put in place "
            f"({error.filename2 or error.filename}: {error.strerror}); put that right, then run "
            "any command that writes results: it puts the rest in place first"
        ) from error


@contextmanager
def _signals_wait() -> Iterator[None]:
    """Whoever stops the program meanwhile is heard when the block is done."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    heard: list[int] = []
    earlier = {number: signal.getsignal(number) for number in STOPS}
    ours = [number for number, handler in earlier.items() if handler is not None]
    for number in ours:
        signal.signal(number, lambda given, _frame: heard.append(given))
    try:
        yield
    finally:
        for number in ours:
            signal.signal(number, earlier[number])
        if heard:
            signal.raise_signal(heard[0])
