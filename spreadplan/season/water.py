"""Screening: could the chloride put down matter in the water that receives it?

Load over flow gives a concentration, set against limits that carry their averaging time. How fast
the chloride reaches the water nobody knows, so there are two readings: it goes down while the storm
lasts, or all of it within the averaging time, as when a thaw takes what lay on the road. Water is
judged at its low flow, on top of its background; without those a limit may be exceeded, but nothing
is ever called below. Soil and groundwater hold chloride back for months. The estimate can say where
to sample, never whether a standard is met: that is for the regulator, from samples.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.metrology import Z95
from spreadplan.remarks import Finding, Remark, Severity, remark
from spreadplan.schema.results import RESULTS
from spreadplan.season.use import StormOfSeason
from spreadplan.units import LITERS_PER_CUBIC_FOOT, MILLIGRAMS_PER_POUND

MG_PER_LB: Final = MILLIGRAMS_PER_POUND
L_PER_FT3: Final = LITERS_PER_CUBIC_FOOT
SECONDS_PER_HOUR: Final = 3600.0


@dataclass(frozen=True)
class Criterion:
    """A limit for chloride in fresh water. A limit without its averaging time is no limit."""

    name: str
    limit_mg_l: float
    averaging_h: float
    source: str


CRITERIA: Final = (
    Criterion(
        "EPA, chronic",
        230.0,
        96.0,
        "US EPA, Ambient Water Quality Criteria for Chloride, EPA 440/5-88-001, 1988: four-day "
        "average, not more than once in three years (quoted by the Minnesota Stormwater Manual)",
    ),
    Criterion(
        "EPA, acute",
        860.0,
        1.0,
        "US EPA, Ambient Water Quality Criteria for Chloride, EPA 440/5-88-001, 1988: one-hour "
        "average (averaging time from memory)",
    ),
    Criterion(
        "Minnesota, maximum",
        860.0,
        24.0,
        "Minnesota Pollution Control Agency, Minnesota Stormwater Manual, Twin Cities Metro "
        "Chloride TMDL, applicable standards: 24-hour exposure, class 2B",
    ),
)

SPREAD: Final = "spread over the storm"
AT_ONCE: Final = "all within the averaging time"
ABOVE: Final = "above: sample"
NEAR: Final = "near: consider sampling"
BELOW: Final = "below"
NOT_JUDGED: Final = "not judged"


def load_lb(flow_cfs: float, concentration_mg_l: float, hours: float) -> float:
    """Chloride that a flow carries at a concentration, lb.

    >>> round(load_lb(1.0, 230.0, 24.0))
    1241
    """
    litres = flow_cfs * L_PER_FT3 * hours * SECONDS_PER_HOUR
    return litres * concentration_mg_l / MG_PER_LB


def concentration_mg_l(chloride_lb: float, flow_cfs: float, hours: float) -> float:
    """Mean concentration if a load goes down a stream within so many hours, mg/L.

    Raises
    ------
    ValueError : flow or time not above 0.
    """
    if not (flow_cfs > 0.0 and hours > 0.0):
        raise ValueError(f"flow {flow_cfs} ft3/s and time {hours} h must be above 0")
    return chloride_lb * MG_PER_LB / (flow_cfs * L_PER_FT3 * hours * SECONDS_PER_HOUR)


@dataclass(frozen=True)
class _Water:
    """What thins the chloride: flow in ft3/s, background in mg/L (0 where not known)."""

    flow_cfs: float
    background_mg_l: float
    basis: Remark
    known: bool


def _water(area: Any) -> _Water:
    low, behind = area.low_flow_cfs > 0.0, area.background_mg_l >= 0.0
    named = ((remark("low_flow"), low), (remark("background"), behind))
    lacking = [name for name, there in named if not there]
    not_known: tuple[Remark, ...] = ()
    if len(lacking) == 1:
        not_known = (remark("one_not_known", what=lacking[0]),)
    elif lacking:
        not_known = (remark("both_not_known", what=lacking[0], other=lacking[1]),)
    basis = remark(
        "at_flow",
        flow=remark("low_flow") if low else remark("mean_flow"),
        background=remark("the_background") if behind else remark("no_background"),
        lacking=not_known,
    )
    return _Water(
        float(area.low_flow_cfs if low else area.mean_flow_cfs),
        float(area.background_mg_l) if behind else 0.0,
        basis,
        not lacking,
    )


@dataclass(frozen=True)
class _Window:
    """Storms that begin within one averaging time, and the hours that they took."""

    storms: str
    load_lb: float
    load_u_lb: float
    took_h: float


def screening_table(
    loads: pd.DataFrame,
    areas: pd.DataFrame,
    storms: Sequence[StormOfSeason],
    criteria: Sequence[Criterion] = CRITERIA,
) -> pd.DataFrame:
    """The worst time of each area against each criterion, in both readings.

    Parameters
    ----------
    loads : as `chloride.storm_loads` returns it.
    areas : area_id, name, mean_flow_cfs, low_flow_cfs, background_mg_l (NaN: not known); areas
        without any flow are left out.

    Returns
    -------
    The table ``screening``, one row for each reading. The storms that begin within the averaging
    time of one another count together. ``reading`` "spread over the storm" divides their load by
    the averaging time or, where that is longer, by the time that they took; "all within the
    averaging time" by the averaging time (both in ``window_h``). Each reading names its own worst
    storms; where the two are the same there is one row. concentration_hi_mg_l is the upper end of
    the load's 95 % interval. ``screening`` holds for all rows of a criterion: "above: sample" where
    even the load spread over the storm lies above the limit; else "not judged" where low flow or
    background is not known, since either can only raise the figures; else "near: consider sampling"
    where a reading or its upper end lies above; else "below".
    """
    times = {one.storm: (one.start, one.end) for one in storms}
    found: list[dict[str, Any]] = []
    for area in lines(areas):
        own = loads[loads["scope_id"] == area.area_id]
        if not len(own) or not (area.mean_flow_cfs > 0.0 or area.low_flow_cfs > 0.0):
            continue
        for criterion in criteria:
            found += _against(area, _windows(own, times, criterion.averaging_h), criterion)
    return pd.DataFrame(found, columns=RESULTS["screening"].names)


def _windows(
    own: pd.DataFrame, times: dict[str, tuple[pd.Timestamp, pd.Timestamp]], averaging_h: float
) -> list[_Window]:
    ordered = own.assign(
        start=[times[name][0] for name in own["storm"]],
        end=[times[name][1] for name in own["storm"]],
    ).sort_values("start", kind="stable")
    span = pd.Timedelta(hours=averaging_h)
    windows = []
    for first in ordered["start"]:
        here = ordered[(ordered["start"] >= first) & (ordered["start"] < first + span)]
        took = (here["end"].max() - first) / pd.Timedelta(hours=1)
        load, u = float(here["chloride_lb"].sum()), float(here["chloride_u_lb"].sum())
        windows.append(_Window("; ".join(here["storm"]), load, u, float(took)))
    return windows


def _against(area: Any, windows: list[_Window], criterion: Criterion) -> list[dict[str, Any]]:
    """The rows of one criterion: the worst window by each reading, judged together."""
    water, averaging = _water(area), criterion.averaging_h
    spread = max(windows, key=lambda one: one.load_lb / max(averaging, one.took_h))
    at_once = max(windows, key=lambda one: one.load_lb)
    readings = [(SPREAD, spread, max(averaging, spread.took_h)), (AT_ONCE, at_once, averaging)]
    if spread == at_once and spread.took_h <= averaging:
        readings = readings[1:]
    rows = [_reading(water, *one) for one in readings]
    screening = _judged(water, rows, criterion.limit_mg_l)
    same = {
        "area_id": area.area_id,
        "name": area.name,
        "criterion": criterion.name,
        "limit_mg_l": criterion.limit_mg_l,
        "averaging_h": averaging,
        "mean_flow_cfs": area.mean_flow_cfs,
        "low_flow_cfs": area.low_flow_cfs,
        "background_mg_l": area.background_mg_l,
        "basis": water.basis,
        "screening": screening,
        "source": criterion.source,
    }
    return [
        same | row | {"share_of_limit": row["concentration_mg_l"] / criterion.limit_mg_l}
        for row in rows
    ]


def _reading(water: _Water, reading: str, window: _Window, hours: float) -> dict[str, Any]:
    level, high = (
        water.background_mg_l + concentration_mg_l(load, water.flow_cfs, hours)
        for load in (window.load_lb, window.load_lb + Z95 * window.load_u_lb)
    )
    return {
        "reading": reading,
        "window_h": hours,
        "storms": window.storms,
        "load_lb": window.load_lb,
        "load_u_lb": window.load_u_lb,
        "concentration_mg_l": level,
        "concentration_hi_mg_l": high,
    }


def _judged(water: _Water, rows: list[dict[str, Any]], limit_mg_l: float) -> str:
    if min(row["concentration_mg_l"] for row in rows) > limit_mg_l:
        return ABOVE
    if not water.known:
        return NOT_JUDGED
    return NEAR if max(row["concentration_hi_mg_l"] for row in rows) > limit_mg_l else BELOW


def screening_findings(screening: pd.DataFrame) -> list[Finding]:
    """Waters to sample, and those that could not be judged; ``screening`` : `screening_table`."""
    if not len(screening):
        what, remedy = remark("no_water_screened"), remark("give_the_flow")
        return [Finding("note", remark("of_waters"), what, (remedy,))]
    exceeded = screening["concentration_mg_l"] > screening["limit_mg_l"]
    keys = [screening["area_id"], screening["criterion"]]
    raised = exceeded.groupby(keys).transform("any") | (screening["screening"] == NEAR)
    said = screening[raised]
    quiet = screening[~screening["area_id"].isin(said["area_id"])]
    return [
        *(_raised(rows) for _, rows in said.groupby(["area_id", "criterion"], sort=False)),
        *_not_judged(quiet[quiet["screening"] == NOT_JUDGED]),
    ]


def _raised(rows: pd.DataFrame) -> Finding:
    """A criterion that a reading, or at least its upper end, exceeds."""
    first = rows.iloc[0]
    figures = [
        remark(
            "one_reading",
            level_mg_l=float(row.concentration_mg_l),
            reading=row.reading,
            window=hours_text(row.window_h),
        )
        for row in lines(rows)
    ]
    exceeded = (rows["concentration_mg_l"] > rows["limit_mg_l"]).any()
    what = remark(
        "water_screened",
        screening=first["screening"],
        figures=figures,
        limit_mg_l=float(first["limit_mg_l"]),
        criterion=first["criterion"],
        average=hours_text(first["averaging_h"]),
        basis=first["basis"],
    )
    subject = remark("of_water", water=f"{first['area_id']} {first['name']}".strip())
    severity: Severity = "caution" if exceeded else "note"
    return Finding(severity, subject, what, (remark("sample_the_water"),))


def _not_judged(rows: pd.DataFrame) -> Iterator[Finding]:
    if not len(rows):
        return
    names = [f"{one.area_id} {one.name}".strip() for one in lines(rows.drop_duplicates("area_id"))]
    what, remedy = remark("waters_not_judged", waters=names), remark("give_flow_or_sample")
    yield Finding("note", remark("of_waters"), what, (remedy,))


def hours_text(hours: float) -> str:
    """A time as people say it.

    Parameters
    ----------
    hours : how long.

    Returns
    -------
    Whole days from two up as days, else hours to three digits, e.g. 4 days or 9.62 h.
    """
    return f"{hours / 24.0:g} days" if hours >= 48.0 and hours % 24.0 == 0.0 else f"{hours:.3g} h"


def season_concentration(
    table: pd.DataFrame, areas: pd.DataFrame, start: pd.Timestamp, as_of: pd.Timestamp
) -> pd.DataFrame:
    """Each area's load of the season so far over the flow of the same days.

    ``table`` : as `chloride.chloride_table` returns it. Returns area_id, name, chloride_lb,
    mean_flow_cfs, days, concentration_mg_l. No criterion has so long an averaging time: it shows
    the rise above the background that the season can make.
    """
    hours = (as_of - start) / pd.Timedelta(hours=1)
    whole = table[(table["storm"] == "") & table["scope"].isin(["area", "watershed"])]
    rows = whole.merge(areas[["area_id", "mean_flow_cfs"]], left_on="scope_id", right_on="area_id")
    rows = rows[rows["mean_flow_cfs"] > 0.0]
    level = [
        concentration_mg_l(load, flow, hours)
        for load, flow in zip(rows["chloride_lb"], rows["mean_flow_cfs"], strict=True)
    ]
    return pd.DataFrame(
        {
            "area_id": rows["area_id"],
            "name": rows["name"],
            "chloride_lb": rows["chloride_lb"],
            "mean_flow_cfs": rows["mean_flow_cfs"],
            "days": hours / 24.0,
            "concentration_mg_l": np.array(level, dtype=float),
        }
    ).reset_index(drop=True)
