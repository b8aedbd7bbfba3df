"""The part of the plan report on scarce material: how it is shared, and what that costs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from spreadplan.frames import lines
from spreadplan.remarks import remark
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import Display, as_text
from spreadplan.views.plan_rates import lane_widths_ft
from spreadplan.views.voice import Voice
from spreadplan.views.words import TERMS

if TYPE_CHECKING:
    from spreadplan.planning.plan import StormPlan
    from spreadplan.season.allocation import Allocation


def scarce_parts(
    shares: Mapping[str, Allocation], voice: Voice, plan: StormPlan
) -> list[dict[str, Any]]:
    """What the template shows of each scarce material."""
    widths = lane_widths_ft(plan)
    return [_part(material, one, voice, widths) for material, one in shares.items()]


def _part(
    material: str, one: Allocation, voice: Voice, widths: Mapping[tuple[str, str], float]
) -> dict[str, Any]:
    shown = voice.display

    def tons(value: float) -> str:
        return shown.number(POUNDS_PER_TON * value, "bulk")

    def miles(value: float) -> str:
        return shown.number(value, "lane_distance")

    reasons = [voice.say(reason) for reason in one.reasons]
    unnamed = voice.say(remark("class_without_name"))
    part: dict[str, Any] = {
        "material": voice.material(material),
        "possible": one.possible,
        "reasons": reasons,
    }
    if not one.possible:
        return part
    part["classes"] = [
        {
            "name": row.service_class or unnamed,
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
        voice.say(
            remark(
                "haul_between",
                mass_lb=POUNDS_PER_TON * row.ton,
                origin=row.from_yard,
                target=row.to_yard,
                way_mi=row.miles,
            )
        )
        for row in lines(one.haul)
    ]
    part["cut"] = _cut(one, unnamed, shown, widths)
    return part


def _cut(
    one: Allocation, unnamed: str, shown: Display, widths: Mapping[tuple[str, str], float]
) -> list[dict[str, str]]:
    """The runs that get less than they should, the hardest hit first."""
    cut = one.rows[one.rows["share"] < 0.999]

    def rate(row: Any, mass_lb: float) -> str:
        width = widths[row.application, row.route_id]
        return shown.number(shown.rate_on_lane(mass_lb / row.lane_miles, width), "rate")

    return [
        {
            "route": row.route_id,
            "application": row.application,
            "class": row.service_class or unnamed,
            "wanted": rate(row, row.wanted_lb),
            "rate": rate(row, row.mass_lb)
            if row.treated
            else TERMS["plan_status"]["untreated"].words,
            "lost": shown.number(row.wanted_lb - row.mass_lb, "bulk"),
        }
        for row in lines(cut.sort_values("share", kind="stable"))
    ]
