"""A short word that is said of a thing, and how it looks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Tone = Literal["good", "warn", "bad", "none"]


@dataclass(frozen=True)
class Term:
    """The words of one status or verdict; the same on paper, on the screen and in sentences."""

    words: str
    tone: Tone
