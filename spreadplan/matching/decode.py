"""The most likely sequence of directed links for one trace: a hidden Markov model.

Units: metres, seconds, metres per second; scores are natural log-likelihoods.

After Newson and Krumm, "Hidden Markov Map Matching Through Noise and Sparseness", ACM SIGSPATIAL
GIS 2009: a position's links are states, and a step is likely where the way along the network
(eq. 2 there: exponential in the difference) agrees with the distance covered. Differences: the
distance covered comes from the truck's speeds where they are credible; being off the network is a
state of its own; turning round has a price; a step that no way explains breaks the trace.

One observation is a moving fix or a whole period of standing still.
"""

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from spreadplan.compiled import compiled, inlined
from spreadplan.matching.candidates import (
    MAX_CANDIDATES,
    Noise,
    make_found,
    nearest_links,
    off_network_score,
    rank_candidates,
    search_radius,
)
from spreadplan.matching.network import Shape
from spreadplan.matching.projection import FloatArray
from spreadplan.matching.search import (
    DISTANCE,
    TURN,
    BoolArray,
    Graph,
    IntArray,
    LongArray,
    Reach,
    Scratch,
    SingleArray,
    find_entry,
    search,
)

GAP_S = 45.0  # over longer silences the speeds at both ends say little about the distance
LONGEST_GAP_S = 900.0  # longer silences are never bridged
MAX_SPEED_MPS = 40.0
MAX_SEARCH_M = 6000.0
LEAVE_SCORE = -5.0  # leaving or joining the network between two observations
JUMP_SCORE = -16.0  # from one link to another by no way that the network knows
GAP_JUMP_SCORE = -6.0  # the same over a silence in which the truck can have been anywhere
MID_LINK_TURN_COST = 7.0
PRUNE_WITHIN = 14.0  # states this much less likely than the best aren't followed further

OFF = MAX_CANDIDATES  # the slot of the state "off the network"
SQRT2 = sqrt(2.0)
NO_STEP = -1
JUMPED = 64  # added to a back pointer where the step was a jump

# How a leg between two places runs.
BY_TABLE = 0
SAME_LINK = 1
TURN_ON_LINK = 2


class Observations(NamedTuple):
    """Moving fixes and standing periods in order of time, shape (n,) each."""

    x_m: FloatArray
    y_m: FloatArray
    heading_x: FloatArray  # unit vector, or 0 if unknown
    heading_y: FloatArray
    start_s: FloatArray
    end_s: FloatArray
    speed_mps: FloatArray
    driven_m: FloatArray  # since the observation before, by the speeds of all fixes between
    cube_s3: FloatArray  # sum of the cubes of the intervals between those fixes
    unsure_m2: FloatArray  # variance of driven_m apart from unknown acceleration


class Decoded(NamedTuple):
    """The most likely states: shape (n,) each."""

    link: IntArray  # directed link, -1 off the network
    at_m: FloatArray  # from the start of the directed link
    joined: BoolArray  # a way along the network leads here from the observation before


@inlined
def driven_between(duration_s: float, speed0: float, speed1: float) -> tuple[float, float]:
    """Distance driven between two fixes by their speeds, and its variance.

    Their mean times the duration. The variance leaves out unknown acceleration; it grows where the
    speeds differ and over seconds in which the truck may have stopped or gone any way.
    """
    driven = 0.5 * (speed0 + speed1) * duration_s
    change = 0.15 * (speed1 - speed0) * duration_s
    unseen = 0.25 * max(speed0, speed1, 6.0) * max(duration_s - 8.0, 0.0)
    slip = 0.02 * driven
    return driven, change * change + unseen * unseen + slip * slip


@inlined
def expected_distance(
    duration_s: float,
    driven_m: float,
    cube_s3: float,
    unsure_m2: float,
    dx_m: float,
    dy_m: float,
    sigma_m: float,
    accel_power: float,
) -> tuple[float, float]:
    """Distance driven between two observations and its standard deviation.

    By the speeds, with unknown acceleration as a Brownian bridge of power ``accel_power``; and by
    the positions: somewhat more than they lie apart. Both are weighed; the speeds don't count after
    a long silence or where they can't explain how far apart the positions lie.
    """
    place = 2.0 * sigma_m * sigma_m
    apart_m = sqrt(dx_m * dx_m + dy_m * dy_m)
    by_place_m = 1.15 * apart_m
    by_place_m2 = (0.3 * apart_m + 20.0) ** 2
    spread = accel_power * cube_s3 / 12.0 + unsure_m2
    if duration_s > GAP_S or apart_m > driven_m + 4.0 * sqrt(place + spread):
        expected = by_place_m
        spread = by_place_m2
    else:
        weight = by_place_m2 / (spread + by_place_m2)
        expected = weight * driven_m + (1.0 - weight) * by_place_m
        spread *= weight
    return expected, sqrt(place + spread)


@inlined
def leads_on(
    end_node: IntArray, a: int, a_at_m: float, b: int, b_at_m: float, deviation_m: float
) -> bool:
    """Whether b is the same link farther on, or follows a: no look-up is needed then."""
    same = a == b and b_at_m >= a_at_m - deviation_m - 2.0
    return same or (b != a ^ 1 and end_node[a] == end_node[b ^ 1])


@inlined
def leg(
    length_m: FloatArray,
    entry: tuple[float, float],
    a: int,
    a_at_m: float,
    b: int,
    b_at_m: float,
    expected_m: float,
    deviation_m: float,
) -> tuple[float, float, int]:
    """Best way from a place on directed link a to one on b: score, distance, how it runs.

    ``entry``: distance from the end of a to the start of b and the cost of turning on that way,
    the distance negative if there is none (any, if b :func:`leads_on` from a). The score is -inf if
    there is no way.
    """
    entry_m, turn_cost = entry
    scale = SQRT2 / deviation_m
    score = -np.inf
    way_m = 0.0
    kind = BY_TABLE
    if a == b and b_at_m >= a_at_m - deviation_m - 2.0:
        # Slightly backwards is noise, not reversing.
        way_m = b_at_m - a_at_m
        score = -scale * abs(way_m - expected_m)
        kind = SAME_LINK
    else:
        all_m = length_m[a >> 1]
        longest_m = all_m - a_at_m + b_at_m
        if b == a ^ 1:
            way_m = min(max(expected_m, abs(all_m - b_at_m - a_at_m)), longest_m)
            score = -scale * abs(way_m - expected_m) - MID_LINK_TURN_COST
            kind = TURN_ON_LINK
        if entry_m >= 0.0:
            around_m = longest_m + entry_m
            value = -scale * abs(around_m - expected_m) - turn_cost
            if value > score:
                score = value
                way_m = around_m
                kind = BY_TABLE
    return score, way_m, kind


@inlined
def entered_at(
    reach_start: LongArray, reach_entry: SingleArray, a: int, b: int
) -> tuple[float, float]:
    """Distance and cost of turning between two directed links by the table; negative if none."""
    at = find_entry(reach_start, reach_entry, a, b)
    entry_m = -1.0
    turn_cost = 0.0
    if at >= 0:
        entry_m = float(reach_entry[at, DISTANCE])
        turn_cost = float(reach_entry[at, TURN])
    return entry_m, turn_cost


@inlined
def entry_found(work: Scratch, b: int) -> tuple[float, float]:
    """The same after a search from the first link."""
    entry_m = -1.0
    turn_cost = 0.0
    if work.stamp[b] == work.run[0] and work.done[b]:
        entry_m = work.distance_m[b]
        turn_cost = work.turn_cost[b]
    return entry_m, turn_cost


@inlined
def search_limit(duration_s: float, expected_m: float, deviation_m: float) -> float:
    """How far a way may lead: what the truck can have driven, and not absurdly far."""
    drivable = MAX_SPEED_MPS * duration_s + 30.0
    return min(expected_m + 4.0 * deviation_m + 20.0, drivable, MAX_SEARCH_M)


class _States(NamedTuple):
    """States of all observations, one observation after another."""

    start: NDArray[np.int64]  # (n + 1,) into the next four
    link: IntArray
    at_m: FloatArray
    score: FloatArray  # first of the position alone, then of the best path that ends here
    back: NDArray[np.int8]  # state before, counted from that observation's start
    off_score: FloatArray  # (n,) the same for the state "off the network"
    off_back: NDArray[np.int8]


@compiled
def _search_all(
    graph: Graph,
    work: Scratch,
    states: _States,
    k: int,
    limit_m: float,
    floor: float,
    goal: tuple[float, float, float],
    entries: FloatArray,
) -> None:
    """Entries from the states before to those of observation k, by searching the network.

    Fills ``entries``: (state before, state of k, distance and turn cost).
    """
    begin, middle, end = states.start[k - 1], states.start[k], states.start[k + 1]
    for j in range(begin, middle):
        if states.score[j] < floor:
            continue
        search(graph, work, states.link[j], limit_m, states.link[middle:end], goal)
        for i in range(middle, end):
            found = entry_found(work, states.link[i])
            entries[j - begin, i - middle, 0] = found[0]
            entries[j - begin, i - middle, 1] = found[1]


@compiled
def _make_states(n: int, room: int) -> _States:
    return _States(
        np.zeros(n + 1, np.int64),
        np.empty(room, np.int32),
        np.empty(room),
        np.empty(room),
        np.full(room, NO_STEP, np.int8),
        np.empty(n),
        np.full(n, NO_STEP, np.int8),
    )


@compiled
def _widen(states: _States) -> _States:
    """The same states with room for twice as many."""
    room = states.link.size
    return _States(
        states.start,
        np.append(states.link, np.empty(room, np.int32)),
        np.append(states.at_m, np.empty(room)),
        np.append(states.score, np.empty(room)),
        np.append(states.back, np.full(room, NO_STEP, np.int8)),
        states.off_score,
        states.off_back,
    )


@inlined
def _top_state(score: FloatArray, begin: int, end: int) -> tuple[float, int]:
    """Best score of the states in a range, and which one it is, counted from ``begin``."""
    top = -np.inf
    slot = 0
    for j in range(begin, end):
        if score[j] > top:
            top = score[j]
            slot = j - begin
    return top, slot


@inlined
def _close_step(
    duration_s: float,
    off: float,
    top_on: float,
    top_slot: int,
    begin: int,
    end: int,
    k: int,
    best: FloatArray,
    score: FloatArray,
    back: NDArray[np.int8],
    off_score: FloatArray,
    off_back: NDArray[np.int8],
) -> None:
    """Add the best step to each state's score, weighing leaving, joining and jumping as well.

    Then takes the best score off all, so that long traces lose no precision.
    """
    jump_score = JUMP_SCORE if duration_s <= GAP_S else GAP_JUMP_SCORE
    leave_score = LEAVE_SCORE
    if duration_s > LONGEST_GAP_S:
        jump_score, leave_score = 0.0, 0.0
    if top_on + leave_score > off:
        off_score[k] += top_on + leave_score
        off_back[k] = top_slot
    else:
        off_score[k] += off
        off_back[k] = OFF
    top = off_score[k]
    for i in range(begin, end):
        value = best[i - begin]
        if off + leave_score > value:
            value = off + leave_score
            back[i] = OFF
        if top_on + jump_score > value:
            value = top_on + jump_score
            back[i] = top_slot + JUMPED
        score[i] += value
        top = max(top, score[i])
    off_score[k] -= top
    for i in range(begin, end):
        score[i] -= top


@compiled
def decode(
    shape: Shape,
    graph: Graph,
    reach: Reach,
    work: Scratch,
    own: BoolArray,
    noise: Noise,
    seen: Observations,
) -> Decoded:
    """Viterbi over all observations of one trace."""
    n = seen.x_m.size
    states = _make_states(n, 5 * n + MAX_CANDIDATES)
    start, off_score, off_back = states.start, states.off_score, states.off_back
    link, at_m, score, back = states.link, states.at_m, states.score, states.back
    off_score[:] = off_network_score(noise.sigma_m)
    off_score[0] += LEAVE_SCORE
    best = np.empty(MAX_CANDIDATES)
    entries = np.empty((MAX_CANDIDATES, MAX_CANDIDATES, 2))
    found_link, found = make_found()
    cell_start, filed = shape.cell_start, shape.filed
    grid = (shape.origin_x_m, shape.origin_y_m, shape.cell_m, shape.columns, shape.lines)
    length_m, end_node, is_open = graph.length_m, graph.end_node, graph.is_open
    reach_start, reach_entry, reach_limit_m = reach.start, reach.entry, reach.limit_m
    x_m, y_m, start_s, end_s = seen.x_m, seen.y_m, seen.start_s, seen.end_s
    driven, cube, unsure = seen.driven_m, seen.cube_s3, seen.unsure_m2
    heading_x, heading_y = seen.heading_x, seen.heading_y
    radius_m = search_radius(noise.sigma_m)
    for k in range(n):
        middle = start[k]
        if middle + MAX_CANDIDATES > link.size:
            states = _widen(states)
            link, at_m, score, back = states.link, states.at_m, states.score, states.back
        links = nearest_links(cell_start, filed, grid, x_m[k], y_m[k], radius_m, found_link, found)
        end = rank_candidates(
            length_m,
            is_open,
            own,
            noise.sigma_m,
            noise.heading_rad,
            heading_x[k],
            heading_y[k],
            links,
            found_link,
            found,
            middle,
            link,
            at_m,
            score,
        )
        start[k + 1] = end
        if k == 0:
            continue
        begin = start[k - 1]
        off = off_score[k - 1]
        top_on, top_slot = _top_state(score, begin, middle)
        floor = max(off, top_on) - PRUNE_WITHIN
        duration_s = max(start_s[k] - end_s[k - 1], 1e-3)
        expected_m, deviation_m = expected_distance(
            duration_s,
            driven[k],
            cube[k],
            unsure[k],
            x_m[k] - x_m[k - 1],
            y_m[k] - y_m[k - 1],
            noise.sigma_m,
            noise.accel_power,
        )
        limit_m = search_limit(duration_s, expected_m, deviation_m)
        searched = limit_m > reach_limit_m
        best[: end - middle] = -np.inf
        followed = middle - begin if duration_s <= LONGEST_GAP_S else 0
        if searched and followed > 0:
            goal = (x_m[k], y_m[k], radius_m)
            _search_all(graph, work, states, k, limit_m, floor, goal, entries)
        for turn in range(followed):
            # The best state first: most others can't beat it and are passed over.
            j = begin + turn
            if turn <= top_slot:
                j = begin + (top_slot if turn == 0 else turn - 1)
            if score[j] < floor:
                continue
            for i in range(middle, end):
                if score[j] <= best[i - middle]:
                    continue  # a step never adds to the score
                if leads_on(end_node, link[j], at_m[j], link[i], at_m[i], deviation_m):
                    entry = (0.0, 0.0)
                elif searched:
                    entry = (entries[j - begin, i - middle, 0], entries[j - begin, i - middle, 1])
                else:
                    entry = entered_at(reach_start, reach_entry, link[j], link[i])
                value, _, _ = leg(
                    length_m, entry, link[j], at_m[j], link[i], at_m[i], expected_m, deviation_m
                )
                if score[j] + value > best[i - middle]:
                    best[i - middle] = score[j] + value
                    back[i] = j - begin
        _close_step(
            duration_s,
            off,
            top_on,
            top_slot,
            middle,
            end,
            k,
            best,
            score,
            back,
            off_score,
            off_back,
        )
    return _trace_back(states)


@compiled
def _trace_back(states: _States) -> Decoded:
    """Follow the pointers from the best last state."""
    n = states.off_score.size
    path = Decoded(np.full(n, -1, np.int32), np.full(n, np.nan), np.zeros(n, np.bool_))
    slot = OFF
    top = states.off_score[n - 1]
    for i in range(states.start[n - 1], states.start[n]):
        if states.score[i] > top:
            top = states.score[i]
            slot = i - states.start[n - 1]
    for k in range(n - 1, -1, -1):
        if slot == OFF:
            slot = states.off_back[k]
            continue
        i = states.start[k] + slot
        path.link[k] = states.link[i]
        path.at_m[k] = states.at_m[i]
        slot = states.back[i]
        path.joined[k] = slot >= 0 and slot < OFF
        if slot >= JUMPED:
            slot -= JUMPED
    return path
