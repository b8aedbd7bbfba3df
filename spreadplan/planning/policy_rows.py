"""Which rows of the policy hold for a route in a storm: by all that they state, best first."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np

from spreadplan.planning.applications import ALL, Condition
from spreadplan.planning.wetting import fitting_first
from spreadplan.remarks import Remark, remark

#: temperatures nearer than this are one: what 28.4 F and -2 C differ by is rounding.
SAME_F = 1e-6
#: depths nearer than this are one: 10 mm and 0.3937 in.
SAME_IN = 1e-4
#: what a row may ask of the storm that a forecast need not state
ASKED: Final = ("surface", "wetting", "snow_depth", "plow", "treatments")


def policy_rows(
    rates: Iterable[Any],
    condition: Condition,
    service_class: str,
    material: str,
    phase: str,
    wettings: Sequence[str] = (),
) -> list[Any]:
    """The policy rows that hold, best first; more than one only where the policy is ambiguous.

    Parameters
    ----------
    rates : rows of the policy table as records with the columns of `RATE_ROW_COLUMNS`.
    material : "" for a route without an assignment: any material's row holds.
    wettings : which wetting a row may be for, see `wetting.rows_may_be_for`; () for any.

    Returns
    -------
    A row holds from its lowest to its highest pavement temperature, both included, and where the
    storm and the route state what else it names; where two rows share a border the colder one holds
    there. Of several rows those for the wetting come first (`wetting.fitting_first`), then the one
    that states more of class, trend, phase, event, material, surface, wetting,
    depth of snow and plowing wins; then one whose words are all among those of another; then the
    one made for this treatment (`_for_treatment`).
    """
    temp = condition.pavement_temp_f
    held = [
        row
        for row in _of_storm(rates, condition, service_class, material, phase)
        if not any(lacking(row, name, condition, wettings) for name in ASKED)
    ]
    held = fitting_first(held, wettings)
    if not held or np.isnan(temp):
        return []
    # a border that rows share belongs to the colder one, however much the warmer one states
    if any(abs(row.pavement_temp_max_f - temp) <= SAME_F for row in held):
        held = [row for row in held if not _begins_at(row, temp)]
    most = max(_stated(row) for row in held)
    held = [row for row in held if _stated(row) == most]
    held = [row for row in held if not any(_narrower(other, row) for other in held)]
    colder = [row for row in held if not _begins_at(row, temp)]
    return _for_treatment(colder or held, condition.treatment)


def _begins_at(row: Any, temp_f: float) -> bool:
    return bool(abs(row.pavement_temp_min_f - temp_f) <= SAME_F)


def _of_storm(
    rates: Iterable[Any], condition: Condition, service_class: str, material: str, phase: str
) -> list[Any]:
    """Rows that hold by what every storm and route states."""
    temp = condition.pavement_temp_f
    return [
        row
        for row in rates
        if _same(row.event, condition.event, ALL)
        and _same(row.trend, condition.trend, ALL)
        and _same(row.service_class, service_class)
        and _same(row.phase, phase)
        and (material == "" or _same(row.material, material, ALL))
        and not temp < row.pavement_temp_min_f - SAME_F
        and not temp > row.pavement_temp_max_f + SAME_F
    ]


def lacking(row: Any, name: str, condition: Condition, wettings: Sequence[str]) -> bool:
    """Whether a row names a condition of `ASKED` that the storm does not state or meet.

    A depth of snow holds above the least and up to the greatest, so that two rows never share one.
    """
    if name == "surface":
        return bool(row.surface) and condition.surface not in row.surface
    if name == "wetting":
        return bool(row.wetting and wettings) and not set(row.wetting) & set(wettings)
    if name == "plow":
        return row.plow is not None and condition.plow is not row.plow
    if name == "treatments":
        return bool(row.treatments < condition.treatment)
    least, most = row.snow_depth_min_in, row.snow_depth_max_in
    if math.isnan(least) and math.isnan(most):
        return False
    depth = condition.snow_depth_in
    return math.isnan(depth) or depth <= least + SAME_IN or depth > most + SAME_IN


def _same(wanted: str, given: str, everything: str = "") -> bool:
    return wanted in ("", everything) or wanted.casefold() == given.casefold()


def _stated(row: Any) -> int:
    """How many conditions a row states; which treatment it is for is no condition of the road."""
    fields = (row.event, row.trend, row.service_class, row.material, row.phase)
    depths = (row.snow_depth_min_in, row.snow_depth_max_in)
    return (
        sum(text not in ("", ALL) for text in fields)
        + bool(row.surface)
        + (not all(math.isnan(depth) for depth in depths))
        + (row.plow is not None)
    )


def _narrower(row: Any, other: Any) -> bool:
    """Whether a row names only some of the surfaces of another, and no others."""
    return bool(row.surface) and set(row.surface) < set(other.surface)


def _for_treatment(rows: Sequence[Any], number: int) -> list[Any]:
    """Of rows that hold equally, those made for this treatment of the event.

    First the row of just this number, or the one of successive treatments from the second on; then
    rows that name none; then the one that asks for the fewest treatments in all and so reaches this
    one: "2 treatments of 15 g/m²" is one row for the first and the second.
    """
    exact = [
        row for row in rows if row.treatments == number or (number > 1 and row.treatments == np.inf)
    ]
    counted = [row for row in exact if np.isfinite(row.treatments)]
    unnamed = [row for row in rows if math.isnan(row.treatments)]
    reached = [row for row in rows if row.treatments > number]
    fewest = min((row.treatments for row in reached), default=np.nan)
    return counted or exact or unnamed or [row for row in reached if row.treatments == fewest]


def what_is_lacking(
    rates: Iterable[Any],
    condition: Condition,
    service_class: str,
    material: str,
    phase: str,
    wettings: Sequence[str],
) -> tuple[Remark, ...]:
    """What the storm states, or does not, that keeps rows from holding that would hold else.

    Returns
    -------
    One remark for each condition that keeps the nearest rows from holding, those that fewest keep,
    in the order of `ASKED`; () where no row is near.
    """
    kept = [
        [name for name in ASKED if lacking(row, name, condition, wettings)]
        for row in _of_storm(rates, condition, service_class, material, phase)
    ]
    fewest = min(map(len, kept), default=0)
    said = {
        "surface": remark("surface_is", surface=condition.surface)
        if condition.surface
        else remark("surface_not_stated"),
        "wetting": remark("wetting_is", wetting="".join(wettings[:1])),
        "snow_depth": remark("snow_depth_not_stated")
        if math.isnan(condition.snow_depth_in)
        else remark("snow_depth_is", depth_in=condition.snow_depth_in),
        "plow": remark("plow_not_stated")
        if condition.plow is None
        else remark("plowing_is")
        if condition.plow
        else remark("no_plowing"),
        "treatments": remark("treatment_is", number=condition.treatment),
    }
    return tuple(
        said[name] for name in ASKED if any(name in names for names in kept if len(names) == fewest)
    )
