"""Trucks: the state of every calibration at a glance, one truck, its certificate."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from spreadplan.frames import lines
from spreadplan.reports.certificate import certificates, work_sheet
from spreadplan.reports.charts import CurveGroup, curve_groups
from spreadplan.reports.truck_state import TruckState, truck_states
from spreadplan.views.display import Display
from spreadplan.web.addresses import address
from spreadplan.web.computed import FleetView, whole
from spreadplan.web.drawing import Chart, number_axis
from spreadplan.web.edits import Change
from spreadplan.web.security import REPORT_POLICY
from spreadplan.web.visits import Visit, action, page

TESTS = "discharge_tests.csv"
ORDER = {"bad": 0, "warn": 1, "good": 2}


def states(visit: Visit) -> dict[str, TruckState]:
    """The state of every truck in the visitor's units."""

    def make() -> dict[str, TruckState]:
        view = visit.site.computed.fleet()
        workspace = view.workspace
        return truck_states(
            view.calibration, workspace.table("trucks"), workspace.table("changes"),
            workspace.policy, visit.setting,
        )  # fmt: skip

    return visit.site.computed.remember(("truck states", visit.display.system), make)


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
    counts = {tone: sum(one.tone == tone for one in listed) for tone in ORDER}
    as_of = visit.display.date(visit.site.computed.fleet().calibration.as_of)
    return visit.render(
        "web/trucks.html", trucks=listed, assigned=assigned, counts=counts, as_of=as_of
    )


def truck(visit: Visit) -> Response:
    """One truck: whether its calibration counts, its curves, tests and what to do next."""
    state = state_of(visit, visit.path("truck"))
    view = visit.site.computed.fleet()
    charts = visit.site.computed.remember(
        ("truck charts", state.truck_id, visit.display.system),
        lambda: curves(view, state, visit.display),
    )
    changes = [
        (visit.display.date(row.changed_at), row.what, row.note)
        for row in lines(state.truck.changes.sort_values("changed_at", ascending=False))
    ]
    return visit.render(
        "web/truck.html", state=state, charts=charts, changes=changes,
        closed_loop=state.truck.closed_loop,
    )  # fmt: skip


def certificate(visit: Visit) -> Response:
    """The certificate as it stands now, to print."""
    view = visit.site.computed.fleet()
    trucks_table = whole(view.workspace).table("trucks")
    own = trucks_table[trucks_table["truck_id"] == visit.path("truck")]
    for _, text in certificates(
        view.calibration, own, view.workspace.table("changes"), view.workspace.policy,
        visit.setting,
    ):  # fmt: skip
        return report(text)
    raise HTTPException(404, "There is no such truck.")


def sheet(visit: Visit) -> Response:
    """The blank work sheet."""
    return report(work_sheet(visit.setting, visit.site.computed.fleet().calibration.as_of))


def report(text: str) -> Response:
    """A printed page on the screen; it runs no script and asks no one for anything."""
    return HTMLResponse(text, headers={"content-security-policy": REPORT_POLICY})


def void(visit: Visit) -> Response:
    """Say why a test no longer counts; its figures stay."""
    why, test_id = visit.field("why"), visit.path("test")
    row = next((r for r in visit.site.store.rows(TESTS) if r.values["test_id"] == test_id), None)
    if row is None or row.values["truck_id"] != visit.path("truck"):
        raise HTTPException(404, "There is no such test.")
    if not why:
        raise HTTPException(400, "Say why the test no longer counts.")
    edit = Change(TESTS, row.row, row.mark, {"voided_by": why})
    visit.site.store.apply([edit], visit.who, f"test {test_id} no longer counts: {why}")
    return visit.go_to(address("trucks", visit.path("truck")))


# --- curves ------------------------------------------------------------------------------------


def curves(view: FleetView, state: TruckState, shown: Display) -> list[tuple[str, Chart]]:
    """A chart for each material and gate: its title and the drawing."""
    models, tests = state.truck.models, state.truck.tests
    by_group = {(model.material, model.gate_in): model for model in models}
    drawn = []
    for group in curve_groups(models, tests) if models or len(tests) else []:
        mine = tests[
            (tests["material"] == group.material) & np.isclose(tests["gate_in"], group.gate_in)
        ]
        what = "mass per count" if group.per_count else "discharge"
        title = f"{group.material}, gate {shown.show(group.gate_in, 'gate')}: {what}"
        model = by_group.get((group.material, group.gate_in))
        drawn.append((title, _curve(model, group, mine, title, shown)))
    return drawn


def _curve(model: Any, group: CurveGroup, tests: pd.DataFrame, title: str, shown: Display) -> Chart:
    kind = "per_count" if group.per_count else "discharge"
    value, u = (
        ("lb_per_count", "lb_per_count_u")
        if group.per_count
        else ("discharge_lb_per_min", "discharge_u_lb_per_min")
    )
    known = tests[tests[value].notna()]
    output, middle, low, high = _model_line(model, group.per_count)
    ends = [*high, *(known[value] + 2.0 * known[u])]
    lows = [*low, *(known[value] - 2.0 * known[u])] if group.per_count else [0.0]
    top = shown.value(max(ends, default=1.0), kind)
    bottom = shown.value(min(lows, default=0.0), kind)
    tested = f"{len(known)} tests, {int(known['valid'].sum())} of them count"
    chart = Chart(
        f"{title}, against feeder output. {tested}.",
        number_axis("feeder output, %", 0.0, 100.0),
        number_axis(shown.unit(kind), bottom, top, vertical=True),
    )
    if model is not None:
        middle, low, high = (shown.values(one, kind) for one in (middle, low, high))
        chart.band(output, np.maximum(low, chart.y.low), np.minimum(high, chart.y.high))
        chart.line(output, middle, "dashed")
        inside = (output >= model.tested_lo_pct) & (output <= model.tested_hi_pct)
        chart.line(output[inside], middle[inside])
    for test in lines(known.sort_values("valid")):
        text = shown.show_pm(getattr(test, value), getattr(test, u), kind)
        half = shown.value(2.0 * getattr(test, u), kind)
        counts = "" if test.valid else f"; does not count: {test.reason}"
        chart.point(
            float(test.feeder_pct), shown.value(getattr(test, value), kind), half,
            f"{test.test_id}: {text}{counts}", "" if test.valid else "off",
        )  # fmt: skip
    return chart


def _model_line(model: Any, per_count: bool) -> tuple[np.ndarray, ...]:
    """Feeder output, the calibration there, and its 95 % interval."""
    output = np.linspace(0.0, 100.0, 51)
    if model is None:
        nothing = np.array([])
        return output, nothing, nothing, nothing
    if not per_count:
        low, high = model.interval(output)
        return output, model.predict(output).discharge_lb_per_min, low, high
    value = np.full_like(output, model.lb_per_count)
    half = 2.0 * value * model.relative_u_per_count(output)
    half = np.where(np.isfinite(half), half, math.nan)
    return output, value, value - half, value + half


ROUTES = [
    page("/trucks", trucks),
    page("/sheet", sheet, name="work_sheet"),
    page("/trucks/{truck}", truck),
    page("/trucks/{truck}/certificate", certificate),
    action("/trucks/{truck}/tests/{test}/void", void, role="record"),
]
