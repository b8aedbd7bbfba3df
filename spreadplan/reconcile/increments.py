"""Mass released in each interval between two records, from running totals or from rates.

Units: pounds, US gallons, seconds, miles per hour. An interval belongs to the record at its end.

A controller's running total is read as a person would read it. A rise is mass. A fall to so little
that it can have been released since the record before is a reset: the mass since is the new total.
A fall from just below the end of a counter's range (powers of ten and of two, in the file's own
unit) to just above zero is a wrap. Values from which the total comes back are slips of the
transmission. What fits none of these is not counted, and said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spreadplan.compiled import compiled
from spreadplan.schema.telemetry import SET_RATES, TruckRecords

FloatArray = NDArray[np.float64]
LongArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: More than any feeder releases: common practice, no source.
HIGHEST_FEED_LB_MIN = 3_000.0
HIGHEST_LIQUID_GAL_MIN = 300.0
#: Records are sent late, so that an interval may hold the mass of somewhat more time.
LATENESS_S = 10.0
#: A step that is this many times the typical one is looked at twice.
ORDINARY = 5.0
#: A total that falls by no more than this has been rounded, not reset.
JITTER = 2.0
#: So many records may be wrong before the total comes back.
SLIP_RECORDS = 3
#: Between rates that lie further apart nobody knows what was released.
RATE_GAP_S = 60.0
#: A counter runs over the end of its range while it is read; across a longer silence it was zeroed.
WRAP_GAP_S = 120.0
#: Where more than this share of the intervals spread while driving shows no rise, the counter's
#: step is coarser than the interval.
COARSE_SHARE = 0.3
DRIVING_MPH = 2.0

#: What happened to the total between two records that count.
RISE, RESET, WRAP, JUMP, SETBACK = 0, 1, 2, 3, 4

#: Ends of counter ranges, in units of the counter: so many digits or bits, at so many decimals.
RANGES = np.unique(
    np.outer(
        np.array([10.0**digits for digits in range(3, 9)] + [2.0**bits for bits in (15, 16, 24)]),
        [1.0, 0.1, 0.01],
    ).ravel()
)
RANGES = RANGES[RANGES >= 500]


@dataclass(frozen=True, kw_only=True)
class Increments:
    """What one truck released, interval by interval; each of shape (n,) for n records.

    Attributes
    ----------
    mass_lb, liquid_gal : released in the interval that ends at the record; 0 at the first record.
    liquid_known : whether the records tell how much liquid was released in the interval.
    material : material of that interval, index into ``TruckRecords.materials``; -1 if never given.
    known : whether the records tell how much was released in the interval. It is not known before
        the first and after the last total, across a jump that is not counted and, of a truck that
        tells rates, across a silence; unless the spreader was off.
    presumed_lb : where it is not known, what the truck's usual rate makes of the time with the
        spreader on; else 0. Not in ``mass_lb``.
    known_share : share of the time with the spreader on in which it is known, 0 to 1.
    counts : how often each thing happened, by what it is; only what happened.
    left_out_lb : sum of jumps that no feeder can have made; not in ``mass_lb``.
    step_lb : usual rise of a total that tells in coarser steps than its records, else 0.
    spread_s : time with the spreader on and the amount known, s.
    """

    mass_lb: FloatArray
    liquid_gal: FloatArray
    liquid_known: BoolArray
    material: LongArray
    known: BoolArray
    presumed_lb: FloatArray
    known_share: float
    counts: dict[str, int]
    left_out_lb: float
    step_lb: float = 0.0
    spread_s: float = 0.0


def interval_mass(records: TruckRecords) -> Increments:
    """Mass, liquid and material of each interval of one truck.

    Running totals are used where they tell, else rates. The first record has no interval. Where
    totals are missing, the difference to the next one is spread over the intervals by distance
    driven while spreading. A material counts from its record on: the interval that ends there still
    carries the one before.

    Parameters
    ----------
    records : of one truck, in order of time, shape (n,) each.

    Returns
    -------
    Increments, masses in lb, liquid in US gal, shape (n,) each: one interval a record, at its end.
    """
    sources = records.sources
    feed_unit = np.array([source.feed_unit_lb for source in sources] or [1.0])
    liquid_unit = np.array([source.liquid_unit_gal for source in sources] or [1.0])
    counts: dict[str, int] = {}
    feed = _from_totals(records, records.feed_total_lb, feed_unit, HIGHEST_FEED_LB_MIN, "", counts)
    mass_lb, known = feed.amount, feed.known
    if not known[1:].all() and np.isfinite(records.feed_rate_lb_min).any():
        by_rate, rate_known = _from_rates(records, counts)
        mass_lb = np.where(known, mass_lb, by_rate)
        known = known | rate_known
    liquid = _from_totals(
        records, records.liquid_total_gal, liquid_unit, HIGHEST_LIQUID_GAL_MIN, "liquid: ", counts
    )
    read = Increments(
        mass_lb=mass_lb,
        liquid_gal=liquid.amount,
        liquid_known=liquid.known,
        material=_material_of_intervals(records.material, counts),
        known=known,
        presumed_lb=np.zeros(len(records)),
        known_share=1.0,
        counts=counts,
        left_out_lb=feed.left_out,
        step_lb=feed.step,
    )
    return released_of(records, read)


def tells_liquid_alone(records: TruckRecords) -> bool:
    """Whether a truck tells how much liquid ran, and nothing else of what it released.

    Parameters
    ----------
    records : of one truck.

    Returns
    -------
    True where a total of liquid is given, and neither a total nor a rate of a material.
    """
    told = [records.feed_total_lb, records.feed_rate_lb_min]
    told += [rate for name in SET_RATES if (rate := getattr(records, name)) is not None]
    return bool(np.isfinite(records.liquid_total_gal).any()) and not any(
        np.isfinite(one).any() for one in told
    )


def released_by(
    records: TruckRecords, usual_material: str, lb_per_gal: Mapping[str, float]
) -> Increments:
    """As `interval_mass`, with the mass of a truck of liquid that tells gallons alone.

    Parameters
    ----------
    records : of one truck, in order of time, shape (n,) each.
    usual_material : what it spreads where the records don't say.
    lb_per_gal : mass of a gallon of each liquid, lb; of a solid there is none.

    Returns
    -------
    Increments, masses in lb. Gallons of a truck that spreads a solid stay what they are: liquid
    that wets it, and how much of the solid it released is not known.
    """
    read = interval_mass(records)
    if not tells_liquid_alone(records):
        return read
    names = [*records.materials, usual_material]  # one that is not said has the last place, -1
    density = np.array([lb_per_gal.get(name, np.nan) for name in names])[read.material]
    known = read.liquid_known & np.isfinite(density)
    mass_lb = np.where(known, read.liquid_gal * density, 0.0)
    return released_of(records, replace(read, mass_lb=mass_lb, known=known))


def released_of(records: TruckRecords, read: Increments) -> Increments:
    """What was read, with what follows from which intervals are known.

    Parameters
    ----------
    read : mass_lb and known, shape (n,) each for the n ``records``; presumed_lb, known_share and
        spread_s are found anew.
    """
    on_s = _mean_of_ends(records.spreading.astype(float)) * _seconds(records)
    known = read.known | (on_s == 0.0)
    spread_s, known_s = float(on_s.sum()), float(on_s[known].sum())
    usual_lb_s = float(read.mass_lb[known].sum()) / known_s if known_s > 0.0 else 0.0
    return replace(
        read,
        known=known,
        presumed_lb=np.where(known, 0.0, usual_lb_s * on_s),
        known_share=known_s / spread_s if spread_s > 0.0 else 1.0,
        spread_s=known_s,
    )


def _count(counts: dict[str, int], what: str, number: int) -> None:
    if number:
        counts[what] = counts.get(what, 0) + int(number)


def _material_of_intervals(material: LongArray, counts: dict[str, int]) -> LongArray:
    """Material of the interval that ends at each record; gaps take the one known before."""
    known = np.flatnonzero(material >= 0)
    if not known.size:
        return material.copy()
    place = np.maximum(np.searchsorted(known, np.arange(len(material)), side="right") - 1, 0)
    filled = material[known[place]]
    _count(counts, "material changed", int((np.diff(filled) != 0).sum()))
    return np.concatenate([filled[:1], filled[:-1]])


# --- running totals ----------------------------------------------------------------------------


@dataclass(frozen=True)
class _Read:
    """What running totals tell: amount of each interval, whether it is known, jumps not counted.

    step : usual rise where the counter is coarse, else 0.
    """

    amount: FloatArray
    known: BoolArray
    left_out: float
    step: float = 0.0


def _from_totals(
    records: TruckRecords,
    total: FloatArray,
    unit: FloatArray,
    highest_per_min: float,
    prefix: str,
    counts: dict[str, int],
) -> _Read:
    """Amount of each interval by a running total."""
    given = np.isfinite(total)
    _count(counts, f"{prefix}total missing", int((~given).sum()) if given.any() else 0)
    present = np.flatnonzero(given)
    if present.size < 2:
        return _Read(np.zeros(len(total)), np.zeros(len(total), dtype=bool), 0.0)
    time, value = records.time_s[present], total[present]
    per_s, step = typical_rise(time, value)
    coarse = _is_coarse(records, present, value)
    on = records.spreading[present]
    accepted, kind, rise = read_total(
        time,
        value,
        on | np.concatenate([on[:1], on[:-1]]),
        unit[records.source_file[present]] if len(records.sources) else np.ones(len(present)),
        RANGES,
        highest_per_min / 60.0,
        per_s,
        step,
    )
    for code, name in (
        (RESET, "total reset"),
        (WRAP, "total wrapped"),
        (JUMP, "impossible jump, not counted"),
        (SETBACK, "total set back, not counted"),
    ):
        _count(counts, prefix + name, int((kind == code).sum()))
    _count(counts, f"{prefix}slip of the total", len(present) - len(accepted))
    left_out = float(rise[kind == JUMP].sum())
    _count(counts, f"{prefix}total unchanged", int(((rise == 0) & (kind == RISE))[1:].sum()))
    rise = np.where(kind == JUMP, 0.0, rise)
    ends = present[accepted]
    known = _of_intervals(len(total), ends, (kind != JUMP) & (kind != SETBACK))
    if coarse:
        _count(counts, f"{prefix}coarse counter", 1)
        telling = (rise > 0) | (kind != RISE)
        telling[0] = True
        ends, rise = ends[telling], rise[telling]
    return _Read(_spread(records, ends, rise), known, left_out, step if coarse else 0.0)


def _of_intervals(size: int, ends: LongArray, true: BoolArray) -> BoolArray:
    """For each interval what is true of the stretch between two of the ends; outside them False.

    ``true[0]`` belongs to no stretch.
    """
    if len(ends) == size:
        return np.concatenate([[False], true[1:]])
    owner = np.searchsorted(ends, np.arange(size))
    inside = (owner > 0) & (owner < len(ends))
    return inside & true[np.minimum(owner, len(ends) - 1)]


def typical_rise(time_s: FloatArray, value: FloatArray) -> tuple[float, float]:
    """Median rise per second, and median rise per record, among records at which it rose.

    Infinite per second where fewer than five tell: then only the feeder's limit decides.
    """
    rise = np.diff(value)
    up = rise > 0
    if up.sum() < 5:
        return np.inf, 0.0
    return float(np.median(rise[up] / np.diff(time_s)[up])), float(np.median(rise[up]))


def _is_coarse(records: TruckRecords, present: LongArray, value: FloatArray) -> bool:
    """Whether the counter's step is coarser than what is released between records."""
    working = records.spreading[present[1:]] & (records.speed_mph[present[1:]] > DRIVING_MPH)
    if not working.any():
        return False
    return bool((np.diff(value)[working] == 0).mean() > COARSE_SHARE)


@compiled
def _most(seconds: float, highest_per_s: float, step: float) -> float:
    """The largest possible rise; lateness of the record and steps of the counter allowed for."""
    return highest_per_s * (seconds + LATENESS_S) + 2.0 * step + JITTER


@compiled
def _is_ordinary(
    rise: float, seconds: float, per_s: float, step: float, highest_per_s: float
) -> bool:
    """Whether a rise is possible, and like the others of this truck."""
    usual = ORDINARY * (per_s * seconds + step) + JITTER
    return bool(0.0 <= rise <= min(usual, _most(seconds, highest_per_s, step)))


@compiled
def _end_of_range(value: float, unit: float, ranges: FloatArray, most: float) -> float:
    """The counter range that ends within ``most`` above a value, or 0."""
    for size in ranges:
        if 0.0 < size * unit - value <= most:
            return float(size * unit)
    return 0.0


@compiled
def _slip_length(
    time_s: FloatArray,
    value: FloatArray,
    at: int,
    last: int,
    per_s: float,
    step: float,
    highest_per_s: float,
) -> int:
    """How many values from ``at`` on are slips: the total then goes on from ``last``.

    The way back must itself be no ordinary rise, else it is a reset and not a slip.
    """
    for after in range(at + 1, min(at + SLIP_RECORDS + 1, value.size)):
        on = value[after] - value[last]
        back = value[after] - value[after - 1]
        since = time_s[after] - time_s[last]
        between = time_s[after] - time_s[after - 1]
        if _is_ordinary(on, since, per_s, step, highest_per_s) and not _is_ordinary(
            back, between, per_s, step, highest_per_s
        ):
            return after - at
    return 0


@compiled
def read_total(
    time_s: FloatArray,
    value: FloatArray,
    working: NDArray[np.bool_],
    unit: FloatArray,
    ranges: FloatArray,
    highest_per_s: float,
    per_s: float,
    step: float,
) -> tuple[LongArray, LongArray, FloatArray]:
    """Read a running total value by value.

    Parameters
    ----------
    time_s, value, unit : shape (n,), n > 0; ``unit`` is one unit of the counter in units of value.
    working : shape (n,), the spreader was on at this record or the one before.
    ranges : ends of counter ranges in counter units.
    highest_per_s : no feeder releases more.
    per_s, step : see `typical_rise`.

    Returns
    -------
    accepted : indices of the values that count, shape (m,).
    kind : what happened since the value accepted before: RISE, RESET, WRAP, JUMP, SETBACK.
    rise : amount released since then; for a JUMP, the size of the jump.
    """
    accepted = np.empty(value.size, np.int64)
    kind = np.zeros(value.size, np.int64)
    rise = np.zeros(value.size)
    accepted[0] = 0
    size, last, level, at = 1, 0, value[0], 1
    while at < value.size:
        seconds = time_s[at] - time_s[last]
        change = value[at] - level
        most = _most(seconds, highest_per_s, step)
        what, amount = RISE, change
        if not _is_ordinary(change, seconds, per_s, step, highest_per_s):
            slips = _slip_length(time_s, value, at, last, per_s, step, highest_per_s)
            if slips:
                at += slips
                continue
            near = min(most, ORDINARY * (per_s * (seconds + LATENESS_S) + step))
            # with the spreader off nothing was released that could drive a counter over its end
            near = near if seconds <= WRAP_GAP_S and working[at] else 0.0
            end = _end_of_range(level, unit[at], ranges, near)
            if change < 0.0 and end > 0.0 and end + change <= min(near, 0.05 * end):
                what, amount = WRAP, end + change
            elif change < 0.0 and value[at] > JITTER and -change <= JITTER:
                amount = 0.0
            elif change < 0.0 and value[at] <= most:
                what, amount = RESET, value[at]
            elif change < 0.0:
                what, amount = SETBACK, 0.0
            elif change > most:
                what = JUMP
        # a total that was rounded down must not count its rise twice
        level = max(level, value[at]) if what == RISE else value[at]
        accepted[size], kind[size], rise[size] = at, what, amount
        size, last, at = size + 1, at, at + 1
    return accepted[:size], kind[:size], rise[:size]


def _spread(records: TruckRecords, ends: LongArray, rise: FloatArray) -> FloatArray:
    """Amounts that became known at some records, over all intervals since the one before.

    By distance driven while spreading; where there was none, by time while spreading; where there
    was none either, by time. ``rise[0]`` belongs to no interval.
    """
    size = len(records)
    if len(ends) == size:
        return np.concatenate([[0.0], rise[1:]])
    amount = np.zeros(size)
    owner = np.searchsorted(ends, np.arange(size))  # which end makes this interval's amount known
    inside = (owner > 0) & (owner < len(ends))
    owner = np.minimum(owner, len(ends) - 1)
    seconds = _seconds(records)
    on = records.spreading.astype(float)
    while_spreading = [on * np.nan_to_num(records.speed_mph), on]
    weights = [*(seconds * _mean_of_ends(values) for values in while_spreading), seconds]
    left = inside.copy()
    for weight in weights:
        sums = np.bincount(owner[left], weight[left], minlength=len(ends))
        use = left & (sums[owner] > 0)
        amount[use] = rise[owner[use]] * weight[use] / sums[owner[use]]
        left &= ~use
    return amount


def _seconds(records: TruckRecords) -> FloatArray:
    """Length of each interval; the first has none."""
    seconds: FloatArray = np.diff(records.time_s, prepend=records.time_s[:1])
    return seconds


def _mean_of_ends(values: FloatArray) -> FloatArray:
    """Mean over each interval of what records say at its ends; the first has no interval."""
    means: FloatArray = (values + np.concatenate([values[:1], values[:-1]])) / 2.0
    return means


# --- rates -------------------------------------------------------------------------------------


def _from_rates(records: TruckRecords, counts: dict[str, int]) -> tuple[FloatArray, BoolArray]:
    """Mass of each interval, the mean of the rates at its ends times its length; which are known.

    No mass across a silence, or where the rate is missing, or is more than any feeder releases.
    """
    rate = records.feed_rate_lb_min
    beyond = rate > HIGHEST_FEED_LB_MIN
    _count(counts, "impossible rate, not counted", int(beyond.sum()))
    _count(counts, "rate missing", int(np.isnan(rate).sum()))
    idle = (rate > 0.0) & ~beyond & ~records.spreading
    _count(counts, "rate with the spreader off, not counted", int(idle.sum()))
    usable = np.flatnonzero(np.isfinite(rate) & ~beyond)
    if usable.size < 2:
        return np.zeros(len(rate)), np.zeros(len(rate), dtype=bool)
    flow = np.where(records.spreading, rate, 0.0)[usable]
    seconds = np.diff(records.time_s[usable])
    near = seconds <= RATE_GAP_S
    _count(counts, "silence, rate not counted across it", int((~near).sum()))
    mean = (flow[1:] + flow[:-1]) / 2
    rise = np.where(near, mean * seconds / 60.0, 0.0)
    known = _of_intervals(len(rate), usable, np.concatenate([[False], near | (mean == 0.0)]))
    return _spread(records, usable, np.concatenate([[0.0], rise])), known
