"""The ratio of true to reported mass of each truck, integrated again.

The model, as the package's documents state it: t = ln(true / reported) of a truck is Student-t
(4 degrees of freedom) about its fleet's mean; a storm's tickets are Student-t (10) about the
truck's t, unless they lack a load or are wrong as such; what a hopper holds at the end of a storm
it may hold at the start of the next. The fleet's mean, the spread of its trucks and the scatter of
its storms are unknown and summed over; how often tickets are wrong or missing and hoppers left
full, the fleet's own tickets tell. Nothing of the package is imported; numpy adds up over t. The
grids of t and of fleets are others than the package's. Masses in lb.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import product
from statistics import NormalDist
from typing import TypeAlias

import numpy as np

Curve: TypeAlias = np.ndarray
"""A function of t, on `T`."""

STEP = 0.0024
T = STEP * np.arange(-500, 501)
RUN_REL, STORM_REL = 0.03, 0.02
SCATTERS = (0.2, 0.35, 0.5, 0.75, 1.0, 1.4, 2.0, 2.8)
WRONG = {0.02: 0.75, 0.1: 0.2, 0.3: 0.05}
LACKING = {0.01: 0.5, 0.065: 0.5}
LEFT = {(0.7, 0.2): 0.7, (0.2, 0.2): 0.15, (0.2, 0.9): 0.1, (0.5, 0.9): 0.05}
LACKS = {1: 0.77, 2: 0.23}
LEVELS = 6
LOAD_SIZE_REL = 0.15
Z = NormalDist().inv_cdf(0.975)


@dataclass
class Slip:
    """One truck's report and tickets of one storm."""

    truck: str
    reported: float
    loads: list[float]
    returned: float
    u: float
    left: float
    typical: float
    storm: str = ""
    emptied: bool = True
    largest: float = 0.0
    began: float = 0.0

    @property
    def net(self) -> float:
        return sum(self.loads) - self.returned


@dataclass
class Known:
    """Median, ends and standard uncertainty of a truck's t; p that tickets of a storm lack.

    ``scatter2`` : mean square of the factor on the scatter from storm to storm. ``carried`` : mean
    and standard deviation of what a storm's hopper opened with less what it closed with, as the
    other storms tell it. ``wrong`` : share of wrong tickets.
    """

    middle: float
    low: float
    high: float
    u: float
    fleet_u: float
    p_missing: dict[str, float]
    scatter2: float
    carried: dict[str, tuple[float, float]] = field(default_factory=dict)
    wrong: float = 0.02


def t10(z):  # type: ignore[no-untyped-def]
    """Density of Student's t, 10 degrees of freedom: 315 / (256 √10) (1 + z²/10)^(-11/2)."""
    return 315 / (256 * math.sqrt(10)) * (1 + z * z / 10) ** -5.5


def t4(z):  # type: ignore[no-untyped-def]
    """Density of Student's t, 4 degrees of freedom: 3/8 (1 + z²/4)^(-5/2)."""
    return 0.375 * (1 + z * z / 4) ** -2.5


def ticket_variance(division: float) -> float:
    """A net mass is a difference of two readings, each rectangular in one division (GUM 4.3.7)."""
    return 2 * division**2 / 12


def usual_scatter(loads: int) -> float:
    """Of ln ratio from storm to storm: run to run, which more loads average out, and the rest."""
    return math.hypot(RUN_REL / math.sqrt(max(loads, 1)), STORM_REL)


@dataclass(frozen=True)
class Habit:
    """How often tickets are wrong or missing, hoppers empty, and what is left carried."""

    wrong: float
    lacking: float
    empty: float
    carried: float
    begins: float


def tells(slip: Slip) -> bool:
    return bool(slip.loads) and slip.reported > 0


def near(slip: Slip, scatter: float, spread: float, u: float) -> Curve:
    """Density of a storm's report where so much was spread, give or take ``u``."""
    if spread <= 0:
        return np.zeros(T.size)
    sd = math.hypot(scatter * usual_scatter(len(slip.loads)), u / spread)
    return t10((math.log(spread / slip.reported) - T) / sd) / sd  # type: ignore[no-any-return]


def said(slip: Slip, scatter: float, more: int | None, spare: bool) -> tuple[Curve, Curve, Curve]:
    """Likelihood of a storm with so many levels more: nothing missing, some missing, wrong.

    ``spare`` : a level is not known better than within its bounds.
    """
    level = slip.largest / LEVELS
    spread = slip.net + (more or 0) * level
    of_level = 1.5 * level**2 / 12 if spare else 0.0
    whole = near(slip, scatter, spread, math.sqrt(slip.u**2 + of_level))
    lacking = np.zeros(T.size)
    for count, share in LACKS.items():
        of_loads = count * (LOAD_SIZE_REL * slip.typical) ** 2
        u = math.sqrt(slip.u**2 + of_level + of_loads)
        lacking = lacking + share * near(slip, scatter, spread + count * slip.typical, u)
    wrong = np.full(T.size, 0.5)
    if slip.net > 0:
        sd = math.hypot(scatter * usual_scatter(len(slip.loads)), 0.4 * slip.typical / slip.net)
        wrong = t4((math.log(slip.net / slip.reported) - T) / sd) / sd
    return whole, lacking, wrong


class Chain:
    """The storms of one truck in order of time, under one scatter; what they say is kept."""

    def __init__(self, slips: list[Slip], scatter: float, some_left: bool) -> None:
        self.slips = sorted(slips, key=lambda slip: slip.began)
        self.scatter, self.kept = scatter, {}
        self.opens = [some_left]
        self.opens += [not slip.emptied for slip in self.slips[:-1]]

    def like(self, n: int, i: int, k: int, habit: Habit, complete: bool = False) -> Curve:
        slip = self.slips[n]
        if not tells(slip):
            return np.ones(T.size)
        key = n, (None if i == k == 0 else i - k)
        if key not in self.kept:
            self.kept[key] = said(slip, self.scatter, key[1], key[1] is not None)
        whole, lacking, wrong = self.kept[key]
        more = 0.0 if complete else habit.lacking
        right = (1 - habit.lacking) * whole + more * lacking
        return np.maximum((1 - habit.wrong) * right + habit.wrong * wrong, 1e-9)

    def levels(self, unsure: bool) -> range:
        return range(LEVELS if unsure else 1)

    def ends(self, n: int, k: int, habit: Habit) -> float:
        if self.slips[n].emptied:
            return 1.0
        return habit.empty if k == 0 else (1 - habit.empty) / (LEVELS - 1)

    def start(self, habit: Habit) -> list[Curve]:
        full = habit.begins if self.opens[0] else 0.0
        rest = [np.full(T.size, full / (LEVELS - 1))] * (LEVELS - 1)
        return [np.full(T.size, 1 - full), *rest]

    def forward(self, opening: list[Curve], n: int, habit: Habit) -> list[Curve]:
        """From what a storm opens with to what the next one does."""
        closing = [np.zeros(T.size)] * LEVELS
        for k in self.levels(not self.slips[n].emptied):
            for i in self.levels(self.opens[n]):
                said_here = self.like(n, i, k, habit)
                closing[k] = closing[k] + self.ends(n, k, habit) * opening[i] * said_here
        stays = [habit.carried * one for one in closing]
        stays[0] = closing[0] + (1 - habit.carried) * sum(closing[1:])
        return stays

    def backward(self, after: list[Curve], n: int, habit: Habit) -> list[Curve]:
        """From what the later storms say of a storm's end to what they say of its start's."""
        opening = [np.zeros(T.size)] * LEVELS
        for k in self.levels(not self.slips[n].emptied):
            for i in self.levels(self.opens[n]):
                opening[i] = opening[i] + self.ends(n, k, habit) * after[k] * self.like(
                    n, i, k, habit
                )
        back = [habit.carried * one + (1 - habit.carried) * opening[0] for one in opening]
        back[0] = opening[0]
        return back

    def whole(self, habit: Habit) -> Curve:
        hopper = self.start(habit)
        for n in range(len(self.slips)):
            hopper = self.forward(hopper, n, habit)
        return sum(hopper)  # type: ignore[return-value]

    def single(self, n: int, habit: Habit) -> tuple[Curve, Curve, Curve, Curve, Curve]:
        """Of one storm: all, complete; total, sum and squares of what the others say it held."""
        before, after = self.start(habit), [np.ones(T.size)] * LEVELS
        for earlier in range(n):
            before = self.forward(before, earlier, habit)
        for later in range(len(self.slips) - 1, n, -1):
            after = self.backward(after, later, habit)
        level = self.slips[n].largest / LEVELS
        found = [np.zeros(T.size) for _ in range(5)]
        for k in self.levels(not self.slips[n].emptied):
            for i in self.levels(self.opens[n]):
                pair = self.ends(n, k, habit) * before[i] * after[k]
                spare = 0.0 if i == k == 0 else 0.125
                for place, value in enumerate(
                    (
                        self.like(n, i, k, habit),
                        self.like(n, i, k, habit, complete=True),
                        1.0,
                        (i - k) * level,
                        ((i - k) ** 2 + spare) * level**2,
                    )
                ):
                    found[place] = found[place] + pair * value
        return tuple(found)  # type: ignore[return-value]


def fleets() -> list[tuple[float, Curve]]:
    """Weight and distribution over `T` of each fleet thought possible."""
    found = []
    for k in range(-24, 25):
        mean = 0.3 * k / 24
        for j in range(12):
            spread = 0.01 * 30 ** (j / 11)
            weight = math.exp(-0.5 * (mean / 0.1) ** 2 - 0.5 * (spread / 0.1) ** 2) * spread
            density = t4((T - mean) / spread)
            found.append((weight, density / density.sum()))
    total = sum(weight for weight, _ in found)
    return [(weight / total, density) for weight, density in found]


def of_scatter(scatter: float) -> float:
    return -0.5 * (math.log(scatter) / 0.7) ** 2


def habit_of(chains: dict[float, dict[str, Chain]], slips: list[Slip]) -> Habit:
    """The mean habit of a fleet, each truck taken on its own."""
    left = [not slip.emptied for slip in slips]
    behind = LEFT if any(left) else {(1.0, 0.0): 1.0}
    alone = sum(weight * density for weight, density in fleets())
    weights, habits = [], []
    for wrong, lacking, (empty, carried) in product(WRONG, LACKING, behind):
        begins = 0.25 * sum(left) / len(left) * (1 - empty) * carried
        habit = Habit(wrong, lacking, empty, carried, begins)
        before = math.log(WRONG[wrong] * LACKING[lacking] * behind[empty, carried])
        for scatter, trucks in chains.items():
            evidence = sum(math.log(float(one.whole(habit) @ alone)) for one in trucks.values())
            weights.append(evidence + before + of_scatter(scatter))
            habits.append((wrong, lacking, empty, carried, begins))
    shares = np.exp(np.array(weights) - max(weights))
    return Habit(*(shares @ np.array(habits) / shares.sum()))


def know(slips: list[Slip]) -> dict[str, Known]:
    """What the tickets of one fleet say of each of its trucks."""
    by_truck: dict[str, list[Slip]] = {}
    for slip in slips:
        by_truck.setdefault(slip.truck, []).append(slip)
    some_left = any(not slip.emptied for slip in slips)
    chains = {
        scatter: {truck: Chain(mine, scatter, some_left) for truck, mine in by_truck.items()}
        for scatter in SCATTERS
    }
    habit = habit_of(chains, slips)
    kept = []
    for scatter, trucks in chains.items():
        plain = {truck: one.whole(habit) for truck, one in trucks.items()}
        for weight, density in fleets():
            evidence = {truck: float(density @ plain[truck]) for truck in trucks}
            log_weight = math.log(weight) + of_scatter(scatter)
            log_weight += sum(map(math.log, evidence.values()))
            kept.append((log_weight, scatter, density, plain, evidence))
    most = max(log_weight for log_weight, *_ in kept)
    kept = [one for one in kept if one[0] > most - 16]
    weights = [math.exp(one[0] - most) for one in kept]
    known = {truck: of_truck(truck, chains, habit, kept, weights) for truck in sorted(by_truck)}
    for one in known.values():
        one.wrong = habit.wrong
    return known


def tickets_alone(slip: Slip, known: Known) -> tuple[float, float] | None:
    """What a storm's tickets say of t, and the variance of that; None: nothing."""
    carried, carried_u = known.carried[slip.storm]
    net = slip.net + carried
    if not tells(slip) or net <= 0:
        return None
    return math.log(net / slip.reported), (slip.u**2 + carried_u**2) / net**2 + 0.003**2


def p_right(apart: float, scale: float, off: float, wrong: float) -> float:
    """Probability that tickets so far from the truck's season are right; wrong ones are ``off``."""
    good = (1 - wrong) * t10(apart / scale) / scale
    wide = math.hypot(scale, off)
    return float(good / (good + wrong * t4(apart / wide) / wide))


def of_truck(truck, chains, habit, kept, weights) -> Known:  # type: ignore[no-untyped-def]
    """Sum over fleets and scatters of one truck's distribution."""
    total = sum(weights)
    density, by_scatter = np.zeros(T.size), {}
    means = []
    for weight, (_, scatter, prior, plain, evidence) in zip(weights, kept, strict=True):
        part = prior * plain[truck]
        share = weight / total / evidence[truck]
        means.append((weight / total, float(part @ T) / evidence[truck]))
        mine = by_scatter.setdefault(scatter, np.zeros(T.size))
        density += share * part
        mine += share * part
    missing, carried = {}, {}
    for n, slip in enumerate(chains[SCATTERS[0]][truck].slips):
        lacks, held = 0.0, np.zeros(3)
        for scatter, mine in by_scatter.items():
            whole, complete, *others = chains[scatter][truck].single(n, habit)
            lacks += float((mine * (1 - complete / whole)).sum())
            held += [float((mine / whole * one).sum()) for one in others]
        mean = held[1] / held[0]
        missing[slip.storm] = lacks
        carried[slip.storm] = mean, math.sqrt(max(held[2] / held[0] - mean**2, 0.0))
    middle = sum(w * m for w, m in means)
    scatter2 = sum(w / total * one[1] ** 2 for w, one in zip(weights, kept, strict=True))
    fleet_u = math.sqrt(max(sum(w * m * m for w, m in means) - middle**2, 0.0))
    low, median, high = (quantile(density, share) for share in (0.025, 0.5, 0.975))
    u = max(high - median, median - low) / Z
    return Known(median, low, high, u, fleet_u, missing, scatter2, carried)


def quantile(density: Curve, share: float) -> float:
    """Where the cumulative distribution reaches a share; linear between midpoints of steps."""
    before = 0.0
    for k, value in enumerate(density):
        reached = before + value / 2
        if reached >= share:
            previous = before - density[k - 1] / 2
            return float(T[k] - STEP * (reached - share) / (reached - previous))
        before += value
    raise AssertionError("the distribution does not add up")


def this_storm(known: Known, slip: Slip, storm: str) -> tuple[float, float, float]:
    """Mean and standard uncertainty of ln ratio of one storm, and the part of the fleet's mean.

    The truck's season (m, V), the storm's tickets (y, w) and the scatter from storm to storm.
    """
    m, v, t2 = known.middle, known.u**2, known.scatter2 * usual_scatter(len(slip.loads)) ** 2
    y, w2, right, b = m, 1.0, 0.0, 0.0
    alone = tickets_alone(slip, known)
    if alone is not None:
        y, w2 = alone
        off = 0.4 * slip.typical / slip.net if slip.net > 0 else 0.0
        right = p_right(y - m, math.sqrt(t2 + v + w2), off, known.wrong)
        if y < m:
            right = max(right, 0.3)  # the hopper may have run empty
        right *= 1 - known.p_missing[storm]
        b = t2 / (t2 + w2)
    combined = (1 - b) * m + b * y
    middle = right * combined + (1 - right) * m
    variance = (
        right * ((1 - b) ** 2 * v + b * w2)
        + (1 - right) * (v + t2)
        + right * (1 - right) * (combined - m) ** 2
    )
    u = math.sqrt(variance)
    return middle, u, min(known.fleet_u * (1 - right * b), u)
