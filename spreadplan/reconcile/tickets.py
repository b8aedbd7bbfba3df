"""Scale tickets of each truck, material and storm, next to what the controller reported.

Masses in lb.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.buckets import FILLED
from spreadplan.units import POUNDS_PER_KILOGRAM

KEYS: Final = ["storm", "truck_id", "material"]

VEHICLE_SCALE_DIVISION_LB: Final = 20.0
"""Division of a vehicle scale where a ticket doesn't state it, lb. Common practice, no source."""

METHOD_U: Final[Mapping[str, tuple[float, float]]] = {
    "scale": (0.0, 0.0),
    "loader_scale": (0.01, 0.015),
    "bucket_count": (0.10, 0.08),
    "estimate": (0.15, 0.15),
}
"""How a ticket's mass was found, and its relative standard uncertainty: what all tickets of a truck
have in common (how full this bucket is filled, how this eye guesses) and what is new in each. That
of a scale comes from its division. Common practice, no source."""

COUNTED_LB: Final = 500.0
"""Where no scale is named and all of a truck's tickets are whole multiples of so much or more,
buckets were counted: a scale with a division of 20 lb shows that once in 25 tickets. Common
practice, no source."""

LEAST_KNOWN: Final = 0.98
"""Where a truck's records tell how much was released in a smaller share of the time that it was
spreading, or a smaller share of them could be read, its tickets are not held against them. Common
practice, no source."""


def ticket_variance_lb2(tickets: pd.DataFrame) -> pd.Series[float]:
    """Variance of the net mass of each ticket, lb², on the index of ``tickets``.

    A net mass is the difference of two readings, each rectangular within one division d:
    d**2 / 6. ``tickets`` may have scale_division_lb; where it is missing, that of a vehicle scale
    is assumed. What was not weighed on a scale has the further scatter of its method, see
    `methods`.

    Source: JCGM 100:2008, 4.3.7 (rectangular distribution) and 5.1.2.
    """
    division_lb = pd.Series(VEHICLE_SCALE_DIVISION_LB, index=tickets.index)
    if "scale_division_lb" in tickets.columns:
        division_lb = tickets["scale_division_lb"].astype(float).fillna(VEHICLE_SCALE_DIVISION_LB)
    alone = relative_u(tickets)["own"]
    variance: pd.Series[float] = division_lb**2 / 6.0
    return variance + (alone * tickets["net_lb"].astype(float)) ** 2


def relative_u(tickets: pd.DataFrame) -> pd.DataFrame:
    """Relative standard uncertainty of each ticket's mass, beside that of a scale.

    Returns
    -------
    common (what the tickets of a truck have in common) and own (new in each), on the index of
    ``tickets``: by `METHOD_U`, or of masses that come from counted buckets by what weighed tickets
    tell of those, see `buckets`.
    """
    found = methods(tickets)
    known = {
        name: found.map({method: u[at] for method, u in METHOD_U.items()}).astype(float)
        for at, name in enumerate(("common", "own"))
    }
    nothing = pd.Series(np.nan, index=tickets.index)
    of_buckets = dict(zip(known, FILLED, strict=True))
    return pd.DataFrame(
        {
            name: tickets.get(column, nothing).astype(float).fillna(known[name])
            for name, column in of_buckets.items()
        }
    )


def methods(tickets: pd.DataFrame) -> pd.Series[str]:
    """How the mass of each ticket was found, a name of `METHOD_U`, on the index of ``tickets``.

    As the column ``method`` says; where it says nothing and no division of a scale is stated, by
    bucket if all such tickets of the truck are multiples of `COUNTED_LB`, in lb, or of 250 kg.

    Parameters
    ----------
    tickets : truck_id, material, net_lb; method and scale_division_lb where they are known.
    """
    nothing = pd.Series(np.nan, index=tickets.index, dtype=object)
    given: Any = tickets.get("method", nothing)
    told = given.replace("", np.nan)
    if "truck_id" not in tickets.columns:
        return pd.Series(told.fillna("scale"))  # deliveries come over a scale
    silent = told.isna() & tickets.get("scale_division_lb", nothing).isna()
    mass = tickets.loc[silent, "net_lb"].astype(float)
    owner = [tickets.loc[silent, key] for key in KEYS[1:]]
    counted = pd.Series(False, index=mass.index)
    for step in (COUNTED_LB, 250.0 * POUNDS_PER_KILOGRAM):
        off = (mass - step * (mass / step).round()).abs() > 1.0
        counted |= ~off.groupby(owner).transform("any")
    buckets = silent & counted.reindex(tickets.index, fill_value=False)
    found: pd.Series[str] = told.where(~buckets, "bucket_count").fillna("scale")
    return found


def storm_tickets(
    reported: pd.DataFrame, loads: pd.DataFrame, returns: pd.DataFrame
) -> pd.DataFrame:
    """One row for each truck, material and storm that has reported mass or a ticket.

    Parameters
    ----------
    reported : storm, truck_id, material, reported_lb; a truck that sent records, but reported no
        mass, has a row without any. known_share of the truck (see `increments.Increments`) and
        usable_share, that of its records that could be read, where they are not 1, and step_lb, the
        step of its running total, where that is coarse. output_lb_per_min, its mean discharge as
        reported while its spreader was on, where it is known. set_rate, whether it tells what it
        was set to and nothing of what it released.
    loads : storm, truck_id, material, loaded_at, net_lb, scale_division_lb, method.
    returns : storm, truck_id, material, returned_at, net_lb, method. A truck that returns what it
        has left is empty afterwards.

    Returns
    -------
    storm, truck_id, material, reported_lb, loaded_lb, returned_lb (0 without tickets), loads
    (number of load tickets), ticket_u_lb (standard uncertainty of loaded - returned, and of the
    report where its steps are coarse: both ends of a total lie anywhere in one), method_u (relative
    standard uncertainty that a truck's tickets have in common, see `METHOD_U`), unreturned_lb (the
    last load where no return follows it: up to so much may still have been in the hopper),
    emptied (whether a return follows the last load, so that nothing stays in the hopper),
    typical_load_lb, largest_load_lb (mean, and largest, ticket of the truck with this material over
    all storms), output_lb_per_min (NaN: not known), began (the storm's first ticket, whatever the
    truck's), known_share (NaN: the truck sent no records), usable_share, set_rate, names_differ
    (the truck reported material, but none that its tickets name) and comparable (its tickets and
    reports of the storm can be held against one another); in order of truck, material and storm.
    """
    common_lb = relative_u(loads)["common"] * loads["net_lb"]
    told = loads.assign(variance=ticket_variance_lb2(loads), common_lb=common_lb)
    out = told.groupby(KEYS, sort=False)
    report = reported.assign(
        step_lb=reported.get("step_lb", 0.0),
        output_lb_per_min=reported.get("output_lb_per_min", np.nan),
        set_rate=reported.get("set_rate", False),
    ).groupby(KEYS)
    pair = KEYS[1:]
    returns = _with_method(loads, returns)
    back = returns.assign(variance=ticket_variance_lb2(returns)).groupby(KEYS, sort=False)
    parts: list[pd.DataFrame] = [
        report.agg(
            reported_lb=("reported_lb", "sum"),
            step_lb=("step_lb", "max"),
            output_lb_per_min=("output_lb_per_min", "max"),
            set_rate=("set_rate", "any"),
        ),
        out.agg(
            loaded_lb=("net_lb", "sum"),
            loads=("net_lb", "size"),
            out_variance=("variance", "sum"),
            common_lb=("common_lb", "sum"),
        ),
        back.agg(returned_lb=("net_lb", "sum"), back_variance=("variance", "sum")),
        _unreturned(loads, returns),
    ]
    table = pd.concat(parts, axis=1)
    known = {name: 0.0 for name in table.columns if name != "output_lb_per_min"}
    table["set_rate"] = table["set_rate"].eq(True)
    table = table.fillna(known | {"emptied": False, "set_rate": False}).reset_index()
    of_steps = table.pop("step_lb") ** 2 / 6.0
    table["ticket_u_lb"] = np.sqrt(
        table.pop("out_variance") + table.pop("back_variance") + of_steps
    )
    table["method_u"] = table.pop("common_lb") / table["loaded_lb"].where(table["loads"] > 0, 1.0)
    usual_loads = loads.groupby(pair)["net_lb"].agg(typical_load_lb="mean", largest_load_lb="max")
    table = table.join(usual_loads, on=pair)
    moments = pd.concat(
        [loads.set_index("storm")["loaded_at"], returns.set_index("storm")["returned_at"]]
    )
    began = moments.groupby(level=0).min().reindex(table["storm"])
    table["began"] = began.to_numpy(dtype="datetime64[ns]")
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


def _with_method(loads: pd.DataFrame, returns: pd.DataFrame) -> pd.DataFrame:
    """The returns with their method: one that does not say is found as what went out."""
    pair = KEYS[1:]
    usual = methods(loads).groupby([loads[key] for key in pair]).first().rename("method")
    nothing = pd.Series("", index=returns.index, dtype=object)
    own: Any = returns.get("method", nothing)
    said = own.replace("", np.nan)
    returns = returns.drop(columns="method", errors="ignore").join(usual, on=pair)
    returns["method"] = said.fillna(returns["method"]).fillna("scale")
    return returns


def _unreturned(loads: pd.DataFrame, returns: pd.DataFrame) -> pd.DataFrame:
    """Net mass of the last load of each truck, material and storm, 0 if a return follows it.

    emptied : whether one does.
    """
    ordered = loads.sort_values("loaded_at", kind="stable")
    last = ordered.groupby(KEYS, sort=False)[["loaded_at", "net_lb"]].last()
    last = last.join(returns.groupby(KEYS)["returned_at"].max().rename("returned_at"), how="outer")
    followed = last["returned_at"].notna() & ~(last["returned_at"] < last["loaded_at"])
    unreturned = last["net_lb"].where(~followed, 0.0).fillna(0.0)
    return pd.DataFrame({"unreturned_lb": unreturned, "emptied": followed})
