"""How many loads a run takes, where the hopper runs out, and how long it all lasts.

A run starts with a full truck at its yard. All passes of a segment are taken together, in the
order of the route; on a two-way segment every other pass is driven back. Minutes, miles, pounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.planning.geometry import edges_of, points_along
from spreadplan.planning.liquids import tank_lb
from spreadplan.planning.places_of_runs import PartPlaces
from spreadplan.units import POUNDS_PER_TON

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: time to load a truck where the yard states none: assumption.
RELOAD_MIN = 10.0
#: speed without spreading where a truck states none: assumption for a rural county in winter, no
#: source.
TRAVEL_MPH = 30.0
#: a run of more loads is a slip of the pen in a capacity, a rate or a route; its run-out points and
#: times would say nothing. Common practice, no source.
MOST_LOADS = 50
#: a remainder this small of a load is rounding, not another load.
ROUNDING = 1e-9
#: loads are counted no further
COUNTABLE = 1e9


@dataclass(frozen=True)
class Cycle:
    """Loads and times.

    Attributes
    ----------
    runs : index run; loads, load_lb (what one load may weigh), prewet_limits (the tank is what
        limits it), no_tank (prewet is wanted, but there is no tank), spreading_minutes,
        reload_minutes, travel_minutes, minutes. Beyond `MOST_LOADS` the last three are NaN.
    reloads : one row for each time the hopper runs out: run, load (the next one), row (number of
        the part), part_mi (distance from its first vertex), pass, share (of the part's driving that
        is done), lon, lat.
    """

    runs: pd.DataFrame
    reloads: pd.DataFrame


def load_limits(runs: pd.DataFrame, trucks: pd.DataFrame) -> pd.DataFrame:
    """What one load of each run may weigh: the hopper, or less where the prewet tank is small.

    ``runs``: truck_id, prewet_gal_per_ton, solid, mass_lb, liquid_gal. NaN for a truck that is not
    known. A liquid goes into the liquid tank; where a truck states none, into as much as its
    capacity.
    """
    truck = trucks.set_index("truck_id").reindex(runs["truck_id"]).set_axis(runs.index)
    tank, wanted = truck["prewet_tank_gal"], runs["prewet_gal_per_ton"].where(runs["solid"], 0.0)
    no_tank = (wanted > 0) & ~(tank > 0) & (runs["truck_id"] != "")
    per_lb = (wanted / POUNDS_PER_TON).where((wanted > 0) & (tank > 0))
    by_tank = (tank / per_lb).fillna(np.inf)
    liquid = tank_lb(truck["liquid_tank_gal"], runs)
    return pd.DataFrame(
        {
            "load_lb": np.where(liquid.isna(), np.minimum(truck["capacity_lb"], by_tank), liquid),
            "prewet_limits": by_tank < truck["capacity_lb"],
            "no_tank": no_tank,
        }
    )


def load_counts(mass_lb: Floats, load_lb: Floats) -> Ints:
    """Number of loads for a mass; 0 without a mass, 1 where the capacity is not known."""
    with np.errstate(divide="ignore", over="ignore"):
        full = np.minimum(np.ceil(mass_lb / load_lb - ROUNDING), COUNTABLE)
    loads = np.where(np.isnan(full), 1.0, np.maximum(full, 1.0))
    return np.where(mass_lb > 0, loads, 0.0).astype(np.int64)


def loads_from(mass_lb: Floats, load_lb: Floats, first_lb: Floats) -> Ints:
    """Number of loads for a mass, the first of which may lie in the hopper (NaN: it does not)."""
    usual = load_counts(mass_lb, load_lb)
    goes_on = ~np.isnan(first_lb) & (usual > 0)
    beyond = np.where(goes_on, np.maximum(mass_lb - first_lb, 0.0), 0.0)
    return np.where(goes_on, 1 + load_counts(beyond, load_lb), usual)


def run_out(rows: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """Where each load but the last of its run ends; not for runs beyond `MOST_LOADS`.

    Parameters
    ----------
    rows : parts in driving order, grouped by run: run, mass_lb, passes, two_way, length_mi,
        geometry.
    runs : index run, ascending: loads, load_lb, and perhaps first_lb: what lies in the hopper when
        the run is gone on with, NaN where it begins with a full truck.

    Returns
    -------
    DataFrame: run, load, row (place in ``rows``), pass, part_mi, share (of the driving on the part
    that is done), lon, lat.
    """
    loads = runs["loads"].to_numpy()
    again = np.where(loads > MOST_LOADS, 0, np.maximum(loads - 1, 0))
    run = np.repeat(np.arange(len(runs)), again)
    nth = np.arange(len(run)) - np.repeat(np.cumsum(again) - again, again) + 1
    mass = rows["mass_lb"].fillna(0.0).to_numpy()
    spread = np.cumsum(mass)
    run_of_row = runs.index.get_indexer(pd.Index(rows["run"]))
    first = np.searchsorted(run_of_row, np.arange(len(runs)), side="left")
    last = np.searchsorted(run_of_row, np.arange(len(runs)), side="right") - 1
    before_run = spread[first] - mass[first] if len(rows) else spread
    load_lb = runs["load_lb"].to_numpy()
    first_lb = load_lb
    if "first_lb" in runs:
        first_lb = runs["first_lb"].fillna(runs["load_lb"]).to_numpy()
    empty_at = before_run[run] + first_lb[run] + (nth - 1) * load_lb[run]
    row = np.clip(np.searchsorted(spread, empty_at, side="left"), first[run], last[run])
    share = 1.0 - np.divide(
        spread[row] - empty_at, mass[row], out=np.zeros(len(row)), where=mass[row] > 0
    )
    driven = np.clip(share, 0.0, 1.0) * rows["passes"].to_numpy(dtype=float)[row]
    full_passes = np.minimum(np.floor(driven), rows["passes"].to_numpy()[row] - 1)
    miles = (driven - full_passes) * rows["length_mi"].to_numpy()[row]
    back = rows["two_way"].to_numpy(dtype=bool)[row] & (full_passes % 2 == 1)
    miles = np.where(back, rows["length_mi"].to_numpy()[row] - miles, miles)
    lines = np.asarray(rows["geometry"].array, dtype=object)[row]
    points = points_along(edges_of(lines), np.arange(len(row)), miles)
    return pd.DataFrame(
        {
            "run": runs.index.to_numpy()[run],
            "load": nth + 1,
            "row": row,
            "pass": full_passes.astype(np.int64) + 1,
            "part_mi": miles,
            "share": np.clip(share, 0.0, 1.0),
            "lon": points[:, 0],
            "lat": points[:, 1],
        }
    )


def spreading_minutes(rows: pd.DataFrame) -> pd.Series:
    """Minutes of spreading of each run; untreated parts are driven at the same speed."""
    minutes = rows["length_mi"] * rows["passes"] / rows["speed_mph"] * 60.0
    return minutes.groupby(rows["run"], sort=True).sum()


def cycle(
    rows: Any,
    runs: pd.DataFrame,
    trucks: pd.DataFrame,
    yards: pd.DataFrame,
    places: PartPlaces,
) -> Cycle:
    """Loads, run-out points and times of every run, as if it were driven alone.

    Parameters
    ----------
    rows : parts in driving order, grouped by ascending run; each application has all parts.
    runs : index run, ascending: truck_id, yard_id, mass_lb, liquid_gal, prewet_gal_per_ton, solid,
        first_lb (see `run_out`).
    places : of the parts and yards.
    """
    limits = load_limits(runs, trucks)
    first_lb = runs["first_lb"].to_numpy(dtype=float)
    loads = loads_from(runs["mass_lb"].to_numpy(), limits["load_lb"].to_numpy(), first_lb)
    timed = limits.assign(loads=loads, first_lb=first_lb)
    reloads = run_out(rows, timed)
    yard = yards.set_index("yard_id").reindex(runs["yard_id"]).set_axis(runs.index)
    travel_mi = _travel_mi(rows, runs, reloads, places)
    spreading = spreading_minutes(rows).reindex(runs.index)
    timed["spreading_minutes"] = np.where(loads > 0, spreading, 0.0)
    timed["reload_minutes"] = np.maximum(loads - 1, 0) * yard["reload_min"].fillna(RELOAD_MIN)
    timed["travel_minutes"] = np.where(loads > 0, travel_mi, 0.0) / travel_mph(runs, trucks) * 60.0
    beyond = timed["loads"] > MOST_LOADS
    timed.loc[beyond, ["reload_minutes", "travel_minutes"]] = np.nan
    timed["minutes"] = timed[["spreading_minutes", "reload_minutes", "travel_minutes"]].sum(
        axis=1, skipna=False
    )
    return Cycle(timed, reloads)


def travel_mph(runs: pd.DataFrame, trucks: pd.DataFrame) -> Floats:
    """Speed without spreading of each run's truck, shape (runs,)."""
    speed = trucks.set_index("truck_id")["travel_speed_mph"]
    return runs["truck_id"].map(speed).fillna(TRAVEL_MPH).to_numpy(dtype=float)


def _travel_mi(rows: Any, runs: pd.DataFrame, reloads: pd.DataFrame, places: PartPlaces) -> Floats:
    """Out, home, between parts that do not touch, and to the yard and back for each reload."""
    if not len(rows):
        return np.zeros(len(runs))
    run = rows["run"].to_numpy()
    part: Ints = np.arange(len(rows), dtype=np.int64) % len(places.starts)
    first = part[np.searchsorted(run, runs.index.to_numpy(), side="left")]
    last = part[np.searchsorted(run, runs.index.to_numpy(), side="right") - 1]
    number = {name: place for place, name in enumerate(places.yard_names)}
    yard = runs["yard_id"].map(number).fillna(-1).to_numpy().astype(np.int64)
    gaps = pd.Series(places.gap_mi[part]).groupby(run).sum().reindex(runs.index).to_numpy()
    at = yard[runs.index.get_indexer(pd.Index(reloads["run"]))].astype(np.int64)
    out, back = places.spots_mi(at, part[reloads["row"].to_numpy(dtype=np.int64)], reloads)
    trips = pd.Series(out + back).groupby(reloads["run"].to_numpy()).sum()
    between = trips.reindex(runs.index).fillna(0.0).to_numpy(dtype=float)
    ends: Floats = np.add(places.out_mi(yard, first), places.back_mi(last, yard))
    return np.asarray(ends + gaps + between, dtype=float)
