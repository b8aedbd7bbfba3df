"""The screening of receiving water as the environment report and the page of the season show it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from spreadplan.frames import lines
from spreadplan.metrology import Z95
from spreadplan.season.water import hours_text
from spreadplan.views.display import NBSP, Display, as_text
from spreadplan.views.voice import Voice
from spreadplan.views.words import term


def screened_waters(table: pd.DataFrame, voice: Voice) -> list[dict[str, Any]]:
    """Each water with its criteria, and each criterion with its readings.

    ``table`` : ``screening``.
    """
    waters = []
    for _, rows in table.groupby("area_id", sort=False):
        one = next(lines(rows))
        criteria = rows.groupby("criterion", sort=False)
        waters.append(
            {
                "name": one.name if isinstance(one.name, str) and one.name else one.area_id,
                "about": f"{_stated(one, voice.display)}; {one.basis}",
                "criteria": [_criterion(own, voice) for _, own in criteria],
            }
        )
    return waters


def _criterion(rows: pd.DataFrame, voice: Voice) -> dict[str, Any]:
    one, shown = next(lines(rows)), voice.display
    judged = term("screening", one.screening)
    return {
        "criterion": one.criterion,
        "source": one.source,
        "limit": f"{one.limit_mg_l:g}{NBSP}mg/L over {hours_text(one.averaging_h)}",
        "tone": judged.tone,
        "screening": judged.words,
        "readings": [
            {
                "reading": term("reading", row.reading).words,
                "storms": voice.several_storms(row.storms),
                "window": hours_text(row.window_h),
                "load": shown.number_pm(row.load_lb, Z95 * row.load_u_lb, "mass"),
                "level": f"{_level(row.concentration_mg_l)} "
                f"(up to {_level(row.concentration_hi_mg_l)})",
            }
            for row in lines(rows)
        ],
    }


def _stated(one: Any, shown: Display) -> str:
    """The flows and the background that an area states."""
    flows = (("mean flow", one.mean_flow_cfs), ("low flow", one.low_flow_cfs))
    said = [f"{name} {shown.show(flow, 'stream')}" for name, flow in flows if flow > 0.0]
    if one.background_mg_l >= 0.0:
        said.append(f"background {one.background_mg_l:g}{NBSP}mg/L")
    return ", ".join(said)


def _level(milligrams: float) -> str:
    return as_text(milligrams, 0 if milligrams >= 100.0 else 1 if milligrams >= 10.0 else 2)
