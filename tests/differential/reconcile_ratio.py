"""The ratio of true to reported mass of each truck, integrated again in plain Python.

The model, as the package's documents state it: t = ln(true / reported) of a truck is Student-t
(4 degrees of freedom) about its fleet's mean; a storm's tickets are Student-t about the truck's t;
the fleet's mean, the spread of its trucks and the scatter of its storms are unknown and summed
over. The grids here are others than the package's, and what is left in a hopper is integrated
finely. Masses in lb.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from operator import mul
from statistics import NormalDist

STEP = 0.006
T = [STEP * k for k in range(-200, 201)]
RUN_REL, STORM_REL = 0.03, 0.02
SCATTERS = (0.2, 0.35, 0.5, 0.75, 1.0, 1.4, 2.0, 2.8)
EMPTY, MISSING = 0.7, {1: 0.05, 2: 0.015}
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

    @property
    def net(self) -> float:
        return sum(self.loads) - self.returned


@dataclass
class Known:
    """Median, ends and standard uncertainty of a truck's t; p that tickets of a storm lack.

    ``scatter2`` : mean square of the factor on the scatter from storm to storm.
    """

    middle: float
    low: float
    high: float
    u: float
    fleet_u: float
    p_missing: dict[str, float]
    scatter2: float
    wrong: float = 0.02


def t10(z: float) -> float:
    """Density of Student's t, 10 degrees of freedom: 315 / (256 √10) (1 + z²/10)^(-11/2)."""
    return 315 / (256 * math.sqrt(10)) * (1 + z * z / 10) ** -5.5


def t4(z: float) -> float:
    """Density of Student's t, 4 degrees of freedom: 3/8 (1 + z²/4)^(-5/2)."""
    return 0.375 * (1 + z * z / 4) ** -2.5


def ticket_variance(division: float) -> float:
    """A net mass is a difference of two readings, each rectangular in one division (GUM 4.3.7)."""
    return 2 * division**2 / 12


def usual_scatter(loads: int) -> float:
    """Of ln ratio from storm to storm: run to run, which more loads average out, and the rest."""
    return math.hypot(RUN_REL / math.sqrt(max(loads, 1)), STORM_REL)


def storm_likelihood(slip: Slip, scatter: float) -> tuple[list[float], list[float]]:
    """Over `T`: the likelihood with all load tickets there, and with some missing."""
    n = len(slip.loads)
    if n == 0 or slip.reported <= 0:
        return [1.0] * len(T), [0.0] * len(T)
    run = scatter * usual_scatter(n)

    def at(share: float, spread: float, more_u: float) -> list[float]:
        if spread <= 0:
            return [0.0] * len(T)
        sd = math.hypot(run, math.hypot(slip.u, more_u) / spread)
        value = math.log(spread / slip.reported)
        return [share * t4((value - t) / sd) / sd for t in T]

    empty = EMPTY if slip.left else 1.0
    lefts = [(k + 0.5) / 40 for k in range(40)] if slip.left else []
    whole = 1 - sum(MISSING.values())
    cases = [at(whole * empty, slip.net, 0.0)]
    cases += [
        at(whole * (1 - empty) / 40, slip.net - part * slip.left, slip.left / 40 / math.sqrt(12))
        for part in lefts
    ]
    lacking = []
    for count, share in MISSING.items():
        more, more_u = count * slip.typical, LOAD_SIZE_REL * math.sqrt(count) * slip.typical
        lacking.append(at(share * empty, slip.net + more, more_u))
        if slip.left:
            both = math.hypot(more_u, slip.left / math.sqrt(12))
            lacking.append(at(share * (1 - empty), slip.net + more - slip.left / 2, both))
    complete = [max(sum(values), 1e-9) for values in zip(*cases, strict=True)]
    return complete, [sum(values) for values in zip(*lacking, strict=True)]


def fleets() -> list[tuple[float, list[float]]]:
    """Weight and distribution over `T` of each fleet thought possible."""
    found = []
    for k in range(-24, 25):
        mean = 0.3 * k / 24
        for j in range(12):
            spread = 0.01 * 30 ** (j / 11)
            weight = math.exp(-0.5 * (mean / 0.1) ** 2 - 0.5 * (spread / 0.1) ** 2) * spread
            density = [t4((t - mean) / spread) for t in T]
            total = sum(density)
            found.append((weight, [value / total for value in density]))
    return found


def dot(a: list[float], b: list[float]) -> float:
    return sum(map(mul, a, b))


def know(slips: list[Slip]) -> dict[str, Known]:
    """What the tickets of one fleet say of each of its trucks."""
    trucks = sorted({slip.truck for slip in slips})
    possible = fleets()
    kept = []
    for scatter in SCATTERS:
        like = {truck: [0.0] * len(T) for truck in trucks}
        for slip in slips:
            complete, lacking = storm_likelihood(slip, scatter)
            logs = (math.log(a + b) for a, b in zip(complete, lacking, strict=True))
            like[slip.truck] = [a + b for a, b in zip(like[slip.truck], logs, strict=True)]
        tops = {truck: max(like[truck]) for truck in trucks}
        plain = {truck: [math.exp(v - tops[truck]) for v in like[truck]] for truck in trucks}
        prior = -0.5 * (math.log(scatter) / 0.7) ** 2 + sum(tops.values())
        for weight, density in possible:
            said = {truck: dot(density, plain[truck]) for truck in trucks}
            log_weight = math.log(weight) + prior + sum(map(math.log, said.values()))
            kept.append((log_weight, scatter, density, plain, said))
    most = max(log_weight for log_weight, *_ in kept)
    kept = [one for one in kept if one[0] > most - 16]
    weights = [math.exp(one[0] - most) for one in kept]
    total = sum(weights)
    known = {truck: of_truck(truck, slips, kept, weights, total) for truck in trucks}
    share = wrong_share(slips, known)
    for one in known.values():
        one.wrong = share
    return known


def tickets_alone(slip: Slip) -> tuple[float, float] | None:
    """What a storm's tickets say of t, and the variance of that; None: nothing."""
    still = (1 - EMPTY) * slip.left / 2
    net = slip.net - still
    if not slip.loads or slip.reported <= 0 or net <= 0:
        return None
    variance = slip.u**2 + (1 - EMPTY) * slip.left**2 / 3 - still**2
    return math.log(net / slip.reported), variance / net**2 + 0.003**2


def p_right(apart: float, scale: float, wrong: float) -> float:
    """Probability that tickets so far from the truck's season are right."""
    good = (1 - wrong) * t10(apart / scale) / scale
    return good / (good + wrong * 0.5)


def wrong_share(slips: list[Slip], known: dict[str, Known]) -> float:
    """Share of wrong tickets in the fleet: 2 % worth fifty storms, and what its own ones say."""
    told = []
    for slip in slips:
        said, one = tickets_alone(slip), known[slip.truck]
        if said is not None:
            t2 = one.scatter2 * usual_scatter(len(slip.loads)) ** 2
            told.append((said[0] - one.middle, math.sqrt(t2 + one.u**2 + said[1])))
    share = 0.02
    for _ in range(200):
        wrong = sum(1 - p_right(apart, scale, share) for apart, scale in told)
        share = (1 + wrong) / (50 + len(told))
    return share


def of_truck(truck, slips, kept, weights, total) -> Known:  # type: ignore[no-untyped-def]
    """Sum over fleets and scatters of one truck's distribution."""
    density, by_scatter = [0.0] * len(T), {}
    means = []
    for weight, (_, scatter, prior, plain, said) in zip(weights, kept, strict=True):
        part = [a * b for a, b in zip(prior, plain[truck], strict=True)]
        share = weight / total / said[truck]
        means.append((weight / total, dot(part, T) / said[truck]))
        mine = by_scatter.setdefault(scatter, [0.0] * len(T))
        for k, value in enumerate(part):
            density[k] += share * value
            mine[k] += share * value
    missing = {}
    for slip in slips:
        if slip.truck == truck:
            p = 0.0
            for scatter, mine in by_scatter.items():
                complete, lacking = storm_likelihood(slip, scatter)
                p += sum(m * b / (a + b) for m, a, b in zip(mine, complete, lacking, strict=True))
            missing[slip.storm] = p
    middle = sum(w * m for w, m in means)
    scatter2 = sum(w / total * one[1] ** 2 for w, one in zip(weights, kept, strict=True))
    fleet_u = math.sqrt(max(sum(w * m * m for w, m in means) - middle**2, 0.0))
    low, median, high = (quantile(density, share) for share in (0.025, 0.5, 0.975))
    return Known(
        median, low, high, max(high - median, median - low) / Z, fleet_u, missing, scatter2
    )


def quantile(density: list[float], share: float) -> float:
    """Where the cumulative distribution reaches a share; linear between midpoints of steps."""
    before = 0.0
    for k, value in enumerate(density):
        reached = before + value / 2
        if reached >= share:
            previous = before - density[k - 1] / 2
            return T[k] - STEP * (reached - share) / (reached - previous)
        before += value
    raise AssertionError("the distribution does not add up")


def this_storm(known: Known, slip: Slip, storm: str) -> tuple[float, float, float]:
    """Mean and standard uncertainty of ln ratio of one storm, and the part of the fleet's mean.

    The truck's season (m, V), the storm's tickets (y, w) and the scatter from storm to storm.
    """
    m, v, t2 = known.middle, known.u**2, known.scatter2 * usual_scatter(len(slip.loads)) ** 2
    y, w2, right, b = m, 1.0, 0.0, 0.0
    said = tickets_alone(slip)
    if said is not None:
        y, w2 = said
        right = (1 - known.p_missing[storm]) * p_right(y - m, math.sqrt(t2 + v + w2), known.wrong)
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
