"""Charts of calibration and of need by yard. Each is made once and used in HTML and PDF alike."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from spreadplan.calibration import DischargeModel
from spreadplan.frames import lines
from spreadplan.metrology import coverage_factor
from spreadplan.remarks import Remark, remark
from spreadplan.reports.figure import (
    BLUE,
    FAINT,
    INK,
    LINE,
    MUTED,
    PALE_BLUE,
    RED,
    Drawing,
    house_style,
    panels,
    svg,
)
from spreadplan.reports.inline_svg import hover
from spreadplan.views.display import short
from spreadplan.views.plan_totals import stock_of
from spreadplan.views.voice import Voice
from spreadplan.views.words import TERMS

COVERAGE: Final = 2.0
"""Error bars show twice the standard uncertainty."""
MARKERS: Final = ("o", "s", "^", "D", "v", "P")
CURVES_IN_A_ROW: Final = 4


# --- discharge ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class CurveGroup:
    """One panel: a material and gate, as mass per count or as discharge."""

    material: str
    gate_in: float
    per_count: bool


def curve_groups(models: Sequence[DischargeModel], tests: pd.DataFrame) -> list[CurveGroup]:
    """The panels of a truck. A closed loop shows what it is calibrated by, and its discharge
    where there is room for both.
    """
    groups = sorted(
        {(model.material, model.gate_in) for model in models}
        | {(str(test.material), float(test.gate_in)) for test in lines(tests)}
    )
    counted = {(model.material, model.gate_in) for model in models if model.counts is not None}
    both = len(groups) + len(counted) <= CURVES_IN_A_ROW
    panels_of = []
    for group in groups:
        if group in counted:
            panels_of.append(CurveGroup(*group, per_count=True))
        if group not in counted or both:
            panels_of.append(CurveGroup(*group, per_count=False))
    return panels_of


def discharge_curves(
    models: Sequence[DischargeModel],
    tests: pd.DataFrame,
    voice: Voice,
    width_in: float = 7.5,
    height_in: float = 1.5,
    groups: Sequence[CurveGroup] | None = None,
) -> Drawing:
    """Mass per count and discharge against feeder output, with every test.

    Parameters
    ----------
    models : the truck's models.
    tests : its tests, valid or not, as `calibration.tests.discharge_results` gives them.
    groups : panels to draw; None: all that the truck has.
    """
    shown = voice.display
    groups = curve_groups(models, tests) if groups is None else groups
    by_group = {(model.material, model.gate_in): model for model in models}
    columns = min(len(groups), CURVES_IN_A_ROW)
    letters = round(13.4 * width_in) // columns - 14
    with house_style():
        figure, axes = panels(len(groups), width_in, height_in, columns)
        for group, ax in zip(groups, axes, strict=True):
            model = by_group.get((group.material, group.gate_in))
            mine = tests[_of_group(tests, group)]
            if group.per_count and model is not None:
                _count_panel(ax, model, mine, voice)
            else:
                _curve(ax, model, mine, voice)
            gate = shown.show(group.gate_in, "gate")
            ax.set_title(f"{short(voice.material(group.material), letters)}, gate {gate}")
            ax.set_xlabel("feeder output, %")
            ax.set_ylabel(shown.unit("per_count" if group.per_count else "discharge"))
        said = [
            _curve_in_words(by_group.get((group.material, group.gate_in)), group, tests)
            for group in groups
        ]
        alt = voice.say(remark("curves_drawn", curves=voice.say_all(said, " ")))
        return Drawing(figure, alt, "curve")


def _of_group(tests: pd.DataFrame, group: CurveGroup) -> pd.Series[bool]:
    return (tests["material"] == group.material) & (tests["gate_in"] == group.gate_in)


def _count_panel(ax: Axes, model: DischargeModel, tests: pd.DataFrame, voice: Voice) -> None:
    """Mass per count with the number in force, its 95 % band, and every test."""
    shown = voice.display
    output = np.linspace(0.0, 100.0, 41)
    factor = coverage_factor(model.relative_dof)
    half = factor * model.lb_per_count * model.relative_u_per_count(output)
    value = np.full_like(output, model.lb_per_count)
    tested = (output >= model.tested_lo_pct) & (output <= model.tested_hi_pct)
    middle, low, high = (
        shown.values(line, "per_count") for line in (value, value - half, value + half)
    )
    ax.fill_between(output, low, high, color=PALE_BLUE, linewidth=0)
    ax.plot(output, middle, color=BLUE, linewidth=1.0, dashes=(3, 2))
    ax.plot(output[tested], middle[tested], color=BLUE, linewidth=1.8)
    _tests(ax, tests, "lb_per_count", "lb_per_count_u", "per_count", voice)
    ax.set_xlim(0, 103)
    ax.margins(y=0.25)


def _curve(ax: Axes, model: DischargeModel | None, tests: pd.DataFrame, voice: Voice) -> None:
    shown = voice.display
    ax.set_xlim(0, 103)
    if model is not None:
        output = np.linspace(0.0, 100.0, 101)
        middle = shown.values(model.predict(output).discharge_lb_per_min, "discharge")
        low, high = (shown.values(end, "discharge") for end in model.interval(output))
        tested = (output >= model.tested_lo_pct) & (output <= model.tested_hi_pct)
        ax.fill_between(output, low, high, color=PALE_BLUE, linewidth=0)
        ax.plot(output, middle, color=BLUE, linewidth=1.0, dashes=(3, 2))
        ax.plot(output[tested], middle[tested], color=BLUE, linewidth=1.8)
    _tests(ax, tests, "discharge_lb_per_min", "discharge_u_lb_per_min", "discharge", voice)
    ax.set_ylim(bottom=0)


def _tests(
    ax: Axes, tests: pd.DataFrame, value: str, value_u: str, kind: str, voice: Voice
) -> None:
    """Tests with bars of twice the standard uncertainty: points that count, crosses that do not."""
    shown = voice.display
    for counts, marker, colour in ((True, "o", INK), (False, "x", MUTED)):
        some = tests[(tests["valid"] == counts) & tests[value].notna()]
        if not len(some):
            continue
        output, middle = some["feeder_pct"].to_numpy(dtype=float), shown.values(some[value], kind)
        ax.errorbar(
            output,
            middle,
            yerr=COVERAGE * shown.values(some[value_u], kind),
            fmt="none",
            ecolor=colour,
            elinewidth=0.9,
            capsize=2,
            markeredgewidth=1.2,
        )
        for x, y, test in zip(output, middle, lines(some), strict=True):
            said = shown.show_pm(getattr(test, value), getattr(test, value_u), kind)
            off = () if counts else (remark("test_is_off", why=test.reason),)
            ax.plot(
                x,
                y,
                marker,
                color=colour,
                markersize=4.2,
                markeredgewidth=1.2,
                gid=hover(voice.say(remark("test_drawn", test=test.test_id, value=said, off=off))),
            )


def _curve_in_words(model: DischargeModel | None, group: CurveGroup, tests: pd.DataFrame) -> Remark:
    mine = tests[_of_group(tests, group)]
    which = remark("material_at_gate", material=group.material, gate_in=group.gate_in)
    counts = remark("tests_drawn", valid=int(mine["valid"].sum()), tests=len(mine))
    if model is None:
        return remark("no_curve_drawn", which=which, counts=counts)
    if group.per_count:
        number = (model.lb_per_count, model.lb_per_count_u)
        return remark("number_drawn", which=which, counts=counts, value_lb=number)
    middle = float(model.predict(np.array([50.0])).discharge_lb_per_min[0])
    ends = tuple(float(end[0]) for end in model.interval(np.array([50.0])))
    return remark("curve_drawn", which=which, counts=counts, middle_lb_per_min=middle, ends=ends)


# --- drift -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Point:
    """One test of a series: percent of the series' first test, with expanded uncertainty."""

    test_id: str
    moment: pd.Timestamp
    relative_pct: float
    expanded_pct: float
    drifted: bool


def drift_chart(
    drift: pd.DataFrame,
    tests: pd.DataFrame,
    changes: pd.DataFrame,
    voice: Voice,
    width_in: float = 3.9,
    height_in: float = 1.24,
) -> Markup | None:
    """Control chart of one truck: successive tests relative to the first, with work on the truck.

    Tests stand side by side in order of time, because many fall on one day. Returns None where no
    two tests can be compared.
    """
    shown = voice.display
    series = _series(drift, tests, voice)
    if not series:
        return None
    moments = {point.test_id: point.moment for points in series.values() for point in points}
    order = sorted(moments, key=lambda test_id: (moments[test_id], test_id))
    place = {test_id: float(number) for number, test_id in enumerate(order)}
    with house_style():
        figure, (ax,) = panels(1, width_in, height_in, 1)
        ax.axhline(100, color=MUTED, linewidth=0.8)
        for marker, points in zip(_endless(MARKERS, len(series)), series.values(), strict=True):
            _plot_series(ax, points, marker, place)
        _mark_changes(ax, changes, [moments[test_id] for test_id in order])
        _date_axis(ax, [shown.date(moments[test_id]) for test_id in order])
        ax.set_ylabel("% of first test")
        ax.set_xlim(-0.6, len(order) - 0.4)
        ax.margins(y=0.12)
        if len(series) > 1 or any(point.drifted for points in series.values() for point in points):
            _drift_legend(ax, series)
        return svg(figure, _drift_in_words(series, voice), "drift")


def _series(drift: pd.DataFrame, tests: pd.DataFrame, voice: Voice) -> dict[str, list[_Point]]:
    """Chains of compared tests, by what tells them apart."""
    moments = dict(zip(tests["test_id"], tests["performed_at"], strict=True))
    chains: list[tuple[str, list[_Point]]] = []
    open_ends: dict[str, int] = {}
    for row in lines(drift.sort_values(["performed_at", "test_id"], kind="stable")):
        number = open_ends.pop(row.previous_test_id, None)
        if number is None:
            number = len(chains)
            gate = voice.display.show(row.gate_in, "gate")
            chains.append((f"{short(voice.material(row.material), 16)}, {gate}", []))
            expanded = 100.0 * COVERAGE * row.previous_value_u / row.previous_value
            chains[number][1].append(
                _Point(row.previous_test_id, moments[row.previous_test_id], 100.0, expanded, False)
            )
        points = chains[number][1]
        # an open loop's earlier value is taken to the output of the later one: only ratios count
        value = points[-1].relative_pct * row.value / row.previous_value
        points.append(
            _Point(
                row.test_id,
                row.performed_at,
                value,
                COVERAGE * value * row.value_u / row.value,
                row.verdict == "drift",
            )
        )
        open_ends[row.test_id] = number
    names = Counter(name for name, _ in chains)
    seen: Counter[str] = Counter()
    series = {}
    for name, points in chains:
        seen[name] += 1
        series[f"{name} ({seen[name]})" if names[name] > 1 else name] = points
    return series


def _plot_series(
    ax: Axes, points: Sequence[_Point], marker: str, place: Mapping[str, float]
) -> None:
    at = [place[point.test_id] for point in points]
    values = [point.relative_pct for point in points]
    ax.errorbar(
        at,
        values,
        yerr=[point.expanded_pct for point in points],
        fmt="none",
        ecolor=BLUE,
        elinewidth=0.9,
        capsize=2.2,
    )
    ax.plot(
        at,
        values,
        color=BLUE,
        linewidth=0.7,
        marker=marker,
        markersize=4.2,
        markerfacecolor="white",
        markeredgecolor=BLUE,
    )
    for x, point in zip(at, points, strict=True):
        if point.drifted:
            ax.plot([x], [point.relative_pct], marker=marker, markersize=6.5, color=RED, zorder=5)


def _mark_changes(ax: Axes, changes: pd.DataFrame, moments: Sequence[pd.Timestamp]) -> None:
    """Work on the truck as lines between the tests before and after it."""
    between: dict[int, list[str]] = {}
    for change in lines(changes[changes["changed_at"] > moments[0]]):
        after = sum(moment <= change.changed_at for moment in moments)
        between.setdefault(after, []).append(change.what)
    for after, what in between.items():
        ax.axvline(after - 0.5, color=INK, linewidth=0.9, linestyle=(0, (2, 2)))
        last = after == len(moments)
        ax.annotate(
            ", ".join(dict.fromkeys(what)),
            (after - 0.5, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(-2 if last else 2, 1),
            textcoords="offset points",
            va="bottom",
            ha="right" if last else "left",
            fontsize=6.5,
            color=INK,
        )


def _date_axis(ax: Axes, dates: Sequence[str]) -> None:
    """A label where a new day begins, as many as fit."""
    starts = [place for place, date in enumerate(dates) if not place or date != dates[place - 1]]
    apart = max(1.0, len(dates) / 4.5)
    kept: list[int] = []
    for place in starts:
        if not kept or place - kept[-1] >= apart:
            kept.append(place)
    ax.set_xticks(kept, [dates[place] for place in kept], ha="left")
    ax.tick_params(axis="x", pad=2)
    ax.grid(axis="x", visible=False)
    for place in starts[1:]:
        ax.axvline(place - 0.5, color=LINE, linewidth=0.7, zorder=0)


def _drift_legend(ax: Axes, series: Mapping[str, Sequence[_Point]]) -> None:
    handles = [
        Line2D(
            [],
            [],
            color=BLUE,
            linewidth=0.8,
            marker=marker,
            markersize=4,
            markerfacecolor="white",
            label=name,
        )
        for marker, name in zip(_endless(MARKERS, len(series)), series, strict=True)
    ]
    if any(point.drifted for points in series.values() for point in points):
        handles.append(
            Line2D(
                [],
                [],
                color=RED,
                linewidth=0,
                marker="o",
                markersize=6,
                label=f"{TERMS['drift']['drift'].words}, |En| > 1",
            )
        )
    ax.legend(
        handles=handles,
        loc="center left",
        bbox_to_anchor=(1.0, 0.5),
        handlelength=1.6,
        fontsize=6.5,
    )


def _endless(items: Sequence[str], count: int) -> list[str]:
    return [items[place % len(items)] for place in range(count)]


def _drift_in_words(series: Mapping[str, Sequence[_Point]], voice: Voice) -> str:
    said = [
        remark(
            "series_drawn",
            series=name,
            tests=len(points),
            last_pct=points[-1].relative_pct,
            expanded_pct=points[-1].expanded_pct,
            verdict="drift" if points[-1].drifted else "steady",
        )
        for name, points in series.items()
    ]
    return voice.say(remark("drift_drawn", series=voice.say_all(said, " ")))


# --- need by yard ------------------------------------------------------------------------------


def need_by_yard(yards: pd.DataFrame, voice: Voice, width_in: float = 7.5) -> Drawing:
    """Need of each yard and material with its 95 % interval, against what is on hand.

    ``yards``: yard_id, material, needed_lb, needed_hi_lb, on_hand_lb (NaN: not counted).
    """
    shown, rows = voice.display, yards.reset_index(drop=True)
    bulk = {
        name: shown.values(rows[f"{name}_lb"], "bulk")
        for name in ("needed", "needed_hi", "on_hand")
    }
    # a pile many times the need would squeeze the bars that matter
    widest = 1.7 * float(np.nanmax([*bulk["needed_hi"], *bulk["needed"], 1e-9]))
    with house_style():
        figure, (ax,) = panels(1, width_in, 0.62 + 0.34 * len(rows), 1)
        for place in range(len(rows)):
            one = {name: float(values[place]) for name, values in bulk.items()}
            _need_bar(ax, place, one, widest)
            _stock_label(ax, place, rows["on_hand_lb"].iloc[place], one, widest, voice)
        ax.set_yticks(
            range(len(rows)),
            [
                f"{short(row.yard_id, 22)} · {short(voice.material(row.material), 18)}"
                for row in lines(rows)
            ],
            color=INK,
            fontsize=7.5,
        )
        ax.set_ylim(len(rows) - 0.45, -0.55)
        ax.set_xlim(0, widest)
        ax.grid(axis="y", visible=False)
        ax.spines["left"].set_visible(False)
        ax.set_xlabel(shown.unit("bulk"))
        ax.legend(
            handles=_need_legend(bulk),
            loc="lower left",
            bbox_to_anchor=(0, 1.0),
            ncols=4,
            borderaxespad=0.2,
            handlelength=1.4,
        )
        return Drawing(figure, _need_in_words(rows, voice), "need")


def _stock_label(
    ax: Axes,
    place: int,
    on_hand_lb: float,
    bulk: Mapping[str, float],
    widest: float,
    voice: Voice,
) -> None:
    """What is on hand in figures, behind the bars or where they leave the chart."""
    have = bulk["on_hand"]
    beyond = (remark("beyond_this_scale"),) if have > widest else ()
    text = voice.say(stock_of(on_hand_lb, beyond))
    at = np.nanmax([have, bulk["needed_hi"], bulk["needed"]])
    inside = at > 0.86 * widest
    ax.annotate(
        text,
        (min(at, widest), place),
        xytext=(-4 if inside else 5, 0),
        va="center",
        ha="right" if inside else "left",
        textcoords="offset points",
        fontsize=6.8,
        color=MUTED,
    )


def _need_bar(ax: Axes, place: int, bulk: Mapping[str, float], widest: float) -> None:
    needed, have = bulk["needed"], bulk["on_hand"]
    if np.isfinite(have):
        ax.barh(
            place,
            min(have, 1.05 * widest),
            height=0.66,
            facecolor=FAINT,
            edgecolor=MUTED,
            linewidth=0.8,
        )
    covered = min(needed, have) if np.isfinite(have) else needed
    ax.barh(place, covered, height=0.34, color=BLUE)
    if needed > covered:
        ax.barh(
            place,
            needed - covered,
            left=covered,
            height=0.34,
            facecolor="#f7d9b4",
            edgecolor=RED,
            hatch="/////",
            linewidth=0.8,
        )
    half = bulk["needed_hi"] - needed
    if half > 0:
        ax.errorbar(needed, place, xerr=half, ecolor=INK, elinewidth=1.1, capsize=3, fmt="none")


def _need_legend(bulk: Mapping[str, np.ndarray]) -> list[Any]:
    handles: list[Any] = [Patch(facecolor=BLUE, label="needed")]
    if np.any(bulk["needed"] > bulk["on_hand"]):
        handles.append(Patch(facecolor="#f7d9b4", edgecolor=RED, hatch="/////", label="short"))
    handles.append(Line2D([], [], color=INK, linewidth=1.1, label="95 % interval of the need"))
    handles.append(Patch(facecolor=FAINT, edgecolor=MUTED, label="on hand"))
    return handles


def _need_in_words(rows: pd.DataFrame, voice: Voice) -> str:
    said = [
        remark(
            "need_drawn",
            yard=row.yard_id,
            material=row.material,
            needed_lb=row.needed_lb,
            stock=stock_of(row.on_hand_lb),
        )
        for row in lines(rows)
    ]
    return voice.say(remark("needs_drawn", yards=voice.say_all(said, " ")))
