"""Scenarios of one storm side by side, for the planner."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from spreadplan.frames import lines
from spreadplan.remarks import remark
from spreadplan.reports.figure import (
    BLUE,
    INK,
    MUTED,
    PALE_BLUE,
    house_style,
    panels,
    svg,
)
from spreadplan.reports.render import html
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import MINUS, NOTHING, Display, as_text, short
from spreadplan.views.season_view import MONEY, tons, tons_range
from spreadplan.views.setting import Setting
from spreadplan.views.voice import Voice


def scenario_report(storm: str, table: pd.DataFrame, as_of: pd.Timestamp, setting: Setting) -> str:
    """The report as HTML.

    ``table`` : see `season.scenarios.compare`; its first row is the plan as it is.
    """
    shown, voice = setting.display, setting.voice
    table, name = voice.table(table), voice.storm(storm)
    return html(
        "scenarios.html",
        title=f"Scenarios for {name}",
        **setting.context(as_of),
        storm=name,
        unit={kind: shown.unit(kind) for kind in ("bulk", "lane_distance", "volume")},
        chart=_chart(table, voice),
        rows=_rows(table, shown),
        money_note=MONEY,
    )


def _rows(table: pd.DataFrame, shown: Display) -> list[dict[str, Any]]:
    rows = []
    for one in lines(table):
        base = one.change == ""
        rows.append(
            {
                "scenario": one.scenario,
                "change": one.change,
                "mass": tons(one.mass_ton, shown),
                "ends": tons_range(one.mass_lo_ton, one.mass_hi_ton, shown),
                "more": NOTHING if base else _signed(tons(one.mass_ton_more, shown)),
                "cost": shown.money(one.cost),
                "cost_more": NOTHING if base else _signed(shown.money(one.cost_more)),
                "prewet": shown.number(one.prewet_gal, "volume"),
                "loads": as_text(one.loads, 0),
                "longest": shown.duration(one.longest_minutes),
                "open": shown.number(one.not_treatable_lane_miles, "lane_distance"),
                "short": tons(one.short_ton, shown),
                "problems": str(one.problems),
            }
        )
    return rows


def _signed(text: str) -> str:
    return text if text.startswith(MINUS) or text in ("0", NOTHING) else f"+{text}"


def _chart(table: pd.DataFrame, voice: Voice) -> Markup:
    """Material of each scenario with its interval; the plan as it is as a line."""
    shown = voice.display
    middle, low, high = (
        shown.values(POUNDS_PER_TON * table[f"mass_{name}ton"], "bulk")
        for name in ("", "lo_", "hi_")
    )
    places = np.arange(len(table))
    with house_style():
        figure, (ax,) = panels(1, 7.5, 0.6 + 0.24 * len(table), 1)
        colours = [BLUE if place == 0 else PALE_BLUE for place in places]
        ax.barh(places, middle, height=0.6, color=colours, edgecolor=BLUE, linewidth=0.8)
        reach = [np.maximum(middle - low, 0.0), np.maximum(high - middle, 0.0)]
        ax.errorbar(middle, places, xerr=reach, fmt="none", ecolor=INK, elinewidth=1.1, capsize=2.4)
        ax.axvline(float(middle[0]), color=MUTED, linewidth=0.9, linestyle=(0, (4, 2)))
        ax.set_yticks(places, [short(name, 34) for name in table["scenario"]], color=INK)
        ax.set_ylim(len(table) - 0.4, -0.6)
        ax.grid(axis="y", visible=False)
        ax.set_xlabel(f"material, {shown.unit('bulk')}, with its 95 % interval")
        said = [
            remark("scenario_drawn", scenario=row.scenario, mass_lb=POUNDS_PER_TON * row.mass_ton)
            for row in lines(table)
        ]
        alt = voice.say(remark("scenarios_drawn", scenarios=voice.say_all(said, " ")))
        return svg(figure, alt, "scenarios")
