"""The tables of segments in the usage report: one for each verdict, the furthest off first."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.reconcile.storm import StormUse
from spreadplan.reconcile.verdicts import MORE_ROUNDS_KIND
from spreadplan.views.display import NBSP, NOTHING, Display, as_text, percent, short
from spreadplan.views.voice import sentence_case
from spreadplan.views.words import term

MOST_SEGMENTS: Final = 30
LONGEST_TRUCK: Final = 20


def cut(frame: pd.DataFrame, most: int) -> tuple[pd.DataFrame, int]:
    """The first rows, and how many are left."""
    return frame.iloc[:most], max(0, len(frame) - most)


def between(low: float, high: float, shown: Display, kind: str = "bulk") -> str:
    """An interval for a column whose header carries the unit."""
    return shown.show_range(low, high, kind).removesuffix(f"{NBSP}{shown.unit(kind)}")


def segment_tables(rows: pd.DataFrame, use: StormUse, shown: Display) -> list[dict[str, Any]]:
    """Tables of segments by verdict, each with the greatest departure first."""
    main = _main_trucks(use.parts)
    rows = rows.join(main, on=["route_id", "segment_id", "material"])
    rows["truck_id"] = rows["truck_id"].fillna("")
    excess = rows["applied_lb"] - rows["planned_lb"]
    missed, verdict = rows["is_missed"], rows["kind"]
    wanted = (
        ("over", "more than allowed, with the confidence of the policy", verdict == "over", True),
        (
            "probably_over",
            "more likely than not, but not proven: no ground to blame anybody",
            verdict == "probably_over",
            True,
        ),
        (
            MORE_ROUNDS_KIND,
            "more than the plan in all, no round shown to be over its rate",
            verdict == MORE_ROUNDS_KIND,
            True,
        ),
        ("missed", "planned, heard, and next to nothing put down", missed, False),
        (
            "under",
            "less than the tolerance, with the confidence of the policy",
            (verdict == "under") & ~missed,
            False,
        ),
        (
            "probably_under",
            "more likely than not, but not proven",
            (verdict == "probably_under") & ~missed,
            False,
        ),
    )
    tables = []
    for name, note, where, over in wanted:
        mine = rows[where]
        if len(mine):
            order = excess[where].sort_values(ascending=not over, kind="stable").index
            kept, left = cut(mine.loc[order], MOST_SEGMENTS)
            tables.append(
                {
                    "name": sentence_case(term("use_verdict", name).words),
                    "note": note,
                    "over": over,
                    "count": len(mine),
                    "left": left,
                    "rows": [_segment_row(row, over, shown) for row in lines(kept)],
                }
            )
    return tables


def _main_trucks(parts: pd.DataFrame) -> pd.Series[str]:
    """The truck that put down most, with a + where there were others; by segment and material."""
    keys = ["route_id", "segment_id", "material"]
    ordered = parts.sort_values("applied_lb", ascending=False, kind="stable")
    first = ordered.groupby(keys)["truck_id"].agg(["first", "nunique"])
    return (first["first"] + np.where(first["nunique"] > 1, " +", "")).rename("truck_id")


def _segment_row(row: Any, over: bool, shown: Display) -> dict[str, str]:
    """Rates are those of the whole storm, so that rounds that were not planned show."""
    limit = row.allowed_lb if over else row.least_lb

    def rate(mass_lb: float) -> float:
        lanes = row.lane_miles / row.lane_factor
        return float(mass_lb / lanes) if lanes > 0.0 else math.nan

    return {
        "segment": row.segment_id,
        "road": row.road,
        "route": row.route_id,
        "truck": short(row.truck_id, LONGEST_TRUCK) or NOTHING,
        "area": row.area,
        "rate": shown.number(rate(row.applied_lb), "rate"),
        "interval": between(rate(row.applied_lo_lb), rate(row.applied_hi_lb), shown, "rate"),
        "planned": shown.number(rate(row.planned_lb), "rate"),
        "limit": shown.number(rate(limit), "rate"),
        "excess": _signed(row.applied_lb - row.planned_lb, shown),
        "rounds": f"{as_text(row.applications, 1) if row.passes > 0 else '0'} of "
        f"{row.rounds_planned:g}"
        if math.isfinite(row.rounds_planned)
        else NOTHING,
        "p": _probability(row.p_over if over else row.p_under),
    }


def _signed(mass_lb: float, shown: Display) -> str:
    text = as_text(shown.value(mass_lb, "mass"), 0)
    return f"+{text}" if mass_lb > 0 else text


def _probability(share: float) -> str:
    if share > 0.999:
        return f"> 99.9{NBSP}%"
    return percent(share, 3)
