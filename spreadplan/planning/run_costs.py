"""What it takes another truck to drive a run: minutes and loads of any run by any truck."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from spreadplan.planning.loads import (
    MOST_LOADS,
    RELOAD_MIN,
    load_counts,
    load_limits,
    run_out,
    spreading_minutes,
    travel_mph,
)
from spreadplan.planning.places_of_runs import PartPlaces


def run_costs(
    rows: Any,
    runs: pd.DataFrame,
    candidates: pd.DataFrame,
    trucks: pd.DataFrame,
    yards: pd.DataFrame,
    places: PartPlaces,
) -> pd.DataFrame:
    """Loads and times of runs by trucks that are not theirs, each driven alone from a yard.

    Parameters
    ----------
    rows, runs : as `loads.cycle` takes them.
    candidates : run, truck_id, yard_id: who would drive what from where; any number of a run.
    trucks, yards : the workspace's tables.
    places : of the parts and yards.

    Returns
    -------
    DataFrame on the index of ``candidates``: lb (of the run, the same for all), load_lb, loads,
    spreading_minutes, reload_minutes, travel_minutes, minutes. As `loads.cycle` has it for the
    run's own truck; NaN minutes beyond `MOST_LOADS` and without a known yard.
    """
    mine = runs.loc[candidates["run"], ["mass_lb", "liquid_gal", "prewet_gal_per_ton", "solid"]]
    table = mine.set_axis(candidates.index).assign(truck_id=candidates["truck_id"])
    load_lb = load_limits(table, trucks)["load_lb"].to_numpy(dtype=float)
    loads = load_counts(table["mass_lb"].to_numpy(dtype=float), load_lb)
    number = {name: place for place, name in enumerate(places.yard_names)}
    yard = candidates["yard_id"].map(number).fillna(-1).to_numpy().astype(np.int64)
    run = candidates["run"].to_numpy()
    travel_mi = _ends_mi(rows, run, yard, places)
    for load in np.unique(load_lb[loads > 1]):
        at = np.flatnonzero((load_lb == load) & (loads > 1) & (loads <= MOST_LOADS))
        travel_mi[at] += _reloads_mi(rows, run[at], yard[at], loads[at], load, places)
    spread = run_sums(spreading_minutes(rows), run)
    wait = yards.set_index("yard_id")["reload_min"].reindex(candidates["yard_id"])
    reload = np.maximum(loads - 1, 0) * wait.fillna(RELOAD_MIN).to_numpy(dtype=float)
    travel = travel_mi / travel_mph(table, trucks) * 60.0
    beyond, idle = loads > MOST_LOADS, loads == 0
    found = pd.DataFrame(
        {
            "lb": table["mass_lb"].to_numpy(dtype=float),
            "load_lb": load_lb,
            "loads": loads,
            "spreading_minutes": np.where(idle, 0.0, spread),
            "reload_minutes": np.where(beyond, np.nan, reload),
            "travel_minutes": np.where(idle, 0.0, np.where(beyond, np.nan, travel)),
        },
        index=candidates.index,
    )
    parts = found[["spreading_minutes", "reload_minutes", "travel_minutes"]]
    return found.assign(minutes=parts.sum(axis=1, skipna=False))


def run_sums(of_runs: pd.Series[float], run: Any) -> Any:
    """What a run has, for each of many entries of runs."""
    return of_runs.reindex(run).to_numpy(dtype=float)


def _ends_mi(rows: Any, run: Any, yard: Any, places: PartPlaces) -> Any:
    """Yard to start, end to yard, and between parts of the route that do not touch."""
    of_row = rows["run"].to_numpy()
    part = np.arange(len(of_row), dtype=np.int64) % max(len(places.starts), 1)
    first = np.searchsorted(of_row, run, side="left")
    last = np.searchsorted(of_row, run, side="right") - 1
    gaps = run_sums(pd.Series(places.gap_mi[part]).groupby(of_row).sum(), run)
    return places.out_mi(yard, part[first]) + places.back_mi(part[last], yard) + gaps


def _reloads_mi(
    rows: Any, run: Any, yard: Any, loads: Any, load_lb: float, places: PartPlaces
) -> Any:
    """To the yard and back wherever a hopper of one size runs out, for each entry."""
    once = pd.DataFrame({"run": run, "loads": loads}).drop_duplicates("run").sort_values("run")
    runs = once.set_index("run").assign(load_lb=load_lb)
    mine = np.flatnonzero(rows["run"].isin(runs.index).to_numpy())
    spots = run_out(rows.iloc[mine], runs)
    spots = spots.assign(part=mine[spots["row"].to_numpy()] % len(places.starts))
    entries = pd.DataFrame({"run": run, "yard": yard, "entry": np.arange(len(run))})
    both = entries.merge(spots, on="run")
    out, back = places.spots_mi(both["yard"].to_numpy(), both["part"].to_numpy(), both)
    return np.bincount(both["entry"], weights=out + back, minlength=len(run))
