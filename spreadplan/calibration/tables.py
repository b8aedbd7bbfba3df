"""Tables of the fitted models, for files and reports."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from spreadplan.calibration.models import (
    DischargeModel,
    GateInterpolation,
    ModelKey,
    between_gates,
)
from spreadplan.calibration.trucks import TruckLimits
from spreadplan.schema.results import RESULTS

OUTPUT_STEP_PCT = 5.0


def discharge_table(
    models: Mapping[ModelKey, DischargeModel], trucks: Mapping[str, TruckLimits]
) -> pd.DataFrame:
    """Discharge against feeder output for every tested gate and every gate between tested ones.

    Parameters
    ----------
    models : by (truck_id, material, gate_in).
    trucks : by truck_id.

    Returns
    -------
    truck_id, material, gate_in, feeder_pct, discharge_lb_per_min, discharge_u_lb_per_min
    (standard uncertainty), extrapolated (outside the tested outputs), then basis ("tested gate" or
    "between gates") and the 95 % interval discharge_lo_lb_per_min, discharge_hi_lb_per_min.
    """
    parts = []
    for truck_id, material in sorted({(truck_id, what) for truck_id, what, _ in models}):
        tested = {gate for one, what, gate in models if (one, what) == (truck_id, material)}
        truck = trucks[truck_id]
        for gate_in in sorted(tested | set(truck.gates_in)):
            predictor = between_gates(models, truck_id, material, gate_in)
            if predictor is not None:
                parts.append(_rows_of_gate(truck_id, material, predictor, truck))
    return pd.concat(parts, ignore_index=True) if parts else _no_rows()


def _rows_of_gate(
    truck_id: str, material: str, predictor: DischargeModel | GateInterpolation, truck: TruckLimits
) -> pd.DataFrame:
    grid = np.arange(OUTPUT_STEP_PCT, 100.0 + OUTPUT_STEP_PCT / 2.0, OUTPUT_STEP_PCT)
    output = grid[(grid >= truck.min_feeder_pct) & (grid <= truck.max_feeder_pct)]
    if isinstance(predictor, DischargeModel):
        output = np.union1d(output, predictor.tested_pct)
    found = predictor.predict(output)
    lower, upper = predictor.interval(output)
    return pd.DataFrame(
        {
            "truck_id": truck_id,
            "material": material,
            "gate_in": predictor.gate_in,
            "feeder_pct": output,
            "discharge_lb_per_min": found.discharge_lb_per_min,
            "discharge_u_lb_per_min": found.discharge_u_lb_per_min,
            "extrapolated": found.extrapolated,
            "basis": ("tested gate" if isinstance(predictor, DischargeModel) else "between gates"),
            "discharge_lo_lb_per_min": lower,
            "discharge_hi_lb_per_min": upper,
        }
    )


def _no_rows() -> pd.DataFrame:
    """The table of no model at all: its columns, with their types."""
    kinds = {"id": "str", "text": "str", "material": "str", "flag": "bool"}
    return pd.DataFrame(
        {
            column.name: pd.Series(dtype=kinds.get(column.kind, "float64"))
            for column in RESULTS["discharge"].columns
        }
    )


def models_table(models: Mapping[ModelKey, DischargeModel]) -> pd.DataFrame:
    """One row per model, as ``models`` in `spreadplan.schema.results`.

    Columns with ``_u`` are standard uncertainties; relative_u_pct is that of the predicted
    discharge (open loop) or of the mass per count (closed loop) at the middle of the tested
    outputs; tests lists the test_ids used, joined by ";".
    """
    return pd.DataFrame(
        [_model_row(model) for model in models.values()], columns=RESULTS["models"].names
    )


def _model_row(model: DischargeModel) -> dict[str, object]:
    standard_u = np.sqrt(np.diag(model.covariance))
    saturates = model.kind == "saturating"
    return {
        "truck_id": model.truck_id,
        "material": model.material,
        "gate_in": model.gate_in,
        "control": model.control,
        "kind": model.kind,
        "slope_lb_per_min_per_pct": model.curve.slope,
        "slope_u_lb_per_min_per_pct": standard_u[0],
        "start_pct": model.curve.start_pct,
        "start_u_pct": standard_u[1],
        "saturation_pct": model.curve.saturation_pct if saturates else np.nan,
        "saturation_u_pct": standard_u[2] if saturates else np.nan,
        "lb_per_count": model.lb_per_count,
        "lb_per_count_u": model.lb_per_count_u,
        "count_kind": model.count_kind,
        "count_trend_p": model.count_trend_p,
        "tested_lo_pct": model.tested_lo_pct,
        "tested_hi_pct": model.tested_hi_pct,
        "tests": ";".join(model.test_ids),
        "dof": model.dof,
        "scale": model.scale,
        "repeatability_pct": 100.0 * model.repeatability,
        "relative_u_pct": 100.0 * float(model.relative_u(model.middle_pct)),
        "flags": model.flags,
        "choice": model.choice,
    }
