"""The part of the plan report on scarce material: how it is shared, and what that costs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from spreadplan.frames import lines
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import as_text
from spreadplan.views.voice import Voice

if TYPE_CHECKING:
    from spreadplan.season.allocation import Allocation


def scarce_parts(shares: Mapping[str, Allocation], voice: Voice) -> list[dict[str, Any]]:
    """What the template shows of each scarce material."""
    return [_part(material, one, voice) for material, one in shares.items()]


def _part(material: str, one: Allocation, voice: Voice) -> dict[str, Any]:
    shown = voice.display

    def tons(value: float) -> str:
        return shown.number(POUNDS_PER_TON * value, "bulk")

    def miles(value: float) -> str:
        return shown.number(value, "lane_distance")

    reasons = [voice.say(reason) for reason in one.reasons]
    part: dict[str, Any] = {"material": material, "possible": one.possible, "reasons": reasons}
    if not one.possible:
        return part
    part["classes"] = [
        {
            "name": row.service_class or "without",
            "wanted": tons(row.wanted_ton),
            "given": tons(row.given_ton),
            "lost": tons(row.given_up_ton),
            "lane_miles": miles(row.lane_miles),
            "untreated": miles(row.untreated_lane_miles),
            "thinned": miles(row.thinned_lane_miles),
        }
        for row in lines(one.classes)
    ]
    # worth is per ton: in metric units per tonne
    per_unit = POUNDS_PER_TON * shown.value(1.0, "bulk")
    part["yards"] = [
        {
            "yard": row.yard_id,
            "have": tons(row.available_ton),
            "used": tons(row.used_ton),
            "into": tons(row.hauled_in_ton),
            "out": tons(row.hauled_out_ton),
            "left": tons(row.left_ton),
            "worth": as_text(shown.value(row.worth_of_one_more_ton / per_unit, "lane_distance"), 2),
        }
        for row in lines(one.yards)
    ]
    part["haul"] = [
        f"{shown.show(POUNDS_PER_TON * row.ton, 'bulk')} from {row.from_yard} to {row.to_yard} "
        f"({shown.show(row.miles, 'distance')})"
        for row in lines(one.haul)
    ]
    cut = one.rows[one.rows["share"] < 0.999]
    part["cut"] = [
        {
            "route": row.route_id,
            "application": row.application,
            "class": row.service_class,
            "wanted": shown.number(row.wanted_lb / row.lane_miles, "rate"),
            "rate": shown.number(row.rate_lb_per_lane_mile, "rate")
            if row.treated
            else "not treated",
            "lost": shown.number(row.wanted_lb - row.mass_lb, "bulk"),
        }
        for row in lines(cut.sort_values("share", kind="stable"))
    ]
    return part
