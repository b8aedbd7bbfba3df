"""Whether the season's records can be trusted: each truck's report, each yard's books.

Both come from what reconcile found storm by storm; here they stand side by side, so that a drift
or a delivery nobody wrote down shows.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from spreadplan.frames import lines
from spreadplan.reconcile.periods import TREND_SIGNIFICANCE
from spreadplan.reconcile.true_mass import MISSING, NO_TICKETS
from spreadplan.remarks import Finding, Remark, remark
from spreadplan.schema.results import RESULTS
from spreadplan.units import POUNDS_PER_TON


def truck_history(
    trucks_by_storm: Mapping[str, pd.DataFrame], starts: Mapping[str, pd.Timestamp]
) -> pd.DataFrame:
    """Each truck's ratio of true to reported mass, storm after storm.

    Parameters
    ----------
    trucks_by_storm : as `reconcile.true_mass.mass_ratios` returns them.
    starts : of each storm.

    Returns
    -------
    The table ``truck_history`` in order of truck, material and time. ``storm_ratio`` is
    what the storm's own tickets say (NaN without), ``ratio`` what the truck is judged
    by: the estimate from its season.
    """
    season = ("season_ratio", "season_lo", "season_hi")
    frames = [
        frame.drop(columns=["ratio", "ratio_lo", "ratio_hi"])
        .rename(columns=dict(zip(season, ("ratio", "ratio_lo", "ratio_hi"), strict=True)))
        .assign(storm=storm, start=starts[storm])
        for storm, frame in trucks_by_storm.items()
        if len(frame)
    ]
    if not frames:
        return pd.DataFrame(columns=RESULTS["truck_history"].names)
    table = pd.concat(frames, ignore_index=True)
    return table.sort_values(["truck_id", "material", "start"], kind="stable", ignore_index=True)[
        RESULTS["truck_history"].names
    ]


def latest(history: pd.DataFrame) -> pd.DataFrame:
    """The last storm's row of each truck and material.

    Parameters
    ----------
    history : as `truck_history` returns it, in its order.

    Returns
    -------
    Rows of ``history`` with all its columns, see `truck_history`; the ratio furthest from 1 first.
    """
    last = history.groupby(["truck_id", "material"], sort=True).tail(1)
    off = (last["ratio"] - 1.0).abs().sort_values(ascending=False, kind="stable").index
    return last.loc[off].reset_index(drop=True)


def record_findings(history: pd.DataFrame, balances: pd.DataFrame) -> list[Finding]:
    """What the records' owner should look into: trucks to test, books that don't add up.

    Parameters
    ----------
    history : as `truck_history` returns it.
    balances : as `reconcile.balance.balance_between_counts` returns it.

    Returns
    -------
    Findings on trucks, the furthest off first, then on tickets, then on yards as on trucks.
    """
    return [*_truck_findings(history), *_ticket_findings(history), *_book_findings(balances)]


def _truck_findings(history: pd.DataFrame) -> list[Finding]:
    rows = latest(history)
    return [
        Finding(
            "problem" if row.trend_p < TREND_SIGNIFICANCE else "caution",
            remark("truck_with", truck=row.truck_id, material=row.material),
            _truck_says(row),
            (row.advice,),
        )
        for row in lines(rows[rows["test_again"].astype(bool)])
    ]


def _ticket_findings(history: pd.DataFrame) -> list[Finding]:
    """Mass that is counted as used although no ticket names its load."""
    lacking = history[history["verdict"] == MISSING]
    found = [
        Finding(
            "caution",
            remark("tickets_of_truck", truck=row.truck_id, material=row.material),
            remark(
                "use_presumed",
                presumed_lb=float(row.without_ticket_lb),
                storm=row.storm,
                loads=int(row.missing_loads),
            ),
            (remark("look_for_tickets"),),
        )
        for row in lines(lacking)
    ]
    none = history[history["verdict"] == NO_TICKETS]
    for material, rows in none.groupby("material", sort=True):
        used_lb = float(rows["without_ticket_lb"].sum())
        trucks = sorted(set(rows["truck_id"]))
        found.append(
            Finding(
                "note",
                remark("tickets_of_material", material=material),
                remark("use_without_tickets", used_lb=used_lb, trucks=trucks),
                (remark("weigh_loads"),),
            )
        )
    return found


def _truck_says(row: Any) -> Remark:
    drifts = row.trend_p < TREND_SIGNIFICANCE
    drift = (remark("reports_drift", month_pct=float(row.trend_pct_per_month)),) if drifts else ()
    off, low, high = (100.0 * (float(one) - 1.0) for one in (row.ratio, row.ratio_lo, row.ratio_hi))
    if off > 0.0:
        return remark("spreads_more", off_pct=off, low_pct=low, high_pct=high, drift=drift)
    return remark("spreads_less", off_pct=-off, low_pct=low, high_pct=high, drift=drift)


def _book_findings(balances: pd.DataFrame) -> list[Finding]:
    wrong = balances[
        balances["verdict"].isin(["more used than recorded", "more delivered than recorded"])
    ]
    away = (wrong["difference_ton"] / wrong["difference_u_ton"]).abs()
    return [
        _book_finding(row)
        for row in lines(wrong.loc[away.sort_values(ascending=False, kind="stable").index])
    ]


def _book_finding(row: Any) -> Finding:
    more = row.difference_ton > 0.0
    difference_lb, u_lb = (
        POUNDS_PER_TON * float(tons) for tons in (row.difference_ton, row.difference_u_ton)
    )
    word = remark("more") if more else remark("less")
    what = remark(
        "books_differ",
        difference=(abs(difference_lb), 2.0 * u_lb),
        more=word,
        until=row.counted_at,
        since=row.opening_at,
    )
    advice = remark("find_the_delivery") if more else remark("find_the_loads")
    subject = remark("yard_with", yard=row.yard_id, material=row.material)
    return Finding("caution", subject, what, (advice,))
