"""The plan of a storm worked out a second time, row by row and in decimals.

What is a choice of the program (which gate, which of several settings that serve) is taken from
its own result and held against the rule that defines it; all else is computed here.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

from tests.clock.plain_roads import PlainRoads, Spot
from tests.clock.plain_roads import miles as miles_between
from tests.differential.plan_calibration import Model
from tests.differential.plan_files import (
    FT,
    KG,
    Files,
    decimal,
    fahrenheit,
    moment,
    quantity,
    rates,
)
from tests.differential.plan_numbers import ONE, ZERO, quadratic, student_factor
from tests.differential.plan_roads import Part, Point, parts_of

UNTESTED_U = Decimal("0.2")
"""A wrong setting can be off by up to 40 %, taken as 95 % limit: UK National Winter Service
Research Group, Calibrate, check, recalibrate."""

TRAVEL_MPH, RELOAD_MIN, TOUCH_MI = 30.0, Decimal(10), 0.05
NEAR = Decimal("0.02")
TINY = Decimal("1e-9")


@dataclass(frozen=True)
class Round:
    """One application with its phase."""

    label: str
    phase: str
    start: datetime | None


@dataclass(frozen=True)
class Stretch:
    """One part of a segment with who treats it."""

    route: str
    segment: str
    number: int
    part: Part
    line: list[Point]
    lanes: Decimal
    passes: Decimal
    width_ft: Decimal
    speed: Decimal
    two_way: bool
    service_class: str
    zone: str
    truck: str
    yard: str
    material: str
    prewet: Decimal

    @property
    def miles(self) -> Decimal:
        """Length of the part."""
        return Decimal(repr(self.part.to_mi - self.part.from_mi))

    @property
    def lane_miles(self) -> Decimal:
        """Lane-miles to treat, all passes together."""
        return self.miles * self.lanes

    @property
    def per_rate(self) -> Decimal:
        """lb/min for each lb per lane-mile: lanes of one pass times miles per minute."""
        return self.lanes / self.passes * self.speed / 60


@dataclass
class Target:
    """What a stretch needs in a round."""

    round: Round
    stretch: Stretch
    rate: Decimal | None
    cap: Decimal | None
    source: str

    @property
    def need(self) -> Decimal | None:
        """Discharge needed, lb/min."""
        return None if self.rate is None else self.rate * self.stretch.per_rate


def rounds_of(files: Files, storm: str) -> list[Round]:
    """The rounds in order of their start; forecast rows without one are numbered in their zone."""
    starts: dict[str, list[datetime]] = defaultdict(list)
    for row in [*labelled(files, storm), *files.table(f"storms/{storm}/rates.csv")]:
        if row.get("application", "") not in ("", "*"):
            begin = moment(row.get("start"), files.zone)
            starts[row["application"]] += [begin] if begin else []
    far = datetime.max.replace(tzinfo=files.zone)

    def key(label: str) -> tuple[datetime, int, str]:
        return (min(starts[label], default=far), int(label) if label.isdigit() else 10**9, label)

    order = sorted(starts, key=key)
    return [
        Round(label, "subsequent" if place else "initial", min(starts[label], default=None))
        for place, label in enumerate(order)
    ]


def labelled(files: Files, storm: str) -> list[dict[str, str]]:
    """Forecast rows, each with its round."""
    rows = files.table(f"storms/{storm}/forecast.csv")
    rows.sort(key=lambda row: moment(row["start"], files.zone) or datetime.max)
    number: dict[str, int] = defaultdict(int)
    for row in rows:
        if not row.get("application"):
            number[row["zone"]] += 1
            row["application"] = str(number[row["zone"]])
    return rows


def stretches_of(files: Files) -> list[Stretch]:
    """Every part of every segment in driving order; who treats it comes with the round."""
    areas = {
        str(f["properties"]["area_id"]): [
            (float(x), float(y)) for x, y in f["geometry"]["coordinates"][0]
        ]
        for f in files.features("sensitive_areas.geojson")
    }
    reference = quantity(files.toml, "lane_width", "feet") or Decimal(12)
    rows = []
    for place, feature in enumerate(files.features("routes.geojson")):
        row = feature["properties"]
        line = [(float(x), float(y)) for x, y in feature["geometry"]["coordinates"]]
        speed = quantity(row, "speed", "speed")
        assert speed
        for number, part in enumerate(parts_of(line, areas), start=1):
            stretch = Stretch(
                str(row["route_id"]),
                str(row["segment_id"]),
                number,
                part,
                line,
                Decimal(row["lanes"]),
                decimal(row.get("passes")) or ONE,
                quantity(row, "lane_width", "feet") or reference,
                speed,
                row.get("two_way") is not False,
                str(row.get("service_class") or ""),
                str(row.get("zone") or ""),
                "",
                "",
                "",
                ZERO,
            )
            rows.append(
                (str(row["route_id"]), decimal(row.get("sequence")), place, number, stretch)
            )
    rows.sort(key=lambda r: (r[0], r[1] if r[1] is not None else Decimal(10**9), r[2], r[3]))
    return [row[-1] for row in rows]


def whose(stretch: Stretch, who: dict[str, dict[str, str]]) -> Stretch:
    """A stretch with the row of its route."""
    row = who.get(stretch.route, {})
    return replace(
        stretch,
        truck=row.get("truck_id", ""),
        yard=row.get("yard_id", ""),
        material=row.get("material", ""),
        prewet=quantity(row, "prewet", "per_mass") or ZERO,
    )


def who_treats(files: Files, storm: str, until: Sequence[str]) -> dict[str, dict[str, str]]:
    """Route → row in force at the last of these rounds: each later one may take routes over."""
    rows = {row["route_id"]: row for row in files.table("assignments.csv")}
    own = files.table(f"storms/{storm}/assignments.csv")
    for since in ("", *until):
        rows |= {row["route_id"]: row for row in own if row["from_application"] == since}
    return rows


Base = tuple[dict[str, Decimal], str]


def planners_rate(files: Files, storm: str, route: str, label: str) -> Base | None:
    """The planner's own rate: the route's row before "*", the round's before one for all."""
    best: tuple[int, Base] | None = None
    for number, row in enumerate(files.table(f"storms/{storm}/rates.csv"), start=2):
        found = rates(row)
        if not found or row["route_id"] not in (route, "*"):
            continue
        if row.get("application", "") not in (label, "", "*"):
            continue
        level = 2 * (row["route_id"] == route) + (row.get("application") == label)
        if best is None or level > best[0]:
            best = (level, (found, f"planner (rates.csv row {number})"))
    return best[1] if best else None


def weather(rows: Sequence[dict[str, str]], zone: str, label: str) -> dict[str, str] | None:
    """The forecast of a zone in a round, its own before "*"; of several the coldest."""
    for wanted in (zone, "*"):
        mine = [row for row in rows if row["zone"] == wanted and row["application"] == label]
        if mine:
            return min(mine, key=lambda row: fahrenheit(row, "pavement_temp") or ZERO)
    return None


def policy_rate(
    files: Files, sky: dict[str, str], stretch: Stretch, phase: str, pick: str
) -> Base | None:
    """The most specific row of the policy; where two share a border, the colder one."""
    temp = fahrenheit(sky, "pavement_temp")
    assert temp is not None
    asked = {
        "event": sky["event"],
        "trend": sky.get("trend", ""),
        "phase": phase,
        "service_class": stretch.service_class,
        "material": stretch.material,
    }
    held: list[tuple[int, bool, int, dict[str, Any]]] = []
    for number, row in enumerate(files.policy.get("rate", []), start=1):
        low, high = fahrenheit(row, "pavement_temp_min"), fahrenheit(row, "pavement_temp_max")
        stated = {name: str(row.get(name, "")) for name in asked}
        stated = {name: text for name, text in stated.items() if text not in ("", "*")}
        if not stretch.material:  # nobody is assigned: the policy is asked about any material
            asked["material"] = stated.get("material", "")
        fits = all(text.casefold() == asked[name].casefold() for name, text in stated.items())
        if fits and (low is None or low <= temp) and (high is None or temp <= high):
            held.append((-len(stated), low == temp, number, row))
    if not held:
        return None
    if any(fahrenheit(row, "pavement_temp_max") == temp for *_, row in held):
        held = [each for each in held if not each[1]]
    if pick == "by_round":
        pick = "middle" if phase == "initial" else "low"
    _, _, number, row = min(held, key=lambda each: each[:3])
    found = {}
    for kind, value in rates(row).items():
        low, high = value if isinstance(value, list) else (value, value)
        found[kind] = {"low": low, "middle": (low + high) / 2, "high": high}[pick]
    return found, f"policy row {number}: "


def on_lane(files: Files, base: dict[str, Decimal], stretch: Stretch) -> Decimal | None:
    """A rate in any basis as lb per lane-mile of the stretch's own lane."""
    if "area_rate" in base:  # g/m2 over a lane of this width and one mile
        square_metres = stretch.width_ft / FT * Decimal("1609.344")
        return base["area_rate"] * square_metres / 1000 * KG
    reference = quantity(files.toml, "lane_width", "feet") or Decimal(12)
    scaled = files.policy.get("width", {}).get("scale_by_lane_width", False)
    factor = stretch.width_ft / reference if scaled else ONE
    if "lane_rate" in base:
        return base["lane_rate"] * factor
    for row in files.table("materials.csv"):
        density = quantity(row, "density", "density")
        if row["material"] == stretch.material and density:
            return base["liquid_rate"] * density * factor
    return None


def lowered(
    files: Files, rate: Decimal | None, stretch: Stretch
) -> tuple[Decimal | None, Decimal | None]:
    """The rate in sensitive areas, min(rate x factor, cap), and the lowest cap."""
    usual = Decimal(str(files.policy.get("sensitive", {}).get("factor", 1)))
    cap, least = None, ONE * 10**6
    for feature in files.features("sensitive_areas.geojson"):
        row = feature["properties"]
        if str(row["area_id"]) in stretch.part.areas:
            factor = decimal(row.get("rate_factor"))
            least = min(least, usual if factor is None else factor)
            most = quantity(row, "max_rate", "lane_rate")
            cap = most if cap is None else cap if most is None else min(cap, most)
    if rate is not None and stretch.part.areas:
        rate = rate * least
        rate = rate if cap is None else min(rate, cap)
    return rate, cap


def targets_of(files: Files, storm: str, pick: str = "middle") -> list[Target]:
    """Every part in every round with its target rate and where that comes from."""
    sky_rows, stretches = labelled(files, storm), stretches_of(files)
    result = []
    rounds = rounds_of(files, storm)
    for place, each in enumerate(rounds):
        who = who_treats(files, storm, [one.label for one in rounds[: place + 1]])
        for stretch in (whose(one, who) for one in stretches):
            base = planners_rate(files, storm, stretch.route, each.label)
            if base is None:
                sky = weather(sky_rows, stretch.zone, each.label)
                base = policy_rate(files, sky, stretch, each.phase, pick) if sky else None
            rate = on_lane(files, base[0], stretch) if base else None
            rate, cap = lowered(files, rate, stretch)
            result.append(Target(each, stretch, rate, cap, base[1] if base else ""))
    return result


# --- settings ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Control:
    """What a truck's feeder can be set to."""

    closed: bool
    least: Decimal
    most: Decimal
    step: Decimal

    @classmethod
    def of(cls, row: dict[str, str]) -> Control:
        """From a row of trucks.csv, with the contract's optional columns."""
        return cls(
            row["control"] == "closed_loop",
            decimal(row.get("min_feeder_pct")) or ZERO,
            decimal(row.get("max_feeder_pct")) or Decimal(100),
            decimal(row.get("control_step_pct")) or ONE,
        )

    def grid(self) -> list[Decimal]:
        """Settings of an open loop."""
        steps = int((self.most - self.least) / self.step + TINY)
        return [self.least + self.step * n for n in range(steps + 1)]


@dataclass(frozen=True)
class Served:
    """How one gate would serve one need."""

    model: Model
    output: Decimal
    flow: Decimal
    allowed: tuple[Decimal, ...]
    unable: bool
    beyond: bool
    doubtful: bool


def doubtful(model: Model, control: Control, output: Decimal) -> bool:
    """Whether one run is known no better at an output than of a truck without any test."""
    flow = model.flow(output)
    if flow == 0:
        return False
    if control.closed:
        assert model.counts
        relative = model.counts.relative_u(output)
    else:
        relative = model.flow_u(output) / flow
    both = (relative**2 + model.repeatability**2 + model.day_sd**2).sqrt()
    return student_factor(float(model.mass_dof)) * both >= student_factor(math.inf) * UNTESTED_U


def serve(model: Model, control: Control, need: Decimal, cap_flow: Decimal | None) -> Served:
    """What comes of a need at a gate: exactly (closed loop) or at the best settings (open)."""
    least, most = model.flow(control.least), model.flow(control.most)
    if control.closed:
        unable = need > most * (1 + TINY) or need < least * (1 - TINY)
        flow = min(max(need, least), most)
        if need > most * (1 + TINY):
            output = control.most
        elif need < least * (1 - TINY):
            output = control.least
        else:
            output = min(max(model.output_for(flow), control.least), control.most)
        doubt = doubtful(model, control, output)
        return Served(model, output, flow, (), unable or doubt, model.beyond(output), doubt)
    grid = [x for x in control.grid() if model.flow(x) > 0]
    if not grid:
        return Served(model, ZERO, ZERO, (), True, False, False)
    under_cap = [x for x in grid if cap_flow is None or model.flow(x) <= cap_flow * (1 + TINY)]
    pool = under_cap or grid[:1]
    nearest = min(pool, key=lambda x: abs(model.flow(x) - need))
    close = tuple(
        x
        for x in pool
        if need * (1 - NEAR) * (1 - TINY) <= model.flow(x) <= need * (1 + NEAR) * (1 + TINY)
    )
    top, bottom = model.flow(grid[-1]), model.flow(grid[0])
    unable = need > top * (1 + NEAR) or need < bottom * (1 - NEAR) or not under_cap
    doubt = doubtful(model, control, nearest)
    return Served(
        model,
        nearest,
        model.flow(nearest),
        close or (nearest,),
        unable or doubt,
        model.beyond(nearest),
        doubt,
    )


def score(
    served: Sequence[Served | None],
    needs: Sequence[Decimal],
    weights: Sequence[Decimal],
    control: Control,
) -> tuple[float, float, float, float]:
    """Rule for the gate: unable, untested, error in whole percent, distance from the middle.

    None stands for a row whose material was not tested at the gate.
    """
    total = sum(weights, ZERO)
    middle = (control.least + control.most) / 2

    def mean(values: Sequence[Decimal]) -> Decimal:
        return sum((v * w for v, w in zip(values, weights, strict=True)), ZERO) / total

    errors = [(s.flow / n - 1) ** 2 if s else ZERO for s, n in zip(served, needs, strict=True)]
    return (
        float(mean([Decimal(s is None or s.unable) for s in served])),
        float(mean([Decimal(s is not None and s.beyond and not s.unable) for s in served])),
        float(mean(errors).sqrt()),
        float(mean([abs(s.output - middle) if s else ZERO for s in served])),
    )


# --- masses -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Piece:
    """The mass of one row and how sure it is."""

    key: tuple[Any, ...]
    run: tuple[str, str]
    mass: Decimal
    change: tuple[Decimal, ...]
    """Change of the mass with each parameter of the calibration, times one standard unit each."""
    covariance: tuple[tuple[Decimal, ...], ...]
    run_u: Decimal
    dof: float


def piece(
    target: Target,
    mass: Decimal,
    model: Model | None,
    control: Control | None,
    output: Decimal | None,
) -> Piece:
    """How one row's mass depends on what is uncertain about its truck."""
    stretch = target.stretch
    run = (target.round.label, stretch.route)
    one = ((ONE,),)
    if model is None or control is None or output is None:
        key = (stretch.truck, stretch.material, None)
        return Piece(key, run, mass, (mass * UNTESTED_U,), one, ZERO, math.inf)
    key = (stretch.truck, stretch.material, model.gate)
    run_u, dof = mass * model.repeatability, float(model.mass_dof)
    if control.closed:
        assert model.counts
        both = (mass * model.counts.relative_u(output), mass * model.day_sd)
        return Piece(key, run, mass, both, ((ONE, ZERO), (ZERO, ONE)), run_u, dof)
    flow = model.flow(output)
    # a storm is on another day than the tests; beyond them the feeder may rise no more
    day = model.day_sd**2 + (model.form_u(output) / flow) ** 2 if flow else model.day_sd**2
    common = mass * day.sqrt()
    size = len(model.covariance)
    rows = [(*row, ZERO) for row in model.covariance]
    covariance = (*rows, (*([ZERO] * size), ONE))
    if flow == 0:
        nowhere = ((ONE, ZERO), (ZERO, ONE))
        return Piece(key, run, mass, (mass * UNTESTED_U, common), nowhere, run_u, dof)
    change = (*(mass * g / flow for g in model.gradient(output)), common)
    return Piece(key, run, mass, change, covariance, run_u, dof)


def summed(pieces: Sequence[Piece]) -> tuple[Decimal, Decimal, Decimal]:
    """Mass and 95 % interval of a sum.

    A calibration's error is common to all that is spread with it, a run's deviation to the run;
    trucks are independent. JCGM 100:2008, 5.2 and G.4 (Welch-Satterthwaite).
    """
    by_model: dict[Any, list[Piece]] = defaultdict(list)
    for each in pieces:
        by_model[each.key].append(each)
    variance, shares = ZERO, 0.0
    for mine in by_model.values():
        change = [sum(column, ZERO) for column in zip(*(p.change for p in mine), strict=True)]
        found = quadratic(change, mine[0].covariance)
        by_run: dict[Any, Decimal] = defaultdict(Decimal)
        for each in mine:
            by_run[each.run] += each.run_u
        found += sum((u**2 for u in by_run.values()), ZERO)
        variance += found
        shares += float(found) ** 2 / mine[0].dof
    mass = sum((each.mass for each in pieces), ZERO)
    dof = float(variance) ** 2 / shares if shares > 0 else math.inf
    half = student_factor(dof) * variance.sqrt()
    return mass, max(mass - half, ZERO), mass + half


# --- loads and times --------------------------------------------------------------------------


@dataclass(frozen=True)
class Trip:
    """Loads and minutes of a run."""

    load_lb: Decimal
    loads: int
    spreading: float
    reloading: float
    travel: float


def trip(files: Files, rows: Sequence[tuple[Stretch, Decimal]]) -> Trip:
    """Drive a run: full at the yard, empty where the hopper runs out, home at the end."""
    first = rows[0][0]
    truck = {row["truck_id"]: row for row in files.table("trucks.csv")}[first.truck]
    yard = {row["yard_id"]: row for row in files.table("yards.csv")}[first.yard]
    solid = {row["material"]: row["kind"] for row in files.table("materials.csv")}
    load = quantity(truck, "capacity", "mass")
    assert load
    tank = quantity(truck, "prewet_tank", "volume")
    if tank and first.prewet and solid[first.material] == "solid":
        load = min(load, tank / first.prewet * 2000)
    total = sum((mass for _, mass in rows), ZERO)
    if total == 0:
        return Trip(load, 0, 0.0, 0.0, 0.0)
    loads = max(1, math.ceil(total / load - TINY))
    roads, number = _roads(str(files.folder))
    home = roads.beside((float(yard["lon"]), float(yard["lat"])))

    def spot(stretch: Stretch, miles: float) -> Spot:
        return roads.spot(number[stretch.route, stretch.segment], miles)

    last = rows[-1][0]
    back = last.two_way and last.passes % 2 == 0
    way = roads.way(home, spot(first, first.part.from_mi))
    way += roads.way(spot(last, last.part.from_mi if back else last.part.to_mi), home)
    for (before, _), (after, _) in pairwise(rows):
        way += _gap(roads, before, after, spot)
    for nth in range(1, loads):
        empty = spot(*_empty_at(rows, load * nth))
        way += roads.way(home, empty) + roads.way(empty, home)
    speed = quantity(truck, "travel_speed", "speed")
    spreading = sum(float(s.miles * s.passes / s.speed * 60) for s, _ in rows)
    wait = quantity(yard, "reload", "minutes")
    reloading = float((loads - 1) * (RELOAD_MIN if wait is None else wait))
    mph = TRAVEL_MPH if speed is None else float(speed)
    return Trip(load, loads, spreading, reloading, way / mph * 60.0)


@cache
def _roads(folder: str) -> tuple[PlainRoads, dict[tuple[str, str], int]]:
    """The roads of a workspace, and the number of each segment's line."""
    features = Files(Path(folder)).features("routes.geojson")
    lines = [[(float(x), float(y)) for x, y, *_ in f["geometry"]["coordinates"]] for f in features]
    facts = [feature["properties"] for feature in features]
    names = [(str(fact["route_id"]), str(fact["segment_id"])) for fact in facts]
    two_way = [fact.get("two_way") is not False for fact in facts]
    return PlainRoads(lines, two_way), {name: place for place, name in enumerate(names)}


def _gap(
    roads: PlainRoads, before: Stretch, after: Stretch, spot: Callable[[Stretch, float], Spot]
) -> float:
    """The way between parts that lie apart, from the nearer end of each that may be used."""
    outs = [before.part.to_mi, *([before.part.from_mi] if before.two_way else [])]
    intos = [after.part.from_mi, *([after.part.to_mi] if after.two_way else [])]
    pairs = [(spot(before, out), spot(after, into)) for into in intos for out in outs]
    away, out, into = min(
        ((miles_between(a.point, b.point), a, b) for a, b in pairs), key=lambda one: one[0]
    )
    return roads.way(out, into) if away > TOUCH_MI else 0.0


def _empty_at(rows: Sequence[tuple[Stretch, Decimal]], spread: Decimal) -> tuple[Stretch, float]:
    """Where a mass has been spread, pass by pass."""
    for stretch, mass in rows:
        if mass > 0 and spread <= mass:
            driven = spread / mass * stretch.passes
            whole = min(int(driven), int(stretch.passes) - 1)
            miles = float((driven - whole) * stretch.miles)
            if stretch.two_way and whole % 2 == 1:
                miles = float(stretch.miles) - miles
            return stretch, stretch.part.from_mi + miles
        spread -= mass
    return rows[-1][0], rows[-1][0].part.to_mi


# --- stock ------------------------------------------------------------------------------------


def on_hand(
    files: Files, storm: str, yard: str, material: str, until: datetime | None
) -> Decimal | None:
    """The last count up to the storm's start, and what came and went since, lb."""

    def at(row: dict[str, str], column: str) -> datetime:
        when = moment(row[column], files.zone)
        assert when
        return when

    def mine(row: dict[str, str]) -> bool:
        return row["yard_id"] == yard and row["material"] == material

    counts = [r for r in files.table("stock_counts.csv") if mine(r)]
    counts = [r for r in counts if until is None or at(r, "counted_at") <= until]
    if not counts:
        return None
    latest = max(counts, key=lambda row: at(row, "counted_at"))
    counted, total = at(latest, "counted_at"), quantity(latest, "on_hand", "mass") or ZERO
    moves = [("deliveries.csv", "delivered_at", 1)]
    for other in files.storms():
        if other != storm:
            moves.append((f"storms/{other}/loads.csv", "loaded_at", -1))
            moves.append((f"storms/{other}/returns.csv", "returned_at", 1))
    for name, column, sign in moves:
        for row in files.table(name):
            when = at(row, column)
            if mine(row) and when > counted and (until is None or when <= until):
                total += sign * (quantity(row, "net", "mass") or ZERO)
    return total


def start_of(rounds: Sequence[Round]) -> datetime | None:
    """When the storm's first round starts, and so when tests must count."""
    return min((each.start for each in rounds if each.start), default=None)
