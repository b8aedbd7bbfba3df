"""What to test next: at which output, how long, how often, to reach the policy's target.

Fixed units: feeder output percent, discharge lb/min, mass lb, time s.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

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
from spreadplan.calibration.curve import contradicting, with_runs_on_it
from spreadplan.calibration.fit import FloatArray
from spreadplan.calibration.models import DischargeModel, ModelKey
from spreadplan.calibration.standing import Standing, working_outputs
from spreadplan.calibration.trucks import TruckLimits
from spreadplan.metrology import coverage_factor
from spreadplan.remarks import Remark, remark
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

    @property
    def weigh(self) -> Remark:
        """How to weigh what comes out."""
        if self.containers:
            return remark("weigh_containers", containers=self.containers)
        if self.method == "vehicle_scale":
            return remark("weigh_the_truck")
        return remark("weigh_the_catch")


def advise(
    models: Mapping[ModelKey, DischargeModel],
    standings: Mapping[ModelKey, Standing],
    results: pd.DataFrame,
    trucks: Mapping[str, TruckLimits],
    assignments: pd.DataFrame,
    materials: pd.DataFrame,
    target_pct: float,
    liquid_results: pd.DataFrame,
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
    liquid_results : as `liquid_tests.liquid_results` returns it: a liquid needs a test of the boom.

    Returns
    -------
    One row per assigned truck and material without a valid test
    (gate_in NaN), then one per model. standing is a `standing.Level`, or "untested". need is "test"
    or "ok"; current_u_pct is the 95 % relative uncertainty at the worst point of the working range;
    cause is the largest term of the budget there.
    """
    liquids = set(materials.loc[materials["kind"] == "liquid", "material"])
    booms = liquid_results[liquid_results["valid"] & (liquid_results["circuit"] == "boom")]
    covered = {key[:2] for key in models}
    covered |= set(zip(booms["truck_id"], booms["material"], strict=True))
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
        _untested(
            truck_id,
            material,
            liquid_results if material in liquids else results,
            trucks[truck_id],
            material in liquids,
            target_pct,
        )
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
    truck: TruckLimits,
    liquid: bool,
    target_pct: float,
) -> dict[str, object]:
    own = results[(results["truck_id"] == truck_id) & (results["material"] == material)]
    if len(truck.gates_in) > 1:
        where = remark("at_each_gate_position", gates_in=truck.gates_in)
    else:
        where = remark("at_gate_position")
    if len(own) == 0:
        why = remark("never_tested_at_all")
    elif own["valid"].any():
        why = remark("tests_delivered_nothing")
    else:
        why = remark("no_test_counts", reasons=Counter(own["reason"]).most_common(1)[0][0])
    said = remark("run_tests", why=why, material=material, where=where)
    return {
        "truck_id": truck_id,
        "material": material,
        "gate_in": np.nan,
        "standing": "untested",
        "need": "test",
        "current_u_pct": np.nan,
        "target_pct": target_pct,
        "advice": remark("boom_tests", why=why, material=material) if liquid else said,
        "cause": "no valid test",
        "further_runs": np.nan,
        "reached_pct": np.nan,
    }


def _tested(
    model: DischargeModel,
    standing: Standing,
    results: pd.DataFrame,
    truck: TruckLimits,
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
    against = remark("against_target", current_pct=current_pct, target_pct=target_pct)
    if truck.closed_loop and model.counts is None:
        return row | {"advice": remark("read_the_counts")}
    if contradicting(model.flags):
        return row | {"advice": remark("find_the_contradiction")}
    if not current_pct > target_pct:
        return row | {"need": "ok", "advice": remark("good_enough", against=against)}
    if model.count_kind == "varies":
        return row | {"advice": remark("find_the_slip", against=against)}
    return row | _further_tests(model, results, truck, outputs, target_pct, current_pct)


def _further_tests(
    model: DischargeModel,
    results: pd.DataFrame,
    truck: TruckLimits,
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
        else _further_curve_runs(model, tests, outputs, measured_rel, target_pct)
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
    reached_pct = further.reached_pct
    if reached_pct <= target_pct:
        outcome = remark(
            "brings_it_down",
            current_pct=current_pct,
            reached_pct=reached_pct,
            target_pct=target_pct,
        )
    else:
        outcome = remark(
            "stays_above",
            current_pct=current_pct,
            reached_pct=reached_pct,
            target_pct=target_pct,
            repeatability_pct=100.0 * model.repeatability,
        )
    return {
        "advice": remark(
            "do_runs",
            runs=_runs(model, further),
            run_s=plan.run_s,
            weigh=plan.weigh,
            coarse=() if plan.fine_enough else (_COARSE,),
            outcome=outcome,
        ),
        "further_runs": len(further.outputs_pct),
        "reached_pct": further.reached_pct,
    }


_COARSE: Final = remark("scale_too_coarse")


def _runs(model: DischargeModel, further: FurtherRuns) -> tuple[Remark, ...]:
    """How many runs at which outputs."""
    if model.counts is not None:
        low, high = CLOSED_LOOP_OUTPUT_PCT
        runs = len(further.outputs_pct)
        return (remark("runs_between", runs=runs, low_pct=low, high_pct=high),)
    times = Counter(further.outputs_pct)
    return tuple(remark("runs_at", runs=many, at_pct=pct) for pct, many in sorted(times.items()))


def _further_count_runs(
    model: DischargeModel, measured_rel: float, target_pct: float
) -> FurtherRuns:
    """Runs at the recommended output until the mass per count is good enough."""
    assert model.counts is not None
    counts = model.counts
    one_run = counts.scale * (counts.usual.relative**2 + measured_rel**2)
    alone = (counts.lb_per_count_u / counts.lb_per_count) ** 2 - counts.day_u**2
    known = 1.0 / max(alone, 1e-12)
    output = sum(CLOSED_LOOP_OUTPUT_PCT) / 2.0
    for runs in range(1, MAX_FURTHER_RUNS + 1):
        relative = np.hypot(1.0 / np.sqrt(known + runs / one_run), _day_u_after(model, runs))
        reached_pct = 100.0 * coverage_factor(counts.dof + runs) * float(relative)
        if reached_pct <= target_pct:
            break
    return FurtherRuns((output,) * runs, reached_pct)


def _day_u_after(model: DischargeModel, runs: int) -> float:
    """What the tests will have in common once so many more were done, all on another day."""
    fit = model.curve if model.counts is None else model.counts
    if model.day_sd == 0.0:
        return 0.0
    tests = len(model.test_ids)
    kept = (tests * fit.day_u / model.day_sd) ** 2 + runs**2
    return float(model.day_sd * np.sqrt(kept) / (tests + runs))


def _further_curve_runs(
    model: DischargeModel,
    tests: pd.DataFrame,
    outputs: FloatArray,
    measured_rel: float,
    target_pct: float,
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
    covariance = curve.covariance.copy()
    covariance[0, 0] -= (curve.slope * curve.day_u) ** 2
    names = ("feeder_pct", "discharge_lb_per_min", "discharge_u_lb_per_min")
    output, read, read_u = (tests[name].to_numpy(dtype=float) for name in names)
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
        tried = with_runs_on_it(curve, output, read, read_u, np.array(chosen), measured_rel)
        form = (tried.form_u(outputs) / curve.discharge(outputs)) ** 2
        worst = float(np.sqrt((after[:, best] + form).max()))
        reached_pct = (
            100.0 * coverage_factor(curve.dof + runs) * np.hypot(worst, _day_u_after(model, runs))
        )
        if reached_pct <= target_pct:
            break
    return FurtherRuns(tuple(chosen), float(reached_pct))


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
