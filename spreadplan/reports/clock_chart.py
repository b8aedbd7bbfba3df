"""The hours of a plan as a chart: one row a truck, what it does hour by hour."""

from __future__ import annotations

import math
from typing import Any, Final

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Patch

from spreadplan.remarks import remark
from spreadplan.reports.figure import (
    BLUE,
    FAINT,
    INK,
    LINE,
    MUTED,
    PALE_BLUE,
    RED,
    WHITE,
    Drawing,
    house_style,
    panels,
)
from spreadplan.views.display import short
from spreadplan.views.plan_hours import PlanHours, TruckHours
from spreadplan.views.voice import Voice
from spreadplan.views.words import TERMS

#: beyond so many trucks the chart shows the late ones and as many others as there is room for.
MOST_TRUCKS: Final = 30
_TICKS: Final = 12
#: told apart by lightness, hatch and height, not by hue alone
_LOOKS: Final[dict[str, dict[str, Any]]] = {
    "load": {"facecolor": INK, "height": 0.62},
    "travel": {"facecolor": PALE_BLUE, "height": 0.30},
    "spread": {"facecolor": BLUE, "height": 0.62},
    "wait": {"facecolor": WHITE, "edgecolor": MUTED, "hatch": "////", "height": 0.16},
}


def truck_hours(hours: PlanHours, voice: Voice, width_in: float = 7.5) -> Drawing:
    """Bars of loading, ways, spreading and waiting; lines where applications begin."""
    trucks = hours.trucks[:MOST_TRUCKS]
    with house_style():
        figure, (ax,) = panels(1, width_in, 0.75 + 0.21 * len(trucks), 1)
        for place, truck in enumerate(trucks):
            _row(ax, place, truck)
        for label, start_h in hours.rounds:
            ax.axvline(start_h, color=INK, linewidth=0.8, linestyle=(0, (4, 2)), zorder=3)
            ax.annotate(
                label,
                (start_h, -0.55),
                xytext=(2, 1),
                textcoords="offset points",
                fontsize=6.8,
                color=INK,
            )
        ax.set_yticks(range(len(trucks)), [_name(truck) for truck in trucks], fontsize=7)
        for text, truck in zip(ax.get_yticklabels(), trucks, strict=True):
            text.set_color(RED if truck.late else INK)
        ax.set_ylim(len(trucks) - 0.45, -0.6)
        _hours(ax, hours, voice)
        ax.grid(axis="y", visible=False)
        ax.spines["left"].set_visible(False)
        ax.legend(
            handles=_legend(),
            loc="lower left",
            bbox_to_anchor=(0, 1.0),
            ncols=4,
            borderaxespad=0.9,
            handlelength=1.4,
        )
        return Drawing(figure, hours_in_words(hours, voice), "hours")


def _name(truck: TruckHours) -> str:
    return f"{short(truck.truck, 18)} · late" if truck.late else short(truck.truck, 24)


def _row(ax: Axes, place: int, truck: TruckHours) -> None:
    for activity, look in _LOOKS.items():
        mine = [bar for bar in truck.bars if bar.activity == activity]
        ax.barh(
            [place] * len(mine),
            [bar.end_h - bar.start_h for bar in mine],
            left=[bar.start_h for bar in mine],
            linewidth=0.4 if "edgecolor" in look else 0.0,
            **look,
        )


def _hours(ax: Axes, hours: PlanHours, voice: Voice) -> None:
    """Hours of the day below the bars; the date where a day begins."""
    step = max(1, math.ceil(hours.until_h / _TICKS))
    at = range(0, math.ceil(hours.until_h) + 1, step)
    moments = [voice.display.moment(hours.zero + pd.Timedelta(hours=hour)) for hour in at]
    texts, day = [], ""
    for moment in moments:
        date, _, time = moment.partition(" ")
        texts.append(f"{time}\n{date}" if date != day else time)
        day = date
    ax.set_xticks(list(at), texts)
    ax.set_xlim(0, max(at))
    ax.grid(axis="x", color=FAINT)
    ax.tick_params(axis="x", color=LINE)


def _legend() -> list[Patch]:
    return [
        Patch(
            facecolor=look["facecolor"],
            edgecolor=look.get("edgecolor"),
            hatch=look.get("hatch"),
            label=TERMS["activity"][activity].words,
        )
        for activity, look in _LOOKS.items()
    ]


def hours_in_words(hours: PlanHours, voice: Voice) -> str:
    """What the chart shows, for people who cannot see it."""
    said = [
        remark(
            "truck_drawn",
            truck=one.truck,
            spread_min=60.0 * sum(b.end_h - b.start_h for b in one.bars if b.activity == "spread"),
            until=hours.zero + pd.Timedelta(hours=one.bars[-1].end_h),
        )
        for one in hours.trucks[:MOST_TRUCKS]
    ]
    return voice.say(remark("hours_drawn", trucks=voice.say_all(said, " ")))
