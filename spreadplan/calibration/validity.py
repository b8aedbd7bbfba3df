"""Which discharge tests count, and what is doubtful about those that do."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from spreadplan.calibration.assumptions import (
    CLOSED_LOOP_OUTPUT_PCT,
    ENGINE_RPM,
    FAR_FROM_BAND_PCT,
    SHORT_RUN_S,
)
from spreadplan.calibration.trucks import TruckLimits
from spreadplan.remarks import Remark, remark
from spreadplan.schema.policy import Policy

VOIDING_CHANGES = ("gate", "feeder", "hydraulics")
VOIDING_LIQUID_CHANGES = ("hydraulics", "liquid")


@dataclass(frozen=True)
class TruckWork:
    """Work on a truck."""

    changed_at: pd.Timestamp
    what: str


def changes_by_truck(changes: pd.DataFrame) -> dict[str, list[TruckWork]]:
    """Work on each truck in order of time, from truck_id, changed_at, what."""
    by_truck: dict[str, list[TruckWork]] = {}
    ordered = changes.sort_values("changed_at", kind="stable")
    for truck_id, changed_at, what in zip(
        ordered["truck_id"], ordered["changed_at"], ordered["what"], strict=True
    ):
        by_truck.setdefault(str(truck_id), []).append(TruckWork(changed_at, str(what)))
    return by_truck


def reasons_not_to_count(
    tests: pd.DataFrame,
    net_lb: "pd.Series[float]",
    trucks: Mapping[str, TruckLimits],
    changes: pd.DataFrame,
    policy: Policy,
    as_of: pd.Timestamp,
) -> "pd.Series[Any]":
    """Why each test does not count at a moment: a tuple of remarks, () where it counts.

    Parameters
    ----------
    tests : truck_id, performed_at, feeder_pct, voided_by.
    net_lb : mass of each test, NaN without weighing, on the index of ``tests``.
    trucks : by truck_id. A sensor matters only to a closed loop.
    changes : truck_id, changed_at, what. Only work after the test and up to ``as_of`` counts.
    policy : with calibration_max_age_days; a test of exactly that age still counts.
    as_of : the moment for which tests are judged.
    """
    by_truck = changes_by_truck(changes)
    reasons = []
    for truck_id, performed_at, voided_by, output, mass in zip(
        tests["truck_id"],
        tests["performed_at"],
        tests["voided_by"],
        tests["feeder_pct"],
        net_lb,
        strict=True,
    ):
        closed_loop = trucks[truck_id].closed_loop
        found = [remark("voided", by=voided_by)] if voided_by else []
        if np.isnan(mass):
            found.append(remark("not_weighed"))
        if not output > 0.0:
            found.append(remark("no_output"))
        found += age_reasons(performed_at, policy.calibration_max_age_days, as_of)
        found += change_reasons(by_truck.get(truck_id, []), performed_at, closed_loop, as_of)
        reasons.append(tuple(found))
    return pd.Series(reasons, index=tests.index, dtype=object)


def age_reasons(
    performed_at: pd.Timestamp, max_age_days: float, as_of: pd.Timestamp
) -> list[Remark]:
    """Whether a test is of the future, or older than the policy allows; days."""
    if performed_at > as_of:
        return [remark("performed_later")]
    age = as_of - performed_at
    if np.isfinite(max_age_days) and age > pd.Timedelta(days=max_age_days):
        return [remark("too_old", days=age / pd.Timedelta(days=1), most_days=max_age_days)]
    return []


def change_reasons(
    changes: Sequence[TruckWork],
    performed_at: pd.Timestamp,
    closed_loop: bool,
    as_of: pd.Timestamp,
    voiding: tuple[str, ...] = VOIDING_CHANGES,
) -> list[Remark]:
    """The work on a truck that ended a test; ``voiding``: what kinds do, beside a loop's sensor."""
    return [
        remark("work_since", what=change.what, on=change.changed_at)
        for change in changes
        if _voids(change, closed_loop, voiding) and performed_at < change.changed_at <= as_of
    ]


def _voids(
    change: TruckWork, closed_loop: bool, voiding: tuple[str, ...] = VOIDING_CHANGES
) -> bool:
    return change.what in voiding or (closed_loop and change.what == "sensor")


def next_voiding(
    changes: pd.DataFrame,
    trucks: Mapping[str, TruckLimits],
    as_of: pd.Timestamp,
    kinds: tuple[str, ...] = VOIDING_CHANGES,
) -> dict[str, TruckWork]:
    """The first work on each truck after a moment that ends its tests; by truck_id.

    ``kinds`` : of work that do, beside that on a closed loop's sensor.
    """
    found = {}
    for truck_id, work in changes_by_truck(changes).items():
        truck = trucks.get(truck_id)
        coming = [one for one in work if one.changed_at > as_of]
        voiding = [
            one for one in coming if truck is not None and _voids(one, truck.closed_loop, kinds)
        ]
        if voiding:
            found[truck_id] = voiding[0]
    return found


def gates_last_tested(results: pd.DataFrame, as_of: pd.Timestamp) -> dict[str, float]:
    """Where the gate of each truck stood in its latest test up to a moment, inches.

    results : as `tests.discharge_results` returns it.
    """
    done = results[results["performed_at"] <= as_of]
    last = done.sort_values(["performed_at", "test_id"], kind="stable").groupby("truck_id").last()
    return {str(truck): float(gate) for truck, gate in last["gate_in"].items()}


def warnings_about(
    tests: pd.DataFrame,
    division_assumed: "pd.Series[bool]",
    valid: "pd.Series[bool]",
    trucks: Mapping[str, TruckLimits],
    changes: pd.DataFrame,
    as_of: pd.Timestamp,
) -> "pd.Series[Any]":
    """What is doubtful about each test: a tuple of remarks, () for nothing.

    Parameters
    ----------
    tests : truck_id, material, performed_at, gate_in, feeder_pct, duration_s, engine_rpm.
    division_assumed : the scale division was not given; on the index of ``tests``.
    valid : the test counts; on the index of ``tests``.
    trucks : by truck_id.
    changes, as_of : see `reasons_not_to_count`.

    Source of every limit: common practice, no source.
    """
    by_truck = changes_by_truck(changes)
    group = ["truck_id", "material", "gate_in"]
    only = valid & (valid.groupby([tests[name] for name in group]).transform("sum") == 1)
    warnings = []
    for row, alone, assumed in zip(tests.to_dict("records"), only, division_assumed, strict=True):
        truck = trucks[str(row["truck_id"])]
        found = run_warnings(float(row["duration_s"]), float(row["engine_rpm"]))
        if truck.closed_loop:
            found += _closed_loop_warnings(float(row["feeder_pct"]))
        elif alone and float(row["feeder_pct"]) < truck.max_feeder_pct:
            found.append(remark("only_test_below_full_output"))
        if assumed:
            found.append(remark("division_assumed"))
        found += [
            remark("other_work_since", what=change.what, on=change.changed_at)
            for change in by_truck.get(str(row["truck_id"]), [])
            if change.what in ("material", "other")
            and row["performed_at"] < change.changed_at <= as_of
        ]
        warnings.append(tuple(found))
    return pd.Series(warnings, index=tests.index, dtype=object)


def run_warnings(duration_s: float, engine_rpm: float = np.nan) -> list[Remark]:
    """What is doubtful about a run of this length, at this engine speed (NaN: not known)."""
    found = []
    if duration_s < SHORT_RUN_S:
        found.append(remark("short_run", run_s=duration_s, least_s=SHORT_RUN_S))
    low, high = ENGINE_RPM
    if not np.isnan(engine_rpm) and not low <= engine_rpm <= high:
        found.append(remark("odd_engine_speed", rpm=engine_rpm, low=low, high=high))
    return found


def _closed_loop_warnings(feeder_pct: float) -> list[Remark]:
    low, high = CLOSED_LOOP_OUTPUT_PCT
    if low - FAR_FROM_BAND_PCT <= feeder_pct <= high + FAR_FROM_BAND_PCT:
        return []
    return [remark("far_from_usual_output", at_pct=feeder_pct, low_pct=low, high_pct=high)]
