"""The environment report: chloride, receiving water and over-application, with the evidence."""

from __future__ import annotations

import math
from typing import Any, Final

import pandas as pd

from spreadplan.frames import lines
from spreadplan.materials import ATOMIC_WEIGHT
from spreadplan.metrology import Z95
from spreadplan.reconcile.applied import OFF_ROUTE
from spreadplan.reconcile.verdicts import kinds
from spreadplan.remarks import remark
from spreadplan.reports import season_charts as charts
from spreadplan.reports.render import html
from spreadplan.reports.season_map import over_map
from spreadplan.season.overuse import of_rate, support
from spreadplan.season.savings import AREAS
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import NOTHING, Display, as_text
from spreadplan.views.savings import savings_rows
from spreadplan.views.season_view import (
    LEAST_TON,
    OFFICER,
    SeasonView,
    chance,
    common,
    headlines,
    other_findings,
    tons,
)
from spreadplan.views.setting import Setting
from spreadplan.views.use_segments import lane_factors
from spreadplan.views.voice import Voice
from spreadplan.views.water import screened_waters
from spreadplan.views.words import term

#: a report is for reading: beyond so many rows the tables in the results folder serve better.
MOST_EVIDENCE: Final = 24
MOST_DOUBTFUL: Final = 6
MOST_REPEATED: Final = 25
MOST_ROUTES: Final = 60


def environment_report(view: SeasonView, setting: Setting) -> str:
    """The environment report as HTML."""
    voice, shown = setting.voice, setting.display
    count = support(view.result.evidence)
    rates = voice.table(of_rate(view.result.evidence))
    factor = lane_factors(rates, view.routes, shown)
    own = [name for name in rates.columns if name.endswith("lb_per_lane_mile")]
    rates = rates.assign(**{name: rates[name] * factor for name in own})
    season = view.result.repeated
    repeated = voice.table(season.assign(kind=kinds(season)))
    view = view.said(voice)
    result = view.result
    starts = {one.storm: one.start for one in view.storms}
    certain = _worst_storms(rates[rates["supported"].astype(bool)])
    doubtful = rates[~rates["supported"].astype(bool)]
    return html(
        "environment.html",
        title=f"Environment, season {result.season.name}",
        **common(view, setting),
        first=headlines(result.findings, OFFICER),
        findings=other_findings(result.findings, OFFICER),
        glance=_glance(view, shown),
        area_chart=charts.area_chart(result.chloride, starts, shown),
        areas=_areas(view, shown),
        chloride_chart=charts.chloride_chart(result.chloride, voice),
        routes=_routes(result.chloride, shown),
        least=shown.show(POUNDS_PER_TON * LEAST_TON, "bulk"),
        basis=_basis(result.chloride_basis, voice),
        prewet=_prewet(result.prewet_chloride, shown),
        unknown=_unknown(result.without_chloride, voice),
        screening=screened_waters(result.screening, voice),
        caution=voice.say(remark("about_screening")),
        season_water=_season_water(result.season_concentration, shown),
        map=over_map(view.routes, rates, view.areas, 5.2, shown),
        repeated=_repeated(repeated.iloc[:MOST_REPEATED], voice),
        repeated_left=max(len(repeated) - MOST_REPEATED, 0),
        evidence=_evidence(certain.iloc[:MOST_EVIDENCE], voice),
        count=count,
        evidence_left=max(len(certain) - MOST_EVIDENCE, 0),
        doubtful=_evidence(doubtful.iloc[:MOST_DOUBTFUL], voice),
        doubtful_left=max(len(doubtful) - MOST_DOUBTFUL, 0),
        confidence=f"{100.0 * view.policy.confidence:g} %",
        savings=savings_rows(result.savings[result.savings["practice"] == AREAS], voice),
        savings_about=voice.say(remark("about_savings")),
        weights=", ".join(f"{name} {weight:g}" for name, weight in ATOMIC_WEIGHT.items()),
    )


def _glance(view: SeasonView, shown: Display) -> list[dict[str, str]]:
    table = view.result.chloride
    whole = table[table["storm"] == ""]
    agency = whole[whole["scope"] == "agency"]
    cards = []
    for one in lines(agency):
        cards.append(
            {
                "what": "chloride put down",
                "value": shown.show(one.chloride_lb, "bulk"),
                "more": f"95 %: {shown.show_range(one.chloride_lo_lb, one.chloride_hi_lb, 'bulk')}",
            }
        )
        cards.append(
            {
                "what": "in material of all kinds",
                "value": shown.show(POUNDS_PER_TON * one.material_ton, "bulk"),
                "more": f"each as it lies, in {len(view.storms)} storms",
            }
        )
        if math.isfinite(one.chemical_lb):
            cards.append(
                {
                    "what": "dry chemical in it",
                    "value": shown.show(one.chemical_lb, "bulk"),
                    "more": "salt without its water and the sand of mixes",
                }
            )
    areas = whole[whole["scope"].isin(["area", "watershed"])]
    limited = areas[areas["limit_lb"].notna()]
    over = limited[limited["verdict"].isin(["over", "probably_over"])]
    cards.append(
        {
            "what": "areas over their limit",
            "value": f"{len(over)} of {len(limited)}",
            "more": f"{len(areas)} areas looked at",
        }
    )
    count = support(view.result.evidence)
    cards.append(
        {
            "what": "over-applications",
            "value": str(count.supported),
            "more": f"supported, of {count.listed} by bare figures",
        }
    )
    return cards


def _areas(view: SeasonView, shown: Display) -> list[dict[str, str]]:
    whole = view.result.chloride
    whole = whole[(whole["storm"] == "") & whole["scope"].isin(["area", "watershed"])]
    kinds = dict(zip(view.areas["area_id"], view.areas["kind"], strict=True))
    rows = []
    for one in lines(whole.sort_values("chloride_lb", ascending=False, kind="stable")):
        verdict = term("chloride_verdict", one.verdict)
        rows.append(
            {
                "area": one.scope_id,
                "name": one.name,
                "kind": kinds.get(one.scope_id, one.scope),
                "material": tons(one.material_ton, shown),
                "chloride": _pm(one.chloride_lb, one.chloride_u_lb, shown),
                "limit": shown.number(one.limit_lb, "bulk"),
                "p": chance(one.p_over),
                "tone": verdict.tone,
                "verdict": verdict.words,
            }
        )
    return rows


def _pm(value_lb: float, u_lb: float, shown: Display, kind: str = "bulk") -> str:
    return shown.number_pm(value_lb, Z95 * u_lb, kind)


def _routes(table: pd.DataFrame, shown: Display) -> list[dict[str, str]]:
    whole = table[(table["storm"] == "") & (table["scope"] == "route")]
    whole = whole[whole["material_ton"] >= LEAST_TON]
    ordered = whole.sort_values("chloride_lb", ascending=False, kind="stable")
    return [
        {
            "route": "off the routes" if one.scope_id == OFF_ROUTE else one.scope_id,
            "material": tons(one.material_ton, shown),
            "chloride": _pm(one.chloride_lb, one.chloride_u_lb, shown),
        }
        for one in lines(ordered.iloc[:MOST_ROUTES])
    ]


def _basis(basis: pd.DataFrame, voice: Voice) -> list[dict[str, str]]:
    return [
        {
            "material": voice.material(one.material),
            "fraction": as_text(one.fraction, 4) if math.isfinite(one.fraction) else NOTHING,
            "u": as_text(one.fraction_u, 4) if one.fraction_u > 0.0 else NOTHING,
            "basis": one.basis,
        }
        for one in lines(basis)
    ]


def _prewet(prewet: pd.DataFrame, shown: Display) -> str:
    """The prewetting liquid's chloride in a sentence; "" without prewetting."""
    if not len(prewet):
        return ""
    gallons = shown.show(float(prewet["prewet_gal"].sum()), "volume")
    if prewet["chloride_lb"].isna().any():
        return (
            f"Prewetting liquid that no assignment names ({gallons} as assigned) is not in these "
            "figures: which liquid it is, or its chloride, is not known."
        )
    mass = shown.show(float(prewet["chloride_lb"].sum()), "bulk")
    return (
        f"Prewetting liquid that no assignment names ({gallons} as assigned) adds about {mass} of "
        "chloride; it is not in these figures. Name it as prewet_material in assignments.csv."
    )


def _unknown(unknown: pd.DataFrame, voice: Voice) -> list[str]:
    shown = voice.display
    return [
        f"{voice.material(one.material)}: "
        f"{shown.show(POUNDS_PER_TON * one.used_ton, 'bulk')} used; {one.basis}"
        for one in lines(unknown)
    ]


# --- water -------------------------------------------------------------------------------------


def _season_water(table: pd.DataFrame, shown: Display) -> list[dict[str, str]]:
    return [
        {
            "area": one.name or one.area_id,
            "load": shown.number(one.chloride_lb, "bulk"),
            "flow": shown.number(one.mean_flow_cfs, "stream"),
            "days": f"{one.days:.0f}",
            "level": f"{one.concentration_mg_l:.2g}",
        }
        for one in lines(table)
    ]


# --- over-application --------------------------------------------------------------------------


def _worst_storms(certain: pd.DataFrame) -> pd.DataFrame:
    """The storm with the most material above the limit for each segment, and how many storms."""
    keys = ["route_id", "segment_id", "material"]
    ordered = certain.sort_values("over_lb", ascending=False, kind="stable")
    counts = certain.groupby(keys)["storm"].nunique().rename("storms")
    return ordered.drop_duplicates(keys).join(counts, on=keys)


def _evidence(table: pd.DataFrame, voice: Voice) -> list[dict[str, Any]]:
    rows, shown = [], voice.display
    for one in lines(table):
        rates = (one.rate_lo_lb_per_lane_mile, one.rate_hi_lb_per_lane_mile)
        known = math.isfinite(one.rate_lb_per_lane_mile)
        rows.append(
            {
                "storm": voice.storm(one.storm),
                "segment": f"{one.route_id} {one.segment_id}",
                "area": one.area_id or NOTHING,
                "material": voice.material(one.material),
                "trucks": one.trucks or NOTHING,
                "rate": shown.number(one.rate_lb_per_lane_mile, "rate"),
                "ends": " to ".join(shown.number(end, "rate") for end in rates)
                if known
                else NOTHING,
                "limit": shown.number(one.limit_lb_per_lane_mile, "rate"),
                "over": shown.number(one.over_lb, "mass"),
                "p": chance(one.p_over),
                "calibration": one.calibration.removeprefix(f"{one.trucks}: ") or NOTHING,
                "storms": str(getattr(one, "storms", "")),
            }
        )
    return rows


def _repeated(table: pd.DataFrame, voice: Voice) -> list[dict[str, str]]:
    rows, shown = [], voice.display
    for one in lines(table):
        verdict = term("use_verdict", one.kind)
        rows.append(
            {
                "segment": f"{one.route_id} {one.segment_id}",
                "material": voice.material(one.material),
                "storms": f"{one.storms_above} of {one.storms}",
                "applied": _pm(one.applied_lb, one.applied_u_lb, shown),
                "allowed": shown.number(one.allowed_lb, "bulk"),
                "times": as_text(one.applied_lb / one.allowed_lb, 2)
                if one.allowed_lb > 0
                else NOTHING,
                "p": chance(one.p_over),
                "tone": verdict.tone,
                "verdict": verdict.words,
            }
        )
    return rows
