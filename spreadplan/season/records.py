"""Whether the season's records can be trusted: each truck's report, each yard's books.

Both come from what reconcile found storm by storm; here they stand side by side, so that a drift
or a delivery nobody wrote down shows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning.findings import Finding
from spreadplan.reconcile.balance import stock_balance
from spreadplan.reconcile.periods import TREND_SIGNIFICANCE
from spreadplan.reconcile.true_mass import MISSING, NO_TICKETS
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
    """The last storm's row of each truck and material, the furthest from true first."""
    last = history.groupby(["truck_id", "material"], sort=True).tail(1)
    off = (last["ratio"] - 1.0).abs().sort_values(ascending=False, kind="stable").index
    return last.loc[off].reset_index(drop=True)


def books(
    counts: pd.DataFrame, deliveries: pd.DataFrame, loads: pd.DataFrame, returns: pd.DataFrame
) -> pd.DataFrame:
    """Balance of every yard and material between every two counts that follow one another.

    Parameters
    ----------
    counts, deliveries, loads, returns : see `reconcile.balance.stock_balance`.

    Returns
    -------
    The columns of `stock_balance`, in order of yard, material and time; what cannot be balanced,
    for want of a count on either side, is left out.
    """
    moments = sorted(counts["counted_at"].unique())
    frames = [
        stock_balance(counts, deliveries, loads, returns, start, end)
        for start, end in pairwise(moments)
    ]
    if not frames:
        nothing = pd.Timestamp(0, tz="UTC")
        return stock_balance(counts, deliveries, loads, returns, nothing, nothing).iloc[:0]
    table = pd.concat(frames, ignore_index=True)
    table = table[table["opening_at"].notna() & table["counted_at"].notna()]
    keys = ["yard_id", "material", "opening_at"]
    return table.drop_duplicates([*keys, "counted_at"]).sort_values(keys, ignore_index=True)


def record_findings(history: pd.DataFrame, balances: pd.DataFrame) -> list[Finding]:
    """What the records' owner should look into: trucks to test, books that don't add up."""
    return [*_truck_findings(history), *_ticket_findings(history), *_book_findings(balances)]


def _truck_findings(history: pd.DataFrame) -> list[Finding]:
    rows = latest(history)
    return [
        Finding(
            "problem" if row.trend_p < TREND_SIGNIFICANCE else "caution",
            f"truck {row.truck_id}, {row.material}", _truck_says(row), str(row.advice),
        )
        for row in lines(rows[rows["test_again"].astype(bool)])
    ]  # fmt: skip


def _ticket_findings(history: pd.DataFrame) -> list[Finding]:
    """Mass that is counted as used although no ticket names its load."""
    lacking = history[history["verdict"] == MISSING]
    found = [
        Finding(
            "caution", f"tickets of {row.truck_id}, {row.material}",
            f"{row.without_ticket_lb / POUNDS_PER_TON:.1f} tons of what it used in {row.storm} are "
            f"presumed: no ticket names them; {row.missing_loads} of its usual "
            f"load{'s' if row.missing_loads > 1 else ''} would explain it",
            "look for the missing load tickets",
        )
        for row in lines(lacking)
    ]  # fmt: skip
    none = history[history["verdict"] == NO_TICKETS]
    for material, rows in none.groupby("material", sort=True):
        mass = rows["without_ticket_lb"].sum() / POUNDS_PER_TON
        trucks = ", ".join(sorted(set(rows["truck_id"])))
        found.append(Finding(
            "note", f"tickets of {material}",
            f"{mass:.1f} tons used by trucks that no ticket tells of: {trucks}",
            "weigh their loads",
        ))  # fmt: skip
    return found


def _truck_says(row: Any) -> str:
    off = 100.0 * (row.ratio - 1.0)
    word = "more" if off > 0.0 else "less"
    low, high = 100.0 * (row.ratio_lo - 1.0), 100.0 * (row.ratio_hi - 1.0)
    said = f"spreads {abs(off):.0f} % {word} than it reports (95 %: {low:+.0f} to {high:+.0f} %)"
    if row.trend_p < TREND_SIGNIFICANCE:
        said += f" and drifts by {row.trend_pct_per_month:+.1f} % a month"
    return said


def _book_findings(balances: pd.DataFrame) -> list[Finding]:
    wrong = balances[balances["verdict"].isin(["more used than recorded",
                                               "more delivered than recorded"])]  # fmt: skip
    away = (wrong["difference_ton"] / wrong["difference_u_ton"]).abs()
    return [_book_finding(row) for row in lines(wrong.loc[away.sort_values(
        ascending=False, kind="stable").index])]  # fmt: skip


def _book_finding(row: Any) -> Finding:
    more = row.difference_ton > 0.0
    since, until = (moment.date().isoformat() for moment in (row.opening_at, row.counted_at))
    return Finding(
        "caution", f"yard {row.yard_id}, {row.material}",
        f"{abs(row.difference_ton):.0f} ± {2.0 * row.difference_u_ton:.0f} tons "
        f"{'more' if more else 'less'} counted on {until} than the records since {since} explain",
        "look for a delivery that nobody wrote down" if more
        else "look for loads without a ticket, or salt given away",
    )  # fmt: skip


def merged_findings(*tables: pd.DataFrame | Sequence[Finding]) -> list[Finding]:
    """Findings of several origins as one list."""
    found: list[Finding] = []
    for table in tables:
        if isinstance(table, pd.DataFrame):
            found += [
                Finding(row.severity, row.subject, row.what, row.remedy) for row in lines(table)
            ]
        else:
            found += table
    return found
