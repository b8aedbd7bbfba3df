"""How many loads a run takes, where the hopper runs out, and how long it all lasts.

A run starts with a full truck at its yard. All passes of a segment are taken together, in the
order of the route; on a two-way segment every other pass is driven back. Minutes, miles, pounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from spreadplan.planning.geometry import distance_mi, edges_of, points_along
from spreadplan.units import POUNDS_PER_TON

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: time to load a truck where the yard states none: assumption.
RELOAD_MIN = 10.0
#: road distance over straight distance, and speed without spreading: assumptions for a rural
#: county in winter, no source.
DETOUR = 1.3
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
        the part), part_mi (distance from its first vertex), pass, lon, lat.
    """

    runs: pd.DataFrame
    reloads: pd.DataFrame


def load_limits(runs: pd.DataFrame, trucks: pd.DataFrame) -> pd.DataFrame:
    """What one load of each run may weigh: the hopper, or less where the prewet tank is small.

    ``runs``: truck_id, prewet_gal_per_ton, solid. NaN for a truck that is not known.
    """
    truck = trucks.set_index("truck_id").reindex(runs["truck_id"]).set_axis(runs.index)
    tank, wanted = truck["prewet_tank_gal"], runs["prewet_gal_per_ton"].where(runs["solid"], 0.0)
    no_tank = (wanted > 0) & ~(tank > 0) & (runs["truck_id"] != "")
    per_lb = (wanted / POUNDS_PER_TON).where((wanted > 0) & (tank > 0))
    by_tank = (tank / per_lb).fillna(np.inf)
    return pd.DataFrame(
        {
            "load_lb": np.minimum(truck["capacity_lb"], by_tank),
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


def run_out(rows: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """Where each load but the last of its run ends; not for runs beyond `MOST_LOADS`.

    Parameters
    ----------
    rows : parts in driving order, grouped by run: run, mass_lb, passes, two_way, length_mi,
        geometry.
    runs : index run, ascending: loads, load_lb.

    Returns
    -------
    DataFrame: run, load, row (place in ``rows``), pass, part_mi, lon, lat.
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
    empty_at = before_run[run] + nth * runs["load_lb"].to_numpy()[run]
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
            "lon": points[:, 0],
            "lat": points[:, 1],
        }
    )


def spreading_minutes(rows: pd.DataFrame) -> pd.Series:
    """Minutes of spreading of each run; untreated parts are driven at the same speed."""
    minutes = rows["length_mi"] * rows["passes"] / rows["speed_mph"] * 60.0
    return minutes.groupby(rows["run"], sort=True).sum()


def run_ends(rows: pd.DataFrame) -> pd.DataFrame:
    """Where each run starts and ends: index run; start_lon, start_lat, end_lon, end_lat."""
    lines = np.asarray(rows["geometry"].array, dtype=object)
    run = rows["run"].to_numpy()
    first = np.flatnonzero(np.diff(run, prepend=-1))
    last = np.append(first[1:], len(run))[: len(first)] - 1
    # an even number of passes on a two-way segment brings the truck back to where it began
    back = rows["two_way"].to_numpy(dtype=bool)[last] & (rows["passes"].to_numpy()[last] % 2 == 0)
    start = shapely.get_coordinates(shapely.get_point(lines[first], 0))
    end = shapely.get_coordinates(shapely.get_point(lines[last], np.where(back, 0, -1)))
    return pd.DataFrame(
        {
            "start_lon": start[:, 0],
            "start_lat": start[:, 1],
            "end_lon": end[:, 0],
            "end_lat": end[:, 1],
        },
        index=pd.Index(run[first], name="run"),
    )


def cycle(rows: Any, runs: pd.DataFrame, trucks: pd.DataFrame, yards: pd.DataFrame) -> Cycle:
    """Loads, run-out points and times of every run.

    Parameters
    ----------
    rows : parts in driving order, grouped by ascending run.
    runs : index run, ascending: truck_id, yard_id, mass_lb, prewet_gal_per_ton, solid.
    """
    limits = load_limits(runs, trucks)
    loads = load_counts(runs["mass_lb"].to_numpy(), limits["load_lb"].to_numpy())
    timed = limits.assign(loads=loads)
    reloads = run_out(rows, timed)
    yard = yards.set_index("yard_id").reindex(runs["yard_id"]).set_axis(runs.index)
    ends = run_ends(rows).reindex(runs.index)
    out = distance_mi(yard["lon"], yard["lat"], ends["start_lon"], ends["start_lat"])
    home = distance_mi(ends["end_lon"], ends["end_lat"], yard["lon"], yard["lat"])
    at = yard.loc[reloads["run"]]
    trips = 2.0 * distance_mi(at["lon"], at["lat"], reloads["lon"], reloads["lat"])
    between = pd.Series(trips).groupby(reloads["run"].to_numpy()).sum().reindex(runs.index)
    straight_mi = np.where(loads > 0, out + home + between.fillna(0.0).to_numpy(), 0.0)
    spreading = spreading_minutes(rows).reindex(runs.index)
    timed["spreading_minutes"] = np.where(loads > 0, spreading, 0.0)
    timed["reload_minutes"] = np.maximum(loads - 1, 0) * yard["reload_min"].fillna(RELOAD_MIN)
    timed["travel_minutes"] = straight_mi * DETOUR / TRAVEL_MPH * 60.0
    beyond = timed["loads"] > MOST_LOADS
    timed.loc[beyond, ["reload_minutes", "travel_minutes"]] = np.nan
    timed["minutes"] = timed[["spreading_minutes", "reload_minutes", "travel_minutes"]].sum(
        axis=1, skipna=False
    )
    return Cycle(timed, reloads)
