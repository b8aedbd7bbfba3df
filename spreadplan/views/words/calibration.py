"""Everything that is said about calibration."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from spreadplan.calibration.standing import DO_NOT_USE
from spreadplan.views.words.term import Term

WORDS: Final[Mapping[str, str]] = {}
TERMS: Final[Mapping[str, Mapping[str, Term]]] = {
    "calibration_standing": {
        "untested": Term("not calibrated", "bad"),
        "do_not_use": Term(DO_NOT_USE, "bad"),
        "in_part": Term(f"{DO_NOT_USE} in part", "warn"),
        "contradicting": Term("tests contradict each other", "warn"),
        "short_of_target": Term("usable, target not reached", "warn"),
        "good": Term("good enough", "good"),
    },
}
