"""How noisy a trace is, estimated from the trace itself.

Units: metres, seconds, radians. Medians throughout, so that outliers and stretches off the
network don't matter.
"""

import numpy as np

from spreadplan.compiled import compiled
from spreadplan.matching.candidates import Noise, make_found, nearest_links
from spreadplan.matching.decode import GAP_S, Decoded, Observations
from spreadplan.matching.network import Shape
from spreadplan.matching.prepare import MOVING_MPS
from spreadplan.matching.projection import FloatArray
from spreadplan.matching.search import BoolArray, Graph, IntArray
from spreadplan.matching.way import Way, point_on

NORMAL_MEDIAN = 0.6745  # median of |z| for a standard normal z
SAMPLE = 200  # fixes looked at for the first guess
CLEAR_MOVE_M = 30.0  # moves of this length show where the truck goes
LOOK_M = 35.0
MIN_SIGMA_M, MAX_SIGMA_M = 1.0, 20.0
MIN_HEADING_RAD = 0.12
HEADING_MARGIN = 1.3  # headings err more in bends and when slow than at the median
USELESS_HEADING_RAD = 0.7  # a typical heading error beyond this: the headings say nothing
ENOUGH = 60  # fixes needed before correlations are estimated
DEFAULT_MEMORY_S = 20.0
DEFAULT_WHITE_SHARE = 0.15  # of the variance
DEFAULT_ACCEL_POWER = 0.3


@compiled
def _nearest_links(
    shape: Shape, x_m: FloatArray, y_m: FloatArray, hx: FloatArray, hy: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Of each fix: distance to the nearest link that the heading agrees with, and the cosine
    between the heading and the nearest link of all, either way along it. NaN if none is near.
    """
    away = np.full(x_m.size, np.nan)
    cosine = np.full(x_m.size, np.nan)
    found_link, found = make_found()
    grid = (shape.origin_x_m, shape.origin_y_m, shape.cell_m, shape.columns, shape.lines)
    for i in range(x_m.size):
        nearest = LOOK_M * LOOK_M
        nearest_fit = LOOK_M * LOOK_M
        told = hx[i] != 0.0 or hy[i] != 0.0
        links = nearest_links(
            shape.cell_start, shape.filed, grid, x_m[i], y_m[i], LOOK_M, found_link, found
        )
        for k in range(links):
            agreement = abs(hx[i] * found[k, 2] + hy[i] * found[k, 3])
            if found[k, 0] < nearest and told:
                nearest = found[k, 0]
                cosine[i] = agreement
            if found[k, 0] < nearest_fit and (agreement > 0.8 or not told):
                nearest_fit = found[k, 0]
                away[i] = nearest_fit**0.5
    return away, cosine


def first_guess(shape: Shape, seen: Observations) -> Noise:
    """Noise from how far the moving fixes lie from the nearest link, and at which angle."""
    moving = np.flatnonzero(seen.speed_mps > MOVING_MPS)
    picked = moving[:: max(1, moving.size // SAMPLE)]
    away, cosine = _nearest_links(
        shape, seen.x_m[picked], seen.y_m[picked], seen.heading_x[picked], seen.heading_y[picked]
    )
    away, cosine = away[np.isfinite(away)], cosine[np.isfinite(cosine)]
    sigma_m = float(np.median(away)) / NORMAL_MEDIAN if away.size else 5.0
    sigma_m = min(max(sigma_m, MIN_SIGMA_M), MAX_SIGMA_M)
    heading_rad = USELESS_HEADING_RAD
    if cosine.size and not _points_back(seen):
        angle = np.arccos(np.minimum(cosine, 1.0))
        heading_rad = max(HEADING_MARGIN * float(np.median(angle)) / NORMAL_MEDIAN, MIN_HEADING_RAD)
    return Noise(
        sigma_m=sigma_m,
        heading_rad=heading_rad,
        accel_power=DEFAULT_ACCEL_POWER,
        memory_s=DEFAULT_MEMORY_S,
        white_m=float(np.sqrt(DEFAULT_WHITE_SHARE)) * sigma_m,
    )


def _points_back(seen: Observations) -> bool:
    """Whether most headings point away from where the truck goes next."""
    step_m = np.hypot(np.diff(seen.x_m), np.diff(seen.y_m))
    if step_m.size == 0:
        return False
    stride = int(np.ceil(CLEAR_MOVE_M / max(float(np.median(step_m)), 1.0)))
    dx, dy = seen.x_m[stride:] - seen.x_m[:-stride], seen.y_m[stride:] - seen.y_m[:-stride]
    ahead = seen.heading_x[:-stride] * dx + seen.heading_y[:-stride] * dy
    clear = (np.hypot(dx, dy) > CLEAR_MOVE_M / 2.0) & (ahead != 0.0)
    return bool(clear.any() and np.mean(ahead[clear] > 0.0) < 0.5)


@compiled
def _cross_offsets(
    shape: Shape, graph: Graph, way: Way, seen: Observations, decoded: Decoded
) -> FloatArray:
    """Signed distance of each observation from its link, to the left positive; NaN off it."""
    n = decoded.link.size
    out = np.full(n, np.nan)
    stretch = 0
    for k in range(n):
        if way.place_chain[k] < 0:
            continue
        first = way.chain_start[way.place_chain[k]]
        last = way.chain_start[way.place_chain[k] + 1] - 1
        stretch = max(stretch, first)
        while stretch < last and way.place_m[k] >= way.mileage_m[stretch + 1]:
            stretch += 1
        x, y, ux, uy = point_on(shape, graph, way, stretch, way.place_m[k])
        out[k] = ux * (seen.y_m[k] - y) - uy * (seen.x_m[k] - x)
    return out


def refine(
    shape: Shape, graph: Graph, way: Way, seen: Observations, decoded: Decoded, guess: Noise
) -> Noise:
    """Noise from the residuals of a trace that has been matched once."""
    offset = _cross_offsets(shape, graph, way, seen, decoded)
    n = offset.size
    speed, link = seen.speed_mps[:n], decoded.link[:n]
    moving = (speed > MOVING_MPS) & np.isfinite(offset)
    if moving.sum() < ENOUGH:
        return guess
    sigma_m = float(np.median(np.abs(offset[moving]))) / NORMAL_MEDIAN
    sigma_m = min(max(sigma_m, MIN_SIGMA_M), MAX_SIGMA_M)
    step_s = seen.start_s[1:n] - seen.end_s[: n - 1]
    usual_s = max(float(np.median(step_s)), 0.1)
    usual = (np.abs(step_s - usual_s) < 0.25 * usual_s) & decoded.joined[1:n]
    straight = moving & (np.abs(offset) < 4.0 * sigma_m)
    memory_s, white_m = _memory(offset, straight, usual, link, usual_s, sigma_m)
    power = guess.accel_power
    if usual_s <= GAP_S:
        keep = usual & moving[1:] & moving[:-1]
        driven = 0.5 * (speed[1:] + speed[:-1]) * step_s
        miss = (np.diff(way.place_m[:n]) - driven)[keep]
        if miss.size >= ENOUGH:
            fade = float(np.exp(-usual_s / memory_s))
            slow = sigma_m**2 - white_m**2
            own = 2.0 * white_m**2 + 2.0 * slow * (1.0 - fade)
            spread = (float(np.median(np.abs(miss))) / NORMAL_MEDIAN) ** 2 - own
            power = min(max(12.0 * spread / usual_s**3, 0.05), 2.0)
    return guess._replace(sigma_m=sigma_m, memory_s=memory_s, white_m=white_m, accel_power=power)


def _memory(
    offset: FloatArray,
    straight: BoolArray,
    usual: BoolArray,
    link: IntArray,
    usual_s: float,
    sigma_m: float,
) -> tuple[float, float]:
    """Fading time of the error and its white part, from the correlations at one and two fixes."""
    same = usual & (link[1:] == link[:-1]) & straight[1:] & straight[:-1]
    twice = same[1:] & same[:-1]
    if twice.sum() < ENOUGH:
        return DEFAULT_MEMORY_S, float(np.sqrt(DEFAULT_WHITE_SHARE)) * sigma_m
    one = float(np.mean((offset[1:] * offset[:-1])[same]))
    two = float(np.mean((offset[2:] * offset[:-2])[twice]))
    all_m2 = float(np.mean(offset[straight] ** 2))
    if one < 0.05 * all_m2 or two <= 0.0:
        return usual_s, 0.97 * sigma_m
    fade = min(max(two / one, 0.05), 0.98)
    slow_share = min(max(one / fade / all_m2, 0.05), 0.97)
    return -usual_s / float(np.log(fade)), float(np.sqrt(1.0 - slow_share)) * sigma_m
