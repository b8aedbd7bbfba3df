"""How a command speaks, and what commands have in common."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from spreadplan.schema.tables import TABLES

if TYPE_CHECKING:
    import pandas as pd

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
    """

    say: Callable[[str], None] = _silent
    caution: Callable[[str], None] = _silent
    progress: Progress = no_progress
    pdf: bool = True


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
    from spreadplan.reports import render

    pages = list(pages)
    with options.progress(what, len(pages)) as step:
        left_out = render.write_all(store.path, pages, options.pdf, step)
    if left_out:
        options.caution(left_out)
