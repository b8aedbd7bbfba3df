"""What a truck's tickets say of its ratio, with salt that stays in its hopper between storms.

What a truck spread in a storm is what its tickets account for, and what was in its hopper at the
start, less what is in it at the end. A return after the last load empties it. Without one it is
empty, or something is left; that is brought back unwritten, or carried into the truck's next storm.
What one storm closes with the next one opens with, so over a season the unknowns nearly cancel.

The storms of a truck are a chain; what may be in the hopper is summed over in steps, forward for
what the earlier storms tell, backward for what the later ones do.

Method: forward and backward recursion of a hidden Markov model, L. R. Rabiner, Proceedings of the
IEEE 77, 1989 (from memory).
"""

from __future__ import annotations

from math import log, sqrt
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from spreadplan.compiled import compiled, inlined

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]
Flags = NDArray[np.bool_]

STEPS: Final = 6
"""A hopper is empty, or holds one of so many equal parts of the truck's largest load, but all."""

DIFFERENCES: Final = 2 * STEPS
"""Opening less closing: 0, both empty; then by steps, with the doubt of a step."""

MISSING: Final = (0.77, 0.23)
"""Of the storms in which a truck lacks load tickets, the share that lacks one, two."""

LOAD_SIZE_SD: Final = 0.15
"""Relative spread of a truck's loads about its typical load."""

WRONG_LOADS: Final = 0.4
"""Wrong tickets, exchanged ones or one written twice, are off by so much of a load, give or take.
Common practice, no source."""

LEAST: Final = 1e-9
"""No storm is impossible: a likelihood is at least so much."""


class Storms(NamedTuple):
    """Tickets and reports of a fleet, n rows, trucks together and each truck's in order of time.

    first : row at which each truck begins, and n; shape (trucks + 1,).
    says : whether tickets and report of a row can be held against one another.
    net, reported, u_lb, typical, largest : lb; net is loaded less returned, u_lb the standard
        uncertainty of it, typical and largest are of the truck's loads.
    run : scatter of ln ratio of a storm before the fleet tells.
    opens, closes : whether something may be in the hopper at the start, at the end.
    """

    first: Rows
    says: Flags
    net: Floats
    reported: Floats
    u_lb: Floats
    run: Floats
    typical: Floats
    largest: Floats
    opens: Flags
    closes: Flags


@inlined
def _heavy(z: float) -> float:
    """Density of Student's t with 4 degrees of freedom."""
    s = 1.0 + 0.25 * z * z
    return 0.375 / (s * s * sqrt(s))


@inlined
def _usual(z: float) -> float:
    """Density of Student's t with 10 degrees of freedom."""
    s = 1.0 + 0.1 * z * z
    square = s * s
    return 0.389108383966031 / (square * square * s * sqrt(s))


@compiled
def _right(
    row: int,
    storms: Storms,
    lacking: bool,
    scatter: float,
    grid: Floats,
    out: Floats,
) -> None:
    """Likelihood of a row's tickets if none is wrong, (differences, grid).

    ``lacking`` : some load tickets are missing, else all are there.
    """
    step = storms.largest[row] / STEPS
    for d in range(DIFFERENCES):
        out[d] = 0.0
        if (d > STEPS and not storms.opens[row]) or (0 < d < STEPS and not storms.closes[row]):
            continue
        if d == STEPS and not (storms.opens[row] and storms.closes[row]):
            continue
        more_lb = (d - STEPS) * step if d > 0 else 0.0
        variance = storms.u_lb[row] ** 2 + (0.125 * step * step if d > 0 else 0.0)
        for missing in range(1 if lacking else 0, 3 if lacking else 1):
            spread = storms.net[row] + more_lb + missing * storms.typical[row]
            if spread <= 0.0:
                continue
            of_loads = missing * (LOAD_SIZE_SD * storms.typical[row]) ** 2
            sd = sqrt((scatter * storms.run[row]) ** 2 + (variance + of_loads) / spread**2)
            value = log(spread / storms.reported[row])
            share = (MISSING[missing - 1] if lacking else 1.0) / sd
            for t in range(grid.size):
                out[d, t] += share * _usual((value - grid[t]) / sd)


@compiled
def _wrong(
    row: int,
    storms: Storms,
    scatter: float,
    grid: Floats,
    out: Floats,
) -> None:
    """Likelihood of a row's tickets if they are wrong as such, (grid,)."""
    out[:] = 0.5
    if storms.net[row] > 0.0:
        of_loads = WRONG_LOADS * storms.typical[row] / storms.net[row]
        sd = sqrt((scatter * storms.run[row]) ** 2 + of_loads**2)
        value = log(storms.net[row] / storms.reported[row])
        for t in range(grid.size):
            out[t] = _heavy((value - grid[t]) / sd) / sd


@compiled
def _told(
    row: int,
    storms: Storms,
    scatter: float,
    grid: Floats,
    told: Floats,
) -> None:
    """Likelihood of a row's tickets, complete, lacking and wrong, (3, differences, grid)."""
    if storms.says[row]:
        for n in range(2):
            _right(row, storms, n == 1, scatter, grid, told[n])
        _wrong(row, storms, scatter, grid, told[2, 0])


@compiled
def _mixed(told: Floats, says: bool, habit: Floats, complete: bool) -> Floats:
    """Likelihood of a row under a habit, (differences, grid); ``complete``: none lacks a ticket."""
    found = np.ones((told.shape[1], told.shape[2]))
    if says:
        right, lacking = (1.0 - habit[0]) * (1.0 - habit[4]), (1.0 - habit[0]) * habit[4]
        lacking = 0.0 if complete else lacking
        for d in range(told.shape[1]):
            for t in range(told.shape[2]):
                said = right * told[0, d, t] + lacking * told[1, d, t] + habit[0] * told[2, 0, t]
                found[d, t] = max(said, LEAST)
    return found


@inlined
def _before(k: int, habit: Floats, closes: bool) -> float:
    """Chance of so much in the hopper at a storm's end, before its tickets."""
    if not closes:
        return 1.0
    empty: float = habit[1]
    return empty if k == 0 else (1.0 - empty) / (STEPS - 1)


@inlined
def _place(i: int, k: int) -> int:
    """Place of a difference of steps at the start and at the end."""
    return 0 if i == 0 and k == 0 else STEPS + i - k


@compiled
def _close(opening: Floats, said: Floats, habit: Floats, opens: bool, closes: bool) -> Floats:
    """Forward over one storm: what is in the hopper at its end, (steps, grid)."""
    found = np.zeros_like(opening)
    for k in range(STEPS if closes else 1):
        before = _before(k, habit, closes)
        for i in range(STEPS if opens else 1):
            d = _place(i, k)
            for t in range(said.shape[1]):
                found[k, t] += before * opening[i, t] * said[d, t]
    return found


@compiled
def _open(after: Floats, said: Floats, habit: Floats, opens: bool, closes: bool) -> Floats:
    """Backward over one storm: of what was in the hopper at its start; the mirror of `_close`."""
    found = np.zeros_like(after)
    for k in range(STEPS if closes else 1):
        before = _before(k, habit, closes)
        for i in range(STEPS if opens else 1):
            d = _place(i, k)
            for t in range(said.shape[1]):
                found[i, t] += before * after[k, t] * said[d, t]
    return found


@compiled
def _carry(closing: Floats, carried: float) -> Floats:
    """From the end of a storm to the start of the next: what is left stays, or is brought back."""
    opening = carried * closing
    opening[0] = closing[0]
    for k in range(1, STEPS):
        opening[0] += (1.0 - carried) * closing[k]
    return opening


@compiled
def _carry_back(opening: Floats, carried: float) -> Floats:
    closing = carried * opening
    closing[0] = opening[0]
    for k in range(1, STEPS):
        closing[k] += (1.0 - carried) * opening[0]
    return closing


@compiled
def _start(begins: float, opens: bool, size: int) -> Floats:
    """What a truck's first storm opens with: ``begins`` is the chance that it is not empty."""
    opening = np.zeros((STEPS, size))
    full = begins if opens else 0.0
    opening[0] = 1.0 - full
    opening[1:] = full / (STEPS - 1)
    return opening


@compiled
def chain_likelihood(
    storms: Storms,
    scatter: float,
    habits: Floats,
    grid: Floats,
) -> Floats:
    """Logarithm of each truck's likelihood under each habit of a fleet, (habits, trucks, grid).

    ``habits`` : share of wrong tickets, of empty hoppers where no return follows, of carrying what
    is left, the chance that a first storm opens with something, and the share of storms that lack
    load tickets; shape (habits, 5).
    """
    trucks = storms.first.size - 1
    found = np.zeros((habits.shape[0], trucks, grid.size))
    told = np.ones((3, DIFFERENCES, grid.size))
    for truck in range(trucks):
        begin, end = storms.first[truck], storms.first[truck + 1]
        if begin == end:
            continue
        hoppers = np.zeros((habits.shape[0], STEPS, grid.size))
        for h in range(habits.shape[0]):
            hoppers[h] = _start(habits[h, 3], storms.opens[begin], grid.size)
        for row in range(begin, end):
            _told(row, storms, scatter, grid, told)
            for h in range(habits.shape[0]):
                said = _mixed(told, storms.says[row], habits[h], False)
                closed = _close(hoppers[h], said, habits[h], storms.opens[row], storms.closes[row])
                most = closed.max()
                found[h, truck] += log(most)
                hoppers[h] = _carry(closed / most, habits[h, 2])
        for h in range(habits.shape[0]):
            for t in range(grid.size):
                found[h, truck, t] += log(hoppers[h, :, t].sum())
    return found


@compiled
def of_one_storm(
    asked: Rows,
    truck: Rows,
    posterior: Floats,
    storms: Storms,
    scatter: float,
    habit: Floats,
    grid: Floats,
) -> Floats:
    """What is known of single storms: sums over the posterior of t, (asked, 5).

    Parameters
    ----------
    asked, truck : rows and their trucks. posterior : of t, (asked, grid); need not add up to 1.
    habit : a row of the habits of `chain_likelihood`.

    Returns
    -------
    Total, the part of it in which load tickets are missing, and, as the other storms tell it, the
    total, sum and sum of squares of what the storm opened with less what it closed with, lb.
    """
    opens, closes = storms.opens, storms.closes
    found = np.zeros((asked.size, 5))
    told = np.ones((3, DIFFERENCES, grid.size))
    for n in range(asked.size):
        begin, end, here = storms.first[truck[n]], storms.first[truck[n] + 1], asked[n]
        opening = _start(habit[3], opens[begin], grid.size)
        for row in range(begin, here):
            _told(row, storms, scatter, grid, told)
            said = _mixed(told, storms.says[row], habit, False)
            closed = _close(opening, said, habit, opens[row], closes[row])
            opening = _carry(closed / closed.max(), habit[2])
        after = np.ones((STEPS, grid.size))
        for row in range(end - 1, here, -1):
            _told(row, storms, scatter, grid, told)
            said = _mixed(told, storms.says[row], habit, False)
            before = _open(after, said, habit, opens[row], closes[row])
            after = _carry_back(before / before.max(), habit[2])
        _told(here, storms, scatter, grid, told)
        said = _mixed(told, storms.says[here], habit, False)
        whole = (_close(opening, said, habit, opens[here], closes[here]) * after).sum(axis=0)
        said = _mixed(told, storms.says[here], habit, True)
        complete = (_close(opening, said, habit, opens[here], closes[here]) * after).sum(axis=0)
        weight = posterior[n] / np.maximum(whole, 1e-300)
        found[n, 0] = posterior[n].sum()
        found[n, 1] = (weight * np.maximum(whole - complete, 0.0)).sum()
        step = storms.largest[here] / STEPS
        for k in range(STEPS if closes[here] else 1):
            for i in range(STEPS if opens[here] else 1):
                pair = (weight * opening[i] * after[k]).sum() * _before(k, habit, closes[here])
                found[n, 2] += pair
                found[n, 3] += pair * (i - k) * step
                spare = 0.0 if i == 0 and k == 0 else 0.125
                found[n, 4] += pair * ((i - k) ** 2 + spare) * step * step
    return found
