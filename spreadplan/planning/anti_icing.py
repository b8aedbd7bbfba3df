"""Liquid before an event: is it early enough, not too early, and does a published rule speak
against it?

Cautions, never more: a forecast is one, and the people on the road decide. Sources are named in the
words: City of Eugene (Oregon), General Guidelines to Anti-icing/Deicing Operations (read);
Minnesota Snow and Ice Control Field Handbook for Snowplow Operators, LRRB manual 2005-01,
anti-icing page and p. 15 (read; its 28 F for magnesium and calcium chloride from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning.applications import ALL, Application
from spreadplan.planning.frames import groups
from spreadplan.remarks import Finding, Remark, remark

EARLIEST_H: Final = 48.0
"""Liquid is put down at most so long before the event: "days in advance" in the Minnesota handbook;
the number is common practice, no source."""
WARM_F: Final = 32.0
"""Above it, and steady, nothing is put down: Eugene."""
SLIPPERY_F: Final = 28.0
"""Above it magnesium and calcium chloride can be slippery: Minnesota handbook, from memory."""
COLD_F: Final = 15.0
"""Below it NaCl is usually not worth its cost: Minnesota handbook, p. 15."""
RAIN: Final = re.compile(r"rain|drizzle|sleet")
WIND: Final = re.compile(r"blow|drift|wind|blizzard")
WET: Final = re.compile(r"snow|frost|freez|ice|icy|icing|rime|glaze|hail|storm|mix")
DRY: Final = re.compile(r"dry|clear|fair|none|cloud|calm|^no[ _-]|^pre|^before")


def is_event(event: str, precipitation_in: float) -> bool:
    """Whether a row of the forecast brings something onto the road.

    ``precipitation_in`` : inches of water, NaN where not forecast.

    >>> is_event("dry", float("nan")), is_event("frost", 0.0), is_event("type_4", float("nan"))
    (False, True, True)
    """
    name = event.casefold()
    if precipitation_in > 0.0 or WET.search(name) or RAIN.search(name) or WIND.search(name):
        return True
    return bool(np.isnan(precipitation_in)) and not DRY.search(name)


def onset(forecast: pd.DataFrame, zone: str) -> Any:
    """When the first event of a zone begins by the forecast, and its row; None without one."""
    own = forecast[forecast["zone"].isin([zone, ALL])].sort_values("start", kind="stable")
    for row in lines(own):
        if is_event(str(row.event), float(row.precipitation_in)):
            return row
    return None


def anti_icing(
    rows: pd.DataFrame,
    applications: Sequence[Application],
    forecast: pd.DataFrame,
    materials: pd.DataFrame,
) -> list[Finding]:
    """What speaks against each run of liquid before or at the beginning of an event.

    Parameters
    ----------
    rows : planned parts: is_liquid, material, application, zone, route_id, phase, treated_at (NaT:
        not placed in time, then the start of the application counts), pavement_temp_f.
    applications : the storm's rounds.
    forecast : zone, start, end, event, precipitation_in; the rows that count.
    materials : material, chemical.

    Returns
    -------
    Cautions, one for each material, application and zone and what was found.
    """
    chemical = dict(zip(materials["material"], materials["chemical"], strict=True))
    starts = {one.label: one.start for one in applications}
    mine = rows[rows["is_liquid"] & (rows["target_rate_lb_per_lane_mile"] > 0.0)]
    begin = pd.to_datetime(mine["application"].map(starts), utc=True)
    mine = pd.DataFrame(mine.assign(at=mine["treated_at"].fillna(begin)))
    found = []
    for (material, application, zone), group in groups(mine, ["material", "application", "zone"]):
        event = onset(forecast, str(zone))
        if event is None or group["at"].isna().all():
            continue
        subject = remark(
            "liquid_in_round",
            material=material,
            application=application,
            zone=remark("zone", zone=zone) if zone else remark("all_zones"),
        )
        of = chemical.get(str(material), "")
        for what in _against(group, event, forecast, str(zone), str(of)):
            found.append(Finding("caution", subject, what, (remark("look_at_anti_icing"),)))
    return found


def _against(
    group: pd.DataFrame, event: Any, forecast: pd.DataFrame, zone: str, chemical: str
) -> Iterator[Remark]:
    """What speaks against one material in one application and zone."""
    first, last = group["at"].min(), group["at"].max()
    if first >= event.start:
        if (group["phase"] == "initial").any():
            yield remark("liquid_after_onset", onset=event.start, event=_plain(event.event))
        return
    ahead_h = (event.start - first) / pd.Timedelta(hours=1)
    if ahead_h > EARLIEST_H:
        yield remark("liquid_too_early", ahead_h=ahead_h, most_h=EARLIEST_H)
    if last > event.start:
        late = group.loc[group["at"] > event.start, "lane_miles"].sum()
        yield remark("liquid_too_late", onset=event.start, lane_miles=float(late))
    own = forecast[forecast["zone"].isin([zone, ALL]) & (forecast["end"] > first)]
    names = own.sort_values("start", kind="stable")["event"].str.casefold()
    ahead = names[own["start"].reindex(names.index) <= event.start]
    if ahead.str.contains(RAIN).any():
        yield remark("liquid_before_rain", event=_plain(ahead[ahead.str.contains(RAIN)].iloc[0]))
    if ahead.str.contains(WIND).any():
        yield remark("liquid_in_wind", event=_plain(ahead[ahead.str.contains(WIND)].iloc[0]))
    yield from _temperatures(group, chemical)


def _temperatures(group: pd.DataFrame, chemical: str) -> Iterator[Remark]:
    """Pavements that are too warm or too cold for the liquid when it is put down."""
    warmest, coldest = group["pavement_temp_f"].max(), group["pavement_temp_f"].min()
    if chemical in ("MgCl2", "CaCl2") and warmest > SLIPPERY_F:
        yield remark("liquid_slippery", pavement_f=float(warmest), most_f=SLIPPERY_F)
    elif warmest > WARM_F:
        yield remark("liquid_too_warm", pavement_f=float(warmest), most_f=WARM_F)
    if chemical == "NaCl" and coldest < COLD_F:
        yield remark("liquid_too_cold", pavement_f=float(coldest), least_f=COLD_F)


def _plain(event: object) -> str:
    return str(event).replace("_", " ")
