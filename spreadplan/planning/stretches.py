"""What the driver sets, and where it changes: the plan as a cab card needs it."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.calibration.models import DischargeModel
from spreadplan.planning.applications import may_be_icy
from spreadplan.planning.frames import places
from spreadplan.planning.serving import controls_of, how_known
from spreadplan.planning.settings import ROUNDING, Control, Models, fit_gate
from spreadplan.schema.results import RESULTS

Floats = NDArray[np.float64]

_COLUMNS = RESULTS["plan_settings"].names
COMMON_TO_A_STRETCH = ("run", *_COLUMNS[: _COLUMNS.index("from_segment_id")])
"""What is the same on every part of a stretch."""
#: differences from the planned speed that a cab card lists, mph: suffix -> difference.
SPEED_STEPS_MPH = {"10_mph_less": -10.0, "5_mph_less": -5.0, "5_mph_more": 5.0}


def stretches(rows: pd.DataFrame) -> pd.DataFrame:
    """Consecutive parts of a run with the same setting, speed, lanes and sensitive areas, as one.

    Parameters
    ----------
    rows : planned parts in driving order, grouped by run.

    Returns
    -------
    DataFrame, one row a stretch: the columns of ``plan_settings`` in `spreadplan.schema.results`
    but for those of other speeds, and run. from_mi and to_mi are miles of road since the start of
    the route, stretch counts from 1, target_ and achieved_rate_lb_per_lane_mile are means over
    lane-miles.
    """
    # a driver of an open loop sets the feeder, of a closed loop the rate
    dial = rows["rate_to_set_lb_per_lane_mile"].where(rows["closed_loop"], rows["feeder_pct"])
    work = rows.assign(
        control=control_names(rows),
        target_lb=rows["target_rate_lb_per_lane_mile"] * rows["lane_miles"],
        achieved_lb=rows["achieved_rate_lb_per_lane_mile"] * rows["lane_miles"],
        lane_area=rows["lane_width_ft"] * rows["lane_miles"],
    )
    keys = [
        rows["run"],
        dial.round(6).fillna(-1.0),
        rows["flow_gal_per_min"].round(6).fillna(-1.0),
        rows["gate_in"].fillna(-1.0),
        rows["speed_mph"],
        rows["lanes_per_pass"],
        pd.factorize(rows["area_id"])[0],
        pd.factorize(rows["status"])[0],
    ]
    changed = np.zeros(len(rows), dtype=bool)
    changed[:1] = True
    for key in keys:
        values = np.asarray(key)
        changed[1:] |= values[1:] != values[:-1]
    number = np.cumsum(changed)
    grouped = work.groupby(number, sort=True)
    first = np.flatnonzero(changed)
    last = np.append(first[1:], len(rows))[: len(first)] - 1
    table = pd.DataFrame({name: work[name].to_numpy()[first] for name in COMMON_TO_A_STRETCH})
    for end, row in (("from", first), ("to", last)):
        for name in ("segment_id", "part", "name"):
            table[f"{end}_{name}"] = rows[name].to_numpy()[row]
    sums = grouped[["length_mi", "lane_miles", "target_lb", "achieved_lb", "lane_area"]].sum()
    table["miles"] = sums["length_mi"].to_numpy()
    table["lane_miles"] = sums["lane_miles"].to_numpy()
    table["lane_width_ft"] = (sums["lane_area"] / sums["lane_miles"]).to_numpy()
    table["mass_lb"] = grouped["mass_lb"].sum(min_count=1).to_numpy()
    for name in ("target", "achieved"):
        known = grouped[f"{name}_lb"].count().to_numpy() > 0
        mean = (sums[f"{name}_lb"] / sums["lane_miles"]).to_numpy()
        table[f"{name}_rate_lb_per_lane_mile"] = np.where(known, mean, np.nan)
    by_run = table.groupby("run", sort=False)
    table["stretch"] = by_run.cumcount() + 1
    table["to_mi"] = by_run["miles"].cumsum()
    table["from_mi"] = table["to_mi"] - table["miles"]
    return table


def dials(table: pd.DataFrame) -> pd.Series:
    """What the driver sets on each stretch: a rate, a feeder output, or the flow of a liquid."""
    set_so = table["rate_to_set_lb_per_lane_mile"].fillna(table["feeder_pct"])
    return set_so.fillna(table["setting_gal_per_min"]).round(6)


def changes_count(table: pd.DataFrame) -> pd.Series:
    """How often the driver of each run changes what is set, "off" included; index run.

    ``table``: stretches. The setting at the start is no change.
    """
    dial = dials(table).fillna(-1.0)
    new = (dial != dial.shift()) & (table["run"] == table["run"].shift())
    return new.groupby(table["run"]).sum()


def joined_lb(rows: pd.DataFrame) -> pd.DataFrame:
    """What fewer changes cost: mass beyond, and short of, a setting for each row alone; by run."""
    rate = rows["achieved_rate_lb_per_lane_mile"] - rows["own_rate_lb_per_lane_mile"]
    set_so = rows["status"].isin(["ok", "extrapolated"])
    more = (rate * rows["lane_miles"]).where(set_so, 0.0).fillna(0.0)
    more = more.where(more.abs() > ROUNDING, 0.0)
    both = pd.DataFrame(
        {"joined_more_lb": more.clip(lower=0.0), "joined_less_lb": -more.clip(upper=0.0)}
    )
    return both.abs().groupby(rows["run"]).sum()


def never_faster_on_ice(table: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Stretches without what holds at a higher speed, where the road may be icy."""
    icy = rows.groupby("run")["event"].agg(lambda events: any(map(may_be_icy, events.unique())))
    faster = [
        f"{name}_at_{step}"
        for step, mph in SPEED_STEPS_MPH.items()
        if mph > 0
        for name in ("feeder", "rate")
    ]
    names = [name for name in table.columns if name.startswith(tuple(faster))]
    where = table["run"].map(icy).to_numpy(dtype=bool)
    return table.assign(**{name: table[name].where(~where) for name in names})


def control_names(rows: pd.DataFrame) -> NDArray[np.object_]:
    """The control of the truck in words, "" where no truck is assigned."""
    names = np.where(rows["closed_loop"], "closed_loop", "open_loop").astype(object)
    names[(rows["truck_id"] == "").to_numpy()] = ""
    return names


def with_speed_steps(table: pd.DataFrame, trucks: pd.DataFrame, models: Models) -> pd.DataFrame:
    """Stretches with what holds at other speeds.

    Adds for each of `SPEED_STEPS_MPH`: ``feeder_at_..._pct``, the setting (closed loop: the
    predicted output) that keeps the target rate at that speed, NaN where none does or may be used;
    and ``rate_at_..._lb_per_lane_mile``, what comes out if the driver changes nothing: an open loop
    gives the same discharge over more or less road, a closed loop follows as far as it can.
    """
    controls = controls_of(trucks)
    shape = (len(SPEED_STEPS_MPH), len(table))
    feeder, rate = np.full(shape, np.nan), np.full(shape, np.nan)
    steps = np.array(list(SPEED_STEPS_MPH.values()))[:, None]
    row = {
        name: table[name].to_numpy()
        for name in (
            "speed_mph",
            "lanes_per_pass",
            "target_rate_lb_per_lane_mile",
            "achieved_rate_lb_per_lane_mile",
        )
    }
    for key, at in places(table, ["truck_id", "material", "gate_in"]).items():
        control, model = controls.get(key[0]), models.get(key)
        if control is not None and model is not None:
            some = {name: values[at] for name, values in row.items()}
            feeder[:, at], rate[:, at] = _at_speeds(some, model, control, steps)
    columns = {}
    for number, step in enumerate(SPEED_STEPS_MPH):
        columns[f"feeder_at_{step}_pct"] = feeder[number]
        columns[f"rate_at_{step}_lb_per_lane_mile"] = rate[number]
    return table.assign(**columns)


def _at_speeds(
    row: dict[str, Floats], model: DischargeModel, control: Control, faster_mph: Floats
) -> tuple[Floats, Floats]:
    """Feeder output that keeps the rate, and rate if nothing is changed, at other speeds.

    ``faster_mph`` has shape (k, 1), the columns of ``row`` (n,), the results (k, n).
    """
    speed, lanes = row["speed_mph"], row["lanes_per_pass"]
    target, achieved = (row[f"{name}_rate_lb_per_lane_mile"] for name in ("target", "achieved"))
    need = (target * lanes * (speed + faster_mph) / 60.0).ravel()
    moving = need > 0
    asked = np.where(moving, need, 1.0)
    fit = fit_gate(model, control, asked, np.full(len(asked), np.inf))
    doubtful = how_known(model, control, fit.feeder_pct).too_uncertain
    able = moving & ~fit.short & ~fit.excess & ~doubtful
    feeder = np.where(able, fit.feeder_pct, np.nan).reshape(-1, len(speed))
    kept = rate_kept(
        control.closed_loop, target, achieved, fit.max_discharge, lanes, speed, faster_mph
    )
    return feeder, kept


def rate_kept(
    closed_loop: bool | NDArray[np.bool_],
    target: Floats,
    achieved: Floats,
    most_lb_per_min: float | Floats,
    lanes_per_pass: Floats,
    speed_mph: Floats,
    faster_mph: float | Floats,
) -> Floats:
    """Rate in lb per lane-mile if the truck drives faster and the driver changes nothing.

    NaN where the speed would be 0 or less. By definition of discharge and rate.
    """
    speed = np.where(speed_mph + faster_mph > 0, speed_mph + faster_mph, np.nan)
    follows = np.minimum(target, most_lb_per_min * 60.0 / (lanes_per_pass * speed))
    return np.where(closed_loop, follows, achieved * speed_mph / speed)
