"""The form for a test of a liquid circuit: what a run gives while it is typed, saving it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from starlette.exceptions import HTTPException
from starlette.responses import Response

from spreadplan.frames import lines
from spreadplan.runs.trial import LiquidTrial, try_liquid
from spreadplan.views.display import percent
from spreadplan.views.voice import Voice
from spreadplan.views.words import term
from spreadplan.web.files.edits import Add, Refused
from spreadplan.web.pages.tests import TEST_ID, cells, display_in, voice_in, where
from spreadplan.web.pages.trucks import LIQUID_TESTS, state_of
from spreadplan.web.visits import Visit, action, page

CATCHES: Final = "catches.csv"
MOST_CATCHES: Final = 100
#: the units of flow and volume in a form, by the unit system that it was shown in
UNITS: Final = {"us": ("gal_per_min", "gal"), "metric": ("l_per_min", "l")}
TEST_FIELDS: Final = (
    "material",
    "circuit",
    "performed_at",
    "performed_by",
    "duration_s",
    *(f"setting_{flow}" for flow, _ in UNITS.values()),
)
CATCH_FIELDS: Final = (
    "nozzle",
    *(f"{name}_{volume}" for name in ("volume", "scale_division") for _, volume in UNITS.values()),
)


def liquid_form(visit: Visit) -> Response:
    """The form for one truck."""
    state = state_of(visit, visit.path("truck"))
    shown = display_in(visit, visit.query("units"))
    workspace = visit.site.computed.fleet().workspace
    materials, assigned = workspace.table("materials"), workspace.table("assignments")
    liquids = list(materials.loc[materials["kind"] == "liquid", "material"])
    own = assigned.loc[assigned["truck_id"] == state.truck_id, "material"]
    liquids.sort(key=lambda one: one not in set(own))
    flow, volume = UNITS[shown.system]
    return visit.render(
        "web/liquid_test.html",
        state=state,
        display=shown,
        materials=[(one, visit.setting.voice.material(one)) for one in liquids],
        boom_first=math.isfinite(state.truck.record.liquid_tank_gal),
        flow=flow,
        volume=volume,
    )


# --- while it is typed -------------------------------------------------------------------------


def answer_liquid_trial(visit: Visit) -> Response:
    """What the run gives so far, in words."""
    state = state_of(visit, visit.path("truck"))
    return visit.json(liquid_trial_as_json(_tried(visit, state.truck_id), _voice(visit)))


def _voice(visit: Visit) -> Voice:
    return voice_in(visit, visit.body.get("units"))


def _tried(visit: Visit, truck_id: str) -> LiquidTrial:
    test, catches = _sent(visit)
    workspace = visit.site.computed.fleet().workspace
    return try_liquid(workspace, {**test, "truck_id": truck_id}, catches)


def liquid_trial_as_json(trial: LiquidTrial, voice: Voice) -> dict[str, Any]:
    """A trial for the screen: volume, flow, measured over set, nozzles, what is doubtful."""
    faults = [where(problem) for problem in trial.problems if problem.fatal]
    if trial.result is None:
        return {"ready": False, "problems": faults}
    result, shown = trial.result, voice.display
    flow, u = float(result["measured_gal_per_min"]), float(result["u_gal_per_min"])
    return {
        "ready": True,
        "problems": faults,
        "caught": shown.show_pm(result["volume_gal"], result["volume_u_gal"], "volume"),
        "flow": shown.show_pm(flow, u, "liquid_flow"),
        "ratio": percent(float(result["ratio"]), 3),
        "warnings": [voice.say(one) for one in result["warnings"] if one.code != ASKED],
        "reason": voice.say_all(result["reason"]),
        "questions": _questions(trial, voice),
        "nozzles": [
            {
                "name": row.nozzle,
                "flow": shown.show(row.flow_gal_per_min, "liquid_flow"),
                "share": percent(row.share),
                "verdict": term("nozzle", row.verdict).words,
                "sound": term("nozzle", row.verdict).tone != "bad",
            }
            for row in lines(trial.nozzles)
        ],
    }


ASKED = "flow_unlike_setting"
"""A warning that is asked about before a test is saved: units mixed up."""


def _questions(trial: LiquidTrial, voice: Voice) -> list[dict[str, str]]:
    """What must be looked at again before the test is saved."""
    warned = () if trial.result is None else trial.result["warnings"]
    return [{"code": one.code, "text": voice.say(one)} for one in warned if one.code == ASKED]


# --- saving ------------------------------------------------------------------------------------


def save_liquid_test(visit: Visit) -> Response:
    """Record a test. Sending the same test again, after a lost answer, records it once."""
    state = state_of(visit, visit.path("truck"))
    test, catches = _sent(visit)
    test_id = str(visit.body.get("test_id", ""))
    if not TEST_ID.fullmatch(test_id):
        raise HTTPException(400, "The test has no usable name.")
    rows = visit.site.store.rows(LIQUID_TESTS)
    there = next((row for row in rows if row.values["test_id"] == test_id), None)
    if there is not None and there.values["truck_id"] == state.truck_id:
        return visit.json({"test_id": test_id, "already_there": True})
    asked = _questions(_tried(visit, state.truck_id), _voice(visit))
    sure = visit.body.get("sure")
    unsure = [one for one in asked if not isinstance(sure, list) or one["code"] not in sure]
    if unsure:
        return _refused(
            visit,
            "This does not fit what was set; nothing was saved. Look at it again.",
            [{"file": LIQUID_TESTS, "row": 0, "column": "setting", "text": unsure[0]["text"]}],
        )
    edits = [
        Add(LIQUID_TESTS, {"test_id": test_id, "truck_id": state.truck_id, **test}),
        *(Add(CATCHES, {"test_id": test_id, **row}) for row in catches),
    ]
    what = f"test {test_id} of a liquid circuit recorded"
    if asked:
        what += f"; looked at again and kept: {asked[0]['text']}"
    try:
        visit.site.store.apply(edits, visit.who, what)
    except Refused as error:
        faults = [where(one) for one in error.problems]
        return _refused(visit, "The test has problems; nothing was saved.", faults)
    visit.site.computed.fleet()
    return visit.json({"test_id": test_id, "already_there": False}, 201)


def _refused(visit: Visit, text: str, problems: Sequence[Mapping[str, Any]]) -> Response:
    return visit.json({"error": text, "problems": problems}, 422)


def _sent(visit: Visit) -> tuple[dict[str, str], list[dict[str, str]]]:
    """The cells of the test and of what was caught, as the form sent them."""
    body = visit.body
    if not isinstance(body, dict) or not isinstance(body.get("test"), dict):
        raise HTTPException(400, "Send a test.")
    rows = body.get("catches", [])
    if not isinstance(rows, list) or len(rows) > MOST_CATCHES:
        raise HTTPException(400, "Send a list of catches.")
    return cells(body["test"], TEST_FIELDS), [cells(row, CATCH_FIELDS) for row in rows]


ROUTES = [
    page("/trucks/{truck}/liquid-test", liquid_form, name="liquid_test_form"),
    action("/trucks/{truck}/liquids/try", answer_liquid_trial, role="record"),
    action("/trucks/{truck}/liquids", save_liquid_test, role="record", name="save_liquid_test"),
]
