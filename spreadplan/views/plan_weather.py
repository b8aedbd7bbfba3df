"""What a report shows of the doubt of the forecast, and of what it does to a plan."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from spreadplan.frames import lines
from spreadplan.remarks import Remark, remark
from spreadplan.views.display import NOTHING, Display, percent
from spreadplan.views.plan_totals import MaterialNeed
from spreadplan.views.voice import Voice, sentence_case
from spreadplan.views.words import TERMS

if TYPE_CHECKING:
    from spreadplan.planning.plan import StormPlan

#: a report is for reading: beyond so many rows plan_weather.csv serves better
MOST_ROWS: Final = 60
#: what is less probable stands in plan_weather.csv alone
LEAST_SHOWN: Final = 0.01


def weather_rows(plan: StormPlan, voice: Voice) -> dict[str, Any]:
    """The rows of the forecast, each with what the pavement may turn out to be.

    Parameters
    ----------
    plan : its table ``weather`` is shown.
    voice : of the workspace.

    Returns
    -------
    ``rows``, each with its forecast and its ``states``; ``left``, how many rows of the table are
    not shown; ``decides``, what decides the storm, in words, "" if nothing does.
    """
    shown = voice.display
    likely = (plan.weather["p_pavement"] >= LEAST_SHOWN) | plan.weather["as_forecast"]
    rows = plan.weather[likely].iloc[:MOST_ROWS]
    found = []
    for (application, zone), group in rows.groupby(["application", "zone"], sort=False):
        first = next(lines(group))
        found.append(
            {
                "application": application,
                "zone": "all" if zone == "*" else zone or "all",
                "forecast": shown.show_pm_step(first.pavement_temp_f, first.pavement_temp_u_f),
                "origin": TERMS["u_origin"][first.u_origin].words,
                "states": [_state(one, voice) for one in lines(group)],
            }
        )
    decides = plan.findings[plan.findings["code"] == "weather_decides"]
    return {
        "rows": found,
        "left": int(likely.sum()) - len(rows),
        "decides": [sentence_case(one.what) for one in lines(voice.table(decides))],
    }


def _state(one: Any, voice: Voice) -> dict[str, Any]:
    shown = voice.display
    return {
        "between": voice.say(_between(one.from_f, one.to_f)),
        "chance": percent(one.p_pavement),
        "width": f"{100.0 * one.p_pavement:.1f}",
        "as_forecast": bool(one.as_forecast),
        "rates": _range(one.rate_lo_lb_per_lane_mile, one.rate_hi_lb_per_lane_mile, "rate", shown),
        "rows": one.policy_rows or NOTHING,
        "no_row": one.no_rate_lane_miles > 0.0,
        "mass": shown.number(one.mass_lb, "bulk"),
    }


def _between(from_f: float, to_f: float) -> Remark:
    if math.isnan(from_f) and math.isnan(to_f):
        return remark("any_pavement")
    if math.isnan(from_f):
        return remark("pavement_below", to_f=to_f)
    if math.isnan(to_f):
        return remark("pavement_above", from_f=from_f)
    return remark("pavement_between", ends=(from_f, to_f))


def by_weather(low_lb: float, high_lb: float, shown: Display) -> str:
    """The range of a mass by weather without its unit; "" where there is none."""
    return "" if math.isnan(low_lb) else _range(low_lb, high_lb, "bulk", shown)


def _range(low: float, high: float, kind: str, shown: Display) -> str:
    ends = dict.fromkeys((shown.number(low, kind), shown.number(high, kind)))
    return " to ".join(ends)


def weather_of_material(plan: StormPlan, need: MaterialNeed) -> tuple[Remark, ...]:
    """The range by weather of all that a plan takes of a material, in words; empty where none.

    What lots take is part of both ends as it is planned.
    """
    material = need.material
    if material not in plan.by_weather.index:
        return ()
    columns = ["weather_lo_lb", "weather_hi_lb", "mass_lb"]
    low, high, mass = plan.by_weather.loc[[material], columns].to_numpy(dtype=float)[0]
    if math.isnan(low) or low == high:
        return ()
    beside = need.needed_lb - mass
    return (remark("need_by_weather", ends=(float(low + beside), float(high + beside))),)
