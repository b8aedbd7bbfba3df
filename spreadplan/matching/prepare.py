"""From raw fixes to observations: credible speeds, impossible fixes out, standing periods as one.

Units: seconds, metres in the local plane, metres per second, radians clockwise from north.
"""

from math import cos, hypot, isfinite, nan, sin, sqrt
from typing import NamedTuple

import numpy as np

from spreadplan.compiled import compiled
from spreadplan.matching.decode import GAP_S, Observations, driven_between
from spreadplan.matching.projection import FloatArray
from spreadplan.matching.search import BoolArray, IntArray

STANDING_MPS = 0.4  # slower than this is standing still
MOVING_MPS = 1.2  # headings are trusted above this speed
JUMP_ALLOWANCE_M = 40.0  # an impossible jump is at least this much farther than driving explains
SPEED_MARGIN = 1.3

CHECK_S, CHECK_M = 20.0, 80.0  # moves over which speeds are compared with positions
WINDOWS, WINDOW = 5, 300  # samples, and fixes in each, from which the noise is learnt

# A fix on a straight, steady line between its neighbours says nothing new about the way; it is
# left to the smoother, which places every fix.
STEADY_M = 170.0  # longest line that such fixes are left out of
STEADY_S = 30.0
STEADY_OFF_M = 6.0  # how far beside the line they may lie
STEADY_COSINE = 0.85  # how well the headings along the line must agree


class Fixes(NamedTuple):
    """The fixes of one trace, shape (n,) each."""

    time_s: FloatArray
    x_m: FloatArray
    y_m: FloatArray
    speed_mps: FloatArray
    heading_x: FloatArray  # unit vector, or 0 if unknown or too slow to tell
    heading_y: FloatArray
    outlier: BoolArray


@compiled
def credible_speed(
    time_s: FloatArray, x_m: FloatArray, y_m: FloatArray, speed_mps: FloatArray
) -> FloatArray:
    """The speeds, with missing ones replaced by how fast the positions move.

    All are replaced if as a whole they explain under a third or over three times the distance
    between the positions: the column then holds something else.
    """
    n = time_s.size
    driven = 0.0
    apart = 0.0
    first = 0
    window = 0.0
    for i in range(1, n):
        duration = time_s[i] - time_s[i - 1]
        mean = 0.5 * (speed_mps[i] + speed_mps[i - 1]) * duration
        if duration > GAP_S or not isfinite(mean):
            first, window = i, 0.0
            continue
        window += mean
        if time_s[i] - time_s[first] >= CHECK_S:
            chord = hypot(x_m[i] - x_m[first], y_m[i] - y_m[first])
            # Short moves are mostly noise.
            if chord > CHECK_M:
                driven += window
                apart += chord
            first, window = i, 0.0
    broken = apart > 0.0 and not apart / 3.0 < driven < apart * 3.0
    out = np.empty(n)
    for i in range(n):
        if isfinite(speed_mps[i]) and not broken:
            out[i] = abs(speed_mps[i])
            continue
        a, b = max(i - 1, 0), min(i + 1, n - 1)
        out[i] = 0.0
        if time_s[b] > time_s[a]:
            moved = hypot(x_m[b] - x_m[a], y_m[b] - y_m[a]) / (time_s[b] - time_s[a])
            if isfinite(moved):
                out[i] = moved
    return out


@compiled
def impossible_fixes(
    time_s: FloatArray, x_m: FloatArray, y_m: FloatArray, speed_mps: FloatArray
) -> BoolArray:
    """Fixes without a position, or too far from both neighbours which themselves agree."""
    n = time_s.size
    bad = np.zeros(n, np.bool_)
    last = -1
    for i in range(n):
        if not (isfinite(x_m[i]) and isfinite(y_m[i])):
            bad[i] = True
            continue
        following = i + 1
        while following < n and not (isfinite(x_m[following]) and isfinite(y_m[following])):
            following += 1
        if last >= 0 and following < n:
            top = SPEED_MARGIN * max(speed_mps[last], speed_mps[i], speed_mps[following]) + 2.0
            before = top * (time_s[i] - time_s[last]) + JUMP_ALLOWANCE_M
            after = top * (time_s[following] - time_s[i]) + JUMP_ALLOWANCE_M
            over = before + after - JUMP_ALLOWANCE_M
            if (
                abs(x_m[i] - x_m[last]) + abs(y_m[i] - y_m[last]) > before
                and hypot(x_m[i] - x_m[last], y_m[i] - y_m[last]) > before
                and hypot(x_m[i] - x_m[following], y_m[i] - y_m[following]) > after
                and hypot(x_m[following] - x_m[last], y_m[following] - y_m[last]) < over
            ):
                bad[i] = True
                continue
        last = i
    return bad


def sample_windows(n: int) -> IntArray:
    """Rows of a few stretches of a trace, spread over it; all rows if there are few."""
    if n <= WINDOWS * WINDOW:
        return np.arange(n, dtype=np.int32)
    starts = np.linspace(0, n - WINDOW, WINDOWS).astype(np.int32)
    return np.ravel(starts[:, None] + np.arange(WINDOW, dtype=np.int32))


@compiled
def unit_headings(heading_deg: FloatArray, speed_mps: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unit vectors (east, north) of the headings; (0, 0) if unknown or too slow to tell."""
    east = np.zeros(heading_deg.size)
    north = np.zeros(heading_deg.size)
    for i in range(heading_deg.size):
        if speed_mps[i] > MOVING_MPS and isfinite(heading_deg[i]):
            angle = heading_deg[i] * (np.pi / 180.0)
            east[i] = sin(angle)
            north[i] = cos(angle)
    return east, north


@compiled
def observe(fixes: Fixes, leave_steady: bool) -> tuple[Observations, IntArray]:
    """The observations, and which of them each fix belongs to.

    A standing period is one observation at its mean position, a moving fix is one of its own;
    -1: outliers and, if ``leave_steady``, fixes on a steady line: they tell nothing of the way.
    """
    time_s, x_m, y_m, speed_mps, heading_x, heading_y, outlier = fixes
    n = time_s.size
    ox, oy, ohx, ohy = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    start_s, end_s, speed = np.empty(n), np.empty(n), np.empty(n)
    driven, cube, unsure = np.zeros(n), np.zeros(n), np.zeros(n)
    member = np.full(n, -1, np.int32)
    good = np.flatnonzero(~outlier)
    used = 0
    first = -1  # first fix of the standing period that goes on
    size = 0
    for g in range(good.size):
        i = good[g]
        if g > 0 and used < n:
            h = good[g - 1]
            duration = time_s[i] - time_s[h]
            step_m, step_m2 = driven_between(duration, speed_mps[h], speed_mps[i])
            driven[used] += step_m
            unsure[used] += step_m2
            cube[used] += duration * duration * duration
        if speed_mps[i] < STANDING_MPS:
            if first >= 0 and hypot(x_m[i] - x_m[first], y_m[i] - y_m[first]) < JUMP_ALLOWANCE_M:
                size += 1
                ox[used - 1] += (x_m[i] - ox[used - 1]) / size
                oy[used - 1] += (y_m[i] - oy[used - 1]) / size
                end_s[used - 1] = time_s[i]
                member[i] = used - 1
                driven[used], unsure[used], cube[used] = 0.0, 0.0, 0.0
                continue
            first = i
            size = 1
        else:
            if leave_steady and first < 0 and used > 0 and g + 1 < good.size:
                j = good[g + 1]
                # Between the last observation and the next fix: on a steady line?
                dx, dy = x_m[j] - ox[used - 1], y_m[j] - oy[used - 1]
                line = sqrt(dx * dx + dy * dy)
                ax, ay = x_m[i] - ox[used - 1], y_m[i] - oy[used - 1]
                if (
                    0.0 < line < STEADY_M
                    and time_s[j] - start_s[used - 1] < STEADY_S
                    and speed_mps[j] >= STANDING_MPS
                    and abs(ax * dy - ay * dx) < STEADY_OFF_M * line
                    and 0.0 < ax * dx + ay * dy < line * line
                    and heading_x[i] * dx + heading_y[i] * dy > STEADY_COSINE * line
                    and heading_x[j] * dx + heading_y[j] * dy > STEADY_COSINE * line
                    and ohx[used - 1] * dx + ohy[used - 1] * dy > STEADY_COSINE * line
                ):
                    continue
            first = -1
        ox[used], oy[used] = x_m[i], y_m[i]
        ohx[used], ohy[used] = heading_x[i], heading_y[i]
        start_s[used], end_s[used] = time_s[i], time_s[i]
        speed[used] = speed_mps[i] if first < 0 else 0.0
        member[i] = used
        used += 1
    return Observations(
        ox[:used].copy(),
        oy[:used].copy(),
        ohx[:used].copy(),
        ohy[:used].copy(),
        start_s[:used].copy(),
        end_s[:used].copy(),
        speed[:used].copy(),
        driven[:used].copy(),
        cube[:used].copy(),
        unsure[:used].copy(),
    ), member


@compiled
def fix_places(
    time_s: FloatArray,
    member: IntArray,
    outlier: BoolArray,
    bridged: BoolArray,
    place_chain: IntArray,
    place_m: FloatArray,
) -> tuple[IntArray, FloatArray]:
    """Chain and mileage of every fix from those of the observations.

    A fix that is no observation lies between its neighbours, by time; where they are on different
    chains, it goes with the one before if it isn't an outlier, which then is off the network.
    Marks the fixes of bridged observations as outliers.
    """
    n = time_s.size
    chain = np.full(n, -1, np.int32)
    mileage = np.full(n, nan)
    last = -1
    for i in range(n):
        if member[i] >= 0 and bridged[member[i]]:
            outlier[i] = True
        if member[i] < 0 or bridged[member[i]]:
            continue
        chain[i] = place_chain[member[i]]
        mileage[i] = place_m[member[i]]
        if last >= 0 and i - last > 1:
            joined = chain[i] == chain[last]
            span = max(time_s[i] - time_s[last], 1e-9)
            for k in range(last + 1, i):
                if chain[last] >= 0 and (joined or not outlier[k]):
                    share = (time_s[k] - time_s[last]) / span if joined else 0.0
                    chain[k] = chain[last]
                    mileage[k] = mileage[last]
                    if joined:
                        mileage[k] += share * (mileage[i] - mileage[last])
        last = i
    return chain, mileage
