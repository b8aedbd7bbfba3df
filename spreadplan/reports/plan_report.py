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
from spreadplan.frames import lines
from spreadplan.metrology import coverage_factor
from spreadplan.planning.forecast_doubt import COMMON_SHARE, default_doubts_f
from spreadplan.planning.plan import StormPlan
from spreadplan.remarks import Remark, remark
from spreadplan.reports import charts, maps
from spreadplan.reports.certificate import calibration_in_words
from spreadplan.reports.clock_chart import MOST_TRUCKS, truck_hours
from spreadplan.reports.figure import Drawing
from spreadplan.reports.render import html
from spreadplan.schema.policy import Policy
from spreadplan.views.display import NBSP, NOTHING, Display, as_text, percent
from spreadplan.views.plan_hours import (
    hours_state,
    late_routes,
    plan_hours,
    salt_state,
    who_cannot_go,
)
from spreadplan.views.plan_rates import as_read
from spreadplan.views.plan_totals import (
    decisions,
    fastest_of_runs,
    in_lb,
    material_needs,
    yard_state,
)
from spreadplan.views.plan_weather import by_weather, weather_of_material, weather_rows
from spreadplan.views.rate_sources import has_rate_from_memory, runs_from_memory, split_source
from spreadplan.views.setting import Setting
from spreadplan.views.takeover import takeover_rows
from spreadplan.views.voice import Voice, named
from spreadplan.views.ways_out import WaysOut, way_out_rows
from spreadplan.views.words import TERMS

#: a report is for reading: beyond so many rows the tables in the results folder serve better.
MOST_ROUTES: Final = 160
MOST_FINDINGS: Final = 40
MOST_MAPS: Final = 4
SETTINGS_NAMED: Final = 4
MOST_LATE: Final = 20


@dataclass(frozen=True, kw_only=True)
class PlanBackground:
    """What the report shows beside the plan and the calibration.

    sensitive_areas, yards : the workspace's tables.
    pick : which end of the policy's ranges the plan takes.
    absent : files that a part of the work would have used and that are not there.
    scarce : see `scarce.scarce_parts`.
    ways : what the plan of the rest of a storm was chosen from; None for the plan of a whole storm.
    """

    sensitive_areas: gpd.GeoDataFrame
    yards: pd.DataFrame
    policy: Policy
    pick: str
    absent: tuple[str, ...] = ()
    scarce: Sequence[Mapping[str, Any]] = ()
    ways: WaysOut | None = None


def need_chart(plan: StormPlan, voice: Voice) -> Drawing | None:
    """What the yards need against what they have; None where there is no yard."""
    return charts.need_by_yard(in_lb(plan.yards), voice) if len(plan.yards) else None


def plan_report(
    plan: StormPlan, calibration: Calibration, background: PlanBackground, setting: Setting
) -> str:
    """The report of a storm's plan as HTML."""
    shown, voice = setting.display, setting.voice
    plan = as_read(plan, shown)
    storm = voice.storm(plan.storm)
    rates, need = _rates(plan, voice), need_chart(plan, voice)
    hours = plan_hours(plan)
    return html(
        "plan.html",
        title=f"Plan for {storm}",
        **setting.context(calibration.as_of),
        storm=storm,
        unit=_units(shown),
        answers=_answers(plan, voice),
        decisions=voice.say(decisions(plan, running=background.ways is not None)),
        ways=background.ways
        and {
            "at": shown.moment(background.ways.at),
            "rows": way_out_rows(background.ways, voice),
        },
        **_findings(plan, voice),
        glance=_glance(plan, voice),
        weather=_weather(plan, shown),
        turns_out=weather_rows(plan, voice),
        maps=_maps(plan, background, voice),
        need=need and need.svg(),
        hours=hours and truck_hours(hours, voice).svg(),
        hours_left=max(0, len(hours.trucks) - MOST_TRUCKS) if hours else 0,
        late=_late(plan, voice),
        yards=_yards(plan, voice),
        routes=_routes(plan, voice),
        routes_left=max(0, len(plan.routes) - MOST_ROUTES),
        melting=_melting(plan, voice),
        lots=_lots(plan, voice),
        rates=rates,
        from_memory=[row for row in rates if row["memory"]],
        calibrations=_calibrations(plan, calibration, background, voice),
        assumptions=_assumptions(background, voice),
        absent=background.absent,
        scarce=background.scarce,
        takeover={
            "rows": takeover_rows(plan.reassigned.iloc[:MOST_FINDINGS], shown),
            "left": max(0, len(plan.reassigned) - MOST_FINDINGS),
        },
    )


def _units(shown: Display) -> dict[str, str]:
    kinds = (
        "rate",
        "bulk",
        "lane_distance",
        "gate",
        "speed",
        "temperature",
        "water",
        "minutes",
        "mass",
    )
    return {kind: shown.unit(kind) for kind in kinds}


def _answers(plan: StormPlan, voice: Voice) -> list[dict[str, str]]:
    """The three questions of the evening before."""
    said = (
        ("Enough salt?", salt_state(plan)),
        ("Enough hours?", hours_state(plan)),
        ("Who cannot go?", who_cannot_go(plan)),
    )
    return [{"question": question, "answer": voice.say(answer)} for question, answer in said]


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


def _glance(plan: StormPlan, voice: Voice) -> list[dict[str, str]]:
    shown, routes = voice.display, plan.routes
    treated = plan.segments[plan.segments["target_rate_lb_per_lane_mile"] > 0]
    starts = [one.start for one in plan.applications if not pd.isna(one.start)]
    first = remark("first_round_at", start=starts[0]) if starts else remark("no_start_given")
    trucks = routes.loc[routes["truck_id"] != "", "truck_id"].nunique()
    who = remark("routes_and_trucks", routes=routes["route_id"].nunique(), trucks=trucks)
    timed = [one for one in lines(routes) if math.isfinite(one.minutes)]
    longest = max(timed, key=lambda one: one.minutes, default=None)
    run = remark("longest_run_unknown")
    if longest is not None:
        run = remark("longest_run", route=longest.route_id, minutes=longest.minutes)
    lane_miles = float(treated["lane_miles"].sum())
    cards = [
        ("applications", str(len(plan.applications)), voice.say(first)),
        (
            "to treat, all applications",
            shown.show(lane_miles, "lane_distance"),
            voice.say(who),
        ),
        *(
            (
                voice.material(one.material),
                shown.show(one.needed_lb, "bulk"),
                voice.say_all((*one.interval, *weather_of_material(plan, one))),
            )
            for one in material_needs(plan)
        ),
        ("loads", f"{int(routes['loads'].sum()):,}", voice.say(run)),
    ]
    chemical = float(routes["chemical_lb"].sum(min_count=1))
    if math.isfinite(chemical):
        cards.append(("dry chemical in it", shown.show(chemical, "bulk"), ""))
    prewet = float(routes["prewet_gal"].sum())
    if prewet > 0:
        cards.append(("prewetting liquid", shown.show(prewet, "volume"), ""))
    return [{"what": what, "value": value, "more": more} for what, value, more in cards]


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


def _maps(plan: StormPlan, background: PlanBackground, voice: Voice) -> list[dict[str, Any]]:
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
    lowest = maps.shared_classes(plan.segments, voice.display)
    tallest_in = 5.9 if len(seen) == 1 else 4.35
    return [
        {
            "of": ", ".join(labels),
            "many": len(labels) > 1,
            "chart": maps.rate_map(
                frames[key],
                background.sensitive_areas,
                background.yards,
                voice,
                f"map{place}",
                lowest,
                tallest_in,
            ),
        }
        for place, (key, labels) in enumerate(seen.items())
        if place < MOST_MAPS
    ]


def _late(plan: StormPlan, voice: Voice) -> list[dict[str, str]]:
    """The latest routes, with when they are treated."""
    shown = voice.display
    return [
        {
            "route": one.route_id,
            "application": one.application,
            "truck": one.truck_id,
            "starts": shown.moment(one.starts_at),
            "ends": shown.moment(one.ends_at),
            "late": shown.duration(one.late_min),
            "gap": shown.duration(one.gap_min),
        }
        for one in lines(late_routes(plan).head(MOST_LATE))
    ]


# --- tables ------------------------------------------------------------------------------------


def _yards(plan: StormPlan, voice: Voice) -> list[dict[str, Any]]:
    rows, shown = [], voice.display

    def amount(yard: Any, name: str) -> str:
        """Of a liquid with its unit: the head of the column is about masses."""
        gallons = float(getattr(yard, f"{name}_gal"))
        if math.isfinite(yard.needed_gal):
            return shown.show(gallons, "volume")
        return shown.number(float(getattr(yard, f"{name}_lb")), "bulk")

    for yard in lines(in_lb(plan.yards)):
        rows.append(
            {
                "yard": yard.yard_id,
                "material": voice.material(yard.material),
                "needed": amount(yard, "needed"),
                "high": amount(yard, "needed_hi"),
                "by_weather": by_weather(yard.weather_lo_lb, yard.weather_hi_lb, shown) or NOTHING,
                "on_hand": amount(yard, "on_hand"),
                "counted": shown.date(yard.on_hand_at),
                "order": amount(yard, "order") if yard.order_lb > 0 else NOTHING,
                "state": yard_state(yard),
            }
        )
    return rows


def _routes(plan: StormPlan, voice: Voice) -> list[dict[str, Any]]:
    """Routes by application. A long list keeps the rows that need attention."""
    shown, terms = voice.display, TERMS["plan_status"]
    order = {status: place for place, status in enumerate(terms)}
    routes = plan.routes
    if len(routes) > MOST_ROUTES:
        worst = routes["status"].map(order).sort_values(kind="stable").index[:MOST_ROUTES]
        routes = routes.loc[sorted(worst)]
    dials, top_speeds = _dials(plan, shown), fastest_of_runs(plan, voice)
    memory = runs_from_memory(plan)
    groups: list[dict[str, Any]] = []
    for route in lines(routes):
        if not groups or groups[-1]["application"] != route.application:
            groups.append({"application": route.application, "rows": []})
        groups[-1]["rows"].append(
            {
                "route": route.route_id,
                "truck": route.truck_id or NOTHING,
                "yard": route.yard_id or NOTHING,
                "material": voice.material(route.material) if route.material else NOTHING,
                "lane_miles": shown.number(route.lane_miles, "lane_distance"),
                "mass": _with_interval(route, shown),
                "by_weather": by_weather(route.weather_lo_lb, route.weather_hi_lb, shown),
                "loads": str(int(route.loads)),
                "time": shown.duration(route.minutes) if route.loads else NOTHING,
                "starts": shown.moment(route.starts_at).split()[-1],
                "ends": shown.moment(route.ends_at).split()[-1],
                "gate": shown.number(route.gate_in, "gate"),
                "setting": dials.get((route.application, route.route_id), NOTHING),
                "memory": (route.application, route.route_id) in memory,
                "fastest": top_speeds[route.application, route.route_id],
                "status": terms[route.status],
            }
        )
    return groups


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
    units = {True: shown.unit("rate"), False: "% feeder"}
    return {
        key: f"{named(words, SETTINGS_NAMED)} {units[closed[key]]}"
        for key, words in found.items()
        if words
    }


def _melting(plan: StormPlan, voice: Voice) -> list[dict[str, str]]:
    rows, shown = [], voice.display
    for check in lines(voice.table(plan.melting)):
        rows.append(
            {
                "application": check.application,
                "zone": check.zone or "all",
                "material": voice.material(check.material),
                "temperature": shown.number(check.pavement_temp_f, "temperature"),
                "water": shown.number(check.precipitation_in, "water"),
                "rate": shown.number(check.rate_lb_per_lane_mile, "rate"),
                "until": shown.weekday_time(check.holds_until),
                "needed": shown.weekday_time(check.needed_until),
                "verdict": TERMS["melting"][check.verdict],
                "advice": check.advice,
            }
        )
    return rows


def _or_dash(rate: float) -> str:
    return NOTHING if np.isnan(rate) else as_text(rate, 2)


def _lots(plan: StormPlan, voice: Voice) -> list[dict[str, str]]:
    """Lots in the units of the workspace; their rates per area stand in both."""
    shown = voice.display
    return [
        {
            "application": lot.application,
            "name": lot.name or lot.lot_id,
            "truck": lot.truck_id,
            "material": voice.material(lot.material),
            "area": f"{lot.area_ft2:,.0f}",
            "per_1000": _or_dash(lot.rate_lb_per_1000_ft2),
            "gal_per_1000": _or_dash(lot.rate_gal_per_1000_ft2),
            "per_m2": _or_dash(lot.rate_g_per_m2),
            "mass": shown.show(lot.mass_lb, "mass"),
            "liquid": shown.show(lot.liquid_gal + lot.prewet_gal, "volume"),
            "note": lot.note if np.isnan(lot.mass_lb) else lot.rate_source,
        }
        for lot in lines(voice.table(plan.areas))
    ]


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
    plan: StormPlan, calibration: Calibration, background: PlanBackground, voice: Voice
) -> list[dict[str, str]]:
    shown = voice.display
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
                "material": voice.material(key[1]),
                "gate": shown.number(key[2], "gate"),
                "control": TERMS["control"][model.control].words,
                "calibration": calibration_in_words(model, voice),
                "tested": f"{low:g}" if low == high else f"{low:g} to {high:g}",
                "tests": str(len(model.test_ids)),
                "accuracy": f"±{NBSP}{percent(middle)}",
                "until": shown.date(until),
            }
        )
    return rows


def _assumptions(background: PlanBackground, voice: Voice) -> Sequence[str]:
    policy = background.policy
    width = (
        remark("rates_scaled", width_ft=policy.reference_lane_width_ft)
        if policy.scale_by_lane_width
        else remark("rates_not_scaled")
    )
    said = (
        remark("pick_by_round")
        if background.pick == "by_round"
        else remark("pick_taken", pick=background.pick),
        width,
        remark("errors_in_common"),
        remark("mass_at_target"),
        remark("melting_leaves_out"),
        remark("one_gate_for_plan", rule=remark("gate_rule")),
        remark("times_leave_out"),
        _forecast_doubt(policy),
    )
    return [voice.say(one) for one in said]


def _forecast_doubt(policy: Policy) -> Remark:
    night, day, bright = default_doubts_f(policy)
    common = COMMON_SHARE if math.isnan(policy.common_share) else policy.common_share
    return remark("forecast_doubt", night_f=night, day_f=day, bright_day_f=bright, common=common)
