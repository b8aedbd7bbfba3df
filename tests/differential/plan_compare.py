"""The result files of `calibrate` and `plan` held against the second computation."""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

from tests.differential.plan_calibration import Model, ModelKey, models_of, runs_of
from tests.differential.plan_changes import Asked, cost_of, least_cost
from tests.differential.plan_files import Files
from tests.differential.plan_numbers import ZERO, student_factor
from tests.differential.plan_storm import (
    NEAR,
    Control,
    Piece,
    Served,
    Target,
    doubtful,
    on_hand,
    piece,
    score,
    serve,
    summed,
    targets_of,
    trip,
)

NINE_DIGITS = 6e-9
"""Result files hold nine significant digits; half a unit of the last is 5e-9 of a 1."""

LENGTHS = 1e-7
"""Two computations of the point where a line meets a border, and of a geodesic, agree to this."""

AS_SET = ("ok", "extrapolated")


@dataclass
class Outcome:
    """What was compared, how far it lay apart at most, and what lay too far apart."""

    cells: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    worst: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    faults: list[str] = field(default_factory=list)

    def number(self, where: str, column: str, mine: Any, theirs: str, limit: float) -> None:
        """Compare a number with a cell; both may be empty."""
        self.cells[column] += 1
        if mine is None or theirs == "":
            if not (mine is None and theirs == ""):
                self.faults.append(f"{where} {column}: {mine} here, {theirs or 'empty'} there")
            return
        apart = abs(float(mine) - float(theirs))
        relative = apart / max(abs(float(theirs)), 1e-6) if apart > 1e-12 else 0.0
        self.worst[column] = max(self.worst[column], relative)
        if relative > limit:
            self.faults.append(f"{where} {column}: {float(mine):.12g} here, {theirs} there")

    def same(self, where: str, column: str, mine: Any, theirs: Any) -> None:
        """Compare something that is equal or not."""
        self.cells[column] += 1
        self.worst[column] += 0.0
        if mine != theirs:
            self.faults.append(f"{where} {column}: {mine} here, {theirs} there")

    def holds(self, where: str, rule: str, fulfilled: bool) -> None:
        """Count a rule, and note where it is broken."""
        self.cells[rule] += 1
        self.worst[rule] += 0.0
        if not fulfilled:
            self.faults.append(f"{where}: {rule} does not hold")


def rows_of(path: Path) -> list[dict[str, str]]:
    """Rows of a result file."""
    with path.open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def compare_calibration(folder: Path, as_of: datetime, out: Outcome) -> dict[ModelKey, Model]:
    """tests.csv, models.csv and discharge.csv; the models as they are worked out here."""
    files, results = Files(folder), folder / "results/calibration"
    runs = {run.test_id: run for run in runs_of(files, as_of)}
    for row in rows_of(results / "tests.csv"):
        run = runs.pop(row["test_id"])
        for column, mine in {
            "net_lb": run.net,
            "net_u_lb": run.net_u,
            "discharge_lb_per_min": run.flow,
            "discharge_u_lb_per_min": run.flow_u,
            "lb_per_count": run.per_count,
            "lb_per_count_u": run.per_count_u,
            "duration_s": run.seconds,
            "gate_in": run.gate,
        }.items():
            out.number(run.test_id, f"tests.{column}", mine, row[column], NINE_DIGITS)
        out.same(run.test_id, "tests.valid", "true" if run.valid else "false", row["valid"])
    out.same("tests.csv", "tests.rows", len(runs), 0)
    models = models_of(files, as_of)
    seen = set()
    for row in rows_of(results / "models.csv"):
        key = _key(row, models)
        seen.add(key)
        if key is None:
            out.faults.append(f"models.csv: no such model here: {row['truck_id']}")
            continue
        _compare_model(out, models[key], row)
    out.same("models.csv", "models.rows", seen, set(models))
    for row in rows_of(results / "discharge.csv"):
        key = _key(row, models)
        if row["basis"] == "tested gate" and key:
            _compare_prediction(out, models[key], row)
        elif row["basis"] == "between gates":
            _compare_between(out, models, row)
        else:
            out.faults.append(f"discharge.csv: no model here for {row}")
    return models


def _key(row: dict[str, str], models: dict[ModelKey, Model]) -> ModelKey | None:
    """The model of a row; gates are rounded to nine digits in the files."""
    for key in models:
        near = abs(float(key[2]) - float(row["gate_in"])) < 1e-7
        if near and key[:2] == (row["truck_id"], row["material"]):
            return key
    return None


def _compare_model(out: Outcome, model: Model, row: dict[str, str]) -> None:
    where = f"{row['truck_id']} gate {row['gate_in']}"
    out.same(where, "models.kind", model.kind, row["kind"])
    if model.kind != row["kind"]:
        return
    u = [model.covariance[i][i].sqrt() for i in range(len(model.values))]
    levels = model.kind == "saturating"
    counts = model.counts
    for column, mine in {
        "slope_lb_per_min_per_pct": model.values[0],
        "slope_u_lb_per_min_per_pct": u[0],
        "start_pct": model.values[1],
        "start_u_pct": u[1],
        "saturation_pct": model.values[2] if levels else None,
        "saturation_u_pct": u[2] if levels else None,
        "lb_per_count": counts.value if counts else None,
        "lb_per_count_u": counts.u if counts else None,
        "count_trend_p": counts.trend_p if counts else None,
        "scale": model.scale,
        "repeatability_pct": 100 * model.repeatability,
        "tested_lo_pct": model.outputs[0],
        "tested_hi_pct": model.outputs[-1],
    }.items():
        out.number(where, f"models.{column}", mine, row[column], 5e-8)
    out.number(where, "models.dof", model.dof, row["dof"], NINE_DIGITS)


def _compare_prediction(out: Outcome, model: Model, row: dict[str, str]) -> None:
    output = Decimal(row["feeder_pct"])
    where = f"{row['truck_id']} gate {row['gate_in']} at {output}"
    slope, start, *top = model.values
    flow, u = model.flow(output), model.flow_u(output)
    out.number(where, "discharge.discharge_lb_per_min", flow, row["discharge_lb_per_min"], 5e-8)
    out.number(where, "discharge.discharge_u_lb_per_min", u, row["discharge_u_lb_per_min"], 1e-7)
    half = student_factor(float(model.dof)) * u
    middle = slope * (min([output, *top]) - start)
    for column, mine in {
        "discharge_lo_lb_per_min": max(ZERO, middle - half),
        "discharge_hi_lb_per_min": max(ZERO, middle + half),
    }.items():
        out.number(where, f"discharge.{column}", mine, row[column], 1e-7)
    beyond = "true" if model.beyond(output) else "false"
    out.same(where, "discharge.extrapolated", beyond, row["extrapolated"])


def _compare_between(out: Outcome, models: dict[ModelKey, Model], row: dict[str, str]) -> None:
    """A gate between two tested ones: in proportion, with a doubt about the law in between."""
    gate, output = Decimal(row["gate_in"]), Decimal(row["feeder_pct"])
    known = [m for key, m in models.items() if key[:2] == (row["truck_id"], row["material"])]
    lower = max((m for m in known if m.gate < gate), key=lambda m: m.gate)
    upper = min((m for m in known if m.gate > gate), key=lambda m: m.gate)
    share = (gate - lower.gate) / (upper.gate - lower.gate)
    low, high = lower.flow(output), upper.flow(output)
    bend = share * (1 - share) * abs(high - low) / Decimal(3).sqrt()
    u = (
        ((1 - share) * lower.flow_u(output)) ** 2 + (share * upper.flow_u(output)) ** 2 + bend**2
    ).sqrt()
    where = f"{row['truck_id']} between gates {row['gate_in']} at {output}"
    flow = low + share * (high - low)
    out.number(where, "between.discharge_lb_per_min", flow, row["discharge_lb_per_min"], 1e-7)
    out.number(where, "between.discharge_u_lb_per_min", u, row["discharge_u_lb_per_min"], 1e-7)


@dataclass
class _Row:
    """One row of plan_segments.csv beside what it should be."""

    target: Target
    theirs: dict[str, str]
    model: Model | None
    control: Control | None
    served: Served | None = None
    mass: Decimal | None = None
    piece: Piece | None = None


def compare_plan(
    folder: Path, storm: str, models: dict[ModelKey, Model], out: Outcome, pick: str = "middle"
) -> None:
    """plan_segments.csv, plan_routes.csv and plan_yards.csv, with the models that hold then."""
    files, results = Files(folder), folder / "results" / storm
    targets = targets_of(files, storm, pick)
    found = rows_of(results / "plan_segments.csv")
    out.same(storm, "segments.rows", len(targets), len(found))
    by_key = {(r["application"], r["route_id"], r["segment_id"], int(r["part"])): r for r in found}
    rounds = list({t.round.label: t.round for t in targets}.values())
    controls = {row["truck_id"]: Control.of(row) for row in files.table("trucks.csv")}
    usable = {
        key: model
        for key, model in models.items()
        if not (controls[key[0]].closed and model.counts is None)
    }
    rows = []
    for target in targets:
        stretch = target.stretch
        key = (target.round.label, stretch.route, stretch.segment, stretch.number)
        theirs = by_key.get(key)
        if theirs is None:
            out.faults.append(f"no row for {key}")
            continue
        place = None
        if theirs["gate_in"]:
            place = _key(theirs, usable)
        rows.append(
            _Row(target, theirs, usable.get(place) if place else None, controls.get(stretch.truck))
        )
    _compare_needs(out, rows)
    _compare_gates(out, rows, usable)
    _compare_masses(out, files, rows)
    _compare_routes(out, files, rows, rows_of(results / "plan_routes.csv"))
    _compare_yards(out, files, storm, rounds, rows, rows_of(results / "plan_yards.csv"))


def _where(row: _Row) -> str:
    return "/".join(row.theirs[n] for n in ("application", "route_id", "segment_id", "part"))


def _compare_needs(out: Outcome, rows: Sequence[_Row]) -> None:
    for row in rows:
        target, theirs, where = row.target, row.theirs, _where(row)
        stretch = target.stretch
        need = target.need
        for column, mine, limit in (
            ("lane_miles", stretch.lane_miles, LENGTHS),
            ("length_mi", stretch.miles, LENGTHS),
            ("target_rate_lb_per_lane_mile", target.rate, NINE_DIGITS),
            ("cap_lb_per_lane_mile", target.cap, NINE_DIGITS),
            ("speed_mph", stretch.speed, NINE_DIGITS),
            ("discharge_lb_per_min", need, NINE_DIGITS),
            ("lanes_per_pass", stretch.lanes / stretch.passes, NINE_DIGITS),
        ):
            out.number(where, f"segments.{column}", mine, theirs[column], limit)
        areas = "; ".join(stretch.part.areas)
        out.same(where, "segments.area_id", areas, theirs["area_id"])
        out.same(where, "segments.truck_id", stretch.truck, theirs["truck_id"])
        source = theirs["rate_source"]
        out.holds(
            where,
            "segments.rate_source",
            source.startswith(target.source) and bool(source) == bool(target.source),
        )


def _compare_gates(out: Outcome, rows: Sequence[_Row], models: dict[ModelKey, Model]) -> None:
    """One gate for a truck, the best by the rule; settings that serve, as few as can be."""
    trucks: dict[str, list[_Row]] = defaultdict(list)
    for row in rows:
        if row.target.need and row.target.need > 0:
            trucks[row.target.stretch.truck].append(row)
    for truck, every in trucks.items():
        tested = {key[1] for key in models if key[0] == truck}
        mine = [row for row in every if row.target.stretch.material in tested and row.control]
        others = [row for row in every if row not in mine]
        out.holds(truck, "no test, no setting", all(not row.theirs["gate_in"] for row in others))
        if not mine:
            continue
        by_run: dict[tuple[str, str], set[str]] = defaultdict(set)
        for row in mine:
            by_run[row.theirs["application"], row.theirs["route_id"]] |= {row.theirs["gate_in"]}
        one_gate = all(len(gates - {""}) <= 1 for gates in by_run.values())
        out.holds(truck, "one gate for a run", one_gate)
        _compare_gate(out, truck, mine, models)
        runs: dict[tuple[str, str], list[_Row]] = defaultdict(list)
        for row in mine:
            if row.served and not row.served.doubtful:
                runs[row.theirs["application"], row.theirs["route_id"]].append(row)
        for (label, route), run in runs.items():
            if all(row.theirs["feeder_pct"] for row in run):
                _compare_settings(out, f"{label}/{route}", run)


def _cap_flow(row: _Row) -> Decimal | None:
    target = row.target
    return None if target.cap is None else target.cap * target.stretch.per_rate


def _compare_gate(
    out: Outcome, truck: str, mine: Sequence[_Row], models: dict[ModelKey, Model]
) -> None:
    """The gate in the results is a best one, and serves the rows as it would here."""
    control = mine[0].control
    assert control
    needs = [row.target.need or ZERO for row in mine]
    weights = [row.target.stretch.lane_miles for row in mine]
    gates = sorted({key[2] for key in models if key[0] == truck})
    at_gate = []
    for gate in gates:
        these = [models.get((truck, row.target.stretch.material, gate)) for row in mine]
        at_gate.append(
            [
                serve(model, control, need, _cap_flow(row)) if model else None
                for model, need, row in zip(these, needs, mine, strict=True)
            ]
        )
    scores = [score(served, needs, weights, control) for served in at_gate]
    best = min(range(len(gates)), key=lambda place: scores[place])
    used = [gates.index(row.model.gate) for row in mine if row.model]
    equal = [place for place in used if not any(_beats(one, scores[place]) for one in scores)]
    main = equal[0] if equal else best
    runs: dict[tuple[str, str], list[int]] = defaultdict(list)
    for number, row in enumerate(mine):
        runs[row.theirs["application"], row.theirs["route_id"]].append(number)
    for run, numbers in runs.items():
        missed = [
            sum((weights[n] for n in numbers if _unable(served[n])), ZERO) for served in at_gate
        ]
        theirs = [gates.index(mine[n].model.gate) for n in numbers if mine[n].model]
        chosen = theirs[0] if theirs else main
        moved = missed[chosen] < missed[main] and missed[chosen] == min(missed)
        stays = chosen == main and missed[main] <= min(missed) + Decimal("1e-6")
        out.holds(f"{truck} {run}", "the truck's gate unless a target is missed", moved or stays)
        for number in numbers:
            mine[number].served = at_gate[chosen][number]


def _unable(served: Served | None) -> bool:
    return served is None or served.unable


def _beats(other: tuple[float, ...], chosen: tuple[float, ...]) -> bool:
    """Whether a gate is better by the rule, beyond what rounding can turn."""
    for place, (a, b) in enumerate(zip(other, chosen, strict=True)):
        if place == 2:  # the error counts in whole percent
            a, b = round(a, 2), round(b, 2)
            if a != b and abs(abs(other[2] - chosen[2]) - 0.01) < 1e-9:
                return False
        if abs(a - b) > 2e-9 + 1e-7 * abs(b):
            return a < b
    return False


def _compare_settings(out: Outcome, where: str, mine: Sequence[_Row]) -> None:
    """Settings that can be set, and no way along the run that costs less."""
    control = mine[0].control
    assert control
    if control.closed:
        grid = sorted({_nine(row.target.rate or ZERO) for row in mine})
        used = [_nine(Decimal(row.theirs["rate_to_set_lb_per_lane_mile"])) for row in mine]
        out.holds(where, "a rate that the run asks for", set(used) <= set(grid))
    else:
        grid = control.grid()
        used = [Decimal(row.theirs["feeder_pct"]) for row in mine]
        out.holds(where, "settings on the control's steps", set(used) <= set(grid))
    places = {output: place for place, output in enumerate(grid)}
    rows = [_asked(row, control, places) for row in mine]
    theirs, best = cost_of([places[output] for output in used], rows), least_cost(rows, len(grid))
    # lengths differ in their last digits: a part of a lane-mile here and there is rounding
    close = theirs is not None and (
        theirs[0] == best[0] and abs(theirs[1] - best[1]) <= len(rows) and theirs[2] <= best[2]
    )
    out.holds(where, f"no way along the run costs less: {theirs} there, {best} here", close)


def _nine(rate: Decimal) -> Decimal:
    """A rate with as many digits as two computations and a result file agree to."""
    return Decimal(f"{rate:.8g}")


def _asked(row: _Row, control: Control, places: dict[Decimal, int]) -> Asked:
    stretch, rate = row.target.stretch, row.target.rate or ZERO
    assert row.served
    if control.closed:
        most = rate * (1 + NEAR)
        most = most if row.target.cap is None else min(most, row.target.cap)
        slack = Decimal("1e-7")
        allowed = [
            place
            for one, place in places.items()
            if rate * (1 - NEAR) * (1 - slack) <= one <= most * (1 + slack)
        ]
    else:
        allowed = [places[output] for output in row.served.allowed]
    return Asked(
        min(allowed),
        max(allowed),
        float(_nine(rate if control.closed else row.target.need or ZERO)),
        float(stretch.miles),
        float(stretch.miles / stretch.speed * 60),
        float(stretch.lane_miles),
        bool(stretch.part.areas),
    )


def _status(row: _Row, limit: Decimal | None) -> str:
    target, served = row.target, row.served
    if not target.stretch.truck:
        return "unassigned"
    if target.rate is None:
        return "no_rate"
    if target.rate == 0:
        return "untreated"
    if served is None or row.control is None:
        return "uncalibrated"
    if served.doubtful or _set_in_doubt(row):
        return "do_not_use"
    lanes = target.stretch.lanes / target.stretch.passes
    if served.unable or (limit is not None and lanes > limit + Decimal("1e-9")):
        return "infeasible"
    return "extrapolated" if row.model.beyond(Decimal(row.theirs["feeder_pct"])) else "ok"


def _set_in_doubt(row: _Row) -> bool:
    """Whether the setting that a run shares is in doubt, though the row's nearest is not.

    Which setting that was is not in the results; that it serves the row, and is in doubt, must be.
    """
    assert row.served
    assert row.control
    if row.model or row.control.closed:
        return False
    return any(doubtful(row.served.model, row.control, x) for x in row.served.allowed)


def _compare_masses(out: Outcome, files: Files, rows: Sequence[_Row]) -> None:
    solids = [r["material"] for r in files.table("materials.csv") if r["kind"] == "solid"]
    widest = {row["truck_id"]: row.get("max_spread_lanes") for row in files.table("trucks.csv")}
    for row in rows:
        target, theirs, where = row.target, row.theirs, _where(row)
        most = widest.get(target.stretch.truck)
        status = _status(row, Decimal(most) if most else None)
        out.same(where, "segments.status", status, theirs["status"])
        achieved = ZERO if target.rate == 0 and target.stretch.truck else None
        output = Decimal(theirs["feeder_pct"]) if theirs["feeder_pct"] else None
        if row.served and row.model and row.control and output is not None:
            if row.control.closed:
                rate_set = Decimal(theirs["rate_to_set_lb_per_lane_mile"])
                again = serve(row.model, row.control, rate_set * target.stretch.per_rate, None)
                out.number(where, "segments.feeder_pct", again.output, theirs["feeder_pct"], 5e-8)
                output, flow = again.output, again.flow
            else:
                flow = row.model.flow(output)
            achieved = flow / target.stretch.per_rate
            count = row.model.counts.value if row.model.counts and row.control.closed else None
            out.number(where, "segments.lb_per_count", count, theirs["lb_per_count"], NINE_DIGITS)
        out.number(
            where,
            "segments.achieved_rate_lb_per_lane_mile",
            achieved,
            theirs["achieved_rate_lb_per_lane_mile"],
            5e-8,
        )
        rate = achieved if status in AS_SET else target.rate
        row.mass = None if rate is None else rate * target.stretch.lane_miles
        out.number(where, "segments.mass_lb", row.mass, theirs["mass_lb"], 6e-8)
        gallons = None if row.mass is None else row.mass / 2000 * target.stretch.prewet
        gallons = gallons if target.stretch.material in solids else ZERO
        out.number(where, "segments.prewet_gal", gallons, theirs["prewet_gal"], 6e-8)
        if row.mass is None:
            continue
        row.piece = piece(target, row.mass, row.model, row.control, output)
        _, low, high = summed([row.piece])
        out.number(where, "segments.mass_lo_lb", low, theirs["mass_lo_lb"], 2e-7)
        out.number(where, "segments.mass_hi_lb", high, theirs["mass_hi_lb"], 2e-7)


def _compare_routes(
    out: Outcome, files: Files, rows: Sequence[_Row], found: Sequence[dict[str, str]]
) -> None:
    runs: dict[tuple[str, str], list[_Row]] = defaultdict(list)
    solids = [r["material"] for r in files.table("materials.csv") if r["kind"] == "solid"]
    for row in rows:
        runs[row.theirs["application"], row.theirs["route_id"]].append(row)
    out.same("plan_routes.csv", "routes.rows", len(runs), len(found))
    for theirs in found:
        where = f"{theirs['application']}/{theirs['route_id']}"
        mine = runs[theirs["application"], theirs["route_id"]]
        known = [row.piece for row in mine if row.piece]
        mass, low, high = summed(known) if known else (None, None, None)
        stretch = mine[0].target.stretch
        lanes = sum((row.target.stretch.lane_miles for row in mine), ZERO)
        prewet = None if mass is None else mass / 2000 * stretch.prewet
        prewet = prewet if stretch.material in solids else ZERO
        for column, value, limit in (
            ("lane_miles", lanes, LENGTHS),
            ("mass_lb", mass, 6e-8),
            ("mass_lo_lb", low, 2e-7),
            ("mass_hi_lb", high, 2e-7),
            ("prewet_gal", prewet, 6e-8),
        ):
            out.number(where, f"routes.{column}", value, theirs[column], limit)
        if not stretch.truck:
            continue
        driven = trip(files, [(row.target.stretch, row.mass or ZERO) for row in mine])
        minutes = driven.spreading + driven.reloading + float(theirs["travel_minutes"] or 0.0)
        for column, number, limit in (
            ("load_lb", driven.load_lb, 1e-7),
            ("loads", driven.loads, 1e-7),
            ("spreading_minutes", driven.spreading, 1e-7),
            ("reload_minutes", driven.reloading, 1e-7),
            # where a yard lies nearest to a road is seen in a flat picture by either
            ("travel_minutes", driven.travel, 1e-3),
            ("minutes", minutes, 1e-7),
        ):
            out.number(where, f"routes.{column}", number, theirs[column], limit)


def _compare_yards(
    out: Outcome,
    files: Files,
    storm: str,
    rounds: Sequence[Any],
    rows: Sequence[_Row],
    found: Sequence[dict[str, str]],
) -> None:
    needs: dict[tuple[str, str], list[Piece]] = defaultdict(list)
    for row in rows:
        stretch = row.target.stretch
        if stretch.yard and row.piece:
            needs[stretch.yard, stretch.material].append(row.piece)
    out.same(
        "plan_yards.csv",
        "yards.rows",
        set(needs),
        {(row["yard_id"], row["material"]) for row in found},
    )
    start = min((each.start for each in rounds if each.start), default=None)
    for theirs in found:
        place = theirs["yard_id"], theirs["material"]
        mass, _, high = summed(needs[place])
        stock = on_hand(files, storm, *place, start)
        have = None if stock is None else stock / 2000
        short = None if have is None else max(ZERO, mass / 2000 - max(have, ZERO))
        for column, value, limit in (
            ("needed_ton", mass / 2000, 6e-8),
            ("needed_hi_ton", high / 2000, 2e-7),
            ("on_hand_ton", have, NINE_DIGITS),
            ("short_ton", short, 1e-6),
        ):
            out.number("/".join(place), f"yards.{column}", value, theirs[column], limit)
