"""How far true mass lies from reported mass, truck by truck, learned from the whole fleet.

The unknown of a truck is t = ln(true mass / reported mass). Trucks scatter about the mean of their
fleet, storms scatter about the value of their truck, and both scatters are heavy-tailed
(Student's t): neither an odd truck nor an odd ticket is explained away by the other before more
storms tell which it was. All integrals are sums on grids, so nothing depends on starting values.

What a storm's tickets say allows for two gaps in the paper: material left in the hopper without a
return ticket, and load tickets that are missing.

Method: hierarchical model with known measurement variances, Gelman et al., Bayesian Data Analysis,
3rd ed., 2013, 5.4 and 17.2; the figures below are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.calibration.assumptions import REPEATABILITY_REL
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

SCATTER: Final = (0.2, 0.35, 0.5, 0.75, 1.0, 1.4, 2.0, 2.8)
"""Factors by which storms may scatter less or more than the run-to-run figure says."""

SCATTER_LOG_SD: Final = 0.7
"""Before any ticket: spread of the logarithm of that factor about 0."""

EMPTY_SHARE: Final = 0.7
"""Share of missing return tickets that mean an empty hopper; the others mean anything up to the
last load."""

LEFT_SHARES: Final = (0.1, 0.3, 0.5, 0.7, 0.9)
"""Shares of the last load at which a hopper left part full is tried."""

MISSING_SHARES: Final = {1: 0.05, 2: 0.015}
"""Share of storms in which a truck lacks so many load tickets."""

CHUNK_ROWS: Final = 1000
"""So many rows of tickets are worked on at a time: it bounds the memory."""

FLEETS_KEPT: Final = 8
"""So many fleets are remembered from one storm of a season to the next."""

METHOD_STEP: Final = 0.005
"""Errors that a truck's tickets have in common are taken in such steps."""

LOAD_SIZE_SD: Final = 0.15
"""Relative spread of a truck's loads about its typical load."""


_TOLD: Final = {
    **dict.fromkeys(
        (
            "reported_lb",
            "loaded_lb",
            "returned_lb",
            "loads",
            "ticket_u_lb",
            "method_u",
            "unreturned_lb",
            "typical_load_lb",
        ),
        float,
    ),
    "comparable": bool,
}
"""Columns of the tickets that say something of a ratio."""


@dataclass(frozen=True, eq=False)
class RatioPosterior:
    """What is known of ln(true / reported) of the trucks of one fleet.

    density : shape (trucks, grid), each row sums to 1 over `LOG_RATIO`.
    fleet_density : the same for a truck of which nothing is known but its fleet, shape (grid,).
    fleet_u : part of each truck's standard uncertainty that all trucks have in common, since it
        comes from the mean of the fleet, shape (trucks,).
    p_missing : probability that load tickets are missing, for each row asked for.
    storm_sd : scatter of ln ratio from storm to storm about the truck's, as the fleet's tickets
        show it, for each row.
    """

    density: Floats
    fleet_density: Floats
    fleet_u: Floats
    p_missing: Floats
    storm_sd: Floats


def student(z: Floats) -> Floats:
    """Density of Student's t with 4 degrees of freedom, any shape.

    >>> float(student(np.array(0.0)))
    0.375
    """
    spread = 1.0 + 0.25 * z * z
    result: Floats = 0.375 / (spread * spread * np.sqrt(spread))
    return result


def fit_ratios(tickets: pd.DataFrame, truck: Rows, trucks: int, asked: Rows) -> RatioPosterior:
    """Learn the trucks' ratios from the tickets of all storms.

    Parameters
    ----------
    tickets : as `tickets.storm_tickets` returns them, one fleet (material), n rows.
    truck : number of the truck of each row, 0 <= number < ``trucks``, shape (n,).
    trucks : how many trucks; one without usable tickets gets what its fleet says.
    asked : rows for which the probability of missing tickets is wanted.
    """
    columns = {name: tickets[name].to_numpy(dtype=kind) for name, kind in _TOLD.items()}
    learnt = _learn(truck, trucks, **columns)
    p_missing = np.zeros(asked.size)
    for scatter, part in zip(SCATTER, learnt.parts, strict=True):
        complete, lacking = storm_likelihood(tickets.iloc[asked], scatter)
        p_missing += np.einsum("ng,ng->n", part[truck[asked]], lacking / (complete + lacking))
    storm_sd = learnt.scatter * usual_storm_sd(tickets)
    return RatioPosterior(learnt.density, learnt.fleet_density, learnt.fleet_u, p_missing, storm_sd)


@dataclass(frozen=True, eq=False)
class _Learnt:
    """What the tickets of all storms say, whatever storm is asked for.

    density, fleet_density, fleet_u : see `RatioPosterior`.
    parts : of the density, (trucks, grid), from each factor of `SCATTER`.
    scatter : root of the mean square of those factors.
    """

    density: Floats
    fleet_density: Floats
    fleet_u: Floats
    parts: tuple[Floats, ...]
    scatter: float


@remembered(FLEETS_KEPT)
def _learn(truck: Rows, trucks: int, **columns: NDArray[Any]) -> _Learnt:
    """The tickets of all storms, one fleet; ``columns`` : those of `_TOLD`, shape (n,) each."""
    tickets = pd.DataFrame(columns)
    prior, prior_weight = _fleet_priors()
    method_u = _method_u(tickets, truck, trucks)
    kept = []
    for scatter in SCATTER:
        log_like = _log_likelihood(tickets, truck, trucks, scatter)
        peak = log_like.max(axis=1, keepdims=True)
        like = _with_method(np.exp(log_like - peak), method_u)
        evidence = like @ prior.T
        log_weight = (np.log(evidence) + peak).sum(axis=0) + np.log(prior_weight)
        log_weight -= 0.5 * (np.log(scatter) / SCATTER_LOG_SD) ** 2
        kept.append((log_weight, like, evidence))
    most = max(log_weight.max() for log_weight, *_ in kept)
    weights = [np.exp(log_weight - most) for log_weight, *_ in kept]
    total = np.sum(weights)
    density, parts, storm_square = np.zeros((trucks, LOG_RATIO.size)), [], 0.0
    fleet, mean, square = np.zeros(LOG_RATIO.size), np.zeros(trucks), np.zeros(trucks)
    for scatter, weight, (_, like, evidence) in zip(SCATTER, weights, kept, strict=True):
        weight = weight / total
        storm_square += float(weight.sum()) * scatter**2
        part = like * ((weight / evidence) @ prior)
        density += part
        parts.append(part)
        fleet += weight @ prior
        expected = (like * LOG_RATIO) @ prior.T / evidence
        mean += expected @ weight
        square += expected**2 @ weight
    fleet_u = np.sqrt(np.maximum(square - mean**2, 0.0))
    return _Learnt(density, fleet, fleet_u, tuple(parts), float(np.sqrt(storm_square)))


def _log_likelihood(tickets: pd.DataFrame, truck: Rows, trucks: int, scatter: float) -> Floats:
    """Logarithm of each truck's likelihood, (trucks, grid)."""
    log_like = np.zeros((trucks, LOG_RATIO.size))
    for start in range(0, len(tickets), CHUNK_ROWS):
        rows = slice(start, start + CHUNK_ROWS)
        complete, lacking = storm_likelihood(tickets.iloc[rows], scatter)
        np.add.at(log_like, truck[rows], np.log(complete + lacking))
    return log_like


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
def _fleet_priors() -> tuple[Floats, Floats]:
    """Distributions of t in the fleets thought possible, (fleets, grid), and their weights."""
    mean = np.linspace(-0.3, 0.3, 121)
    spread = np.geomspace(0.01, 0.3, 10)
    means, spreads = (grid.ravel() for grid in np.meshgrid(mean, spread, indexing="ij"))
    density = student((LOG_RATIO - means[:, None]) / spreads[:, None])
    density /= density.sum(axis=1, keepdims=True)
    weight = np.exp(-0.5 * (means / FLEET_MEAN_SD) ** 2 - 0.5 * (spreads / BETWEEN_TRUCKS_SD) ** 2)
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


def storm_likelihood(tickets: pd.DataFrame, scatter: float) -> tuple[Floats, Floats]:
    """Likelihood of each storm's report and tickets, at every t of `LOG_RATIO`.

    Parameters
    ----------
    tickets : reported_lb, loaded_lb, returned_lb, loads, ticket_u_lb, unreturned_lb,
        typical_load_lb, comparable; n rows.
    scatter : factor on the run-to-run scatter.

    Returns
    -------
    Two arrays of shape (n, grid): all load tickets are there, and some are missing, each with the
    probability of it. A row without load tickets or without reported mass, or whose tickets and
    reports are not comparable, says nothing (1 and 0).
    """
    reported = tickets["reported_lb"].to_numpy(dtype=float)
    loads = tickets["loads"].to_numpy(dtype=float)
    net = (tickets["loaded_lb"] - tickets["returned_lb"]).to_numpy(dtype=float)
    left = tickets["unreturned_lb"].to_numpy(dtype=float)
    typical = tickets["typical_load_lb"].fillna(0.0).to_numpy(dtype=float)
    run_u = scatter * usual_storm_sd(tickets)
    u_lb = tickets["ticket_u_lb"].to_numpy(dtype=float)
    says = (loads > 0) & (reported > 0.0) & tickets["comparable"].to_numpy(dtype=bool)

    def at(rows: Rows, share: Floats, spread_lb: Floats, further_u_lb: Floats) -> Floats:
        """Likelihood of ``rows`` if so much was spread, times the share of storms like that."""
        usable = says[rows] & (spread_lb > 0.0)
        spread = np.where(usable, spread_lb, 1.0)
        sd = np.hypot(run_u[rows], np.hypot(u_lb[rows], further_u_lb) / spread)
        value = np.log(spread / np.where(usable, reported[rows], 1.0))
        density = student((value[:, None] - LOG_RATIO) / sd[:, None])
        density *= (np.where(usable, share, 0.0) / sd)[:, None]
        return density

    every, some = np.arange(len(tickets)), np.flatnonzero(left > 0.0)
    empty = np.where(left > 0.0, EMPTY_SHARE, 1.0)
    none_missing = 1.0 - sum(MISSING_SHARES.values())
    step = 1.0 / len(LEFT_SHARES)
    complete = at(every, none_missing * empty, net, np.zeros(every.size))
    for part in LEFT_SHARES:
        share = np.full(some.size, none_missing * (1.0 - EMPTY_SHARE) * step)
        within = step * left[some] / np.sqrt(12.0)
        complete[some] += at(some, share, net[some] - part * left[some], within)
    lacking = np.zeros_like(complete)
    for count, missing in MISSING_SHARES.items():
        more, more_u = count * typical, LOAD_SIZE_SD * np.sqrt(count) * typical
        lacking += at(every, missing * empty, net + more, more_u)
        lacking[some] += at(
            some,
            np.full(some.size, missing * (1.0 - EMPTY_SHARE)),
            (net + more - 0.5 * left)[some],
            np.hypot(more_u, left / np.sqrt(12.0))[some],
        )
    # never quite 0: more came back than went out on paper is possible, if only by an error
    return np.where(says[:, None], np.maximum(complete, 1e-9), 1.0), lacking


def quantiles(density: Floats, share: float) -> Floats:
    """The t below which ``share`` of each row's probability lies, shape (rows,)."""
    cumulative = np.cumsum(density, axis=1) - 0.5 * density
    return np.array([np.interp(share, row, LOG_RATIO) for row in cumulative])
