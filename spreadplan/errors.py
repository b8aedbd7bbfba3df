"""What can go wrong with a user's input, and how it is said.

::

    SpreadplanError
    ├── BadInput          one or more problems in the workspace; exit code 2
    └── CannotWrite       a result could not be stored; previous results are whole; exit code 2
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Problem:
    """One fault, or one caution, in an input file.

    ``row`` counts as a spreadsheet shows it: the header is row 1, the first data row is 2; in a
    vector file it is the number of the feature, in a TOML table of rows the number of the entry;
    0 means the file as a whole. ``column`` is ``*`` where the whole row is meant.
    """

    file: str
    row: int
    column: str
    what: str
    remedy: str
    fatal: bool = True

    def __str__(self) -> str:
        return f"{self.file}:{self.row}:{self.column}: {self.what}; {self.remedy}"


class SpreadplanError(Exception):
    """Base of every error that is meant for the user."""


class BadInput(SpreadplanError):
    """The input has problems; all that were found are in ``problems``."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class CannotWrite(SpreadplanError):
    """A result could not be written; what was there before is unchanged."""
