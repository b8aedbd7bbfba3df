"""What the plan pages say of a plan: totals, routes, problems, and how two plans differ."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.runs.what_if import PlanView
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import NOTHING, Display, as_text, plural
from spreadplan.views.plan_rates import rate_text
from spreadplan.views.plan_totals import material_needs
from spreadplan.views.rate_sources import runs_from_memory
from spreadplan.views.voice import Voice, sentence_case
from spreadplan.views.words import TERMS


@dataclass(frozen=True)
class Figure:
    """One total: its name, how it is shown, and its value for comparing."""

    name: str
    text: str
    note: str
    value: float
    difference: Callable[[float], str]


def plan_figures(view: PlanView, voice: Voice) -> list[Figure]:
    """The totals of a plan: material, loads, hours, problems, what yards are short of."""
    plan, shown = view.plan, voice.display
    routes = plan.routes

    def mass(value: float) -> str:
        return shown.show(value, "bulk")

    def count(value: float) -> str:
        return as_text(value, 0)

    found = [
        Figure(
            voice.material(need.material),
            mass(need.needed_lb),
            voice.say_all(need.interval),
            need.needed_lb,
            mass,
        )
        for need in material_needs(plan)
    ]
    loads = float(routes["loads"].sum())
    minutes = float(routes["minutes"].sum())
    missed = routes["not_treatable_lane_miles"].fillna(0.0)
    problems = float((plan.findings["severity"] == "problem").sum())
    short = POUNDS_PER_TON * float(plan.yards["short_ton"].fillna(0.0).sum())
    found += [
        Figure("Loads", count(loads), "", loads, count),
        Figure("Truck time", shown.duration(minutes), "", minutes, shown.duration),
        Figure(
            sentence_case(TERMS["plan_status"]["infeasible"].words),
            shown.show(float(missed.sum()), "lane_distance"),
            "",
            float(missed.sum()),
            lambda value: shown.show(value, "lane_distance"),
        ),
        Figure("Short in yards", mass(short), "", short, mass),
        Figure("Problems", count(problems), "", problems, count),
    ]
    return found


@dataclass(frozen=True)
class Compared:
    """One total of two plans. change: with its sign, or "same"."""

    name: str
    one: str
    other: str
    change: str


def compared(one: Sequence[Figure], other: Sequence[Figure]) -> list[Compared]:
    """Two plans' totals side by side; a material that only one uses counts as none of it."""
    mine, theirs = ({figure.name: figure for figure in half} for half in (one, other))
    names = [figure.name for figure in one]
    names = [name for name in theirs if name not in mine] + names
    rows = []
    for name in names:
        a, b = mine.get(name), theirs.get(name)
        known = a or b
        assert known is not None
        gap = (b.value if b else 0.0) - (a.value if a else 0.0)
        same = math.isclose(gap, 0.0, abs_tol=1e-6) or math.isnan(gap)
        change = "same" if same else f"{'+' if gap > 0 else '−'}{known.difference(abs(gap))}"
        rows.append(Compared(name, a.text if a else "none", b.text if b else "none", change))
    return rows


def route_rows(view: PlanView, application: str, voice: Voice) -> list[dict[str, Any]]:
    """The routes of one application, problems first."""
    shown, terms, routes = voice.display, TERMS["plan_status"], view.plan.routes
    segments = view.plan.segments
    mine = routes[routes["application"] == application]
    rates = _rate_ranges(segments[segments["application"] == application], shown)
    order = {status: place for place, status in enumerate(terms)}
    memory = runs_from_memory(view.plan)
    rows = []
    for row in lines(mine):
        half = (row.mass_hi_lb - row.mass_lo_lb) / 2.0
        rows.append(
            {
                "route_id": row.route_id,
                "truck_id": row.truck_id or NOTHING,
                "yard_id": row.yard_id,
                "material": voice.material(row.material) if row.material else NOTHING,
                "status": terms[row.status],
                "order": order[row.status],
                "rate": rates.get(row.route_id, NOTHING),
                "memory": (row.application, row.route_id) in memory,
                "gate": shown.number(row.gate_in, "gate"),
                "settings": plural(int(row.settings), "setting") if row.settings else NOTHING,
                "lane_miles": shown.number(row.lane_miles, "lane_distance"),
                "mass": shown.number(row.mass_lb, "bulk"),
                "mass_lb": row.mass_lb,
                "mass_u": f"± {shown.number(half, 'bulk')}" if math.isfinite(half) else "",
                "loads": as_text(row.loads, 0) if math.isfinite(row.loads) else NOTHING,
                "minutes": shown.duration(row.minutes),
            }
        )
    return sorted(rows, key=lambda row: row["order"])


def _rate_ranges(segments: pd.DataFrame, shown: Display) -> dict[str, str]:
    """The lowest and highest target rate of each route, without unit."""
    ends = segments.groupby("route_id")["target_rate_lb_per_lane_mile"].agg(["min", "max"])
    found = {}
    for route_id, low, high in ends.itertuples(name=None):
        first, last = (
            rate_text(float(end), shown) if math.isfinite(end) else NOTHING for end in (low, high)
        )
        found[str(route_id)] = first if first == last else f"{first} to {last}"
    return found


def problems_first(view: PlanView, voice: Voice) -> dict[str, list[Any]]:
    """Findings by severity, in words."""
    findings = voice.table(view.plan.findings)
    return {
        severity: changes_in_words(findings[findings["severity"] == severity])
        for severity in ("problem", "caution", "note")
    }


def changes_in_words(frame: pd.DataFrame) -> list[Any]:
    """Rows as objects, for a template."""
    return list(lines(frame))


def route_differences(one: PlanView, other: PlanView, shown: Display) -> list[dict[str, str]]:
    """Routes of two plans side by side, those that differ most first; all applications added."""
    halves = []
    for side, view in (("a", one), ("b", other)):
        routes = view.plan.routes
        sums = routes.groupby("route_id").agg(
            mass_lb=("mass_lb", "sum"),
            loads=("loads", "sum"),
            minutes=("minutes", "sum"),
            truck_id=("truck_id", "first"),
        )
        halves.append(sums.add_suffix(f"_{side}"))
    both = halves[0].join(halves[1], how="outer")
    both["gap"] = (both["mass_lb_b"] - both["mass_lb_a"]).fillna(0.0)
    both = both.iloc[np.argsort(-both["gap"].abs().to_numpy(), kind="stable")]
    rows = []
    for row in lines(both.reset_index()):
        gap = float(row.gap)
        same = abs(gap) < 0.5
        rows.append(
            {
                "route_id": str(row.route_id),
                "truck_a": str(row.truck_id_a),
                "truck_b": str(row.truck_id_b),
                "mass_a": shown.number(row.mass_lb_a, "bulk"),
                "mass_b": shown.number(row.mass_lb_b, "bulk"),
                "change": "same"
                if same
                else f"{'+' if gap > 0 else '−'}{shown.number(abs(gap), 'bulk')}",
                "time_a": shown.duration(row.minutes_a),
                "time_b": shown.duration(row.minutes_b),
            }
        )
    return rows
