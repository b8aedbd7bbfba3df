"""Drift: do successive tests of the same truck, material and gate agree?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from spreadplan.calibration.assumptions import (
    DAY_GAP_H,
    DAY_REL,
    ONE_OUTPUT_SPREAD_PCT,
    SAME_OUTPUT_PCT,
)
from spreadplan.calibration.models import ModelKey
from spreadplan.calibration.pooling import ASSUMED, Repeatability
from spreadplan.calibration.validity import TruckWork, changes_by_truck
from spreadplan.metrology import holm, two_sided_p
from spreadplan.schema.results import RESULTS

FALSE_ALARM = 2.0 * float(special.ndtr(-2.0))
"""Chance of any false drift in a fleet: that of one |En| above 1 where nothing differs."""


def normalised_error(value: float, value_u: float, earlier: float, earlier_u: float) -> float:
    """Normalised error En = (value - earlier) / sqrt(U**2 + U_earlier**2) with U = 2 u.

    Values in one unit; ``_u`` are standard uncertainties, > 0. |En| <= 1 says that both agree.

    Source: ISO 13528:2022, En score; ISO/IEC 17043 (coverage factor 2).

    >>> round(normalised_error(104.0, 1.5, 100.0, 1.5), 3)
    0.943
    """
    return (value - earlier) / float(np.hypot(2.0 * value_u, 2.0 * earlier_u))


def drift(
    results: pd.DataFrame,
    changes: pd.DataFrame,
    usual: Mapping[ModelKey, Repeatability] | None = None,
    day_sd: Mapping[ModelKey, float] | None = None,
) -> pd.DataFrame:
    """Compare each test with the latest earlier one that it can be compared with.

    A closed loop is compared by mass per count at outputs less than 10 points apart. An open loop
    is compared by discharge at outputs within 2.5 points, the earlier one taken to the same output
    in proportion. Voided
    tests are left out; outdated ones stay, drift being about the past.

    Parameters
    ----------
    results : as `tests.discharge_results` returns it.
    changes : truck_id, changed_at, what.
    usual : run-to-run scatter of each truck, material and gate as the *others* show it; else
        `pooling.ASSUMED`. A truck's own tests would hide its drift.
    day_sd : relative scatter from day to day as the others show it, else `DAY_REL`.

    Returns
    -------
    One row per comparison, in order of truck, material, gate and time.
    value_u (standard uncertainty) includes run-to-run repeatability, and what is of its day unless
    both tests are of one. The verdict is "drift" where
    |En| is above 1 by more than chance allows among all comparisons of the fleet, else "steady":
    Student's t with the degrees of freedom of the repeatability, and `fit.holm`. change_between
    tells of work on the truck between the two tests.
    """
    usual = usual or {}
    usable = results[~results["voided"].to_numpy(dtype=bool) & (results["net_lb"] > 0.0)]
    ordered = usable.sort_values(["performed_at", "test_id"], kind="stable")
    by_truck = changes_by_truck(changes)
    rows, dofs = [], []
    for _, tests in ordered.groupby(["truck_id", "material", "gate_in"], sort=True):
        readings = _readings(tests)
        for place, reading in enumerate(readings):
            earlier = _latest_comparable(reading, readings[:place])
            if earlier is not None:
                key = (reading.truck_id, reading.material, reading.gate_in)
                known, of_day = usual.get(key, ASSUMED), (day_sd or {}).get(key, DAY_REL)
                apart_h = (reading.performed_at - earlier.performed_at) / pd.Timedelta(hours=1)
                scatter = float(np.hypot(known.relative, of_day if apart_h > DAY_GAP_H else 0.0))
                work = by_truck.get(reading.truck_id, [])
                rows.append(_compare(reading, earlier, scatter, work))
                dofs.append(known.dof)
    table = pd.DataFrame(rows, columns=RESULTS["drift"].names)
    apart = 2.0 * table["en"].abs().to_numpy(dtype=float)
    chance = np.asarray(two_sided_p(apart, np.array(dofs)), dtype=float)
    found = holm(chance) < FALSE_ALARM
    return table.assign(verdict=np.where(found, "drift", "steady").astype(object))


@dataclass(frozen=True, kw_only=True)
class _Reading:
    """What one test says: a mass per count (``counted``) or a discharge, with its uncertainty."""

    truck_id: str
    material: str
    gate_in: float
    test_id: str
    performed_at: pd.Timestamp
    feeder_pct: float
    counted: bool
    value: float
    measured_u: float


def _readings(tests: pd.DataFrame) -> list[_Reading]:
    counted = tests["lb_per_count"].notna()
    value = tests["lb_per_count"].where(counted, tests["discharge_lb_per_min"])
    measured_u = tests["lb_per_count_u"].where(counted, tests["discharge_u_lb_per_min"])
    columns = {
        "truck_id": tests["truck_id"].astype(str),
        "material": tests["material"].astype(str),
        "gate_in": tests["gate_in"],
        "test_id": tests["test_id"].astype(str),
        "performed_at": tests["performed_at"],
        "feeder_pct": tests["feeder_pct"],
        "counted": counted,
        "value": value,
        "measured_u": measured_u,
    }
    rows = zip(*columns.values(), strict=True)
    return [_Reading(**dict(zip(columns, row, strict=True))) for row in rows]


def _latest_comparable(reading: _Reading, before: Sequence[_Reading]) -> _Reading | None:
    for earlier in reversed(before):
        apart_pct = abs(reading.feeder_pct - earlier.feeder_pct)
        # Mass per count hardly depends on output, but slip at another output is not drift.
        near = (
            apart_pct < ONE_OUTPUT_SPREAD_PCT if reading.counted else (apart_pct <= SAME_OUTPUT_PCT)
        )
        if reading.counted == earlier.counted and near:
            return earlier
    return None


def _compare(
    reading: _Reading, earlier: _Reading, scatter: float, work: Sequence[TruckWork]
) -> dict[str, object]:
    to_same_output = 1.0 if reading.counted else reading.feeder_pct / earlier.feeder_pct
    previous = earlier.value * to_same_output
    value_u = float(np.hypot(reading.measured_u, scatter * reading.value))
    previous_u = float(np.hypot(earlier.measured_u * to_same_output, scatter * previous))
    en = normalised_error(reading.value, value_u, previous, previous_u)
    between = [
        f"{change.what} {change.changed_at.date()}"
        for change in work
        if earlier.performed_at < change.changed_at <= reading.performed_at
    ]
    return {
        "truck_id": reading.truck_id,
        "material": reading.material,
        "gate_in": reading.gate_in,
        "test_id": reading.test_id,
        "previous_test_id": earlier.test_id,
        "performed_at": reading.performed_at,
        "value": reading.value,
        "value_unit": "lb/count" if reading.counted else "lb/min",
        "value_u": value_u,
        "previous_value": previous,
        "previous_value_u": previous_u,
        "en": en,
        "verdict": "",
        "change_between": "; ".join(between),
    }
