"""Where on the network a position may belong, and how well it fits there.

Units: metres; scores are natural log-likelihoods up to a common constant.
"""

from math import floor, log1p
from typing import NamedTuple

import numpy as np

from spreadplan.compiled import compiled, inlined
from spreadplan.matching.network import AT, LENGTH, LINK, UX, UY, X, Y
from spreadplan.matching.projection import FloatArray
from spreadplan.matching.search import BoolArray, IntArray

MAX_CANDIDATES = 16  # directed links kept per position
MAX_LINKS = 64  # links looked at per position
KEEP_WITHIN = 7.0  # candidates this much less likely than the best are dropped

# Positions err with heavy tails (multipath, cold receivers): Student's t with few degrees of
# freedom keeps one bad fix from ruling the whole trace, where a Gaussian would.
TAIL_DEGREES = 4.0
OFF_NETWORK_SIGMAS = 4.0  # a position as far from every link as this is as likely off the network
OFF_NETWORK_EXTRA = -0.5
HEADING_FLOOR = -7.0  # a heading can be plain wrong
OWN_ROUTE_BONUS = 0.3  # the assigned route is a prior, not a constraint


class Noise(NamedTuple):
    """How far positions, headings and speeds of a trace can be trusted."""

    sigma_m: float  # standard deviation of a coordinate
    heading_rad: float  # standard deviation of a heading while moving
    accel_power: float  # spectral density of acceleration, m^2/s^3
    memory_s: float  # time in which a position error fades to 1/e
    white_m: float  # part of sigma_m that is new with every fix


@compiled
def make_found() -> tuple[IntArray, FloatArray]:
    """Working memory for :func:`nearest_links`."""
    return np.zeros(MAX_LINKS, np.int32), np.zeros((MAX_LINKS, 4))


@inlined
def search_radius(sigma_m: float) -> float:
    """Candidates are sought this far away: four standard deviations and a lane's width."""
    return min(max(4.0 * sigma_m + 5.0, 15.0), 100.0)


@inlined
def distance_score(square_m2: float, sigma_m: float) -> float:
    """Log-likelihood of a distance from the link, 0 at none."""
    scaled = square_m2 / (TAIL_DEGREES * sigma_m * sigma_m)
    return -0.5 * (TAIL_DEGREES + 1.0) * log1p(scaled)


@inlined
def heading_score(cosine: float, heading_rad: float) -> float:
    """Log-likelihood of an angle between heading and link, 0 at none."""
    return max((cosine - 1.0) / (heading_rad * heading_rad), HEADING_FLOOR)


@compiled
def off_network_score(sigma_m: float) -> float:
    """Log-likelihood of a position if the truck is on no link."""
    return distance_score((OFF_NETWORK_SIGMAS * sigma_m) ** 2, sigma_m) + OFF_NETWORK_EXTRA


@inlined
def nearest_links(
    cell_start: IntArray,
    filed: FloatArray,
    grid: tuple[float, float, float, int, int],
    x_m: float,
    y_m: float,
    radius_m: float,
    found_link: IntArray,
    found: FloatArray,
) -> int:
    """Nearest point of every link within the radius; how many there are.

    Fills ``found_link`` and the columns of ``found``: squared distance, place along the link,
    direction of the link there (x, y).
    """
    origin_x_m, origin_y_m, cell_m, columns, lines = grid
    count = 0
    limit = radius_m * radius_m
    x = x_m - origin_x_m
    y = y_m - origin_y_m
    first_column = max(floor((x - radius_m) / cell_m), 0)
    last_column = min(floor((x + radius_m) / cell_m), columns - 1)
    first_line = max(floor((y - radius_m) / cell_m), 0)
    last_line = min(floor((y + radius_m) / cell_m), lines - 1)
    if last_column < first_column:
        last_line = first_line - 1
    for line in range(first_line, last_line + 1):
        # Cells of one line lie side by side in the index.
        begin = cell_start[line * columns + first_column]
        end = cell_start[line * columns + last_column + 1]
        for i in range(begin, end):
            dx = x_m - filed[i, X]
            dy = y_m - filed[i, Y]
            ux = filed[i, UX]
            uy = filed[i, UY]
            t = min(max(dx * ux + dy * uy, 0.0), filed[i, LENGTH])
            dx -= t * ux
            dy -= t * uy
            square = dx * dx + dy * dy
            if square > limit:
                continue
            link = int(filed[i, LINK])
            slot = 0
            while slot < count and found_link[slot] != link:
                slot += 1
            if slot == count:
                if count == MAX_LINKS:
                    continue
                count += 1
                found_link[slot] = link
            elif found[slot, 0] <= square:
                continue
            found[slot, 0] = square
            found[slot, 1] = filed[i, AT] + t
            found[slot, 2] = ux
            found[slot, 3] = uy
    return count


@inlined
def rank_candidates(
    length_m: FloatArray,
    is_open: BoolArray,
    own: BoolArray,
    sigma_m: float,
    heading_rad: float,
    heading_x: float,
    heading_y: float,
    links: int,
    found_link: IntArray,
    found: FloatArray,
    first: int,
    link: IntArray,
    at_m: FloatArray,
    score: FloatArray,
) -> int:
    """Directed links a position may belong to, best first; one past the last.

    The heading is a unit vector, or (0, 0) if the truck isn't moving or doesn't say. Fills
    ``link``, ``at_m`` (from the start of the directed link) and ``score`` from index ``first`` on;
    they must have room for MAX_CANDIDATES more.
    """
    has_heading = heading_x != 0.0 or heading_y != 0.0
    last = first
    best = -np.inf
    for i in range(links):
        distance = distance_score(found[i, 0], sigma_m)
        if distance + OWN_ROUTE_BONUS < best - KEEP_WITHIN:
            continue
        cosine = heading_x * found[i, 2] + heading_y * found[i, 3]
        for way in range(2):
            directed = 2 * found_link[i] + way
            if not is_open[directed]:
                continue
            value = distance
            if has_heading:
                value += heading_score(cosine if way == 0 else -cosine, heading_rad)
            if own[directed]:
                value += OWN_ROUTE_BONUS
            if value < best - KEEP_WITHIN:
                continue
            best = max(best, value)
            if last == first + MAX_CANDIDATES:
                if value <= score[last - 1]:
                    continue
                last -= 1
            # Insert in order of score.
            k = last
            while k > first and score[k - 1] < value:
                link[k] = link[k - 1]
                at_m[k] = at_m[k - 1]
                score[k] = score[k - 1]
                k -= 1
            link[k] = directed
            at_m[k] = found[i, 1] if way == 0 else length_m[found_link[i]] - found[i, 1]
            score[k] = value
            last += 1
    while last > first and score[last - 1] < best - KEEP_WITHIN:
        last -= 1
    return last
