"""What to test next: at which output, how long, how often, to reach the policy's target.

Fixed units: feeder output percent, discharge lb/min, mass lb, time s.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from spreadplan.calibration.assumptions import (
    CLOSED_LOOP_OUTPUT_PCT,
    CONTAINER_NET_LB,
    MAX_FURTHER_RUNS,
    MAX_RUN_S,
    SHORT_RUN_S,
    STOPWATCH_U_S,
)
from spreadplan.calibration.budget import uncertainty_budget
from spreadplan.calibration.curve import CONTRADICTION
from spreadplan.calibration.fit import FloatArray
from spreadplan.calibration.models import DischargeModel, ModelKey
from spreadplan.calibration.standing import Standing, working_outputs
from spreadplan.calibration.trucks import Truck
from spreadplan.metrology import coverage_factor
from spreadplan.schema.results import RESULTS

RUN_STEP_S = 10.0
MEASUREMENT_SHARE = 1.0 / 3.0
"""Part of the target's variance that weighing and timing of one run may take up."""


@dataclass(frozen=True)
class FurtherRuns:
    """Further runs and what they should achieve.

    outputs_pct : feeder output of each run.
    reached_pct : expected 95 % uncertainty after them, percent of the value.
    """

    outputs_pct: tuple[float, ...]
    reached_pct: float


@dataclass(frozen=True)
class RunPlan:
    """How to measure one run.

    run_s : how long to run; containers : how many the catch fills (0: not in containers);
    method : of weighing; fine_enough : weighing and timing then take no more than their share.
    """

    run_s: float
    containers: int
    method: str
    fine_enough: bool


def advise(
    models: Mapping[ModelKey, DischargeModel],
    standings: Mapping[ModelKey, Standing],
    results: pd.DataFrame,
    trucks: Mapping[str, Truck],
    assignments: pd.DataFrame,
    materials: pd.DataFrame,
    target_pct: float,
) -> pd.DataFrame:
    """Say for each calibration whether it is good enough and, if not, what to do.

    Parameters
    ----------
    models, standings : by (truck_id, material, gate_in).
    results : as `tests.discharge_results` returns it.
    trucks : by truck_id.
    assignments : truck_id, material of the routes: each pair needs a valid test.
    materials : material, kind.
    target_pct : the policy's target for the 95 % uncertainty of a calibration, percent.

    Returns
    -------
    One row per assigned truck and material without a valid test
    (gate_in NaN), then one per model. standing is a `standing.Level`, or "untested". need is "test"
    or "ok"; current_u_pct is the 95 % relative uncertainty at the worst point of the working range;
    cause is the largest term of the budget there.
    """
    liquids = set(materials.loc[materials["kind"] == "liquid", "material"])
    covered = {key[:2] for key in models}
    wanted = sorted(
        set(
            zip(
                assignments["truck_id"].astype(str),
                assignments["material"].astype(str),
                strict=True,
            )
        )
    )
    rows = [
        _untested(truck_id, material, results, trucks[truck_id], liquids, target_pct)
        for truck_id, material in wanted
        if (truck_id, material) not in covered
    ]
    rows += [
        _tested(model, standings[key], results, trucks[model.truck_id], target_pct)
        for key, model in models.items()
    ]
    return pd.DataFrame(rows, columns=RESULTS["advice"].names)


def _untested(
    truck_id: str,
    material: str,
    results: pd.DataFrame,
    truck: Truck,
    liquids: set[str],
    target_pct: float,
) -> dict[str, object]:
    own = results[(results["truck_id"] == truck_id) & (results["material"] == material)]
    if material in liquids:
        where = "over the pump's range"
    elif len(truck.gates_in) > 1:
        where = (
            "at each gate position in use (" + ", ".join(f"{g:g}" for g in truck.gates_in) + " in)"
        )
    else:
        where = "at the gate position in use"
    if len(own) == 0:
        why = "Never tested"
    elif own["valid"].any():
        why = "Its valid tests delivered nothing: look at the feeder first"
    else:
        reasons = Counter(own["reason"]).most_common(1)[0][0]
        why = f"No test counts any more ({reasons})"
    return {
        "truck_id": truck_id,
        "material": material,
        "gate_in": np.nan,
        "standing": "untested",
        "need": "test",
        "current_u_pct": np.nan,
        "target_pct": target_pct,
        "advice": f"{why}: run discharge tests with {material} {where}.",
        "cause": "no valid test",
        "further_runs": np.nan,
        "reached_pct": np.nan,
    }


def _tested(
    model: DischargeModel,
    standing: Standing,
    results: pd.DataFrame,
    truck: Truck,
    target_pct: float,
) -> dict[str, object]:
    outputs = working_outputs(model, truck)
    relative = coverage_factor(model.relative_dof) * model.relative_u(outputs)
    worst = int(np.argmax(relative))
    current_pct = 100.0 * float(relative[worst])
    budget = uncertainty_budget(model, results, float(outputs[worst]))
    cause = str(budget["source"].iloc[int(np.argmax(budget["share_pct"]))])
    row: dict[str, object] = {
        "truck_id": model.truck_id,
        "material": model.material,
        "gate_in": model.gate_in,
        "standing": standing.level,
        "need": "test",
        "current_u_pct": current_pct,
        "target_pct": target_pct,
        "cause": cause,
        "further_runs": np.nan,
        "reached_pct": np.nan,
    }
    against = f"95 % uncertainty {current_pct:.1f} %, target {target_pct:g} %"
    if truck.closed_loop and model.counts is None:
        return row | {
            "advice": "Test again and read the sensor counts: a closed loop goes by them."
        }
    if any(flag.startswith(CONTRADICTION) for flag in model.flags):
        return row | {
            "advice": "The tests contradict each other: look for the cause first (gate, moisture, "
            "oil temperature, weighing), void the wrong test, then repeat it."
        }
    if not current_pct > target_pct:
        return row | {"need": "ok", "advice": f"Good enough: {against}."}
    if model.count_kind == "varies":
        return row | {
            "advice": "Mass per count changes with feeder output: look for slip or air gaps, then "
            f"test again; further runs alone do not cure it ({against})."
        }
    return row | _further_tests(model, results, truck, outputs, target_pct, current_pct)


def _further_tests(
    model: DischargeModel,
    results: pd.DataFrame,
    truck: Truck,
    outputs: FloatArray,
    target_pct: float,
    current_pct: float,
) -> dict[str, object]:
    tests = results.set_index("test_id").loc[list(model.test_ids)]
    # The target is a 95 % half-width: about two standard uncertainties.
    measured_rel = float(np.sqrt(MEASUREMENT_SHARE)) * target_pct / 100.0 / 2.0
    further = (
        _further_count_runs(model, measured_rel, target_pct)
        if model.counts is not None
        else _further_curve_runs(model, outputs, measured_rel, target_pct)
    )
    # Clear of the start-up, whatever output is recommended: an empty catch cannot be planned.
    slowest = max(min(further.outputs_pct), float(outputs[0]))
    plan = plan_run(
        float(model.predict(slowest).discharge_lb_per_min),
        latest_weighing(tests),
        truck.capacity_lb,
        measured_rel,
        timed=model.counts is None,
    )
    if further.reached_pct <= target_pct:
        outcome = (
            f"this should bring the 95 % uncertainty from {current_pct:.1f} % to "
            f"{further.reached_pct:.1f} % (target {target_pct:g} %)."
        )
    else:
        outcome = (
            f"even so about {further.reached_pct:.1f} % of now {current_pct:.1f} % would remain "
            f"(target {target_pct:g} %): run-to-run repeatability of "
            f"{100 * model.repeatability:.1f} % is the limit; look at gate, moisture and oil "
            "temperature."
        )
    return {
        "advice": f"{_runs_text(model, further, plan)}; {outcome}",
        "further_runs": len(further.outputs_pct),
        "reached_pct": further.reached_pct,
    }


def _runs_text(model: DischargeModel, further: FurtherRuns, plan: RunPlan) -> str:
    if model.counts is not None:
        low, high = CLOSED_LOOP_OUTPUT_PCT
        runs = f"{_runs(len(further.outputs_pct))} at {low:g} to {high:g} % output"
    else:
        times = Counter(further.outputs_pct)
        runs = ", ".join(
            f"{_runs(many)} at {pct:.0f} % output" for pct, many in sorted(times.items())
        )
    if plan.containers:
        number = "1 container" if plan.containers == 1 else f"{plan.containers} containers"
        weigh = f"weigh the catch, about {number}, one by one"
    elif plan.method == "vehicle_scale":
        weigh = "weigh the truck before and after each run"
    else:
        weigh = "weigh the whole catch"
    coarse = "" if plan.fine_enough else " (this scale is too coarse for the target: use a finer)"
    return f"Do {runs}, each for at least {plan.run_s:.0f} s, and {weigh}{coarse}"


def _runs(many: int) -> str:
    return "1 more run" if many == 1 else f"{many} more runs"


def _further_count_runs(
    model: DischargeModel, measured_rel: float, target_pct: float
) -> FurtherRuns:
    """Runs at the recommended output until the mass per count is good enough."""
    assert model.counts is not None
    counts = model.counts
    one_run = counts.scale * (counts.usual.relative**2 + measured_rel**2)
    known = (counts.lb_per_count / counts.lb_per_count_u) ** 2
    output = sum(CLOSED_LOOP_OUTPUT_PCT) / 2.0
    for runs in range(1, MAX_FURTHER_RUNS + 1):
        relative = 1.0 / np.sqrt(known + runs / one_run)
        reached_pct = 100.0 * coverage_factor(counts.dof + runs) * float(relative)
        if reached_pct <= target_pct:
            break
    return FurtherRuns((output,) * runs, reached_pct)


def _further_curve_runs(
    model: DischargeModel, outputs: FloatArray, measured_rel: float, target_pct: float
) -> FurtherRuns:
    """Runs, each at the output that shrinks the worst relative uncertainty most."""
    curve = model.curve
    relative = curve.gradient(outputs) / curve.discharge(outputs)[:, None]
    # Few candidates: a technician sets three outputs, not seventeen.
    candidates = np.array([outputs[0], outputs[len(outputs) // 2], outputs[-1]])
    gradient = curve.gradient(candidates)
    # Variance of one new run at each candidate, in the unit of discharge squared.
    one_run_rel = np.hypot(curve.usual.relative, measured_rel)
    run_variance = curve.scale * (one_run_rel * curve.discharge(candidates)) ** 2
    covariance = curve.covariance
    chosen: list[float] = []
    for runs in range(1, MAX_FURTHER_RUNS + 1):
        gain = gradient @ covariance
        informative = run_variance + np.einsum("ij,ij->i", gain, gradient)
        before = np.einsum("ij,jk,ik->i", relative, covariance, relative)
        # after[i, j]: relative variance at output i once a run at candidate j is added.
        after = before[:, None] - (relative @ gain.T) ** 2 / informative
        best = int(np.argmin(after.max(axis=0)))
        chosen.append(float(candidates[best]))
        covariance = covariance - np.outer(gain[best], gain[best]) / informative[best]
        reached_pct = (
            100.0 * coverage_factor(curve.dof + runs) * float(np.sqrt(after[:, best].max()))
        )
        if reached_pct <= target_pct:
            break
    return FurtherRuns(tuple(chosen), reached_pct)


@dataclass(frozen=True)
class _Weighing:
    """How a test was weighed; ``each_lb`` is what one container holds, infinite without."""

    method: str
    division_lb: float
    each_lb: float


def latest_weighing(tests: pd.DataFrame) -> _Weighing:
    """How the last of the tests was weighed: the next one will most likely be weighed alike."""
    method = str(tests["method"].iloc[-1])
    net_lb, containers = float(tests["net_lb"].iloc[-1]), int(tests["containers"].iloc[-1])
    if method not in ("container", "mixed"):
        each_lb = np.inf
    else:
        each_lb = net_lb / containers if net_lb > 0.0 else CONTAINER_NET_LB
    return _Weighing(method, float(tests["division_lb"].iloc[-1]), each_lb)


def plan_run(
    discharge_lb_per_min: float,
    weighing: _Weighing,
    capacity_lb: float,
    measured_rel: float,
    timed: bool,
) -> RunPlan:
    """Shortest run whose weighing (and timing, where it matters) is fine enough.

    Bounded by the longest sensible run and by what the hopper holds.
    """
    longest_s = min(MAX_RUN_S, 60.0 * capacity_lb / discharge_lb_per_min)
    run_s = SHORT_RUN_S
    while True:
        net_lb = discharge_lb_per_min * run_s / 60.0
        containers = max(1, int(np.ceil(net_lb / weighing.each_lb - 1e-9)))
        scale_u_lb = weighing.division_lb * np.sqrt(containers / 6.0)
        timing_rel = STOPWATCH_U_S / run_s if timed else 0.0
        fine_enough = bool(np.hypot(scale_u_lb / net_lb, timing_rel) <= measured_rel)
        if fine_enough or run_s + RUN_STEP_S > longest_s:
            break
        run_s += RUN_STEP_S
    in_containers = weighing.method in ("container", "mixed")
    return RunPlan(run_s, containers if in_containers else 0, weighing.method, fine_enough)
