"""Results of the tests of liquid circuits: volume, flow and their uncertainty.

Fixed units: volume US gal, time s, flow gal/min. A container's own error is not counted, as a
scale's is not: it is common to all tests caught in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from spreadplan.calibration.assumptions import CATCH_DIVISION_GAL, STOPWATCH_U_S, UNLIKE_SETTING
from spreadplan.calibration.nozzles import nozzle_table
from spreadplan.calibration.trucks import TruckLimits
from spreadplan.calibration.validity import (
    VOIDING_LIQUID_CHANGES,
    age_reasons,
    change_reasons,
    changes_by_truck,
    run_warnings,
)
from spreadplan.remarks import remark
from spreadplan.schema.liquid_tables import CATCHES, LIQUID_TESTS
from spreadplan.schema.policy import Policy


@dataclass(frozen=True, eq=False)
class LiquidRecords:
    """The workspace's ``liquid_tests`` and ``catches``."""

    tests: pd.DataFrame
    catches: pd.DataFrame


def no_liquid_records() -> LiquidRecords:
    """Records of a fleet whose liquid circuits nobody tested."""
    moments = pd.Series([], dtype="datetime64[ns, UTC]")
    tests = pd.DataFrame({column.inside: [] for column in LIQUID_TESTS.columns})
    catches = pd.DataFrame({column.inside: [] for column in CATCHES.columns})
    return LiquidRecords(tests.assign(performed_at=moments), catches)


def catch(catches: pd.DataFrame, by: tuple[str, ...] = ("test_id",)) -> pd.DataFrame:
    """Add up the catches of each test, or of each test and nozzle.

    Parameters
    ----------
    catches : test_id, nozzle, volume_gal, scale_division_gal (NaN: assumed).
    by : what is added up.

    Returns
    -------
    Indexed by ``by``: volume_gal, volume_u_gal (standard uncertainty), division_assumed, catches.

    Source: rectangular distribution of a reading within one division, d / sqrt(12): JCGM 100:2008,
    4.3.7.
    """
    given = catches["scale_division_gal"].to_numpy(dtype=float)
    division = np.where(np.isnan(given), CATCH_DIVISION_GAL, given)
    rows = catches[[*by, "volume_gal"]].assign(
        variance=division**2 / 12.0, division_assumed=np.isnan(given), catches=1
    )
    groups = rows.groupby(list(by), sort=False)
    return pd.DataFrame(
        {
            "volume_gal": groups["volume_gal"].sum(),
            "volume_u_gal": np.sqrt(groups["variance"].sum()),
            "division_assumed": groups["division_assumed"].any(),
            "catches": groups["catches"].sum(),
        }
    )


def liquid_results(
    tests: pd.DataFrame,
    catches: pd.DataFrame,
    trucks: Mapping[str, TruckLimits],
    changes: pd.DataFrame,
    policy: Policy,
    as_of: pd.Timestamp,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """One row per test, and one per nozzle of each test.

    Parameters
    ----------
    tests, catches : the workspace's ``liquid_tests`` and ``catches``.
    trucks : by truck_id.
    changes : truck_id, changed_at, what.
    policy : with calibration_max_age_days.
    as_of : the moment for which tests are judged.

    Returns
    -------
    As ``liquid_tests`` and ``nozzles`` in `spreadplan.schema.results`; reason and warnings are
    tuples of remarks.

    Source: q = 60 V / t, u(q)**2 = (60 u(V) / t)**2 + (q u(t) / t)**2: JCGM 100:2008, 5.1.2.
    """
    tests = tests.reset_index(drop=True)
    own = catch(catches).reindex(tests["test_id"]).reset_index(drop=True)
    duration_s = tests["duration_s"].to_numpy(dtype=float)
    stated = tests["duration_u_s"].to_numpy(dtype=float)
    time_u = np.where(np.isnan(stated), STOPWATCH_U_S, stated) / duration_s
    volume = own["volume_gal"].to_numpy(dtype=float)
    flow = volume * 60.0 / duration_s
    results = tests[["test_id", "truck_id", "material", "circuit", "setting_gal_per_min"]].assign(
        volume_gal=volume,
        volume_u_gal=own["volume_u_gal"].to_numpy(dtype=float),
        duration_s=duration_s,
        measured_gal_per_min=flow,
        u_gal_per_min=np.hypot(
            own["volume_u_gal"].to_numpy(dtype=float) * 60.0 / duration_s, flow * time_u
        ),
        ratio=flow / tests["setting_gal_per_min"].to_numpy(dtype=float),
    )
    reason = _reasons(tests, volume, trucks, changes, policy, as_of)
    results = results.assign(
        valid=reason.map(len) == 0,
        reason=reason,
        warnings=_warnings(results, own["division_assumed"].eq(True), changes, as_of, tests),
        performed_at=tests["performed_at"],
        catches=own["catches"].fillna(0).astype(int),
        performed_by=tests["performed_by"],
    )
    of_nozzles = catches[(catches["nozzle"] != "") & catches["test_id"].isin(tests["test_id"])]
    caught = catch(of_nozzles, ("test_id", "nozzle")).reset_index()
    place = pd.Series(np.arange(len(tests)), index=tests["test_id"])[caught["test_id"]].to_numpy()
    return results, nozzle_table(caught, duration_s[place], time_u[place])


def _reasons(
    tests: pd.DataFrame,
    volume_gal: np.ndarray[tuple[int], np.dtype[np.float64]],
    trucks: Mapping[str, TruckLimits],
    changes: pd.DataFrame,
    policy: Policy,
    as_of: pd.Timestamp,
) -> pd.Series[Any]:
    """Why each test does not count; () where it does."""
    by_truck = changes_by_truck(changes)
    reasons = []
    for truck_id, performed_at, voided_by, volume in zip(
        tests["truck_id"], tests["performed_at"], tests["voided_by"], volume_gal, strict=True
    ):
        found = [remark("voided", by=voided_by)] if voided_by else []
        if np.isnan(volume):
            found.append(remark("nothing_caught"))
        elif not volume > 0.0:
            found.append(remark("no_liquid_came_out"))
        found += age_reasons(performed_at, policy.calibration_max_age_days, as_of)
        found += change_reasons(
            by_truck.get(truck_id, []),
            performed_at,
            trucks[truck_id].closed_loop,
            as_of,
            VOIDING_LIQUID_CHANGES,
        )
        reasons.append(tuple(found))
    return pd.Series(reasons, index=tests.index, dtype=object)


def _warnings(
    results: pd.DataFrame,
    division_assumed: pd.Series[bool],
    changes: pd.DataFrame,
    as_of: pd.Timestamp,
    tests: pd.DataFrame,
) -> pd.Series[Any]:
    """What is doubtful about each test; () for nothing."""
    by_truck = changes_by_truck(changes)
    warnings = []
    for row, assumed, performed_at in zip(
        results.to_dict("records"), division_assumed, tests["performed_at"], strict=True
    ):
        found = run_warnings(float(row["duration_s"]))
        ratio = float(row["ratio"])
        if ratio > 0.0 and not 1.0 / UNLIKE_SETTING <= ratio <= UNLIKE_SETTING:
            found.append(remark("flow_unlike_setting", ratio=ratio))
        if assumed:
            found.append(remark("catch_division_assumed"))
        found += [
            remark("other_work_since", what=change.what, on=change.changed_at)
            for change in by_truck.get(str(row["truck_id"]), [])
            if change.what in ("material", "other") and performed_at < change.changed_at <= as_of
        ]
        warnings.append(tuple(found))
    return pd.Series(warnings, index=results.index, dtype=object)
