"""Storm plan: problems first, map and table of routes, changes to try, two plans side by side."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import Any

import numpy as np
import pandas as pd
from starlette.exceptions import HTTPException
from starlette.responses import Response

from spreadplan.frames import lines
from spreadplan.remarks import Remark
from spreadplan.reports.cab_card import cab_cards
from spreadplan.reports.maps import IN_DOUBT, planned_rate, shared_classes
from spreadplan.runs.planning import inputs_changed
from spreadplan.runs.what_if import EVERY, PlanView
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import NOTHING, Display, as_text
from spreadplan.views.plan_rates import as_read
from spreadplan.views.plan_totals import decisions, fastest_here_mph, yard_state
from spreadplan.views.rate_sources import split_source
from spreadplan.views.takeover import takeover_rows
from spreadplan.views.voice import Voice, sentence_case
from spreadplan.views.words import TERMS
from spreadplan.web.addresses import address, number_of
from spreadplan.web.files.mapping import tiles
from spreadplan.web.pages.trucks import report
from spreadplan.web.visits import Visit, page
from spreadplan.web.work import map_layers
from spreadplan.web.work.changes_tried import AREA, Tried, parse, query, what_if, without
from spreadplan.web.work.computed import whole_files
from spreadplan.web.work.issued import issued_plans
from spreadplan.web.work.plan_summary import (
    compared,
    plan_figures,
    problems_first,
    route_differences,
    route_rows,
)


@dataclass(frozen=True)
class Asked:
    """What the address asks for: the storm, the changes, the plan with them, one application."""

    storm: str
    tried: tuple[Tried, ...]
    view: PlanView
    application: str

    @property
    def address(self) -> str:
        """The address of the plan of the storm."""
        return address("plan", self.storm)

    def query(self, tried: Sequence[Tried] | None = None) -> str:
        """Behind the question mark."""
        return query(self.tried if tried is None else tried, a=self.application)


def asked(visit: Visit) -> Asked:
    """Read the address and make the plan."""
    storm = storm_of(visit)
    tried = parse(visit.request.query_params.getlist("c"))
    view = plan_of(visit, storm, tried)
    view = replace(view, plan=as_read(view.plan, visit.display))
    labels = [one.label for one in view.plan.applications]
    wanted = visit.query("a")
    label = wanted if wanted in labels else (labels[0] if labels else "")
    return Asked(storm, tried, view, label)


def storm_of(visit: Visit) -> str:
    """The storm of the address; 404 where there is none of that name."""
    storm = visit.path("storm")
    if storm not in visit.site.computed.storms():
        raise HTTPException(404, "There is no such storm.")
    return storm


def plan_of(visit: Visit, storm: str, tried: Sequence[Tried]) -> PlanView:
    """The plan with changes; a change that is not possible is a 400 with the reason."""
    try:
        return visit.site.computed.plan(storm, what_if(tried))
    except ValueError as error:
        raise HTTPException(400, refusal(visit, error)) from None


def refusal(visit: Visit, error: ValueError) -> str:
    """Why a change is not possible, as a sentence; the error holds a remark."""
    why = error.args[0] if error.args else ""
    said = visit.setting.voice.say(why) if isinstance(why, Remark) else str(error)
    return f"{sentence_case(said)}."


# --- pages -------------------------------------------------------------------------------------


def plan_storms(visit: Visit) -> Response:
    """Every storm, the latest first."""
    listed = visit.site.computed.storms()[::-1]
    return visit.render("web/plans.html", listed=listed)


def plan_page(visit: Visit) -> Response:
    """The plan of a storm."""
    if visit.query("try"):
        return _with_one_more(visit)
    want, shown, voice = asked(visit), visit.display, visit.setting.voice
    as_it_stands = plan_of(visit, want.storm, ())
    now = plan_figures(want.view, voice)
    effect = compared(plan_figures(as_it_stands, voice), now) if want.tried else []
    workspace = want.view.workspace
    return visit.render(
        "web/plan.html",
        want=want,
        figures=now,
        effect=effect,
        decisions=voice.say(decisions(want.view.plan)),
        findings=problems_first(want.view, voice),
        takeover=takeover_rows(want.view.plan.reassigned, shown),
        routes=route_rows(want.view, want.application, voice),
        yards=_yards(want.view, voice),
        chips=[
            (one.words(voice), want.address + want.query(without(want.tried, one)))
            for one in want.tried
        ],
        applications=[
            (one.label, shown.moment(one.start), want.address + query(want.tried, a=one.label))
            for one in want.view.plan.applications
        ],
        choices=_choices(want, shown),
        weather=_weather(want, shown),
        start=shown.moment(want.view.plan.start),
        compare=f"{want.address}/compare{query(want.tried, 'b')}",
        policy_name=workspace.settings.name,
        storm=want.storm,
        issues=issued_plans(visit, want.storm),
    )


def _with_one_more(visit: Visit) -> Response:
    """A change more, then the address that says so."""
    storm, shown = storm_of(visit), visit.display
    kind = visit.query("try")
    texts = list(visit.request.query_params.getlist("c"))
    whom = visit.query(f"{kind}_whom", EVERY)
    typed = visit.query(f"{kind}_value").strip()
    try:
        value = math.nan if kind == "truck" else float(typed.replace("−", "-"))
    except ValueError:
        raise HTTPException(400, f"{typed!r} is not a number.") from None
    application = visit.query(f"{kind}_application")
    truck = typed if kind == "truck" else ""
    texts.append(
        Tried(
            what=kind,  # type: ignore[arg-type]
            whom=whom,
            application=application,
            value=value,
            truck=truck,
            system=AREA if kind == "rate" and shown.rates_per_area else shown.system,
        ).text()
    )
    tried = parse(texts)
    plan_of(visit, storm, tried)
    return visit.go_to(address("plan", storm) + query(tried, a=visit.query("a")))


def _choices(want: Asked, shown: Display) -> dict[str, Any]:
    """What the fields of the changes offer."""
    workspace, models = want.view.workspace, want.view.fleet.models
    routes = workspace.table("routes")["route_id"].drop_duplicates().tolist()
    gates: dict[str, list[str]] = {}
    for truck_id, _, gate_in in sorted(models):
        text = shown.number(gate_in, "gate")
        if text not in gates.setdefault(truck_id, []):
            gates[truck_id].append(text)
    zones = sorted(set(workspace.forecast(want.storm)["zone"]) - {EVERY})
    return {
        "routes": routes,
        "trucks": workspace.table("trucks")["truck_id"].tolist(),
        "gates": gates,
        "zones": zones,
        "forecast": len(workspace.forecast(want.storm)) > 0,
    }


def _yards(view: PlanView, voice: Voice) -> list[dict[str, Any]]:
    rows, shown = [], voice.display
    for row in lines(view.plan.yards):
        tons: Mapping[str, float] = {
            name: POUNDS_PER_TON * float(getattr(row, f"{name}_ton"))
            for name in ("needed", "needed_hi", "on_hand", "short", "order")
        }
        texts = {name: shown.number(value, "bulk") for name, value in tons.items()}
        rows.append(
            {
                "yard_id": row.yard_id,
                "material": voice.material(row.material),
                "state": yard_state(row),
                "counted": shown.date(row.on_hand_at),
                **texts,
            }
        )
    return rows


def _weather(want: Asked, shown: Display) -> list[dict[str, str]]:
    segments = want.view.plan.segments
    mine = segments[(segments["application"] == want.application) & (segments["event"] != "")]
    zones = mine.drop_duplicates("zone")
    return [
        {
            "zone": row.zone,
            "event": str(row.event).replace("_", " "),
            "temperature": shown.show(row.pavement_temp_f, "temperature"),
            "water": shown.show(row.precipitation_in, "water"),
        }
        for row in lines(zones.sort_values("zone"))
    ]


def route(visit: Visit) -> Response:
    """One route: what the driver sets, stretch by stretch, and every segment."""
    want, voice, route_id = asked(visit), visit.setting.voice, visit.path("route")
    segments = want.view.plan.segments
    mine = segments[segments["route_id"] == route_id]
    if mine.empty:
        raise HTTPException(404, "There is no such route in this plan.")
    mine = mine[mine["application"] == want.application]
    rows = [segment_facts(mine.iloc[at], voice) for at in range(len(mine))]
    return visit.render(
        "web/route.html",
        want=want,
        route_id=route_id,
        rows=rows,
        back=want.address + want.query(),
        applications=[
            (one.label, _route_address(want, route_id, one.label))
            for one in want.view.plan.applications
        ],
        summary=next(
            (
                row
                for row in route_rows(want.view, want.application, voice)
                if row["route_id"] == route_id
            ),
            None,
        ),
    )


def plan_segment(visit: Visit) -> Response:
    """What the plan says of one segment, as a piece of a page."""
    want = asked(visit)
    segments = want.view.plan.segments
    place = number_of(visit.query("i"))
    if place is None or place >= len(segments):
        raise HTTPException(404, "There is no such segment.")
    row = segments.iloc[place]
    there = _route_address(want, str(row["route_id"]), str(row["application"]))
    return visit.render(
        "web/segment.html", facts=segment_facts(row, visit.setting.voice), address_of_route=there
    )


def _route_address(want: Asked, route_id: str, application: str) -> str:
    return address("plan", want.storm, "routes", route_id) + query(want.tried, a=application)


def segment_facts(row: pd.Series[Any], voice: Voice) -> dict[str, Any]:
    """One segment of a plan, in words."""
    shown = voice.display
    source, memory = split_source(row["rate_source"], voice)
    rate = {
        name: shown.show(float(row[f"{name}_rate_lb_per_lane_mile"]), "rate")
        for name in ("target", "achieved")
    }
    speeds = float(row["max_speed_mph"]), float(row["speed_mph"])
    fastest = fastest_here_mph(*speeds, str(row["event"]))
    low, high = float(row["mass_lo_lb"]), float(row["mass_hi_lb"])
    return {
        "segment_id": row["segment_id"],
        "name": row["name"] or row["segment_id"],
        "route_id": row["route_id"],
        "truck_id": row["truck_id"] or NOTHING,
        "material": voice.material(row["material"]) if row["material"] else NOTHING,
        "application": row["application"],
        "status": TERMS["plan_status"][str(row["status"])],
        "target": rate["target"],
        "achieved": rate["achieved"],
        "gate": shown.show(float(row["gate_in"]), "gate"),
        "feeder": shown.show(float(row["feeder_pct"]), "percent"),
        "speed": shown.show(float(row["speed_mph"]), "speed"),
        "fastest": shown.show(fastest, "speed") if math.isfinite(fastest) else NOTHING,
        "discharge": shown.show(float(row["discharge_lb_per_min"]), "discharge"),
        "mass": shown.show(float(row["mass_lb"]), "mass"),
        "mass_range": shown.show_range(low, high, "mass"),
        "lane_miles": shown.show(float(row["lane_miles"]), "lane_distance"),
        "lanes": as_text(float(row["lanes"]), 1, plain=True),
        "area": row["area_id"],
        "source": source,
        "memory": memory,
        "note": voice.say_all(row["note"]),
    }


def compare_page(visit: Visit) -> Response:
    """Two plans of one storm side by side: ?a= and ?b= are the changes of each."""
    storm, voice = storm_of(visit), visit.setting.voice
    sides = [parse(visit.request.query_params.getlist(name)) for name in ("a", "b")]
    views = [plan_of(visit, storm, tried) for tried in sides]
    problems = [
        {(one.subject, one.what, one.remedy) for one in problems_first(view, voice)["problem"]}
        for view in views
    ]
    return visit.render(
        "web/compare.html",
        storm=storm,
        sides=[
            {
                "words": [one.words(voice) for one in tried],
                "address": address("plan", storm) + query(tried),
            }
            for tried in sides
        ],
        rows=compared(plan_figures(views[0], voice), plan_figures(views[1], voice)),
        routes=route_differences(views[0], views[1], voice.display),
        gone=sorted(problems[0] - problems[1]),
        new=sorted(problems[1] - problems[0]),
        kept_query=query(sides[0], "a"),
    )


# --- map ---------------------------------------------------------------------------------------


def plan_lines(visit: Visit) -> Response:
    """The segments of one application, coloured by rate, for the part of the map in view."""
    want = asked(visit)
    box = map_layers.box_of(visit.query("box"))
    zoom = map_layers.zoom_of(visit.query("zoom"))
    key = ("plan lines", want.storm, what_if(want.tried), want.application, visit.display.system)

    def make() -> tuple[Any, Any, dict[str, Any]]:
        segments = want.view.plan.segments
        at = np.flatnonzero(segments["application"] == want.application)
        mine = segments.iloc[at]
        rate = visit.display.values(planned_rate(mine), "rate")
        classes = shared_classes(segments, visit.display)
        number = _class_of(classes, rate)
        status = mine["status"]
        look = np.where(
            status.isin(IN_DOUBT), "doubt", np.where(status == "untreated", "none", "rate")
        )
        return mine.geometry, at, {"k": number, "w": number, "s": look}

    geometry, numbers, looks = visit.site.computed.remember(key, make)
    return visit.json_text(map_layers.line_layer(geometry, numbers, looks, box, zoom))


def plan_places(visit: Visit) -> Response:
    """What stands still on the map: areas, yards, names of routes, the legend, the tiles."""
    want = asked(visit)
    workspace, segments = want.view.workspace, want.view.plan.segments
    classes = shared_classes(segments, visit.display)
    legend = _legend(
        classes, visit.display.values(planned_rate(segments), "rate"), visit.display.unit("rate")
    )
    named = segments.drop_duplicates(["route_id", "segment_id", "part"])
    areas = workspace.table("sensitive_areas")
    background = tiles(visit.site.folder)
    return visit.json(
        {
            "areas": map_layers.area_layer(areas),
            "yards": map_layers.yard_marks(workspace.table("yards")),
            "names": map_layers.route_marks(named),
            "bounds": map_layers.bounds([segments]),
            "legend": legend,
            "unknown": TERMS["plan_map"]["none"].words,
            "doubt": TERMS["plan_map"]["doubt"].words,
            "tiles": {"address": background.address, "credit": background.credit}
            if background
            else None,
        }
    )


def _legend(classes: np.ndarray, rate: np.ndarray, unit: str) -> list[str]:
    """The lowest and the highest rate of each class, in words."""
    known = rate[np.isfinite(rate) & (rate > 0)]
    number = _class_of(classes, known)
    words = []
    for place in range(len(classes)):
        mine = known[number == place]
        ends = [as_text(float(end), 0) for end in (mine.min(), mine.max())] if len(mine) else []
        words.append(f"{' to '.join(dict.fromkeys(ends))} {unit}" if ends else "")
    return words


def _class_of(classes: np.ndarray, rate: np.ndarray) -> np.ndarray:
    """The number of the class of each rate."""
    found = np.searchsorted(classes, np.nan_to_num(rate), side="right") - 1
    return np.asarray(np.clip(found, 0, None))


# --- cab cards ---------------------------------------------------------------------------------


def cards(visit: Visit) -> Response:
    """Cab cards as the files stand: one for each run."""
    storm = storm_of(visit)
    done = visit.site.folder / "results" / storm / "cab_cards"
    files = sorted(path.name for path in done.glob("*.pdf")) if done.is_dir() else []
    return visit.render(
        "web/cards.html",
        storm=storm,
        files=files,
        cards=card_runs(visit, storm),
    )


def card_runs(visit: Visit, storm: str) -> list[dict[str, str]]:
    """name, truck_id, route_id and application of each cab card."""
    routes = plan_of(visit, storm, ()).plan.routes
    columns = ["truck_id", "route_id", "application"]
    runs = routes.loc[routes["truck_id"] != "", columns].astype(str).to_dict("records")
    return [
        {"name": name} | {str(column): str(text) for column, text in run.items()}
        for name, run in zip(_cards(visit, storm), runs, strict=True)
    ]


def card(visit: Visit) -> Response:
    """One cab card, to print; on the screen it leads to its form of the drivers' log."""
    storm, name = storm_of(visit), visit.path("card")
    found = _cards(visit, storm).get(name)
    if found is None:
        raise HTTPException(404, "There is no such card.")
    there = escape(address("plan", storm, "drivers", name))
    link = f'<p class="to-log"><a href="{there}">Write down what you set and saw</a></p>'
    return report(found.replace('<main class="cab', f'{link}<main class="cab', 1))


def _cards(visit: Visit, storm: str) -> dict[str, str]:
    def make() -> dict[str, str]:
        view = plan_of(visit, storm, ())
        areas = whole_files(view.workspace).table("sensitive_areas")
        inputs_of = inputs_changed(view.workspace, storm)
        yards = view.workspace.table("yards")
        made = cab_cards(view.plan, areas, visit.setting, view.fleet.as_of, inputs_of, yards=yards)
        return dict(made)

    return visit.site.computed.remember(("cab cards", storm, visit.display.system), make)


ROUTES = [
    page("/plan", plan_storms),
    page("/plan/{storm}", plan_page),
    page("/plan/{storm}/segment", plan_segment, name="plan_segment"),
    page("/plan/{storm}/lines", plan_lines, name="plan_lines"),
    page("/plan/{storm}/places", plan_places, name="plan_places"),
    page("/plan/{storm}/compare", compare_page),
    page("/plan/{storm}/routes/{route}", route, name="plan_route"),
    page("/plan/{storm}/cards", cards),
    page("/plan/{storm}/cards/{card}", card),
]
