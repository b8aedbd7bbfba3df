"""The way a truck drove: the decoded places joined into unbroken chains of stretches.

Units: metres, seconds. A *stretch* is a part of one directed link driven without turning. The
stretches of all chains of a trace lie end to end along one coordinate, the *mileage*, so that a
place on the way is one number; a chain covers the mileages from the start of its first stretch
to the end of its last.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from spreadplan.compiled import compiled, inlined
from spreadplan.matching.candidates import Noise, search_radius
from spreadplan.matching.decode import (
    BY_TABLE,
    LONGEST_GAP_S,
    MAX_SPEED_MPS,
    SAME_LINK,
    Decoded,
    Observations,
    entered_at,
    entry_found,
    expected_distance,
    leads_on,
    leg,
    search_limit,
)
from spreadplan.matching.network import AT, UX, UY, Shape, X, Y
from spreadplan.matching.projection import FloatArray
from spreadplan.matching.search import (
    BEFORE,
    Graph,
    IntArray,
    Reach,
    Scratch,
    find_entry,
    search,
)

MAX_BRIDGED = 3  # so many observations in a row off the network may be outliers
BRIDGE_DEVIATIONS = 3.0  # how well the way must agree with the distance driven


class Way(NamedTuple):
    """Stretches in the order driven, shape (stretches,), and where the observations lie on them."""

    link: IntArray  # directed link
    from_m: FloatArray  # along the directed link
    to_m: FloatArray
    mileage_m: FloatArray  # at the start of the stretch
    chain_start: IntArray  # (chains + 1,) into the stretches
    place_chain: IntArray  # (observations,) chain of each observation, -1 off the network
    place_m: FloatArray  # (observations,) its mileage


class _Growing(NamedTuple):
    link: IntArray
    from_m: FloatArray
    to_m: FloatArray


@compiled
def _grow(way: _Growing, needed: int) -> _Growing:
    if needed <= way.link.size:
        return way
    extra = max(needed, way.link.size)
    return _Growing(
        np.append(way.link, np.zeros(extra, np.int32)),
        np.append(way.from_m, np.zeros(extra)),
        np.append(way.to_m, np.zeros(extra)),
    )


@inlined
def _links_between(
    graph: Graph, reach: Reach, work: Scratch, searched: bool, a: int, b: int
) -> IntArray:
    """The directed links driven between a and b, in order, without either."""
    count = 0
    found = np.empty(16, np.int32)
    at = b
    while not (at == b and b != a ^ 1 and graph.end_node[a] == graph.end_node[b ^ 1]):
        if searched:
            at = work.previous[at]
        else:
            at = int(reach.entry[find_entry(reach.start, reach.entry, a, at), BEFORE])
        if at == a:
            break
        if count == found.size:
            found = np.append(found, np.empty(count, np.int32))
        found[count] = at
        count += 1
    return found[:count][::-1].copy()


@compiled
def _driven_between(
    seen: Observations, noise: Noise, last: int, k: int, duration_s: float
) -> tuple[float, float]:
    """Distance expected to have been driven from one observation to another, and its doubt."""
    driven_m, cube_s3, unsure_m2 = 0.0, 0.0, 0.0
    for i in range(last + 1, k + 1):
        driven_m += seen.driven_m[i]
        cube_s3 += seen.cube_s3[i]
        unsure_m2 += seen.unsure_m2[i]
    return expected_distance(
        duration_s,
        driven_m,
        cube_s3,
        unsure_m2,
        seen.x_m[k] - seen.x_m[last],
        seen.y_m[k] - seen.y_m[last],
        noise.sigma_m,
        noise.accel_power,
    )


@compiled
def bridge_outliers(
    graph: Graph,
    reach: Reach,
    work: Scratch,
    noise: Noise,
    seen: Observations,
    decoded: Decoded,
) -> NDArray[np.bool_]:
    """Find observations off the network that are outliers of a truck that never left it.

    A few in a row between two places on the network, joined by a way that agrees with the
    distance driven. Marks the later place as joined; returns the outliers, shape (n,).
    """
    n = decoded.link.size
    outlier = np.zeros(n, np.bool_)
    last = -1
    for k in range(n):
        if decoded.link[k] < 0:
            continue
        between = k - last - 1
        if last >= 0 and 0 < between <= MAX_BRIDGED:
            duration_s = seen.start_s[k] - seen.end_s[last]
            expected_m, deviation_m = _driven_between(seen, noise, last, k, duration_s)
            a, b = decoded.link[last], decoded.link[k]
            limit_m = search_limit(duration_s, expected_m, deviation_m)
            goal = (seen.x_m[k], seen.y_m[k], search_radius(noise.sigma_m))
            search(graph, work, a, limit_m, decoded.link[k : k + 1], goal)
            score, way_m, _ = leg(
                graph.length_m,
                entry_found(work, b),
                a,
                decoded.at_m[last],
                b,
                decoded.at_m[k],
                expected_m,
                deviation_m,
            )
            fits = abs(way_m - expected_m) <= BRIDGE_DEVIATIONS * deviation_m
            drivable = way_m <= MAX_SPEED_MPS * duration_s
            if score > -np.inf and fits and drivable and duration_s <= LONGEST_GAP_S:
                decoded.joined[k] = True
                outlier[last + 1 : k] = True
        last = k
    return outlier


@compiled
def trace_way(
    graph: Graph,
    reach: Reach,
    work: Scratch,
    noise: Noise,
    seen: Observations,
    decoded: Decoded,
) -> Way:
    """Join the decoded places into chains of stretches."""
    link, at_m, joined, length_m = decoded.link, decoded.at_m, decoded.joined, graph.length_m
    n = link.size
    way = _Growing(np.zeros(n + 16, np.int32), np.zeros(n + 16), np.zeros(n + 16))
    used = 0
    chains = 0
    chain_start = np.zeros(n + 1, np.int32)
    stretch = np.full(n, -1, np.int32)
    chain = np.full(n, -1, np.int32)
    last = -1
    for k in range(n):
        b = link[k]
        if b < 0:
            continue
        if last < 0 or not joined[k]:
            way = _grow(way, used + 1)
            chain_start[chains] = used
            chains += 1
            way.link[used] = b
            way.from_m[used] = 0.0
            way.to_m[used] = length_m[b >> 1]
            used += 1
        elif link[last] != b or at_m[k] < at_m[last]:
            way, used = _add_leg(graph, reach, work, noise, seen, decoded, last, k, way, used)
        stretch[k] = used - 1
        chain[k] = chains - 1
        last = k
    chain_start[chains] = used
    mileage = np.zeros(used + 1)
    mileage[1:] = np.cumsum(way.to_m[:used] - way.from_m[:used])
    place = np.full(n, np.nan)
    from_m = way.from_m
    for k in range(n):
        if stretch[k] >= 0:
            place[k] = mileage[stretch[k]] + at_m[k] - from_m[stretch[k]]
    return Way(
        way.link[:used].copy(),
        way.from_m[:used].copy(),
        way.to_m[:used].copy(),
        mileage[:used].copy(),
        chain_start[: chains + 1].copy(),
        chain,
        place,
    )


@inlined
def _add_leg(
    graph: Graph,
    reach: Reach,
    work: Scratch,
    noise: Noise,
    seen: Observations,
    decoded: Decoded,
    last: int,
    k: int,
    way: _Growing,
    used: int,
) -> tuple[_Growing, int]:
    """Append the stretches from observation ``last`` to ``k``."""
    a, b = decoded.link[last], decoded.link[k]
    a_at, b_at = decoded.at_m[last], decoded.at_m[k]
    duration_s = max(seen.start_s[k] - seen.end_s[last], 1e-3)
    expected_m, deviation_m = _driven_between(seen, noise, last, k, duration_s)
    limit_m = search_limit(duration_s, expected_m, deviation_m)
    searched = limit_m > reach.limit_m
    if leads_on(graph.end_node, a, a_at, b, b_at, deviation_m):
        entry = (0.0, 0.0)
    elif searched:
        goal = (seen.x_m[k], seen.y_m[k], search_radius(noise.sigma_m))
        search(graph, work, a, limit_m, decoded.link[k : k + 1], goal)
        entry = entry_found(work, b)
    else:
        entry = entered_at(reach.start, reach.entry, a, b)
    _, way_m, kind = leg(graph.length_m, entry, a, a_at, b, b_at, expected_m, deviation_m)
    if kind == SAME_LINK:
        return way, used
    length_m = graph.length_m[a >> 1]
    begin_m = 0.0
    if kind == BY_TABLE:
        between = _links_between(graph, reach, work, searched, a, b)
        way = _grow(way, used + between.size + 1)
        for c in between:
            way.link[used] = c
            way.from_m[used] = 0.0
            way.to_m[used] = graph.length_m[c >> 1]
            used += 1
    else:
        # Turned round on the link, where the distance driven says.
        turn_m = min(max(0.5 * (way_m + a_at + length_m - b_at), a_at), length_m)
        way.to_m[used - 1] = max(turn_m, way.from_m[used - 1])
        begin_m = length_m - way.to_m[used - 1]
        way = _grow(way, used + 1)
    way.link[used] = b
    way.from_m[used] = begin_m
    way.to_m[used] = graph.length_m[b >> 1]
    return way, used + 1


@inlined
def point_on_way(
    piece_start: IntArray,
    piece: FloatArray,
    length_m: FloatArray,
    way_link: IntArray,
    way_from_m: FloatArray,
    way_mileage_m: FloatArray,
    stretch: int,
    mileage_m: float,
) -> tuple[float, float, float, float]:
    """Position and direction of travel at a mileage that lies on a stretch: x, y, ux, uy."""
    directed = way_link[stretch]
    link = directed >> 1
    at_m = way_from_m[stretch] + mileage_m - way_mileage_m[stretch]
    sign = 1.0
    if directed & 1:
        at_m = length_m[link] - at_m
        sign = -1.0
    low = piece_start[link]
    high = piece_start[link + 1] - 1
    while low < high:
        middle = (low + high + 1) >> 1
        if piece[middle, AT] <= at_m:
            low = middle
        else:
            high = middle - 1
    along = at_m - piece[low, AT]
    ux = piece[low, UX]
    uy = piece[low, UY]
    return piece[low, X] + along * ux, piece[low, Y] + along * uy, sign * ux, sign * uy


@compiled
def point_on(
    shape: Shape, graph: Graph, way: Way, stretch: int, mileage_m: float
) -> tuple[float, float, float, float]:
    """The same outside the hottest loops."""
    return point_on_way(
        shape.piece_start,
        shape.piece,
        graph.length_m,
        way.link,
        way.from_m,
        way.mileage_m,
        stretch,
        mileage_m,
    )
