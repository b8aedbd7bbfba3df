"""What one truck put where in a storm: records → increments → way → mass on segments.

One truck at a time, so that memory holds one truck's records and the same function can run on
another machine. Masses in lb, lengths in metres.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import isfinite, sqrt
from typing import Any, Final, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.compiled import compiled
from spreadplan.matching.decode import GAP_S
from spreadplan.matching.network import Network
from spreadplan.matching.projection import FloatArray
from spreadplan.matching.search import BoolArray, IntArray, LongArray
from spreadplan.matching.trace import Match, match_trace
from spreadplan.reconcile.applied import OFF_ROUTE, timing_u_lb
from spreadplan.reconcile.attribution import NO_POSITION, Attribution, attribute_mass
from spreadplan.reconcile.increments import Increments, released_by
from spreadplan.reconcile.road_temperatures import measured
from spreadplan.reconcile.set_rates import (
    by_lanes,
    tells_liquid,
    tells_set_rates_only,
    with_set_rates,
)
from spreadplan.schema.telemetry import ONLY_IF_GIVEN, TruckRecords

MPS_PER_MPH: Final = 0.44704

JOINT_U_M: Final = 4.0
"""Standard uncertainty of where along the way a truck crosses the end of a segment, metres. Common
practice, no source; the benchmark measures less."""

SILENCE: Final = 3.0
"""A pause of more than this many usual intervals, and `GAP_S`, is a silence. Common practice, no
source."""

BELIEVED_SHARE: Final = 0.5
"""Where less of a truck's mass lies on the routes, its positions are not believed to tell that the
rest lies elsewhere. Common practice, no source."""


STUCK_M: Final = 200.0
"""A truck that drives so far while its position stays the same to the last digit has a receiver
that is stuck, metres: more than the cell of a position given to three decimals. Common practice, no
source."""

NEW_PASS_S: Final = 600.0
"""Spreading on the same segment after a longer pause is another pass. Common practice, no
source."""

NO_LIQUID: Final[Mapping[str, float]] = {}

Columns: TypeAlias = Mapping[str, Any]


@dataclass(frozen=True, eq=False, kw_only=True)
class TruckUse:
    """What one truck did in a storm.

    Attributes
    ----------
    Tables are columns of one length by name; `stacked` makes one table of many trucks.

    points : columns of ``use_points.parquet``, each shape (n,), in order of time.
    segments : route_id, segment_id, material, truck_id, reported_lb, spread_s (time in which
        that was released), liquid_gal (released with it; NaN where no record tells of liquid),
        passes, standing_lb, matching_u_lb, timing_u_lb, unplaced_lb; mass
        without a segment is on a row `OFF_ROUTE`. unplaced_lb is the part of which nobody knows
        where it lies; on a segment, what was put there along a way through a silence.
    driven : row of the routes table, driven_m, with the spreader on or off, as far as it is known
        how much was released there; unheard_m as far as it is not.
    lost_lb : what it may have released, at its usual rate, while no record tells how much or where.
    piles : mass released standing still: row, position_m, mass_lb; shape (p,) each.
    heard_share : share of its way of which is known where it led and how much was released, 0 to 1.
    known_share : see `Increments`.
    first_s, last_s : time of the first and the last record, seconds since 1970 UTC.
    counts : odd things that were put right, by what they are.
    left_out_lb : impossible jumps of the total, not counted as mass.
    treatments : passes while spreading, in order of time: route_id, segment_id, material, time_s
        and until_s (of the first and the last record that tell of it), reported_lb, passes (share
        of the segment), directed (see `matching`).
    plowed : passes with the plow down, likewise: directed, time_s, until_s, passes; without columns
        where no record tells of a plow.
    temperatures : what the truck's own sensors measured, see `road_temperatures.measured`.
    step_lb, spread_s : see `Increments`.
    set_rate : whether it tells what it was set to and nothing of what it released, see `set_rates`.
    """

    truck_id: str
    points: Columns
    segments: Columns
    driven: Columns
    lost_lb: float
    piles: Columns
    heard_share: float
    known_share: float
    first_s: float
    last_s: float
    counts: dict[str, int]
    left_out_lb: float
    step_lb: float = 0.0
    spread_s: float = 0.0
    set_rate: bool = False
    treatments: Columns = field(default_factory=dict)
    plowed: Columns = field(default_factory=dict)
    temperatures: Columns = field(default_factory=dict)


def truck_use(
    network: Network,
    records: TruckRecords,
    own_routes: frozenset[str],
    usual_material: str,
    lb_per_gal: Mapping[str, float] = NO_LIQUID,
) -> TruckUse:
    """Follow one truck through a storm.

    Parameters
    ----------
    network : all route segments.
    records : the truck's clean records, at least one.
    own_routes : routes that it is assigned to.
    usual_material : what it spreads where the records don't say.
    lb_per_gal : mass of a gallon of each liquid, lb.

    Returns
    -------
    TruckUse, masses in lb as the records tell them: no ticket has corrected them yet.
    """
    released = released_by(records, usual_material, lb_per_gal)
    x_m, y_m = network.plane.project(records.lon, records.lat)
    blind = stuck(records.time_s, x_m, y_m, records.speed_mph * MPS_PER_MPH)
    x_m, y_m = np.where(blind, np.nan, x_m), np.where(blind, np.nan, y_m)
    match = match_trace(
        network,
        records.time_s,
        x_m,
        y_m,
        records.speed_mph * MPS_PER_MPH,
        records.heading_deg,
        own_routes,
    )
    silent, set_rate = _silent(records.time_s), tells_set_rates_only(records)
    material, names = _materials(released, records.materials, usual_material)
    density = np.array([lb_per_gal.get(name, np.nan) for name in names])[material]
    released = with_set_rates(released, records, match, network, silent, density)
    placed = attribute_mass(match, released.mass_lb, records.spreading)
    placed = by_lanes(placed, network) if set_rate else placed
    located = np.isfinite(x_m) & ~match.outlier
    return TruckUse(
        truck_id=records.truck_id,
        points=_points(network, records, released, match, placed, located),
        segments=_by_segment(
            network,
            records.truck_id,
            records.time_s,
            released,
            placed,
            material,
            names,
            tells_liquid(records),
            _unplaced(match, placed, located) | silent[placed.piece_fix],
        ),
        driven=_driven(match, released.known, network.rows),
        lost_lb=float(released.presumed_lb[match.piece_start[1:] == match.piece_start[:-1]].sum()),
        piles=_piles(placed),
        heard_share=_heard_share(
            records.time_s, x_m, y_m, records.speed_mph * MPS_PER_MPH, located, released.known
        ),
        known_share=released.known_share,
        first_s=float(records.time_s[0]),
        last_s=float(records.time_s[-1]),
        counts=released.counts,
        left_out_lb=released.left_out_lb,
        step_lb=released.step_lb,
        spread_s=released.spread_s,
        set_rate=set_rate,
        treatments=_treatments(network, placed, material, names, records.time_s),
        plowed=_plowed(network, match, records),
        temperatures=measured(records, np.where(match.segment >= 0, match.row, -1)),
    )


def _piles(placed: Attribution) -> Columns:
    """Mass released standing still; see `TruckUse.piles`."""
    still = placed.piece_standing & (placed.piece_segment >= 0)
    return {
        "row": placed.piece_segment[still] >> 1,
        "position_m": placed.piece_from_m[still],
        "mass_lb": placed.piece_mass_lb[still],
    }


def stuck(time_s: FloatArray, x_m: FloatArray, y_m: FloatArray, speed_mps: FloatArray) -> BoolArray:
    """Fixes that only repeat the one before while the truck drives on; shape (n,).

    A receiver that lost its satellites may go on saying where it last was. Exactly the same
    position again and again is no position where the speed takes the truck further than `STUCK_M`:
    the way to the next true one is then looked for as through a tunnel.
    """
    same = np.zeros(time_s.shape, dtype=bool)
    same[1:] = (x_m[1:] == x_m[:-1]) & (y_m[1:] == y_m[:-1])
    if not same.any():
        return same
    gone_m = np.zeros(time_s.shape)
    gone_m[1:] = np.diff(time_s) * np.nan_to_num(speed_mps[1:] + speed_mps[:-1]) / 2.0
    spell = np.cumsum(~same)
    far = np.bincount(spell, np.where(same, gone_m, 0.0)) > STUCK_M
    return np.asarray(same & far[spell])


def _materials(
    released: Increments, names: Sequence[str], usual: str
) -> tuple[NDArray[np.int64], list[str]]:
    """Material of each interval as a place in a list of names; what is not said is the usual."""
    known = [*names] if usual in names else [*names, usual]
    return np.where(released.material < 0, known.index(usual), released.material), known


def _points(
    network: Network,
    records: TruckRecords,
    released: Increments,
    match: Match,
    placed: Attribution,
    located: BoolArray,
) -> Columns:
    on = match.segment >= 0
    row = np.where(on, match.row, 0)
    new_pass = np.diff(match.segment, prepend=-1) != 0
    return {
        "source_file": records.source_file,
        "source_row": records.source_row,
        "time_s": records.time_s,
        "row": np.where(on, row, -1),
        "along": match.along,
        "offset_m": match.offset_m,
        "mass_lb": released.mass_lb,
        "pass_id": np.where(on, np.cumsum(new_pass & on), 0),
        "status": np.where(on | located, placed.fix_status, NO_POSITION),
        **{name: getattr(records, name) for name in ONLY_IF_GIVEN},
    }


def _unplaced(match: Match, placed: Attribution, located: BoolArray) -> BoolArray:
    """Which pieces of mass, shape (p,), have no segment and no other place that is known.

    The place is known where positions at both ends, without a silence, lie off the network: of an
    interval in which the truck comes to it or leaves it some may lie there. Unless little of the
    truck's mass lies on it: then its positions are doubtful.
    """
    off = placed.piece_segment < 0
    mass_lb = placed.piece_mass_lb
    if mass_lb[~off].sum() < BELIEVED_SHARE * mass_lb.sum():
        return np.asarray(off)
    here = located & (match.segment < 0)
    elsewhere = np.zeros(len(located), dtype=bool)
    elsewhere[1:] = here[1:] & here[:-1]
    return np.asarray(off & ~(elsewhere & ~match.gap)[placed.piece_fix])


def _silent(time_s: FloatArray) -> BoolArray:
    """Intervals so long, for this truck too, that the way in them is a guess; shape (n,)."""
    seconds = np.diff(time_s, prepend=time_s[:1])
    usual_s = float(np.median(seconds[1:])) if len(seconds) > 1 else 0.0
    return np.asarray(seconds > max(GAP_S, SILENCE * usual_s))


def _by_segment(
    network: Network,
    truck_id: str,
    time_s: FloatArray,
    released: Increments,
    placed: Attribution,
    material: NDArray[np.int64],
    names: Sequence[str],
    tells_liquid: bool,
    unplaced: BoolArray,
) -> Columns:
    # off the routes is row -1
    pieces, reported, standing, spread = _sums(
        placed.piece_segment,
        placed.piece_fix,
        material,
        len(names),
        placed.piece_mass_lb,
        placed.piece_standing,
        placed.piece_from_m,
        placed.piece_to_m,
        network.rows,
    )
    found = np.flatnonzero(pieces)
    found_row, code = found // len(names) - 1, found % len(names)
    reported_lb, standing_lb, spread_m = reported[found], standing[found], spread[found]
    on = found_row >= 0
    row = np.where(on, found_row, 0)
    passes = np.where(on, spread_m / network.length_m[row], 0.0)
    masses = released.mass_lb[released.mass_lb > 0.0]
    usual_lb = float(np.median(masses)) if masses.size else 0.0
    usual_lb = max(usual_lb, released.step_lb)
    moving_lb = reported_lb - standing_lb
    key = ((placed.piece_segment >> 1) + 1) * len(names) + material[placed.piece_fix]
    unplaced_lb = np.bincount(key[unplaced], placed.piece_mass_lb[unplaced], pieces.size)
    # an interval's time and liquid go where its mass went
    seconds = np.diff(time_s, prepend=time_s[:1])
    spread_s, liquid_gal = (
        np.bincount(key, placed.piece_mass_lb * per_lb[placed.piece_fix], pieces.size)
        for per_lb in (_per_lb(seconds, released), _per_lb(released.liquid_gal, released))
    )
    # liquid of an interval that released nothing else is shared out like the rest
    if liquid_gal.sum() > 0.0:
        liquid_gal *= released.liquid_gal.sum() / liquid_gal.sum()
    per_m = np.divide(moving_lb, spread_m, out=np.zeros(len(found)), where=spread_m > 0.0)
    ends = np.sqrt(2.0 * np.maximum(passes, 1.0))
    return {
        "route_id": np.where(on, network.route_id[row], OFF_ROUTE),
        "segment_id": np.where(on, network.segment_id[row], OFF_ROUTE),
        "material": np.array(names, dtype=object)[code],
        "truck_id": np.full(len(found), truck_id, dtype=object),
        "reported_lb": reported_lb,
        "spread_s": spread_s[found],
        "liquid_gal": liquid_gal[found] if tells_liquid else np.full(len(found), np.nan),
        "passes": passes,
        "standing_lb": standing_lb,
        "matching_u_lb": np.where(on, np.minimum(per_m * JOINT_U_M * ends, moving_lb), 0.0),
        "timing_u_lb": np.where(on, timing_u_lb(np.full(len(found), usual_lb), passes), 0.0),
        "unplaced_lb": unplaced_lb[found],
    }


def _per_lb(amount: FloatArray, released: Increments) -> FloatArray:
    """An amount of each interval for a pound of its mass; 0 where it has none."""
    mass_lb = released.mass_lb
    return np.divide(amount, mass_lb, out=np.zeros(len(mass_lb)), where=mass_lb > 0.0)


def _treatments(
    network: Network,
    placed: Attribution,
    material: NDArray[np.int64],
    names: Sequence[str],
    time_s: FloatArray,
) -> Columns:
    """Passes over segments while spreading; see `TruckUse.treatments`."""
    directed, code, begun_s, until_s, reported_lb, spread_m = _passes(
        placed.piece_segment,
        placed.piece_fix,
        material,
        placed.piece_mass_lb,
        placed.piece_from_m,
        placed.piece_to_m,
        time_s,
    )
    row = directed >> 1
    return {
        "route_id": network.route_id[row],
        "segment_id": network.segment_id[row],
        "material": np.array(names, dtype=object)[code],
        "time_s": begun_s,
        "reported_lb": reported_lb,
        "passes": spread_m / network.length_m[row],
        "directed": directed,
        "until_s": until_s,
    }


def _plowed(network: Network, match: Match, records: TruckRecords) -> Columns:
    """Passes over segments with the plow down; see `TruckUse.plowed`."""
    if records.plow is None:
        return {}
    fix = np.repeat(np.arange(len(records)), np.diff(match.piece_start))
    down = np.flatnonzero((records.plow == 1.0)[fix])
    nothing = np.zeros(len(records), dtype=np.int64)
    directed, _, begun_s, until_s, _, driven_m = _passes(
        match.piece_segment[down],
        fix[down].astype(np.int32),
        nothing,
        np.zeros(len(down)),
        match.piece_from_m[down],
        match.piece_to_m[down],
        records.time_s,
    )
    passes = driven_m / network.length_m[directed >> 1]
    return {"directed": directed, "time_s": begun_s, "until_s": until_s, "passes": passes}


@compiled
def _passes(
    segment: IntArray,
    fix: IntArray,
    material: NDArray[np.int64],
    mass_lb: FloatArray,
    from_m: FloatArray,
    to_m: FloatArray,
    time_s: FloatArray,
) -> tuple[LongArray, LongArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Pieces that follow each other on one directed segment, added up: that segment, material, time
    of the first and of the last, mass, length.
    """
    directed = np.empty(segment.size, np.int64)
    code = np.empty(segment.size, np.int64)
    begun, until = np.zeros(segment.size), np.zeros(segment.size)
    mass, spread = np.zeros(segment.size), np.zeros(segment.size)
    used, before, last_s = 0, -1, 0.0
    for p in range(segment.size):
        if segment[p] < 0:
            before = -1
            continue
        now_s = time_s[fix[p]]
        new = segment[p] != before or now_s - last_s > NEW_PASS_S
        if new or code[used - 1] != material[fix[p]]:
            directed[used], code[used], begun[used] = segment[p], material[fix[p]], now_s
            used += 1
        until[used - 1] = now_s
        mass[used - 1] += mass_lb[p]
        length_m = abs(to_m[p] - from_m[p])
        if isfinite(length_m):
            spread[used - 1] += length_m
        before, last_s = segment[p], now_s
    return (
        directed[:used].copy(),
        code[:used].copy(),
        begun[:used].copy(),
        until[:used].copy(),
        mass[:used].copy(),
        spread[:used].copy(),
    )


@compiled
def _sums(
    segment: IntArray,
    fix: IntArray,
    material: NDArray[np.int64],
    materials: int,
    mass_lb: FloatArray,
    standing: BoolArray,
    from_m: FloatArray,
    to_m: FloatArray,
    rows: int,
) -> tuple[NDArray[np.int64], FloatArray, FloatArray, FloatArray]:
    """Pieces, mass, mass released standing and length by ``(row + 1) * materials + material``."""
    pieces = np.zeros((rows + 1) * materials, np.int64)
    reported, still, spread = (np.zeros(pieces.size), np.zeros(pieces.size), np.zeros(pieces.size))
    for p in range(segment.size):
        key = ((segment[p] >> 1) + 1) * materials + material[fix[p]]
        pieces[key] += 1
        reported[key] += mass_lb[p]
        if standing[p]:
            still[key] += mass_lb[p]
        length_m = abs(to_m[p] - from_m[p])
        if isfinite(length_m):
            spread[key] += length_m
    return pieces, reported, still, spread


def _driven(match: Match, known: BoolArray, rows: int) -> Columns:
    """Length driven on each row of the routes table where the mass is known, and where not."""
    way = match.piece_start, match.piece_segment, match.piece_from_m, match.piece_to_m
    driven_m, unheard_m = (_lengths(*way, which, rows) for which in (known, ~known))
    row = np.flatnonzero(driven_m + unheard_m)
    return {"row": row, "driven_m": driven_m[row], "unheard_m": unheard_m[row]}


@compiled
def _lengths(
    start: LongArray,
    segment: IntArray,
    from_m: FloatArray,
    to_m: FloatArray,
    which: BoolArray,
    rows: int,
) -> FloatArray:
    """Length driven on each row in some of the intervals, shape (rows,)."""
    driven_m = np.zeros(rows)
    for i in range(which.size):
        if not which[i]:
            continue
        for p in range(start[i], start[i + 1]):
            if segment[p] >= 0:
                driven_m[segment[p] >> 1] += abs(to_m[p] - from_m[p])
    return driven_m


@compiled
def _heard_share(
    time_s: FloatArray,
    x_m: FloatArray,
    y_m: FloatArray,
    speed_mps: FloatArray,
    located: BoolArray,
    known: BoolArray,
) -> float:
    """Share of the way on which the truck was heard.

    The way goes in straight pieces between the records with a position. A piece is not heard where
    no position came for longer than `GAP_S`, or where nobody knows how much was released. Before
    the first and after the last position the way is as long as the speed says. A truck that stands
    in its yard with everything off is not heard either, but misses nothing.
    """
    whole_m, silent_m = 0.0, 0.0
    last = -1
    told = True
    lost_m = 0.0
    for i in range(time_s.size):
        if i > 0:
            told = told and known[i]
            mean = 0.5 * (speed_mps[i] + speed_mps[i - 1])
            if isfinite(mean):
                lost_m += abs(mean) * (time_s[i] - time_s[i - 1])
        if not located[i]:
            continue
        if last >= 0:
            step_m = sqrt((x_m[i] - x_m[last]) ** 2 + (y_m[i] - y_m[last]) ** 2)
            whole_m += step_m
            if not told or time_s[i] - time_s[last] > GAP_S:
                silent_m += step_m
        else:
            whole_m += lost_m
            silent_m += lost_m
        last, told, lost_m = i, True, 0.0
    if last < 0:
        return 0.0
    whole_m += lost_m
    silent_m += lost_m
    return 1.0 - silent_m / whole_m if whole_m > 0.0 else 1.0


def stacked(tables: Sequence[Columns]) -> pd.DataFrame:
    """The tables of some trucks as one.

    Many small tables would cost more than the sums in them.

    Parameters
    ----------
    tables : columns by name, each shape (rows,), of `TruckUse`; at least one table, all with the
        same names.

    Returns
    -------
    The columns of the first of ``tables``, rows in the order given.
    """
    return pd.DataFrame(
        {name: np.concatenate([np.asarray(one[name]) for one in tables]) for name in tables[0]}
    )
