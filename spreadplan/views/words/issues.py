"""Everything that is said about plans as they were issued."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from spreadplan.views.words.term import Term

WORDS: Final[Mapping[str, str]] = {
    "one_issue": "issue {number} (in force from {since:moment}{who:then})",
    "issued_by": ", by {name}",
    "was_issued": "{storm:storm}: {issue}",
    "judged_by_issues": (
        "Each treatment is judged by the plan in force when it was made: {issues:also}."
    ),
    "judged_by_files": (
        "No plan was issued{storms:then}: treatments are judged by the plan that the files give "
        "now, which nobody may have had in the cab."
    ),
    "for_storms": " for {storms:commas}",
    "a_storm": "{storm:storm}",
    "storm_and_issues": "{storm:storm}: {issues:commas}",
}
TERMS: Final[Mapping[str, Mapping[str, Term]]] = {
    "rate_verdict": {
        "over": Term("over", "bad"),
        "probably_over": Term("probably over", "warn"),
        "under": Term("under", "bad"),
        "probably_under": Term("probably under", "warn"),
        "within": Term("within", "good"),
        "unknown": Term("unknown", "none"),
    },
    "rounds_verdict": {
        "more": Term("more rounds than planned", "warn"),
        "fewer": Term("fewer rounds than planned", "warn"),
        "as_planned": Term("as planned", "good"),
        "unknown": Term("unknown", "none"),
    },
}
