"""Charts of a season. Each is made once and used in HTML and PDF alike."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd
from markupsafe import Markup
from matplotlib import dates as mpl_dates
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from spreadplan.frames import lines
from spreadplan.metrology import Z95
from spreadplan.reports.figure import (
    AMBER,
    BLUE,
    FAINT,
    INK,
    MUTED,
    PALE_BLUE,
    RED,
    Drawing,
    house_style,
    panels,
    svg,
)
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import Display, short
from spreadplan.views.voice import Voice

MOST_PANELS: Final = 4
MOST_ROUTES: Final = 40
MOST_BUDGETS: Final = 40
BUDGET_DASHES: Final = (0, (4, 2))


def _tons(values: Any, shown: Display) -> np.ndarray:
    return shown.values(POUNDS_PER_TON * np.asarray(values, dtype=float), "bulk")


def _days(moments: pd.Series[Any], shown: Display) -> Any:
    """Local times without a zone: what an axis of dates should show."""
    return pd.DatetimeIndex(moments).tz_convert(shown.timezone).tz_localize(None)


def _date_axis(ax: Axes) -> None:
    """A tick at the start of each month, with the year at that of January."""
    dates: Any = mpl_dates
    locator = dates.MonthLocator()
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator, show_offset=False))


# --- burn-down ---------------------------------------------------------------------------------


def burn_down_chart(
    burn_down: Mapping[str, pd.DataFrame],
    budget: pd.DataFrame,
    voice: Voice,
    width_in: float = 7.5,
) -> Drawing | None:
    """Use of each material so far, what the rest of the season may take, and the budget.

    Parameters
    ----------
    burn_down : by material, see `season.forecast.burn_down`; tons.
    budget : see `season.budgets.budget_table`; the agency's rows are used.
    """
    if not burn_down:
        return None
    agency = budget[budget["scope"] == "agency"].set_index("material")
    most = {
        name: float(np.nanmax(frame[["used", "hi"]], initial=0.0))
        for name, frame in burn_down.items()
    }
    names = sorted(most, key=lambda name: -most[name])[:MOST_PANELS]
    with house_style():
        figure, axes = panels(len(names), width_in, 2.45, min(len(names), 2))
        for name, ax in zip(names, axes, strict=True):
            limit = agency["budget_ton"].get(name, np.nan)
            _burn_down_panel(ax, burn_down[name], float(limit), voice.display)
            ax.set_title(short(voice.material(name), 34))
        axes[0].legend(handles=_burn_down_legend(), loc="lower right", handlelength=1.8)
        alt = "Use over the season. " + " ".join(
            _burn_down_in_words(name, agency.loc[name], voice)
            for name in names
            if name in agency.index
        )
        return Drawing(figure, alt, "burn")


def _burn_down_panel(ax: Axes, frame: pd.DataFrame, limit: float, shown: Display) -> None:
    past, ahead = (frame[frame["part"] == part] for part in ("used", "forecast"))
    ax.step(
        _days(past["date"], shown),
        _tons(past["used"], shown),
        where="post",
        color=BLUE,
        linewidth=1.7,
    )
    if len(ahead) and ahead["lo"].notna().any():
        days = _days(ahead["date"], shown)
        ax.fill_between(
            days,
            _tons(ahead["lo"], shown),
            _tons(ahead["hi"], shown),
            facecolor=PALE_BLUE,
            edgecolor=BLUE,
            linewidth=0.5,
        )
        ax.plot(days, _tons(ahead["expected"], shown), color=BLUE, linewidth=1.2, dashes=(3, 2))
    if np.isfinite(limit):
        height = float(_tons([limit], shown)[0])
        ax.axhline(height, color=RED, linewidth=1.2, linestyle=BUDGET_DASHES)
        ax.annotate(
            "budget",
            (0.005, height),
            xycoords=("axes fraction", "data"),
            xytext=(0, 2),
            textcoords="offset points",
            fontsize=7,
            color=RED,
        )
    _date_axis(ax)
    top = np.nanmax(
        [*_tons(frame["hi"], shown), *_tons(past["used"], shown), *_tons([limit], shown)]
    )
    ax.set_ylim(0, 1.12 * float(top))
    ax.set_ylabel(shown.unit("bulk"))


def _burn_down_legend() -> list[Any]:
    return [
        Line2D([], [], color=BLUE, linewidth=1.7, label="used, true mass"),
        Line2D([], [], color=BLUE, linewidth=1.2, dashes=(3, 2), label="expected"),
        Patch(facecolor=PALE_BLUE, edgecolor=BLUE, linewidth=0.5, label="90 % interval"),
    ]


def _burn_down_in_words(name: str, row: Any, voice: Voice) -> str:
    shown = voice.display
    used = shown.show(POUNDS_PER_TON * row["used_ton"], "bulk")
    said = f"{voice.material(name)}: {used} used"
    if np.isfinite(row["budget_ton"]):
        said += f" of {shown.show(POUNDS_PER_TON * row['budget_ton'], 'bulk')}"
    if np.isfinite(row["forecast_ton"]):
        ends = shown.show_range(
            POUNDS_PER_TON * row["forecast_lo_ton"], POUNDS_PER_TON * row["forecast_hi_ton"], "bulk"
        )
        said += f"; by the season's end {ends} (90 %)"
    return said + "."


# --- budgets -----------------------------------------------------------------------------------


def budget_chart(budget: pd.DataFrame, voice: Voice, width_in: float = 7.5) -> Drawing | None:
    """What is used of each budget and what the season may take, in percent of the budget.

    ``budget`` : see `season.budgets.budget_table`; rows without a budget are left out, and of more
    than `MOST_BUDGETS` those that are used least. Returns None where none is left.
    """
    shares = 100.0 / budget["budget_ton"].where(budget["budget_ton"] > 0.0)
    rows = budget.assign(
        used_pct=budget["used_ton"] * shares,
        half_pct=Z95 * budget["used_u_ton"] * shares,
        most_pct=budget["forecast_hi_ton"] * shares,
    )
    rows = rows[rows["used_pct"].notna()]
    fullest = rows["used_pct"].sort_values(ascending=False, kind="stable").index[:MOST_BUDGETS]
    rows = rows[rows.index.isin(fullest)].reset_index(drop=True)
    if rows.empty:
        return None
    names = [f"{scope_in_words(row)}, {voice.material(row.material)}" for row in lines(rows)]
    places = np.arange(len(rows))
    with house_style():
        figure, (ax,) = panels(1, width_in, 0.75 + 0.2 * len(rows), 1)
        ax.barh(places, rows["most_pct"].fillna(0.0), height=0.62, color=PALE_BLUE)
        ax.barh(places, rows["used_pct"], height=0.34, color=BLUE)
        ax.errorbar(
            rows["used_pct"],
            places,
            xerr=rows["half_pct"],
            fmt="none",
            ecolor=INK,
            elinewidth=1.1,
            capsize=2.2,
        )
        ax.axvline(100.0, color=RED, linewidth=1.2, linestyle=BUDGET_DASHES)
        ax.set_yticks(places, [short(name, 34) for name in names], color=INK)
        ax.set_ylim(len(rows) - 0.4, -0.6)
        ax.set_xlim(left=0.0)
        ax.grid(axis="y", visible=False)
        ax.set_xlabel("percent of the budget")
        figure.legend(
            handles=_budget_legend(),
            loc="outside upper left",
            ncols=3,
            handlelength=1.6,
            columnspacing=1.4,
            borderaxespad=0.1,
        )
        alt = "Use in percent of each budget. " + " ".join(
            f"{name}: {row.used_pct:.0f} % used"
            + (f", {row.most_pct:.0f} % at most by the season's end." if row.most_pct > 0 else ".")
            for name, row in zip(names, lines(rows), strict=True)
        )
        return Drawing(figure, alt, "budgets")


def scope_in_words(budget: Any) -> str:
    """Whose budget a row of the table is."""
    return f"{budget.scope} {budget.scope_id}".removesuffix(" *").strip()


def _budget_legend() -> list[Any]:
    return [
        Patch(facecolor=BLUE, label="used, with its 95 % interval"),
        Patch(facecolor=PALE_BLUE, label="at most by the season's end (90 % interval)"),
        Line2D([], [], color=RED, linewidth=1.2, linestyle=BUDGET_DASHES, label="budget"),
    ]


# --- trucks ------------------------------------------------------------------------------------


def season_truck_chart(history: pd.DataFrame, voice: Voice, width_in: float = 7.5) -> Markup | None:
    """Trucks that need a new test: true over reported mass, storm after storm.

    ``history`` : see `season.records.truck_history`.
    """
    last = history.groupby(["truck_id", "material"]).tail(1)
    off = last[last["test_again"].astype(bool)]
    off = off.loc[(off["ratio"] - 1.0).abs().sort_values(ascending=False).index[:MOST_PANELS]]
    if not len(off):
        return None
    with house_style():
        figure, axes = panels(len(off), width_in, 1.75, min(len(off), 2))
        for one, ax in zip(lines(off), axes, strict=True):
            mine = history[
                (history["truck_id"] == one.truck_id) & (history["material"] == one.material)
            ]
            _truck_panel(ax, mine, voice.display)
            material = short(voice.material(one.material), 18)
            ax.set_title(f"{short(one.truck_id, 18)}, {material}")
        axes[0].set_ylabel("true / reported mass")
        axes[0].legend(
            handles=[
                Line2D([], [], color=BLUE, linewidth=1.6, label="estimate"),
                Patch(facecolor=PALE_BLUE, label="95 %"),
                Line2D(
                    [],
                    [],
                    color=INK,
                    marker="o",
                    markersize=3.6,
                    linewidth=0,
                    label="tickets of the storm",
                ),
            ],
            loc="best",
            ncols=3,
            columnspacing=1.0,
            handlelength=1.4,
        )
        return svg(figure, _trucks_in_words(off, voice), "trucks")


def _truck_panel(ax: Axes, mine: pd.DataFrame, shown: Display) -> None:
    days = _days(mine["start"], shown)
    ax.axhline(1.0, color=MUTED, linewidth=0.9)
    ax.fill_between(days, mine["ratio_lo"], mine["ratio_hi"], color=PALE_BLUE, linewidth=0)
    ax.plot(days, mine["ratio"], color=BLUE, linewidth=1.6)
    ax.plot(days, mine["storm_ratio"], color=INK, marker="o", markersize=3.6, linewidth=0)
    _date_axis(ax)
    ax.margins(y=0.15)


def _trucks_in_words(off: pd.DataFrame, voice: Voice) -> str:
    return "True over reported mass of trucks that need a new test, at the last storm. " + " ".join(
        f"{row.truck_id}, {voice.material(row.material)}: {row.ratio:.2f} (95 %: "
        f"{row.ratio_lo:.2f} to {row.ratio_hi:.2f})."
        for row in lines(off)
    )


# --- routes ------------------------------------------------------------------------------------


def fair_chart(fair: pd.DataFrame, voice: Voice, width_in: float = 7.5) -> Markup | None:
    """Use of each route per lane-mile and hour of severity, with its 95 % interval.

    ``fair`` : see `season.severity.fair_comparison`, by route and material.
    """
    shown = voice.display
    total = fair.groupby("material")["tons"].sum().sort_values(ascending=False, kind="stable")
    names = [str(name) for name in total.index[:2]]
    if not names:
        return None
    rate = "lb_per_lane_mile_severity_hour"
    groups = [
        fair[fair["material"] == name].sort_values(rate, ascending=False).iloc[:MOST_ROUTES]
        for name in names
    ]
    longest = max(len(group) for group in groups)
    with house_style():
        figure, axes = panels(len(names), width_in, 0.75 + 0.155 * longest, len(names))
        for name, group, ax in zip(names, groups, axes, strict=True):
            middle, low, high = (
                shown.values(group[column], "rate_for_severity")
                for column in (rate, f"{rate}_lo", f"{rate}_hi")
            )
            places = np.arange(len(group))
            mean = float(np.average(middle, weights=group["lane_miles"]))
            ax.axvline(mean, color=MUTED, linewidth=0.9, linestyle=BUDGET_DASHES)
            ax.errorbar(
                middle,
                places,
                xerr=[middle - low, high - middle],
                fmt="o",
                color=BLUE,
                ecolor=INK,
                elinewidth=1.1,
                capsize=2.2,
                markersize=4,
            )
            ax.set_yticks(places, [short(route, 20) for route in group["route_id"]], color=INK)
            ax.set_ylim(longest - 0.4, -0.6)
            ax.set_xlim(0, 1.12 * float(max(high.max(), mean)))
            ax.set_title(short(voice.material(name), 30))
            ax.set_xlabel(shown.unit("rate_for_severity"))
        alt = "Use for each length of lane and hour of severity, by route. " + " ".join(
            f"{voice.material(name)}: most on {group['route_id'].iloc[0]}, least on "
            f"{group['route_id'].iloc[-1]}."
            for name, group in zip(names, groups, strict=True)
        )
        return svg(figure, alt, "fair")


# --- chloride ----------------------------------------------------------------------------------


def chloride_chart(chloride: pd.DataFrame, voice: Voice, width_in: float = 7.5) -> Markup | None:
    """Chloride of each storm of the agency, with its 95 % interval.

    ``chloride`` : see `season.chloride.chloride_table`.
    """
    shown = voice.display
    rows = chloride[(chloride["scope"] == "agency") & (chloride["storm"] != "")]
    if not len(rows):
        return None
    middle, low, high = (
        shown.values(rows[f"chloride_{name}lb"], "bulk") for name in ("", "lo_", "hi_")
    )
    places = np.arange(len(rows))
    with house_style():
        figure, (ax,) = panels(1, width_in, 0.7 + 0.17 * len(rows), 1)
        ax.barh(places, middle, height=0.62, color=BLUE)
        ax.errorbar(
            middle,
            places,
            xerr=[middle - low, high - middle],
            fmt="none",
            ecolor=INK,
            elinewidth=1.1,
            capsize=2.2,
        )
        ax.set_yticks(places, [short(voice.storm(name), 30) for name in rows["storm"]], color=INK)
        ax.set_ylim(len(rows) - 0.4, -0.6)
        ax.grid(axis="y", visible=False)
        ax.set_xlabel(f"chloride, {shown.unit('bulk')}, with its 95 % interval")
        worst = rows.iloc[int(np.argmax(rows["chloride_lb"]))]
        alt = (
            f"Chloride put down in {len(rows)} storms; most in {voice.storm(worst['storm'])}: "
            f"{shown.show(float(worst['chloride_lb']), 'bulk')}."
        )
        return svg(figure, alt, "chloride")


def area_chart(
    chloride: pd.DataFrame,
    starts: Mapping[str, pd.Timestamp],
    shown: Display,
    width_in: float = 7.5,
) -> Markup | None:
    """Chloride in each area with a limit as the season went on, against that limit.

    Parameters
    ----------
    chloride : see `season.chloride.chloride_table`.
    starts : of each storm.
    """
    limited = chloride[(chloride["storm"] == "") & chloride["limit_lb"].notna()]
    limited = limited.assign(share=limited["chloride_lb"] / limited["limit_lb"])
    limited = limited.sort_values("share", ascending=False).iloc[:MOST_PANELS]
    if not len(limited):
        return None
    with house_style():
        figure, axes = panels(len(limited), width_in, 1.95, min(len(limited), 2))
        for area, ax in zip(lines(limited), axes, strict=True):
            own = chloride[(chloride["scope_id"] == area.scope_id) & (chloride["storm"] != "")]
            own = own[own["scope"] == area.scope]
            _area_panel(ax, own, area, starts, shown)
            ax.set_title(short(area.name or area.scope_id, 36))
            ax.set_ylabel(f"chloride, {shown.unit('bulk')}")
        alt = "Chloride put down in areas with a limit. " + " ".join(
            f"{row.name or row.scope_id}: {shown.show(row.chloride_lb, 'bulk')} of "
            f"{shown.show(row.limit_lb, 'bulk')}."
            for row in lines(limited)
        )
        return svg(figure, alt, "areas")


def _area_panel(
    ax: Axes, own: pd.DataFrame, area: Any, starts: Mapping[str, pd.Timestamp], shown: Display
) -> None:
    when = pd.Series([starts[name] for name in own["storm"]])
    total = own["chloride_lb"].cumsum().to_numpy(dtype=float)
    # the season's relative uncertainty, which the trucks' common errors make up most of
    half = Z95 * area.chloride_u_lb / area.chloride_lb * total if area.chloride_lb > 0 else 0.0
    days = _days(when, shown)
    middle, low, high = (shown.values(ends, "bulk") for ends in (total, total - half, total + half))
    limit = shown.value(area.limit_lb, "bulk")
    ax.fill_between(days, low, high, step="post", color=PALE_BLUE, linewidth=0)
    colour = RED if area.verdict == "over" else AMBER if area.verdict == "probably_over" else BLUE
    ax.step(days, middle, where="post", color=colour, linewidth=1.7, marker="o", markersize=3.2)
    ax.axhline(limit, color=INK, linewidth=1.2, linestyle=BUDGET_DASHES)
    ax.annotate(
        "season's limit",
        (0.005, limit),
        xycoords=("axes fraction", "data"),
        xytext=(0, 2),
        textcoords="offset points",
        fontsize=7,
        color=INK,
    )
    ax.set_ylim(0, 1.18 * max(float(np.max(high, initial=0.0)), limit))
    ax.set_facecolor("none")
    ax.grid(color=FAINT)
    _date_axis(ax)
