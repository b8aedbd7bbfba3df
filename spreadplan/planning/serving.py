"""Gates and settings for every row, truck by truck."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.calibration.models import DischargeModel
from spreadplan.calibration.standing import UNTESTED_95, UNTESTED_RELATIVE_U, run_uncertainty
from spreadplan.frames import lines
from spreadplan.planning.changes import Along, fewest_changes
from spreadplan.planning.frames import places
from spreadplan.planning.settings import (
    NEAR_ENOUGH,
    ROUNDING,
    Control,
    Fit,
    GateChoice,
    Models,
    choose_gate,
    fit_gate,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Columns = dict[str, NDArray[Any]]

#: parts of a calibration's relative uncertainty that are independent of each other: a curve has up
#: to three parameters.
COMMON_U = ("common_u_1", "common_u_2", "common_u_3", "common_u_4")

UNSERVED = {
    "gate_in": np.nan,
    "feeder_pct": np.nan,
    "achieved_rate_lb_per_lane_mile": np.nan,
    "rate_to_set_lb_per_lane_mile": np.nan,
    "own_rate_lb_per_lane_mile": np.nan,
    "most_lb_per_min": np.nan,
    "lb_per_count": np.nan,
    "common_u_1": UNTESTED_RELATIVE_U,
    "common_u_2": 0.0,
    "common_u_3": 0.0,
    "common_u_4": 0.0,
    "relative_run_u": 0.0,
    "dof": np.inf,
    "modelled": False,
    "short": False,
    "excess": False,
    "extrapolated": False,
    "closed_loop": False,
    "tested_lo_pct": np.nan,
    "tested_hi_pct": np.nan,
    "truck_gate_in": np.nan,
    "too_uncertain": False,
    "doubt": np.nan,
    "doubt_at_pct": np.nan,
}
"""What `served` finds out of a row, with the value for rows that it cannot serve. Most of it is for
the steps to come and in no result."""


def controls_of(trucks: pd.DataFrame) -> dict[str, Control]:
    """How each truck's feeder is controlled."""
    return {
        str(truck.truck_id): Control(
            truck.control == "closed_loop",
            float(truck.min_feeder_pct),
            float(truck.max_feeder_pct),
            float(truck.control_step_pct),
        )
        for truck in lines(trucks)
    }


def models_by_truck(
    models: Models, controls: dict[str, Control]
) -> dict[tuple[str, str], list[DischargeModel]]:
    """The usable models of each truck and material, by gate from small to large.

    A closed loop cannot hold a rate without its mass per count, so a test without counts is none.
    """
    grouped: dict[tuple[str, str], list[DischargeModel]] = defaultdict(list)
    for truck, material, gate in sorted(models):
        model = models[truck, material, gate]
        if truck in controls and not (controls[truck].closed_loop and np.isnan(model.lb_per_count)):
            grouped[truck, material].append(model)
    return dict(grouped)


def with_settings(rows: pd.DataFrame, trucks: pd.DataFrame, models: Models) -> pd.DataFrame:
    """What gate and feeder output each row gets, and what comes of it.

    Parameters
    ----------
    rows : as `target_rows` returns them, shape (n,), and voided_by: not "" where the truck's tests
        no longer count.

    Returns
    -------
    DataFrame on the same index with the columns of `UNSERVED`. ``most_lb_per_min`` is the
    discharge at the highest feeder output; `COMMON_U` the relative standard uncertainty of the
    calibration in independent parts, each common to all that the truck spreads with that material
    and gate; ``relative_run_u`` that of one run. Rows without a rate above 0 or without a tested
    truck keep the defaults, but for ``closed_loop``: how a truck is controlled does not depend on
    what it does. So do rows that cannot be served at the gate of their run, and rows whose
    setting would be ``too_uncertain`` to be used; ``truck_gate_in`` says where the gate stands, and
    ``doubt`` (relative, 95 %) at the output ``doubt_at_pct`` how uncertain.
    ``rate_to_set_lb_per_lane_mile`` is what a closed loop is set to; ``own_rate_lb_per_lane_mile``
    what a setting for this row alone would give: what the row gets differs where it was joined to
    its neighbours, see `fewest_changes`.
    """
    out = {name: np.full(len(rows), value) for name, value in UNSERVED.items()}
    controls = controls_of(trucks)
    known = models_by_truck(models, controls)
    closed = [truck for truck, control in controls.items() if control.closed_loop]
    out["closed_loop"] = rows["truck_id"].isin(closed).to_numpy()
    wanted = (rows["target_rate_lb_per_lane_mile"] > 0) & (rows["truck_id"] != "")
    wanted &= rows["voided_by"] == ""
    arrays = {
        name: rows[name].to_numpy()
        for name in (
            "discharge_lb_per_min",
            "cap_lb_per_lane_mile",
            "lanes_per_pass",
            "speed_mph",
            "lane_miles",
            "length_mi",
            "area_id",
            "target_rate_lb_per_lane_mile",
            "run",
            "material",
        )
    }
    # a run has one gate: what was not tested with a material cannot be chosen
    tested = pd.MultiIndex.from_frame(rows[["truck_id", "material"]]).isin(list(known))
    for (truck,), some in places(rows.loc[wanted & tested, ["truck_id"]], ["truck_id"]).items():
        at = np.flatnonzero(wanted & tested)[some]
        _serve_truck(
            out,
            at,
            {name: values[at] for name, values in arrays.items()},
            controls[truck],
            {material: models for (one, material), models in known.items() if one == truck},
        )
    return pd.DataFrame(out, index=rows.index)


def _serve_truck(
    out: Columns,
    at: Ints,
    row: Columns,
    control: Control,
    models: dict[str, list[DischargeModel]],
) -> None:
    """Fill in the rows ``at`` of one truck; ``models`` by material."""
    row["per_rate"] = row["lanes_per_pass"] * row["speed_mph"] / 60.0
    need, cap = row["discharge_lb_per_min"], row["cap_lb_per_lane_mile"] * row["per_rate"]
    of_material = {name: np.flatnonzero(row["material"] == name) for name in models}
    gates = sorted({model.gate_in for some in models.values() for model in some})
    served: list[dict[str, tuple[DischargeModel, Fit]]] = []
    for gate in gates:
        served.append(
            {
                name: (model, fit_gate(model, control, need[rows], cap[rows]))
                for name, rows in of_material.items()
                if len(rows)
                for model in models[name]
                if model.gate_in == gate
            }
        )
    choices = [_choice(one, of_material, control, need) for one in served]
    gate_of = _gate_by_run(choices, control, row)
    for best in np.unique(gate_of):
        out["truck_gate_in"][at[gate_of == best]] = gates[best]
        for name, (model, fit) in served[best].items():
            # of the rows of the material those of this gate, and their places in its fit
            of = np.flatnonzero(gate_of[of_material[name]] == best)
            rows = of_material[name][of]
            here = {column: values[rows] for column, values in row.items()}
            _set_rows(out, at[rows], here, control, model, fit.rows(of))


def _gate_by_run(choices: list[GateChoice], control: Control, row: Columns) -> Ints:
    """The gate of each row as place in ``choices``: that of the truck, as far as it serves.

    The gate is set in the yard before the storm and stays: moved, it voids the calibration, and the
    driver cannot leave the cab. Only a run that it leaves lane-miles without their rate gets
    another, if another leaves fewer: moved and measured in the yard before the run.
    """
    need, miles = row["discharge_lb_per_min"], row["lane_miles"]
    gate = np.full(len(need), choose_gate(choices, control, need, miles))
    main = choices[gate[0]]
    for run in np.unique(row["run"][main.unable]):
        mine = np.flatnonzero(row["run"] == run)
        missed = [float((one.unable * miles)[mine].sum()) for one in choices]
        if min(missed) < missed[gate[mine[0]]] - ROUNDING:
            own = [one.rows(mine) for one in choices]
            gate[mine] = choose_gate(own, control, need[mine], miles[mine])
    return gate


def _set_rows(
    out: Columns, at: Ints, row: Columns, control: Control, model: DischargeModel, fit: Fit
) -> None:
    """The settings of rows that one model serves, run by run."""
    feeder, discharge = fit.feeder_pct.copy(), fit.discharge.copy()
    own = discharge / row["per_rate"]
    rate = row["target_rate_lb_per_lane_mile"].astype(float)
    # a row that is not to be served asks for no setting
    of = np.flatnonzero(~how_known(model, control, feeder).too_uncertain)
    for some in _runs_of(row["run"][of]):
        mine = of[some]
        if control.closed_loop:
            rate[mine] = _rates_to_set(row, mine)
        else:
            along = _along(row, mine, fit.low[mine], fit.high[mine], row["discharge_lb_per_min"])
            places = fewest_changes(along, fit.grid_discharge)
            feeder[mine], discharge[mine] = fit.grid_pct[places], fit.grid_discharge[places]
    if control.closed_loop:
        moved = rate != row["target_rate_lb_per_lane_mile"]
        if moved.any():
            nothing = np.full(len(rate), np.inf)
            again = fit_gate(model, control, rate * row["per_rate"], nothing)
            feeder = np.where(moved, again.feeder_pct, feeder)
            discharge = np.where(moved, again.discharge, discharge)
    known = how_known(model, control, feeder)
    _fill_in(out, at, fit, feeder, discharge / row["per_rate"], known)
    use = at[~known.too_uncertain]
    out["own_rate_lb_per_lane_mile"][use] = own[~known.too_uncertain]
    if control.closed_loop:
        out["rate_to_set_lb_per_lane_mile"][use] = rate[~known.too_uncertain]


def _runs_of(run: Ints) -> list[Ints]:
    """Places of the rows of each run, in order."""
    order = np.argsort(run, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(run[order])) + 1) if len(run) else []


def _along(row: Columns, mine: Ints, low: Ints, high: Ints, need: Floats) -> Along:
    return Along(
        low=low,
        high=high,
        need=need[mine],
        miles=row["length_mi"][mine],
        minutes=60.0 * row["length_mi"][mine] / row["speed_mph"][mine],
        lane_miles=row["lane_miles"][mine],
        sensitive=row["area_id"][mine] != "",
    )


def _rates_to_set(row: Columns, mine: Ints) -> Floats:
    """What a closed loop is set to along one run: rates that the run asks for, seldom changed."""
    need = row["target_rate_lb_per_lane_mile"]
    most = np.minimum(need * (1.0 + NEAR_ENOUGH), row["cap_lb_per_lane_mile"])[mine]
    rates = np.unique(need[mine])
    low = np.searchsorted(rates, need[mine] * (1.0 - NEAR_ENOUGH) * (1.0 - ROUNDING), side="left")
    high = np.searchsorted(rates, most * (1.0 + ROUNDING), side="right") - 1
    along = _along(row, mine, low, np.maximum(high, low), need)
    return rates[fewest_changes(along, rates)]


def _choice(
    served: dict[str, tuple[DischargeModel, Fit]],
    of_material: dict[str, Ints],
    control: Control,
    need: Floats,
) -> GateChoice:
    """How one gate serves all rows of a truck; a material that was not tested at it is not."""
    unable, extrapolated = np.ones(len(need), dtype=bool), np.zeros(len(need), dtype=bool)
    discharge, feeder = need.copy(), np.full(len(need), control.middle_pct)
    for name, (model, fit) in served.items():
        rows = of_material[name]
        doubtful = how_known(model, control, fit.feeder_pct).too_uncertain
        unable[rows] = fit.short | fit.excess | doubtful
        extrapolated[rows] = fit.extrapolated
        discharge[rows], feeder[rows] = fit.discharge, fit.feeder_pct
    return GateChoice(unable, extrapolated, discharge, feeder)


@dataclass(frozen=True)
class Known:
    """How sure a model is at some feeder outputs: parts of shape (4, n), the others (n,)."""

    model: DischargeModel
    parts: Floats
    doubt: Floats
    extrapolated: Bools

    @property
    def too_uncertain(self) -> Bools:
        """Whether a setting is known no better than that of a truck without any test."""
        return self.doubt >= UNTESTED_95


def how_known(model: DischargeModel, control: Control, feeder: Floats) -> Known:
    """How sure a model is at feeder outputs, percent, shape (n,)."""
    predicted = model.predict(feeder)
    parts = _common_parts(model, control, feeder, predicted.discharge_lb_per_min)
    relative_u = np.sqrt((parts**2).sum(axis=0))
    doubt = run_uncertainty(relative_u, model.repeatability, model.relative_dof)
    # where nothing comes out there is no mass to be uncertain of: the row is short
    doubt = np.where(np.asarray(predicted.discharge_lb_per_min) > 0.0, doubt, 0.0)
    return Known(model, parts, doubt, np.asarray(predicted.extrapolated))


def _fill_in(
    out: Columns, where: Ints, fit: Fit, feeder: Floats, rate: Floats, known: Known
) -> None:
    """The columns of the rows that a model serves; of those it must not, only how doubtful."""
    doubtful = known.too_uncertain
    out["too_uncertain"][where] = doubtful
    out["doubt"][where], out["doubt_at_pct"][where] = known.doubt, feeder
    use, good = where[~doubtful], ~doubtful
    model = known.model
    for name, values in {
        "feeder_pct": feeder,
        "achieved_rate_lb_per_lane_mile": rate,
        "short": fit.short,
        "excess": fit.excess,
        "extrapolated": known.extrapolated,
        **dict(zip(COMMON_U, known.parts, strict=True)),
    }.items():
        out[name][use] = values[good]
    for name, value in {
        "gate_in": fit.gate_in,
        "most_lb_per_min": fit.max_discharge,
        "modelled": True,
        "relative_run_u": model.repeatability,
        "dof": model.relative_dof,
        "lb_per_count": model.lb_per_count,
        "tested_lo_pct": model.tested_lo_pct,
        "tested_hi_pct": model.tested_hi_pct,
    }.items():
        out[name][use] = value


def _common_parts(
    model: DischargeModel, control: Control, feeder: Floats, discharge: Floats
) -> Floats:
    """Relative uncertainty of the calibration in independent parts, shape (4, n).

    What an open loop gives depends on its curve: with a covariance V = A A', discharge varies by
    gradient x A, each column independent of the others. A closed loop depends on its mass per
    count. The last part is the day's: a storm is on another than the tests; beyond the tested
    outputs the feeder may have stopped rising besides.
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
            parts[3] = model.curve.form_u(feeder) / np.asarray(discharge)
    parts[3] = np.hypot(parts[3], model.day_sd)
    unknown = ~np.isfinite(parts).all(axis=0)
    parts[:, unknown] = 0.0
    parts[0, unknown] = UNTESTED_RELATIVE_U
    return parts
