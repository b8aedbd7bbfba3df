"""Hourly weather as rows of a forecast: which event it is, and which hours make a round.

These rules are a first proposal that the planner corrects in forecast.csv. Precipitation is taken
as snow up to 34 F of air, as freezing rain where it rains on pavement at or below 32 F; without
precipitation, pavement at or below 32 F and the dew point is frost. A METAR code goes before.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning.geometry import distance_mi

FREEZING_F: Final = 32.0
SNOW_UP_TO_F: Final = 34.0
"""Precipitation falls as snow up to this air temperature, °F. Common practice, no source."""

MODERATE_WATER_IN_H: Final = 0.05
HEAVY_WATER_IN_H: Final = 0.10
"""Water from which snow is moderate, and heavy, inches an hour: half an inch and an inch of snow,
ten times as deep. From memory: FHWA-RD-95-202, Manual of Practice for an Effective Anti-icing
Program, 1996."""

LEAST_WATER_IN: Final = 0.001
"""Less water in a row is a trace. Our choice."""

TREND_F: Final = 1.0
"""Pavement that changes by more over a round is falling or rising, °F. Our choice."""

SAME_PLACE_MI: Final = 0.01
"""Places so near are one, mi: what the digits of coordinates make. Our choice."""

LONGEST_STEP_H: Final = 3.0
"""A row stands for no more than so many hours after the one before. Our choice."""

#: events, the gravest first
EVENTS: Final = (
    "freezing_rain",
    "sleet",
    "heavy_snow",
    "moderate_snow",
    "light_snow",
    "frost",
)


def event_of(row: Any) -> str:
    """The event of one row of weather, one of `EVENTS`; "" where nothing has to be treated.

    Parameters
    ----------
    row : weather (a METAR code or a word, "" for none), precipitation_in, hours (that it fell in),
        air_temp_f, pavement_temp_f, dew_point_f; NaN where missing.

    Returns
    -------
    Its name. Codes as in the WMO's Manual on Codes, WMO-No. 306, code table 4678 (from memory).
    """
    named = _named(row.weather, row.pavement_temp_f)
    if named is not None:
        return named
    if row.precipitation_in >= LEAST_WATER_IN:
        air = row.pavement_temp_f if math.isnan(row.air_temp_f) else row.air_temp_f
        if air > SNOW_UP_TO_F:
            return "freezing_rain" if row.pavement_temp_f <= FREEZING_F else ""
        water = row.precipitation_in / row.hours
        heavy, moderate = water >= HEAVY_WATER_IN_H, water >= MODERATE_WATER_IN_H
        return "heavy_snow" if heavy else "moderate_snow" if moderate else "light_snow"
    # a dew point that is not known makes no frost
    frosty = row.pavement_temp_f <= row.dew_point_f and row.pavement_temp_f <= FREEZING_F
    return "frost" if frosty else ""


def _named(weather: str, pavement_f: float) -> str | None:
    """The event that a code or a word names; None where it names no precipitation."""
    said = weather.upper().replace("_", " ")
    if re.search(r"FZ(RA|DZ)|FREEZING", said):
        return "freezing_rain"
    if re.search(r"\bPL|\bIP|RAPL|SNPL|SLEET|ICE PELLETS", said):
        return "sleet"
    if re.search(r"SN|SG|SNOW", said):
        if "+" in said or "HEAVY" in said:
            return "heavy_snow"
        return "light_snow" if "-" in said or "LIGHT" in said else "moderate_snow"
    if re.search(r"(?:^|[\s+-]|SH|TS)(?:RA|DZ)|RAIN|DRIZZLE", said):
        return "freezing_rain" if pavement_f <= FREEZING_F else ""
    return "frost" if "FROST" in said else None


@dataclass(frozen=True)
class ZoneWeather:
    """Weather of one zone: its rows in order of time, and how far off its place is.

    place : name of the station or cell; miles : from the middle of the zone, NaN: not told.
    left_out : rows without any temperature, which are not among ``rows``.
    """

    rows: pd.DataFrame
    place: str
    miles: float
    left_out: int


def zone_weather(
    weather: pd.DataFrame, zones: Mapping[str, tuple[float, float]]
) -> dict[str, ZoneWeather]:
    """The weather of each zone: that of the nearest place with temperatures.

    Parameters
    ----------
    weather : the columns of `schema.weather.WEATHER`; with a column zone each zone has its own.
    zones : longitude and latitude of the middle of each, degrees.

    Returns
    -------
    One entry for each zone. Where no row has a place, all zones take all rows. Its rows have a
    temperature of the pavement, that of the air where ``by_air`` says so, then since (when each
    begins), hours and event.
    """
    temperatures = weather["pavement_temp_f"].fillna(weather["air_temp_f"])
    weather = weather.assign(
        by_air=weather["pavement_temp_f"].isna().to_numpy(), pavement_temp_f=temperatures
    )
    found = {}
    for zone, (lon, lat) in zones.items():
        mine = weather[weather["zone"] == zone] if "zone" in weather else weather
        miles, place = math.nan, ""
        away = distance_mi(mine["lon"].to_numpy(), mine["lat"].to_numpy(), lon, lat)
        useful = np.where(mine["pavement_temp_f"].notna(), away, np.nan)
        if np.isfinite(useful).any():
            miles = float(np.nanmin(useful))
            mine = mine[np.abs(away - miles) <= SAME_PLACE_MI]
            place = str(mine["place"].iloc[0])
        mine = mine.sort_values("time", kind="stable").drop_duplicates("time", keep="last")
        known = mine["pavement_temp_f"].notna()
        rows = _with_events(mine[known].reset_index(drop=True))
        found[zone] = ZoneWeather(rows, place, miles, int((~known).sum()))
    return found


def _with_events(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with since (when each begins), hours and event; a row ends at its time."""
    usual = rows["time"].diff().median()
    step = rows["time"].diff().fillna(usual).fillna(pd.Timedelta(hours=1))
    longest = pd.Timedelta(hours=LONGEST_STEP_H)
    step = step.where(step <= longest, longest)
    rows = rows.assign(since=rows["time"] - step, hours=step.dt.total_seconds() / 3600.0)
    return rows.assign(event=[event_of(one) for one in lines(rows)])


def forecast_rows(
    zones: Mapping[str, ZoneWeather], every_h: float, before: pd.DataFrame
) -> pd.DataFrame:
    """Rounds of a forecast: the same times in all zones, each of so many hours.

    Parameters
    ----------
    zones : see `zone_weather`.
    every_h : hours of a round.
    before : rounds that were forecast before: application and start. Numbers go on behind those
        that begin earlier, so that an update speaks of the rounds to come alone.

    Returns
    -------
    zone, start, end, event (the gravest of its hours), pavement_temp_f (the coldest),
    pavement_temp_u_f (as given, NaN without), trend, precipitation_in (their sum, NaN where none
    is given), application, by_air (the coldest is the air's). Rounds run from the first hour with
    an event in any zone to the last; a zone has no row in a round without one.
    """
    eventful = [one.rows[one.rows["event"] != ""] for one in zones.values()]
    eventful = [rows for rows in eventful if len(rows)]
    made: list[dict[str, Any]] = []
    if eventful:
        first = min(rows["since"].min() for rows in eventful)
        last = max(rows["time"].max() for rows in eventful)
        starts = pd.date_range(first, last, freq=pd.Timedelta(hours=every_h), inclusive="left")
        earlier = before.loc[before["start"] < first, "application"].nunique()
        for number, start in enumerate(starts, earlier + 1):
            end = min(start + pd.Timedelta(hours=every_h), last)
            for zone, one in zones.items():
                rows = one.rows[(one.rows["since"] < end) & (one.rows["time"] > start)]
                if (rows["event"] != "").any():
                    made.append(_round(zone, rows, start, end, str(number)))
    columns = (
        "zone start end event pavement_temp_f pavement_temp_u_f trend precipitation_in application "
        "by_air"
    )
    return pd.DataFrame(made, columns=columns.split())


def _round(
    zone: str, rows: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp, label: str
) -> dict[str, Any]:
    coldest = rows.iloc[int(rows["pavement_temp_f"].to_numpy().argmin())]
    change = float(rows["pavement_temp_f"].iloc[-1] - rows["pavement_temp_f"].iloc[0])
    # of a row that reaches into the round, what falls within it
    times = zip(rows["since"], rows["time"], strict=True)
    share = [(min(until, end) - max(since, start)) / (until - since) for since, until in times]
    return {
        "zone": zone,
        "start": start,
        "end": end,
        "event": min((one for one in rows["event"] if one), key=EVENTS.index),
        "pavement_temp_f": float(coldest["pavement_temp_f"]),
        "pavement_temp_u_f": float(coldest["pavement_temp_u_f"]),
        "trend": "rising" if change > TREND_F else "falling" if change < -TREND_F else "steady",
        "precipitation_in": float((rows["precipitation_in"] * share).sum(min_count=1)),
        "application": label,
        "by_air": bool(coldest["by_air"]),
    }
