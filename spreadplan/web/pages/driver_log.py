"""The drivers' log: a small form beside each cab card, all entries of a storm, a sheet of paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import pandas as pd
from starlette.exceptions import HTTPException
from starlette.responses import Response

from spreadplan import clock
from spreadplan.errors import BadInput, Problem
from spreadplan.frames import lines
from spreadplan.reports.render import html
from spreadplan.runs.driver_log import beside_cards
from spreadplan.runs.in_force import round_begins
from spreadplan.schema.policy import SURFACES
from spreadplan.schema.storm_tables import DRIVER_LOG, WORKED
from spreadplan.views.use_road import card_in_words, driver_rows
from spreadplan.views.voice import sentence_case
from spreadplan.views.words import term
from spreadplan.web.addresses import address
from spreadplan.web.files.edits import Add, Refused
from spreadplan.web.pages.now import writers_of
from spreadplan.web.pages.plan import card_runs, plan_of, storm_of
from spreadplan.web.pages.reports import may_undo
from spreadplan.web.pages.trucks import report
from spreadplan.web.visits import Visit, action, page
from spreadplan.web.work.moments import as_field
from spreadplan.workspace import Workspace, read_workspace

#: the log's columns of what was set, by system of units
GATE: Final = {"us": "gate_in", "metric": "gate_mm"}
RATE: Final = {"us": "rate_lb_per_lane_mile", "metric": "rate_kg_per_lane_km"}
AREA_RATE: Final = "rate_g_per_m2"
#: a form that is opened so long before or after a storm does not fill in the present
AROUND: Final = pd.Timedelta(hours=12)
BLANK_ROWS: Final = 12
"""Empty rows of a truck's sheet."""


def drivers(visit: Visit) -> Response:
    """All entries of a storm, beside the cards; works without any record of the trucks."""
    storm = storm_of(visit)
    return visit.render(
        "web/drivers.html",
        storm=storm,
        entries=_entries(visit, storm),
        cards=card_runs(visit, storm),
    )


def driver(visit: Visit) -> Response:
    """The form for the run of one cab card, and what was written down of it."""
    return _page(visit, {}, {}, 200)


def _page(
    visit: Visit, typed: Mapping[str, str], faults: Mapping[str, Sequence[str]], status: int
) -> Response:
    storm, run = storm_of(visit), _run_of(visit)
    shown = visit.display
    of_run = [
        one
        for one in _entries(visit, storm)
        if (one["route"], one["application"]) == (run["route_id"], run["application"])
    ]
    rows = plan_of(visit, storm, ()).plan.segments
    mine = rows[(rows["application"] == run["application"]) & (rows["route_id"] == run["route_id"])]
    return visit.render(
        "web/driver.html",
        status,
        storm=storm,
        run=run,
        card=card_in_words(mine, shown),
        unit={kind: shown.unit(kind) for kind in ("gate", "rate")},
        surfaces=SURFACES,
        worked=[(code, sentence_case(term("worked", code).words)) for code in WORKED],
        time=_usual_time(visit, storm, run),
        entries=of_run,
        typed=typed,
        faults=faults,
    )


def _run_of(visit: Visit) -> dict[str, str]:
    """The run of the card in the address; 404 where there is none."""
    name = visit.path("card")
    found = next((one for one in card_runs(visit, storm_of(visit)) if one["name"] == name), None)
    if found is None:
        raise HTTPException(404, "There is no such card.")
    return found


def _usual_time(visit: Visit, storm: str, run: Mapping[str, str]) -> str:
    """When the run was to begin, for a form that is filled in afterwards; "" while the storm runs.

    Without a time the moment counts at which the form is sent.
    """
    workspace, _ = visit.site.computed.inputs(storm)
    known = [one for one in round_begins(workspace, storm).values() if not pd.isna(one)]
    now = pd.Timestamp(clock.now())
    if not known or min(known) - AROUND <= now <= max(known) + AROUND:
        return ""
    runs = plan_of(visit, storm, ()).plan.routes
    mine = (runs["application"] == run["application"]) & (runs["route_id"] == run["route_id"])
    begins = runs.loc[mine, "starts_at"].dropna() if "starts_at" in runs else runs.iloc[:0, 0]
    return as_field(visit, pd.Timestamp(begins.iloc[0]) if len(begins) else min(known))


# --- what was written down -----------------------------------------------------------------------


def _file(storm: str) -> str:
    return f"storms/{storm}/{DRIVER_LOG.file}"


def record_entry(visit: Visit) -> Response:
    """Add an entry to the drivers' log of the storm."""
    storm, run = storm_of(visit), _run_of(visit)
    values = {
        "time": visit.field("time") or as_field(visit, pd.Timestamp(clock.now())),
        **{name: run[name] for name in ("truck_id", "route_id", "application")},
        **{column: visit.field(name) for name, column in _columns(visit).items() if name != "time"},
    }
    said = f"drivers' log, {run['truck_id']} on {run['route_id']}, application {run['application']}"
    try:
        visit.site.store.apply(
            [Add(_file(storm), values)], visit.who, f"{visit.voice.storm(storm)}: {said}"
        )
    except Refused as error:
        typed = {name: visit.field(name) for name in visit.form}
        return _page(visit, typed, _faults(visit, error), 422)
    return visit.go_to(f"{address('plan', storm, 'drivers', run['name'])}#part-entries")


def _columns(visit: Visit) -> dict[str, str]:
    """Fields of the form, and the columns of the log that they fill."""
    shown = visit.display
    rate = AREA_RATE if shown.rates_per_area else RATE[shown.system]
    same = ("time", "as_card", "feeder_pct", "surface", "worked", "note")
    return {"gate": GATE[shown.system], "rate": rate, **{name: name for name in same}}


def _faults(visit: Visit, error: Refused) -> dict[str, list[str]]:
    """What is wrong, by the field that it belongs to; "" for the rest."""
    found: dict[str, list[str]] = {}
    placed: list[Problem] = []
    for name, column in _columns(visit).items():
        mine = [one for one in error.at(0) if one not in placed and one.column in (column, name)]
        placed += mine
        if mine:
            found[name] = [_plainly(one) for one in mine]
    rest = [_plainly(one) for one in error.problems if one not in placed]
    return found | ({"": rest} if rest else {})


def _plainly(problem: Problem) -> str:
    return sentence_case(f"{problem.what}; {problem.remedy}.")


def _logged(visit: Visit, storm: str) -> Workspace | None:
    """The log as it can be read; rows that cannot be understood are left out."""

    def make() -> Workspace | None:
        try:
            return read_workspace(
                visit.site.folder,
                required=(),
                storms={storm: ("driver_log", "forecast", "rates")},
                leave_out=True,
            )
        except BadInput:
            return None

    return visit.site.computed.remember(("driver log", storm), make)


def _entries(visit: Visit, storm: str) -> list[dict[str, Any]]:
    """What drivers wrote down, beside their cards, the latest first; and who may take it back."""
    logged = _logged(visit, storm)
    log = logged.table("driver_log", storm) if logged is not None else pd.DataFrame()
    if log.empty:
        return []
    workspace, _ = visit.site.computed.inputs(storm)
    plan = plan_of(visit, storm, ()).plan
    table = beside_cards(workspace, storm, log, plan.segments)
    file = _file(storm)
    stored = {row.row: row for row in visit.site.store.rows(file)}
    writers = writers_of(visit.site.store.changes(), file)
    found = []
    ordered = log.sort_values("time", kind="stable")["row"].tolist()
    for number, shown in zip(ordered, driver_rows(table, visit.voice), strict=True):
        row = stored.get(int(number))
        entry = writers.get((row.row, row.mark)) if row is not None else None
        own = {
            "row": int(number),
            "file": file,
            "who": entry.who if entry else "",
            "number": entry.number if entry else 0,
            "mine": entry is not None and may_undo(visit.who, visit.can("plan"), entry.who),
        }
        found.append(shown | own)
    return found[::-1]


# --- on paper ------------------------------------------------------------------------------------


def driver_sheet(visit: Visit) -> Response:
    """A sheet for each truck to write on with a pen: its runs, what their cards say, empty rows."""
    storm, shown = storm_of(visit), visit.display
    view = plan_of(visit, storm, ())
    plan = view.plan
    by_run = dict(list(plan.segments.groupby(["application", "route_id"], sort=False)))
    trucks: dict[str, list[dict[str, str]]] = {}
    for run in lines(plan.routes[plan.routes["truck_id"] != ""]):
        card = card_in_words(by_run[run.application, run.route_id], shown)
        row = {"route": run.route_id, "application": run.application, "card": card}
        trucks.setdefault(run.truck_id, []).append(row)
    setting = visit.setting
    text = html(
        "driver_sheet.html",
        title=f"Drivers' log of {visit.voice.storm(storm)}",
        **setting.context(view.fleet.as_of),
        storm=visit.voice.storm(storm),
        trucks=trucks,
        blank=BLANK_ROWS,
        unit={kind: shown.unit(kind) for kind in ("gate", "rate")},
        surfaces=SURFACES,
    )
    return report(text)


ROUTES: list[Any] = [
    page("/plan/{storm}/drivers", drivers),
    page("/plan/{storm}/drivers/{card}", driver),
    page("/plan/{storm}/driver_sheet", driver_sheet),
    action("/plan/{storm}/drivers/{card}", record_entry, role="record", name="record_driver"),
]
