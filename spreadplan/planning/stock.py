"""Need of each yard against what it has."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning.applications import Moment
from spreadplan.remarks import Finding, Remark, remark
from spreadplan.units import POUNDS_PER_TON


def on_hand(
    needed: pd.DataFrame,
    counts: pd.DataFrame,
    deliveries: pd.DataFrame,
    loads: pd.DataFrame,
    returns: pd.DataFrame,
    start: Moment,
) -> pd.DataFrame:
    """What each yard has of each material when the storm starts.

    Parameters
    ----------
    needed : yard_id, material; one row each.
    start : start of the storm; NaT takes everything on record.

    Returns
    -------
    DataFrame on the index of ``needed``: on_hand_lb (NaN without a count) and on_hand_at (time of
    the count): the latest count at or before ``start``, and what came and went since then.
    """
    until = start if not pd.isna(start) else pd.Timestamp.max.tz_localize("UTC")
    keys = ["yard_id", "material"]
    counted = counts[counts["counted_at"] <= until].sort_values("counted_at", kind="stable")
    latest = counted.groupby(keys).last()[["counted_at", "on_hand_lb"]]
    stock = needed[keys].join(latest, on=keys)
    total = stock["on_hand_lb"]
    movements = (
        (deliveries, "delivered_at", 1.0),
        (loads, "loaded_at", -1.0),
        (returns, "returned_at", 1.0),
    )
    for frame, moment, sign in movements:
        moved = frame.merge(stock[[*keys, "counted_at"]], on=keys)
        since = (moved[moment] > moved["counted_at"]) & (moved[moment] <= until)
        net = moved[since].groupby(keys)["net_lb"].sum().rename("moved_lb")
        total = total + sign * needed[keys].join(net, on=keys)["moved_lb"].fillna(0.0)
    return pd.DataFrame({"on_hand_lb": total, "on_hand_at": stock["counted_at"]})


def yard_table(
    needed: pd.DataFrame, stock: pd.DataFrame, density_lb_gal: Mapping[str, float]
) -> pd.DataFrame:
    """Need against stock, in short tons, of liquids in gallons as well.

    Parameters
    ----------
    needed : yard_id, material, mass_lb, mass_hi_lb.
    stock : as `on_hand` returns it, on the same index.
    density_lb_gal : of each liquid, by material.

    Returns
    -------
    DataFrame: yard_id, material, needed_ton, needed_hi_ton, on_hand_ton, short_ton, order_ton (to
    be safe at the upper end of the 95 % interval), on_hand_at, and needed_gal, needed_hi_gal,
    on_hand_gal, short_gal and order_gal (NaN for solids). Without a count what rests on it is
    missing.
    """
    have = stock["on_hand_lb"]
    density = needed["material"].map(dict(density_lb_gal)).astype(float)
    return pd.DataFrame(
        {
            "yard_id": needed["yard_id"],
            "material": needed["material"],
            "needed_ton": needed["mass_lb"] / POUNDS_PER_TON,
            "needed_hi_ton": needed["mass_hi_lb"] / POUNDS_PER_TON,
            "on_hand_ton": have / POUNDS_PER_TON,
            "short_ton": (needed["mass_lb"] - have).clip(lower=0.0) / POUNDS_PER_TON,
            "order_ton": (needed["mass_hi_lb"] - have).clip(lower=0.0) / POUNDS_PER_TON,
            "on_hand_at": stock["on_hand_at"],
            "needed_gal": needed["mass_lb"] / density,
            "needed_hi_gal": needed["mass_hi_lb"] / density,
            "on_hand_gal": have / density,
            "short_gal": (needed["mass_lb"] - have).clip(lower=0.0) / density,
            "order_gal": (needed["mass_hi_lb"] - have).clip(lower=0.0) / density,
        }
    )


def yard_findings(yards: pd.DataFrame) -> list[Finding]:
    """Yards that run short, may run short, or were never counted."""
    findings = []
    for yard in lines(yards):
        subject = remark("yard_with", yard=yard.yard_id, material=yard.material)
        if np.isfinite(yard.needed_gal):
            findings += _liquid_findings(yard, subject)
            continue
        needed, most, have, order = (
            POUNDS_PER_TON * tons
            for tons in (yard.needed_ton, yard.needed_hi_ton, yard.on_hand_ton, yard.order_ton)
        )
        if np.isnan(yard.on_hand_ton):
            findings.append(
                Finding(
                    "caution",
                    subject,
                    remark("not_counted"),
                    (remark("count_it", most_lb=most),),
                )
            )
        elif yard.short_ton > 0:
            findings.append(
                Finding(
                    "problem",
                    subject,
                    remark("runs_short", needed_lb=needed, on_hand_lb=have),
                    (remark("order_or_load_elsewhere", order_lb=order),),
                )
            )
        elif yard.order_ton > 0:
            findings.append(
                Finding(
                    "caution",
                    subject,
                    remark("may_run_short", needed_lb=needed, on_hand_lb=have, most_lb=most),
                    (remark("order_to_be_safe", order_lb=order),),
                )
            )
    return findings


def _liquid_findings(yard: Any, subject: Remark) -> list[Finding]:
    """The same of a tank of liquid, in gallons."""
    needed, most = float(yard.needed_gal), float(yard.needed_hi_gal)
    have, order = float(yard.on_hand_gal), float(yard.order_gal)
    if np.isnan(have):
        remedy = remark("count_the_tank", most_gal=most)
        return [Finding("caution", subject, remark("not_counted"), (remedy,))]
    if yard.short_gal > 0:
        what = remark("tank_runs_short", needed_gal=needed, on_hand_gal=have)
        return [Finding("problem", subject, what, (remark("make_or_order", order_gal=order),))]
    if order > 0:
        what = remark("tank_may_run_short", needed_gal=needed, on_hand_gal=have, most_gal=most)
        return [Finding("caution", subject, what, (remark("make_or_order", order_gal=order),))]
    return []


def with_weather(yards: pd.DataFrame, ranges: pd.DataFrame) -> pd.DataFrame:
    """Yards with the range of their need by weather, weather_lo_ton and weather_hi_ton.

    Parameters
    ----------
    yards : as `yard_table` returns it.
    ranges : index yard_id and material; weather_lo_lb, weather_hi_lb, and mass_lb of what the range
        is of, see `weather_range`.

    Returns
    -------
    The columns of ``yards`` and those two; NaN where no rate is the policy's. What a yard needs
    beside that, for lots, is part of both ends as it is planned.
    """
    joined = yards[["yard_id", "material"]].join(ranges, on=["yard_id", "material"])
    beside = yards["needed_ton"] - joined["mass_lb"] / POUNDS_PER_TON
    return yards.assign(
        weather_lo_ton=joined["weather_lo_lb"] / POUNDS_PER_TON + beside,
        weather_hi_ton=joined["weather_hi_lb"] / POUNDS_PER_TON + beside,
    )


def weather_findings(yards: pd.DataFrame) -> list[Finding]:
    """Yards that have enough for the forecast, but not if the pavement turns out otherwise.

    ``yards``: as `yard_table` returns it.
    """
    have = yards["on_hand_ton"].fillna(np.inf)
    at_risk = (yards["needed_ton"] <= have) & (yards["weather_hi_ton"].fillna(0.0) > have)
    return [
        Finding(
            "caution",
            remark("yard_with", yard=yard.yard_id, material=yard.material),
            remark(
                "may_run_short_by_weather",
                needed_lb=POUNDS_PER_TON * yard.needed_ton,
                on_hand_lb=POUNDS_PER_TON * yard.on_hand_ton,
                most_lb=POUNDS_PER_TON * yard.weather_hi_ton,
            ),
            (
                remark(
                    "order_for_the_weather",
                    order_lb=POUNDS_PER_TON * (yard.weather_hi_ton - yard.on_hand_ton),
                ),
            ),
        )
        for yard in lines(yards[at_risk])
    ]
