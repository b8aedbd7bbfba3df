"""Screening: could the chloride put down matter in the water that receives it?

Load over flow gives a concentration, set against limits that carry their averaging time. This is a
screening estimate: it takes all the chloride of an area as reaching the stream within the averaging
time, the flow as its mean, and no chloride in the water before. Soil and groundwater hold chloride
back for months, and winter flow lies below the mean. It can say where to sample, never whether a
standard is met: that is for the regulator, from samples.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.metrology import Z95
from spreadplan.season.use import StormUse
from spreadplan.units import Quantity

CAUTION: Final = (
    "Screening estimate: all chloride of the area reaches the water within the averaging time, at "
    "its mean flow, on top of none. It says where to sample; whether a standard is met is for the "
    "regulator and for samples to tell."
)

MG_PER_LB: Final = float(Quantity(1.0, "pound").to("milligram").magnitude)
L_PER_FT3: Final = float(Quantity(1.0, "foot**3").to("liter").magnitude)
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
        "EPA, chronic", 230.0, 96.0,
        "US EPA, Ambient Water Quality Criteria for Chloride, EPA 440/5-88-001, 1988: four-day "
        "average, not more than once in three years (quoted by the Minnesota Stormwater Manual)",
    ),
    Criterion(
        "EPA, acute", 860.0, 1.0,
        "US EPA, Ambient Water Quality Criteria for Chloride, EPA 440/5-88-001, 1988: one-hour "
        "average (averaging time from memory)",
    ),
    Criterion(
        "Minnesota, maximum", 860.0, 24.0,
        "Minnesota Pollution Control Agency, Minnesota Stormwater Manual, Twin Cities Metro "
        "Chloride TMDL, applicable standards: 24-hour exposure, class 2B",
    ),
)  # fmt: skip

SCREENING_COLUMNS: Final = (
    "area_id", "name", "criterion", "limit_mg_l", "averaging_h", "window_h", "storms", "load_lb",
    "load_u_lb", "mean_flow_cfs", "concentration_mg_l", "concentration_hi_mg_l", "share_of_limit",
    "screening", "source",
)  # fmt: skip


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


def allowable_parts(
    total: float, margin: float, reserve: float, shares: Sequence[float]
) -> list[float]:
    """A total maximum daily load less margin of safety and reserve, shared out, e.g. by area.

    TMDL = WLA + LA + MOS + RC (Minnesota Pollution Control Agency, Twin Cities Metro Chloride TMDL,
    TMDL development). ``margin`` and ``reserve`` are in the unit of ``total``; ``shares`` any
    positive weights.

    >>> allowable_parts(100.0, 0.0, 0.0, [75.0, 25.0])
    [75.0, 25.0]
    """
    left = total - margin - reserve
    if left < 0.0:
        raise ValueError(f"margin {margin} and reserve {reserve} exceed the total {total}")
    return [left * share / sum(shares) for share in shares]


def screening_table(
    loads: pd.DataFrame,
    areas: pd.DataFrame,
    storms: Sequence[StormUse],
    criteria: Sequence[Criterion] = CRITERIA,
) -> pd.DataFrame:
    """The worst time of each area against each criterion.

    Parameters
    ----------
    loads : as `chloride.storm_loads` returns it.
    areas : area_id, name, mean_flow_cfs; areas without a flow are left out.

    Returns
    -------
    `SCREENING_COLUMNS`. The storms that begin within the averaging time of one another count
    together; their load is spread over the averaging time or, where that is longer, over the time
    that they took (``window_h``): a stream can hardly carry a storm's salt faster than it is put
    down. concentration_hi_mg_l is the upper end of the load's 95 % interval. ``screening`` is
    "above: sample", "near: consider sampling" (upper end above) or "below".
    """
    times = {one.storm: (one.start, one.end) for one in storms}
    found = []
    for area in lines(areas):
        own = loads[loads["scope_id"] == area.area_id]
        if not len(own) or not area.mean_flow_cfs > 0.0:
            continue
        found += [_worst(area, own, times, criterion) for criterion in criteria]
    return pd.DataFrame(found, columns=list(SCREENING_COLUMNS))


def _worst(
    area: Any, own: pd.DataFrame, times: dict[str, tuple[pd.Timestamp, pd.Timestamp]],
    criterion: Criterion,
) -> dict[str, Any]:  # fmt: skip
    ordered = own.assign(
        start=[times[name][0] for name in own["storm"]],
        end=[times[name][1] for name in own["storm"]],
    ).sort_values("start", kind="stable")
    span = pd.Timedelta(hours=criterion.averaging_h)
    worst: dict[str, Any] = {}
    for first in ordered["start"]:
        here = ordered[(ordered["start"] >= first) & (ordered["start"] < first + span)]
        took = (here["end"].max() - first) / pd.Timedelta(hours=1)
        window = max(criterion.averaging_h, float(took))
        load, u = float(here["chloride_lb"].sum()), float(here["chloride_u_lb"].sum())
        level = concentration_mg_l(load, area.mean_flow_cfs, window)
        high = concentration_mg_l(load + Z95 * u, area.mean_flow_cfs, window)
        if not worst or level > worst["concentration_mg_l"]:
            worst = {"window_h": window, "storms": "; ".join(here["storm"]), "load_lb": load,
                     "load_u_lb": u, "concentration_mg_l": level,
                     "concentration_hi_mg_l": high}  # fmt: skip
    limit = criterion.limit_mg_l
    above, near = worst["concentration_mg_l"] > limit, worst["concentration_hi_mg_l"] > limit
    return worst | {
        "area_id": area.area_id, "name": area.name, "criterion": criterion.name,
        "limit_mg_l": limit, "averaging_h": criterion.averaging_h,
        "mean_flow_cfs": area.mean_flow_cfs,
        "share_of_limit": worst["concentration_mg_l"] / limit,
        "screening": "above: sample" if above else "near: consider sampling" if near else "below",
        "source": criterion.source,
    }  # fmt: skip


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
    return pd.DataFrame({
        "area_id": rows["area_id"], "name": rows["name"], "chloride_lb": rows["chloride_lb"],
        "mean_flow_cfs": rows["mean_flow_cfs"], "days": hours / 24.0,
        "concentration_mg_l": np.array(level, dtype=float),
    }).reset_index(drop=True)  # fmt: skip
