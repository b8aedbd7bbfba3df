"""Where on its way the truck really was at each fix: positions smoothed along the way.

Units: metres, seconds, metres per second.

Most errors of matching fall within a few metres of a joint, where a fix lands on the next segment.
The way is known by now, so a fix has one unknown, its mileage. A Kalman filter and a
fixed-interval smoother estimate it together with the position error of the receiver, which
fades slowly (first-order Gauss-Markov, east and north): speeds carry the mileage from fix to fix,
and every bend of the way shows another component of the same slow error. The filter is run again
around its own result because the way is bent, each time with less weight on fixes that fit badly.

Source of the way back: Bierman, "Fixed interval smoothing with discrete measurements",
International Journal of Control 18(1), 1973 (the modified Bryson-Frazier form, which inverts no
matrix).
"""

from math import exp, isfinite, nan
from typing import NamedTuple

import numpy as np

from spreadplan.compiled import compiled
from spreadplan.matching.candidates import TAIL_DEGREES, Noise, heading_score
from spreadplan.matching.decode import driven_between
from spreadplan.matching.network import Shape
from spreadplan.matching.projection import FloatArray
from spreadplan.matching.search import BoolArray, Graph, IntArray
from spreadplan.matching.way import Way, point_on, point_on_way

ROUNDS = 2
STANDING_CREEP_M = 0.05  # a standing truck may creep this far between fixes
HINT_M = 1.5  # how well a heading or a stop places a fix
HINT_SIGMAS = 3.0  # how far a fix may be moved for its heading, in standard deviations
CONTRADICTS = -3.0  # heading scores below this contradict the way,
FITS = -1.0  # above this they fit it
JUNCTION_M = 8.0  # trucks don't stop within a junction, which reaches this far past its middle,
STOP_BEFORE_M = 3.0  # but at least this far before it
STANDING_SPREAD_M = 5.0  # fixes farther apart than this aren't one standing period
START_DEVIATION_M = 60.0  # what is known of the first mileage of a chain before any fix


class Track(NamedTuple):
    """The fixes of one trace on its way, shape (n,) each."""

    x_m: FloatArray
    y_m: FloatArray
    time_s: FloatArray
    speed_mps: FloatArray
    heading_x: FloatArray  # unit vector, or 0 if unknown or too slow to tell
    heading_y: FloatArray
    standing: BoolArray
    usable: BoolArray  # False: an outlier, to be placed by its neighbours
    chain: IntArray  # -1 off the network


# Columns of the table that the rounds share, one row for each fix of a chain:
PX, PY, PUX, PUY = 0, 1, 2, 3  # point and direction of the way where the fix is placed now
WEIGHT, HINT = 4, 5  # weight of the fix; mileage that its heading or stop suggests, or NaN
MILEAGE, EAST, NORTH = 6, 7, 8  # estimated mileage and position error, filtered then smoothed
COV = 9  # their filtered covariance in six columns: 00 01 02 11 12 22
GAIN = 15  # gains for east, north and hint in nine columns
PULL = 24  # residual over variance for east, north and hint in three columns
FADE = 27  # share of the position error kept since the fix before
COLUMNS = 28


@compiled
def _forward(track: Track, noise: Noise, begin: int, around_m: FloatArray, t: FloatArray) -> None:
    """Filter the fixes of one chain, linearised around the mileages given."""
    x_m, y_m, time_s, speed = track.x_m, track.y_m, track.time_s, track.speed_mps
    standing, usable = track.standing, track.usable
    accel_power, memory_s = noise.accel_power, noise.memory_s
    white = noise.white_m**2
    slow = max(noise.sigma_m**2 - white, 1e-4)
    m, e, n = around_m[0], 0.0, 0.0
    mm, me, mn, ee, en, nn = START_DEVIATION_M**2, 0.0, 0.0, slow, 0.0, slow
    last_duration = -1.0
    fade = 1.0
    for k in range(around_m.size):
        i = begin + k
        if k > 0:
            duration = max(time_s[i] - time_s[i - 1], 1e-3)
            driven, spread = driven_between(duration, speed[i - 1], speed[i])
            spread += accel_power * duration * duration * duration / 12.0 + 0.01
            if standing[i - 1] and standing[i]:
                driven, spread = 0.0, STANDING_CREEP_M * STANDING_CREEP_M
            if duration != last_duration:
                last_duration = duration
                fade = exp(-duration / memory_s)
            kept = fade * fade
            m, e, n = m + driven, e * fade, n * fade
            mm, me, mn = mm + spread, me * fade, mn * fade
            ee = ee * kept + slow * (1.0 - kept)
            nn = nn * kept + slow * (1.0 - kept)
            en = en * kept
        t[k, FADE] = fade
        if usable[i]:
            ux, uy = t[k, PUX], t[k, PUY]
            variance = white / t[k, WEIGHT]
            # East: x = ux * mileage + error east.
            pm, pe, pn = ux * mm + me, ux * me + ee, ux * mn + en
            inverse = 1.0 / (ux * pm + pe + variance)
            pull = (x_m[i] - t[k, PX] + ux * (around_m[k] - m) - e) * inverse
            gm, ge, gn = pm * inverse, pe * inverse, pn * inverse
            m, e, n = m + pm * pull, e + pe * pull, n + pn * pull
            mm, me, mn = mm - gm * pm, me - gm * pe, mn - gm * pn
            ee, en, nn = ee - ge * pe, en - ge * pn, nn - gn * pn
            t[k, GAIN], t[k, GAIN + 1], t[k, GAIN + 2], t[k, PULL] = gm, ge, gn, pull
            # North, the same way.
            pm, pe, pn = uy * mm + mn, uy * me + en, uy * mn + nn
            inverse = 1.0 / (uy * pm + pn + variance)
            pull = (y_m[i] - t[k, PY] + uy * (around_m[k] - m) - n) * inverse
            gm, ge, gn = pm * inverse, pe * inverse, pn * inverse
            m, e, n = m + pm * pull, e + pe * pull, n + pn * pull
            mm, me, mn = mm - gm * pm, me - gm * pe, mn - gm * pn
            ee, en, nn = ee - ge * pe, en - ge * pn, nn - gn * pn
            t[k, GAIN + 3], t[k, GAIN + 4], t[k, GAIN + 5], t[k, PULL + 1] = gm, ge, gn, pull
        if isfinite(t[k, HINT]):
            inverse = 1.0 / (mm + HINT_M**2)
            pull = (t[k, HINT] - m) * inverse
            gm, ge, gn = mm * inverse, me * inverse, mn * inverse
            m, e, n = m + mm * pull, e + me * pull, n + mn * pull
            ee, en, nn = ee - ge * me, en - ge * mn, nn - gn * mn
            mm, me, mn = mm - gm * mm, me - gm * me, mn - gm * mn
            t[k, GAIN + 6], t[k, GAIN + 7], t[k, GAIN + 8], t[k, PULL + 2] = gm, ge, gn, pull
        t[k, MILEAGE], t[k, EAST], t[k, NORTH] = m, e, n
        t[k, COV], t[k, COV + 1], t[k, COV + 2] = mm, me, mn
        t[k, COV + 3], t[k, COV + 4], t[k, COV + 5] = ee, en, nn


@compiled
def _backward(usable: BoolArray, begin: int, t: FloatArray) -> None:
    """Smooth in place: afterwards the estimates know the later fixes too."""
    lm, le, ln = 0.0, 0.0, 0.0
    for k in range(t.shape[0] - 1, -1, -1):
        t[k, MILEAGE] -= t[k, COV] * lm + t[k, COV + 1] * le + t[k, COV + 2] * ln
        t[k, EAST] -= t[k, COV + 1] * lm + t[k, COV + 3] * le + t[k, COV + 4] * ln
        t[k, NORTH] -= t[k, COV + 2] * lm + t[k, COV + 4] * le + t[k, COV + 5] * ln
        if isfinite(t[k, HINT]):
            lm -= t[k, GAIN + 6] * lm + t[k, GAIN + 7] * le + t[k, GAIN + 8] * ln + t[k, PULL + 2]
        if usable[begin + k]:
            change = (
                t[k, GAIN + 3] * lm + t[k, GAIN + 4] * le + t[k, GAIN + 5] * ln + t[k, PULL + 1]
            )
            lm, ln = lm - t[k, PUY] * change, ln - change
            change = t[k, GAIN] * lm + t[k, GAIN + 1] * le + t[k, GAIN + 2] * ln + t[k, PULL]
            lm, le = lm - t[k, PUX] * change, le - change
        le *= t[k, FADE]
        ln *= t[k, FADE]


@compiled
def _place(way: Way, chain: int, t: FloatArray, mileage_m: FloatArray, stretch: IntArray) -> None:
    """Put estimates on their chain, never decreasing, and find the stretch each lies on.

    Where estimates run backwards, the mean of what the fixes before and after allow is taken, so
    that neither side is favoured.
    """
    n = mileage_m.size
    start_m = way.mileage_m
    first = way.chain_start[chain]
    last = way.chain_start[chain + 1] - 1
    low = start_m[first]
    high = start_m[last] + way.to_m[last] - way.from_m[last]
    lowest = high
    for k in range(n - 1, -1, -1):
        lowest = min(lowest, min(max(t[k, MILEAGE], low), high))
        mileage_m[k] = lowest
    highest = low
    at = first
    for k in range(n):
        highest = max(highest, min(max(t[k, MILEAGE], low), high))
        mileage_m[k] = 0.5 * (highest + mileage_m[k])
        while at < last and mileage_m[k] >= start_m[at + 1]:
            at += 1
        stretch[k] = at


@compiled
def _review(
    shape: Shape,
    graph: Graph,
    way: Way,
    track: Track,
    noise: Noise,
    chain: int,
    begin: int,
    trust_m: float,
    mileage_m: FloatArray,
    stretch: IntArray,
    t: FloatArray,
) -> None:
    """Before a round: the point of the way at each fix, the fix's weight, and hints.

    Fixes far from where the smoother puts them weigh less (Student's t, ``trust_m`` its scale).

    A heading that contradicts the way here but fits it a few metres on, or back, puts the fix
    there. A truck that has just stopped stands before a junction rather than in it.
    """
    piece_start, piece, length_m = shape.piece_start, shape.piece, graph.length_m
    way_link, way_from, way_mileage = way.link, way.from_m, way.mileage_m
    x_m, y_m, standing = track.x_m, track.y_m, track.standing
    heading_x, heading_y = track.heading_x, track.heading_y
    end_node, out_start = graph.end_node, graph.out_start
    first = way.chain_start[chain]
    trust = trust_m * trust_m
    for k in range(mileage_m.size):
        i = begin + k
        here = mileage_m[k]
        at = stretch[k]
        x, y, ux, uy = point_on_way(
            piece_start, piece, length_m, way_link, way_from, way_mileage, at, here
        )
        t[k, PX], t[k, PY], t[k, PUX], t[k, PUY] = x, y, ux, uy
        dx = x_m[i] - x - t[k, EAST]
        dy = y_m[i] - y - t[k, NORTH]
        square = (dx * dx + dy * dy) / trust
        t[k, WEIGHT] = min((TAIL_DEGREES + 2.0) / (TAIL_DEGREES + square), 1.0)
        if heading_x[i] != 0.0 or heading_y[i] != 0.0:
            cosine = heading_x[i] * ux + heading_y[i] * uy
            if heading_score(cosine, noise.heading_rad) < CONTRADICTS:
                found = _nearest_fit(
                    shape, graph, way, chain, at, here, heading_x[i], heading_y[i], noise
                )
                if isfinite(found):
                    t[k, HINT] = found
        elif standing[i] and (k == 0 or not standing[i - 1]) and at > first:
            node = end_node[way_link[at] ^ 1]
            junction = out_start[node + 1] - out_start[node] > 2
            if junction and here - way_mileage[at] < JUNCTION_M:
                t[k, HINT] = way_mileage[at] - STOP_BEFORE_M


@compiled
def _nearest_fit(
    shape: Shape,
    graph: Graph,
    way: Way,
    chain: int,
    at: int,
    here: float,
    heading_x: float,
    heading_y: float,
    noise: Noise,
) -> float:
    """The nearest mileage, by steps of a metre, where the way fits a heading; NaN if none near."""
    first = way.chain_start[chain]
    last = way.chain_start[chain + 1] - 1
    low = way.mileage_m[first]
    high = way.mileage_m[last] + way.to_m[last] - way.from_m[last]
    ahead, behind = at, at
    for step in range(1, int(HINT_SIGMAS * noise.sigma_m) + 1):
        if here + step < high:
            while ahead < last and here + step >= way.mileage_m[ahead + 1]:
                ahead += 1
            _, _, ux, uy = point_on(shape, graph, way, ahead, here + step)
            if heading_score(heading_x * ux + heading_y * uy, noise.heading_rad) > FITS:
                return here + step
        if here - step > low:
            while behind > first and here - step < way.mileage_m[behind]:
                behind -= 1
            _, _, ux, uy = point_on(shape, graph, way, behind, here - step)
            if heading_score(heading_x * ux + heading_y * uy, noise.heading_rad) > FITS:
                return here - step
    return nan


@compiled
def _stand_still(standing: BoolArray, begin: int, mileage_m: FloatArray, stretch: IntArray) -> None:
    """One place for all fixes of a standing period: the middle of theirs."""
    n = mileage_m.size
    k = 0
    while k < n:
        end = k + 1
        if standing[begin + k]:
            while (
                end < n
                and standing[begin + end]
                and mileage_m[end] - mileage_m[end - 1] < STANDING_SPREAD_M
            ):
                end += 1
            middle = (k + end - 1) // 2
            mileage_m[k:end] = mileage_m[middle]
            stretch[k:end] = stretch[middle]
        k = end


@compiled
def smooth_way(
    shape: Shape, graph: Graph, way: Way, track: Track, noise: Noise, mileage_m: FloatArray
) -> IntArray:
    """Replace the mileages by smoothed ones; the stretch of each fix (-1 off the network)."""
    n = track.chain.size
    stretch = np.full(n, -1, np.int32)
    begin = 0
    while begin < n:
        chain = track.chain[begin]
        end = begin + 1
        while end < n and track.chain[end] == chain:
            end += 1
        if chain >= 0:
            table = np.zeros((end - begin, COLUMNS))
            table[:, HINT] = nan
            table[:, MILEAGE] = mileage_m[begin:end]
            where = mileage_m[begin:end]
            which = stretch[begin:end]
            _place(way, chain, table, where, which)
            for round_ in range(ROUNDS):
                trust_m = noise.sigma_m if round_ == 0 else noise.white_m
                _review(shape, graph, way, track, noise, chain, begin, trust_m, where, which, table)
                _forward(track, noise, begin, where, table)
                _backward(track.usable, begin, table)
                _place(way, chain, table, where, which)
            _stand_still(track.standing, begin, where, which)
        begin = end
    return stretch
