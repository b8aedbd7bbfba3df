"""Forecast and rates in, a new storm, and tried changes written to the files."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from starlette.exceptions import HTTPException
from starlette.responses import Response

from spreadplan.errors import Problem
from spreadplan.frames import lines
from spreadplan.runs.what_if import own_assignments
from spreadplan.schema.tables import TABLES
from spreadplan.views.display import Display
from spreadplan.web.addresses import address, number_of
from spreadplan.web.files.edits import Add, Change, Edit, Refused, Remove, is_storm
from spreadplan.web.files.store import StoredRow
from spreadplan.web.pages.plan import refusal, storm_of
from spreadplan.web.visits import Visit, action, page
from spreadplan.web.work.changes_tried import AREA, DEGREE_F, Tried, parse, to_inside, what_if

BLANK_ROWS: Final = 3
NEW_ROWS: Final = 6
RATE: Final = {
    "us": "rate_lb_per_lane_mile",
    "metric": "rate_kg_per_lane_km",
    AREA: f"rate_{AREA}",
}
#: what a visitor types, by system of units: the column of the contract and the kind of quantity
TEMPERATURE: Final = {"us": "pavement_temp_f", "metric": "pavement_temp_c"}
WATER: Final = {"us": "precipitation_in", "metric": "precipitation_mm"}
PREWET: Final = {"us": "prewet_gal_per_ton", "metric": "prewet_l_per_t"}
#: a column's name without its unit, by the kind of quantity
STEMS: Final = {
    "temperature": "pavement_temp",
    "water": "precipitation",
    "rate": "rate",
    "area_rate": "rate",
    "liquid_per_mass": "prewet",
}
HEADINGS: Final = {
    "forecast": ("Forecast", "Forecast"),
    "rates": ("Own rates", "The planner's own rates: they win over the policy"),
    "storm_assignments": (
        "Trucks of this storm",
        "Trucks of this storm alone: they win over the usual assignments",
    ),
}
"""Of each table its name and its heading."""


@dataclass(frozen=True)
class Field:
    """A column of a form: its name there, its label with the unit, the column of the contract."""

    name: str
    label: str
    column: str
    kind: str = ""


def forecast_fields(shown: Display) -> list[Field]:
    """The columns of the forecast."""
    system = shown.system
    return [
        Field("zone", "Zone (* for all)", "zone"),
        Field("start", "From", "start"),
        Field("end", "To", "end"),
        Field("event", "Event", "event"),
        Field(
            "temperature",
            f"Pavement, {shown.unit('temperature')}",
            TEMPERATURE[system],
            "temperature",
        ),
        Field("trend", "Trend", "trend"),
        Field("water", f"Water, {shown.unit('water')}", WATER[system], "water"),
        Field("application", "Application", "application"),
    ]


def rate_fields(shown: Display, per_area: bool) -> list[Field]:
    """The columns of the planner's own rates."""
    column = RATE[AREA if per_area else shown.system]
    kind = "area_rate" if per_area else "rate"
    label = f"Rate, {replace(shown, area_lane_ft=0.0).unit(kind)}"
    return [
        Field("route", "Route (* for all)", "route_id"),
        Field("application", "Application (* for all)", "application"),
        Field("start", "From", "start"),
        Field("rate", label, column, kind),
    ]


def truck_fields(shown: Display) -> list[Field]:
    """The columns of the storm's own assignments."""
    return [
        Field("route", "Route", "route_id"),
        Field("truck", "Truck", "truck_id"),
        Field("yard", "Yard", "yard_id"),
        Field("material", "Material", "material"),
        Field(
            "prewet",
            f"Prewetting, {shown.unit('liquid_per_mass')}",
            PREWET[shown.system],
            "liquid_per_mass",
        ),
        Field("since", "From application (empty: the first)", "from_application"),
    ]


def _tables(visit: Visit, storm: str) -> dict[str, list[Field]]:
    shown = visit.display
    stored = visit.site.store.rows(_file(storm, "rates")) if storm else []
    # a file has one kind of rate, and g/m² cannot become a rate per lane without a lane's width
    per_area = RATE[AREA] in stored[0].values if stored else shown.rates_per_area
    return {
        "forecast": forecast_fields(shown),
        "rates": rate_fields(shown, per_area),
        "storm_assignments": truck_fields(shown),
    }


# --- showing -----------------------------------------------------------------------------------


def inputs(visit: Visit) -> Response:
    """The forecast and the planner's own rates of a storm."""
    storm = storm_of(visit)
    return _form(visit, storm, BLANK_ROWS, {}, [])


def new_row(visit: Visit) -> Response:
    """A storm that is not there yet."""
    return _form(visit, "", NEW_ROWS, {}, [])


def _form(
    visit: Visit,
    storm: str,
    blanks: int,
    typed: Mapping[str, str],
    faults: Sequence[str],
    name: str = "",
    status: int = 200,
) -> Response:
    shown, tables = visit.display, []
    for table, fields in _tables(visit, storm).items():
        stored = visit.site.store.rows(_file(storm, table)) if storm else []
        rows = [
            {
                "key": f"{table}-{row.row}",
                "mark": row.mark,
                "values": [
                    (f, typed.get(f"{table}-{row.row}-{f.name}", _shown(row, f, shown)))
                    for f in fields
                ],
            }
            for row in stored
        ]
        rows += [
            {
                "key": f"{table}-new{n}",
                "mark": "",
                "values": [(f, typed.get(f"{table}-new{n}-{f.name}", "")) for f in fields],
            }
            for n in range(blanks)
        ]
        title, heading = HEADINGS[table]
        tables.append({"name": title, "heading": heading, "fields": fields, "rows": rows})
    policy = visit.site.computed.fleet().workspace.policy
    return visit.render(
        "web/inputs.html",
        status,
        storm=storm,
        tables=tables,
        faults=faults,
        name=name,
        events=sorted({str(event) for event in policy.rates["event"]} - {""}),
    )


def _file(storm: str, table: str) -> str:
    return f"storms/{storm}/{TABLES[table].file}"


def _shown(row: StoredRow, field: Field, shown: Display) -> str:
    """A stored cell in the visitor's unit; as it is where it cannot be converted."""
    if not field.kind:
        return row.values.get(field.column, "")
    stem = STEMS[field.kind]
    name = next((n for n in row.values if n.startswith(f"{stem}_")), "")
    text = row.values.get(name, "")
    columns = (TEMPERATURE, WATER, RATE, PREWET)
    source = {n: system for names in columns for system, n in names.items()}.get(name)
    if source is None or source == shown.system or source == AREA or not text:
        return text
    shown = replace(shown, area_lane_ft=0.0)
    try:
        return f"{shown.value(to_inside(float(text), field.kind, source), field.kind):.4g}"
    except ValueError:
        return text


# --- saving ------------------------------------------------------------------------------------


def save_rows(visit: Visit) -> Response:
    """Write what was changed, and only that."""
    storm = storm_of(visit)
    edits = _edits(visit, storm)
    if not edits:
        return visit.go_to(address("plan", storm))
    return _apply(
        visit,
        storm,
        storm,
        edits,
        f"forecast, rates or trucks of {visit.voice.storm(storm)} changed",
    )


def create(visit: Visit) -> Response:
    """Make a storm from a forecast or from rates."""
    name = visit.field("name")
    if not is_storm(name) or name in ("new",):
        return _form(
            visit,
            "",
            NEW_ROWS,
            _typed(visit),
            ["Give the storm a plain name, such as 2026-12-08-cold-snow."],
            name,
            422,
        )
    if name in visit.site.computed.storms():
        return _form(
            visit, "", NEW_ROWS, _typed(visit), ["There is a storm of that name."], name, 422
        )
    edits = _edits(visit, name)
    if not edits:
        return _form(
            visit,
            "",
            NEW_ROWS,
            _typed(visit),
            ["Fill in a row of the forecast, or a rate."],
            name,
            422,
        )
    return _apply(visit, "", name, edits, f"storm {visit.voice.storm(name)} made")


def _apply(visit: Visit, there: str, storm: str, edits: Sequence[Edit], what: str) -> Response:
    try:
        visit.site.store.apply(edits, visit.who, what)
    except Refused as error:
        faults = [_words(problem) for problem in error.problems]
        return _form(
            visit, there, BLANK_ROWS if there else NEW_ROWS, _typed(visit), faults, storm, 422
        )
    return visit.go_to(address("plan", storm))


def _typed(visit: Visit) -> dict[str, str]:
    return {name: visit.field(name) for name in visit.form}


def _words(problem: Problem) -> str:
    column = "" if problem.column == "*" else f", {problem.column.replace('_', ' ')}"
    return f"{problem.file}, row {problem.row}{column}: {problem.what}; {problem.remedy}"


def _edits(visit: Visit, storm: str) -> list[Edit]:
    """An edit for each row that differs from what was shown."""
    edits: list[Edit] = []
    for table, fields in _tables(visit, storm).items():
        file = _file(storm, table)
        marks = {
            name.rsplit("-", 1)[0]: visit.field(name)
            for name in visit.form
            if name.startswith(f"{table}-") and name.endswith("-mark")
        }
        for key, mark in marks.items():
            values = {f: visit.field(f"{key}-{f.name}") for f in fields}
            number = key.removeprefix(f"{table}-")
            edits += _row_edits(visit, file, number, mark, values)
    return edits


def _row_edits(
    visit: Visit, file: str, number: str, mark: str, values: Mapping[Field, str]
) -> list[Edit]:
    filled = {field.column: text for field, text in values.items() if text}
    if number.startswith("new"):
        return [Add(file, filled)] if filled else []
    row = number_of(number)
    if row is None:
        raise HTTPException(400, "The form cannot be understood.")
    if not filled:
        return [Remove(file, row, mark)]
    stored = next((one for one in visit.site.store.rows(file) if one.row == row), None)
    changed = {
        field.column: text
        for field, text in values.items()
        if stored is None or text != _shown(stored, field, visit.display)
    }
    return [Change(file, row, mark, changed)] if changed else []


# --- what was tried ----------------------------------------------------------------------------


def keep(visit: Visit) -> Response:
    """Write tried changes to the files of the storm: rates, trucks and temperatures have one.

    Speeds stand in the routes' file, which forms do not write; a gate is chosen by the plan.
    """
    storm, tried = storm_of(visit), parse(visit.fields("c"))
    without_file = [one for one in tried if one.what in ("speed", "gate")]
    if without_file:
        words = "; ".join(one.words(visit.setting.voice) for one in without_file)
        raise HTTPException(
            422,
            f"{words}: speeds stand in the file of the routes, and gates are chosen by the "
            "plan, so neither can be written from here. Take them back, then write the others.",
        )
    edits = [
        *_rate_edits(visit, storm, [one for one in tried if one.what == "rate"]),
        *_truck_edits(visit, storm, [one for one in tried if one.what == "truck"]),
        *_forecast_edits(visit, storm, [one for one in tried if one.what == "warmer"]),
    ]
    if edits:
        words = "; ".join(one.words(visit.setting.voice) for one in tried)
        visit.site.store.apply(edits, visit.who, f"{visit.voice.storm(storm)}: {words}")
    return visit.go_to(address("plan", storm))


def _rate_edits(visit: Visit, storm: str, tried: Sequence[Tried]) -> list[Edit]:
    file, edits = _file(storm, "rates"), []
    rows = {
        (row.values.get("route_id"), row.values.get("application")): row
        for row in visit.site.store.rows(file)
    }
    for one in tried:
        application = one.application or "*"
        value = {RATE[one.system]: f"{one.value:g}"}
        row = rows.get((one.whom, application))
        edits.append(
            Change(file, row.row, row.mark, value)
            if row is not None
            else Add(file, {"route_id": one.whom, "application": application, **value})
        )
    return list[Edit](edits)


def _truck_edits(visit: Visit, storm: str, tried: Sequence[Tried]) -> list[Edit]:
    """The rows of the storm's own assignments for the routes that change hands."""
    if not tried:
        return []
    workspace, _ = visit.site.computed.inputs(storm)
    try:
        wanted = own_assignments(workspace, storm, what_if(tried).trucks)
    except ValueError as error:
        raise HTTPException(422, refusal(visit, error)) from None
    file = _file(storm, "storm_assignments")
    routes = {one.whom for one in tried}
    there = {
        (row.values["route_id"], row.values.get("from_application", "")): row
        for row in visit.site.store.rows(file)
        if row.values.get("route_id") in routes
    }
    edits: list[Edit] = []
    for row in lines(wanted[wanted["route_id"].isin(routes)]):
        stored = there.pop((row.route_id, row.from_application), None)
        values = {
            "route_id": row.route_id,
            "truck_id": row.truck_id,
            "yard_id": row.yard_id,
            "material": row.material,
            "prewet_gal_per_ton": f"{row.prewet_gal_per_ton:.9g}",
            "from_application": row.from_application,
        }
        if row.prewet_material:  # else a file without the column stays as it is
            values["prewet_material"] = row.prewet_material
        if stored is None:
            edits.append(Add(file, values))
        elif stored.values.get("truck_id") != row.truck_id:
            edits.append(Change(file, stored.row, stored.mark, {"truck_id": row.truck_id}))
    return edits + [Remove(file, row.row, row.mark) for row in there.values()]


def _forecast_edits(visit: Visit, storm: str, tried: Sequence[Tried]) -> list[Edit]:
    shifts = {one.whom: one.inside() for one in tried}
    edits: list[Edit] = []
    if not shifts:
        return edits
    file = _file(storm, "forecast")
    for row in visit.site.store.rows(file):
        shift = shifts.get(row.values.get("zone", ""), shifts.get("*", math.nan))
        name = next((n for n in TEMPERATURE.values() if n in row.values), "")
        if math.isfinite(shift) and name:
            system = next(system for system, column in TEMPERATURE.items() if column == name)
            value = float(row.values[name]) + shift / DEGREE_F[system]
            edits.append(Change(file, row.row, row.mark, {name: f"{value:.6g}"}))
    return edits


ROUTES: list[Any] = [
    page("/storms/new", new_row, role="plan", name="new_storm"),
    action("/storms/new", create, role="plan"),
    page("/plan/{storm}/inputs", inputs, role="plan"),
    action("/plan/{storm}/inputs", save_rows, role="plan", name="save_inputs"),
    action("/plan/{storm}/keep", keep, role="plan"),
]
