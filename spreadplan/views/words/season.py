"""Everything that is said about season."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from spreadplan.views.words.term import Term

WORDS: Final[Mapping[str, str]] = {
    # --- scarce material ---
    "no_solution": "no solution was found: {message}",
    "yard_lacks": "yard {yard}: the",
    "area_allows_less": "area {area}: its limit against the",
    "needs_more_than_there_is": (
        "{where} least treatment of class {classes:names} needs {short_lb:bulk} more than there "
        "is, even with haul from the other yards"
    ),
}
TERMS: Final[Mapping[str, Mapping[str, Term]]] = {}
