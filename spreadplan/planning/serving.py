"""Gates and settings for every row, truck by truck."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.frames import lines
from spreadplan.planning.frames import places
from spreadplan.planning.settings import (
    Control,
    Fit,
    Models,
    SpreaderModel,
    choose_gate,
    fewest_settings,
    fit_gate,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Columns = dict[str, NDArray[Any]]

#: relative standard uncertainty of what an untested truck spreads: a wrong setting for a grade of
#: salt can be off by up to 40 %, taken as the 95 % limit. Source of the 40 %: UK National Winter
#: Service Research Group, Calibrate, check, recalibrate (transport-network.co.uk).
UNTESTED_RELATIVE_U = 0.20

#: parts of a calibration's relative uncertainty that are independent of each other: a curve has up
#: to three parameters.
COMMON_U = ("common_u_1", "common_u_2", "common_u_3")

SERVED_COLUMNS = {
    "gate_in": np.nan, "feeder_pct": np.nan, "achieved_rate_lb_per_lane_mile": np.nan,
    "most_lb_per_min": np.nan, "lb_per_count": np.nan, "common_u_1": UNTESTED_RELATIVE_U,
    "common_u_2": 0.0, "common_u_3": 0.0, "relative_run_u": 0.0, "dof": np.inf,
    "modelled": False, "short": False, "excess": False, "extrapolated": False,
    "closed_loop": False, "tested_lo_pct": np.nan, "tested_hi_pct": np.nan,
}  # fmt: skip


def controls_of(trucks: pd.DataFrame) -> dict[str, Control]:
    """How each truck's feeder is controlled."""
    return {
        str(truck.truck_id): Control(
            truck.control == "closed_loop", float(truck.min_feeder_pct),
            float(truck.max_feeder_pct), float(truck.control_step_pct),
        )
        for truck in lines(trucks)
    }  # fmt: skip


def models_by_truck(
    models: Models, controls: dict[str, Control]
) -> dict[tuple[str, str], list[SpreaderModel]]:
    """The usable models of each truck and material, by gate from small to large.

    A closed loop cannot hold a rate without its mass per count, so a test without counts is none.
    """
    grouped: dict[tuple[str, str], list[SpreaderModel]] = defaultdict(list)
    for truck, material, gate in sorted(models):
        model = models[truck, material, gate]
        if truck in controls and not (controls[truck].closed_loop and np.isnan(model.lb_per_count)):
            grouped[truck, material].append(model)
    return dict(grouped)


def served(rows: pd.DataFrame, trucks: pd.DataFrame, models: Models) -> pd.DataFrame:
    """What gate and feeder output each row gets, and what comes of it.

    Parameters
    ----------
    rows : as `target_rows` returns them, shape (n,).

    Returns
    -------
    DataFrame on the same index with the columns of `SERVED_COLUMNS`. ``most_lb_per_min`` is the
    discharge at the highest feeder output; `COMMON_U` the relative standard uncertainty of the
    calibration in independent parts, each common to all that the truck spreads with that material
    and gate; ``relative_run_u`` that of one run. Rows without a rate above 0 or without a tested
    truck keep the defaults, but for ``closed_loop``: how a truck is controlled does not depend on
    what it does.
    """
    out = {name: np.full(len(rows), value) for name, value in SERVED_COLUMNS.items()}
    controls = controls_of(trucks)
    known = models_by_truck(models, controls)
    closed = [truck for truck, control in controls.items() if control.closed_loop]
    out["closed_loop"] = rows["truck_id"].isin(closed).to_numpy()
    wanted = (rows["target_rate_lb_per_lane_mile"] > 0) & (rows["truck_id"] != "")
    numbers = np.flatnonzero(wanted)
    arrays = {name: rows[name].to_numpy() for name in (
        "discharge_lb_per_min", "cap_lb_per_lane_mile", "lanes_per_pass", "speed_mph",
        "lane_miles", "run",
    )}  # fmt: skip
    by_truck = places(rows.loc[wanted, ["truck_id", "material"]], ["truck_id", "material"])
    for (truck, material), some in by_truck.items():
        at = numbers[some]
        gates = known.get((truck, material), [])
        if gates:
            _serve_truck(out, at, {name: values[at] for name, values in arrays.items()},
                         controls[truck], gates)  # fmt: skip
    return pd.DataFrame(out, index=rows.index)


def _serve_truck(
    out: Columns, at: Ints, row: Columns, control: Control,
    gates: list[SpreaderModel],
) -> None:  # fmt: skip
    """Fill in the rows ``at`` of one truck and material."""
    per_rate = row["lanes_per_pass"] * row["speed_mph"] / 60.0
    need, cap = row["discharge_lb_per_min"], row["cap_lb_per_lane_mile"] * per_rate
    fits = [fit_gate(model, control, need, cap) for model in gates]
    _, run = np.unique(row["run"], return_inverse=True)
    best = choose_gate(fits, control, need, row["lane_miles"], run, int(run.max()) + 1)[run]
    for place, (model, fit) in enumerate(zip(gates, fits, strict=True)):
        mine = np.flatnonzero(best == place)
        if not len(mine):
            continue
        feeder, discharge = fit.feeder_pct[mine], fit.discharge[mine]
        if not control.closed_loop:
            settings = _open_loop_settings(fit, mine, run[mine], need, row["lane_miles"])
            feeder, discharge = fit.grid_pct[settings], fit.grid_discharge[settings]
        where = at[mine]
        out["gate_in"][where] = fit.gate_in
        out["feeder_pct"][where] = feeder
        out["achieved_rate_lb_per_lane_mile"][where] = discharge / per_rate[mine]
        out["most_lb_per_min"][where] = fit.max_discharge
        out["short"][where], out["excess"][where] = fit.short[mine], fit.excess[mine]
        out["modelled"][where] = True
        _describe_model(out, where, model, control, feeder)


def _open_loop_settings(fit: Fit, mine: Ints, run: Ints, need: Floats, lane_miles: Floats) -> Ints:
    """Places in the fit's grid for rows ``mine``, run by run."""
    settings = np.zeros(len(mine), dtype=np.int64)
    order = np.argsort(run, kind="stable")
    starts = np.flatnonzero(np.diff(run[order], prepend=-1))
    for rows in np.split(order, starts[1:]):
        of_run = mine[rows]
        settings[rows] = fewest_settings(
            fit.low[of_run], fit.high[of_run], need[of_run], lane_miles[of_run], fit.grid_discharge
        )
    return settings


def _describe_model(
    out: Columns, where: Ints, model: SpreaderModel, control: Control,
    feeder: Floats,
) -> None:  # fmt: skip
    """The columns that tell how sure the model is at these feeder outputs."""
    predicted = model.predict(feeder)
    parts = _common_parts(model, control, feeder, predicted.discharge_lb_per_min)
    for name, part in zip(COMMON_U, parts, strict=True):
        out[name][where] = part
    out["relative_run_u"][where] = model.repeatability
    out["dof"][where] = model.relative_dof
    out["lb_per_count"][where] = model.lb_per_count
    out["extrapolated"][where] = predicted.extrapolated
    out["tested_lo_pct"][where] = model.tested_lo_pct
    out["tested_hi_pct"][where] = model.tested_hi_pct


def _common_parts(
    model: SpreaderModel, control: Control, feeder: Floats, discharge: Floats
) -> Floats:
    """Relative uncertainty of the calibration in independent parts, shape (3, n).

    What an open loop gives depends on its curve: with a covariance V = A A', discharge varies by
    gradient x A, each column independent of the others. A closed loop depends on its mass per
    count.
    """
    parts = np.zeros((len(COMMON_U), len(feeder)))
    if control.closed_loop:
        parts[0] = model.relative_u_per_count(feeder)
    else:
        size, axes = np.linalg.eigh(model.covariance)
        root = axes * np.sqrt(np.maximum(size, 0.0))
        change = model.curve.gradient(feeder) @ root
        with np.errstate(divide="ignore", invalid="ignore"):
            parts[: len(root)] = (change / np.asarray(discharge)[:, None]).T
    unknown = ~np.isfinite(parts).all(axis=0)
    parts[:, unknown] = 0.0
    parts[0, unknown] = UNTESTED_RELATIVE_U
    return parts
