"""What report, card, page and command line say of a plan as a whole: totals, stock, top speeds."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from spreadplan.frames import lines
from spreadplan.remarks import Remark, remark
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import NOTHING, Display
from spreadplan.views.voice import Voice
from spreadplan.views.words import TERMS
from spreadplan.views.words.term import Term

if TYPE_CHECKING:
    import pandas as pd

    from spreadplan.planning.plan import StormPlan

#: no truck spreads faster, in mph and km/h: a higher limit is not worth a number.
FASTEST: Final[Mapping[str, int]] = {"us": 60, "metric": 100}


@dataclass(frozen=True)
class MaterialNeed:
    """What a plan takes of one material, and the ends of its 95 % interval, lb; NaN: not known."""

    material: str
    needed_lb: float
    low_lb: float
    high_lb: float

    @property
    def interval(self) -> tuple[Remark, ...]:
        """The interval in words; empty where it is not known."""
        if not math.isfinite(self.high_lb):
            return ()
        return (remark("need_within", ends=(self.low_lb, self.high_lb)),)


def material_needs(plan: StormPlan) -> list[MaterialNeed]:
    """Total of each material. Yards are added as if they erred together: on the safe side."""
    needs = []
    # a liquid that only prewets is in no run, but a yard needs it
    names = {*plan.routes["material"], *plan.yards["material"]} - {""}
    for material in sorted(names):
        yards = plan.yards[plan.yards["material"] == material]
        runs = plan.routes[plan.routes["material"] == material]
        at_yards = POUNDS_PER_TON * float(yards["needed_ton"].sum())
        high = POUNDS_PER_TON * float(yards["needed_hi_ton"].sum()) if len(yards) else math.nan
        # what is needed of no yard has no interval and is part of both ends
        other = float(runs.loc[runs["yard_id"] == "", "mass_lb"].sum())
        low = max(0.0, 2.0 * at_yards - high) + other
        needs.append(MaterialNeed(str(material), at_yards + other, low, high + other))
    return needs


def decisions(plan: StormPlan, *, running: bool = False) -> Remark:
    """How much must be decided before the storm, or now where it is ``running``."""
    problems = int((plan.findings["severity"] == "problem").sum())
    if not problems:
        return remark("nothing_to_decide")
    if running:
        return remark("to_decide_now", problems=problems)
    return remark("to_decide", problems=problems)


def stock_of(on_hand_lb: float, beyond: tuple[Remark, ...] = ()) -> Remark:
    """What is on hand, lb; NaN: not counted."""
    if not math.isfinite(on_hand_lb):
        return remark("stock_not_counted")
    return remark("stock_on_hand", on_hand_lb=float(on_hand_lb), beyond=beyond)


def need_of_tank(yard: Any) -> Remark:
    """What a yard needs of a liquid, and what it has; ``yard``: its row of the plan's yards."""
    have = float(yard.on_hand_gal)
    counted = remark("liquid_on_hand", on_hand_gal=have)
    return remark(
        "need_of_tank",
        yard=yard.yard_id,
        material=yard.material,
        needed_gal=float(yard.needed_gal),
        most_gal=float(yard.needed_hi_gal),
        stock=counted if math.isfinite(have) else remark("stock_not_counted"),
    )


def yard_state(yard: Any) -> Term:
    """Whether a yard has enough; ``yard``: its row of the plan's yards."""
    terms = TERMS["yard_stock"]
    if not math.isfinite(yard.on_hand_ton):
        return terms["not_counted"]
    if yard.short_ton > 0.0:
        return terms["short"]
    if yard.order_ton > 0.0:
        return terms["may_run_short"]
    by_weather = yard.weather_hi_ton > yard.on_hand_ton
    return terms["may_run_short_by_weather"] if by_weather else terms["enough"]


def in_lb(yards: pd.DataFrame) -> pd.DataFrame:
    """The plan's yards with their masses in lb beside those in tons."""
    names = ("needed", "needed_hi", "on_hand", "short", "order", "weather_lo", "weather_hi")
    return yards.assign(**{f"{name}_lb": yards[f"{name}_ton"] * POUNDS_PER_TON for name in names})


def is_out_of_reach(speed_mph: float, shown: Display) -> bool:
    """Whether no truck spreads as fast as that."""
    return math.floor(shown.value(speed_mph, "speed") + 1e-9) > FASTEST[shown.system]


def icy_runs(plan: StormPlan) -> set[tuple[str, str]]:
    """Application and route of the runs on which the road may be icy."""
    from spreadplan.planning.applications import may_be_icy  # late: charts of calibration plan none

    events = plan.segments[["application", "route_id", "event"]].drop_duplicates()
    return {
        (str(one.application), str(one.route_id))
        for one in lines(events)
        if may_be_icy(str(one.event))
    }


def fastest_of_runs(plan: StormPlan, voice: Voice) -> dict[tuple[str, str], str]:
    """The highest speed that keeps the rate of each run; where the road may be icy never one above
    the planned.
    """
    icy = icy_runs(plan)
    keys = ["application", "route_id"]
    planned = plan.segments.groupby(keys, sort=False)["speed_mph"].max().to_dict()
    said = {}
    for run in lines(plan.routes[[*keys, "max_speed_mph"]]):
        key = (str(run.application), str(run.route_id))
        no_faster = key in icy and run.max_speed_mph > planned[key]
        said[key] = (
            voice.say(remark("no_faster")) if no_faster else fastest(run.max_speed_mph, voice)
        )
    return said


def fastest_here_mph(max_speed_mph: float, planned_mph: float, event: str) -> float:
    """The highest speed that keeps a rate, never above the planned where the road may be icy."""
    from spreadplan.planning.applications import may_be_icy  # late, as above

    return min(max_speed_mph, planned_mph) if may_be_icy(event) else max_speed_mph


def fastest(max_speed_mph: float, voice: Voice) -> str:
    """The highest speed that keeps the rate, rounded down, without its unit; beyond any spreading
    speed, so said.
    """
    shown = voice.display
    if not math.isfinite(max_speed_mph):
        return NOTHING
    if is_out_of_reach(max_speed_mph, shown):
        return voice.say(remark("over_any_speed", most=FASTEST[shown.system]))
    return str(math.floor(shown.value(max_speed_mph, "speed") + 1e-9))
