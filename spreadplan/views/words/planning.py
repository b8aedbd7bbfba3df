"""Everything that is said about planning."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from spreadplan.views.words.term import Term

WORDS: Final[Mapping[str, str]] = {}
TERMS: Final[Mapping[str, Mapping[str, Term]]] = {}
