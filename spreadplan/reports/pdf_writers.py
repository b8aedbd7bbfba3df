"""Processes that turn reports into PDF while the program goes on."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from concurrent.futures import Executor, Future

Job = tuple[Path, Path]
"""A report's HTML and where its PDF goes."""


class PdfWriters:
    """Other processes that write PDFs; none where the system lets no process start."""

    def __init__(self, pool: Executor | None, begun: list[Future[bool]]) -> None:
        self._pool = pool
        self._begun = begun
        self._jobs: dict[Future[None], Job] = {}
        self._left: list[Job] = []

    def possible(self) -> bool:
        """Whether the processes began and find the libraries of the PDF engine."""
        try:
            return bool(self._begun) and self._begun[0].result()
        except _refusals():
            return False

    def add(self, source: Path, target: Path) -> None:
        """Have a PDF written as soon as a process is free."""
        from spreadplan.reports.render import write_pdf  # late: it imports this

        try:
            if self._pool is None:
                raise PermissionError("no process was started")
            self._jobs[self._pool.submit(write_pdf, source, target)] = (source, target)
        except _refusals():
            self._left.append((source, target))

    def finish(self, step: Callable[[], object]) -> list[Job]:
        """Wait for what was added, with a call of ``step`` for each; what was not written."""
        from concurrent.futures import as_completed

        jobs, left = self._jobs, self._left
        self._jobs, self._left = {}, []
        for one in as_completed(jobs):
            try:
                one.result()
            except _refusals():
                left.append(jobs[one])
            else:
                step()
        return left


@contextmanager
def pdf_writers(processes: int) -> Iterator[PdfWriters]:
    """Start processes that get ready for PDFs at once.

    They are spawned, not forked: the numerical libraries keep threads that a fork breaks.
    """
    import multiprocessing  # late, like what it brings: for PDFs alone
    from concurrent.futures import ProcessPoolExecutor

    pool, begun = None, []
    try:
        context = multiprocessing.get_context("spawn")
        pool = ProcessPoolExecutor(processes, context, _end_with_parent)
        with _ctrl_c_blocked():
            begun = [pool.submit(_get_ready) for _ in range(processes)]
    except _refusals():
        begun = []
    try:
        yield PdfWriters(pool if begun else None, begun)
    finally:
        if pool is not None:
            pool.shutdown(cancel_futures=True)


def _get_ready() -> bool:
    """Load the PDF engine with our fonts, by a page of one word; whether that can be."""
    from spreadplan.reports.render import pdf_of, pdf_possible  # late: it imports this

    if not pdf_possible():
        return False
    pdf_of("<p>ready</p>")
    return True


def _refusals() -> tuple[type[Exception], ...]:
    """What says that no process can be started, or that one has died."""
    from concurrent.futures.process import BrokenProcessPool

    return BrokenProcessPool, PermissionError, NotImplementedError


def _end_with_parent() -> None:
    """In a process that writes PDFs: do not outlive whoever waits for them, however that ended."""

    import multiprocessing

    def wait() -> None:
        parent = multiprocessing.parent_process()
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=wait, name="end with parent", daemon=True).start()


@contextmanager
def _ctrl_c_blocked() -> Iterator[None]:
    """Processes started meanwhile leave Ctrl+C to their parent, which then stops them in order."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    earlier = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, earlier)
