"""What one truck put where in a storm: records → increments → way → mass on segments.

One truck at a time, so that memory holds one truck's records and the same function can run on
another machine. Masses in lb, lengths in metres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.reconcile.applied import OFF_ROUTE, timing_u_lb
from spreadplan.reconcile.attribution import STATUSES, Attribution, attribute_mass
from spreadplan.reconcile.increments import Increments, interval_mass
from spreadplan.reconcile.matching import Match, match_trace
from spreadplan.reconcile.network import Network
from spreadplan.schema.telemetry import TruckRecords

MPS_PER_MPH: Final = 0.44704

JOINT_U_M: Final = 4.0
"""Standard uncertainty of where along the way a truck crosses the end of a segment, metres. Common
practice, no source; the benchmark measures less."""


@dataclass(frozen=True, eq=False)
class TruckUse:
    """What one truck did in a storm.

    Attributes
    ----------
    points : columns of ``use_points.parquet``, each shape (n,), in order of time.
    segments : route_id, segment_id, material, truck_id, reported_lb, passes, standing_lb,
        matching_u_lb, timing_u_lb; mass without a segment is on a row `OFF_ROUTE`.
    driven : row of the routes table, driven_m; with the spreader on or off.
    piles : mass released standing still: row, position_m, mass_lb; shape (p,) each.
    heard_share : share of its way on which the truck was heard, 0 to 1.
    first_s, last_s : time of the first and the last record, seconds since 1970 UTC.
    counts : odd things that were put right, by what they are.
    left_out_lb : impossible jumps of the total, not counted as mass.
    """

    truck_id: str
    points: dict[str, Any]
    segments: pd.DataFrame
    driven: pd.DataFrame
    piles: pd.DataFrame
    heard_share: float
    first_s: float
    last_s: float
    counts: dict[str, int]
    left_out_lb: float


def truck_use(
    network: Network,
    records: TruckRecords,
    own_routes: frozenset[str],
    usual_material: str,
) -> TruckUse:
    """Follow one truck through a storm.

    Parameters
    ----------
    network : all route segments.
    records : the truck's clean records.
    own_routes : routes that it is assigned to.
    usual_material : what it spreads where the records don't say.
    """
    released = interval_mass(records)
    x_m, y_m = network.plane.project(records.lon, records.lat)
    match = match_trace(
        network, records.time_s, x_m, y_m, records.speed_mph * MPS_PER_MPH, records.heading_deg,
        own_routes,
    )  # fmt: skip
    placed = attribute_mass(match, released.mass_lb, records.spreading, network.rows)
    material, names = _materials(released, records.materials, usual_material)
    still = placed.piece_standing & (placed.piece_segment >= 0)
    return TruckUse(
        truck_id=records.truck_id,
        points=_points(network, records, released, match, placed),
        segments=_by_segment(network, records.truck_id, released, placed, material, names),
        driven=_driven(match),
        piles=pd.DataFrame({
            "row": placed.piece_segment[still] >> 1, "position_m": placed.piece_from_m[still],
            "mass_lb": placed.piece_mass_lb[still],
        }),
        heard_share=_heard_share(x_m, y_m, match),
        first_s=float(records.time_s[0]),
        last_s=float(records.time_s[-1]),
        counts=released.counts,
        left_out_lb=released.left_out_lb,
    )  # fmt: skip


def _materials(
    released: Increments, names: Sequence[str], usual: str
) -> tuple[NDArray[np.int64], list[str]]:
    """Material of each interval as a place in a list of names; what is not said is the usual."""
    known = [*names] if usual in names else [*names, usual]
    return np.where(released.material < 0, known.index(usual), released.material), known


def _points(
    network: Network, records: TruckRecords, released: Increments, match: Match, placed: Attribution
) -> dict[str, Any]:
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
        "status": placed.fix_status,
    }


def _by_segment(
    network: Network,
    truck_id: str,
    released: Increments,
    placed: Attribution,
    material: NDArray[np.int64],
    names: Sequence[str],
) -> pd.DataFrame:
    # off the routes is row -1; sums by bincount, since a table for each truck costs more than they
    key = ((placed.piece_segment >> 1) + 1) * np.int64(len(names)) + material[placed.piece_fix]
    found = np.flatnonzero(np.bincount(key))
    found_row, code = found // len(names) - 1, found % len(names)

    def sums(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.bincount(key, values)[found].astype(np.float64)

    reported_lb = sums(placed.piece_mass_lb)
    standing_lb = sums(np.where(placed.piece_standing, placed.piece_mass_lb, 0.0))
    spread_m = sums(np.nan_to_num(placed.piece_length_m))
    on = found_row >= 0
    row = np.where(on, found_row, 0)
    passes = np.where(on, spread_m / network.length_m[row], 0.0)
    masses = released.mass_lb[released.mass_lb > 0.0]
    usual_lb = float(np.median(masses)) if masses.size else 0.0
    moving_lb = reported_lb - standing_lb
    per_m = np.divide(moving_lb, spread_m, out=np.zeros(len(found)), where=spread_m > 0.0)
    ends = np.sqrt(2.0 * np.maximum(passes, 1.0))
    return pd.DataFrame({
        "route_id": np.where(on, network.route_id[row], OFF_ROUTE).astype(object),
        "segment_id": np.where(on, network.segment_id[row], OFF_ROUTE).astype(object),
        "material": np.array(names, dtype=object)[code],
        "truck_id": truck_id,
        "reported_lb": reported_lb,
        "passes": passes,
        "standing_lb": standing_lb,
        "matching_u_lb": np.where(on, np.minimum(per_m * JOINT_U_M * ends, moving_lb), 0.0),
        "timing_u_lb": np.where(on, timing_u_lb(np.full(len(found), usual_lb), passes), 0.0),
    })  # fmt: skip


def _driven(match: Match) -> pd.DataFrame:
    """Length driven on each row of the routes table."""
    on = match.piece_segment >= 0
    row = match.piece_segment[on] >> 1
    driven_m = np.bincount(row, np.abs(match.piece_to_m - match.piece_from_m)[on])
    rows = np.flatnonzero(driven_m)
    return pd.DataFrame({"row": rows, "driven_m": driven_m[rows]})


def _heard_share(x_m: NDArray[np.float64], y_m: NDArray[np.float64], match: Match) -> float:
    """Share of the way, in straight pieces between fixes, that was not in a silence.

    A truck that stands in its yard with everything off is not heard either, but misses nothing.
    """
    usable = ~match.outlier & np.isfinite(x_m)
    silent = match.gap[usable]
    step = np.hypot(np.diff(x_m[usable], prepend=np.nan), np.diff(y_m[usable], prepend=np.nan))
    step = np.nan_to_num(step)
    return float(1.0 - step[silent].sum() / step.sum()) if step.sum() > 0.0 else 1.0


def point_statuses() -> tuple[str, ...]:
    """Words for the status codes of `TruckUse.points`."""
    return STATUSES
