"""How sure a forecast pavement temperature is, where the forecast itself does not say.

Source of the figures: technical performance report on the winter 2003-2004 Iowa field demonstration
of FHWA's winter Maintenance Decision Support System (National Center for Atmospheric Research and
other national laboratories, 2004), section 11.2, read: root mean square errors of forecast road
temperature against roadside stations were 1.5 to 3 C by night in all months, and by day, 9 a.m. to
3 p.m., up to 4.5 C in January and up to 6 C in March. It has them for lead times up to 48 h and
shows the time of day in them, no growth with lead time, so lead time is left out here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import geopandas as gpd
import numpy as np
import pandas as pd

from spreadplan.planning.applications import Condition, Moment
from spreadplan.planning.sun import sun_elevation_deg
from spreadplan.schema.policy import Policy
from spreadplan.units import to_canonical

NIGHT_U_C: Final = 2.25
"""By night, °C: the middle of the source's range."""

DAY_U_C: Final[Mapping[int, float]] = {11: 4.5, 12: 4.5, 1: 4.5, 2: 5.25}
"""By day, °C, by month: the source's upper ends, since it gives no others. It has January; November
and December stand like it, February between it and March. Our choice."""

BRIGHT_DAY_U_C: Final = 6.0
"""By day in all other months, °C: the source's upper end for March."""

DAY_FROM_DEG: Final = 10.0
"""Sun so high above the horizon makes a day, degrees: in January at the source's place that is
9 a.m. to 4 p.m. Our choice."""

COMMON_SHARE: Final = 0.75
"""Share of the error's variance that all rows and zones of a storm have in common: where it is
colder than forecast it is so all night and in all the county. Our choice, no source."""

#: moments in a row of the forecast at which the sun is looked for
_MOMENTS: Final = 49
Origin = Literal["stated", "policy", "night", "day", "night and day"]


@dataclass(frozen=True)
class Doubt:
    """Standard uncertainty of a forecast pavement temperature, °F, and where it comes from.

    ``origin`` : "stated" by the forecast, set by the "policy", or the default by "night", by "day"
    or of a row that has both.
    """

    u_f: float
    origin: Origin


def doubt_of(condition: Condition, lat_deg: float, lon_deg: float, policy: Policy) -> Doubt:
    """The uncertainty of a forecast row: what it states, else the policy's or the default.

    Parameters
    ----------
    condition : the row. One without a time counts as night.
    lat_deg, lon_deg : middle of its zone, WGS 84 degrees.
    policy : its night_u_f and day_u_f take the place of the defaults.

    Returns
    -------
    Doubt. A row that is part night and part day has the root mean square over its time.
    """
    stated, start, end = condition.pavement_temp_u_f, condition.start, condition.end
    return _doubt(stated, start, end, lat_deg, lon_deg, policy)


def _doubt(
    stated_f: float, start: Moment, end: Moment, lat_deg: float, lon_deg: float, policy: Policy
) -> Doubt:
    if not math.isnan(stated_f):
        return Doubt(stated_f, "stated")
    night = _in_f(NIGHT_U_C) if math.isnan(policy.night_u_f) else policy.night_u_f
    if pd.isna(start) or pd.isna(end):
        return Doubt(night, "night")
    times = pd.date_range(start, end, periods=_MOMENTS)
    day = _in_f(_by_day(times[_MOMENTS // 2].month, lat_deg))
    day = day if math.isnan(policy.day_u_f) else policy.day_u_f
    share = float(np.mean(sun_elevation_deg(times, lat_deg, lon_deg) >= DAY_FROM_DEG))
    u_f = math.sqrt(share * day**2 + (1.0 - share) * night**2)
    when: Origin = "night" if share == 0.0 else "day" if share == 1.0 else "night and day"
    set_by_policy = not (
        (share < 1.0 and math.isnan(policy.night_u_f))
        or (share > 0.0 and math.isnan(policy.day_u_f))
    )
    return Doubt(u_f, "policy" if set_by_policy else when)


def middles_of(rows: gpd.GeoDataFrame) -> dict[str, tuple[float, float]]:
    """Where each forecast zone lies.

    Parameters
    ----------
    rows : zone, and lines in WGS 84 degrees; shape (n,).

    Returns
    -------
    Longitude and latitude of the middle of each zone's bounds, degrees.
    """
    bounds = rows.geometry.bounds.groupby(rows["zone"].to_numpy())
    low, high = bounds[["minx", "miny"]].min(), bounds[["maxx", "maxy"]].max()
    middle = (low.to_numpy() + high.to_numpy()) / 2.0
    return {str(zone): (x, y) for zone, (x, y) in zip(low.index, middle.tolist(), strict=True)}


def with_doubts(
    forecast: pd.DataFrame, middles: Mapping[str, tuple[float, float]], policy: Policy
) -> pd.DataFrame:
    """The forecast with an uncertainty in every row.

    Parameters
    ----------
    forecast : zone, start, end, pavement_temp_u_f (if there), and any other columns.
    middles : see `middles_of`; a row for a zone that is not there, or for all, lies amid all.
    policy : see `doubt_of`.

    Returns
    -------
    The columns of ``forecast``, pavement_temp_u_f filled in.
    """
    if forecast.empty or not middles:
        return forecast
    amid = tuple(np.mean(list(middles.values()), axis=0).tolist())
    doubts = []
    for row in forecast.to_dict("records"):
        lon, lat = middles.get(str(row["zone"]), amid)
        stated = float(row.get("pavement_temp_u_f", math.nan))
        doubts.append(_doubt(stated, row["start"], row["end"], lat, lon, policy).u_f)
    return forecast.assign(pavement_temp_u_f=np.array(doubts, dtype=float))


def _by_day(month: int, lat_deg: float) -> float:
    """The default by day, °C; south of the equator the year is turned by half."""
    at = month if lat_deg >= 0.0 else (month + 5) % 12 + 1
    return DAY_U_C.get(at, BRIGHT_DAY_U_C)


def default_doubts_f(policy: Policy) -> tuple[float, float, float]:
    """What is taken where a forecast states no uncertainty.

    Parameters
    ----------
    policy : what it sets wins.

    Returns
    -------
    By night, by day in midwinter and by day in spring, °F.
    """
    night = _in_f(NIGHT_U_C) if math.isnan(policy.night_u_f) else policy.night_u_f
    if not math.isnan(policy.day_u_f):
        return night, policy.day_u_f, policy.day_u_f
    return night, _in_f(min(DAY_U_C.values())), _in_f(BRIGHT_DAY_U_C)


def _in_f(u_c: float) -> float:
    return float(to_canonical(np.array([u_c]), "temperature_difference", "c")[0])
