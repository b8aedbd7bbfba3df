"""Scale tickets of each truck, material and storm, next to what the controller reported.

Masses in lb.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

KEYS: Final = ["storm", "truck_id", "material"]

VEHICLE_SCALE_DIVISION_LB: Final = 20.0
"""Division of a vehicle scale where a ticket doesn't state it, lb. Common practice, no source."""

LEAST_KNOWN: Final = 0.98
"""Where a truck's records tell how much was released in a smaller share of the time that it was
spreading, or a smaller share of them could be read, its tickets are not held against them. Common
practice, no source."""


def ticket_variance_lb2(tickets: pd.DataFrame) -> pd.Series[float]:
    """Variance of the net mass of each ticket, lb², on the index of ``tickets``.

    A net mass is the difference of two readings, each rectangular within one division d:
    d**2 / 6. ``tickets`` may have scale_division_lb; where it is missing, that of a vehicle scale
    is assumed.

    Source: JCGM 100:2008, 4.3.7 (rectangular distribution) and 5.1.2.
    """
    if "scale_division_lb" not in tickets.columns:
        return pd.Series(VEHICLE_SCALE_DIVISION_LB**2 / 6.0, index=tickets.index)
    division_lb = tickets["scale_division_lb"].fillna(VEHICLE_SCALE_DIVISION_LB)
    return division_lb.astype(float) ** 2 / 6.0


def storm_tickets(
    reported: pd.DataFrame, loads: pd.DataFrame, returns: pd.DataFrame
) -> pd.DataFrame:
    """One row for each truck, material and storm that has reported mass or a ticket.

    Parameters
    ----------
    reported : storm, truck_id, material, reported_lb; a truck that sent records, but reported no
        mass, has a row without any. known_share of the truck (see `increments.Increments`) and
        usable_share, that of its records that could be read, where they are not 1.
    loads : storm, truck_id, material, loaded_at, net_lb, scale_division_lb.
    returns : storm, truck_id, material, returned_at, net_lb. A truck that returns what it has left
        is empty afterwards.

    Returns
    -------
    storm, truck_id, material, reported_lb, loaded_lb, returned_lb (0 without tickets), loads
    (number of load tickets), ticket_u_lb (standard uncertainty of loaded - returned), unreturned_lb
    (the last load where no return follows it: up to so much may still have been in the hopper),
    typical_load_lb (mean ticket of the truck with this material over all storms), known_share (NaN:
    the truck sent no records), usable_share, names_differ (the truck reported material, but none of
    one that its tickets name) and comparable (its tickets and reports of the storm can be held
    against one another); in order of truck, material and storm.
    """
    out = loads.assign(variance=ticket_variance_lb2(loads)).groupby(KEYS, sort=False)
    back = returns.assign(variance=ticket_variance_lb2(returns)).groupby(KEYS, sort=False)
    parts: list[pd.DataFrame] = [
        reported.groupby(KEYS)[["reported_lb"]].sum(),
        out.agg(
            loaded_lb=("net_lb", "sum"), loads=("net_lb", "size"), out_variance=("variance", "sum")
        ),
        back.agg(returned_lb=("net_lb", "sum"), back_variance=("variance", "sum")),
        _unreturned(loads, returns),
    ]
    table = pd.concat(parts, axis=1).fillna(0.0).reset_index()
    table["ticket_u_lb"] = np.sqrt(table.pop("out_variance") + table.pop("back_variance"))
    typical = loads.groupby(KEYS[1:])["net_lb"].mean().rename("typical_load_lb")
    table = table.join(typical, on=KEYS[1:])
    table["loads"] = table["loads"].astype(int)
    of_truck = KEYS[:2]
    shares = ["known_share", "usable_share"]
    told = reported.assign(**{share: reported.get(share, 1.0) for share in shares})
    table = table.join(told.groupby(of_truck)[shares].min(), on=of_truck)
    table["usable_share"] = table["usable_share"].fillna(1.0)
    silent = (table["reported_lb"] <= 0.0) & (table["loaded_lb"] > table["returned_lb"])
    by_truck = [table[key] for key in of_truck]
    table["names_differ"] = silent.groupby(by_truck).transform("any") & (
        (table["reported_lb"] > 0.0).groupby(by_truck).transform("any")
    )
    complete = (table[shares] >= LEAST_KNOWN).all(axis=1)
    table["comparable"] = complete & ~table["names_differ"]
    something = (table["reported_lb"] > 0.0) | (table["loaded_lb"] + table["returned_lb"] > 0.0)
    table = table[something]
    return pd.DataFrame(table.sort_values([*KEYS[1:], "storm"], kind="stable", ignore_index=True))


def _unreturned(loads: pd.DataFrame, returns: pd.DataFrame) -> pd.DataFrame:
    """Net mass of the last load of each truck, material and storm, 0 if a return follows it."""
    ordered = loads.sort_values("loaded_at", kind="stable")
    last = ordered.groupby(KEYS, sort=False)[["loaded_at", "net_lb"]].last()
    returned_at = returns.groupby(KEYS)["returned_at"].max().rename("returned_at")
    last = last.join(returned_at)
    followed = last["returned_at"] >= last["loaded_at"]
    return last["net_lb"].where(~followed, 0.0).to_frame("unreturned_lb")
