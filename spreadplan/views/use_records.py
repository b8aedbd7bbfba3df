"""Which records could not be used, and what was put right."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, Protocol

import pandas as pd

from spreadplan.frames import lines
from spreadplan.views.display import percent

MOST_EXAMPLES: Final = 10
REPEATED: Final = frozenset({"two records at one time", "the same record again"})
"""Nothing is lost with such a record: its twin is used."""
EXPLAINED: Final[Mapping[str, str]] = {
    "no position, the rest of the record used": "its mass counts for the truck; where it lies is "
    "taken from the records around it, or not known",
    "a cell cannot be read, the rest of the record used": "taken as empty",
    "speed impossible, the rest of the record used": "taken as empty",
    "total or rate impossible, the rest of the record used": "taken as missing",
    "time not usable, taken from the records beside it": "by where the record stands in its file",
    "spreading not said": "its counter decides",
    "total missing": "what the next one tells is spread over the way since the one before",
    "total unchanged": "a coarse counter or a pause; mass is spread over the way since the last "
    "change",
    "coarse counter": "the counter moves in large steps; they are spread over the way between",
    "total reset": "counted on from zero",
    "total wrapped": "the counter went over its end and was counted on",
    "impossible jump, not counted": "more than any feeder releases in that time",
    "total set back, not counted": "a smaller total that is no reset",
    "impossible rate, not counted": "more than any feeder releases",
    "rate missing": "taken from the records beside it",
    "silence, rate not counted across it": "no mass is made up for a time without records",
    "out of order": "sorted by time",
    "material changed": "the mass of each is kept apart",
}


class Records(Protocol):
    """The part of `use_report.UseBackground` that is about records."""

    @property
    def rows_read(self) -> int:
        """Records in the files."""
        ...

    @property
    def rows_kept(self) -> int:
        """Records used."""
        ...

    @property
    def quarantine(self) -> pd.DataFrame:
        """source_file, source_row, reason of the others."""
        ...

    @property
    def refused(self) -> Mapping[str, int]:
        """How many were refused for what kind of reason."""
        ...

    @property
    def put_right(self) -> Mapping[str, int]:
        """How often something odd was put right."""
        ...


def records_part(records: Records) -> dict[str, Any]:
    """The section on records: counts by reason, examples, what was put right."""
    quarantined = records.rows_read - records.rows_kept
    repeated = sum(number for kind, number in records.refused.items() if kind in REPEATED)
    return {
        "read": f"{records.rows_read:,}",
        "kept": f"{records.rows_kept:,}",
        "quarantined": f"{quarantined:,}",
        "any": quarantined > 0,
        "repeated": f"{repeated:,}",
        "lost": f"{quarantined - repeated:,}",
        "share": percent((quarantined - repeated) / max(records.rows_read, 1)),
        "reasons": [
            {
                "kind": kind,
                "count": f"{number:,}",
                "note": "nothing lost: its twin is used" if kind in REPEATED else "",
            }
            for kind, number in records.refused.items()
        ],
        "examples": _examples(records.quarantine),
        "put_right": [
            {
                "what": what,
                "count": f"{number:,}",
                "note": EXPLAINED.get(what.removeprefix("liquid: "), ""),
            }
            for what, number in sorted(records.put_right.items(), key=lambda item: -item[1])
        ],
    }


def _examples(quarantine: pd.DataFrame) -> list[dict[str, str]]:
    """One record for each reason, as far as the reasons differ by more than figures."""
    sort_of = quarantine["reason"].astype(str).str.replace(r'".*?"|\S*[\d.]\S*', "", regex=True)
    first = quarantine[~sort_of.duplicated()].iloc[:MOST_EXAMPLES]
    return [
        {"file": str(row.source_file), "row": str(row.source_row), "reason": str(row.reason)}
        for row in lines(first)
    ]
