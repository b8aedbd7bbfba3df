"""Results of the discharge tests: mass, discharge and mass per count, each with its uncertainty.

Fixed units: mass lb, time s, discharge lb/min.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from spreadplan.calibration.assumptions import STOPWATCH_U_S
from spreadplan.calibration.fit import FloatArray
from spreadplan.calibration.trucks import TruckLimits
from spreadplan.calibration.validity import reasons_not_to_count, warnings_about
from spreadplan.schema.policy import Policy

COUNT_U = 1.0 / np.sqrt(6.0)
"""Standard uncertainty of a sensor count, read at start and stop, each to one count."""


def discharge_results(
    tests: pd.DataFrame,
    weighed: pd.DataFrame,
    trucks: Mapping[str, TruckLimits],
    changes: pd.DataFrame,
    policy: Policy,
    as_of: pd.Timestamp,
) -> pd.DataFrame:
    """One row per discharge test, in the order of ``tests``.

    Parameters
    ----------
    tests : the discharge tests, duration_s > 0.
    weighed : mass of each test, as `weighing.weigh` returns it.
    trucks : by truck_id.
    changes : truck_id, changed_at, what.
    policy : with calibration_max_age_days.
    as_of : the moment for which tests are judged.

    Returns
    -------
    test_id, truck_id, material, gate_in, feeder_pct, net_lb, net_u_lb, duration_s,
    discharge_lb_per_min, discharge_u_lb_per_min, lb_per_count, lb_per_count_u (NaN unless closed
    loop with counts), valid, reason; then u_timing_lb_per_min, u_scale_lb_per_min,
    u_fill_lb_per_min (the parts of the discharge's uncertainty), warnings, performed_at,
    sensor_counts, method, containers, division_lb, voided, performed_by.

    Source: q = 60 m / t, u(q)**2 = (60 u(m) / t)**2 + (q u(t) / t)**2: JCGM 100:2008, 5.1.2.
    """
    tests = tests.reset_index(drop=True)
    own = weighed.reindex(tests["test_id"]).reset_index(drop=True)
    duration_s = tests["duration_s"].to_numpy(dtype=float)
    stated_u_s = tests["duration_u_s"].to_numpy(dtype=float)
    duration_u_s = np.where(np.isnan(stated_u_s), STOPWATCH_U_S, stated_u_s)
    net_lb = own["net_lb"].to_numpy(dtype=float)
    net_u_lb = own["net_u_lb"].to_numpy(dtype=float)
    per_minute = 60.0 / duration_s
    u_timing = np.abs(net_lb) * per_minute * duration_u_s / duration_s
    counts = _counts(tests, trucks)
    lb_per_count = net_lb / counts

    results = tests[["test_id", "truck_id", "material", "gate_in", "feeder_pct"]].assign(
        net_lb=net_lb,
        net_u_lb=net_u_lb,
        duration_s=duration_s,
        discharge_lb_per_min=net_lb * per_minute,
        discharge_u_lb_per_min=np.hypot(net_u_lb * per_minute, u_timing),
        lb_per_count=lb_per_count,
        lb_per_count_u=np.hypot(net_u_lb / counts, lb_per_count * COUNT_U / counts),
    )
    reason = reasons_not_to_count(tests, own["net_lb"], trucks, changes, policy, as_of)
    valid = reason.map(len) == 0
    assumed = own["division_assumed"].eq(True)
    return results.assign(
        valid=valid,
        reason=reason,
        u_timing_lb_per_min=u_timing,
        u_scale_lb_per_min=own["u_scale_lb"].to_numpy(dtype=float) * per_minute,
        u_fill_lb_per_min=own["u_fill_lb"].to_numpy(dtype=float) * per_minute,
        warnings=warnings_about(tests, assumed, valid, trucks, changes, as_of),
        performed_at=tests["performed_at"],
        sensor_counts=counts,
        method=own["method"].fillna(""),
        containers=own["containers"].fillna(0).astype(int),
        division_lb=own["division_lb"],
        voided=tests["voided_by"] != "",
        performed_by=tests["performed_by"],
    )


def _counts(tests: pd.DataFrame, trucks: Mapping[str, TruckLimits]) -> FloatArray:
    """Sensor counts of closed-loop tests; NaN elsewhere and where nothing was counted."""
    closed_loop = np.array([trucks[truck_id].closed_loop for truck_id in tests["truck_id"]], bool)
    counts = tests["sensor_counts"].to_numpy(dtype=float)
    return np.where(closed_loop & (counts > 0.0), counts, np.nan)
