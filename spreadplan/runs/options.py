"""How a command speaks, and what commands have in common."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from spreadplan.schema.tables import TABLES

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from spreadplan.reports.pdf_writers import PdfWriters
    from spreadplan.results import ResultStore
    from spreadplan.views.voice import Voice
    from spreadplan.workspace import Workspace

GENERAL = tuple(table.name for table in TABLES.values() if not table.per_storm)
"""Tables of the workspace itself, of which a command reads what is there."""
Progress = Callable[[str, int], AbstractContextManager[Callable[[], None]]]


def _silent(_line: str) -> None:
    """Say nothing."""


@contextmanager
def no_progress(_what: str, _total: int) -> Iterator[Callable[[], None]]:
    """Progress that nobody sees."""
    yield lambda: None


@dataclass(frozen=True)
class Options:
    """How a command speaks, and what it may leave out.

    ``say`` gets what the command did, ``caution`` what is odd but usable; ``progress(what, total)``
    is a context that gives a function to call after each step. Without them nothing is said.
    ``writers`` : processes that wait for PDFs already.
    """

    say: Callable[[str], None] = _silent
    caution: Callable[[str], None] = _silent
    progress: Progress = no_progress
    pdf: bool = True
    writers: PdfWriters | None = None


@contextmanager
def pdf_writers_for(options: Options) -> Iterator[Options]:
    """The same options with processes that get ready for PDFs while something is computed."""
    if not options.pdf:
        yield options
        return
    from spreadplan.reports.pdf_writers import pdf_writers
    from spreadplan.reports.render import WORKERS

    with pdf_writers(WORKERS) as writers:
        yield replace(options, writers=writers)


def say_cautions(workspace: Workspace, options: Options) -> None:
    """Say what is odd in the input but usable."""
    for caution in workspace.cautions:
        options.caution(f"caution: {caution}")


def write_tables(
    store: ResultStore, folder: str, tables: Mapping[str, pd.DataFrame], voice: Voice
) -> None:
    """Write each table, in words, as ``folder/name.csv``, with the columns of its schema in their
    order.
    """
    from spreadplan.results.tables import as_described, write_csv

    for name, frame in tables.items():
        said = voice.table(as_described(name, frame))
        write_csv(said, store.path(f"{folder}/{name}.csv"), voice.display.timezone)


def write_reports(
    store: ResultStore, pages: Iterable[tuple[str, str]], what: str, options: Options
) -> None:
    """Write pages as HTML and PDF, with progress, and say where PDFs had to be left out."""
    write_pages(store.path, pages, what, options)


def write_pages(
    place: Callable[[str], Path], pages: Iterable[tuple[str, str]], what: str, options: Options
) -> None:
    """As `write_reports`; ``place`` : where a result of a name goes."""
    from spreadplan.reports import render

    progress = partial(options.progress, what)
    left_out = render.write_all(place, pages, options.pdf, progress, options.writers)
    if left_out:
        options.caution(left_out)
