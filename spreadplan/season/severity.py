"""How hard a storm was, so that routes, storms and years can be compared fairly.

Two yardsticks stand side by side, because neither is beyond doubt:

* severity-hours: the storm severity index of each forecast period times its hours. Index: W. A.
  Nixon and L. Qiu, Developing a Storm Severity Index, Transportation Research Record 1911 (2005).
  Its abstract (read) says what goes in (type of storm, surface temperature, wind, behaviour before
  and after) and that scores run from 0 to 1. The values below are from memory: the mildest and
  the hardest storm they describe score exactly 0 and 1, as the abstract asks; the values in between
  were not checked against the paper. Weighting by hours is ours: the Iowa DOT weather index (page
  "Weather index", Iowa DOT, read) too counts hours of snow and of freezing rain, and the lowest
  pavement temperature.
* guidance: what a published treatment table gives for the pavement temperature of each round.
  Table: MaineDOT Treatment Recommendations, Table A (US National Transportation Library), rows 1 to
  4 (read), middle of each range.

Wind is not part of a workspace's forecast, so light wind is assumed throughout.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.metrology import Z95
from spreadplan.schema.results import RESULTS
from spreadplan.season.use import StormOfSeason, summed_use
from spreadplan.units import POUNDS_PER_TON

STORM_TYPE: Final = {
    "freezing_rain": 0.72,
    "light_snow": 0.35,
    "medium_snow": 0.52,
    "heavy_snow": 1.0,
}
"""Nixon and Qiu 2005, from memory."""
SURFACE_TEMPERATURE: Final = {"warm": 0.25, "mid_range": 0.4, "cold": 1.0}
"""Nixon and Qiu 2005, from memory: above 32 F, 25 to 32 F, below 25 F."""
WARM_ABOVE_F: Final = 32.0
COLD_BELOW_F: Final = 25.0
WIND: Final = {"light": 1.0, "strong": 1.2}
"""Nixon and Qiu 2005, from memory: wind during the storm."""
EARLY_RAIN: Final = 0.1
"""Nixon and Qiu 2005, from memory: the storm starts as rain."""
AFTER_TEMPERATURE: Final = {"steady": 0.0, "rising": -0.087, "falling": 0.15}
"""Nixon and Qiu 2005, from memory: surface temperature after the storm."""
AFTER_STRONG_WIND: Final = 0.25
"""Nixon and Qiu 2005, from memory: strong wind after the storm."""
OFFSET: Final = 0.0005
SPAN: Final = 1.6995

MEDIUM_SNOW_IN_PER_H: Final = 0.5
"""Snow of half an inch an hour or more is moderate or heavy: FHWA-RD-95-202, Manual of Practice
for an Effective Anti-icing Program (1996), from memory."""
SNOW_TO_WATER: Final = 10.0
"""Depth of fresh snow over depth of water: common practice, no source."""

#: MaineDOT Table A, rows 1 to 4: pavement temperature above, initial and subsequent lb/lane-mile,
#: middle of the range (0-150, 150-250, 250-350, 350-450; then 0-150, 100-200, 200-300, 300-400).
GUIDANCE: Final = (
    (32.0, 75.0, 75.0), (28.0, 200.0, 150.0), (20.0, 300.0, 250.0), (15.0, 400.0, 350.0),
)  # fmt: skip


def severity_index(
    storm_type: str,
    temperature: str,
    after: str = "steady",
    *,
    wind: str = "light",
    early_rain: bool = False,
    strong_wind_after: bool = False,
) -> float:
    """Storm severity index, 0 (mildest) to 1 (hardest).

    Parameters
    ----------
    storm_type, temperature, wind, after : keys of `STORM_TYPE`, `SURFACE_TEMPERATURE`, `WIND` and
        `AFTER_TEMPERATURE`.

    Raises
    ------
    KeyError : a word that the index does not know.

    Source: see the module; values from memory.

    >>> severity_index("light_snow", "warm", "rising")
    0.0
    >>> hardest = {"wind": "strong", "early_rain": True, "strong_wind_after": True}
    >>> round(severity_index("heavy_snow", "cold", "falling", **hardest), 9)
    1.0
    """
    during = STORM_TYPE[storm_type] * SURFACE_TEMPERATURE[temperature] * WIND[wind]
    before = EARLY_RAIN if early_rain else 0.0
    later = AFTER_TEMPERATURE[after] + (AFTER_STRONG_WIND if strong_wind_after else 0.0)
    score = (during + before + later - OFFSET) / SPAN
    return float(np.sqrt(max(score, 0.0))) if abs(score) > 1e-12 else 0.0


def storm_type(event: str, precipitation_in_per_h: float) -> str:
    """The index's type of storm for a forecast event; "" where the index knows none.

    ``event`` is a word of the agency's policy; ``precipitation_in_per_h`` the depth of water in an
    hour, NaN where not forecast. Frost, blowing snow and rain above freezing are outside the index.
    """
    word = event.casefold().replace("-", "_").replace(" ", "_")
    if "sleet" in word or "freezing" in word or "ice" in word.split("_"):
        return "freezing_rain"
    if "snow" not in word or "blowing" in word:
        return ""
    if "heavy" in word:
        return "heavy_snow"
    if "medium" in word or "moderate" in word:
        return "medium_snow"
    strong = precipitation_in_per_h * SNOW_TO_WATER >= MEDIUM_SNOW_IN_PER_H
    return "medium_snow" if strong else "light_snow"


def temperature_band(pavement_temp_f: float) -> str:
    """The index's band of surface temperature."""
    if pavement_temp_f > WARM_ABOVE_F:
        return "warm"
    return "cold" if pavement_temp_f < COLD_BELOW_F else "mid_range"


def guidance_rate(pavement_temp_f: float, first: bool) -> float:
    """Middle of the published range for a round, lb per lane-mile; NaN below 15 F (plow only).

    Where two rows of the table share a border the colder one holds, as in the plan.

    >>> guidance_rate(25.0, first=True)
    300.0
    """
    for above, initial, subsequent in GUIDANCE:
        if pavement_temp_f > above or pavement_temp_f == above == GUIDANCE[-1][0]:
            return initial if first else subsequent
    return float("nan")


@dataclass(frozen=True, kw_only=True)
class Severity:
    """Severity of one storm in one zone; ``unrated_hours`` are those the index does not know."""

    hours: float
    severity_hours: float
    coldest_f: float
    precipitation_in: float
    guidance_lb_per_lane_mile: float
    unrated_hours: float
    note: str


def storm_severity(forecast: pd.DataFrame) -> Severity:
    """Severity of a storm in one zone.

    ``forecast`` : start, end, event, pavement_temp_f, trend, precipitation_in of that zone. The
    trend of the last period stands for what the temperature does after the storm.
    """
    rows = forecast.sort_values(["start", "end"], kind="stable")
    last = str(rows["trend"].iloc[-1]).casefold() if len(rows) else ""
    after = last if last in AFTER_TEMPERATURE else "steady"
    rated = unrated = guidance = 0.0
    unknown: list[str] = []
    for place, row in enumerate(lines(rows)):
        hours = (row.end - row.start) / pd.Timedelta(hours=1)
        kind = storm_type(row.event, row.precipitation_in / hours if hours > 0.0 else np.nan)
        rate = guidance_rate(row.pavement_temp_f, place == 0)
        guidance += 0.0 if np.isnan(rate) else rate
        if kind and not np.isnan(row.pavement_temp_f):
            rated += hours * severity_index(kind, temperature_band(row.pavement_temp_f), after)
        else:
            unrated += hours
            unknown.append(str(row.event))
    total = (rows["end"] - rows["start"]).dt.total_seconds().sum() / 3600.0
    note = f"not in the index: {', '.join(sorted(set(unknown)))}" if unknown else ""
    return Severity(
        hours=float(total),
        severity_hours=rated,
        coldest_f=float(rows["pavement_temp_f"].min()),
        precipitation_in=float(rows["precipitation_in"].sum(min_count=1)),
        guidance_lb_per_lane_mile=guidance,
        unrated_hours=unrated,
        note=note,
    )


def severity_table(storms: Sequence[StormOfSeason]) -> pd.DataFrame:
    """The table ``severity``, one row for each storm and zone.

    ``index`` is severity_hours over the rated hours, the index averaged over the storm.
    """
    found = []
    for one in storms:
        zones = [str(zone) for zone in one.forecast["zone"].unique()]
        named = [zone for zone in zones if zone != "*"] or ["*"]
        for zone in sorted(named):
            # a row for all zones holds in every zone that has no row of its own at that time
            rows = _zone_rows(one.forecast, zone)
            got = storm_severity(rows)
            hours = got.hours - got.unrated_hours
            found.append(
                {
                    "zone": zone,
                    "storm": one.storm,
                    "start": one.start,
                    "index": got.severity_hours / hours if hours > 0.0 else np.nan,
                    **vars(got),
                }
            )
    return pd.DataFrame(found, columns=RESULTS["severity"].names)


def _zone_rows(forecast: pd.DataFrame, zone: str) -> pd.DataFrame:
    own = forecast[forecast["zone"] == zone]
    general = forecast[forecast["zone"] == "*"]
    if zone == "*":
        return general
    covered = {
        row.start
        for row in lines(general)
        if ((own["start"] < row.end) & (own["end"] > row.start)).any()
    }
    return pd.concat([own, general[~general["start"].isin(covered)]])


def fair_comparison(
    use: pd.DataFrame, storms: Sequence[StormOfSeason], zones: pd.Series, by: Sequence[str]
) -> pd.DataFrame:
    """Use per lane-mile against severity.

    Parameters
    ----------
    use : as `season_use` returns it.
    zones : forecast zone of each segment; index route_id, segment_id. A route in several zones
        had the weather of each as far as its lane-miles lie in it.
    by : any of route_id, yard_id, storm, material.

    Returns
    -------
    ``by`` and tons, tons_u, lane_miles (mean over the storms), rate_lb_per_lane_mile (all rounds of
    a storm together, mean over storms), severity_hours, lb_per_lane_mile_severity_hour, its
    95 % ends (_lo, _hi), guidance_share (use over what the treatment table gives; NaN where it
    gives nothing). Segments off the routes and storms that the index does not know are left out.
    """
    severity = severity_table(storms).set_index(["zone", "storm"])
    on_road = use[use["lane_miles"] > 0.0].copy()
    places = pd.MultiIndex.from_frame(on_road[["route_id", "segment_id"]])
    zone = pd.Series(zones.reindex(places).to_numpy(dtype=object), index=on_road.index).fillna("")
    known = {name for name, _ in severity.index}
    keys = pd.MultiIndex.from_arrays(
        [
            [
                one if (one, storm) in severity.index else "*" if "*" in known else one
                for one, storm in zip(zone, on_road["storm"], strict=True)
            ],
            on_road["storm"],
        ]
    )
    for name in ("severity_hours", "guidance_lb_per_lane_mile"):
        value = severity[name].reindex(keys).to_numpy(dtype=float)
        on_road[name] = on_road["lane_miles"] * value
    on_road = on_road[on_road["severity_hours"] > 0.0]
    total = summed_use(on_road, by)
    other = ["lane_miles", "severity_hours", "guidance_lb_per_lane_mile"]
    sums = on_road.groupby(list(by), sort=True)[other].sum()
    rate = total["applied_lb"] / sums["severity_hours"]
    relative = (total["applied_u_lb"] / total["applied_lb"]).fillna(0.0)
    half = Z95 * rate * relative
    return pd.DataFrame(
        {
            "tons": total["applied_lb"] / POUNDS_PER_TON,
            "tons_u": total["applied_u_lb"] / POUNDS_PER_TON,
            "lane_miles": sums["lane_miles"] / total["storms"].clip(lower=1),
            "rate_lb_per_lane_mile": total["applied_lb"] / sums["lane_miles"],
            "severity_hours": sums["severity_hours"] / sums["lane_miles"],
            "lb_per_lane_mile_severity_hour": rate,
            "lb_per_lane_mile_severity_hour_lo": (rate - half).clip(lower=0.0),
            "lb_per_lane_mile_severity_hour_hi": rate + half,
            "guidance_share": total["applied_lb"]
            / sums["guidance_lb_per_lane_mile"].where(lambda mass: mass > 0.0),
        }
    ).reset_index()
