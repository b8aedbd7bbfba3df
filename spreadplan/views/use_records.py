"""Which records could not be used, and what was put right."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, Protocol

import pandas as pd

from spreadplan.frames import lines
from spreadplan.remarks import remark
from spreadplan.views.display import percent
from spreadplan.views.voice import Voice
from spreadplan.views.words.reconcile import PUT_RIGHT, TWIN_IS_USED

MOST_EXAMPLES: Final = 10
REPEATED: Final = frozenset({"two records at one time", "the same record again"})
"""Nothing is lost with such a record: its twin is used."""


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
                "note": TWIN_IS_USED if kind in REPEATED else "",
            }
            for kind, number in records.refused.items()
        ],
        "examples": _examples(records.quarantine),
        "put_right": [
            {
                "what": what,
                "count": f"{number:,}",
                "note": PUT_RIGHT.get(what.removeprefix("liquid: "), ""),
            }
            for what, number in sorted(records.put_right.items(), key=lambda item: -item[1])
        ],
    }


def records_not_used(quarantine: pd.DataFrame, voice: Voice) -> list[str]:
    """How many records were not used and why, a line for each sort of reason, the most first."""
    groups = quarantine["reason"].groupby(_sorts(quarantine), sort=False)
    told = [
        voice.say(
            remark("records_not_used", records=len(reasons), reason=reasons.iloc[0])
            if reasons.nunique() == 1
            else remark("records_not_used_such_as", records=len(reasons), reason=reasons.iloc[0])
        )
        for _, reasons in sorted(groups, key=lambda item: -len(item[1]))
    ]
    return told[:MOST_EXAMPLES]


def _sorts(quarantine: pd.DataFrame) -> pd.Series:
    """The reasons without their figures and what they quote, on the index of ``quarantine``."""
    return quarantine["reason"].astype(str).str.replace(r'".*?"|\S*[\d.]\S*', "", regex=True)


def _examples(quarantine: pd.DataFrame) -> list[dict[str, str]]:
    """One record for each reason, as far as the reasons differ by more than figures."""
    first = quarantine[~_sorts(quarantine).duplicated()].iloc[:MOST_EXAMPLES]
    return [
        {"file": str(row.source_file), "row": str(row.source_row), "reason": str(row.reason)}
        for row in lines(first)
    ]
