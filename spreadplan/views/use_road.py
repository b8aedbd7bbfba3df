"""What the usage report says of plows, temperatures, drivers, buckets and trucks' set rates."""

from __future__ import annotations

from typing import Any, Final

import pandas as pd

from spreadplan.frames import lines
from spreadplan.reconcile.plowing import AHEAD_OF_PLOW_MIN
from spreadplan.views.display import NOTHING, Display, as_text
from spreadplan.views.voice import Voice, named, sentence_case
from spreadplan.views.words import term

MOST_ROWS: Final = 12


def set_rate_trucks(trucks: pd.DataFrame) -> str:
    """Names of the trucks that tell no more than what they were set to, "" for none.

    ``trucks`` : truck_id, set_rate.
    """
    return named(sorted(set(trucks.loc[trucks["set_rate"].astype(bool), "truck_id"])))


def ahead_rows(treatments: pd.DataFrame, voice: Voice) -> dict[str, Any]:
    """What plows took off, the most first; ``treatments`` : the table ``use_ahead_of_plow``."""
    shown = voice.display
    if treatments.empty:
        return {"rows": []}
    ordered = treatments.sort_values("off_lb", ascending=False, kind="stable")
    return {
        "within": f"{AHEAD_OF_PLOW_MIN:g}",
        "rows": [
            {
                "route": row.route_id,
                "segment": row.segment_id,
                "material": voice.material(row.material),
                "truck": row.truck_id,
                "at": shown.moment(row.treated_at),
                "plow": row.plow_truck_id,
                "minutes": as_text(row.minutes, 0),
                "off": shown.number(row.off_lb, "mass"),
                "interval": f"{shown.number(row.off_lo_lb, 'mass')} to "
                f"{shown.number(row.off_hi_lb, 'mass')}",
            }
            for row in lines(ordered.head(MOST_ROWS))
        ],
        "left": max(0, len(ordered) - MOST_ROWS),
    }


def temperature_rows(periods: pd.DataFrame, shown: Display) -> list[dict[str, str]]:
    """Forecast and measured temperatures; ``periods`` : the table ``use_temperatures``."""
    rows = []
    for row in lines(periods):
        verdict = term("forecast_verdict", row.verdict)
        begin, end = shown.moment(row.start_at), shown.moment(row.end_at)
        same_day = begin.split()[:-1] == end.split()[:-1]
        low, high = row.pavement_temp_low_f, row.pavement_temp_high_f
        rows.append(
            {
                "zone": "all" if row.zone == "*" else row.zone,
                "period": f"{begin} to {end.split()[-1] if same_day else end}",
                "forecast": shown.show(row.forecast_pavement_temp_f, "temperature"),
                "measured": shown.show(row.pavement_temp_f, "temperature"),
                "range": shown.show_range(low, high, "temperature"),
                "air": shown.show(row.air_temp_f, "temperature")
                if row.air_temp_f == row.air_temp_f
                else NOTHING,
                "trucks": named(row.trucks.split(";")),
                "tone": verdict.tone,
                "verdict": verdict.words,
            }
        )
    return rows


def bucket_rows(piles: pd.DataFrame, voice: Voice) -> list[dict[str, Any]]:
    """What a bucket holds, yard by yard; ``piles`` : the table ``use_buckets``."""
    return [
        {
            "yard": row.yard_id,
            "material": voice.material(row.material),
            "mass": voice.display.show_pm(
                row.lb_per_bucket, 2.0 * row.u * row.lb_per_bucket, "mass"
            ),
            "fill": as_text(200.0 * row.fill_u, 0),
            "tickets": str(row.tickets),
            "known": term("bucket_known", row.known),
        }
        for row in lines(piles)
    ]


def driver_rows(entries: pd.DataFrame, voice: Voice) -> list[dict[str, Any]]:
    """What drivers set and saw, entry by entry; ``entries`` : the table ``use_driver_log``."""
    return [_driver_row(row, voice) for row in lines(entries)]


def _driver_row(row: Any, voice: Voice) -> dict[str, Any]:
    shown = voice.display
    verdict, given = term("driver_verdict", row.verdict), term("given", row.given_verdict)
    card = (row.card_gate_in, row.card_feeder_low_pct, row.card_feeder_high_pct)
    rates = (row.card_low_lb_per_lane_mile, row.card_high_lb_per_lane_mile)
    gave = row.given_rate_lb_per_lane_mile
    ends = (row.given_low_lb_per_lane_mile, row.given_high_lb_per_lane_mile)
    worked = term("worked", row.worked) if row.worked else None
    return {
        "at": shown.moment(row.time),
        "truck": row.truck_id,
        "route": row.route_id,
        "application": row.application or NOTHING,
        "planned_truck": row.planned_truck_id if row.planned_truck_id != row.truck_id else "",
        "card": _setting(*card, *rates, shown),
        "set": "as the card says"
        if row.verdict == "as_card"
        and row.set_gate_in != row.set_gate_in
        and row.set_feeder_pct != row.set_feeder_pct
        and row.set_rate_lb_per_lane_mile != row.set_rate_lb_per_lane_mile
        else _setting(
            row.set_gate_in,
            row.set_feeder_pct,
            row.set_feeder_pct,
            row.set_rate_lb_per_lane_mile,
            row.set_rate_lb_per_lane_mile,
            shown,
        ),
        "gave": f"{shown.show(gave, 'rate')} ({shown.show_range(*ends, 'rate')})"
        if gave == gave
        else NOTHING,
        "surface": row.surface or NOTHING,
        "worked": worked,
        "verdict": verdict,
        "given": given,
        "what": sentence_case(voice.say_all(row.what)),
        "note": row.note,
    }


def card_in_words(rows: pd.DataFrame, shown: Display) -> str:
    """What the card of a run says, in one line; ``rows`` : its segments in the plan."""
    spread = rows[rows["target_rate_lb_per_lane_mile"] > 0.0]
    if spread.empty:
        return "nothing to be spread"
    gate, feeder, rate = (
        (float(spread[name].min()), float(spread[name].max()))
        for name in ("gate_in", "feeder_pct", "target_rate_lb_per_lane_mile")
    )
    return _setting(gate[0], *feeder, *rate, shown)


def _setting(
    gate_in: float, low_pct: float, high_pct: float, low: float, high: float, shown: Display
) -> str:
    """A gate, a feeder output and a rate, as far as they are known."""
    parts = [
        f"gate {shown.show(gate_in, 'gate')}" if gate_in == gate_in else "",
        f"feeder {_range(low_pct, high_pct, 'percent', shown)}" if low_pct == low_pct else "",
        _range(low, high, "rate", shown) if low == low else "",
    ]
    return ", ".join(filter(None, parts)) or NOTHING


def _range(low: float, high: float, kind: str, shown: Display) -> str:
    """One number where both ends are shown alike."""
    if shown.number(low, kind) == shown.number(high, kind):
        return shown.show(low, kind)
    return shown.show_range(low, high, kind)
