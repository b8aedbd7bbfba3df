"""How far true mass lies from reported mass, truck by truck, learned from the whole fleet.

The unknown of a truck is t = ln(true mass / reported mass). Trucks scatter about the mean of their
fleet, heavy-tailed (Student's t), storms about the value of their truck; tickets may be wrong as
such, or lack a load, and salt may stay in the hopper, see `hoppers`. How often, the fleet's own
tickets tell. All integrals are sums on grids, so nothing depends on starting values.

Method: hierarchical model with known measurement variances, Gelman et al., Bayesian Data Analysis,
3rd ed., 2013, 5.4 and 17.2; the figures below are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.calibration.assumptions import REPEATABILITY_REL
from spreadplan.reconcile.hoppers import Storms, chain_likelihood, of_one_storm
from spreadplan.remembered import remembered

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

LOG_RATIO: Final[Floats] = np.linspace(-1.2, 1.2, 801)
"""Grid of t: ratios from 0.30 to 3.3 in steps of 0.3 %."""

STORM_SD: Final = 0.02
"""Scatter of a truck's ratio from storm to storm (moisture, wear) that more loads don't average
out, before the fleet tells. It also keeps every likelihood wider than a step of the grid."""

FLEET_MEAN_SD: Final = 0.10
"""Before any ticket: standard deviation of a fleet's mean t about 0."""

BETWEEN_TRUCKS_SD: Final = 0.10
"""Before any ticket: scale of the spread between trucks (half-normal)."""

SET_RATE_SD: Final = 0.20
"""Both, of trucks that tell no more than what they were set to."""

MEASURING_FLEET: Final = (FLEET_MEAN_SD, BETWEEN_TRUCKS_SD)
SET_RATE_FLEET: Final = (SET_RATE_SD, SET_RATE_SD)

SCATTER: Final = (0.2, 0.35, 0.5, 0.75, 1.0, 1.4, 2.0, 2.8)
"""Factors by which storms may scatter less or more than the run-to-run figure says."""

SCATTER_LOG_SD: Final = 0.7
"""Before any ticket: spread of the logarithm of that factor about 0."""

WRONG_SHARES: Final = {0.02: 0.75, 0.1: 0.2, 0.3: 0.05}
"""Share of trucks and storms whose tickets are wrong as such, a load written down twice or for
another truck, and how likely each share is before any ticket."""

MISSING_SHARES: Final = {0.01: 0.5, 0.065: 0.5}
"""Share of storms in which a truck lacks one of its load tickets or two, and how likely each share
is before any ticket."""

LEFT_BEHIND: Final = {(0.7, 0.2): 0.7, (0.2, 0.2): 0.15, (0.2, 0.9): 0.1, (0.5, 0.9): 0.05}
"""Share of storms without a return ticket that end with an empty hopper, share of what is left that
is carried into the truck's next storm (else it is brought back unwritten), and how likely each pair
is before any ticket."""

FIRST_OPENS: Final = 0.25
"""So much of the chance that a hopper is left and carried holds of what a truck's first storm opens
with: most trucks begin a season empty."""

TRUCKS_ASKED: Final = 60
"""So many trucks of a fleet, evenly chosen, tell its habits well enough."""

LIKELY: Final = 1e-3
"""A factor of `SCATTER` that is less likely than so many times the likeliest is left out."""

FLEETS_KEPT: Final = 8
"""So many fleets are remembered from one storm of a season to the next."""

METHOD_STEP: Final = 0.005
"""Errors that a truck's tickets have in common are taken in such steps."""


@dataclass(frozen=True, eq=False, kw_only=True)
class RatioPosterior:
    """What is known of ln(true / reported) of the trucks of one fleet.

    density : shape (trucks, grid), each row sums to 1 over `LOG_RATIO`.
    fleet_density : the same for a truck of which nothing is known but its fleet, shape (grid,).
    fleet_u : part of each truck's standard uncertainty that all trucks have in common, since it
        comes from the mean of the fleet, shape (trucks,).
    wrong_share : of trucks and storms whose tickets are wrong as such.
    storm_sd : scatter of ln ratio from storm to storm about the truck's, as the fleet's tickets
        show it, for each row.
    p_missing : probability that load tickets are missing, for each row asked for.
    carried_lb, carried_u_lb : what was in the hopper at the storm's start less what was in it at
        its end, as the other storms tell it, and its standard uncertainty; for each row asked for.
    """

    density: Floats
    fleet_density: Floats
    fleet_u: Floats
    wrong_share: float
    storm_sd: Floats
    p_missing: Floats
    carried_lb: Floats
    carried_u_lb: Floats


def student(z: Floats) -> Floats:
    """Density of Student's t with 4 degrees of freedom, any shape.

    >>> float(student(np.array(0.0)))
    0.375
    """
    spread = 1.0 + 0.25 * z * z
    result: Floats = 0.375 / (spread * spread * np.sqrt(spread))
    return result


def fit_ratios(
    tickets: pd.DataFrame,
    truck: Rows,
    trucks: int,
    asked: Rows,
    before: tuple[float, float] = MEASURING_FLEET,
) -> RatioPosterior:
    """Learn the trucks' ratios from the tickets of all storms.

    Parameters
    ----------
    tickets : as `tickets.storm_tickets` returns them, one fleet (material), n rows.
    truck : number of the truck of each row, 0 <= number < ``trucks``, shape (n,).
    trucks : how many trucks; one without usable tickets gets what its fleet says.
    asked : rows of which more is wanted.
    before : what is thought of such a fleet before any ticket, as `MEASURING_FLEET`.
    """
    order = np.lexsort((tickets["began"].to_numpy(dtype="datetime64[ns]"), truck))
    ordered = tickets.iloc[order]
    storms = _storms(ordered, truck[order], trucks)
    learnt = _learn(_method_u(ordered, truck[order], trucks), before, **storms._asdict())
    place = np.empty(len(order), dtype=np.intp)
    place[order] = np.arange(len(order))
    sums = np.zeros((asked.size, 5))
    for scatter, part in learnt.parts.items():
        rows, of, posterior = place[asked], truck[asked], part[truck[asked]]
        sums += of_one_storm(rows, of, posterior, storms, scatter, learnt.habit, LOG_RATIO)
    whole = np.where(sums[:, 2] > 0.0, sums[:, 2], 1.0)
    carried_lb = sums[:, 3] / whole
    return RatioPosterior(
        density=learnt.density,
        fleet_density=learnt.fleet_density,
        fleet_u=learnt.fleet_u,
        wrong_share=float(learnt.habit[0]),
        storm_sd=learnt.scatter * usual_storm_sd(tickets),
        p_missing=sums[:, 1] / np.where(sums[:, 0] > 0.0, sums[:, 0], 1.0),
        carried_lb=carried_lb,
        carried_u_lb=np.sqrt(np.maximum(sums[:, 4] / whole - carried_lb**2, 0.0)),
    )


def _storms(tickets: pd.DataFrame, truck: Rows, trucks: int) -> Storms:
    """The tickets as the kernels take them; trucks together, each truck's rows in order of time."""
    column = {
        name: tickets[name].to_numpy(dtype=float)
        for name in ("reported_lb", "loaded_lb", "returned_lb", "loads", "ticket_u_lb")
    }
    first = np.searchsorted(truck, np.arange(trucks + 1))
    says = (column["loads"] > 0) & (column["reported_lb"] > 0.0)
    closes = ~tickets["emptied"].to_numpy(dtype=bool)
    # a truck's first storm may open with what its fleet leaves in hoppers
    opens = np.ones(len(tickets), dtype=bool) if closes.any() else closes.copy()
    opens[1:] = np.where(truck[1:] == truck[:-1], closes[:-1], opens[1:])
    return Storms(
        first=first.astype(np.intp),
        says=says & tickets["comparable"].to_numpy(dtype=bool),
        net=column["loaded_lb"] - column["returned_lb"],
        reported=column["reported_lb"],
        u_lb=column["ticket_u_lb"],
        run=usual_storm_sd(tickets),
        typical=tickets["typical_load_lb"].fillna(0.0).to_numpy(dtype=float),
        largest=tickets["largest_load_lb"].fillna(0.0).to_numpy(dtype=float),
        opens=opens,
        closes=closes,
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Learnt:
    """What the tickets of all storms say, whatever storm is asked for.

    density, fleet_density, fleet_u : see `RatioPosterior`.
    parts : of the density, (trucks, grid), from each likely factor of `SCATTER`.
    scatter : root of the mean square of those factors.
    habit : see `hoppers.chain_likelihood`, shape (5,).
    """

    density: Floats
    fleet_density: Floats
    fleet_u: Floats
    parts: dict[float, Floats]
    scatter: float
    habit: Floats


@remembered(FLEETS_KEPT)
def _learn(method_u: Floats, before: tuple[float, float], **columns: NDArray[Any]) -> _Learnt:
    """The tickets of all storms, one fleet; ``columns`` : of `Storms`."""
    storms = Storms(**columns)
    trucks = storms.first.size - 1
    prior, prior_weight = _fleet_priors(before)
    likely, habit = _habits(storms, before)
    kept = []
    for scatter in likely:
        log_like = chain_likelihood(storms, scatter, habit[None, :], LOG_RATIO)[0]
        peak = log_like.max(axis=1, keepdims=True)
        like = _with_method(np.exp(log_like - peak), method_u)
        evidence = like @ prior.T
        log_weight = (np.log(evidence) + peak).sum(axis=0) + np.log(prior_weight)
        log_weight -= 0.5 * (np.log(scatter) / SCATTER_LOG_SD) ** 2
        kept.append((log_weight, like, evidence))
    most = max(log_weight.max() for log_weight, *_ in kept)
    weights = [np.exp(log_weight - most) for log_weight, *_ in kept]
    total = np.sum(weights)
    density, parts, storm_square = np.zeros((trucks, LOG_RATIO.size)), {}, 0.0
    fleet, mean, square = np.zeros(LOG_RATIO.size), np.zeros(trucks), np.zeros(trucks)
    for scatter, weight, (_, like, evidence) in zip(likely, weights, kept, strict=True):
        weight = weight / total
        storm_square += float(weight.sum()) * scatter**2
        part = like * ((weight / evidence) @ prior)
        density += part
        parts[scatter] = part
        fleet += weight @ prior
        expected = (like * LOG_RATIO) @ prior.T / evidence
        mean += expected @ weight
        square += expected**2 @ weight
    fleet_u = np.sqrt(np.maximum(square - mean**2, 0.0))
    return _Learnt(
        density=density,
        fleet_density=fleet,
        fleet_u=fleet_u,
        parts=parts,
        scatter=float(np.sqrt(storm_square)),
        habit=habit,
    )


def _habits(storms: Storms, expected: tuple[float, float]) -> tuple[list[float], Floats]:
    """The factors of `SCATTER` that are likely, and the mean habit of the fleet.

    On every other step of the grid, each truck on its own: that is enough to tell how often
    tickets are wrong and hoppers left full, and leaves out what need not be integrated finely.
    """
    storms = _some_trucks(storms)
    unsure = float(storms.closes.mean()) if storms.closes.size else 0.0
    behind = LEFT_BEHIND if storms.closes.any() else {(1.0, 0.0): 1.0}
    habits = np.array(
        [
            (wrong, empty, carried, FIRST_OPENS * unsure * (1.0 - empty) * carried, missing)
            for wrong, missing, (empty, carried) in product(WRONG_SHARES, MISSING_SHARES, behind)
        ]
    )
    prior, prior_weight = _fleet_priors(expected)
    alone = (prior_weight @ prior)[::2]
    grid = np.ascontiguousarray(LOG_RATIO[::2])
    priors = product(WRONG_SHARES.values(), MISSING_SHARES.values(), behind.values())
    before = np.log(np.prod(list(priors), axis=1))
    log_weight = np.empty((len(SCATTER), len(habits)))
    for n, scatter in enumerate(SCATTER):
        log_like = chain_likelihood(storms, scatter, habits, grid)
        peak = log_like.max(axis=2, keepdims=True)
        evidence = np.log(np.exp(log_like - peak) @ alone) + peak[:, :, 0]
        log_weight[n] = evidence.sum(axis=1) + before
        log_weight[n] -= 0.5 * (np.log(scatter) / SCATTER_LOG_SD) ** 2
    weight = np.exp(log_weight - log_weight.max())
    of_scatter = weight.sum(axis=1)
    likely = of_scatter > LIKELY * of_scatter.max()
    habit = weight.sum(axis=0) @ habits / weight.sum()
    return [one for one, holds in zip(SCATTER, likely, strict=True) if holds], habit


def _some_trucks(storms: Storms) -> Storms:
    """`TRUCKS_ASKED` of a fleet's trucks, or all of a smaller one."""
    trucks = storms.first.size - 1
    if trucks <= TRUCKS_ASKED:
        return storms
    chosen = np.linspace(0, trucks - 1, TRUCKS_ASKED).astype(np.intp)
    counts = np.diff(storms.first)
    rows = np.isin(np.repeat(np.arange(trucks), counts), chosen)
    first = np.concatenate([[0], np.cumsum(counts[chosen])]).astype(np.intp)
    columns = {name: column[rows] for name, column in storms._asdict().items() if name != "first"}
    return storms._replace(first=first, **columns)


def _method_u(tickets: pd.DataFrame, truck: Rows, trucks: int) -> Floats:
    """What all tickets of each truck have in common, relative, by mass; shape (trucks,)."""
    loaded_lb = tickets["loaded_lb"].to_numpy(dtype=float)
    common_lb = np.bincount(truck, loaded_lb * tickets["method_u"].to_numpy(float), trucks)
    whole_lb = np.bincount(truck, loaded_lb, trucks)
    return np.asarray(common_lb / np.where(whole_lb > 0.0, whole_lb, 1.0))


def _with_method(like: Floats, method_u: Floats) -> Floats:
    """Likelihoods of trucks whose tickets have an error in common, integrated over it.

    ``like`` : shape (trucks, grid). However many tickets there are, they say no more than their
    method does.
    """
    apart = LOG_RATIO[:, None] - LOG_RATIO
    result = like.copy()
    # in steps of half a percent, upward, so that a large fleet asks for few kernels
    steps = np.ceil(np.round(method_u / METHOD_STEP, 6)) * METHOD_STEP
    for u in np.unique(steps[steps > 0.0]):
        of_method = steps == u
        kernel = np.exp(-0.5 * (apart / u) ** 2)
        kernel /= kernel.sum(axis=0)
        result[of_method] = np.maximum(like[of_method] @ kernel, 1e-300)
    return result


@cache
def _fleet_priors(before: tuple[float, float]) -> tuple[Floats, Floats]:
    """Distributions of t in the fleets thought possible, (fleets, grid), and their weights."""
    mean_sd, between_sd = before
    end = round(3.0 * mean_sd, 6)
    mean = np.linspace(-end, end, 121)
    spread = np.geomspace(0.01, round(3.0 * between_sd, 6), 10)
    means, spreads = (grid.ravel() for grid in np.meshgrid(mean, spread, indexing="ij"))
    density = student((LOG_RATIO - means[:, None]) / spreads[:, None])
    density /= density.sum(axis=1, keepdims=True)
    weight = np.exp(-0.5 * (means / mean_sd) ** 2 - 0.5 * (spreads / between_sd) ** 2)
    # equal steps of the logarithm of a spread: the density per step grows with the spread
    weight *= spreads
    return density, weight / weight.sum()


def usual_storm_sd(tickets: pd.DataFrame) -> Floats:
    """Scatter of ln ratio of a storm before its fleet tells: run to run, and what doesn't average.

    ``tickets`` : loads (number of runs); shape (n,).
    """
    runs = np.maximum(tickets["loads"].to_numpy(dtype=float), 1.0)
    result: Floats = np.hypot(REPEATABILITY_REL / np.sqrt(runs), STORM_SD)
    return result


def quantiles(density: Floats, share: float) -> Floats:
    """The t below which ``share`` of each row's probability lies, shape (rows,)."""
    cumulative = np.cumsum(density, axis=1) - 0.5 * density
    return np.array([np.interp(share, row, LOG_RATIO) for row in cumulative])
