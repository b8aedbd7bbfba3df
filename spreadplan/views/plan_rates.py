"""A plan with its rates as they are to be read, where a workspace asks for rates per area."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, TypeVar

from spreadplan.views.display import Display, as_text

if TYPE_CHECKING:
    import pandas as pd

    from spreadplan.planning.plan import StormPlan

F = TypeVar("F", bound="pd.DataFrame")


def as_read(plan: StormPlan, shown: Display) -> StormPlan:
    """The plan for a reader: its rates on lanes of the width that `shown` knows.

    A part of a road and a stretch have a lane width of their own, and g/m² depends on it; masses
    stay as they are.
    """
    if not shown.rates_per_area:
        return plan
    segments = _on_lanes(plan.segments, shown)
    return replace(
        plan,
        segments=segments,
        settings=_on_lanes(plan.settings, shown),
        melting=_melting(plan.melting, segments),
    )


def _melting(melting: pd.DataFrame, segments: pd.DataFrame) -> pd.DataFrame:
    """The melting check with means of rates as they are to be read."""
    by = ["application", "zone", "material"]
    treated = segments[segments["target_rate_lb_per_lane_mile"] > 0.0]
    weighted = treated["target_rate_lb_per_lane_mile"] * treated["lane_miles"]
    keys = [treated[name] for name in by]
    means = weighted.groupby(keys).sum() / treated["lane_miles"].groupby(keys).sum()
    rates = [means[key] for key in zip(*(melting[name] for name in by), strict=True)]
    return melting.assign(rate_lb_per_lane_mile=rates)


def lane_widths_ft(plan: StormPlan) -> dict[tuple[str, str], float]:
    """Width of a lane of each run, by application and route: its mean over lane-miles."""
    rows = plan.segments
    keys = [rows["application"], rows["route_id"]]
    area = (rows["lane_width_ft"] * rows["lane_miles"]).groupby(keys).sum()
    return dict((area / rows["lane_miles"].groupby(keys).sum()).items())


def _on_lanes(table: F, shown: Display) -> F:
    names = [name for name in table.columns if name.endswith("rate_lb_per_lane_mile")]
    names += [name for name in table.columns if name.startswith("rate_at_")]
    names += [name for name in table.columns if name.startswith("rate_to_set_")]
    width = table["lane_width_ft"]
    return table.assign(**{name: shown.rate_on_lane(table[name], width) for name in names})


def rate_text(rate_lb_per_lane_mile: float, shown: Display) -> str:
    """A rate to set or to aim at, without its unit; a whole g/m² would be too coarse a step."""
    places = 1 if shown.rates_per_area else 0
    return as_text(shown.value(rate_lb_per_lane_mile, "rate"), places, plain=True)
