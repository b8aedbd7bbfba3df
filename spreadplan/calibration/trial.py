"""A discharge test while it is being recorded: what it gives so far, and whether that will do."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from spreadplan.calibration.advice import (
    MEASUREMENT_SHARE,
    RunPlan,
    latest_weighing,
    plan_run,
)
from spreadplan.calibration.comparison import QUESTIONED, compare_run
from spreadplan.calibration.models import DischargeModel, ModelKey
from spreadplan.calibration.tests import discharge_results
from spreadplan.calibration.trucks import TruckLimits
from spreadplan.calibration.weighing import weigh
from spreadplan.remarks import Remark
from spreadplan.schema.policy import Policy


@dataclass(frozen=True)
class RunTrial:
    """One run as it stands.

    result : its row of `tests.discharge_results`, as a mapping.
    measured_pct : 95 % uncertainty of weighing and timing, percent of the discharge (of the mass
        per count where a closed loop was counted).
    allowed_pct : how large that may be, so that it does not dominate the policy's target.
    advised : the run that would be fine enough, None while there is no discharge yet.
    odd : what does not fit what is known of the truck, see `comparison.compare_run`.
    """

    result: Mapping[str, object]
    measured_pct: float
    allowed_pct: float
    advised: RunPlan | None
    odd: tuple[Remark, ...] = ()

    @property
    def fine_enough(self) -> bool:
        """Whether weighing and timing are no more than their share."""
        return self.measured_pct <= self.allowed_pct

    @property
    def questions(self) -> tuple[Remark, ...]:
        """Those of ``odd`` that need a second look before the run is recorded."""
        return tuple(one for one in self.odd if one.code in QUESTIONED)

    @property
    def notes(self) -> tuple[Remark, ...]:
        """The others."""
        return tuple(one for one in self.odd if one.code not in QUESTIONED)


def try_run(
    test: pd.DataFrame,
    weighings: pd.DataFrame,
    trucks: Mapping[str, TruckLimits],
    changes: pd.DataFrame,
    policy: Policy,
    target_pct: float,
    results: pd.DataFrame,
    models: Mapping[ModelKey, DischargeModel],
) -> RunTrial:
    """Judge one run before it is recorded.

    Parameters
    ----------
    test : one row with the columns of `discharge_tests.csv`, duration_s > 0.
    weighings : those of the test, as `weighing.weigh` takes them.
    trucks : limits by truck_id, with that of the test.
    changes, policy : as `tests.discharge_results` takes them.
    target_pct : the policy's target for the 95 % uncertainty of a calibration, percent.
    results, models : the fleet's earlier tests (as `tests.discharge_results` returns them) and
        calibrations, which the run is held against.

    Returns
    -------
    RunTrial. ``measured_pct`` is NaN while there is no discharge yet.
    """
    alone = discharge_results(
        test, weigh(weighings), trucks, changes, policy, test["performed_at"].iloc[0]
    )
    row = alone.iloc[0]
    counted = bool(np.isfinite(row["lb_per_count"]))
    value, u = (
        (row["lb_per_count"], row["lb_per_count_u"])
        if counted
        else (row["discharge_lb_per_min"], row["discharge_u_lb_per_min"])
    )
    allowed_pct = float(np.sqrt(MEASUREMENT_SHARE)) * target_pct
    discharge = float(row["discharge_lb_per_min"])
    advised = None
    if discharge > 0.0:
        advised = plan_run(
            discharge,
            latest_weighing(alone),
            trucks[str(row["truck_id"])].capacity_lb,
            allowed_pct / 200.0,  # a 95 % half-width is about two standard uncertainties
            timed=not counted,
        )
    measured_pct = 200.0 * float(u / value) if value > 0.0 else float("nan")
    run = {str(name): value for name, value in row.items()}
    truck = trucks[str(row["truck_id"])]
    odd = compare_run(run, weighings, results, models, truck)
    return RunTrial(run, measured_pct, allowed_pct, advised, odd)
