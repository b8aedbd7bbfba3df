"""Records that were not used, as the screen tells of them."""

from __future__ import annotations

import pandas as pd

from spreadplan.views.use_records import records_not_used
from tests.said import US


def told(*reasons: str) -> list[str]:
    return records_not_used(pd.DataFrame({"reason": reasons}, dtype=object), US)


def test_records_are_counted_by_what_was_wrong_and_not_by_the_row_that_it_names():
    assert told(
        "no such truck", *(f"the same record stands in a.csv row {n}" for n in range(5, 1205))
    ) == [
        "1,200 records not used; for instance: the same record stands in a.csv row 5",
        "1 record not used: no such truck",
    ]


def test_reasons_that_are_alike_to_the_letter_are_no_instances():
    assert told("no such truck", "no such truck") == ["2 records not used: no such truck"]
    assert told() == []
