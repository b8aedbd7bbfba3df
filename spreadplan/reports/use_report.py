"""The usage report: what went where in a storm, against the plan, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.reconcile.applied import summed_applied
from spreadplan.reconcile.storm import OFF_ROUTE, StormUse
from spreadplan.reconcile.verdicts import NO_PLAN
from spreadplan.remarks import Finding, Remark
from spreadplan.reports import use_charts, use_map
from spreadplan.reports.render import html
from spreadplan.reports.use_segment_tables import LONGEST_TRUCK, between, cut, segment_tables
from spreadplan.schema.policy import Policy
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import NBSP, NOTHING, Display, as_text, percent, plural, short
from spreadplan.views.setting import Setting
from spreadplan.views.use_findings import RANKING, findings
from spreadplan.views.use_records import records_part
from spreadplan.views.use_road import (
    ahead_rows,
    bucket_rows,
    driver_rows,
    set_rate_trucks,
    temperature_rows,
)
from spreadplan.views.use_segments import lane_factors, with_plan
from spreadplan.views.voice import Voice, as_sentence, sentence_case
from spreadplan.views.words import TERMS, term

FIRST: Final = 3
MOST_FURTHER: Final = 12
MOST_ROUTES: Final = 60
MOST_TRUCKS: Final = 60
MOST_YARDS: Final = 40
MOST_PILES: Final = 12
MOST_NAMED: Final = 6
NONE_NEEDED: Final = ("nothing_needed", "error_below_target")
"""Advice that asks for nothing."""
LEAST_UNTICKETED_LB: Final = 200.0
"""A truck that lacks tickets for less is not named beside the total. Common practice, no source."""
LEAST_PILE_LB: Final = 20.0
"""Less, released standing still, is not worth a mark. Common practice, no source."""

ASSUMPTIONS: Final = (
    "True mass is the reported mass times the truck's ratio of true to reported mass in this "
    "storm: what its tickets of the storm say, as far as they are complete, beside its season. A "
    "truck is judged by its season, drawn towards the fleet as far as its own tickets are few.",
    "A truck's ratio is one number for all its segments: its error does not average out over a "
    "route. Where a mass fell and the feeder's scatter differ from segment to segment and do.",
    "Mass is spread along the matched path between two records. What fits no segment is kept "
    "as mass off the routes, never dropped, and counts for the truck. What has no known place, for "
    "want of positions, may lie on any segment that its truck was to treat.",
    "Rates of segments are those of the whole storm: all rounds together.",
    "The balance of a yard runs from its last count before the storm to the first one after "
    "it, so other storms may lie in between.",
    "A verdict is about mass on a road, not about a driver: it does not know what the road "
    "looked like.",
)


@dataclass(frozen=True, eq=False, kw_only=True)
class UseBackground:
    """What the report shows beside the judged storm.

    Attributes
    ----------
    storm, start, end : its name, its first and its last record.
    planned : segments of the plan that it is judged by; empty without one.
    routes, areas, yards : the workspace's tables.
    rows_read, rows_kept : telemetry records; the others are in ``quarantine``.
    quarantine : source_file, source_row, reason.
    refused : how many records were refused for what kind of reason.
    put_right : how often something odd was put right, by what it is.
    judged_by : by which plan its treatments are judged.
    heard : share of its way on which each truck was heard, 0 to 1.
    left_out_lb : impossible jumps of each truck's total, not counted as mass.
    absent : files that a part of the work would have used and that are not there.
    driver_log : the table ``use_driver_log``.
    """

    storm: str
    start: pd.Timestamp
    end: pd.Timestamp
    planned: pd.DataFrame
    routes: gpd.GeoDataFrame
    areas: gpd.GeoDataFrame
    yards: pd.DataFrame
    policy: Policy
    rows_read: int
    rows_kept: int
    quarantine: pd.DataFrame
    refused: Mapping[str, int]
    put_right: Mapping[str, int]
    heard: Mapping[str, float]
    judged_by: Remark | None = None
    left_out_lb: Mapping[str, float] = field(default_factory=dict)
    absent: tuple[str, ...] = ()
    driver_log: pd.DataFrame = field(default_factory=pd.DataFrame)


def use_report(use: StormUse, background: UseBackground, setting: Setting) -> str:
    """The usage report of a storm as HTML."""
    voice, shown = setting.voice, setting.display
    use = replace(use, routes=_numeric(use.routes), segments=_numeric(use.segments))
    area_names = dict(zip(background.areas["area_id"], background.areas["name"], strict=True))
    rows = with_plan(use.segments, background.planned, background.routes, area_names)
    confidence = background.policy.confidence
    found = [one.finding for one in findings(use, rows, background.left_out_lb, confidence)]
    storm = voice.storm(background.storm)
    has_plan = bool(rows["planned_lb"].notna().any())
    return html(
        "use.html",
        title=f"Use of material in {storm}",
        **setting.context(background.end),
        storm=storm,
        unit=_units(shown),
        has_plan=has_plan,
        judged_by=voice.say(background.judged_by) if background.judged_by else "",
        first=[finding_in_words(one, voice) for one in found[:FIRST]],
        further=_further(found, voice),
        glance=_glance(use, background, shown),
        materials=_materials(use, voice),
        unticketed=unticketed(use.trucks, voice),
        map=_map(use, rows, background, shown) if has_plan else None,
        routes=_routes(use, background, voice),
        verdicts=_verdicts(rows),
        segments=segment_tables(
            rows.assign(lane_factor=lane_factors(rows, background.routes, shown)), use, shown
        ),
        plain=_plain(use, rows),
        trucks=_trucks(use, background, voice),
        set_rates=set_rate_trucks(use.trucks),
        temperatures=temperature_rows(use.temperatures, shown),
        ahead=ahead_rows(use.ahead_of_plow, voice),
        drivers=driver_rows(background.driver_log, voice),
        buckets=bucket_rows(use.buckets, voice),
        yards=_yards(use.balance, voice),
        elsewhere=_elsewhere(use, voice),
        records=records_part(background),
        rule=voice.say(use.rule),
        assumptions=(voice.say(RANKING), *ASSUMPTIONS),
        absent=_absent(background),
    )


def _numeric(frame: pd.DataFrame) -> pd.DataFrame:
    """Masses and cost as numbers: without a plan, the columns of the plan hold none."""
    numbers = [name for name in frame.columns if str(name).endswith("_lb") or name == "cost"]
    return frame.astype(dict.fromkeys(numbers, float))


def _units(shown: Display) -> dict[str, str]:
    return {kind: shown.unit(kind) for kind in ("rate", "bulk", "mass", "lane_distance")}


def _absent(background: UseBackground) -> list[str]:
    """Files that are not there; those of other storms matter less."""
    own = f"storms/{background.storm}/"
    return [file for file in background.absent if not file.startswith("storms/") or own in file]


# --- findings ----------------------------------------------------------------------------------


def finding_in_words(one: Finding, voice: Voice) -> dict[str, str]:
    """What was found, the evidence, and what to do."""
    return {
        "what": f"{sentence_case(voice.say(one.subject))}: {voice.say(one.what)}",
        "evidence": voice.say_all(one.evidence, " "),
        "advice": " ".join(as_sentence(voice.say(remedy)) for remedy in one.remedies),
    }


def _further(found: list[Finding], voice: Voice) -> dict[str, Any]:
    rest = found[FIRST:]
    return {
        "rows": [finding_in_words(one, voice) for one in rest[:MOST_FURTHER]],
        "left": max(0, len(rest) - MOST_FURTHER),
    }


# --- the storm at a glance ---------------------------------------------------------------------


def _glance(use: StormUse, background: UseBackground, shown: Display) -> list[dict[str, str]]:
    total = summed_applied(use.parts.assign(all=0), ["all"]).reindex([0], fill_value=0.0).iloc[0]
    interval = shown.show_range(total["applied_lo_lb"], total["applied_hi_lb"], "bulk")
    refused = background.rows_read - background.rows_kept
    heard = background.heard
    least = min(heard, key=lambda truck: (heard[truck], truck), default=None)
    cost = use.routes["cost"].to_numpy(dtype=float)
    some = (
        f" ({int(np.isnan(cost).sum())} without a price left out)" if np.isnan(cost).any() else ""
    )
    planned = float(use.routes["planned_lb"].sum())
    return [
        {
            "what": "records used",
            "value": f"{background.rows_kept:,}",
            "more": f"of {background.rows_read:,}; {refused:,} quarantined",
        },
        {
            "what": "trucks heard",
            "value": str(len(heard)),
            "more": f"least heard {short(least, LONGEST_TRUCK)}: {percent(heard[least])} of its way"
            if least
            else "",
        },
        {
            "what": "reported by the controllers",
            "value": shown.show(float(total["reported_lb"]), "bulk"),
            "more": "before correction",
        },
        {
            "what": "true mass, best estimate",
            "value": shown.show(float(total["applied_lb"]), "bulk"),
            "more": f"95{NBSP}%: {interval}",
        },
        {
            "what": "planned",
            "value": shown.show(planned, "bulk") if planned > 0 else "no plan",
            "more": f"true mass {_departure(float(total['applied_lb']), planned)}"
            if planned > 0
            else "nothing to compare with",
        },
        {
            "what": "cost of the material",
            "value": shown.money(float(np.nansum(cost)))
            if np.isfinite(cost).any()
            else "not known",
            "more": f"by the prices in materials.csv{some}"
            if np.isfinite(cost).any()
            else "materials.csv has no price",
        },
    ]


def _departure(applied: float, planned: float) -> str:
    if not planned > 0.0 or not math.isfinite(applied):
        return NOTHING
    return use_charts.signed_percent(100.0 * (applied / planned - 1.0)).replace(" ", NBSP)


def _materials(use: StormUse, voice: Voice) -> list[dict[str, str]]:
    """Each material's mass; planned intervals are added as if routes erred together."""
    shown = voice.display
    sums = summed_applied(use.parts, ["material"])
    plan = ["planned_lb", "planned_lo_lb", "planned_hi_lb", "cost"]
    planned = use.routes.groupby("material")[plan].sum(min_count=1)
    rows = []
    for row in lines(sums.join(planned, how="outer").reset_index()):
        rows.append(
            {
                "material": voice.material(row.material),
                "reported": shown.number(row.reported_lb, "bulk"),
                "applied": shown.number(row.applied_lb, "bulk"),
                "interval": between(row.applied_lo_lb, row.applied_hi_lb, shown),
                "planned": shown.number(row.planned_lb, "bulk"),
                "planned_interval": between(row.planned_lo_lb, row.planned_hi_lb, shown),
                "departure": _departure(row.applied_lb, row.planned_lb),
                "cost": shown.money(row.cost),
            }
        )
    return rows


def unticketed(trucks: pd.DataFrame, voice: Voice) -> list[dict[str, str]]:
    """What is counted as put down although no ticket names its load, by material.

    ``trucks`` : material, truck_id, without_ticket_lb, missing_loads.
    """
    found, shown = [], voice.display
    lacking = trucks[trucks["without_ticket_lb"] >= LEAST_UNTICKETED_LB]
    for material, rows in lacking.groupby("material", sort=True):
        ordered, left = cut(rows.sort_values("without_ticket_lb", ascending=False), MOST_NAMED)
        named = [
            f"{row.truck_id} {shown.show(row.without_ticket_lb, 'bulk')}"
            + (f" ({plural(int(row.missing_loads), 'usual load')})" if row.missing_loads else "")
            for row in lines(ordered)
        ]
        found.append(
            {
                "material": voice.material(str(material)),
                "mass": shown.show(float(rows["without_ticket_lb"].sum()), "bulk"),
                "trucks": ", ".join(named) + (f" and {left} more" if left else ""),
            }
        )
    return found


# --- map and routes ----------------------------------------------------------------------------


def _map(use: StormUse, rows: pd.DataFrame, background: UseBackground, shown: Display) -> Any:
    piles = use.piles[use.piles["mass_lb"] >= LEAST_PILE_LB].nlargest(MOST_PILES, "mass_lb")
    return use_map.verdict_map(
        background.routes, rows, background.areas, background.yards, piles, shown
    )


def by_departure(routes: pd.DataFrame) -> pd.DataFrame:
    """Routes that were to be treated or were, by their departure from the plan, the greatest
    excess first.
    """
    table = routes[routes["route_id"] != OFF_ROUTE]
    # a matched trace runs a few feet into a neighbour: that is no use of its route
    table = table[(table["planned_lb"] > 0.0) | (table["applied_lb"] >= LEAST_PILE_LB)]
    share = table["applied_lb"] / table["planned_lb"].where(table["planned_lb"] > 0.0)
    return table.loc[share.sort_values(ascending=False, na_position="last", kind="stable").index]


def _routes(use: StormUse, background: UseBackground, voice: Voice) -> dict[str, Any]:
    table = by_departure(use.routes)
    policy = background.policy
    kept, left = cut(table, MOST_ROUTES)
    drawn = use_charts.route_chart(table, policy.over_pct, policy.under_pct, voice)
    return {
        "chart": drawn and drawn.svg(),
        "uncharted": max(0, int((table["planned_lb"] > 0.0).sum()) - use_charts.MOST_ROWS),
        "rows": [_route_row(row, voice) for row in lines(kept)],
        "left": left,
    }


def _route_row(row: Any, voice: Voice) -> dict[str, str]:
    shown = voice.display
    names = ("over", "more_rounds", "under", "missed", "unknown")
    counts = {name: getattr(row, f"{name}_segments") for name in names}
    return {
        "route": row.route_id,
        "material": voice.material(row.material),
        "reported": shown.number(row.reported_lb, "bulk"),
        "applied": shown.number(row.applied_lb, "bulk"),
        "interval": between(row.applied_lo_lb, row.applied_hi_lb, shown),
        "planned": shown.number(row.planned_lb, "bulk"),
        "departure": _departure(row.applied_lb, row.planned_lb),
        "cost": shown.money(row.cost),
        **{name: str(int(count)) if count else NOTHING for name, count in counts.items()},
    }


# --- segments ----------------------------------------------------------------------------------


def _verdicts(rows: pd.DataFrame) -> list[dict[str, str]]:
    """How many segments, and how many lane-miles, got which verdict; traces left out."""
    judged = rows[rows["reason"] != NO_PLAN]
    counts = judged["kind"].value_counts()
    return [
        {"verdict": term("use_verdict", name).words, "count": f"{counts[name]:,}"}
        for name in TERMS["use_verdict"]
        if name in counts
    ]


def _plain(use: StormUse, rows: pd.DataFrame) -> dict[str, Any]:
    """What comparing bare masses would have said, and what became of it."""
    plain = use.plain
    over, under = plain.over - plain.over_supported, plain.under - plain.under_supported
    bare = (rows["applied_lb"] > rows["allowed_lb"]) | (rows["applied_lb"] < rows["least_lb"])
    became = rows[bare & ~rows["verdict"].isin(["over", "under"])]["kind"].value_counts()
    return {
        "made": plain.over + plain.under,
        "over": plain.over,
        "under": plain.under,
        "over_supported": plain.over_supported,
        "under_supported": plain.under_supported,
        "unsupported": plain.unsupported,
        "over_unsupported": over,
        "under_unsupported": under,
        "became": ", ".join(
            f"{number} {term('use_verdict', str(name)).words}" for name, number in became.items()
        ),
    }


# --- trucks ------------------------------------------------------------------------------------


def _trucks(use: StormUse, background: UseBackground, voice: Voice) -> dict[str, Any]:
    """Trucks by what is to do, then by how far their ratio lies from one."""
    table = use.trucks
    rank = (
        table["verdict"]
        .map({"agrees": 2})
        .fillna(1.0)
        .where(~table["test_again"].astype(bool), 0.0)
    )
    away = np.abs(np.log(table["season_ratio"].astype(float)))
    order = pd.DataFrame({"rank": rank, "away": -away}).sort_values(["rank", "away"], kind="stable")
    table = table.loc[order.index]
    kept, left = cut(table, MOST_TRUCKS)
    rows = [_truck_row(row, voice) for row in lines(kept)]
    calibration_pct = background.policy.calibration_pct
    return {
        "chart": use_charts.truck_chart(table, calibration_pct, voice),
        "rows": rows,
        "left": left,
        "uncharted": max(0, len(table) - use_charts.MOST_ROWS),
        "advice": [
            {"truck": row.truck_id, "text": voice.say(row.advice)}
            for row in lines(kept)
            if row.advice.code not in NONE_NEEDED
        ],
        "tested": bool(table["test_change"].notna().any()),
    }


def _truck_row(row: Any, voice: Voice) -> dict[str, str]:
    shown, verdict = voice.display, term("truck_verdict", row.verdict)
    change = NOTHING
    if math.isfinite(row.test_change):
        half = 2.0 * row.test_change * row.test_change_u
        change = f"{row.test_change:.2f} ± {half:.2f}"
    count = len(row.tests.split(";")) if row.tests else 0
    return {
        "truck": row.truck_id,
        "material": voice.material(row.material),
        "reported": shown.number(row.reported_lb, "bulk"),
        "accounted": shown.number(row.loaded_lb - row.returned_lb, "bulk")
        if row.loads
        else NOTHING,
        "ratio": f"{row.season_ratio:.2f}",
        "interval": f"{row.season_lo:.2f} to {row.season_hi:.2f}",
        "alone": f"{row.storm_ratio:.2f}" if math.isfinite(row.storm_ratio) else NOTHING,
        "tests": str(count) if count else "none",
        "change": change,
        "last": shown.date(row.last_test_at),
        "tone": "bad" if row.test_again else verdict.tone,
        "verdict": verdict.words,
    }


# --- yards, and what is elsewhere --------------------------------------------------------------


def _yards(balance: pd.DataFrame, voice: Voice) -> dict[str, Any]:
    shown = voice.display
    kept, left = cut(balance, MOST_YARDS)
    rows = []
    for row in lines(kept):
        lb = {
            name: POUNDS_PER_TON * getattr(row, f"{name}_ton")
            for name in (
                "opening",
                "delivered",
                "loaded",
                "returned",
                "expected",
                "counted",
                "difference",
                "difference_u",
            )
        }
        rows.append(
            {
                "yard": row.yard_id,
                "material": voice.material(row.material),
                "from": shown.date(row.opening_at),
                "until": shown.date(row.counted_at),
                **{
                    name: shown.number(lb[name], "bulk")
                    for name in (
                        "opening",
                        "delivered",
                        "loaded",
                        "returned",
                        "expected",
                        "counted",
                    )
                },
                "difference": shown.number_pm(lb["difference"], 2.0 * lb["difference_u"], "bulk"),
                "tone": term("balance_verdict", row.verdict).tone,
                "verdict": term("balance_verdict", row.verdict).words,
            }
        )
    return {"rows": rows, "left": left}


def _elsewhere(use: StormUse, voice: Voice) -> dict[str, Any]:
    """Mass off the routes by truck, and piles."""
    shown = voice.display
    off = use.parts[(use.parts["segment_id"] == OFF_ROUTE) & (use.parts["reported_lb"] > 0.0)]
    rows = []
    if len(off):
        keys = ["truck_id", "material"]
        unplaced = off.groupby(keys)["unplaced_lb"].sum()
        sums = summed_applied(off, keys).join(unplaced).reset_index()
        ordered, left = cut(sums.sort_values("applied_lb", ascending=False), MOST_PILES)
        rows = [
            {
                "truck": row.truck_id,
                "material": voice.material(row.material),
                "reported": shown.number(row.reported_lb, "mass"),
                "applied": shown.number(row.applied_lb, "mass"),
                "interval": between(row.applied_lo_lb, row.applied_hi_lb, shown, "mass"),
                "unplaced": shown.number(row.unplaced_lb, "mass"),
            }
            for row in lines(ordered)
        ]
    large = use.piles[use.piles["mass_lb"] >= LEAST_PILE_LB]
    kept, piles_left = cut(large.sort_values("mass_lb", ascending=False), MOST_PILES)
    return {
        "rows": rows,
        "left": left if rows else 0,
        "share": percent(off["reported_lb"].sum() / max(use.parts["reported_lb"].sum(), 1e-9)),
        "piles": [
            {
                "truck": row.truck_id,
                "route": row.route_id,
                "segment": row.segment_id,
                "mass": shown.number(row.mass_lb, "mass"),
            }
            for row in lines(kept)
        ],
        "piles_left": piles_left,
        "least": f"{as_text(shown.value(LEAST_PILE_LB, 'mass'), 0)}{NBSP}{shown.unit('mass')}",
        "standing": shown.show(float(use.piles["mass_lb"].sum()), "mass"),
    }
