"""Uncertainty budget of one calibration: what makes it uncertain, and by how much."""

import numpy as np
import pandas as pd

from spreadplan.calibration.curve import is_dry, run_sd
from spreadplan.calibration.fit import FloatArray
from spreadplan.calibration.models import DischargeModel
from spreadplan.calibration.tests import COUNT_U

SCALE = "scale"
FILLING = "container filling"
TIMING = "timing"
COUNTING = "sensor counts"
REPEATABILITY = "run-to-run repeatability"
DAY = "day to day"
FORM = "start-up and form of the curve"
DEPENDENCE = "dependence on feeder output"


def uncertainty_budget(
    model: DischargeModel, results: pd.DataFrame, feeder_pct: float | None = None
) -> pd.DataFrame:
    """Split the uncertainty of a calibration into its sources.

    Parameters
    ----------
    model : its calibration is the mass per count if it has one, else the discharge.
    results : as `tests.discharge_results` returns it, holding the model's tests.
    feeder_pct : output at which to look, percent, above the start-up; None: the middle of the
        tested outputs at which material flows.

    Returns
    -------
    source, standard_u_pct (relative to the calibrated value), share_pct (of the variance; sums to
    100). The root sum of squares of standard_u_pct is the combined standard uncertainty.

    Source: law of propagation, JCGM 100:2008, 5.1.2.
    """
    output = np.asarray(model.middle_pct if feeder_pct is None else feeder_pct, dtype=float)
    tests = results.set_index("test_id").loc[list(model.test_ids)]
    if model.counts is not None:
        variances = _count_variances(model, tests, output)
    else:
        variances = _discharge_variances(model, tests, output)
    share = np.array(list(variances.values()))
    return pd.DataFrame(
        {
            "source": list(variances),
            "standard_u_pct": 100.0 * np.sqrt(share),
            "share_pct": 100.0 * share / share.sum(),
        }
    )


def _column(tests: pd.DataFrame, name: str) -> FloatArray:
    return tests[name].to_numpy(dtype=float)


def _discharge_variances(
    model: DischargeModel, tests: pd.DataFrame, feeder_pct: FloatArray
) -> dict[str, float]:
    """Relative variances of the predicted discharge by source."""
    curve = model.curve
    dry = is_dry(
        _column(tests, "feeder_pct"),
        _column(tests, "discharge_lb_per_min"),
        _column(tests, "discharge_u_lb_per_min"),
    )
    tests = tests[~dry]
    output = _column(tests, "feeder_pct")
    fitted = curve.discharge(output)
    sd = run_sd(_column(tests, "discharge_u_lb_per_min"), fitted, curve.usual)
    design = curve.gradient(output)
    startup_sd = np.array([])
    if not np.isnan(curve.startup_pct):
        startup = curve.gradient(np.asarray(curve.startup_pct))
        design = np.vstack([design, startup])
        startup_sd = np.array([curve.slope * curve.form.startup_u_pct / np.sqrt(curve.scale)])
    weight = 1.0 / np.concatenate([sd, startup_sd]) ** 2
    normal = design.T @ (design * weight[:, None])
    effect = curve.gradient(feeder_pct) @ np.linalg.solve(normal, design.T * weight)
    of_tests = curve.scale * effect[: len(sd)] ** 2

    scale = float(of_tests @ _column(tests, "u_scale_lb_per_min") ** 2)
    filling = float(of_tests @ _column(tests, "u_fill_lb_per_min") ** 2)
    timing = float(of_tests @ _column(tests, "u_timing_lb_per_min") ** 2)
    readings = float(of_tests @ sd**2)
    total = float(curve.discharge_u(feeder_pct)) ** 2
    value = float(curve.discharge(feeder_pct)) ** 2
    return {
        SCALE: scale / value,
        FILLING: filling / value,
        TIMING: timing / value,
        REPEATABILITY: max(readings - scale - filling - timing, 0.0) / value,
        DAY: curve.day_u**2,
        FORM: max((total - readings) / value - curve.day_u**2, 0.0),
    }


def _count_variances(
    model: DischargeModel, tests: pd.DataFrame, feeder_pct: FloatArray
) -> dict[str, float]:
    """Relative variances of the mass per count by source."""
    counts = model.counts
    assert counts is not None
    tests = tests[(tests["sensor_counts"] > 0.0) & (tests["net_lb"] > 0.0)]
    number = _column(tests, "sensor_counts")
    fitted_lb = counts.lb_per_count * number
    sd_lb = run_sd(_column(tests, "lb_per_count_u") * number, fitted_lb, counts.usual)
    weight = number / sd_lb**2
    of_tests = counts.scale * (weight / (weight @ number)) ** 2
    minutes = _column(tests, "duration_s") / 60.0

    scale = float(of_tests @ (_column(tests, "u_scale_lb_per_min") * minutes) ** 2)
    filling = float(of_tests @ (_column(tests, "u_fill_lb_per_min") * minutes) ** 2)
    counting = float(np.sum(of_tests) * (counts.lb_per_count * COUNT_U) ** 2)
    readings = float(of_tests @ sd_lb**2)
    value = counts.lb_per_count**2
    total = float(counts.relative_u(feeder_pct)) ** 2
    return {
        SCALE: scale / value,
        FILLING: filling / value,
        COUNTING: counting / value,
        REPEATABILITY: max(readings - scale - filling - counting, 0.0) / value,
        DAY: counts.day_u**2,
        DEPENDENCE: max(total - readings / value - counts.day_u**2, 0.0),
    }
