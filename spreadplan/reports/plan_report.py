"""The plan report: what needs a decision comes first, then the storm, the map, yards and routes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from spreadplan.calibration import Calibration
from spreadplan.calibration.standing import DO_NOT_USE
from spreadplan.calibration.validity import GATE_RULE
from spreadplan.frames import lines
from spreadplan.metrology import coverage_factor
from spreadplan.planning.plan import StormPlan
from spreadplan.reports import charts, maps
from spreadplan.reports.certificate import CONTROL, calibration_in_words
from spreadplan.reports.figure import Drawing
from spreadplan.reports.render import html
from spreadplan.schema.policy import Policy
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import NBSP, NOTHING, Display, as_text, percent, plural
from spreadplan.views.rate_sources import has_rate_from_memory, runs_from_memory, split_source
from spreadplan.views.setting import Setting
from spreadplan.views.voice import Voice

STATUS: Final[dict[str, tuple[str, str]]] = {
    "ok": ("good", "ok"),
    "untreated": ("none", "not treated"),
    "extrapolated": ("warn", "outside tests"),
    "infeasible": ("bad", "rate not reached"),
    "uncalibrated": ("bad", "not calibrated"),
    "do_not_use": ("bad", DO_NOT_USE),
    "no_rate": ("bad", "no rate"),
    "unassigned": ("bad", "no truck"),
}
VERDICT: Final[dict[str, tuple[str, str]]] = {
    "holds": ("good", "holds"),
    "abrasive": ("none", "abrasive"),
    "not checked": ("none", "not checked"),
    "in part": ("warn", "in part"),
    "too cold": ("bad", "too cold"),
    "will not melt": ("bad", "will not melt"),
}
#: a report is for reading: beyond so many rows the tables in the results folder serve better.
MOST_ROUTES: Final = 160
MOST_FINDINGS: Final = 40
MOST_MAPS: Final = 4
SETTINGS_NAMED: Final = 4
#: no truck spreads faster, in mph and km/h: a higher limit is not worth a number.
FASTEST: Final = {"us": 60, "metric": 100}


@dataclass(frozen=True, kw_only=True)
class PlanBackground:
    """What the report shows beside the plan and the calibration.

    sensitive_areas, yards : the workspace's tables.
    pick : which end of the policy's ranges the plan takes.
    absent : files that a part of the work would have used and that are not there.
    scarce : see `scarce.scarce_parts`.
    """

    sensitive_areas: gpd.GeoDataFrame
    yards: pd.DataFrame
    policy: Policy
    pick: str
    absent: tuple[str, ...] = ()
    scarce: Sequence[Mapping[str, Any]] = ()


def need_chart(plan: StormPlan, shown: Display) -> Drawing | None:
    """What the yards need against what they have; None where there is no yard."""
    return charts.need_by_yard(_in_lb(plan.yards), shown) if len(plan.yards) else None


def plan_report(
    plan: StormPlan, calibration: Calibration, background: PlanBackground, setting: Setting
) -> str:
    """The report of a storm's plan as HTML."""
    shown = setting.display
    rates, need = _rates(plan, setting.voice), need_chart(plan, shown)
    return html(
        "plan.html",
        title=f"Plan for {plan.storm}",
        **setting.context(calibration.as_of),
        storm=plan.storm,
        unit=_units(shown),
        **_findings(plan, setting.voice),
        glance=_glance(plan, shown),
        weather=_weather(plan, shown),
        maps=_maps(plan, background, shown),
        need=need and need.svg(),
        yards=_yards(plan, shown),
        routes=_routes(plan, shown),
        routes_left=max(0, len(plan.routes) - MOST_ROUTES),
        melting=_melting(plan, setting.voice),
        rates=rates,
        from_memory=[row for row in rates if row["memory"]],
        calibrations=_calibrations(plan, calibration, background, shown),
        assumptions=_assumptions(background, shown),
        absent=background.absent,
        scarce=background.scarce,
    )


def _units(shown: Display) -> dict[str, str]:
    kinds = ("rate", "bulk", "lane_distance", "gate", "speed", "temperature", "water", "minutes")
    return {kind: shown.unit(kind) for kind in kinds}


# --- findings ----------------------------------------------------------------------------------


def _findings(plan: StormPlan, voice: Voice) -> dict[str, Any]:
    found = {}
    for severity in ("problem", "caution", "note"):
        mine = plan.findings[plan.findings["severity"] == severity]
        rows = [
            {"subject": one.subject, "what": one.what, "remedy": one.remedy}
            for one in lines(voice.table(mine.iloc[:MOST_FINDINGS]))
        ]
        left = max(0, len(mine) - MOST_FINDINGS)
        found[f"{severity}s"] = {"rows": rows, "left": left, "count": len(mine)}
    return found


# --- the storm at a glance ---------------------------------------------------------------------


def _glance(plan: StormPlan, shown: Display) -> list[dict[str, str]]:
    treated = plan.segments[plan.segments["target_rate_lb_per_lane_mile"] > 0]
    times = [shown.moment(one.start) for one in plan.applications if not pd.isna(one.start)]
    routes = plan.routes
    trucks = routes.loc[routes["truck_id"] != "", "truck_id"].nunique()
    timed = [one for one in lines(routes) if math.isfinite(one.minutes)]
    longest = max(timed, key=lambda one: one.minutes, default=None)
    cards = [
        {
            "what": "applications",
            "value": str(len(plan.applications)),
            "more": f"the first {times[0]}" if times else "no start given",
        },
        {
            "what": "to treat, all applications",
            "value": shown.show(float(treated["lane_miles"].sum()), "lane_distance"),
            "more": f"{plural(int(routes['route_id'].nunique()), 'route')}, "
            f"{plural(int(trucks), 'truck')}",
        },
        *_material_cards(plan, shown),
        {
            "what": "loads",
            "value": f"{int(routes['loads'].sum()):,}",
            "more": "longest run "
            + (
                f"{longest.route_id}: {shown.duration(longest.minutes)}"
                if longest is not None
                else "not known"
            ),
        },
    ]
    prewet = float(routes["prewet_gal"].sum())
    if prewet > 0:
        cards.append(
            {"what": "prewetting liquid", "value": shown.show(prewet, "volume"), "more": ""}
        )
    return cards


def _material_cards(plan: StormPlan, shown: Display) -> list[dict[str, str]]:
    """Total of each material. Yards are added as if they erred together: on the safe side."""
    cards = []
    yards = _in_lb(plan.yards)
    for material, group in yards.groupby("material", sort=True):
        needed, high = float(group["needed_lb"].sum()), float(group["needed_hi_lb"].sum())
        low = max(0.0, 2.0 * needed - high)
        cards.append(
            {
                "what": str(material),
                "value": shown.show(needed, "bulk"),
                "more": f"95{NBSP}%: {shown.show_range(low, high, 'bulk')}",
            }
        )
    return cards


def _in_lb(yards: pd.DataFrame) -> pd.DataFrame:
    columns = {
        f"{name}_lb": yards[f"{name}_ton"] * POUNDS_PER_TON
        for name in ("needed", "needed_hi", "on_hand", "short", "order")
    }
    return yards.assign(**columns)


def _weather(plan: StormPlan, shown: Display) -> list[dict[str, Any]]:
    rows = []
    starts = {one.label: one.start for one in plan.applications}
    for (application, zone), group in plan.segments.groupby(["application", "zone"], sort=False):
        treated = group[group["target_rate_lb_per_lane_mile"] > 0]
        first = group.iloc[0]
        rates = treated["target_rate_lb_per_lane_mile"]
        rows.append(
            {
                "application": str(application),
                "zone": str(zone) or "all",
                "start": shown.moment(starts[str(application)]),
                "event": str(first["event"]).replace("_", " ") or NOTHING,
                "temperature": shown.number(float(first["pavement_temp_f"]), "temperature"),
                "water": shown.number(float(first["precipitation_in"]), "water"),
                "rates": _range(rates, "rate", shown),
                "memory": has_rate_from_memory(group),
                "lane_miles": shown.number(float(treated["lane_miles"].sum()), "lane_distance"),
                "mass": shown.number(float(group["mass_lb"].sum()), "bulk"),
            }
        )
    return rows


def _range(values: pd.Series[float], kind: str, shown: Display) -> str:
    if not len(values):
        return NOTHING
    low, high = shown.number(float(values.min()), kind), shown.number(float(values.max()), kind)
    return low if low == high else f"{low} to {high}"


# --- map ---------------------------------------------------------------------------------------


def _maps(plan: StormPlan, background: PlanBackground, shown: Display) -> list[dict[str, Any]]:
    """One map for all applications with the same rates; none where nothing is spread."""
    seen: dict[bytes, list[str]] = {}
    frames: dict[bytes, gpd.GeoDataFrame] = {}
    for application, group in plan.segments.groupby("application", sort=False):
        rates = np.nan_to_num(np.round(maps.planned_rate(group)), nan=-1.0)
        if not np.any(rates > 0):
            continue
        key = rates.tobytes() + "".join(group["status"]).encode()
        seen.setdefault(key, []).append(str(application))
        frames.setdefault(key, group)
    lowest = maps.shared_classes(plan.segments, shown)
    tallest_in = 5.9 if len(seen) == 1 else 4.35
    return [
        {
            "of": ", ".join(labels),
            "many": len(labels) > 1,
            "chart": maps.rate_map(
                frames[key],
                background.sensitive_areas,
                background.yards,
                shown,
                f"map{place}",
                lowest,
                tallest_in,
            ),
        }
        for place, (key, labels) in enumerate(seen.items())
        if place < MOST_MAPS
    ]


# --- tables ------------------------------------------------------------------------------------


def _yards(plan: StormPlan, shown: Display) -> list[dict[str, Any]]:
    rows = []
    for yard in lines(_in_lb(plan.yards)):
        counted = not math.isnan(yard.on_hand_lb)
        state = ("none", "not counted")
        if counted:
            state = ("good", "enough")
            if yard.short_lb > 0:
                state = ("bad", "short")
            elif yard.order_lb > 0:
                state = ("warn", "may run short")
        rows.append(
            {
                "yard": yard.yard_id,
                "material": yard.material,
                "needed": shown.number(yard.needed_lb, "bulk"),
                "high": shown.number(yard.needed_hi_lb, "bulk"),
                "on_hand": shown.number(yard.on_hand_lb, "bulk"),
                "counted": shown.date(yard.on_hand_at),
                "order": shown.number(yard.order_lb, "bulk")
                if counted and yard.order_lb > 0
                else NOTHING,
                "tone": state[0],
                "state": state[1],
            }
        )
    return rows


def _routes(plan: StormPlan, shown: Display) -> list[dict[str, Any]]:
    """Routes by application. A long list keeps the rows that need attention."""
    order = {
        name: place
        for place, name in enumerate(
            (
                "unassigned",
                "no_rate",
                "uncalibrated",
                "do_not_use",
                "infeasible",
                "extrapolated",
                "ok",
                "untreated",
            )
        )
    }
    routes = plan.routes
    if len(routes) > MOST_ROUTES:
        worst = routes["status"].map(order).sort_values(kind="stable").index[:MOST_ROUTES]
        routes = routes.loc[sorted(worst)]
    dials = _dials(plan, shown)
    memory = runs_from_memory(plan)
    groups: list[dict[str, Any]] = []
    for route in lines(routes):
        if not groups or groups[-1]["application"] != route.application:
            groups.append({"application": route.application, "rows": []})
        tone, status = STATUS[route.status]
        groups[-1]["rows"].append(
            {
                "route": route.route_id,
                "truck": route.truck_id or NOTHING,
                "yard": route.yard_id or NOTHING,
                "material": route.material or NOTHING,
                "lane_miles": shown.number(route.lane_miles, "lane_distance"),
                "mass": _with_interval(route, shown),
                "loads": str(int(route.loads)),
                "time": shown.duration(route.minutes) if route.loads else NOTHING,
                "gate": shown.number(route.gate_in, "gate"),
                "setting": dials.get((route.application, route.route_id), NOTHING),
                "memory": (route.application, route.route_id) in memory,
                "fastest": fastest(route.max_speed_mph, shown),
                "tone": tone,
                "status": status,
            }
        )
    return groups


def fastest(max_speed_mph: float, shown: Display) -> str:
    """The highest speed that keeps the rate, rounded down; beyond any spreading speed, so said."""
    if not math.isfinite(max_speed_mph):
        return NOTHING
    top = FASTEST[shown.system]
    speed = math.floor(shown.value(max_speed_mph, "speed") + 1e-9)
    return f"over {top}" if speed > top else str(speed)


def _with_interval(route: Any, shown: Display) -> str:
    mass = shown.number(route.mass_lb, "bulk")
    if not math.isfinite(route.mass_hi_lb) or route.mass_lb == 0:
        return mass
    half = shown.value(route.mass_hi_lb, "bulk") - shown.value(route.mass_lb, "bulk")
    decimals = len(mass.partition(".")[2])
    return f"{mass} ± {as_text(half, max(decimals, 1))}"


def _dials(plan: StormPlan, shown: Display) -> dict[tuple[str, str], str]:
    """The settings of each route and application in a few words."""
    found: dict[tuple[str, str], list[str]] = {}
    for one in lines(plan.settings):
        words = found.setdefault((one.application, one.route_id), [])
        rate = one.rate_to_set_lb_per_lane_mile
        if one.control == "closed_loop" and math.isfinite(rate):
            text = shown.number(rate, "rate") if rate > 0 else ""
        else:
            text = shown.number(one.feeder_pct, "percent") if math.isfinite(one.feeder_pct) else ""
        if text and text not in words:
            words.append(text)
    closed = dict(
        zip(
            zip(plan.settings["application"], plan.settings["route_id"], strict=True),
            plan.settings["control"] == "closed_loop",
            strict=True,
        )
    )
    named = {}
    for key, words in found.items():
        if words:
            shown_words = ", ".join(words[:SETTINGS_NAMED])
            more = f", {len(words) - SETTINGS_NAMED} more" if len(words) > SETTINGS_NAMED else ""
            unit = shown.unit("rate") if closed[key] else "% feeder"
            named[key] = f"{shown_words}{more} {unit}"
    return named


def _melting(plan: StormPlan, voice: Voice) -> list[dict[str, str]]:
    rows, shown = [], voice.display
    for check in lines(voice.table(plan.melting)):
        tone, verdict = VERDICT.get(check.verdict, ("none", check.verdict))
        rows.append(
            {
                "application": check.application,
                "zone": check.zone or "all",
                "material": check.material,
                "temperature": shown.number(check.pavement_temp_f, "temperature"),
                "water": shown.number(check.precipitation_in, "water"),
                "rate": shown.number(check.rate_lb_per_lane_mile, "rate"),
                "held": shown.number(check.water_held_in, "water"),
                "share": percent(check.held_share),
                "tone": tone,
                "verdict": verdict,
                "advice": _melting_advice(check),
            }
        )
    return rows


def _melting_advice(check: Any) -> str:
    if check.verdict == "in part":
        return "the rest is for the plow, and may refreeze"
    if check.verdict == "holds":
        return "if it stays on the road"
    return str(check.advice)


def _rates(plan: StormPlan, voice: Voice) -> list[dict[str, Any]]:
    shown = voice.display
    known = plan.segments[plan.segments["target_rate_lb_per_lane_mile"].notna()]
    rows = []
    for source, group in known.groupby("rate_source", sort=False):
        text, memory = split_source(source, voice)
        rows.append(
            {
                "source": text,
                "memory": memory,
                "applications": ", ".join(str(label) for label in group["application"].unique()),
                "rates": _range(group["target_rate_lb_per_lane_mile"], "rate", shown),
                "lane_miles": shown.number(float(group["lane_miles"].sum()), "lane_distance"),
            }
        )
    return rows


def _calibrations(
    plan: StormPlan, calibration: Calibration, background: PlanBackground, shown: Display
) -> list[dict[str, str]]:
    used = plan.segments.dropna(subset=["gate_in"])
    keys = sorted(set(zip(used["truck_id"], used["material"], used["gate_in"], strict=True)))
    performed = dict(
        zip(calibration.tests["test_id"], calibration.tests["performed_at"], strict=True)
    )
    rows = []
    for key in keys:
        model = calibration.models.get(key)
        if model is None:
            continue
        middle = coverage_factor(model.relative_dof) * float(model.relative_u(model.middle_pct))
        oldest = min(performed[test_id] for test_id in model.test_ids)
        limit = background.policy.calibration_max_age_days
        until = oldest + pd.Timedelta(days=limit) if math.isfinite(limit) else pd.NaT
        low, high = model.tested_lo_pct, model.tested_hi_pct
        rows.append(
            {
                "truck": key[0],
                "material": key[1],
                "gate": shown.number(key[2], "gate"),
                "control": CONTROL[model.control],
                "calibration": calibration_in_words(model, shown),
                "tested": f"{low:g}" if low == high else f"{low:g} to {high:g}",
                "tests": str(len(model.test_ids)),
                "accuracy": f"±{NBSP}{percent(middle)}",
                "until": shown.date(until),
            }
        )
    return rows


def _assumptions(background: PlanBackground, shown: Display) -> Sequence[str]:
    policy = background.policy
    width = (
        "Rates per lane are meant for a lane of "
        f"{shown.show(policy.reference_lane_width_ft, 'width')} and are scaled with the width of "
        "the lane."
        if policy.scale_by_lane_width
        else "Rates per lane hold whatever the width of the lane."
    )
    return (
        f"Of a policy's range the plan takes the {background.pick} value.",
        width,
        "A truck's calibration error is common to all its segments and does not average out; "
        "different trucks err independently. Intervals are 95 %.",
        "Where a rate is not reached, or a truck is not calibrated, mass is taken at the target "
        "rate.",
        "The melting check compares the brine's freezing point with the forecast; traffic, wind, "
        "sun and what bounces off the road are not in it.",
        GATE_RULE + " So a truck has one gate for the whole plan.",
        "Times leave out traffic, plowing and breaks.",
    )
