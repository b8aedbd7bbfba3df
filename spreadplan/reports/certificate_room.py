"""How many tests the first page of a certificate holds.

The heights are those of `certificate.html` as printed, in points, a little on the safe side. They
change with the template; the tests that count the pages of full certificates tell when.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from spreadplan.reports.charts import CURVES_IN_A_ROW
from spreadplan.reports.text_width import lines_of

#: height of the page between its margins.
PAGE_PT: Final = {"letter": 723.0, "A4": 773.0}
#: head, gaps, cautions and signatures, and the head of the table of tests.
FIXED_PT: Final = 45.0 + 105.0 + 33.0
#: narrowest page between its margins, A4.
WIDTH_PT: Final = 523.0
LINE_PT: Final = 9.2
TEST_PT: Final = 12.0
CURVES_PT: Final = 108.0
DRIFT_PT: Final = 99.0


def facts_pt(facts: Iterable[tuple[str, str]], sentences: Iterable[str]) -> float:
    """Height of the truck's facts beside the statement of validity."""
    left = sum(1.2 + 9.4 * lines_of(value, 7.5, 140.0) for _, value in facts)
    right = 23.0 + sum(9.9 * lines_of(sentence, 7.7, 284.0) + 2.0 for sentence in sentences)
    return max(left, right) + 7.0


def curves_pt(panels: int) -> float:
    """Height of the discharge curves with their heading."""
    rows = math.ceil(panels / CURVES_IN_A_ROW)
    return CURVES_PT * rows + 16.0 if rows else 0.0


def models_pt(calibrations: Sequence[str], sources: int, flags: Iterable[str]) -> float:
    """Height of the table of models, with a column for each source, and the notes below it."""
    if not calibrations:
        return 0.0
    beside = max(135.0 - 35.0 * max(sources - 3, 0), 40.0)
    rows = sum(3.0 + 9.2 * lines_of(text, 7.5, beside) for text in calibrations)
    notes = sum(0.8 + LINE_PT * lines_of(flag, 7.2, WIDTH_PT - 12.0) for flag in flags)
    return (35.0 if sources <= 3 else 44.0) + rows + notes


def next_pt(advice: Iterable[str], with_drift: bool) -> float:
    """Height of the advice beside the control chart."""
    room = 236.0 if with_drift else 328.0
    told = 14.0 + sum(9.5 * lines_of(text, 7.5, room) + 2.0 for text in advice)
    return max(told, DRIFT_PT if with_drift else 36.0) + 7.0


def tests_on_first_page(
    rows: Sequence[Mapping[str, Any]], paper: str, other_parts_pt: Iterable[float]
) -> int:
    """How many rows of the table of tests fit, beside the other parts of the page.

    ``rows``: with reason (text), counted (a column of mass per count takes room) and warnings
    (texts, each printed once below the table).
    """
    room = PAGE_PT[paper] - FIXED_PT - sum(other_parts_pt)
    noted: set[str] = set()
    for place, row in enumerate(rows):
        beside = 70.0 if row["counted"] else 125.0
        room -= TEST_PT + 9.2 * (lines_of(f"no: {row['reason']}", 7.5, beside) - 1)
        noted |= set(row["warnings"])
        # the notes run in two columns
        notes = sum(lines_of(text, 6.9, WIDTH_PT / 2.0 - 16.0) for text in noted)
        if room < (8.5 * math.ceil(notes / 2.0) + 2.0 if noted else 0.0):
            return place
    return len(rows)
