"""What can go wrong with a user's input, and how it is said.

::

    SpreadplanError
    ├── BadInput          one or more problems in the workspace; exit code 2
    └── CannotWrite       a result could not be stored; previous results are whole; exit code 2
"""

from __future__ import annotations

import errno
from collections.abc import Iterable
from dataclasses import dataclass

#: What the system refuses for reasons outside the program: rights, room, broken disks.
OUTSIDE_REASONS = {
    getattr(errno, name)
    for name in (
        "EACCES",
        "EPERM",
        "EROFS",
        "ENOSPC",
        "EDQUOT",
        "EFBIG",
        "EIO",
        "EMFILE",
        "ENFILE",
        "ENOTDIR",
        "ESTALE",
        "ENODEV",
        "ENXIO",
        "EBUSY",
        "ETXTBSY",
    )
    if hasattr(errno, name)
}


@dataclass(frozen=True, kw_only=True)
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
        file, column, what, remedy = (
            plain(text, longest)
            for text, longest in (
                (self.file, 200),
                (self.column, 80),
                (self.what, 300),
                (self.remedy, 300),
            )
        )
        return f"{file}:{self.row}:{column}: {what}; {remedy}"


def plain(text: str, longest: int) -> str:
    """Text of any origin as it may be shown on one line.

    What cannot be seen, would break the line or would steer a terminal is written out, and the
    middle of a long text is left out.

    >>> plain("a\\nb\\x1b[2J", 80)
    'a\\\\nb\\\\x1b[2J'
    """
    if len(text) > longest:
        half = longest // 2
        text = f"{text[:half]}…{text[-half:]}"
    if text.isprintable():
        return text
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode("ascii")
        for letter in text
    )


#: So many problems of one file are named; the rest are counted.
MOST_NAMED = 500


def few(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """The first problems of each file, what stops the work before what does not; others counted."""
    by_file: dict[str, list[Problem]] = {}
    for problem in problems:
        by_file.setdefault(problem.file, []).append(problem)
    kept: list[Problem] = []
    for file, found in by_file.items():
        if len(found) <= MOST_NAMED:
            kept += found
            continue
        named = sorted(range(len(found)), key=lambda at: not found[at].fatal)[:MOST_NAMED]
        kept += [found[at] for at in sorted(named)]
        more, fatal = len(found) - MOST_NAMED, any(problem.fatal for problem in found)
        what, last = f"{more:,} more problems are not named", max(one.row for one in found)
        kept.append(
            Problem(
                file=file,
                row=last,
                column="*",
                what=what,
                remedy="put right those named first",
                fatal=fatal,
            )
        )
    return tuple(kept)


class SpreadplanError(Exception):
    """Base of every error that is meant for the user."""


class BadInput(SpreadplanError):
    """The input has problems; all that were found are in ``problems``."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class CannotWrite(SpreadplanError):
    """A result could not be written; what was there before is unchanged."""


def refused_by_system(error: OSError) -> str:
    """One line for an error of the system that is no defect of ours; "" for any other.

    >>> refused_by_system(PermissionError(errno.EACCES, "Permission denied", "storms"))
    'storms: Permission denied; allow it or free some space, then try again'
    """
    place = f"{plain(str(error.filename), 200)}: " if error.filename else ""
    if error.errno == errno.ENAMETOOLONG:
        return f"{place}{error.strerror}; choose a shorter one"
    if error.errno not in OUTSIDE_REASONS:
        return ""
    return f"{place}{error.strerror}; allow it or free some space, then try again"
