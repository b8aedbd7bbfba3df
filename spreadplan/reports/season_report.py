"""The season report for the superintendent: three things first, then budgets, storms, routes."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.metrology import Z95
from spreadplan.reconcile.applied import OFF_ROUTE
from spreadplan.reconcile.periods import TREND_SIGNIFICANCE
from spreadplan.remarks import remark
from spreadplan.reports import season_charts as charts
from spreadplan.reports.render import html
from spreadplan.season.overuse import support
from spreadplan.season.records import latest
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import NBSP, NOTHING, Display, as_text, plural
from spreadplan.views.savings import gain_cards, savings_rows
from spreadplan.views.season_view import (
    LEAST_TON,
    SUPERINTENDENT,
    SeasonView,
    chance,
    common,
    headlines,
    other_findings,
    tons,
    tons_pm,
    tons_range,
    worth_showing,
)
from spreadplan.views.setting import Setting
from spreadplan.views.voice import Voice
from spreadplan.views.words import term

#: a report is for reading: beyond so many rows the tables in the results folder serve better.
MOST_BUDGETS: Final = 40
MOST_ROUTES: Final = 60


def season_report(view: SeasonView, setting: Setting) -> str:
    """The season report as HTML."""
    count, voice = support(view.result.evidence), setting.voice
    view = view.said(voice)
    result = view.result
    burn = charts.burn_down_chart(result.burn_down, result.budget, voice)
    return html(
        "season.html",
        title=f"Season {result.season.name}",
        **common(view, setting),
        first=headlines(result.findings, SUPERINTENDENT),
        findings=other_findings(result.findings, SUPERINTENDENT),
        glance=_glance(view, voice),
        burn=burn and burn.svg(),
        budgets=_budgets(result.budget.iloc[:MOST_BUDGETS], voice),
        budgets_left=max(len(result.budget) - MOST_BUDGETS, 0),
        unticketed=used_without_ticket(result.budget, voice),
        storms=_storms(view, voice),
        routes=_routes(view, voice),
        routes_left=max(len(worth_showing(result.by_route)) - MOST_ROUTES, 0),
        fair=charts.fair_chart(_main_material(result.fair_routes), voice),
        truck_chart=charts.season_truck_chart(view.history, voice) if len(view.history) else None,
        trucks=_trucks(view.history, voice),
        books=_books(view.books, voice),
        savings=savings_rows(result.savings, voice),
        savings_about=voice.say(remark("about_savings")),
        count=count,
        forecast_method=voice.say(remark("about_forecasts")),
    )


# --- at a glance -------------------------------------------------------------------------------


def _glance(view: SeasonView, voice: Voice) -> list[dict[str, str]]:
    result, shown = view.result, voice.display
    use = result.by_yard.groupby("material", sort=True)[["used_ton", "reported_ton"]].sum()
    agency = result.budget[result.budget["scope"] == "agency"].set_index("material")
    cards = [
        {
            "what": "storms so far",
            "value": str(len(view.storms)),
            "more": f"{sum(one.source == 'measured' for one in view.storms)} reconciled",
        }
    ]
    for material, row in use.iterrows():
        u_ton = float(agency["used_u_ton"].get(str(material), math.nan))
        half = shown.show(POUNDS_PER_TON * Z95 * u_ton, "bulk")
        presumed = float(agency["without_ticket_ton"].get(str(material), 0.0))
        more = f"; {tons(presumed, shown)} without a ticket" if presumed >= LEAST_TON else ""
        cards.append(
            {
                "what": f"{voice.material(str(material))} used",
                "value": shown.show(POUNDS_PER_TON * row["used_ton"], "bulk"),
                "more": f"± {half}; reported {tons(row['reported_ton'], shown)}{more}",
            }
        )
    cost = float(result.by_storm["cost"].sum())
    cards.append(
        {
            "what": "cost of material",
            "value": shown.money(cost) if cost else NOTHING,
            "more": _per_storm_cost(cost, len(view.storms), shown),
        }
    )
    return [*cards, *gain_cards(result.savings, voice)]


def _per_storm_cost(cost: float, storms: int, shown: Display) -> str:
    return f"{shown.money(cost / storms)} a storm" if cost and storms else "no price given"


# --- budgets -----------------------------------------------------------------------------------


def _budgets(budget: pd.DataFrame, voice: Voice) -> list[dict[str, str]]:
    rows, shown = [], voice.display
    for one in lines(budget):
        verdict = term("budget_verdict", one.verdict)
        rows.append(
            {
                "scope": charts.scope_in_words(one),
                "material": voice.material(one.material),
                "budget": tons(one.budget_ton, shown),
                "used": tons_pm(one.used_ton, one.used_u_ton, shown),
                "reported": tons(one.reported_ton, shown),
                "left": tons(one.left_ton, shown),
                "expected": tons(one.forecast_ton, shown),
                "ends": tons_range(one.forecast_lo_ton, one.forecast_hi_ton, shown),
                "p": chance(one.p_over_season),
                "dry": tons(one.dry_ton, shown),
                "cost": shown.money(one.cost),
                "tone": verdict.tone,
                "verdict": verdict.words,
            }
        )
    return rows


def used_without_ticket(budget: pd.DataFrame, voice: Voice) -> list[dict[str, str]]:
    """What the agency is counted to have used although no ticket names its load, by material."""
    shown = voice.display
    agency = budget[(budget["scope"] == "agency") & (budget["without_ticket_ton"] >= LEAST_TON)]
    return [
        {
            "material": voice.material(one.material),
            "trucks": one.without_ticket,
            "mass": shown.show(POUNDS_PER_TON * one.without_ticket_ton, "bulk"),
            "used": shown.show(POUNDS_PER_TON * one.used_ton, "bulk"),
        }
        for one in lines(agency)
    ]


# --- storms and routes -------------------------------------------------------------------------


def _storms(view: SeasonView, voice: Voice) -> list[dict[str, Any]]:
    result, shown = view.result, voice.display
    severity = result.severity.groupby("storm")[["severity_hours", "coldest_f"]].agg(
        {"severity_hours": "mean", "coldest_f": "min"}
    )
    rated = result.severity.groupby("storm")["index"].count()
    groups = []
    for one in view.storms:
        use = worth_showing(result.by_storm[result.by_storm["storm"] == one.storm])
        known = one.storm in severity.index and rated[one.storm] > 0
        groups.append(
            {
                "storm": voice.storm(one.storm),
                "start": shown.moment(one.start),
                "planned": one.source == "planned",
                "severity": as_text(float(severity["severity_hours"][one.storm]), 1)
                if known
                else NOTHING,
                "coldest": shown.number(
                    float(severity["coldest_f"].get(one.storm, math.nan)), "temperature"
                ),
                "uses": [
                    {
                        "material": voice.material(row.material),
                        "used": tons_pm(row.used_ton, row.used_u_ton, shown),
                        "reported": tons(row.reported_ton, shown)
                        if row.reported_ton > 0
                        else NOTHING,
                        "rate": shown.number(row.rate_lb_per_lane_mile, "rate"),
                        "rounds": as_text(row.applications, 1),
                        "cost": shown.money(row.cost),
                    }
                    for row in lines(use)
                ],
            }
        )
    return groups


def _routes(view: SeasonView, voice: Voice) -> list[dict[str, str]]:
    result, shown = view.result, voice.display
    fair = result.fair_routes.set_index(["route_id", "material"])
    rows = []
    for one in lines(worth_showing(result.by_route).iloc[:MOST_ROUTES]):
        key = (one.route_id, one.material)
        hourly = fair["lb_per_lane_mile_severity_hour"].get(key, math.nan)
        share = fair["guidance_share"].get(key, math.nan)
        rows.append(
            {
                "route": "off the routes" if one.route_id == OFF_ROUTE else one.route_id,
                "material": voice.material(one.material),
                "used": tons_pm(one.used_ton, one.used_u_ton, shown),
                "difference": _signed(one.difference_pct),
                "lane_miles": shown.number(one.treated_lane_miles, "lane_distance"),
                "rate": shown.number(one.rate_lb_per_lane_mile, "rate"),
                "each": tons(one.ton_per_application, shown),
                "hourly": shown.number(float(hourly), "rate"),
                "share": as_text(float(share), 2) if np.isfinite(share) else NOTHING,
                "cost": shown.money(one.cost),
            }
        )
    return rows


def _signed(percent: float) -> str:
    if not math.isfinite(percent):
        return NOTHING
    return ("+" if percent > 0.05 else "") + f"{as_text(percent, 1)}{NBSP}%"


def _main_material(fair: pd.DataFrame) -> pd.DataFrame:
    """Rows of the materials that a route is treated with, without what strays onto it."""
    whole = fair.groupby("route_id")["tons"].transform("sum")
    return fair[fair["tons"] >= 0.05 * whole]


# --- trucks, yards, savings --------------------------------------------------------------------


def _trucks(history: pd.DataFrame, voice: Voice) -> list[dict[str, str]]:
    if not len(history):
        return []
    shown = voice.display
    total = history.groupby(["truck_id", "material"])["reported_lb"].sum()
    rows = []
    for one in lines(latest(history)):
        verdict = term("truck_verdict", one.verdict)
        drift = (
            _signed(one.trend_pct_per_month) if one.trend_p < TREND_SIGNIFICANCE else "none found"
        )
        rows.append(
            {
                "truck": one.truck_id,
                "material": voice.material(one.material),
                "reported": shown.number(float(total[one.truck_id, one.material]), "bulk"),
                "ratio": f"{one.ratio:.2f}",
                "ends": f"{one.ratio_lo:.2f} to {one.ratio_hi:.2f}",
                "drift": drift,
                "tone": "bad" if one.test_again else verdict.tone,
                "verdict": verdict.words,
                "advice": one.advice,
            }
        )
    return rows


def _books(books: pd.DataFrame, voice: Voice) -> dict[str, Any]:
    shown = voice.display
    wrong = books[books["verdict"] != "agrees"]
    rows = [
        {
            "yard": one.yard_id,
            "material": voice.material(one.material),
            "span": f"{shown.date(one.opening_at)} to {shown.date(one.counted_at)}",
            "expected": tons(one.expected_ton, shown),
            "counted": tons(one.counted_ton, shown),
            "difference": tons_pm(one.difference_ton, one.difference_u_ton, shown),
            "verdict": term("balance_verdict", one.verdict).words,
        }
        for one in lines(wrong)
    ]
    return {"rows": rows, "agree": plural(len(books) - len(wrong), "balance"), "all": len(books)}
