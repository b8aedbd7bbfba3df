"""Stockpiles: what was there, what came and went, what should be left, what was found."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.buckets import FILLED
from spreadplan.reconcile.tickets import ticket_variance_lb2
from spreadplan.schema.results import RESULTS
from spreadplan.units import POUNDS_PER_TON

KEYS: Final = ["yard_id", "material"]

PILE_U_REL: Final = 0.05
"""Relative standard uncertainty of a measured pile where the count doesn't state it. Common
practice, no source."""


def stock_balance(
    counts: pd.DataFrame,
    deliveries: pd.DataFrame,
    loads: pd.DataFrame,
    returns: pd.DataFrame,
    start: pd.Timestamp,
    end: pd.Timestamp,
) -> pd.DataFrame:
    """Balance of each yard and material between the count before a storm and the one after it.

    Parameters
    ----------
    counts : yard_id, material, counted_at, on_hand_lb, on_hand_u_lb (standard; NaN: not stated).
    deliveries : yard_id, material, delivered_at, net_lb.
    loads : yard_id, material, loaded_at, net_lb, scale_division_lb; of all storms.
    returns : yard_id, material, returned_at, net_lb; of all storms.
    start, end : of the storm. Without a count before it, movements count from its start, without
        one after it up to its end.

    Returns
    -------
    The table ``balance``, in order of yard and material. The
    difference is counted minus expected. Its verdict is "agrees" where it is at most twice its
    standard uncertainty, else "more used than recorded" or "more delivered than recorded";
    "not counted yet" or "no opening count" where a count is missing.
    """
    seen = pd.concat([frame[KEYS] for frame in (counts, deliveries, loads, returns)])
    table = seen.drop_duplicates().sort_values(KEYS, ignore_index=True)
    ordered = counts.sort_values("counted_at", kind="stable")
    before = ordered[ordered["counted_at"] <= start].drop_duplicates(KEYS, keep="last")
    after = ordered[ordered["counted_at"] >= end].drop_duplicates(KEYS)
    for name, frame in (("opening", before), ("counted", after)):
        table = table.join(_counted(frame, name).set_index(KEYS), on=KEYS)
    window = table[KEYS].assign(
        since=table["opening_at"].fillna(start), until=table["counted_at"].fillna(end)
    )
    return _balanced(table, window, deliveries, loads, returns)


def balance_between_counts(
    counts: pd.DataFrame, deliveries: pd.DataFrame, loads: pd.DataFrame, returns: pd.DataFrame
) -> pd.DataFrame:
    """Balance of each yard and material between every two of its counts that follow one another.

    Parameters
    ----------
    counts, deliveries, loads, returns : see `stock_balance`.

    Returns
    -------
    The columns of `stock_balance`, in order of yard, material and time.
    """
    piles = counts.sort_values([*KEYS, "counted_at"], ignore_index=True)
    last = ~piles.duplicated(KEYS, keep="last").to_numpy()
    first = ~piles.duplicated(KEYS).to_numpy()
    opening = _counted(piles[~last], "opening").reset_index(drop=True)
    counted = _counted(piles[~first], "counted").reset_index(drop=True).drop(columns=KEYS)
    table = opening.join(counted)
    window = table[KEYS].assign(since=table["opening_at"], until=table["counted_at"])
    return _balanced(table, window, deliveries, loads, returns)


def _counted(counts: pd.DataFrame, name: str) -> pd.DataFrame:
    """What stood on a pile, when, and its variance, in columns that begin with ``name``."""
    u_lb = counts["on_hand_u_lb"].fillna(PILE_U_REL * counts["on_hand_lb"])
    return counts[KEYS].assign(
        **{
            f"{name}_lb": counts["on_hand_lb"],
            f"{name}_at": counts["counted_at"],
            f"{name}_variance": u_lb.astype(float) ** 2,
        }
    )


def _balanced(
    table: pd.DataFrame,
    window: pd.DataFrame,
    deliveries: pd.DataFrame,
    loads: pd.DataFrame,
    returns: pd.DataFrame,
) -> pd.DataFrame:
    """The table ``balance`` of piles opened and counted, each with its window of time beside it."""
    variance = table["opening_variance"]
    for name, frame, moment in (
        ("delivered", deliveries, "delivered_at"),
        ("loaded", loads, "loaded_at"),
        ("returned", returns, "returned_at"),
    ):
        moved = _moved(frame, moment, window)
        table[f"{name}_lb"] = moved["net_lb"]
        variance = variance + moved["variance"]
    table["expected_lb"] = (
        table["opening_lb"] + table["delivered_lb"] - table["loaded_lb"] + table["returned_lb"]
    )
    table["difference_lb"] = table["counted_lb"] - table["expected_lb"]
    table["expected_u_lb"] = np.sqrt(variance)
    table["difference_u_lb"] = np.sqrt(variance + table["counted_variance"])
    in_tons = {
        name.replace("_lb", "_ton"): table[name] / POUNDS_PER_TON
        for name in map(str, table.columns)
        if name.endswith("_lb")
    }
    table = table.assign(verdict=_verdicts(table), **in_tons)
    return table[RESULTS["balance"].names]


def _moved(frame: pd.DataFrame, moment: str, window: pd.DataFrame) -> pd.DataFrame:
    """Net mass and its variance within each window, on the index of ``window``."""
    common = frame[FILLED[0]].astype(float).fillna(0.0) if FILLED[0] in frame else 0.0
    moved = frame[[*KEYS, moment, "net_lb"]].assign(
        variance=ticket_variance_lb2(frame), common_lb=common * frame["net_lb"]
    )
    tickets = moved.merge(window.rename_axis("row").reset_index(), on=KEYS)
    within = (tickets[moment] > tickets["since"]) & (tickets[moment] <= tickets["until"])
    sums = tickets[within].groupby("row")[["net_lb", "variance", "common_lb"]].sum()
    # what a bucket of the pile holds is wrong by the same share in all its tickets
    sums["variance"] += sums.pop("common_lb") ** 2
    return sums.reindex(window.index).fillna(0.0)


def _verdicts(table: pd.DataFrame) -> NDArray[np.object_]:
    difference, u = table["difference_lb"], table["difference_u_lb"]
    conditions = [
        table["opening_lb"].isna(),
        table["counted_lb"].isna(),
        difference.abs() <= 2.0 * u,
        difference < 0.0,
    ]
    names = ["no opening count", "not counted yet", "agrees", "more used than recorded"]
    found = np.select([one.to_numpy() for one in conditions], names, "more delivered than recorded")
    return found.astype(object)
