"""Charts of the usage report: routes against their plan, and the trucks' ratios."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from spreadplan.frames import lines
from spreadplan.reports.figure import (
    FAINT,
    INK,
    MUTED,
    OVER,
    UNDER,
    WHITE,
    Drawing,
    house_style,
    panels,
    svg,
)
from spreadplan.views.display import MINUS, Display, short
from spreadplan.views.voice import Voice
from spreadplan.views.words import term

Floats = NDArray[np.float64]
MOST_ROWS: Final = 40
MOST_IN_WORDS: Final = 12
#: a departure beyond this many times the plan is named in figures, not drawn to scale.
WIDEST_PCT: Final = 220.0
ROW_IN: Final = 0.215
TRUCK_ROW_IN: Final = 0.27
WRONG: Final = (("reports too little", OVER, "^"), ("reports too much", UNDER, "v"))
"""Verdicts on trucks that stand out, with their colour and marker."""


def signed_percent(value_pct: float) -> str:
    """A departure as text, e.g. ``+12 %``."""
    if round(value_pct) == 0:
        return "0 %"
    sign = MINUS if value_pct < 0 else "+"
    return f"{sign}{abs(value_pct):.0f} %"


def route_chart(
    routes: pd.DataFrame, over_pct: float, under_pct: float, voice: Voice, width_in: float = 7.5
) -> Drawing | None:
    """Mass of each route against its plan, and the same in percent of the plan.

    Parameters
    ----------
    routes : route_id, material, applied_, applied_lo_, applied_hi_, planned_, planned_lo_ and
        planned_hi_lb, unknown_segments; in the order to show, the first on top. Rows without a plan
        are left out, and of more than `MOST_ROWS` those nearest to it.
    over_pct, under_pct : tolerances, percent of the plan.

    Returns None where no route has a plan.
    """
    rows = routes[routes["planned_lb"] > 0.0].reset_index(drop=True)
    if rows.empty:
        return None
    departure = (rows["applied_lb"] / rows["planned_lb"] - 1.0).abs()
    furthest = departure.sort_values(ascending=False, kind="stable").index[:MOST_ROWS]
    rows = rows[rows.index.isin(furthest)].reset_index(drop=True)
    with house_style():
        figure, (left, right) = panels(2, width_in, 0.75 + ROW_IN * len(rows), 2)
        places = np.arange(len(rows))
        _mass_panel(left, rows, places, voice.display)
        _percent_panel(right, rows, places, over_pct, under_pct)
        several = rows["material"].nunique() > 1
        left.set_yticks(
            places,
            [
                short(row.route_id, 16)
                + (f" · {short(voice.material(row.material), 12)}" if several else "")
                for row in lines(rows)
            ],
            color=INK,
        )
        right.set_yticks(places, [""] * len(rows))
        for ax in (left, right):
            ax.set_ylim(len(rows) - 0.4, -0.6)
            ax.grid(axis="y", visible=False)
            ax.spines["left"].set_visible(False)
        figure.legend(
            handles=_route_legend(rows),
            loc="outside upper left",
            ncols=5,
            handlelength=1.6,
            columnspacing=1.2,
            borderaxespad=0.1,
        )
        return Drawing(figure, _routes_in_words(rows, voice), "routes")


def _mass_panel(ax: Axes, rows: pd.DataFrame, places: NDArray[np.int64], shown: Display) -> None:
    planned, plan_lo, plan_hi, applied, low, high = (
        shown.values(rows[f"{name}_lb"], "bulk")
        for name in ("planned", "planned_lo", "planned_hi", "applied", "applied_lo", "applied_hi")
    )
    ax.barh(places, planned, height=0.62, facecolor=FAINT, edgecolor=MUTED, linewidth=0.6)
    ends = np.nan_to_num([planned - plan_lo, plan_hi - planned])
    ax.errorbar(
        planned, places + 0.18, xerr=ends, fmt="none", ecolor=MUTED, elinewidth=0.8, capsize=1.6
    )
    ax.errorbar(
        applied,
        places - 0.1,
        xerr=[applied - low, high - applied],
        fmt="o",
        color=INK,
        markersize=3.6,
        elinewidth=1.1,
        capsize=2,
    )
    ax.set_xlim(left=0)
    ax.set_xlabel(f"mass in the storm, {shown.unit('bulk')}")


def _percent_panel(
    ax: Axes, rows: pd.DataFrame, places: NDArray[np.int64], over_pct: float, under_pct: float
) -> None:
    planned = rows["planned_lb"].to_numpy(dtype=float)
    share, low, high = (
        100.0 * rows[f"{name}_lb"].to_numpy(dtype=float) / planned
        for name in ("applied", "applied_lo", "applied_hi")
    )
    inside = share <= WIDEST_PCT
    widest = max(float(np.max(np.minimum(high, WIDEST_PCT))), 100.0 + 1.6 * over_pct)
    narrowest = min(float(np.min(low)), 100.0 - 1.6 * under_pct)
    judged = _outside(low, high, over_pct, under_pct)
    # a shortfall is none where nobody can say what happened
    judged[(judged < 0) & (rows["unknown_segments"] > 0)] = UNHEARD
    ax.axvspan(100.0 - under_pct, 100.0 + over_pct, color=FAINT, linewidth=0)
    ax.axvline(100.0, color=MUTED, linewidth=0.9)
    for verdict, colour, marker in _MARKS:
        mine = inside & (judged == verdict)
        if mine.any():
            ax.errorbar(
                share[mine],
                places[mine],
                xerr=[(share - low)[mine], (high - share)[mine]],
                fmt=marker,
                color=colour,
                markersize=4.4,
                elinewidth=1.1,
                capsize=2,
                markerfacecolor=WHITE if verdict == UNHEARD else colour,
            )
    for place in places:
        text = signed_percent(share[place] - 100.0)
        _beside(ax, place, text, INK)
        if not inside[place]:
            ax.plot(widest, place, marker=">", color=OVER, markersize=5)
    margin = 0.03 * (widest - narrowest)
    ax.set_xlim(narrowest - margin, widest + margin)
    ax.set_xlabel("percent of the plan; the band is the tolerance")


def _beside(ax: Axes, place: float, text: str, colour: str) -> None:
    """A text to the right of the chart, on the height of a row."""
    ax.annotate(
        text,
        (1.01, place),
        xycoords=("axes fraction", "data"),
        va="center",
        fontsize=6.8,
        color=colour,
        annotation_clip=False,
    )


UNHEARD: Final = -2
_MARKS: Final = ((1, OVER, "^"), (0, INK, "o"), (-1, UNDER, "v"), (UNHEARD, MUTED, "o"))


def _outside(low: Floats, high: Floats, over_pct: float, under_pct: float) -> NDArray[np.int64]:
    """1 where the whole interval lies above the tolerance, -1 below, 0 else."""
    return np.where(low > 100.0 + over_pct, 1, np.where(high < 100.0 - under_pct, -1, 0))


def _route_legend(rows: pd.DataFrame) -> list[Any]:
    handles: list[Any] = [
        Patch(facecolor=FAINT, edgecolor=MUTED, label="planned, with 95 %"),
        Line2D(
            [],
            [],
            color=INK,
            marker="o",
            markersize=3.6,
            linewidth=1.1,
            label="true mass, with 95 %",
        ),
        Line2D(
            [],
            [],
            color=OVER,
            marker="^",
            markersize=4.4,
            linewidth=1.1,
            label="whole interval above tolerance",
        ),
        Line2D(
            [], [], color=UNDER, marker="v", markersize=4.4, linewidth=1.1, label="below tolerance"
        ),
    ]
    if (rows["unknown_segments"] > 0).any():
        handles.append(
            Line2D(
                [],
                [],
                color=MUTED,
                marker="o",
                markersize=4.4,
                linewidth=1.1,
                markerfacecolor=WHITE,
                label="partly unheard",
            )
        )
    return handles


def _routes_in_words(rows: pd.DataFrame, voice: Voice) -> str:
    shown = voice.display
    words = [
        f"{row.route_id}, {voice.material(row.material)}: "
        f"{shown.show(row.applied_lb, 'bulk')} (95 %: "
        f"{shown.show_range(row.applied_lo_lb, row.applied_hi_lb, 'bulk')}), planned "
        f"{shown.show(row.planned_lb, 'bulk')}."
        for row in lines(rows.iloc[:MOST_IN_WORDS])
    ]
    more = f" {len(rows) - MOST_IN_WORDS} more." if len(rows) > MOST_IN_WORDS else ""
    return "True mass of each route against its plan. " + " ".join(words) + more


# --- trucks ------------------------------------------------------------------------------------


def truck_chart(
    trucks: pd.DataFrame, calibration_pct: float, voice: Voice, width_in: float = 7.5
) -> Markup | None:
    """True over reported mass of each truck and material, beside its last discharge test.

    Parameters
    ----------
    trucks : truck_id, material, season_ratio, season_lo, season_hi, test_change, test_change_u
        (relative), verdict; in the order to show.
    calibration_pct : an error below this needs no new test.

    Returns None without a truck.
    """
    rows = trucks.iloc[:MOST_ROWS].reset_index(drop=True)
    if rows.empty:
        return None
    with house_style():
        figure, (ax,) = panels(1, width_in, 0.75 + TRUCK_ROW_IN * len(rows), 1)
        ax.axvspan(
            1.0 - calibration_pct / 100.0, 1.0 + calibration_pct / 100.0, color=FAINT, linewidth=0
        )
        ax.axvline(1.0, color=MUTED, linewidth=0.9)
        _truck_marks(ax, rows)
        several = rows["material"].nunique() > 1
        ax.set_yticks(
            range(len(rows)),
            [
                short(row.truck_id, 18)
                + (f" · {short(voice.material(row.material), 14)}" if several else "")
                for row in lines(rows)
            ],
            color=INK,
        )
        ax.set_ylim(len(rows) - 0.4, -0.6)
        low, high = _ratio_span(rows, calibration_pct)
        ax.set_xlim(low - 0.02 * (high - low), high + 0.02 * (high - low))
        ax.grid(axis="y", visible=False)
        ax.spines["left"].set_visible(False)
        ax.set_xlabel(f"times the reported mass; the band is ±{calibration_pct:g} %")
        figure.legend(
            handles=_truck_legend(rows),
            loc="outside upper left",
            ncols=4,
            handlelength=1.6,
            columnspacing=1.4,
            borderaxespad=0.1,
        )
        return svg(figure, _trucks_in_words(rows, voice), "trucks")


def _ratio_span(rows: pd.DataFrame, calibration_pct: float) -> tuple[float, float]:
    """Ends of the scale: all ratios, but no interval so wide that it squeezes the others."""
    band = 1.3 * calibration_pct / 100.0
    change = rows["test_change"].astype(float)
    half = 2.0 * rows["test_change_u"].astype(float) * change
    low = min(1.0 - band, rows["season_lo"].min(), (change - half).min(skipna=True))
    high = max(1.0 + band, rows["season_hi"].max(), (change + half).max(skipna=True))
    return max(float(np.nanmin([low, 1.0 - band])), 0.4), min(
        float(np.nanmax([high, 1.0 + band])), 2.5
    )


def _truck_marks(ax: Axes, rows: pd.DataFrame) -> None:
    """Ratios, tests and verdicts; all of one look at once, since each call is slow."""
    verdict, places = rows["verdict"].to_numpy(), np.arange(len(rows))
    ratio, low, high, change, change_u = (
        rows[name].to_numpy(dtype=float)
        for name in ("season_ratio", "season_lo", "season_hi", "test_change", "test_change_u")
    )
    stands_out = np.isin(verdict, [name for name, _, _ in WRONG])
    looks = [(~stands_out, INK, "o")]
    looks += [(verdict == name, colour, marker) for name, colour, marker in WRONG]
    for mine, colour, marker in looks:
        if mine.any():
            ax.errorbar(
                ratio[mine],
                places[mine] - 0.12,
                xerr=[(ratio - low)[mine], (high - ratio)[mine]],
                fmt=marker,
                color=colour,
                markersize=4.6,
                elinewidth=1.2,
                capsize=2.2,
            )
    tested = np.isfinite(change)
    if tested.any():
        ax.errorbar(
            change[tested],
            places[tested] + 0.24,
            xerr=(2.0 * change * change_u)[tested],
            fmt="D",
            color=MUTED,
            markersize=3.2,
            markerfacecolor=WHITE,
            elinewidth=0.8,
            capsize=1.6,
        )
    for place, row in enumerate(lines(rows)):
        says = INK if row.verdict != "agrees" else MUTED
        words = term("truck_verdict", row.verdict).words
        _beside(ax, place, f"{row.season_ratio:.2f} · {words}", says)


def _truck_legend(rows: pd.DataFrame) -> list[Any]:
    handles = [
        Line2D([], [], color=colour, marker=marker, markersize=4.6, linewidth=1.2, label=label)
        for colour, marker, label in (
            (INK, "o", "by tickets, with 95 %"),
            *(
                (colour, marker, term("truck_verdict", code).words)
                for code, colour, marker in WRONG
            ),
        )
    ]
    if rows["test_change"].notna().any():
        handles.append(
            Line2D(
                [],
                [],
                color=MUTED,
                marker="D",
                markersize=3.2,
                linewidth=0.8,
                markerfacecolor=WHITE,
                label="last test over the one before",
            )
        )
    return handles


def _trucks_in_words(rows: pd.DataFrame, voice: Voice) -> str:
    words: Sequence[str] = [
        f"{row.truck_id}, {voice.material(row.material)}: {row.season_ratio:.2f} (95 %: "
        f"{row.season_lo:.2f} to {row.season_hi:.2f}), "
        f"{term('truck_verdict', row.verdict).words}."
        for row in lines(rows.iloc[:MOST_IN_WORDS])
    ]
    more = f" {len(rows) - MOST_IN_WORDS} more." if len(rows) > MOST_IN_WORDS else ""
    return "True mass over reported mass of each truck. " + " ".join(words) + more
