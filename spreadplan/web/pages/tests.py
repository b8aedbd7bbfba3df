"""The discharge-test form: what is wanted, what a run gives while it is typed, saving it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import Response

from spreadplan.errors import Problem
from spreadplan.remarks import Remark, remark
from spreadplan.runs.trial import TestTrial, try_test
from spreadplan.views.display import Display, as_text
from spreadplan.views.voice import Voice
from spreadplan.web.files.edits import Add, Refused
from spreadplan.web.pages.trucks import TESTS, state_of
from spreadplan.web.visits import Visit, action, page

WEIGHINGS = "weighings.csv"
MOST_WEIGHINGS = 200
#: what a form may fill in, by the unit system that it was shown in
TEST_FIELDS = (
    "material",
    "performed_at",
    "performed_by",
    "feeder_pct",
    "duration_s",
    "sensor_counts",
    "engine_rpm",
    "spinner_on",
)
GATE = {"us": "gate_in", "metric": "gate_mm"}
MASS = {"us": "lb", "metric": "kg"}
#: the field that a question is about; the weight for any other
FIELD_OF = {
    "counts_missing": "sensor_counts",
    "counts_unlike": "sensor_counts",
    "gate_unknown": "gate",
}
TEST_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{3,59}")


def form(visit: Visit) -> Response:
    """The form for one truck."""
    state = state_of(visit, visit.path("truck"))
    workspace = visit.site.computed.fleet().workspace
    shown, record = display_in(visit, visit.query("units")), state.truck.record
    wanted = _wanted_materials(visit, state.truck_id)
    solids = workspace.table("materials")
    others = [m for m in solids.loc[solids["kind"] == "solid", "material"] if m not in wanted]
    gates = [shown.number(gate, "gate") for gate in record.gate_positions_in]
    return visit.render(
        "web/test.html",
        state=state,
        display=shown,
        materials=[(one, visit.setting.voice.material(one)) for one in (*wanted, *others)],
        gates=gates,
        closed_loop=state.truck.closed_loop,
        gate_field=GATE[shown.system],
        mass=MASS[shown.system],
        target=workspace.policy.calibration_pct,
        advice=[item for item in state.advice if item.pressing],
    )


def display_in(visit: Visit, units: object) -> Display:
    """The units that a test was begun in, else the visitor's.

    What was read off a scale must not change its unit because someone looks at it in another.
    """
    shown = visit.display
    return replace(shown, system=units) if isinstance(units, str) and units in MASS else shown


def voice_in(visit: Visit, units: object) -> Voice:
    """A voice in the units that a test was begun in."""
    return replace(visit.setting.voice, display=display_in(visit, units))


def _wanted_materials(visit: Visit, truck_id: str) -> list[str]:
    """The materials that the truck spreads on its routes."""
    assigned = visit.site.computed.fleet().workspace.table("assignments")
    return list(dict.fromkeys(assigned.loc[assigned["truck_id"] == truck_id, "material"]))


# --- while it is typed -------------------------------------------------------------------------


def answer_trial(visit: Visit) -> Response:
    """What the run gives so far, in words."""
    state = state_of(visit, visit.path("truck"))
    trial = _tried(visit, state.truck_id, *_sent(visit))
    return visit.json(trial_as_json(trial, voice_in(visit, visit.body.get("units"))))


def _tried(
    visit: Visit, truck_id: str, test: Mapping[str, str], weighings: Sequence[Mapping[str, str]]
) -> TestTrial:
    view = visit.site.computed.fleet()
    return try_test(view.workspace, view.calibration, {**test, "truck_id": truck_id}, weighings)


def trial_as_json(trial: TestTrial, voice: Voice) -> dict[str, Any]:
    """A trial for the screen: net, discharge, mass per count, whether it will do, advice."""
    faults = [where(problem) for problem in trial.problems if problem.fatal]
    if trial.run is None:
        return {"ready": False, "problems": faults}
    run, result = trial.run, trial.run.result
    warnings, reason = result["warnings"], result["reason"]
    assert isinstance(warnings, tuple)
    assert isinstance(reason, tuple)

    def pm(name: str, kind: str) -> str:
        u = name.replace("_lb_per_min", "_u_lb_per_min") if kind == "discharge" else f"{name}_u"
        u = "net_u_lb" if name == "net_lb" else u
        return voice.display.show_pm(_number(result[name]), _number(result[u]), kind)

    counted = math.isfinite(_number(result["lb_per_count"]))
    return {
        "ready": True,
        "problems": faults,
        "net": pm("net_lb", "mass"),
        "discharge": pm("discharge_lb_per_min", "discharge"),
        "per_count": pm("lb_per_count", "per_count") if counted else "",
        "measured": _percent(run.measured_pct),
        "allowed": _percent(run.allowed_pct),
        "fine": bool(run.fine_enough),
        "advice": voice.say_all(_advice(trial)),
        "warnings": [voice.say(one) for one in warnings],
        "counts": bool(result["valid"]),
        "reason": voice.say_all(reason),
        "questions": _questions(trial, voice),
        "notes": [voice.say(one) for one in run.notes],
    }


def _questions(trial: TestTrial, voice: Voice) -> list[dict[str, str]]:
    """What must be looked at again before the test is saved."""
    asked = () if trial.run is None else trial.run.questions
    return [{"code": one.code, "text": voice.say(one)} for one in asked]


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan


def _percent(value: float) -> str:
    return f"{as_text(value, 1)}\u00a0%" if math.isfinite(value) else ""


def _advice(trial: TestTrial) -> list[Remark]:
    """Whether the run is long enough, or how long it should be."""
    run = trial.run
    if run is None or not math.isfinite(run.measured_pct):
        return []
    adds = remark("adds_pct", measured_pct=run.measured_pct, allowed_pct=run.allowed_pct)
    if run.fine_enough:
        return [remark("run_long_enough", adds=adds)]
    advised = run.advised
    if advised is None:
        return [remark("run_adds", adds=adds)]
    coarse = [] if advised.fine_enough else [remark("scale_too_coarse")]
    return [
        remark("run_longer", run_s=advised.run_s, weigh=advised.weigh, coarse=coarse, adds=adds)
    ]


# --- saving ------------------------------------------------------------------------------------


def save_test(visit: Visit) -> Response:
    """Record a test. Sending the same test again, after a lost answer, records it once."""
    state = state_of(visit, visit.path("truck"))
    test, weighings = _sent(visit)
    test_id = str(visit.body.get("test_id", ""))
    if not TEST_ID.fullmatch(test_id):
        raise HTTPException(400, "The test has no usable name.")
    there = next((r for r in visit.site.store.rows(TESTS) if r.values["test_id"] == test_id), None)
    if there is not None and there.values["truck_id"] == state.truck_id:
        return visit.json({"test_id": test_id, "already_there": True})
    voice = voice_in(visit, visit.body.get("units"))
    asked = _questions(_tried(visit, state.truck_id, test, weighings), voice)
    sure = visit.body.get("sure")
    unsure = [one for one in asked if not isinstance(sure, list) or one["code"] not in sure]
    if unsure:
        faults = [
            {
                "file": TESTS,
                "row": 0,
                "column": FIELD_OF.get(one["code"], "gross"),
                "text": one["text"],
            }
            for one in unsure
        ]
        return visit.json(
            {
                "error": "This does not fit what is known of the truck; nothing was "
                "saved. Look at it again.",
                "problems": faults,
            },
            422,
        )
    what = f"discharge test {test_id} recorded"
    if asked:
        what += f"; looked at again and kept: {' '.join(one['text'] for one in asked)}"
    edits = [
        Add(TESTS, {"test_id": test_id, "truck_id": state.truck_id, **test}),
        *(Add(WEIGHINGS, {"test_id": test_id, **row}) for row in weighings),
    ]
    try:
        visit.site.store.apply(edits, visit.who, what)
    except Refused as error:
        return visit.json(
            {
                "error": "The test has problems; nothing was saved.",
                "problems": [where(one) for one in error.problems],
            },
            422,
        )
    visit.site.computed.fleet()
    return visit.json({"test_id": test_id, "already_there": False}, 201)


def _sent(visit: Visit) -> tuple[dict[str, str], list[dict[str, str]]]:
    """The cells of the test and of its weighings, as the form sent them."""
    body = visit.body
    if not isinstance(body, dict) or not isinstance(body.get("test"), dict):
        raise HTTPException(400, "Send a test.")
    rows = body.get("weighings", [])
    if not isinstance(rows, list) or len(rows) > MOST_WEIGHINGS:
        raise HTTPException(400, "Send a list of weighings.")
    masses = [
        f"{name}_{unit}" for name in ("gross", "tare", "scale_division") for unit in MASS.values()
    ]
    test = cells(body["test"], (*TEST_FIELDS, *GATE.values()))
    return test, [cells(row, ("method", "count", *masses)) for row in rows]


def cells(given: Mapping[str, Any], known: tuple[str, ...]) -> dict[str, str]:
    """The cells that a form may fill in, of those that it sent."""
    if not isinstance(given, dict):
        raise HTTPException(400, "Send the values by name.")
    return {name: str(value)[:200] for name, value in given.items() if name in known}


def where(problem: Problem) -> dict[str, Any]:
    """A problem with the field that it belongs to."""
    return {
        "file": problem.file,
        "row": problem.row,
        "column": problem.column,
        "text": f"{problem.what}; {problem.remedy}",
    }


ROUTES = [
    page("/trucks/{truck}/test", form, name="test_form"),
    action("/trucks/{truck}/try", answer_trial, role="record"),
    action("/trucks/{truck}/tests", save_test, role="record", name="save_test"),
]
