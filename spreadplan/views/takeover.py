"""What report and page show of a proposal: who could take over what is late."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from spreadplan.frames import lines
from spreadplan.views.display import Display
from spreadplan.views.words import TERMS

if TYPE_CHECKING:
    import pandas as pd


def takeover_rows(reassigned: pd.DataFrame, shown: Display) -> list[dict[str, str]]:
    """The table ``plan_reassigned`` in words, without units.

    Each row: route, application, now, then, late_before, late_after, mass_before, mass_after.
    """
    return [
        {
            "route": str(row.route_id),
            "application": str(row.application),
            "now": str(row.from_truck),
            "then": str(row.to_truck),
            "late_before": _late(row.late_min_before, shown),
            "late_after": _late(row.late_min_after, shown),
            "mass_before": shown.number(row.lb_before, "mass"),
            "mass_after": shown.number(row.lb_after, "mass"),
        }
        for row in lines(reassigned)
    ]


def _late(minutes: float, shown: Display) -> str:
    if math.isnan(minutes):
        return TERMS["plan_status"]["untreated"].words
    return shown.number(minutes, "minutes")
