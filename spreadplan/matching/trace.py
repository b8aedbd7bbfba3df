"""Match the trace of one truck to the directed network: which segment, where on it, which way.

Units: seconds, metres in the network's local plane, metres per second, degrees clockwise from
north. One truck at a time on one thread; memory grows with the length of that trace only, and the
result depends on nothing but the arguments.

Steps: throw out impossible fixes; take a period of standing still as one observation; decode the
most likely sequence of links (:mod:`decode`); join it into an unbroken way (:mod:`way`); learn
the noise from the residuals (:mod:`noise`); smooth the fixes along the way (:mod:`smoothing`).
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from spreadplan.compiled import compiled
from spreadplan.matching.candidates import Noise
from spreadplan.matching.decode import GAP_S, Decoded, Observations, decode
from spreadplan.matching.network import Network, Shape
from spreadplan.matching.noise import USELESS_HEADING_RAD, first_guess, refine
from spreadplan.matching.prepare import (
    STANDING_MPS,
    Fixes,
    credible_speed,
    fix_places,
    impossible_fixes,
    observe,
    sample_windows,
    unit_headings,
)
from spreadplan.matching.projection import FloatArray
from spreadplan.matching.search import (
    BoolArray,
    Graph,
    IntArray,
    LongArray,
    Scratch,
    make_scratch,
)
from spreadplan.matching.smoothing import Track, smooth_way
from spreadplan.matching.way import Way, bridge_outliers, point_on_way, trace_way

REDO_RATIO = 1.5  # decode again if the first guess of the noise was this far off


@dataclass(frozen=True, kw_only=True)
class Match:
    """Where one truck drove.

    Shape (n,) for n fixes. Directed segments are ``2 * row`` (driven as digitised) or
    ``2 * row + 1`` (against), rows being those of the routes table; -1 is off the network.
    Distances along a segment are metres from its *digitised* start, whichever way it is driven.

    The pieces ``piece_start[i]:piece_start[i + 1]`` are the way driven from fix ``i - 1`` to fix
    ``i``, in order; there are none if the truck stood still, or if ``joined[i]`` is False, which
    says that no way along the network leads from the fix before.
    """

    segment: IntArray
    position_m: FloatArray
    offset_m: FloatArray  # distance of the fix from its place on the segment
    joined: BoolArray
    standing: BoolArray
    gap: BoolArray  # a silence of over GAP_S before this fix
    outlier: BoolArray  # the position was impossible; placed by its neighbours
    piece_start: LongArray  # (n + 1,)
    piece_segment: IntArray
    piece_from_m: FloatArray
    piece_to_m: FloatArray
    noise: Noise

    @property
    def along(self) -> BoolArray:
        """True where the segment is driven in its digitised direction."""
        return np.asarray(self.segment & 1 == 0)

    @property
    def row(self) -> IntArray:
        """Row of the routes table, -1 off the network."""
        return self.segment >> 1


def match_trace(
    network: Network,
    time_s: FloatArray,
    x_m: FloatArray,
    y_m: FloatArray,
    speed_mps: FloatArray,
    heading_deg: FloatArray,
    own_routes: frozenset[str] = frozenset(),
) -> Match:
    """Match one truck's fixes.

    Parameters
    ----------
    network : all route segments.
    time_s : shape (n,), never decreasing.
    x_m, y_m : shape (n,), in ``network.plane``. NaN: position missing, placed by its neighbours.
    speed_mps : shape (n,), metres per second. NaN: unknown.
    heading_deg : shape (n,), degrees clockwise from north. NaN: unknown.
    own_routes : route ids the truck is assigned to, preferred where positions can't decide.

    Returns
    -------
    Match, fix by fix, shape (n,), distances in metres.

    Raises
    ------
    ValueError : shapes differ or times decrease.
    """
    arrays = [
        np.ascontiguousarray(a, dtype=np.float64)
        for a in (time_s, x_m, y_m, speed_mps, heading_deg)
    ]
    time_s, x_m, y_m, speed_mps, heading_deg = arrays
    if any(a.shape != time_s.shape or a.ndim != 1 for a in arrays):
        raise ValueError("time, position, speed and heading must have one shape (n,)")
    if time_s.size and not np.all(np.diff(time_s) >= 0.0):
        raise ValueError("times must not decrease; sort the fixes first")
    speed = credible_speed(time_s, x_m, y_m, speed_mps)
    outlier = impossible_fixes(time_s, x_m, y_m, speed)
    standing = speed < STANDING_MPS
    if outlier.all():
        return _nothing(time_s, standing, outlier)
    heading_x, heading_y = unit_headings(heading_deg, speed)
    fixes = Fixes(time_s, x_m, y_m, speed, heading_x, heading_y, outlier)
    row_is_own = network.rows_of(own_routes)
    own = network.own_links(row_is_own)
    work = make_scratch(network.graph)
    noise = _learn_noise(network, own, work, fixes)
    seen, member = observe(fixes, True)
    way, _, bridged = _drive(network, own, work, noise, seen)
    chain, place = fix_places(time_s, member, outlier, bridged, way.place_chain, way.place_m)
    track = Track(x_m, y_m, time_s, speed, heading_x, heading_y, standing, ~outlier, chain)
    stretch = smooth_way(network.shape, network.graph, way, track, noise, place)
    return _result(network, row_is_own, way, track, stretch, place, outlier, noise)


def _drive(
    network: Network, own: BoolArray, work: Scratch, noise: Noise, seen: Observations
) -> tuple[Way, Decoded, BoolArray]:
    """The way driven, the places decoded, and which observations are outliers on it."""
    shape, graph, reach = network.shape, network.graph, network.reach
    decoded = decode(shape, graph, reach, work, own, noise, seen)
    bridged = bridge_outliers(graph, reach, work, noise, seen, decoded)
    return trace_way(graph, reach, work, noise, seen, decoded), decoded, bridged


def _learn_noise(network: Network, own: BoolArray, work: Scratch, fixes: Fixes) -> Noise:
    """Match a few samples of the trace, learn the noise from the residuals; twice if far off."""
    rows = sample_windows(fixes.time_s.size)
    sample = Fixes(
        fixes.time_s[rows],
        fixes.x_m[rows],
        fixes.y_m[rows],
        fixes.speed_mps[rows],
        fixes.heading_x[rows],
        fixes.heading_y[rows],
        fixes.outlier[rows],
    )
    seen, _ = observe(sample, False)
    if seen.x_m.size == 0:
        seen, _ = observe(fixes, False)
    noise = first_guess(network.shape, seen)
    if noise.heading_rad >= USELESS_HEADING_RAD:
        # Forget the headings, here and in the caller's arrays.
        for column in (fixes.heading_x, fixes.heading_y, seen.heading_x, seen.heading_y):
            column[:] = 0.0
    for _ in range(2):
        way, decoded, _ = _drive(network, own, work, noise, seen)
        guess, noise = noise, refine(network.shape, network.graph, way, seen, decoded, noise)
        if 1.0 / REDO_RATIO < noise.sigma_m / guess.sigma_m < REDO_RATIO:
            break
    return noise


def _result(
    network: Network,
    row_is_own: BoolArray,
    way: Way,
    track: Track,
    stretch: IntArray,
    place: FloatArray,
    outlier: BoolArray,
    noise: Noise,
) -> Match:
    """Translate places on the way into places on segments."""
    owners = network.owners
    segment, base, sign = owner_of_stretches(
        way.link,
        way.from_m,
        way.mileage_m,
        owners.row_start,
        owners.row,
        owners.along,
        owners.at_m,
        row_is_own,
    )
    fix_segment, position, offset = places_on_segments(
        network.shape,
        network.graph,
        way,
        track,
        stretch,
        place,
        segment,
        base,
        sign,
        network.length_m,
    )
    joined = np.zeros(stretch.size, np.bool_)
    joined[1:] = (stretch[1:] >= 0) & (track.chain[1:] == track.chain[:-1])
    piece_start, piece_segment, piece_from, piece_to = pieces_driven(
        way.mileage_m, segment, base, sign, stretch, place, joined
    )
    gap = np.zeros(stretch.size, np.bool_)
    gap[1:] = track.time_s[1:] - track.time_s[:-1] > GAP_S
    return Match(
        segment=fix_segment,
        position_m=position,
        offset_m=offset,
        joined=joined,
        standing=track.standing,
        gap=gap,
        outlier=outlier,
        piece_start=piece_start,
        piece_segment=piece_segment,
        piece_from_m=piece_from,
        piece_to_m=piece_to,
        noise=noise,
    )


@compiled
def owner_of_stretches(
    link: IntArray,
    from_m: FloatArray,
    mileage_m: FloatArray,
    row_start: IntArray,
    owner_row: IntArray,
    owner_along: BoolArray,
    owner_at_m: FloatArray,
    row_is_own: BoolArray,
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Directed segment of each stretch, and how a mileage m is a place on it: base + sign * m.

    Of several owners the first by name of an own route is taken, else the first by name.
    """
    segment = np.empty(link.size, np.int32)
    base = np.empty(link.size)
    sign = np.empty(link.size)
    for s in range(link.size):
        chosen = row_start[link[s]]
        for i in range(row_start[link[s]], row_start[link[s] + 1]):
            if row_is_own[owner_row[i]]:
                chosen = i
                break
        sign[s] = 1.0 if owner_along[chosen] else -1.0
        segment[s] = 2 * owner_row[chosen] + (0 if owner_along[chosen] else 1)
        base[s] = owner_at_m[chosen] + sign[s] * (from_m[s] - mileage_m[s])
    return segment, base, sign


@compiled
def places_on_segments(
    shape: Shape,
    graph: Graph,
    way: Way,
    track: Track,
    stretch: IntArray,
    place_m: FloatArray,
    segment: IntArray,
    base: FloatArray,
    sign: FloatArray,
    row_length_m: FloatArray,
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Segment, place on it and distance from it of every fix; -1 and NaN off the network."""
    piece_start, piece, length_m = shape.piece_start, shape.piece, graph.length_m
    way_link, way_from, way_mileage = way.link, way.from_m, way.mileage_m
    x_m, y_m = track.x_m, track.y_m
    fix_segment = np.full(stretch.size, -1, np.int32)
    position = np.full(stretch.size, np.nan)
    offset = np.full(stretch.size, np.nan)
    for i in range(stretch.size):
        s = stretch[i]
        if s < 0:
            continue
        fix_segment[i] = segment[s]
        at_m = base[s] + sign[s] * place_m[i]
        position[i] = min(max(at_m, 0.0), row_length_m[segment[s] >> 1])
        x, y, _, _ = point_on_way(
            piece_start, piece, length_m, way_link, way_from, way_mileage, s, place_m[i]
        )
        offset[i] = sqrt((x_m[i] - x) ** 2 + (y_m[i] - y) ** 2)
    return fix_segment, position, offset


@compiled
def pieces_driven(
    mileage_m: FloatArray,
    segment: IntArray,
    base_m: FloatArray,
    sign: FloatArray,
    stretch: IntArray,
    place_m: FloatArray,
    joined: BoolArray,
) -> tuple[LongArray, IntArray, FloatArray, FloatArray]:
    """The pieces of segments driven between fixes, stretches of one segment taken together."""
    n = stretch.size
    room = n
    for i in range(1, n):
        if joined[i]:
            room += stretch[i] - stretch[i - 1]
    start = np.zeros(n + 1, np.int64)
    out_segment = np.empty(room, np.int32)
    out_from = np.empty(room)
    out_to = np.empty(room)
    used = 0
    for i in range(n):
        start[i] = used
        if not joined[i]:
            continue
        for s in range(stretch[i - 1], stretch[i] + 1):
            low = place_m[i - 1] if s == stretch[i - 1] else mileage_m[s]
            high = place_m[i] if s == stretch[i] else mileage_m[s + 1]
            if high <= low:
                continue
            from_m = base_m[s] + sign[s] * low
            to_m = base_m[s] + sign[s] * high
            if (
                used > start[i]
                and out_segment[used - 1] == segment[s]
                and abs(out_to[used - 1] - from_m) < 1e-3
            ):
                out_to[used - 1] = to_m
                continue
            out_segment[used] = segment[s]
            out_from[used] = from_m
            out_to[used] = to_m
            used += 1
    start[n] = used
    return start, out_segment[:used].copy(), out_from[:used].copy(), out_to[:used].copy()


def _nothing(time_s: FloatArray, standing: BoolArray, outlier: BoolArray) -> Match:
    """The match of a trace without one usable position."""
    n = time_s.size
    empty = np.zeros(0)
    return Match(
        segment=np.full(n, -1, np.int32),
        position_m=np.full(n, np.nan),
        offset_m=np.full(n, np.nan),
        joined=np.zeros(n, np.bool_),
        standing=standing,
        gap=np.zeros(n, np.bool_),
        outlier=outlier,
        piece_start=np.zeros(n + 1, np.int64),
        piece_segment=np.zeros(0, np.int32),
        piece_from_m=empty,
        piece_to_m=empty,
        noise=Noise(np.nan, np.nan, np.nan, np.nan, np.nan),
    )
