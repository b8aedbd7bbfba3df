"""The ways out of a storm that runs, side by side, as paper and screen show them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from spreadplan.frames import lines
from spreadplan.views.display import NOTHING
from spreadplan.views.voice import Voice, sentence_case
from spreadplan.views.words import term


@dataclass(frozen=True, eq=False)
class WaysOut:
    """What a plan of the rest of a storm was chosen from.

    at : the moment from which it plans. options : the table ``plan_options``. taken : the option
    that is the plan.
    """

    at: pd.Timestamp
    options: pd.DataFrame
    taken: str


def way_out_rows(ways: WaysOut, voice: Voice) -> list[dict[str, Any]]:
    """Each way out with what it costs, doing nothing first; the one that is the plan is marked."""
    shown = voice.display
    return [
        {
            "code": row.option,
            "words": sentence_case(term("rest_option", row.option).words),
            "taken": row.option == ways.taken,
            "late": shown.number(row.late_lane_miles, "lane_distance"),
            "worst": shown.duration(row.late_min) if row.late_min > 0 else NOTHING,
            "untreated": shown.number(row.untreated_lane_miles, "lane_distance"),
            "mass": shown.number(row.lb, "bulk"),
            "hours": shown.duration(60.0 * row.hours),
        }
        for row in lines(ways.options)
    ]
