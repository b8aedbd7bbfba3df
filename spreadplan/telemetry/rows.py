"""Cells of telemetry → numbers in the inside units, row by row: kept, or refused with a reason.

Every field is judged on its own. One that cannot be used is left out and the rest of its record
counts: a record without a position still carries mass. A row is refused only where nobody can tell
whose it is, where it holds nothing to go by, or where it is no record at all. One without a time is
handed on, with the reason: its place in the file may tell the time. Nothing about one row stops the
others.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property, lru_cache
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from spreadplan.schema.limits import AIR_F, PAVEMENT_F, RATE_LIMITS
from spreadplan.schema.telemetry import SET_RATES
from spreadplan.telemetry.files import NO_NUMBER, FileBatch, TelemetryFile
from spreadplan.telemetry.losses import NO_AMOUNT, NOBODY, UNKNOWN_TRUCK, Alike, Losses
from spreadplan.units import METRES_PER_MILE, to_canonical
from spreadplan.workspace.parse import CONTROL_CHARACTERS, FALSE, LARGEST, TRUE, YEARS

BoolArray = NDArray[np.bool_]
FloatArray = NDArray[np.float64]
Columns = dict[str, NDArray[Any]]

HIGHEST_SPEED_MPH = 100.0  # no truck that spreads drives so fast: common practice, no source
NULL_ISLAND_DEG = 0.01  # receivers without a fix report longitude and latitude 0
MOST_TEXTS = 20_000  # distinct reasons that quote the cell; later ones say only the kind
LONGEST_SPAN_DAYS = 400

#: Columns that say how much was released.
AMOUNTS = (
    "feed_total_lb",
    "feed_rate_lb_min",
    "liquid_total_gal",
    *SET_RATES,
    "liquid_rate_gal_per_lane_mile",
)

#: Columns of numbers that a file need not have, with the type they are kept in.
OPTIONAL = {
    "heading_deg": np.float32,
    "feed_total_lb": np.float64,
    "feed_rate_lb_min": np.float64,
    "liquid_total_gal": np.float64,
    **dict.fromkeys(SET_RATES, np.float32),
    "liquid_rate_gal_per_lane_mile": np.float32,
    "plow": np.float32,
    "air_temp_f": np.float32,
    "pavement_temp_f": np.float32,
}


class Reasons:
    """Every reason for refusing a row, once, with its kind for counting."""

    def __init__(self) -> None:
        self.kinds: list[str] = []
        self.texts: list[str] = []
        self._known: dict[tuple[str, str], int] = {}

    def code(self, kind: str, text: str = "") -> int:
        """Number of a reason; ``kind`` alone stands for itself."""
        text = text or kind
        if len(self.texts) >= MOST_TEXTS and (kind, text) not in self._known:
            text = kind
        code = self._known.setdefault((kind, text), len(self.texts))
        if code == len(self.texts):
            self.kinds.append(kind)
            self.texts.append(text)
        return code


@dataclass(frozen=True)
class Rejects:
    """Refused rows of one file: shape (n,) each; ``reason`` is a code of `Reasons`.

    ``other_file``, ``other_row`` name the record that a repeated one repeats; -1 otherwise.
    """

    file: NDArray[np.int16]
    row: NDArray[np.int64]
    reason: NDArray[np.int32]
    other_file: NDArray[np.int16]
    other_row: NDArray[np.int64]


def rejects(file: Any, row: Any, reason: Any, other_file: Any = -1, other_row: Any = -1) -> Rejects:
    """Refused rows; scalars stand for every row."""
    rows = np.asarray(row, dtype=np.int64)

    def column(values: Any, kind: Any) -> NDArray[Any]:
        return np.broadcast_to(np.asarray(values, dtype=kind), rows.shape).copy()

    return Rejects(
        column(file, np.int16),
        rows,
        column(reason, np.int32),
        column(other_file, np.int16),
        column(other_row, np.int64),
    )


@dataclass(kw_only=True)
class Ledger:
    """What one scan knows and counts across all files."""

    trucks: Mapping[str, int]
    timezone: ZoneInfo
    reasons: Reasons = field(default_factory=Reasons)
    materials: dict[str, int] = field(default_factory=dict)
    first_named: dict[str, tuple[int, int]] = field(default_factory=dict)  # file and row
    counts: dict[str, int] = field(default_factory=dict)
    losses: Losses = field(default_factory=Losses)

    @cached_property
    def alike(self) -> Alike:
        """The trucks by how their names are spelt."""
        return Alike(list(self.trucks))

    def count(self, what: str, number: int) -> None:
        """Add to one of the counts."""
        self.counts[what] = self.counts.get(what, 0) + int(number)


class _Marks:
    """What is wrong with the rows of a batch, each with the first reason found; -1: nothing."""

    def __init__(self, size: int, reasons: Reasons) -> None:
        self.code = np.full(size, -1, dtype=np.int32)
        self.reasons = reasons
        self.seen: list[tuple[str, BoolArray, str]] = []  # kind, where, first of the texts

    def mark(self, wrong: BoolArray, kind: str, text: Callable[[int], str] | str = "") -> None:
        if not wrong.any():
            return
        first = text if isinstance(text, str) else text(int(np.argmax(wrong)))
        self.seen.append((kind, wrong, first or kind))
        fresh = np.flatnonzero(wrong & (self.code < 0))
        if isinstance(text, str):
            self.code[fresh] = self.reasons.code(kind, text)
        else:
            self.code[fresh] = [self.reasons.code(kind, text(int(at))) for at in fresh]


#: What is said of a record that is used although one of its fields is not.
LEFT_OUT = {
    "a cell cannot be read": "a cell cannot be read, the rest of the record used",
    "speed impossible": "speed impossible, the rest of the record used",
    "total or rate impossible": "total or rate impossible, the rest of the record used",
    "temperature impossible": "temperature impossible, the rest of the record used",
}
NO_POSITION = "no position, the rest of the record used"


def clean(
    batch: FileBatch, file: TelemetryFile, number: int, ledger: Ledger
) -> tuple[Columns, Rejects]:
    """The usable records of a batch as compact columns, and the refused ones.

    Parameters
    ----------
    number : which of the scan's files it is.

    Returns
    -------
    columns : truck and material as codes, time_s, lon, lat, speed_mph, spreading, file, row and
        those of `OPTIONAL` that the file has; NaN where a field cannot be used, longitude and
        latitude together. Only where there are such records: shift_s (seconds by which a time that
        comes twice on the local clock may be later) and untimed (code of the reason why time_s is
        NaN, else -1).
    """
    size = len(batch.rows)
    refused, left_out = _Marks(size, ledger.reasons), _Marks(size, ledger.reasons)
    untimed = _Marks(size, ledger.reasons)
    truck, meant = _trucks(batch, refused, ledger)
    columns: Columns = {"truck": truck}
    columns["time_s"], shift_s = _times(batch.columns["time"], untimed, ledger.timezone)
    numbers = _numbers(batch, file, left_out, ledger)
    _judge(numbers, left_out)
    columns |= numbers
    spreading, blank = _flags(batch.columns["spreading"], "spreading", left_out)
    ledger.count("spreading not said", int(blank.sum()))
    columns["spreading"] = spreading | blank  # where a record does not say so, its counters decide
    if "plow" in batch.columns:
        down, blank = _flags(batch.columns["plow"], "plow", left_out)
        columns["plow"] = np.where(blank, np.nan, down).astype(np.float32)
    _refuse_empty(columns, refused, left_out.code, untimed.code)
    columns["speed_mph"] = columns["speed_mph"].astype(np.float32)
    if "material" in batch.columns:
        columns["material"] = _materials(batch, number, ledger)
    if shift_s.any():
        columns["shift_s"] = shift_s.astype(np.int16)
    if untimed.seen:
        columns["untimed"] = untimed.code
    good = refused.code < 0
    for kind, wrong, _ in left_out.seen:
        if kind in LEFT_OUT:
            ledger.count(LEFT_OUT[kind], int((wrong & good).sum()))
    _count_losses(batch, columns, left_out, good, meant, number, ledger.losses)
    ledger.count(NO_POSITION, int((np.isnan(columns["lon"]) & good).sum()))
    kept: Columns = {
        name: values if good.all() else values[good] for name, values in columns.items()
    }
    kept["row"] = batch.rows[good].astype(np.uint32)
    kept["file"] = np.full(int(good.sum()), number, dtype=np.int16)
    broken = np.array([row for row, _ in batch.broken], dtype=np.int64)
    why = [ledger.reasons.code("not a record", text) for _, text in batch.broken]
    rows = np.concatenate([batch.rows[~good], broken])
    return kept, rejects(number, rows, np.concatenate([refused.code[~good], np.array(why, int)]))


def _count_losses(
    batch: FileBatch,
    columns: Columns,
    left_out: _Marks,
    good: BoolArray,
    meant: NDArray[np.int64],
    number: int,
    losses: Losses,
) -> None:
    """Count what is not used of a batch, for its file."""
    losses.seen(number, len(good) + len(batch.broken), meant)
    losses.refuse(number, np.append(meant[~good], np.full(len(batch.broken), NOBODY)))
    amounts = [columns[name] for name in AMOUNTS if name in columns]
    nothing = np.logical_and.reduce([np.isnan(one) for one in amounts]) & good
    if nothing.any():
        left_out.seen.append((NO_AMOUNT, nothing, NO_AMOUNT))
    counted: dict[str, BoolArray] = {}  # a record with two such cells is one record
    for kind, wrong, text in left_out.seen:
        used = wrong & good & ~counted.get(kind, np.zeros(len(good), dtype=bool))
        if used.any():
            row = int(batch.rows[np.argmax(used)])
            losses.leave_out(number, kind, int(used.sum()), row, text)
            counted[kind] = counted[kind] | used if kind in counted else used


def _refuse_empty(
    columns: Columns, refused: _Marks, left_out: NDArray[np.int32], untimed: NDArray[np.int32]
) -> None:
    """Refuse, in place, what has nothing to go by: no amount, and no position or no time.

    The reason is that of its time, else the first field that was left out.
    """
    nothing = np.isnan(columns["lon"]) | (untimed >= 0)
    if not nothing.any():
        return
    for name in AMOUNTS:
        if name in columns:
            nothing &= np.isnan(columns[name])
    fresh = nothing & (refused.code < 0)
    refused.code[fresh] = np.where(untimed >= 0, untimed, left_out)[fresh]


# --- words -------------------------------------------------------------------------------------


def _quote(value: str) -> str:
    return f'"{value[:40]}{"…" if len(value) > 40 else ""}"'


def _word(value: Any) -> str:
    """Text of a cell of any type: 7.0 is the identifier 7."""
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _dictionary(array: pa.Array) -> tuple[list[str], NDArray[np.int64]]:
    """Distinct words of a column, and which one each row has; -1 for none."""
    coded = array if pa.types.is_dictionary(array.type) else array.dictionary_encode()
    places = coded.indices.cast(pa.int64()).fill_null(-1).to_numpy(zero_copy_only=False)
    return [_word(value) for value in coded.dictionary.to_pylist()], places


def _materials(batch: FileBatch, number: int, ledger: Ledger) -> NDArray[np.int16]:
    """Materials as codes of the ledger, which takes up new names; -1 for an empty cell."""
    known = ledger.materials
    words, places = _dictionary(batch.columns["material"])
    words = [CONTROL_CHARACTERS.sub("?", word) for word in words]
    for place, word in enumerate(words):
        if word and word not in known and len(known) < np.iinfo(np.int16).max:
            at = np.flatnonzero(places == place)
            if at.size:
                known[word] = len(known)
                ledger.first_named[word] = number, int(batch.rows[at[0]])
    table = np.array([known.get(word, -1) for word in words] + [-1])
    return table[places].astype(np.int16)


def _trucks(
    batch: FileBatch, marks: _Marks, ledger: Ledger
) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Codes of the trucks, -1 where a name is not listed; and of those that are meant, if so."""
    words, places = _dictionary(batch.columns["truck_id"])
    words.append("")
    codes = np.array([ledger.trucks.get(word, -1) for word in words])
    meant = codes.copy()
    for at in np.flatnonzero(codes < 0).tolist():
        meant[at] = ledger.alike.truck(words[at])
    empty = np.array([not word for word in words])
    marks.mark(empty[places], "a cell is empty", "truck_id is empty")
    truck = codes[places]
    marks.mark(
        truck < 0,
        UNKNOWN_TRUCK,
        lambda at: f"truck {_quote(words[places[at]])} is not in trucks.csv",
    )
    kind = np.int16 if len(ledger.trucks) < np.iinfo(np.int16).max else np.int32
    return truck.astype(kind), meant[places]


def _flags(array: pa.Array, name: str, marks: _Marks) -> tuple[BoolArray, BoolArray]:
    """A column of yes and no: where it says yes, and where it says nothing that can be read."""
    if pa.types.is_boolean(array.type):
        blank = np.asarray(array.is_null())
        flags = np.asarray(array.fill_null(True))
    else:
        words, places = _dictionary(array)
        words = [*(word.lower() for word in words), ""]
        blank = np.array([word in {*NO_NUMBER, ""} for word in words])[places]
        flags = np.array([word not in FALSE for word in words])[places]
        wrong = np.array([word not in TRUE | FALSE for word in words])[places] & ~blank
        marks.mark(
            wrong,
            "a cell cannot be read",
            lambda at: f"{name} {_quote(words[places[at]])} is neither 0 nor 1",
        )
        blank = blank | wrong
    return flags, blank


# --- numbers -----------------------------------------------------------------------------------


def _number(array: pa.Array) -> tuple[FloatArray, BoolArray]:
    """Finite numbers, NaN where there is none; and which cells hold something else."""
    kind = array.type
    if pa.types.is_null(kind):
        return np.full(len(array), np.nan), np.zeros(len(array), dtype=bool)
    if pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_decimal(kind):
        plain = array.cast(pa.float64())
        values = plain.fill_null(np.nan).to_numpy(zero_copy_only=False)
        wrong = np.abs(values) > LARGEST
        return np.where(wrong, np.nan, values) if wrong.any() else values, wrong
    texts = pd.Series([_word(value) for value in array.to_pylist()], dtype=object)
    blank = texts.isin(NO_NUMBER).to_numpy()
    values = pd.to_numeric(texts.where(~blank, "nan"), errors="coerce").to_numpy(dtype=float)
    wrong = ~blank & ~(np.abs(values) <= LARGEST)
    return np.where(wrong, np.nan, values), wrong


def _numbers(batch: FileBatch, file: TelemetryFile, marks: _Marks, ledger: Ledger) -> Columns:
    """Every column of numbers in its inside unit."""
    numbers: Columns = {}
    for item in file.found:
        column = item.column
        if column.kind not in ("number", "quantity"):
            continue
        array = batch.columns[column.inside]
        values, wrong = _number(array)
        if column.name == "heading_deg":
            # an aid only: devices send -1, 511 or text for "unknown"
            with np.errstate(invalid="ignore"):
                odd = wrong | (values < 0) | (values > 360)
            ledger.count("heading not usable", int(odd.sum()))
            numbers[column.inside] = np.where(odd, np.nan, values).astype(np.float32)
            continue
        marks.mark(
            wrong,
            "a cell cannot be read",
            lambda at, array=array, name=item.name: (  # type: ignore[misc]
                f"{name} {_quote(_word(array[at].as_py()))} is not a number"
            ),
        )
        if item.suffix:
            values = to_canonical(values, column.quantity, item.suffix, column.unit)
        numbers[column.inside] = values
    return numbers


def _judge(numbers: Columns, marks: _Marks) -> None:
    """Leave out, in place, positions and values that cannot be."""
    lon, lat, speed = numbers["lon"], numbers["lat"], numbers["speed_mph"]
    missing = np.isnan(lon) | np.isnan(lat)
    marks.mark(missing, "a cell is empty", "the position is empty")
    away = (np.abs(lon) > 180) | (np.abs(lat) > 90)
    marks.mark(
        away,
        "position impossible",
        lambda at: f"longitude {lon[at]:.6g}, latitude {lat[at]:.6g} is not on the globe",
    )
    no_fix = (np.abs(lon) < NULL_ISLAND_DEG) & (np.abs(lat) < NULL_ISLAND_DEG)
    marks.mark(no_fix, "position impossible", "the position is 0, 0: the receiver had no fix")
    nowhere = missing | away | no_fix
    too_fast = (speed < 0) | (speed > HIGHEST_SPEED_MPH)
    marks.mark(
        too_fast,
        "speed impossible",
        lambda at: f"a speed of {_both(speed[at])} is not possible for a truck",
    )
    _leave_out(numbers, ("lon", "lat"), nowhere)
    _leave_out(numbers, ("speed_mph",), too_fast)
    for name, words in (
        ("feed_total_lb", "the running total"),
        ("feed_rate_lb_min", "the rate"),
        ("liquid_total_gal", "the running total of the liquid"),
    ):
        if name in numbers:
            below = numbers[name] < 0
            marks.mark(below, "total or rate impossible", f"{words} is below zero")
            _leave_out(numbers, (name,), below)
    _judge_set(numbers, marks)


def _judge_set(numbers: Columns, marks: _Marks) -> None:
    """Leave out, in place, set rates and temperatures that cannot be."""
    rates = (*SET_RATES, "liquid_rate_gal_per_lane_mile")
    for name in (one for one in rates if one in numbers):
        most = RATE_LIMITS[name.split("rate_", 1)[1]].most
        wrong = (numbers[name] < 0) | (numbers[name] > most)
        what = f"the set rate is below zero or above {most:g}, as {name}"
        marks.mark(wrong, "total or rate impossible", what)
        _leave_out(numbers, (name,), wrong)
    for name, (low, high) in (("air_temp_f", AIR_F), ("pavement_temp_f", PAVEMENT_F)):
        if name in numbers:
            wrong = (numbers[name] < low) | (numbers[name] > high)
            what = f"{name} lies outside {low:g} to {high:g} °F"
            marks.mark(wrong, "temperature impossible", what)
            _leave_out(numbers, (name,), wrong)


def _both(speed_mph: float) -> str:
    """A speed in both units, since a file may be in either."""
    return f"{speed_mph:.4g} mph ({speed_mph * METRES_PER_MILE / 1000.0:.4g} km/h)"


def _leave_out(numbers: Columns, names: tuple[str, ...], wrong: BoolArray) -> None:
    """NaN, in place, in the rows that are wrong; the columns of a file are not written to."""
    if wrong.any():
        for name in names:
            numbers[name] = np.where(wrong, np.nan, numbers[name])


# --- times -------------------------------------------------------------------------------------


def _times(
    array: pa.Array, marks: _Marks, timezone: ZoneInfo
) -> tuple[FloatArray, NDArray[np.int64]]:
    """Seconds since 1970 UTC, NaN where marked, and by how much a time shown twice may be later."""
    kind = array.type
    if pa.types.is_timestamp(kind) or pa.types.is_date(kind):
        aware = pa.types.is_timestamp(kind) and kind.tz is not None
        blank = np.asarray(array.is_null())
        micros = _micros(array)
        local = np.full(len(array), not aware)
    else:
        micros, local, blank = _times_of_words(array, marks)
    marks.mark(blank, "a cell is empty", "time is empty")
    low, high = (int(datetime(year, 1, 1, tzinfo=UTC).timestamp() * 1e6) for year in YEARS)
    marks.mark(
        (micros < low) | (micros >= high),
        "time impossible",
        f"the time lies outside the years {YEARS[0]} to {YEARS[1]}",
    )
    usable = local & (marks.code < 0)
    shift = np.zeros(len(array), dtype=np.int64)
    if usable.any():
        micros = micros.copy()
        micros[usable], late, skipped = to_utc(micros[usable], timezone)
        shift[usable] = late // 1_000_000
        hole = np.zeros(len(array), dtype=bool)
        hole[usable] = skipped
        marks.mark(hole, "time unclear", "the time does not exist on the local clock")
    known = marks.code < 0
    return np.where(known, micros / 1e6, np.nan), np.where(known, shift, 0)


def _micros(array: pa.Array) -> NDArray[np.int64]:
    """Microseconds since 1970 of timestamps or dates, on their own clock; 0 for an empty cell."""
    if pa.types.is_date(array.type):
        array = array.cast(pa.timestamp("s"))
    ticks: NDArray[np.int64] = array.cast(pa.int64()).fill_null(0).to_numpy(zero_copy_only=False)
    if array.type.unit == "ns":
        return ticks // 1_000
    factor = {"s": 1_000_000, "ms": 1_000, "us": 1}[array.type.unit]
    most = np.iinfo(np.int64).max // factor  # a time beyond it must not come round again
    return np.clip(ticks, -most, most) * factor


def _times_of_words(
    array: pa.Array, marks: _Marks
) -> tuple[NDArray[np.int64], BoolArray, BoolArray]:
    """Microseconds since 1970, which times are local ones, and which cells are empty."""
    cells = array.to_pylist()
    micros = np.zeros(len(cells), dtype=np.int64)
    local = np.zeros(len(cells), dtype=bool)
    wrong = np.zeros(len(cells), dtype=bool)
    origin = datetime(1970, 1, 1, tzinfo=UTC)
    texts = [_word(cell) if isinstance(cell, str) or cell is None else "" for cell in cells]
    for at, text in enumerate(texts):
        if not text:
            wrong[at] = cells[at] is not None and cells[at] != ""
            continue
        try:
            moment = datetime.fromisoformat(text)
            local[at] = moment.tzinfo is None
            moment = moment.replace(tzinfo=UTC) if local[at] else moment
            micros[at] = (moment - origin) // timedelta(microseconds=1)
        except (ValueError, OverflowError):
            wrong[at] = True
    marks.mark(
        wrong,
        "a cell cannot be read",
        lambda at: f"time {_quote(_word(cells[at]))} is not a date or time that exists",
    )
    return micros, local, np.array([not text for text in texts], dtype=bool)


@lru_cache(maxsize=64)
def _one_offset(timezone: ZoneInfo, first_day: int, last_day: int) -> int | None:
    """The offset in seconds if the clock does not change between two days since 1970."""
    if last_day - first_day > LONGEST_SPAN_DAYS:
        return None
    midnight = datetime(1970, 1, 1)
    offsets = {
        (midnight + timedelta(days=day)).replace(tzinfo=timezone).utcoffset()
        for day in range(first_day - 1, last_day + 3)
    }
    only = offsets.pop()
    return int(only.total_seconds()) if not offsets and only is not None else None


def to_utc(
    micros: NDArray[np.int64], timezone: ZoneInfo
) -> tuple[NDArray[np.int64], NDArray[np.int64], BoolArray]:
    """Local clock times as UTC.

    Parameters
    ----------
    micros : shape (n,), n > 0, microseconds since 1970-01-01 on the local clock.

    Returns
    -------
    The earlier (as a rule: the only) moment that the clock showed this time, by how many
    microseconds the second such moment is later, and which times the clock skipped.
    """
    day = 86_400_000_000
    offset = _one_offset(timezone, int(micros.min() // day), int(micros.max() // day))
    if offset is not None:
        none = np.zeros(len(micros), dtype=np.int64)
        return micros - offset * 1_000_000, none, none.astype(bool)
    naive = pd.DatetimeIndex(micros.view("datetime64[us]"))
    moments = [
        naive.tz_localize(timezone, ambiguous=np.full(len(naive), first), nonexistent="NaT")
        for first in (True, False)
    ]
    skipped = np.asarray(moments[0].isna())
    one, other = (index.as_unit("us").asi8 for index in moments)
    early = np.where(skipped, 0, np.minimum(one, other))
    return early, np.where(skipped, 0, np.abs(other - one)), skipped
