"""Discharge tests and models worked out a second time, slowly and in decimals.

Written from the workspace's contract, the README, the section Decisions of DEVELOPERS.md and the
assumptions that calibration lists; the formulas are those of the GUM.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import pairwise

from tests.differential import plan_days
from tests.differential.plan_files import Files, decimal, moment, quantity
from tests.differential.plan_knees import Ends, Knee, ends_of_others, knees_of
from tests.differential.plan_numbers import (
    ONE,
    ZERO,
    Matrix,
    fisher_factor,
    least_squares,
    quadratic,
    sandwich,
    student_factor,
    student_tail,
    times,
)
from tests.differential.plan_pooling import Scatter, learned


@dataclass(frozen=True)
class Assumed:
    """What calibration takes for granted; each is stated as common practice without a source."""

    repeatability: Decimal = Decimal("0.03")
    prior_dof: Decimal = Decimal(4)
    startup_u_pct: Decimal = Decimal(5)
    level_share: Decimal = Decimal("0.35")
    stopwatch_s: Decimal = Decimal("0.3")
    fill_spread: Decimal = Decimal("0.02")
    division: dict[str, Decimal] = field(
        default_factory=lambda: {
            "container": Decimal(1),
            "direct": Decimal(1),
            "vehicle_scale": Decimal(20),
        }
    )
    counting: Decimal = ONE / 6
    """Variance of a difference of two readings of a counter: triangular over one count to each
    side, JCGM 100:2008, 4.3.9."""


ASSUMED = Assumed()


@dataclass(frozen=True)
class Run:
    """One discharge test, in lb, s and lb/min."""

    test_id: str
    truck_id: str
    material: str
    at: datetime
    gate: Decimal
    output: Decimal
    seconds: Decimal
    net: Decimal
    net_u: Decimal
    flow: Decimal
    flow_u: Decimal
    per_count: Decimal | None
    per_count_u: Decimal | None
    valid: bool


def weighed(files: Files, given: Assumed = ASSUMED) -> dict[str, tuple[Decimal, Decimal]]:
    """Net mass of each test and its variance.

    Each reading is rectangular within one division, variance d**2 / 12 (JCGM 100:2008, 4.3.7). One
    container that stands for n: its reading counts n times, and n - 1 others were filled alike.
    """
    by_test: dict[str, list[dict[str, str]]] = defaultdict(list)
    for row in files.table("weighings.csv"):
        by_test[row["test_id"]].append(row)
    return {test: _weighed(rows, given) for test, rows in by_test.items()}


def _weighed(rows: Sequence[dict[str, str]], given: Assumed) -> tuple[Decimal, Decimal]:
    nets, total, variance = [], ZERO, ZERO
    for row in rows:
        gross, tare = quantity(row, "gross", "mass"), quantity(row, "tare", "mass")
        assert gross is not None
        count = decimal(row.get("count")) or ONE
        division = quantity(row, "scale_division", "mass") or given.division[row["method"]]
        net = gross - (tare or ZERO)
        readings = 1 if tare is None else 2
        total += count * net
        variance += count**2 * readings * division**2 / 12
        nets.append((row["method"], count, net))
    singles = [net for method, count, net in nets if method == "container" and count == 1]
    spread = _spread(singles, given)
    for method, count, net in nets:
        if method == "container" and count > 1:
            variance += count * (count - 1) * (spread * net) ** 2
    return total, variance


def _spread(singles: Sequence[Decimal], given: Assumed) -> Decimal:
    if len(singles) < 3:
        return given.fill_spread
    mean = sum(singles, ZERO) / len(singles)
    return (sum(((x - mean) ** 2 for x in singles), ZERO) / (len(singles) - 1)).sqrt() / mean


def runs_of(files: Files, as_of: datetime, given: Assumed = ASSUMED) -> list[Run]:
    """Every discharge test with its uncertainty and whether it counts at a moment."""
    mass = weighed(files, given)
    closed = {r["truck_id"]: r["control"] == "closed_loop" for r in files.table("trucks.csv")}
    result = []
    for row in files.table("discharge_tests.csv"):
        net, variance = mass[row["test_id"]]
        seconds = quantity(row, "duration", "seconds")
        at = moment(row["performed_at"], files.zone)
        gate, output = quantity(row, "gate", "inches"), decimal(row["feeder_pct"])
        assert seconds
        assert at
        assert gate
        assert output
        time_u = quantity(row, "duration_u", "seconds")
        time_u = given.stopwatch_s if time_u is None else time_u
        flow = 60 * net / seconds
        flow_u = ((60 / seconds) ** 2 * variance + (flow * time_u / seconds) ** 2).sqrt()
        per_count = per_count_u = None
        counts = decimal(row.get("sensor_counts"))
        if counts and closed[row["truck_id"]]:
            per_count = net / counts
            per_count_u = (variance + per_count**2 * given.counting).sqrt() / counts
        result.append(
            Run(
                row["test_id"],
                row["truck_id"],
                row["material"],
                at,
                gate,
                output,
                seconds,
                net,
                variance.sqrt(),
                flow,
                flow_u,
                per_count,
                per_count_u,
                _counts(files, row, at, as_of, closed[row["truck_id"]]),
            )
        )
    return result


def _counts(files: Files, row: dict[str, str], at: datetime, as_of: datetime, closed: bool) -> bool:
    """Whether a test counts: not voided, not too old, no work that ends it since."""
    tolerance = files.policy.get("tolerance", {})
    oldest = timedelta(days=float(tolerance.get("calibration_max_age_days", 365)))
    ends = {"gate", "feeder", "hydraulics"} | ({"sensor"} if closed else set())
    for change in files.table("changes.csv"):
        when = moment(change["changed_at"], files.zone)
        assert when
        if change["truck_id"] == row["truck_id"] and change["what"] in ends and at < when <= as_of:
            return False
    return not row.get("voided_by") and at <= as_of and as_of - at <= oldest


@dataclass(frozen=True)
class Counts:
    """Mass per count, and its line in output where that is significant at 5 %."""

    value: Decimal
    u: Decimal
    scale: Decimal
    dof: Decimal
    trend_p: Decimal | None
    line: tuple[list[Decimal], Matrix] | None
    usual: Decimal
    day_u: Decimal = ZERO

    def at(self, output: Decimal) -> Decimal:
        """Mass per count at an output: the mean, or the line where there is one."""
        if self.line is None:
            return self.value
        (intercept, slope), _ = self.line
        return intercept + slope * output

    def relative_u(self, output: Decimal) -> Decimal:
        """Relative uncertainty of the counted mass: a trend that is not followed stays in."""
        if self.line is None:
            return self.u / self.value
        _, covariance = self.line
        place = [ONE, output]
        apart = self.at(output) - self.value
        day = (self.day_u * self.at(output)) ** 2
        return (quadratic(place, covariance) + day + apart**2).sqrt() / self.value


@dataclass(frozen=True)
class Model:
    """Flow = slope * (min(output, top) - start) at one gate, and mass per count."""

    gate: Decimal
    kind: str
    values: tuple[Decimal, ...]
    covariance: Matrix
    scale: Decimal
    dof: Decimal
    outputs: tuple[Decimal, ...]
    counts: Counts | None
    usual: Decimal
    knees: Sequence[Knee] = ()
    ends: Ends = field(default_factory=lambda: Ends(None, None))
    day_sd: Decimal = ZERO

    def flow(self, output: Decimal) -> Decimal:
        """Mean discharge at an output, lb/min."""
        slope, start, *top = self.values
        return max(ZERO, slope * (min([output, *top]) - start))

    def gradient(self, output: Decimal) -> list[Decimal]:
        """Change of the discharge with slope, start and top."""
        slope, start, *top = self.values
        base = [min([output, *top]) - start, -slope]
        return [*base, slope if output > top[0] else ZERO] if top else base

    def flow_u(self, output: Decimal) -> Decimal:
        """Standard uncertainty of the mean discharge."""
        fitted = max(ZERO, quadratic(self.gradient(output), self.covariance))
        return (fitted + self.form_u(output) ** 2).sqrt()

    def form_u(self, output: Decimal) -> Decimal:
        """How far curves with a knee that the tests leave open lie from this one."""
        here = self.flow(output)
        apart = [knee.share * (knee.flow(output) - here) ** 2 for knee in self.knees]
        return sum(apart, ZERO).sqrt()

    def output_for(self, flow: Decimal) -> Decimal:
        """Output that gives a discharge within the curve's reach."""
        return self.values[1] + flow / self.values[0]

    def beyond(self, output: Decimal) -> bool:
        """Whether an output lies outside the tested ones."""
        slack = Decimal("1e-9")
        return not self.outputs[0] - slack <= output <= self.outputs[-1] + slack

    @property
    def repeatability(self) -> Decimal:
        """Relative standard deviation of one run."""
        known = self.counts or self
        return known.usual * known.scale.sqrt()

    @property
    def mass_dof(self) -> Decimal:
        """Degrees of freedom of what the mass is known by: counts, where there are any."""
        return self.counts.dof if self.counts else self.dof


def _variances(runs: Sequence[Run], fitted: Sequence[Decimal], given: Assumed) -> list[Decimal]:
    return [
        run.flow_u**2 + (given.repeatability * max(f, ZERO)) ** 2
        for run, f in zip(runs, fitted, strict=True)
    ]


Fit = tuple[list[Decimal], Matrix, Decimal, Decimal]
"""Values, covariance times the variance factor, variance factor, degrees of freedom."""


def _scaled(
    values: list[Decimal], covariance: Matrix, squares: Decimal, n: int, given: Assumed
) -> Fit:
    """The variance factor starts from a prior that is worth some degrees of freedom."""
    dof = given.prior_dof + n - len(values)
    scale = (given.prior_dof + squares) / dof
    return values, [[scale * cell for cell in row] for row in covariance], scale, dof


def settled(
    runs: Sequence[Run], design: Matrix, given: Assumed, more: tuple[list[Decimal], Decimal] | None
) -> Fit:
    """Least squares with the weights of the fitted curve, until they no longer change.

    ``more`` is one further observation of zero discharge: its row of the design and its variance.
    """
    flows = [run.flow for run in runs]
    fitted = flows
    rows = [*design, more[0]] if more else design
    seen = [*flows, ZERO] if more else flows
    for _ in range(100):
        variance = _variances(runs, fitted, given) + ([more[1]] if more else [])
        values, covariance, squares = least_squares(rows, seen, variance)
        former, fitted = fitted, times(design, values)
        if all(
            abs(a - b) <= Decimal("1e-25") * abs(b) for a, b in zip(former, fitted, strict=True)
        ):
            break
    return _scaled(values, covariance, squares, len(seen), given)


def _line(runs: Sequence[Run]) -> Matrix:
    return [[ONE, run.output] for run in runs]


def _as_curve(values: Sequence[Decimal], covariance: Matrix) -> tuple[tuple[Decimal, ...], Matrix]:
    """Slope, start (and top) with their covariance, from intercept and slope (and top)."""
    intercept, slope, *top = values
    jacobian = [[ZERO, ONE], [-1 / slope, intercept / slope**2]]
    if top:
        jacobian = [[*row, ZERO] for row in jacobian] + [[ZERO, ZERO, ONE]]
    return (slope, -intercept / slope, *top), sandwich(jacobian, covariance)


Shape = tuple[str, tuple[Decimal, ...], Matrix, Decimal, Decimal]
"""Kind, values, covariance, variance factor, degrees of freedom."""


def _steadied(runs: Sequence[Run], start: Decimal, given: Assumed) -> tuple[Decimal, Fit]:
    """Slope through an assumed start-up, and the line that leans on it, give or take its doubt.

    That doubt is not the tests': their variance factor, which multiplies all, is taken out of it.
    """
    design = [[run.output - start] for run in runs]
    values, _, scale, _ = settled(runs, design, given, None)
    doubt = ([ONE, start], (values[0] * given.startup_u_pct) ** 2 / scale)
    return values[0], settled(runs, _line(runs), given, doubt)


def _doubtful(kind: str, values: Sequence[Decimal], runs: Sequence[Run], given: Assumed) -> Shape:
    """A curve whose start-up no test shows: it lies at zero, give or take the assumed doubt.

    Its covariance is that of a line steadied by this assumption, about the values chosen.
    """
    _, (steadied, covariance, scale, dof) = _steadied(runs, ZERO, given)
    apart = [a - b for a, b in zip(values, steadied, strict=True)]
    wide = [[covariance[i][j] + apart[i] * apart[j] for j in (0, 1)] for i in (0, 1)]
    return (kind, *_as_curve(values, wide), scale, dof)


def _proportional(runs: Sequence[Run], given: Assumed) -> Shape:
    slope = settled(runs, [[run.output] for run in runs], given, None)[0][0]
    return _doubtful("proportional", [ZERO, slope], runs, given)


def _best_saturating(runs: Sequence[Run], variance: Sequence[Decimal]) -> list[Decimal] | None:
    """Intercept, slope and top with the least squares, by trying every place of the top.

    Between two neighbouring outputs the form is a line below and a level above; at an output it is
    a line in min(output, top). All stationary points are tried, so the least is the optimum.
    """
    outputs = sorted({run.output for run in runs})
    found: list[tuple[Decimal, list[Decimal]]] = []

    def fit(some: Sequence[int], rows: Matrix) -> tuple[list[Decimal], Decimal]:
        seen = [runs[i].flow for i in some]
        values, _, squares = least_squares(rows, seen, [variance[i] for i in some])
        return values, squares

    everything = range(len(runs))
    for low, high in pairwise(outputs[1:]):
        values, squares = fit(everything, [[ONE, min(run.output, low)] for run in runs])
        if values[1] > 0:
            found.append((squares, [*values, low]))
        below = [i for i in everything if runs[i].output <= low]
        above = [i for i in everything if runs[i].output >= high]
        line, under = fit(below, [[ONE, runs[i].output] for i in below])
        level, over = fit(above, [[ONE]] * len(above))
        if line[1] > 0 and low < (top := (level[0] - line[0]) / line[1]) < high:
            found.append((under + over, [*line, top]))
    return min(found, key=lambda each: each[0])[1] if found else None


def _saturating(runs: Sequence[Run], simpler: str, given: Assumed) -> Shape | None:
    """The form that levels off, if it is significantly better at 5 % (F test)."""
    if len({run.output for run in runs}) < 4:
        return None
    fitted = [run.flow for run in runs]
    for _ in range(40):
        values = _best_saturating(runs, _variances(runs, fitted, given))
        if values is None:
            return None
        top = values[2]
        fitted = [values[0] + values[1] * min(run.output, top) for run in runs]
    variance = _variances(runs, fitted, given)
    gaps = [run.flow - f for run, f in zip(runs, fitted, strict=True)]
    squares = sum((g**2 / v for g, v in zip(gaps, variance, strict=True)), ZERO)
    rows = [[run.output] for run in runs] if simpler == "proportional" else _line(runs)
    _, _, before = least_squares(rows, [run.flow for run in runs], variance)
    more = 3 - len(rows[0])
    dof = given.prior_dof + len(runs) - 3
    scale = (given.prior_dof + squares) / dof
    if (before - squares) / more <= scale * Decimal(repr(fisher_factor(more, float(dof)))):
        return None
    change = [[ONE, min(run.output, top), values[1] if run.output > top else ZERO] for run in runs]
    _, covariance, _ = least_squares(change, fitted, variance)
    wide = [[scale * cell for cell in row] for row in covariance]
    return ("saturating", *_as_curve(values, wide), scale, dof)


def _two(runs: Sequence[Run], fit: Fit, given: Assumed) -> Shape:
    """A line through two tests; its start-up is in doubt unless they rule the usual one out."""
    values, covariance, scale, dof = fit
    usual = (covariance[0][0] + (given.startup_u_pct * values[1]) ** 2).sqrt()
    if abs(values[0]) > 2 * usual:
        return ("line", *_as_curve(values, covariance), scale, dof)
    return _doubtful("line", values, runs, given)


def _contradictory(runs: Sequence[Run], given: Assumed) -> Shape:
    """A falling line is impossible: proportional, as doubtful as its own scatter makes it."""
    values, _, scatter, _ = settled(runs, [[run.output] for run in runs], given, None)
    _, (steadied, covariance, scale, dof) = _steadied(runs, ZERO, given)
    wider = max(ONE, scatter / scale)
    apart = [-steadied[0], values[0] - steadied[1]]
    wide = [[wider * covariance[i][j] + apart[i] * apart[j] for j in (0, 1)] for i in (0, 1)]
    return ("proportional", *_as_curve([ZERO, values[0]], wide), scale * wider, dof)


def _above_dry(runs: Sequence[Run], dry: Decimal, given: Assumed) -> Shape:
    """A test below all others let nothing out: flow starts at its output or above."""
    outputs = [run.output for run in runs]
    if max(outputs) - min(outputs) >= 10:
        values, covariance, scale, dof = settled(runs, _line(runs), given, None)
        if values[1] > 0 and -values[0] / values[1] >= dry:
            line: Shape = ("line", *_as_curve(values, covariance), scale, dof)
            level = _saturating(runs, "line", given)
            if level is None or level[1][1] < dry - 2 * level[2][1][1].sqrt():
                return line
            return level
    slope, (values, covariance, scale, dof) = _steadied(runs, dry, given)
    if values[1] <= 0:
        values = [-slope * dry, slope]
    return ("line", *_as_curve(values, covariance), scale, dof)


def shape_of(runs: Sequence[Run], given: Assumed) -> Shape:
    """The simplest form that the tests support, a further parameter only if significant at 5 %.

    A test that let nothing measurable out, below all that did, only tells where flow begins.
    """
    flowing = [run.output for run in runs if run.flow > 2 * run.flow_u]
    dry = [run.output for run in runs if run.flow <= 2 * run.flow_u and run.output < min(flowing)]
    runs = [run for run in runs if run.output not in dry]
    outputs = [run.output for run in runs]
    if dry:
        return _above_dry(runs, max(dry), given)
    if max(outputs) - min(outputs) < 10:
        return _proportional(runs, given)
    fit = settled(runs, _line(runs), given, None)
    values, covariance, scale, dof = fit
    if values[1] <= 0:
        return _contradictory(runs, given)
    if len(runs) == 2:
        return _two(runs, fit, given)
    if abs(values[0]) > student_factor(float(dof)) * covariance[0][0].sqrt():
        simple: Shape = ("line", *_as_curve(values, covariance), scale, dof)
    else:
        simple = _proportional(runs, given)
    return _saturating(runs, simple[0], given) or simple


def counts_of(runs: Sequence[Run], given: Assumed) -> Counts | None:
    """Weighted mean mass per count, and whether it depends on the output at 5 %."""
    read = [(run.output, run.per_count, run.per_count_u) for run in runs if run.per_count]
    if not read:
        return None
    seen = [value for _, value, _ in read if value]
    mean = seen[0]
    for _ in range(60):
        variance = [u**2 + (given.repeatability * mean) ** 2 for _, _, u in read if u]
        values, covariance, squares = least_squares([[ONE]] * len(seen), seen, variance)
        mean = values[0]
    _, scaled, scale, dof = _scaled(values, covariance, squares, len(seen), given)
    outputs = [output for output, _, _ in read]
    p, line = None, None
    if len(read) >= 3 and max(outputs) - min(outputs) >= 10:
        rows = [[ONE, output] for output in outputs]
        found = _scaled(*least_squares(rows, seen, variance), len(seen), given)
        ratio = abs(found[0][1]) / found[1][1][1].sqrt()
        p = Decimal(repr(student_tail(float(ratio), float(found[3]))))
        if p < Decimal("0.05"):
            line, scale, dof = (found[0], found[1]), found[2], found[3]
    return Counts(mean, scaled[0][0].sqrt(), scale, dof, p, line, given.repeatability)


ModelKey = tuple[str, str, Decimal]


def models_of(files: Files, as_of: datetime, given: Assumed = ASSUMED) -> dict[ModelKey, Model]:
    """A model for each truck, material and gate with a test that counts.

    All are fitted twice: in the second fit, what is known of a model's scatter before its own tests
    is how the others of its material scattered about the first.
    """
    closed = {r["truck_id"]: r["control"] == "closed_loop" for r in files.table("trucks.csv")}
    groups: dict[ModelKey, list[Run]] = defaultdict(list)
    for run in runs_of(files, as_of, given):
        if run.valid:
            groups[run.truck_id, run.material, run.gate].append(run)
    groups = {
        key: runs
        for key, runs in sorted(groups.items())
        if any(run.flow > 2 * run.flow_u for run in runs)
    }
    first = {
        key: _fitted(key[2], runs, closed[key[0]], given, given) for key, runs in groups.items()
    }
    found = {}
    for key, runs in groups.items():
        alike = [other for other in groups if other[1] == key[1]]
        own = alike.index(key)
        flows = [_flow_scatter(first[other], groups[other]) for other in alike]
        counts = [_count_scatter(first[other], groups[other]) for other in alike]
        others = [first[other].ends for other in alike if other != key]
        startup_u, level_share = ends_of_others(
            others, float(given.startup_u_pct), float(given.level_share)
        )
        flow = replace(
            _told(own, flows, given),
            startup_u_pct=Decimal(repr(startup_u)),
            level_share=Decimal(repr(level_share)),
        )
        found[key] = _fitted(key[2], runs, closed[key[0]], flow, _told(own, counts, given))
    return {
        key: _of_days(model, groups[key], _day_sd(key[1], groups, found))
        for key, model in found.items()
    }


def _in_order(runs: Sequence[Run]) -> list[Run]:
    return sorted(runs, key=lambda run: (run.at, run.test_id))


def _day_sd(
    material: str, groups: dict[ModelKey, list[Run]], models: dict[ModelKey, Model]
) -> Decimal:
    """Scatter from day to day of the material's trucks, by their residuals after the last fit."""
    trucks = []
    for key, model in models.items():
        if key[1] != material:
            continue
        runs = _in_order(groups[key])
        days = plan_days.days([run.at for run in runs])
        counts = model.counts
        if counts:
            told = [bool(run.per_count and run.per_count_u) for run in runs]
            scatter = _count_scatter(model, runs)
        else:
            told = [run.flow > 0 and model.flow(run.output) > 0 for run in runs]
            scatter = _flow_scatter(model, runs)
        if scatter.spare:
            known = counts or model
            factor, usual = float(known.scale.sqrt()), float(known.usual)
            named = [day for day, one in zip(days, told, strict=True) if one]
            trucks.append(
                [
                    (day, residual, factor * math.hypot(u, usual))
                    for day, (residual, u) in zip(named, scatter.residuals, strict=True)
                ]
            )
    return Decimal(repr(plan_days.learned(trucks)))


def _of_days(model: Model, runs: Sequence[Run], day_sd: Decimal) -> Model:
    """The model with what its tests have in common: all of it grows or shrinks with the slope."""
    share = plan_days.kept(plan_days.days([run.at for run in _in_order(runs)]))
    day_u = day_sd * Decimal(repr(share)).sqrt()
    covariance = [list(row) for row in model.covariance]
    covariance[0][0] += (model.values[0] * day_u) ** 2
    counts = model.counts
    if counts:
        u = (counts.u**2 + (counts.value * day_u) ** 2).sqrt()
        counts = replace(counts, u=u, day_u=day_u)
    return replace(model, covariance=covariance, counts=counts, day_sd=day_sd)


def _fitted(
    gate: Decimal, runs: Sequence[Run], closed: bool, flow: Assumed, count: Assumed
) -> Model:
    outputs = tuple(sorted(run.output for run in runs))
    counts = counts_of(runs, count) if closed else None
    shape = shape_of(runs, flow)
    model = Model(gate, *shape, outputs, counts, flow.repeatability)
    flowing = _flowing(runs)
    variances = _variances(flowing, [model.flow(run.output) for run in flowing], flow)
    least = (flow.repeatability * max(model.flow(run.output) for run in flowing) / 1000) ** 2
    tests = [
        (float(run.output), max(float(run.flow), 0.0), float(max(variance, least).sqrt()))
        for run, variance in zip(flowing, variances, strict=True)
    ]
    start = (float(model.values[1]), float(flow.startup_u_pct))
    knees = knees_of(tests, start, float(flow.level_share), float(flow.prior_dof))
    spread = max(run.output for run in flowing) - min(run.output for run in flowing)
    if model.kind == "saturating" or spread < 10:
        knees = [knee for knee in knees if knee.at > max(run.output for run in flowing)]
    return replace(model, knees=knees, ends=_ends(model, runs))


def _flowing(runs: Sequence[Run]) -> list[Run]:
    """Without the tests below all others that let nothing measurable out."""
    lowest = min(run.output for run in runs if run.flow > 2 * run.flow_u)
    return [run for run in runs if run.output >= lowest or run.flow > 2 * run.flow_u]


def _ends(model: Model, runs: Sequence[Run]) -> Ends:
    """What the tests show of where flow begins and where it stops rising."""
    flowing = _flowing(runs)
    outputs = {run.output for run in flowing}
    start = levels = None
    dry = [run.output for run in runs if run not in flowing]
    # a line that had to be steadied at the dry test shows no start of its own
    steadied = model.kind == "line" and dry and not _own_line(flowing, max(dry))
    if len(outputs) >= 3 and not steadied:
        start = (float(model.values[1]), float(model.covariance[1][1].sqrt()))
    level = model.kind == "saturating"
    if len(outputs) >= 4 and (level or max(run.output for run in runs) >= 90):
        levels = level
    return Ends(start, levels)


def _own_line(runs: Sequence[Run], dry: Decimal) -> bool:
    outputs = [run.output for run in runs]
    if max(outputs) - min(outputs) < 10:
        return False
    values = settled(runs, _line(runs), ASSUMED, None)[0]
    return values[1] > 0 and -values[0] / values[1] >= dry


def _told(own: int, fleet: Sequence[Scatter], given: Assumed) -> Assumed:
    """The assumptions with the scatter that the others tell of."""
    found = learned(own, fleet)
    if found is None:
        return given
    relative, dof = (Decimal(repr(value)) for value in found)
    return replace(given, repeatability=relative, prior_dof=dof)


def _flow_scatter(model: Model, runs: Sequence[Run]) -> Scatter:
    parameters = {"proportional": 1, "line": 2, "saturating": 3}[model.kind]
    pairs = [(run, model.flow(run.output)) for run in runs if run.flow > 0]
    rows = tuple(
        (float(run.flow / flow - 1), float(run.flow_u / flow)) for run, flow in pairs if flow > 0
    )
    return Scatter(rows, max(0, len(rows) - parameters))


def _count_scatter(model: Model, runs: Sequence[Run]) -> Scatter:
    if model.counts is None:
        return Scatter((), 0)
    rows = []
    for run in runs:
        if run.per_count and run.per_count_u:
            usual = model.counts.at(run.output)
            rows.append((float(run.per_count / usual - 1), float(run.per_count_u / usual)))
    return Scatter(tuple(rows), max(0, len(rows) - (1 if model.counts.line is None else 2)))
