"""Load tickets of two trucks that were written down for one another.

One truck then seems to have spread too much and the other too little, by the same mass: the
difference of two of their tickets. Masses in lb.
"""

from __future__ import annotations

from itertools import combinations
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.remarks import Remark, remark

APART: Final = 3.0
"""Both trucks' tickets must be so many standard uncertainties from what they put down. Common
practice, no source."""
EXPLAINED: Final = 2.0
"""With the tickets exchanged both must lie so near. Common practice, no source."""


def exchanged(table: pd.DataFrame, tickets: pd.DataFrame, loads: pd.DataFrame) -> pd.Series[Any]:
    """What seems to be exchanged, truck by truck.

    Parameters
    ----------
    table : truck_id, material, ratio and ratio_u (of the season), storm_sd, carried_lb,
        carried_u_lb; one row each.
    tickets : as `tickets.storm_tickets` returns them, of this storm.
    loads : truck_id, material, yard_id, ticket_id, net_lb of this storm. Only tickets of one yard
        are written down for one another.

    Returns
    -------
    A remark that names the ticket, the other truck and its ticket, or "" where nothing is likely;
    on the index of ``table``.
    """
    found: dict[int, Remark] = {}
    nothing = pd.Series("", table.index, dtype=object)
    if not {"ticket_id", "yard_id"} <= set(loads.columns):
        return nothing
    keys = ["truck_id", "material"]
    own = table.merge(tickets[[*keys, "ticket_u_lb"]], on=keys, how="left")
    own.index = table.index
    # a table put together row by row holds numbers as Python's objects
    known = ["ratio", "ratio_u", "storm_sd", "carried_lb", "carried_u_lb", "ticket_u_lb"]
    names = [*known, "reported_lb", "loaded_lb", "returned_lb"]
    own[names] = own[names].astype(float)
    true_lb = own["ratio"] * own["reported_lb"]
    over_lb = own["loaded_lb"] - own["returned_lb"] + own["carried_lb"] - true_lb
    u_lb = np.hypot(
        np.hypot(own["ticket_u_lb"].fillna(0.0), own["carried_u_lb"]),
        true_lb * np.hypot(own["ratio_u"], own["storm_sd"]),
    )
    usable = own["comparable"] & (own["loads"] > 0) & (u_lb > 0.0)
    odd = own.assign(over_lb=over_lb, u_lb=u_lb)[usable & (over_lb.abs() > APART * u_lb)]
    rows: list[Any] = list(odd.itertuples())
    for one, other in combinations(rows, 2):
        if one.material == other.material and one.over_lb * other.over_lb < 0.0:
            found |= _pair(one, other, loads)
    return pd.Series([found.get(row, "") for row in table.index], table.index, dtype=object)


def _pair(one: Any, other: Any, loads: pd.DataFrame) -> dict[int, Remark]:
    """The pair of tickets that explains both trucks best, said for each; none: nothing does."""
    mine, theirs = (
        loads[(loads["truck_id"] == truck.truck_id) & (loads["material"] == truck.material)]
        for truck in (one, other)
    )
    pairs = mine.merge(theirs, on="yard_id", suffixes=("", "_other"))
    more_lb = pairs["net_lb"] - pairs["net_lb_other"]
    left = np.maximum(
        (one.over_lb - more_lb).abs() / one.u_lb, (other.over_lb + more_lb).abs() / other.u_lb
    )
    if left.empty or not left.min() < EXPLAINED:
        return {}
    best = pairs.loc[left.idxmin()]
    return {
        truck.Index: remark("exchanged_tickets", ticket=ticket, truck=there, other=its)
        for truck, ticket, there, its in (
            (one, best["ticket_id"], other.truck_id, best["ticket_id_other"]),
            (other, best["ticket_id_other"], one.truck_id, best["ticket_id"]),
        )
    }
