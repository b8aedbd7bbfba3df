"""The rounds of spreading in a storm, and the weather that each zone gets in each of them."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace

import pandas as pd
from pandas.api.typing import NaTType

from spreadplan.planning.frames import groups
from spreadplan.remarks import Finding, remark

#: a moment, or NaT where none was given.
Moment = pd.Timestamp | NaTType
#: beginnings of the words for weather that makes ice, in the names of events.
_ICY = re.compile(r"(?:^|[^a-z])(?:freez|frost|ice|icy|icing|glaze|sleet|rime)")
#: the zone, route, event or material that stands for all of them.
ALL = "*"


@dataclass(frozen=True)
class Application:
    """One round of spreading.

    ``phase`` is "initial" for the first one of the storm and "subsequent" for the others, the two
    columns that treatment tables usually have. ``start`` is NaT where nobody gave a time.
    """

    label: str
    phase: str
    start: Moment


@dataclass(frozen=True, kw_only=True)
class Condition:
    """Forecast weather of a zone during an application.

    ``zone`` is the forecast's own zone, "*" where the row stands for all zones. Temperature in
    degrees Fahrenheit, precipitation as depth of water in inches (NaN: not forecast). ``surface``
    is a word of `spreadplan.schema.policy.SURFACES`, "" where it is not stated, as NaN is for
    ``snow_depth_in`` and None for ``plow``. ``treatment`` counts the rounds of the event in the
    zone, this one included: 1, 2, ...
    ``pavement_temp_u_f``: standard uncertainty of the temperature, NaN where none is stated.
    """

    zone: str
    event: str
    pavement_temp_f: float
    trend: str
    precipitation_in: float
    start: Moment
    end: Moment
    surface: str = ""
    snow_depth_in: float = math.nan
    plow: bool | None = None
    treatment: int = 1
    pavement_temp_u_f: float = math.nan


def may_be_icy(event: str) -> bool:
    """Whether an event makes ice by its name.

    Parameters
    ----------
    event : its name in the forecast; "" for weather that nobody forecast.

    Returns
    -------
    True for names of ice and of what freezes, in any case of letters, and for "".

    >>> may_be_icy("freezing_rain"), may_be_icy("Black ice"), may_be_icy(""), may_be_icy("snow")
    (True, True, True, False)
    """
    return event == "" or bool(_ICY.search(event.casefold()))


def label_order(label: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that puts "2" before "10" and "A2" before "A10"."""
    parts = re.findall(r"\d+|\D+", label)
    return tuple((0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts)


def labelled_forecast(forecast: pd.DataFrame) -> pd.DataFrame:
    """The forecast with every row's application: the one given, else 1, 2, ... in its zone.

    Parameters
    ----------
    forecast : as in `storms/STORM/forecast.csv`: zone, start, application ("": not named), row (of
        the file), and any other columns.

    Returns
    -------
    The columns of ``forecast`` in order of start and row, application filled in. Rows are numbered
    by their start among the rows of the zone that name no application.
    """
    labelled = forecast.sort_values(["start", "row"], kind="stable").copy()
    unnamed = labelled["application"] == ""
    number = labelled[unnamed].groupby("zone").cumcount() + 1
    label = labelled["application"].astype(object)
    label[unnamed] = number.astype(str)
    return labelled.assign(application=label)


def applications_of(forecast: pd.DataFrame, rates: pd.DataFrame) -> list[Application]:
    """The storm's applications in the order in which they begin.

    Parameters
    ----------
    forecast : as `labelled_forecast` returns it.
    rates : the planner's own, with application and start as in `storms/STORM/rates.csv`; a row
        without an application or with "*" adds none.

    Returns
    -------
    One of each label, the first as "initial"; those without a time come last.
    """
    columns = ["application", "start"]
    named = pd.concat(
        [frame[columns].astype({"application": object}) for frame in (forecast, rates)]
    )
    named = named[~named["application"].isin(["", ALL])]
    starts = named.groupby("application", sort=False)["start"].min()
    # an application that nobody gave a time comes after those with one
    ordered = sorted(
        starts.items(),
        key=lambda item: (
            pd.isna(item[1]),
            0 if pd.isna(item[1]) else item[1].value,
            label_order(str(item[0])),
        ),
    )
    return [
        Application(str(label), "subsequent" if place else "initial", start)
        for place, (label, start) in enumerate(ordered)
    ]


def conditions_of(
    forecast: pd.DataFrame, zones: Iterable[str], applications: Iterable[Application]
) -> tuple[dict[tuple[str, str], Condition], list[Finding]]:
    """The weather of each (zone, application); a pair without any forecast row is left out.

    A row for the zone itself wins over one for "*". Of several rows for one zone and application
    the coldest pavement counts and water and snow add up: the cautious reading, and a finding.
    """
    rows = {
        (str(zone), str(label)): frame
        for (zone, label), frame in groups(forecast, ["zone", "application"])
    }
    findings: list[Finding] = []
    conditions: dict[tuple[str, str], Condition] = {}
    treatments: Counter[tuple[str, str]] = Counter()
    for application in applications:
        for zone in zones:
            source = zone if (zone, application.label) in rows else ALL
            if (source, application.label) not in rows:
                continue
            frame = rows[source, application.label]
            found = _condition(source, frame)
            treatments[zone, found.event] += 1
            conditions[zone, application.label] = replace(
                found, treatment=treatments[zone, found.event]
            )
            if len(frame) > 1:
                findings.append(_several_rows(source, application.label, frame))
    return conditions, findings


def _condition(zone: str, frame: pd.DataFrame) -> Condition:
    coldest = frame.sort_values("pavement_temp_f", kind="stable").iloc[0]
    return Condition(
        zone=zone,
        event=str(coldest["event"]),
        pavement_temp_f=float(coldest["pavement_temp_f"]),
        trend=str(coldest["trend"]),
        precipitation_in=_added_up(frame, "precipitation_in"),
        start=frame["start"].min(),
        end=frame["end"].max(),
        surface=str(coldest.get("surface", "")),
        snow_depth_in=_added_up(frame, "snow_depth_in"),
        plow=_plowing(frame),
        pavement_temp_u_f=float(coldest.get("pavement_temp_u_f", math.nan)),
    )


def _added_up(frame: pd.DataFrame, column: str) -> float:
    """Sum of what a column states; NaN where it states nothing."""
    return float(frame[column].sum(min_count=1)) if column in frame else math.nan


def _plowing(frame: pd.DataFrame) -> bool | None:
    """Whether any row says that trucks plow; None where none says anything."""
    said = frame["plow"].dropna() if "plow" in frame else frame["zone"].iloc[:0]
    return bool(said.astype(bool).any()) if len(said) else None


def _several_rows(zone: str, label: str, frame: pd.DataFrame) -> Finding:
    return Finding(
        "note",
        remark("zone_in_round", zone=zone, application=label),
        remark("several_forecast_rows", rows=sorted(int(row) for row in frame["row"])),
        (remark("name_the_rounds"),),
    )
