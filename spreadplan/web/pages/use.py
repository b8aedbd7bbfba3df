"""Use: telemetry and tickets in, what went where against the plan, the evidence of a segment."""

from __future__ import annotations

import math
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
from markupsafe import Markup
from starlette.exceptions import HTTPException
from starlette.responses import Response

from spreadplan.frames import lines
from spreadplan.reports import use_charts
from spreadplan.reports.use_report import by_departure, unticketed
from spreadplan.schema.tables import TABLES
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import NOTHING, Display, as_text, percent
from spreadplan.views.issues import judged_by
from spreadplan.views.use_records import records_not_used
from spreadplan.views.use_segments import MORE_ROUNDS_KIND, kinds_as_said, lane_factors
from spreadplan.views.voice import Voice
from spreadplan.views.words import TERMS, term
from spreadplan.web.addresses import number_of
from spreadplan.web.files.mapping import tiles
from spreadplan.web.pages.plan import storm_of
from spreadplan.web.visits import Visit, page
from spreadplan.web.work import map_layers
from spreadplan.web.work.result_tables import made_at, out_of_date, points, shown_table, tables
from spreadplan.workspace.issued import read_issues

CLASS_OF: Final = {"under": 0, "probably_under": 1, "within": 2, "probably_over": 3, "over": 4}
OFF_ROUTE: Final = "off_route"
USED: Final = ("use_segments", "use_routes", "use_trucks", "balance", "quarantine")
"""The tables that the page of a storm shows."""
MOST_PASSES: Final = 200
MOST_WORST: Final = 60


def use_storms(visit: Visit) -> Response:
    """Every storm: what was dropped in, and whether its use was worked out."""
    listed = [_state(visit, storm) for storm in visit.site.computed.storms()[::-1]]
    return visit.render("web/uses.html", listed=listed)


def _state(visit: Visit, storm: str) -> dict[str, Any]:
    folder = visit.site.folder / "storms" / storm
    telemetry = folder / "telemetry"
    files = sorted(path for path in telemetry.glob("*") if path.is_file())
    made = made_at(visit, f"{storm}/use_segments.csv")
    return {
        "storm": storm,
        "name": visit.voice.storm(storm),
        "files": [(path.name, _size(path.stat().st_size)) for path in files],
        "tickets": [
            (name, (folder / TABLES[name].file).is_file()) for name in ("loads", "returns")
        ],
        "made": visit.display.moment(made) if made is not None else "",
        "old": out_of_date(visit, f"{storm}/use_segments.csv", storm),
    }


def _size(size: int) -> str:
    return f"{size / 1e6:,.1f}\u00a0MB" if size >= 1e6 else f"{size / 1e3:,.0f}\u00a0kB"


def use(visit: Visit) -> Response:
    """One storm: drop in, work out, look."""
    storm, shown, voice = storm_of(visit), visit.display, visit.voice
    found, unreadable = tables(visit, storm, USED)
    segments, routes, trucks, balance, quarantine = (found[name] for name in USED)
    context: dict[str, Any] = {
        "ready": segments is not None and routes is not None,
        "unreadable": unreadable,
    }
    if segments is not None and routes is not None:
        counts = kinds_as_said(segments, voice).value_counts()
        context |= {
            "verdicts": [
                (verdict.tone, verdict.words, int(counts.get(name, 0)), name)
                for name, verdict in TERMS["use_verdict"].items()
            ],
            "routes": [_route_row(row, voice) for row in lines(routes)],
            "chart": _routes_chart(visit, storm, routes),
            "trucks": [_truck_row(row, voice) for row in lines(trucks)]
            if trucks is not None
            else [],
            "unticketed": unticketed(trucks, voice)
            if trucks is not None and "without_ticket_lb" in trucks
            else [],
            "balance": [_balance_row(row, voice) for row in lines(balance)]
            if balance is not None
            else [],
            "worst": _worst(segments, voice),
            "judged_by": _judged_by(visit, storm, segments),
            "refused": [] if quarantine is None else records_not_used(quarantine, voice),
            "off_route": shown.show(
                float(segments.loc[segments["segment_id"] == OFF_ROUTE, "reported_lb"].sum()),
                "mass",
            ),
        }
    report = visit.site.folder / "results" / storm / "use_report.html"
    return visit.render(
        "web/use.html", storm=storm, state=_state(visit, storm), report=report.is_file(), **context
    )


def _judged_by(visit: Visit, storm: str, segments: pd.DataFrame) -> str:
    """By which plans the results were judged; of an earlier version of the program nobody knows."""
    if "issue" not in segments:
        return ""
    named = {number for text in segments["issue"].dropna() for number in str(text).split(";")}
    found = read_issues(visit.site.folder, storm, tables=False)
    issues = [one.issue for one in found.plans if str(one.issue.number) in named]
    return visit.voice.say(judged_by(issues))


def _route_row(row: Any, voice: Voice) -> dict[str, Any]:
    shown = voice.display
    over, under = int(row.over_segments), int(row.under_segments)
    more = int(getattr(row, "more_rounds_segments", 0))
    return {
        "route_id": "off the routes" if row.route_id == OFF_ROUTE else row.route_id,
        "material": voice.material(row.material),
        "planned": shown.number(row.planned_lb, "bulk"),
        "applied": shown.number(row.applied_lb, "bulk"),
        "range": _range(row.applied_lo_lb, row.applied_hi_lb, shown),
        "reported": shown.number(row.reported_lb, "bulk"),
        "over": over,
        "more_rounds": more,
        "under": under,
        "tone": "bad" if over or under else "",
    }


def _range(low: float, high: float, shown: Display) -> str:
    text = shown.show_range(low, high, "bulk")
    return text.removesuffix(f"\u00a0{shown.unit('bulk')}")


def _routes_chart(visit: Visit, storm: str, routes: pd.DataFrame) -> Markup | None:
    """Applied against planned mass, as in the report."""
    policy, voice = visit.site.computed.tables("policy").policy, visit.voice

    def make() -> Markup | None:
        table = by_departure(routes)
        drawn = use_charts.route_chart(table, policy.over_pct, policy.under_pct, voice)
        return None if drawn is None else drawn.on_screen()

    made = made_at(visit, f"{storm}/use_routes.csv")
    key = ("routes chart", storm, made, voice.display, *voice.materials.items())
    return visit.site.computed.remember(key, make)


def _truck_row(row: Any, voice: Voice) -> dict[str, Any]:
    verdict = term("truck_verdict", row.verdict)
    low, high = as_text(row.season_lo, 3), as_text(row.season_hi, 3)
    ratio = (
        f"{as_text(row.season_ratio, 3)} ({low} to {high})"
        if math.isfinite(row.season_ratio)
        else NOTHING
    )
    return {
        "truck_id": row.truck_id,
        "material": voice.material(row.material),
        "ratio": ratio,
        "verdict": verdict.words,
        "tone": "bad" if row.test_again == "true" else verdict.tone,
        "advice": row.advice,
    }


def _balance_row(row: Any, voice: Voice) -> dict[str, Any]:
    shown, verdict = voice.display, term("balance_verdict", row.verdict)
    names = ("opening", "delivered", "loaded", "returned", "expected", "counted", "difference")
    texts = {
        name: shown.number(POUNDS_PER_TON * float(getattr(row, f"{name}_ton")), "bulk")
        for name in names
    }
    return {
        "yard_id": row.yard_id,
        "material": voice.material(row.material),
        "verdict": verdict.words,
        "tone": verdict.tone,
        **texts,
    }


def _worst(segments: pd.DataFrame, voice: Voice) -> list[dict[str, Any]]:
    """The segments that were judged over or under, the surest first."""
    judged = segments[segments["verdict"].isin(["over", "under"])]
    surest = judged[["p_over", "p_under"]].max(axis=1)
    first = judged.assign(place=np.flatnonzero(segments["verdict"].isin(["over", "under"])))
    first = first.iloc[np.argsort(-surest.to_numpy(), kind="stable")][:MOST_WORST]
    return [{**segment_row(row, voice), "place": int(row.place)} for row in lines(first)]


def segment_row(row: Any, voice: Voice, lane_factor: float = 1.0) -> dict[str, Any]:
    """One segment's use, in words; ``lane_factor`` : see `use_segments.lane_factors`."""
    shown = voice.display
    one = pd.DataFrame({"verdict": [row.verdict], "reason": [row.reason]})
    verdict = term("use_verdict", kinds_as_said(one, voice).iloc[0])
    return {
        "route_id": row.route_id,
        "segment_id": row.segment_id,
        "material": voice.material(row.material),
        "tone": verdict.tone,
        "verdict": verdict.words,
        "applied": shown.show(row.applied_lb, "mass"),
        "range": shown.show_range(row.applied_lo_lb, row.applied_hi_lb, "mass"),
        "planned": shown.show(row.planned_lb, "mass"),
        "allowed": shown.show(row.allowed_lb, "mass"),
        "reported": shown.show(row.reported_lb, "mass"),
        "rate": shown.show(lane_factor * row.applied_rate_lb_per_lane_mile, "rate"),
        "passes": as_text(row.passes, 1, plain=True) if math.isfinite(row.passes) else NOTHING,
        "p_over": percent(row.p_over),
        "p_under": percent(getattr(row, "p_under", math.nan)),
        "reason": row.reason,
    }


# --- map and evidence --------------------------------------------------------------------------


def _routes(visit: Visit) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(visit.site.computed.tables("routes").table("routes"))


def _drawn(visit: Visit, storm: str) -> gpd.GeoDataFrame:
    """The segments with their verdict and line, a row each."""
    segments = shown_table(visit, f"{storm}/use_segments")
    if segments is None:
        raise HTTPException(404, "The use of this storm was not worked out yet.")
    segments = segments.assign(place=np.arange(len(segments)))

    def make() -> gpd.GeoDataFrame:
        shapes = _routes(visit)[["route_id", "segment_id", "geometry"]]
        joined = shapes.merge(segments, on=["route_id", "segment_id"], how="inner")
        return gpd.GeoDataFrame(joined, geometry="geometry")

    state = made_at(visit, f"{storm}/use_segments.csv")
    return visit.site.computed.remember(("use lines", storm, state), make)


def use_lines(visit: Visit) -> Response:
    """The segments, coloured by verdict, for the part of the map in view."""
    drawn = _drawn(visit, storm_of(visit))
    box, zoom = map_layers.box_of(visit.query("box")), map_layers.zoom_of(visit.query("zoom"))
    kind = kinds_as_said(drawn, visit.voice)
    number = kind.map(CLASS_OF).fillna(2).to_numpy(dtype=int)
    looks_by = [kind.isin(CLASS_OF), kind == MORE_ROUNDS_KIND]
    look = np.select(looks_by, ["rate", "doubt"], "none")
    looks = {"k": number, "w": 2 * np.abs(number - 2), "s": look}
    numbers = drawn["place"].to_numpy()
    return visit.json_text(map_layers.line_layer(drawn.geometry, numbers, looks, box, zoom))


def use_places(visit: Visit) -> Response:
    """What stands still on the map."""
    drawn = _drawn(visit, storm_of(visit))
    workspace = visit.site.computed.tables("yards", "sensitive_areas")
    background = tiles(visit.site.folder)
    return visit.json(
        {
            "areas": map_layers.area_layer(workspace.table("sensitive_areas")),
            "yards": map_layers.yard_marks(workspace.table("yards")),
            "names": map_layers.route_marks(_routes(visit)),
            "bounds": map_layers.bounds([drawn]),
            "legend": [term("use_verdict", name).words for name in CLASS_OF],
            "unknown": term("use_verdict", "unknown").words,
            "doubt": term("use_verdict", MORE_ROUNDS_KIND).words,
            "tiles": {"address": background.address, "credit": background.credit}
            if background
            else None,
        }
    )


def use_segment(visit: Visit) -> Response:
    """The passes, trucks and evidence of one segment, as a piece of a page."""
    storm, shown = storm_of(visit), visit.display
    segments, trucks = (
        shown_table(visit, f"{storm}/use_segments"),
        shown_table(visit, f"{storm}/use_trucks"),
    )
    place = number_of(visit.query("i"))
    if segments is None or place is None or place >= len(segments):
        raise HTTPException(404, "There is no such segment.")
    row = next(lines(segments.iloc[[place]]))
    factor = lane_factors(segments.iloc[[place]], _routes(visit), shown)
    found = points(visit, storm, row.route_id, row.segment_id)
    passes = _passes(found, shown)
    seen = set(found["truck_id"].astype(str))
    mine = (
        trucks[trucks["truck_id"].isin(seen) & (trucks["material"] == row.material)]
        if (trucks is not None)
        else pd.DataFrame()
    )
    return visit.render(
        "web/use_segment.html",
        facts=segment_row(row, visit.voice, float(factor[0])),
        passes=passes[:MOST_PASSES],
        more=max(len(passes) - MOST_PASSES, 0),
        trucks=[_truck_row(one, visit.voice) for one in lines(mine)],
    )


def _passes(found: pd.DataFrame, shown: Display) -> list[dict[str, str]]:
    """Every pass on a segment that spread something, in order of time, then the others counted."""
    if found.empty:
        return []
    names = {
        "truck_id": found["truck_id"].astype(str),
        "source_file": found["source_file"].astype(str),
    }
    by = found.assign(**names).groupby(["truck_id", "pass_id", "source_file"], observed=True)
    passes = (
        by.agg(
            start=("time", "min"),
            mass_lb=("mass_lb", "sum"),
            records=("mass_lb", "size"),
            first=("source_row", "min"),
            last=("source_row", "max"),
            offset_m=("offset_m", "median"),
            along=("along", "first"),
        )
        .reset_index()
        .sort_values("start")
    )
    passes = passes[passes["mass_lb"] > 0.0]
    return [
        {
            "truck_id": row.truck_id,
            "time": shown.moment(row.start),
            "way": "as drawn" if row.along else "against",
            "mass": shown.show(row.mass_lb, "mass"),
            "records": f"{row.records:,}",
            "evidence": f"{row.source_file}, rows {row.first:,} to {row.last:,}",
        }
        for row in lines(passes)
    ]


ROUTES = [
    page("/use", use_storms, name="uses"),
    page("/use/{storm}", use),
    page("/use/{storm}/lines", use_lines, name="use_lines"),
    page("/use/{storm}/places", use_places, name="use_places"),
    page("/use/{storm}/segment", use_segment, name="use_segment"),
]
