"""The calibration certificate of each truck: one page, and a second only for more tests."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd
from markupsafe import Markup

from spreadplan.calibration import Calibration, DischargeModel, Standing, uncertainty_budget
from spreadplan.calibration.validity import GATE_RULE
from spreadplan.frames import lines
from spreadplan.metrology import coverage_factor
from spreadplan.reports import charts
from spreadplan.reports.certificate_room import (
    curves_pt,
    facts_pt,
    models_pt,
    next_pt,
    tests_on_first_page,
)
from spreadplan.reports.render import html
from spreadplan.schema.policy import Policy
from spreadplan.views.display import NBSP, NOTHING, Display, as_text, percent, plural, short
from spreadplan.views.setting import Setting
from spreadplan.views.voice import Voice, named
from spreadplan.views.words import TERMS

CONTROL: Final = {"closed_loop": "closed loop", "open_loop": "open loop"}
METHOD: Final = {
    "container": "containers",
    "vehicle_scale": "truck scale",
    "direct": "direct scale",
    "mixed": "mixed",
}
SOURCES: Final = {
    "scale": "scale",
    "container filling": "filling",
    "timing": "timing",
    "sensor counts": "counts",
    "run-to-run repeatability": "run to run",
    "start-up and form of the curve": "form of curve",
    "dependence on feeder output": "output",
}

UNTIL_TESTED: Final = "Until it is tested, no setting of this truck can be relied on."
#: a source that adds less than this to no calibration of a truck has no column.
NEGLIGIBLE_PCT: Final = 0.05


@dataclass(frozen=True, kw_only=True)
class Truck:
    """What one truck's certificate is made from."""

    record: Any
    tests: pd.DataFrame
    models: tuple[DischargeModel, ...]
    standings: tuple[Standing, ...]
    drift: pd.DataFrame
    advice: pd.DataFrame
    changes: pd.DataFrame

    @property
    def closed_loop(self) -> bool:
        """Whether the controller follows the ground speed by counts."""
        return bool(self.record.control == "closed_loop")


def certificates(
    calibration: Calibration,
    trucks: pd.DataFrame,
    changes: pd.DataFrame,
    policy: Policy,
    setting: Setting,
) -> Iterator[tuple[str, str]]:
    """The certificate of every truck, tested or not.

    Parameters
    ----------
    calibration : what `spreadplan.calibration.calibrate` found.
    trucks, changes : the workspace's tables.
    policy : with calibration_pct and calibration_max_age_days.

    Yields
    ------
    truck_id, HTML.
    """
    calibration = setting.voice.whole(calibration)
    for record in lines(trucks):
        truck = truck_of(record, calibration, changes)
        yield str(record.truck_id), _certificate(truck, calibration, policy, setting)


def truck_of(record: Any, calibration: Calibration, changes: pd.DataFrame) -> Truck:
    """What the certificate of one truck is made from; ``record``: its row of the trucks."""
    truck_id = str(record.truck_id)

    def mine(frame: pd.DataFrame) -> pd.DataFrame:
        return frame[frame["truck_id"] == truck_id]

    done = changes[changes["changed_at"] <= calibration.as_of]
    keys = [key for key in calibration.models if key[0] == truck_id]
    return Truck(
        record=record,
        tests=mine(calibration.tests),
        models=tuple(calibration.models[key] for key in keys),
        standings=tuple(calibration.standings[key] for key in keys),
        drift=mine(calibration.drift),
        advice=mine(calibration.advice),
        changes=mine(done),
    )


def _certificate(truck: Truck, calibration: Calibration, policy: Policy, setting: Setting) -> str:
    shown = setting.display
    rows, marks = test_rows(truck, shown)
    models, sources, flags = model_rows(truck, calibration, setting.voice)
    advice = advice_lines(truck, shown)
    drift = charts.drift_chart(truck.drift, truck.tests, truck.changes, shown)
    curves = _curves(truck, shown)
    facts, state = facts_of(truck, shown), state_of_truck(truck, calibration, policy, setting.voice)
    first = tests_on_first_page(
        rows,
        setting.paper,
        [
            facts_pt(facts, state["sentences"]),
            curves_pt(len(charts.curve_groups(truck.models, truck.tests))),
            models_pt([row["calibration"] for row in models], flags),
            next_pt([f"{item['what']}: {item['text']}" for item in advice], drift is not None),
        ],
    )
    return html(
        "certificate.html",
        title=f"Calibration certificate, truck {truck.record.truck_id}",
        **setting.context(calibration.as_of),
        truck_id=truck.record.truck_id,
        facts=facts,
        state=state,
        unit={name: shown.unit(name) for name in ("gate", "mass", "discharge", "per_count")},
        curves=curves,
        curve_title="Mass per count and discharge" if truck.closed_loop else "Discharge curve",
        counted=truck.closed_loop,
        first_tests=rows[:first],
        more_tests=rows[first:],
        tests_note=_tests_note(rows, first),
        marks=_used(marks, rows[:first]),
        more_marks=_used(marks, rows[first:]),
        models=models,
        sources=sources,
        flags=flags,
        drift=drift,
        no_drift=_no_drift(truck),
        advice=advice,
    )


def _curves(truck: Truck, shown: Display) -> Markup | None:
    if not truck.models and not len(truck.tests):
        return None
    return charts.discharge_curves(truck.models, truck.tests, shown).svg()


# --- who and whether ---------------------------------------------------------------------------


def facts_of(truck: Truck, shown: Display) -> list[tuple[str, str]]:
    """What the truck is: name and value of each fact."""
    one = truck.record
    gates = ", ".join(shown.number(gate, "gate") for gate in one.gate_positions_in)
    facts = [
        ("Control", f"{CONTROL[one.control]}, {one.feeder}"),
        ("Capacity", shown.show(one.capacity_lb, "mass")),
        (
            "Feeder",
            f"{shown.number(one.min_feeder_pct, 'percent')} to "
            f"{shown.show(one.max_feeder_pct, 'percent')} of full output",
        ),
        ("Gates", f"{gates}{NBSP}{shown.unit('gate')}" if gates else "not listed"),
    ]
    if math.isfinite(one.prewet_tank_gal):
        facts.append(("Prewet tank", shown.show(one.prewet_tank_gal, "volume")))
    testers = sorted({who for who in truck.tests["performed_by"] if who})
    if testers:
        facts.append(("Tests done by", named(testers)))
    if len(truck.changes):
        last = truck.changes.sort_values("changed_at", kind="stable").iloc[-1]
        note = f" ({short(last['note'], 40)})" if last["note"] else ""
        facts.append(("Last work", f"{last['what']}, {shown.date(last['changed_at'])}{note}"))
    return facts


def state_of_truck(
    truck: Truck, calibration: Calibration, policy: Policy, voice: Voice
) -> dict[str, Any]:
    """The statement of validity."""
    shown = voice.display
    untested = truck.advice[truck.advice["gate_in"].isna()]
    missing = ", ".join(str(material) for material in untested["material"])
    as_of = shown.date(calibration.as_of)
    if not truck.models:
        why = _why_none(truck)
        return {
            "tone": "bad",
            "headline": "Not calibrated",
            "sentences": [
                f"On {as_of} no discharge test of this truck counts: {why}.",
                UNTIL_TESTED,
            ],
        }
    used = [test_id for model in truck.models for test_id in model.test_ids]
    last_day = _last_day(truck.tests[truck.tests["test_id"].isin(used)], policy)
    parts = ["feeder", "hydraulics", *(["sensor or controller"] if truck.closed_loop else [])]
    sentences = [
        (
            f"Judged on {as_of}; counts until {shown.date(last_day)}, its oldest test is then "
            f"{policy.calibration_max_age_days:g} days old."
            if last_day is not None
            else f"Judged on {as_of}; the policy sets no age limit."
        ),
        f"Void at once after work on the gate, {', '.join(parts[:-1])} or {parts[-1]}. {GATE_RULE} "
        "It holds for the material tested only.",
    ]
    doubts = _doubts(truck, voice)
    if not any(standing.usable for standing in truck.standings):
        return {
            "tone": "bad",
            "headline": "Do not use yet",
            "sentences": [*doubts, f"Judged on {as_of}.", UNTIL_TESTED],
        }
    if missing:
        doubts.insert(0, f"No test counts with: {missing}.")
    levels = {standing.level for standing in truck.standings}
    if missing or levels & {"do_not_use", "in_part"}:
        return {
            "tone": "warn",
            "headline": "Calibrated in part",
            "sentences": [*doubts, *sentences],
        }
    if doubts:
        return {
            "tone": "warn",
            "headline": "Tests contradict each other",
            "sentences": [*doubts, *sentences],
        }
    due = truck.advice[truck.advice["need"] == "test"]
    if len(due):
        sentences.insert(
            0,
            f"The target of {policy.calibration_pct:g}{NBSP}% (95 %) is not "
            "reached everywhere: see what to do next.",
        )
        return {
            "tone": "warn",
            "headline": "Calibrated, more tests advised",
            "sentences": sentences,
        }
    return {"tone": "good", "headline": "Calibrated", "sentences": sentences}


def _doubts(truck: Truck, voice: Voice) -> list[str]:
    """What must not be relied on, one sentence for each calibration that it concerns."""
    found = []
    for model, standing in zip(truck.models, truck.standings, strict=True):
        if standing.says:
            gate = voice.display.show(model.gate_in, "gate")
            said = voice.say(standing.says)
            found.append(f"{model.material}, gate {gate}: {said}.")
    return found


def _why_none(truck: Truck) -> str:
    if not len(truck.tests):
        return "it was never tested"
    reasons = [reason for reason in truck.tests["reason"] if reason]
    return Counter(reasons).most_common(1)[0][0] if reasons else "nothing came out in its tests"


def _last_day(used: pd.DataFrame, policy: Policy) -> pd.Timestamp | None:
    if not math.isfinite(policy.calibration_max_age_days):
        return None
    oldest: pd.Timestamp = used["performed_at"].min()
    return oldest + pd.Timedelta(days=policy.calibration_max_age_days)


# --- tests -------------------------------------------------------------------------------------


def test_rows(truck: Truck, shown: Display) -> tuple[list[dict[str, Any]], dict[str, int]]:
    """Rows of the table of tests, those that count first, and the numbers of the notes."""
    ordered = truck.tests.sort_values(
        ["valid", "material", "gate_in", "performed_at", "test_id"],
        ascending=[False, True, True, False, True],
        kind="stable",
    )
    marks: dict[str, int] = {}
    rows = []
    for test in lines(ordered):
        warnings = [text for text in test.warnings.split("; ") if text]
        numbers = [marks.setdefault(text, len(marks) + 1) for text in warnings]
        rows.append(
            {
                "test_id": test.test_id,
                "valid": bool(test.valid),
                "reason": test.reason,
                "counted": truck.closed_loop,
                "warnings": warnings,
                "marks": ",".join(str(number) for number in sorted(numbers)),
                "date": shown.date(test.performed_at),
                "material": test.material,
                "gate": shown.number(test.gate_in, "gate"),
                "output": shown.number(test.feeder_pct, "percent"),
                "run": shown.number(test.duration_s, "seconds"),
                "weighing": _weighing(test),
                "net": shown.number_pm(test.net_lb, test.net_u_lb, "mass"),
                "discharge": shown.number_pm(
                    test.discharge_lb_per_min, test.discharge_u_lb_per_min, "discharge"
                ),
                "per_count": shown.number_pm(test.lb_per_count, test.lb_per_count_u, "per_count"),
            }
        )
    return rows, marks


def _weighing(test: Any) -> str:
    if not test.method:
        return NOTHING
    if test.method == "container":
        return plural(int(test.containers), "container")
    return METHOD[test.method]


def _tests_note(rows: Sequence[Mapping[str, Any]], first: int) -> str:
    if not rows:
        return "No discharge test of this truck is on record."
    counting = sum(row["valid"] for row in rows)
    note = f"{counting} of {plural(len(rows), 'test')} count; ± is the standard uncertainty u"
    if first == 0:
        return f"{note}. All tests stand on the next page."
    return note if first == len(rows) else f"{note}; {len(rows) - first} more on the next page"


def _used(marks: Mapping[str, int], rows: Sequence[Mapping[str, Any]]) -> list[tuple[int, str]]:
    wanted = {text for row in rows for text in row["warnings"]}
    return [(number, text) for text, number in marks.items() if text in wanted]


# --- models ------------------------------------------------------------------------------------


def model_rows(
    truck: Truck, calibration: Calibration, voice: Voice
) -> tuple[list[dict[str, Any]], list[str], list[str]]:
    """Rows of the table of models, the names of the sources, and what must be known of them."""
    shown = voice.display
    budgets = [
        uncertainty_budget(model, calibration.tests).set_index("source")["standard_u_pct"]
        for model in truck.models
    ]
    sources = [
        name
        for name in SOURCES
        if any(budget.get(name, 0.0) >= NEGLIGIBLE_PCT for budget in budgets)
    ]
    worst = {(row.material, row.gate_in): row.current_u_pct for row in lines(truck.advice)}
    rows, flags = [], []
    terms = TERMS["calibration_standing"]
    for model, standing, budget in zip(truck.models, truck.standings, budgets, strict=True):
        middle = coverage_factor(model.relative_dof) * float(model.relative_u(model.middle_pct))
        at_worst = worst.get((model.material, model.gate_in), math.nan)
        rows.append(
            {
                "material": model.material,
                "gate": shown.number(model.gate_in, "gate"),
                "calibration": calibration_in_words(model, shown),
                "tested": _span(model.tested_lo_pct, model.tested_hi_pct),
                "middle": f"±{NBSP}{percent(middle)}",
                "worst": f"±{NBSP}{percent(at_worst / 100)}",
                "budget": [_share(budget.get(name)) for name in sources],
                "doubt": terms[standing.level] if standing.says else None,
            }
        )
        gate = shown.show(model.gate_in, "gate")
        # how the curve was chosen matters where the curve is what the truck is calibrated by
        notes = [*([model.choice] if model.counts is None else []), *model.flags]
        if notes:
            flags.append(f"{model.material}, gate {gate}: {voice.say_all(notes)}.")
    return rows, [SOURCES[name] for name in sources], flags


def _share(value: float | None) -> str:
    return NOTHING if value is None else as_text(float(value), 2 if value < 0.095 else 1)


def _span(low: float, high: float) -> str:
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def calibration_in_words(model: DischargeModel, shown: Display) -> str:
    """What a calibration says: the mass per count, or the discharge curve."""
    if model.counts is not None:
        value = shown.show_pm(model.lb_per_count, model.lb_per_count_u, "per_count")
        return f"{value}, varies with output" if model.count_kind == "varies" else value
    slope_u = math.sqrt(float(model.covariance[0, 0]))
    words = f"{shown.number_pm(model.curve.slope, slope_u, 'slope')}{NBSP}{shown.unit('slope')}"
    if model.curve.start_pct != 0.0:
        words += f" above {as_text(model.curve.start_pct, 1)}{NBSP}%"
    if model.kind == "saturating":
        words += f", up to {as_text(model.curve.saturation_pct, 0)}{NBSP}%"
    return words


def _no_drift(truck: Truck) -> str:
    if len(truck.tests) < 2:
        return "Not judged: fewer than two tests."
    return "Not judged: no two tests of one material and gate that can be compared."


def advice_lines(truck: Truck, shown: Display) -> list[dict[str, str]]:
    """What to do, the most pressing first; models that are good enough share one line."""
    items, good = [], []
    for row in lines(truck.advice):
        gate = "" if math.isnan(row.gate_in) else f", gate {shown.show(row.gate_in, 'gate')}"
        what = f"{row.material}{gate}"
        if row.need == "test":
            items.append({"what": what, "text": row.advice})
        else:
            good.append(what)
    if good:
        items.append({"what": "Good enough now", "text": "; ".join(good) + "."})
    if not items:
        items.append(
            {
                "what": "Nothing planned",
                "text": "No route is assigned to this truck; test it before it is used.",
            }
        )
    return items


# --- work sheet --------------------------------------------------------------------------------


def work_sheet(setting: Setting, as_of: pd.Timestamp) -> str:
    """A blank sheet to print and fill in at a discharge test."""
    shown = setting.display
    return html(
        "work_sheet.html",
        title="Work sheet for a discharge test",
        **setting.context(as_of),
        unit={name: shown.unit(name) for name in ("gate", "mass")},
        gate_rule=GATE_RULE,
    )
