"""The catalogue of everything that is said: one entry for each code, one module for each subject.

Entries are filled by `spreadplan.views.voice.Voice`; see there for the forms of their fields.
`TERMS` holds the short words of every status and verdict with their tone.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, TypeVar

from spreadplan.views.words import (
    calibration,
    hours,
    issues,
    now,
    planning,
    reconcile,
    season,
    treatments,
    weather,
)
from spreadplan.views.words.term import Term

T = TypeVar("T")
_SUBJECTS: Final = (
    calibration,
    hours,
    issues,
    now,
    planning,
    reconcile,
    season,
    treatments,
    weather,
)


def _joined(parts: tuple[Mapping[str, T], ...]) -> dict[str, T]:
    """One catalogue of all subjects. Raises ValueError where two subjects claim a code."""
    whole: dict[str, T] = {}
    for part in parts:
        if twice := whole.keys() & part.keys():
            raise ValueError(f"worded twice: {sorted(twice)}")
        whole |= part
    return whole


WORDS: Final[Mapping[str, str]] = _joined(tuple(part.WORDS for part in _SUBJECTS))
#: vocabulary (``plan_status``, ``use_verdict``, ...) -> its codes, worst first, with their terms.
TERMS: Final[Mapping[str, Mapping[str, Term]]] = _joined(tuple(part.TERMS for part in _SUBJECTS))


def term(vocabulary: str, code: str) -> Term:
    """The words and the tone of a code; of one that the vocabulary lacks, the code as it stands.

    Such a code comes from a table of an earlier version.
    """
    return TERMS[vocabulary].get(code) or Term(code.replace("_", " "), "none")
