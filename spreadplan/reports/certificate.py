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
from spreadplan.frames import lines
from spreadplan.metrology import coverage_factor
from spreadplan.remarks import Remark, remark
from spreadplan.reports import charts
from spreadplan.reports.certificate_room import (
    curves_pt,
    facts_pt,
    models_pt,
    next_pt,
    tests_on_first_page,
)
from spreadplan.reports.liquid_circuits import Liquids, circuits, says_of_liquids, units_shown
from spreadplan.reports.render import html
from spreadplan.schema.policy import Policy
from spreadplan.views.display import NBSP, NOTHING, Display, as_text, percent, plural, short
from spreadplan.views.setting import Setting
from spreadplan.views.voice import Voice, named, sentence_case
from spreadplan.views.words import TERMS
from spreadplan.views.words.term import Term

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
    liquids: Liquids

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
    calibration : what `spreadplan.calibration.fit_fleet` found.
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
        liquids=Liquids(
            settings=mine(calibration.liquid),
            tests=(liquid_tests := mine(calibration.liquid_tests)),
            nozzles=calibration.nozzles[
                calibration.nozzles["test_id"].isin(liquid_tests["test_id"])
            ],
            models=tuple(
                one for key, one in calibration.liquid_models.items() if key[0] == truck_id
            ),
        ),
    )


def _certificate(truck: Truck, calibration: Calibration, policy: Policy, setting: Setting) -> str:
    shown, voice = setting.display, setting.voice
    rows, marks = test_rows(truck, voice)
    models, sources, flags = model_rows(truck, calibration, voice)
    advice = advice_lines(truck, voice)
    drift = charts.drift_chart(truck.drift, truck.tests, truck.changes, voice)
    curves = _curves(truck, voice)
    facts, state = facts_of(truck, shown), state_of_truck(truck, calibration, policy, voice)
    first = tests_on_first_page(
        rows,
        setting.paper,
        [
            facts_pt(facts, state.sentences),
            curves_pt(len(charts.curve_groups(truck.models, truck.tests))),
            models_pt([row["calibration"] for row in models], len(sources), flags),
            next_pt([f"{item.what}: {item.text}" for item in advice], drift is not None),
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
        tests_note=_tests_note(rows, first, voice),
        marks=_used(marks, rows[:first]),
        more_marks=_used(marks, rows[first:]),
        models=models,
        sources=sources,
        flags=flags,
        drift=drift,
        no_drift=voice.say(_no_drift(truck)),
        advice=advice,
        circuits=circuits(truck.liquids, voice),
        liquid_unit=units_shown(voice),
        solids=bool(len(truck.tests) or truck.models),
    )


def _curves(truck: Truck, voice: Voice) -> Markup | None:
    if not truck.models and not len(truck.tests):
        return None
    return charts.discharge_curves(truck.models, truck.tests, voice).svg()


# --- who and whether ---------------------------------------------------------------------------


def facts_of(truck: Truck, shown: Display) -> list[tuple[str, str]]:
    """What the truck is: name and value of each fact."""
    one = truck.record
    gates = ", ".join(shown.number(gate, "gate") for gate in one.gate_positions_in)
    facts = [
        ("Control", f"{TERMS['control'][one.control].words}, {one.feeder}"),
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
    if math.isfinite(one.liquid_tank_gal):
        facts.append(("Liquid tank", shown.show(one.liquid_tank_gal, "volume")))
    if math.isfinite(one.boom_width_ft):
        facts.append(("Boom", shown.show(one.boom_width_ft, "width")))
    tested_by = (*truck.tests["performed_by"], *truck.liquids.tests["performed_by"])
    testers = sorted({who for who in tested_by if who})
    if testers:
        facts.append(("Tests done by", named(testers)))
    if len(truck.changes):
        last = truck.changes.sort_values("changed_at", kind="stable").iloc[-1]
        note = f" ({short(last['note'], 40)})" if last["note"] else ""
        facts.append(("Last work", f"{last['what']}, {shown.date(last['changed_at'])}{note}"))
    return facts


@dataclass(frozen=True)
class Validity:
    """The statement of validity: what the truck's calibration is worth, and sentences about it."""

    term: Term
    sentences: tuple[str, ...]

    @property
    def tone(self) -> str:
        """How it looks: "good", "warn" or "bad"."""
        return self.term.tone

    @property
    def headline(self) -> str:
        """Its words, as they begin a line."""
        return sentence_case(self.term.words)


def state_of_truck(
    truck: Truck, calibration: Calibration, policy: Policy, voice: Voice
) -> Validity:
    """The statement of validity."""
    level, said = _validity(truck, calibration.as_of, policy)
    return Validity(TERMS["truck_standing"][level], tuple(voice.say(one) for one in said))


def _validity(truck: Truck, as_of: pd.Timestamp, policy: Policy) -> tuple[str, list[Remark]]:
    """The level of a truck, of the vocabulary ``truck_standing``, and what is said of it.

    A truck that was tested with liquids alone is judged by them.
    """
    judged = remark("judged_on", on=as_of)
    until_tested = remark("until_it_is_tested")
    liquids = says_of_liquids(truck.liquids)
    if not truck.models and truck.tests.empty and liquids:
        level = truck.liquids.level
        return level, [*liquids, until_tested if level == "untested" else judged]
    level, said = _validity_of_solids(truck, as_of, policy, judged, until_tested)
    return level, [*said, *liquids]


def _validity_of_solids(
    truck: Truck, as_of: pd.Timestamp, policy: Policy, judged: Remark, until_tested: Remark
) -> tuple[str, list[Remark]]:
    """The same for what the truck's feeder spreads."""
    if not truck.models:
        why = _why_none(truck)
        return "untested", [remark("no_test_of_truck", on=as_of, why=why), until_tested]
    said = _how_long(truck, as_of, policy)
    doubts = [
        _about(model, [standing.says])
        for model, standing in zip(truck.models, truck.standings, strict=True)
        if standing.says
    ]
    if not any(standing.usable for standing in truck.standings):
        return "do_not_use", [*doubts, judged, until_tested]
    missing = [str(name) for name in truck.advice.loc[truck.advice["gate_in"].isna(), "material"]]
    if missing:
        doubts.insert(0, remark("no_test_with", materials=missing))
    if missing or {one.level for one in truck.standings} & {"do_not_use", "in_part"}:
        return "in_part", [*doubts, *said]
    if doubts:
        return "contradicting", [*doubts, *said]
    if (truck.advice["need"] == "test").any():
        target = remark("target_not_reached", target_pct=policy.calibration_pct)
        return "short_of_target", [target, *said]
    return "good", said


def _how_long(truck: Truck, as_of: pd.Timestamp, policy: Policy) -> list[Remark]:
    """Until when a calibration counts, and what ends it before."""
    used = [test_id for model in truck.models for test_id in model.test_ids]
    last_day = _last_day(truck.tests[truck.tests["test_id"].isin(used)], policy)
    if last_day is None:
        until = remark("counts_without_limit", on=as_of)
    else:
        age_days = policy.calibration_max_age_days
        until = remark("counts_until", on=as_of, until=last_day, age_days=age_days)
    closed, opened = remark("parts_of_closed_loop"), remark("parts_of_open_loop")
    parts = closed if truck.closed_loop else opened
    return [until, remark("void_after_work", parts=parts, rule=remark("gate_rule"))]


def _why_none(truck: Truck) -> str | Remark:
    if not len(truck.tests):
        return remark("it_was_never_tested")
    reasons = [reason for reason in truck.tests["reason"] if reason]
    return Counter(reasons).most_common(1)[0][0] if reasons else remark("nothing_came_out")


def _last_day(used: pd.DataFrame, policy: Policy) -> pd.Timestamp | None:
    if not math.isfinite(policy.calibration_max_age_days):
        return None
    oldest: pd.Timestamp = used["performed_at"].min()
    return oldest + pd.Timedelta(days=policy.calibration_max_age_days)


# --- tests -------------------------------------------------------------------------------------


def test_rows(truck: Truck, voice: Voice) -> tuple[list[dict[str, Any]], dict[str, int]]:
    """Rows of the table of tests, those that count first, and the numbers of the notes."""
    shown = voice.display
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
                "material": voice.material(test.material),
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
    return TERMS["weighing"][test.method].words


def _tests_note(rows: Sequence[Mapping[str, Any]], first: int, voice: Voice) -> str:
    if not rows:
        return voice.say(remark("no_test_on_record"))
    place: tuple[Remark, ...] = ()
    if first == 0:
        place = (remark("all_on_next_page"),)
    elif first < len(rows):
        place = (remark("more_on_next_page", more=len(rows) - first),)
    counting = sum(row["valid"] for row in rows)
    return voice.say(remark("tests_that_count", counting=counting, tests=len(rows), place=place))


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
        for name in TERMS["uncertainty_source"]
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
                "material": voice.material(model.material),
                "gate": shown.number(model.gate_in, "gate"),
                "calibration": calibration_in_words(model, voice),
                "tested": _span(model.tested_lo_pct, model.tested_hi_pct),
                "middle": f"±{NBSP}{percent(middle)}",
                "worst": f"±{NBSP}{percent(at_worst / 100)}",
                "budget": [_share(budget.get(name)) for name in sources],
                "doubt": terms[standing.level] if standing.says else None,
            }
        )
        # how the curve was chosen matters where the curve is what the truck is calibrated by
        notes = [*([model.choice] if model.counts is None else []), *model.flags]
        if notes:
            flags.append(voice.say(_about(model, notes)))
    return rows, [TERMS["uncertainty_source"][name].words for name in sources], flags


def _about(model: DischargeModel, said: Sequence[Remark]) -> Remark:
    """What is said of one calibration, with its material and gate."""
    return remark("doubt_about", material=model.material, gate_in=model.gate_in, doubts=list(said))


def _share(value: float | None) -> str:
    return NOTHING if value is None else as_text(float(value), 2 if value < 0.095 else 1)


def _span(low: float, high: float) -> str:
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def calibration_in_words(model: DischargeModel, voice: Voice) -> str:
    """What a calibration says: the mass per count, or the discharge curve."""
    if model.counts is not None:
        varies = (remark("varies_with_output"),) if model.count_kind == "varies" else ()
        number = (model.lb_per_count, model.lb_per_count_u)
        return voice.say(remark("calibration_number", value_lb=number, varies=varies))
    slope = (model.curve.slope, math.sqrt(float(model.covariance[0, 0])))
    start, end = model.curve.start_pct, model.curve.saturation_pct
    above = (remark("above_start_up", start_pct=start),) if start != 0.0 else ()
    up_to = (remark("up_to_output", at_pct=end),) if model.kind == "saturating" else ()
    return voice.say(remark("calibration_curve", slope_lb_per_min=slope, above=above, up_to=up_to))


def _no_drift(truck: Truck) -> Remark:
    if len(truck.tests) < 2:
        return remark("drift_of_too_few")
    return remark("drift_not_comparable")


def which_calibration(material: str, gate_in: float) -> Remark:
    """A material, and its gate where there is one (not NaN)."""
    if math.isnan(gate_in):
        return remark("whole_material", material=material)
    return remark("material_at_gate", material=material, gate_in=gate_in)


@dataclass(frozen=True)
class Advice:
    """What to do about some calibrations, in words; pressing: whether there is a test to do."""

    what: str
    text: str
    pressing: bool


def advice_lines(truck: Truck, voice: Voice) -> list[Advice]:
    """What to do, the most pressing first; models that are good enough share one line."""
    items, good = [], []
    for row in lines(truck.advice):
        which = which_calibration(row.material, row.gate_in)
        if row.need == "test":
            items.append(Advice(voice.say(which), row.advice, pressing=True))
        else:
            good.append(which)
    if good:
        what, text = remark("good_enough_now"), remark("each_of", which=good)
        items.append(Advice(voice.say(what), voice.say(text), pressing=False))
    if not items:
        what, text = remark("no_test_planned"), remark("no_route_of_truck")
        items.append(Advice(voice.say(what), voice.say(text), pressing=True))
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
        gate_rule=setting.voice.say(remark("gate_rule")),
    )
