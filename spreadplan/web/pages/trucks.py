"""Trucks: the state of every calibration at a glance, one truck, its certificate."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from typing import TypeVar

import pandas as pd
from markupsafe import Markup
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from spreadplan.frames import lines
from spreadplan.remarks import remark
from spreadplan.reports.certificate import Truck, certificates, work_sheet
from spreadplan.reports.charts import curve_groups, discharge_curves
from spreadplan.reports.figure import SCREEN_HEIGHT_IN, SCREEN_WIDTH_IN
from spreadplan.reports.liquid_circuits import liquid_sheet, units_shown
from spreadplan.reports.truck_state import TruckState, truck_states
from spreadplan.runs.calibrating import with_liquids
from spreadplan.views.voice import Voice
from spreadplan.views.words import TERMS
from spreadplan.views.words.term import Term
from spreadplan.web.access.security import REPORT_POLICY
from spreadplan.web.addresses import address
from spreadplan.web.files.edits import Change
from spreadplan.web.visits import Visit, action, page
from spreadplan.web.work.computed import whole_files

T = TypeVar("T")
TESTS = "discharge_tests.csv"
LIQUID_TESTS = "liquid_tests.csv"
ORDER = {"bad": 0, "warn": 1, "good": 2}
"""Tones, what needs something first."""


def states(visit: Visit) -> dict[str, TruckState]:
    """The state of every truck in the visitor's units."""

    def make() -> dict[str, TruckState]:
        view = visit.site.computed.fleet()
        workspace = view.workspace
        return truck_states(
            view.calibration,
            workspace.table("trucks"),
            workspace.table("changes"),
            workspace.policy,
            visit.setting,
        )

    return _remember(visit, "truck states", "", make)


def _remember(visit: Visit, what: str, truck_id: str, make: Callable[[], T]) -> T:
    """What ``make`` returned for these inputs, this day and the visitor's units."""
    day = visit.site.computed.fleet().calibration.as_of
    return visit.site.computed.remember((what, truck_id, day, visit.display.system), make)


def state_of(visit: Visit, truck_id: str) -> TruckState:
    """The state of one truck; 404 where there is no such truck."""
    found = states(visit).get(truck_id)
    if found is None:
        raise HTTPException(404, "There is no such truck.")
    return found


def trucks(visit: Visit) -> Response:
    """Every truck, those that need something first."""
    listed = sorted(states(visit).values(), key=lambda one: ORDER[one.tone])
    assigned: dict[str, list[str]] = {}
    for row in lines(visit.site.computed.fleet().workspace.table("assignments")):
        assigned.setdefault(str(row.truck_id), []).append(str(row.route_id))
    as_of = visit.display.date(visit.site.computed.fleet().calibration.as_of)
    return visit.render(
        "web/trucks.html",
        trucks=listed,
        assigned=assigned,
        counts=counted(listed),
        as_of=as_of,
        liquids=with_liquids(visit.site.computed.fleet().workspace),
    )


def counted(found: Iterable[TruckState]) -> list[tuple[int, Term]]:
    """How many trucks there are of each standing, the worst first."""
    numbers = Counter(one.validity.term for one in found)
    return [(numbers[term], term) for term in TERMS["truck_standing"].values() if numbers[term]]


def truck(visit: Visit) -> Response:
    """One truck: whether its calibration counts, its curves, tests and what to do next."""
    state = state_of(visit, visit.path("truck"))
    charts = _remember(
        visit, "truck charts", state.truck_id, lambda: curves(state, visit.setting.voice)
    )
    changes = [
        (visit.display.date(row.changed_at), row.what, row.note)
        for row in lines(state.truck.changes.sort_values("changed_at", ascending=False))
    ]
    return visit.render(
        "web/truck.html",
        state=state,
        charts=charts,
        changes=changes,
        closed_loop=state.truck.closed_loop,
        liquids=has_liquid(visit, state.truck),
        liquid_unit=units_shown(visit.setting.voice),
        no_test=visit.setting.voice.say(remark("no_test_on_record")),
    )


def has_liquid(visit: Visit, truck: Truck) -> bool:
    """Whether a truck has a liquid circuit: a tank, a test of one, or a liquid on its routes."""
    workspace = visit.site.computed.fleet().workspace
    materials, assigned = workspace.table("materials"), workspace.table("assignments")
    liquids = set(materials.loc[materials["kind"] == "liquid", "material"])
    own = assigned.loc[assigned["truck_id"] == truck.record.truck_id, "material"]
    tanks = pd.notna([truck.record.liquid_tank_gal, truck.record.prewet_tank_gal])
    return bool(tanks.any() and liquids) or len(truck.liquids.tests) > 0 or bool(liquids & set(own))


def certificate(visit: Visit) -> Response:
    """The certificate as it stands now, to print."""
    view, truck_id = visit.site.computed.fleet(), visit.path("truck")
    trucks_table = whole_files(view.workspace).table("trucks")
    own = trucks_table[trucks_table["truck_id"] == truck_id]
    if own.empty:
        raise HTTPException(404, "There is no such truck.")

    def make() -> str:
        ((_, text),) = certificates(
            view.calibration,
            own,
            view.workspace.table("changes"),
            view.workspace.policy,
            visit.setting,
        )
        return text

    return report(_remember(visit, "certificate", truck_id, make))


def sheet(visit: Visit) -> Response:
    """The blank work sheet."""
    return report(work_sheet(visit.setting, visit.site.computed.fleet().calibration.as_of))


def sheet_for_liquids(visit: Visit) -> Response:
    """The blank work sheet for a test of a liquid circuit."""
    return report(liquid_sheet(visit.setting, visit.site.computed.fleet().calibration.as_of))


def report(text: str) -> Response:
    """A printed page on the screen; it runs no script and asks no one for anything."""
    return HTMLResponse(text, headers={"content-security-policy": REPORT_POLICY})


def void(visit: Visit) -> Response:
    """Say why a discharge test no longer counts; its figures stay."""
    return _void(visit, TESTS)


def void_liquid(visit: Visit) -> Response:
    """The same of a test of a liquid circuit."""
    return _void(visit, LIQUID_TESTS)


def _void(visit: Visit, file: str) -> Response:
    why, test_id = visit.field("why"), visit.path("test")
    row = next((r for r in visit.site.store.rows(file) if r.values["test_id"] == test_id), None)
    if row is None or row.values["truck_id"] != visit.path("truck"):
        raise HTTPException(404, "There is no such test.")
    if not why:
        raise HTTPException(400, "Say why the test no longer counts.")
    edit = Change(file, row.row, row.mark, {"voided_by": why})
    visit.site.store.apply([edit], visit.who, f"test {test_id} no longer counts: {why}")
    return visit.go_to(address("trucks", visit.path("truck")))


# --- curves ------------------------------------------------------------------------------------


def curves(state: TruckState, voice: Voice) -> list[Markup]:
    """A chart for each material and gate, as on the certificate."""
    models, tests = state.truck.models, state.truck.tests
    if not models and tests.empty:
        return []
    charts = (
        discharge_curves(models, tests, voice, SCREEN_WIDTH_IN, SCREEN_HEIGHT_IN, [group])
        for group in curve_groups(models, tests)
    )
    return [chart.on_screen(f"curve{number}") for number, chart in enumerate(charts)]


ROUTES = [
    page("/trucks", trucks),
    page("/sheet", sheet, name="work_sheet"),
    page("/sheet/liquid", sheet_for_liquids, name="liquid_work_sheet"),
    page("/trucks/{truck}", truck),
    page("/trucks/{truck}/certificate", certificate),
    action("/trucks/{truck}/tests/{test}/void", void, role="record"),
    action("/trucks/{truck}/liquids/{test}/void", void_liquid, role="record"),
]
