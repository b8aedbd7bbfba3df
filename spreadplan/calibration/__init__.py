"""Calibration: weighings -> tests -> discharge models -> validity, drift, advice."""

from dataclasses import dataclass

import pandas as pd

from spreadplan.calibration.advice import advise
from spreadplan.calibration.budget import uncertainty_budget
from spreadplan.calibration.drift import drift
from spreadplan.calibration.liquid import LiquidKey, LiquidModel, fit_liquids, liquid_table
from spreadplan.calibration.liquid_tests import (
    LiquidRecords,
    liquid_results,
    no_liquid_records,
)
from spreadplan.calibration.models import (
    DischargeModel,
    GateInterpolation,
    ModelKey,
    Prediction,
    between_gates,
    fit_models,
)
from spreadplan.calibration.standing import Standing, standings
from spreadplan.calibration.tables import discharge_table, models_table
from spreadplan.calibration.tests import discharge_results
from spreadplan.calibration.trucks import trucks_by_id
from spreadplan.calibration.validity import (
    VOIDING_LIQUID_CHANGES,
    TruckWork,
    gates_last_tested,
    next_voiding,
)
from spreadplan.calibration.weighing import weigh
from spreadplan.schema.policy import Policy

__all__ = [
    "Calibration",
    "DischargeModel",
    "GateInterpolation",
    "LiquidModel",
    "LiquidRecords",
    "ModelKey",
    "Prediction",
    "Standing",
    "between_gates",
    "fit_fleet",
    "uncertainty_budget",
]


@dataclass(frozen=True, eq=False, kw_only=True)
class Calibration:
    """Everything that calibration finds out.

    tests : one row per test, see `tests.discharge_results`.
    models : fitted models by (truck_id, material, gate_in).
    models_table : one row per model, see `tables.models_table`.
    discharge : discharge against output, see `tables.discharge_table`.
    liquid_tests, nozzles : one row per test of a liquid circuit, and per nozzle of it, see
        `liquid_tests.liquid_results`.
    liquid : one row per circuit and setting, see `liquid.liquid_table`. liquid_models : by
        (truck_id, material, circuit).
    drift : successive tests compared, see `drift.drift`.
    advice : what to test next, see `advice.advise`.
    standings : what each model may be used for, see `standing.standing_of`.
    gates_last_tested : where each truck's gate stood in its latest test, inches.
    next_voiding, next_liquid_voiding : the first work on a truck, already on record, that will end
        its discharge tests, and those of its liquid circuits.
    as_of : the moment for which tests were judged.
    """

    tests: pd.DataFrame
    models: dict[ModelKey, DischargeModel]
    models_table: pd.DataFrame
    discharge: pd.DataFrame
    drift: pd.DataFrame
    advice: pd.DataFrame
    standings: dict[ModelKey, Standing]
    liquid_tests: pd.DataFrame
    nozzles: pd.DataFrame
    liquid: pd.DataFrame
    liquid_models: dict[LiquidKey, LiquidModel]
    gates_last_tested: dict[str, float]
    next_voiding: dict[str, TruckWork]
    next_liquid_voiding: dict[str, TruckWork]
    as_of: pd.Timestamp


def fit_fleet(
    tests: pd.DataFrame,
    weighings: pd.DataFrame,
    trucks: pd.DataFrame,
    materials: pd.DataFrame,
    changes: pd.DataFrame,
    assignments: pd.DataFrame,
    policy: Policy,
    as_of: pd.Timestamp,
    liquids: LiquidRecords | None = None,
) -> Calibration:
    """Work out the calibration of a fleet as it stands at a moment.

    Parameters
    ----------
    tests, weighings, trucks, materials, changes, assignments : the workspace's tables, with the
        columns of the schema in the package's fixed units (duration_s, gross_lb, gate_in). Changes
        and assignments may be empty.
    policy : calibration_pct (95 % tolerance, percent) and calibration_max_age_days.
    as_of : timezone-aware moment; later tests and changes do not count yet.
    liquids : the tests of liquid circuits; None: there are none.

    Returns
    -------
    Calibration, with a model for each truck, material and gate at which something came out in
    a test that counts.
    """
    fleet = trucks_by_id(trucks)
    results = discharge_results(tests, weigh(weighings), fleet, changes, policy, as_of)
    models = fit_models(results, fleet)
    usual = {key: model.usual for key, model in models.items()}
    day_sd = {key: model.others_day_sd for key, model in models.items()}
    worth = standings(models, fleet, policy.calibration_pct)
    records = liquids or no_liquid_records()
    liquid_tests, nozzles = liquid_results(
        records.tests, records.catches, fleet, changes, policy, as_of
    )
    liquid_models = fit_liquids(liquid_tests)
    return Calibration(
        tests=results,
        models=models,
        models_table=models_table(models),
        discharge=discharge_table(models, fleet),
        drift=drift(results[results["performed_at"] <= as_of], changes, usual, day_sd),
        advice=advise(
            models,
            worth,
            results,
            fleet,
            assignments,
            materials,
            policy.calibration_pct,
            liquid_tests,
        ),
        standings=worth,
        liquid_tests=liquid_tests,
        nozzles=nozzles,
        liquid=liquid_table(liquid_tests, liquid_models),
        liquid_models=liquid_models,
        gates_last_tested=gates_last_tested(results, as_of),
        next_voiding=next_voiding(changes, fleet, as_of),
        next_liquid_voiding=next_voiding(changes, fleet, as_of, VOIDING_LIQUID_CHANGES),
        as_of=as_of,
    )
