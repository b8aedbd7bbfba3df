"""What trucks released that tell no more than what they were set to: rate times lane-miles driven.

A set rate says what a truck was told to spread, not what fell on the road. It holds until another
is set, while the spreader is on, on the lanes that the truck spreads in one pass of the segment
that it drives: `lanes` over `passes` in the routes. Off the routes these are the lanes that it
spreads on average. Tickets tell how far what was told lies from what was given, as they do of what
a controller measures; beside such trucks, and not beside those that measure.

Masses in lb, lengths in metres, rates in lb per lane-mile.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from spreadplan.matching.network import Network
from spreadplan.matching.trace import Match
from spreadplan.reconcile.attribution import Attribution
from spreadplan.reconcile.increments import Increments, released_of
from spreadplan.schema.telemetry import SET_RATES, TruckRecords
from spreadplan.units import METRES_PER_MILE, area_rate_lb_per_lane_mile

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

SET_RATE_U: Final = 0.15
"""Relative standard uncertainty of what one pass of a truck gives of what it was told, beyond the
truck's own ratio: nothing measures whether the feeder kept up with the speed, and how many lanes
the pattern covered. Common practice, no source."""

BY_SET_RATE: Final = "amount by the set rate alone"


def tells_set_rates_only(records: TruckRecords) -> bool:
    """Whether a truck tells what was set, and nowhere what was released.

    Parameters
    ----------
    records : of one truck.

    Returns
    -------
    True where some set rate is given, and neither a total nor a feed rate.
    """
    measured = (
        np.isfinite(records.feed_total_lb).any() or np.isfinite(records.feed_rate_lb_min).any()
    )
    return not measured and any(
        rate is not None and np.isfinite(rate).any() for rate in _given(records)
    )


def tells_liquid(records: TruckRecords) -> bool:
    """Whether a truck tells of liquid, by a total or by what was set.

    Parameters
    ----------
    records : of one truck.

    Returns
    -------
    True where some total or set rate of liquid is given.
    """
    told = (records.liquid_total_gal, records.liquid_rate_gal_per_lane_mile)
    return any(one is not None and bool(np.isfinite(one).any()) for one in told)


def _given(records: TruckRecords) -> list[Floats | None]:
    return [getattr(records, name) for name in SET_RATES]


def with_set_rates(
    released: Increments,
    records: TruckRecords,
    match: Match,
    network: Network,
    silent: Flags,
    lb_per_gal: Floats,
) -> Increments:
    """The amounts of a truck that tells set rates, from the way that it drove.

    Parameters
    ----------
    released : as `increments.interval_mass` reads totals and rates.
    silent : shape (n,), intervals so long that nobody knows what was done in them.
    lb_per_gal : shape (n,), mass of a gallon of what it spreads; NaN where that is no liquid.

    Returns
    -------
    ``released`` with the mass of a truck that tells nothing else of it, and with the liquid where
    no total tells of it.
    """
    on_way = _LaneMiles(match, network, records)
    rate = records.liquid_rate_gal_per_lane_mile
    if rate is not None and not np.isfinite(records.liquid_total_gal).any():
        (held,) = _held([rate])
        set_gal, known = _of_ends(records, rate if held is None else held, silent)
        released = replace(released, liquid_gal=np.where(known, set_gal * on_way.lane_miles, 0.0))
    if not tells_set_rates_only(records):
        return released
    mass_lb, known = np.zeros(len(records)), np.zeros(len(records), dtype=bool)
    amounts = (on_way.lane_miles, on_way.areas, on_way.lane_miles * lb_per_gal)
    for held, amount in zip(_held(_given(records)), amounts, strict=True):
        if held is not None:
            told, tells = _of_ends(records, held, silent)
            tells &= np.isfinite(amount)
            mass_lb = mass_lb + np.where(tells, told * amount, 0.0)
            known |= tells
    counts = dict(released.counts)
    counts[BY_SET_RATE] = int((mass_lb > 0.0).sum())
    return released_of(records, replace(released, mass_lb=mass_lb, known=known, counts=counts))


def _held(rates: list[Floats | None]) -> list[Floats | None]:
    """A rate holds until another is set, on whatever basis; NaN before the first and after that."""
    given = [np.isfinite(rate) for rate in rates if rate is not None]
    if not given:
        return rates
    some = np.logical_or.reduce(given)
    last = np.maximum.accumulate(np.where(some, np.arange(len(some)), -1))
    return [None if rate is None else np.where(last >= 0, rate[last], np.nan) for rate in rates]


def _of_ends(records: TruckRecords, held: Floats, silent: Flags) -> tuple[Floats, Flags]:
    """Rate of each interval, the mean of what holds at its ends; and whether it is known.

    Where the spreader is off the rate is none, whatever is set.
    """
    at_ends = np.where(records.spreading, held, 0.0)
    before = np.concatenate([at_ends[:1], at_ends[:-1]])
    mean = 0.5 * (at_ends + before)
    known = np.isfinite(mean) & (~silent | (mean == 0.0))
    known[:1] = False
    return np.where(known, mean, 0.0), known


class _LaneMiles:
    """Lane-miles spread in each interval if the spreader was on all along, shape (n,).

    ``areas`` : the same times the lb per lane-mile that 1 g/m² makes on lanes of that width.
    """

    def __init__(self, match: Match, network: Network, records: TruckRecords) -> None:
        fixes = len(records)
        row = match.piece_segment >> 1
        miles = np.abs(match.piece_to_m - match.piece_from_m) / METRES_PER_MILE
        lanes = network.lanes_per_pass[row]
        per_area = area_rate_lb_per_lane_mile(np.ones(len(row)), network.lane_width_ft[row])
        fix = np.repeat(np.arange(fixes), np.diff(match.piece_start))
        lane_miles = np.bincount(fix, miles * lanes, fixes).astype(np.float64)
        areas = np.bincount(fix, miles * lanes * per_area, fixes).astype(np.float64)
        whole = float(miles.sum())
        usual_lanes = float(lane_miles.sum()) / whole if whole > 0.0 else 1.0
        usual_area = (
            float(areas.sum()) / whole
            if whole > 0.0
            else float(area_rate_lb_per_lane_mile(np.ones(1), np.array([12.0]))[0])
        )
        off = (np.diff(match.piece_start) == 0) & ~match.joined
        away = np.where(off, _by_speed_mi(records), 0.0)
        self.lane_miles: Floats = lane_miles + usual_lanes * away
        self.areas: Floats = areas + usual_area * away


def _by_speed_mi(records: TruckRecords) -> Floats:
    """Distance of each interval by the speeds at its ends; one that is missing is the other."""
    speed = records.speed_mph
    before = np.concatenate([speed[:1], speed[:-1]])
    mean = np.where(
        np.isnan(speed), before, np.where(np.isnan(before), speed, (speed + before) / 2)
    )
    hours = np.diff(records.time_s, prepend=records.time_s[:1]) / 3600.0
    return np.nan_to_num(mean) * hours


def by_lanes(placed: Attribution, network: Network) -> Attribution:
    """The mass of each interval on its pieces by the lanes spread, and not by length alone."""
    on = placed.piece_segment >= 0
    row = np.where(on, placed.piece_segment >> 1, 0)
    weight = np.where(on, network.lanes_per_pass[row], 0.0) * placed.piece_mass_lb
    fixes = int(placed.piece_fix.max()) + 1 if len(row) else 0
    mass, weighed = (
        np.bincount(placed.piece_fix, np.where(on, one, 0.0), fixes)[placed.piece_fix]
        for one in (placed.piece_mass_lb, weight)
    )
    share = np.divide(weight, weighed, out=np.zeros(len(row)), where=weighed > 0.0)
    return replace(
        placed, piece_mass_lb=np.where(on & (weighed > 0.0), mass * share, placed.piece_mass_lb)
    )
