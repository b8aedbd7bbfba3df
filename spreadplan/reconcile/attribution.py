"""Where the reported mass went: each interval's mass along the way driven while spreading.

Units: pounds, metres. Directed segments as in :mod:`matching`: ``2 * row`` driven as digitised,
``2 * row + 1`` against, -1 off the route network.

A controller reports how much was released since the report before. That mass lies on the way
between the two fixes, not at the last of them, so it is spread evenly over the way and splits
where a segment ends. Mass released standing still stays where the truck stood, and mass that no
way can carry is kept as off route: nothing is ever dropped.
"""

from dataclasses import dataclass
from math import nan

import numpy as np
from numpy.typing import NDArray

from spreadplan.compiled import compiled
from spreadplan.matching.projection import FloatArray
from spreadplan.matching.search import BoolArray, IntArray, LongArray
from spreadplan.matching.trace import Match

STATUSES = ("matched", "off_route", "standing", "gap", "no_position")
MATCHED, OFF_ROUTE, STANDING, GAP, NO_POSITION = range(5)

UNKNOWN_SHARE = 0.5  # of a way on which spreading began or ended at an unknown place
STANDING_WAY_M = 5.0  # a truck that creeps no further than this in an interval leaves a pile
SHORTEST_KNOWN_M = 5.0  # ways shorter than this give no rate to compare with


@dataclass(frozen=True, kw_only=True)
class Attribution:
    """Reported mass by place.

    Pieces, shape (p,), in order of time: which fix's interval it belongs to, the directed segment,
    from where to where on it (from the digitised start; equal where the truck stood), and the
    mass. Off-route pieces have segment -1 and no place (NaN).

    ``fix_status`` has shape (n,): an index into STATUSES that says what became of the interval
    ending at the fix.
    """

    piece_fix: IntArray
    piece_segment: IntArray
    piece_from_m: FloatArray
    piece_to_m: FloatArray
    piece_mass_lb: FloatArray
    piece_standing: BoolArray
    fix_status: NDArray[np.int8]

    def segment_mass_lb(self, rows: int, standing: bool = False) -> FloatArray:
        """Mass by directed segment, shape (2 rows,); or only that released standing still.

        With `off_route_lb` it makes up the total.
        """
        on = self.piece_segment >= 0
        wanted = on & self.piece_standing if standing else on
        mass_lb = self.piece_mass_lb[wanted]
        return np.bincount(self.piece_segment[wanted], mass_lb, 2 * rows).astype(np.float64)

    @property
    def off_route_lb(self) -> float:
        """Mass that lies on no segment."""
        return float(self.piece_mass_lb[self.piece_segment < 0].sum())


def attribute_mass(match: Match, mass_lb: FloatArray, spreading: BoolArray) -> Attribution:
    """Attribute the mass released in each interval to directed segments.

    Parameters
    ----------
    match : the trace, n fixes.
    mass_lb : shape (n,), >= 0: released between the fix before and this one. The first entry is
        what is known to have been released just before the first fix; it stays at its place.
    spreading : shape (n,): the spreader was on at the fix. Where it is on at one end of an interval
        only, the mass lies on that end's part of the way, as long as the rate of the neighbouring
        interval makes it, or half if there is none.

    Raises
    ------
    ValueError : shapes differ, or a mass is negative or not a number (names the first).
    """
    mass = np.ascontiguousarray(mass_lb, dtype=np.float64)
    flags = np.ascontiguousarray(spreading, dtype=np.bool_)
    if mass.shape != match.segment.shape or flags.shape != match.segment.shape:
        raise ValueError(
            f"{match.segment.size} fixes, but {mass.size} masses and {flags.size} flags"
        )
    wrong = ~(np.isfinite(mass) & (mass >= 0.0))
    if wrong.any():
        first = int(np.argmax(wrong))
        raise ValueError(f"mass of fix {first} is {mass[first]} lb; it must be a number >= 0")
    way_m = _way_lengths(match.piece_start, match.piece_from_m, match.piece_to_m)
    part_from, part_to = _parts_spread(mass, flags, way_m)
    fix, segment, from_m, to_m, piece_mass, standing, status = _spread(
        match.segment,
        match.position_m,
        match.joined,
        match.standing,
        match.gap,
        match.piece_start,
        match.piece_segment,
        match.piece_from_m,
        match.piece_to_m,
        mass,
        way_m,
        part_from,
        part_to,
    )
    return Attribution(
        piece_fix=fix,
        piece_segment=segment,
        piece_from_m=from_m,
        piece_to_m=to_m,
        piece_mass_lb=piece_mass,
        piece_standing=standing,
        fix_status=status,
    )


@compiled
def _way_lengths(start: LongArray, from_m: FloatArray, to_m: FloatArray) -> FloatArray:
    """Length of the way driven in each interval."""
    out = np.zeros(start.size - 1)
    for i in range(out.size):
        for p in range(start[i], start[i + 1]):
            out[i] += abs(to_m[p] - from_m[p])
    return out


@compiled
def _parts_spread(
    mass_lb: FloatArray, spreading: BoolArray, way_m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Which part of each interval's way was spread, as fractions of its length."""
    n = mass_lb.size
    begin = np.zeros(n)
    end = np.ones(n)
    for i in range(1, n):
        if spreading[i] == spreading[i - 1] or mass_lb[i] == 0.0 or way_m[i] == 0.0:
            continue
        # Compare with the interval on the side where the spreader was on all the time.
        other = i + 1 if spreading[i] else i - 1
        known = (
            0 < other < n
            and spreading[other]
            and spreading[other - 1]
            and way_m[other] >= SHORTEST_KNOWN_M
            and mass_lb[other] > 0.0
        )
        share = UNKNOWN_SHARE
        if known:
            share = min(mass_lb[i] * way_m[other] / (mass_lb[other] * way_m[i]), 1.0)
        if spreading[i]:
            begin[i] = 1.0 - share
        else:
            end[i] = share
    return begin, end


@compiled
def _spread(
    segment: IntArray,
    position_m: FloatArray,
    joined: BoolArray,
    standing: BoolArray,
    gap: BoolArray,
    piece_start: LongArray,
    piece_segment: IntArray,
    piece_from_m: FloatArray,
    piece_to_m: FloatArray,
    mass_lb: FloatArray,
    way_m: FloatArray,
    part_from: FloatArray,
    part_to: FloatArray,
) -> tuple[IntArray, IntArray, FloatArray, FloatArray, FloatArray, BoolArray, NDArray[np.int8]]:
    """Pieces with mass, and what became of each interval."""
    n = segment.size
    room = piece_segment.size + n
    fix = np.empty(room, np.int32)
    out = np.empty(room, np.int32)
    from_m = np.empty(room)
    to_m = np.empty(room)
    mass = np.empty(room)
    still = np.zeros(room, np.bool_)
    status = np.full(n, MATCHED, np.int8)
    used = 0
    for i in range(n):
        on_way = (joined[i] or i == 0) and segment[i] >= 0
        stood = way_m[i] < STANDING_WAY_M and (standing[i] or (i > 0 and standing[i - 1]))
        if gap[i]:
            status[i] = GAP
        elif segment[i] < 0 or (not on_way and mass_lb[i] > 0.0):
            status[i] = OFF_ROUTE
        elif stood:
            status[i] = STANDING
        if mass_lb[i] == 0.0:
            continue
        if not on_way or way_m[i] == 0.0:
            fix[used] = i
            out[used] = segment[i] if on_way else -1
            from_m[used] = to_m[used] = position_m[i] if on_way else nan
            mass[used] = mass_lb[i]
            still[used] = on_way
            used += 1
            continue
        low = part_from[i] * way_m[i]
        high = part_to[i] * way_m[i]
        gone_m = 0.0
        rest_lb = mass_lb[i]
        for p in range(piece_start[i], piece_start[i + 1]):
            length_m = abs(piece_to_m[p] - piece_from_m[p])
            sign = 1.0 if piece_to_m[p] > piece_from_m[p] else -1.0
            a = max(low - gone_m, 0.0)
            b = min(high - gone_m, length_m)
            gone_m += length_m
            if b <= a:
                continue
            fix[used] = i
            out[used] = piece_segment[p]
            from_m[used] = piece_from_m[p] + sign * a
            to_m[used] = piece_from_m[p] + sign * b
            mass[used] = min(mass_lb[i] * (b - a) / (high - low), rest_lb)
            still[used] = stood
            rest_lb -= mass[used]
            used += 1
        # What rounding left over, so that each interval's mass is kept whole.
        mass[used - 1] += rest_lb
    return (
        fix[:used].copy(),
        out[:used].copy(),
        from_m[:used].copy(),
        to_m[:used].copy(),
        mass[:used].copy(),
        still[:used].copy(),
        status,
    )
