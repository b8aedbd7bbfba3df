"""Liquid circuits: measured flow against set flow, with its uncertainty, and what to set.

All tests of a truck, liquid and circuit that count go into one calibration. Repeats of a setting
are averaged; one variance factor, learnt from all repeats of the circuit and worth `PRIOR_DOF` from
the start, scales the assumed scatter. Fixed units: flow gal/min.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy import special

from spreadplan.calibration.assumptions import (
    BEYOND_SETTINGS_REL,
    DAY_REL,
    LIQUID_REPEATABILITY_REL,
    PRIOR_DOF,
    SIGNIFICANCE,
)
from spreadplan.calibration.days import concentration, test_days
from spreadplan.calibration.fit import BoolArray, FloatArray
from spreadplan.calibration.standing import UNTESTED_RELATIVE_U, run_uncertainty, too_uncertain
from spreadplan.remarks import Remark, remark
from spreadplan.schema.results import RESULTS

LiquidKey = tuple[str, str, str]
"""truck_id, material, circuit."""
KEY = ["truck_id", "material", "circuit"]
BETWEEN_SETTINGS: Final = 1.0 / np.sqrt(12.0)
"""Half-way between two tested settings the ratio of measured to set may be that of either: the
standard deviation of a rectangular distribution between them, as a share of their difference."""


@dataclass(frozen=True, eq=False, kw_only=True)
class LiquidSetting:
    """What to set for a flow, shape (n,) each.

    setting_gal_per_min : what to enter. relative_u : relative standard uncertainty of the mean flow
    that it gives. extrapolated : the flow lies outside the tested ones.
    """

    setting_gal_per_min: FloatArray
    relative_u: FloatArray
    extrapolated: BoolArray


@dataclass(frozen=True, eq=False, kw_only=True)
class LiquidModel:
    """The calibration of one circuit with one liquid.

    set_gal_per_min, measured_gal_per_min, u_gal_per_min : by tested setting, ascending, shape (k,):
        the flow set, the mean flow measured, its standard uncertainty.
    run_sd : relative standard deviation of one run about the mean. dof : degrees of freedom.
    test_ids : the tests used. flags : what a user must know.
    """

    truck_id: str
    material: str
    circuit: str
    set_gal_per_min: FloatArray
    measured_gal_per_min: FloatArray
    u_gal_per_min: FloatArray
    run_sd: float
    dof: float
    test_ids: tuple[str, ...]
    flags: tuple[Remark, ...] = ()

    @property
    def usable(self) -> BoolArray:
        """Whether each tested setting is known better than that of an untested truck."""
        relative = self.u_gal_per_min / self.measured_gal_per_min
        return ~too_uncertain(relative, self.run_sd, self.dof)

    def setting_for(self, flow_gal_per_min: FloatArray) -> LiquidSetting:
        """What to set for each flow, shape (n,).

        Between two tested settings the line between them; beyond them the ratio of measured to set
        of the nearest. Its uncertainty grows with the difference of the two ratios, and with the
        distance beyond, up to that of an untested truck.
        """
        rising = self._rising()
        measured, settings = self.measured_gal_per_min[rising], self.set_gal_per_min[rising]
        ratio, relative = measured / settings, self.u_gal_per_min[rising] / measured
        flow = np.asarray(flow_gal_per_min, dtype=float)
        inside = np.clip(flow, measured[0], measured[-1])
        with np.errstate(divide="ignore", invalid="ignore"):
            beyond = np.abs(np.log2(flow / inside))
        known = np.hypot(np.interp(inside, measured, relative), _between(inside, measured, ratio))
        return LiquidSetting(
            setting_gal_per_min=np.interp(inside, measured, settings) * (flow / inside),
            relative_u=np.minimum(
                np.hypot(known, BEYOND_SETTINGS_REL * beyond), UNTESTED_RELATIVE_U
            ),
            extrapolated=(beyond > 0.0) | np.isnan(beyond),
        )

    def _rising(self) -> BoolArray:
        """The settings that give more than every lower one: only there a flow tells its setting."""
        highest = np.maximum.accumulate(self.measured_gal_per_min)
        before = np.concatenate([[0.0], highest[:-1]])
        return np.asarray(self.measured_gal_per_min > before)


def _between(flow: FloatArray, measured: FloatArray, ratio: FloatArray) -> FloatArray:
    """What the form of the line between two tested settings leaves open, relative; shape (n,)."""
    if len(measured) < 2:
        return np.zeros_like(flow)
    upper = np.clip(np.searchsorted(measured, flow), 1, len(measured) - 1)
    share = (flow - measured[upper - 1]) / (measured[upper] - measured[upper - 1])
    apart = np.abs(ratio[upper] / ratio[upper - 1] - 1.0)
    return np.asarray(4.0 * share * (1.0 - share) * BETWEEN_SETTINGS * apart)


def fit_liquids(results: pd.DataFrame) -> dict[LiquidKey, LiquidModel]:
    """A calibration for each circuit with a test that counts.

    results : as `liquid_tests.liquid_results` returns it.
    """
    counting = results[results["valid"].astype(bool)]
    return {
        (str(key[0]), str(key[1]), str(key[2])): _fit(rows)
        for key, rows in counting.groupby(KEY, sort=True)
    }


def _fit(rows: pd.DataFrame) -> LiquidModel:
    """The calibration of one circuit from its tests that count.

    Source: weighted means with a common variance factor, JCGM 100:2008, H.3, as in `fit`.
    """
    rows = rows.sort_values(["performed_at", "test_id"], kind="stable")
    flow = rows["measured_gal_per_min"].to_numpy(dtype=float)
    sd = np.hypot(rows["u_gal_per_min"].to_numpy(dtype=float), LIQUID_REPEATABILITY_REL * flow)
    settings, place = np.unique(
        rows["setting_gal_per_min"].to_numpy(dtype=float).round(9), return_inverse=True
    )
    weight = np.bincount(place, sd**-2.0)
    mean = np.bincount(place, flow * sd**-2.0) / weight
    squares = np.bincount(place, ((flow - mean[place]) / sd) ** 2)
    number = np.bincount(place)
    dof = PRIOR_DOF + float(np.sum(number - 1))
    factor = (PRIOR_DOF + float(squares.sum())) / dof
    day = test_days(rows["performed_at"])
    days = np.array([concentration(_renumbered(day[place == k])) for k in range(len(settings))])
    first = rows.iloc[0]
    return LiquidModel(
        truck_id=str(first["truck_id"]),
        material=str(first["material"]),
        circuit=str(first["circuit"]),
        set_gal_per_min=settings,
        measured_gal_per_min=mean,
        u_gal_per_min=np.hypot(np.sqrt(factor / weight), DAY_REL * mean * np.sqrt(days)),
        run_sd=float(np.sqrt(factor)) * LIQUID_REPEATABILITY_REL,
        dof=dof,
        test_ids=tuple(rows["test_id"]),
        flags=(
            *_disagreements(settings, place, flow, squares, number),
            *_levelling(settings, mean),
        ),
    )


def _renumbered(day: np.ndarray[tuple[int], np.dtype[np.int64]]) -> Any:
    return np.unique(day, return_inverse=True)[1]


def _disagreements(
    settings: FloatArray, place: Any, flow: FloatArray, squares: Any, number: Any
) -> list[Remark]:
    """Settings whose repeats lie further apart than chance explains."""
    found = []
    for k in np.flatnonzero(number > 1):
        if special.chdtrc(number[k] - 1, squares[k]) < SIGNIFICANCE:
            own = flow[place == k]
            ends = (float(own.min()), float(own.max()))
            found.append(
                remark(
                    "liquid_repeats_disagree",
                    setting_gal_per_min=float(settings[k]),
                    ends_gal_per_min=ends,
                )
            )
    return found


def _levelling(settings: FloatArray, mean: FloatArray) -> list[Remark]:
    """Settings that give no more than a lower one."""
    lower = np.concatenate([[0.0], np.maximum.accumulate(mean)[:-1]])
    return [
        remark("liquid_levels_off", setting_gal_per_min=float(settings[k]))
        for k in np.flatnonzero(mean <= lower)
    ]


def liquid_table(results: pd.DataFrame, models: Mapping[LiquidKey, LiquidModel]) -> pd.DataFrame:
    """One row per truck, liquid, circuit and setting, as ``liquid`` in the results.

    A setting whose tests do not count has the flow of its last test, with the reason; one that is
    known no better than that of an untested truck is not valid either.
    """
    rows = []
    for (truck_id, material, circuit), own in results.groupby(KEY, sort=True):
        model = models.get((str(truck_id), str(material), str(circuit)))
        rounded = own["setting_gal_per_min"].round(9)
        for setting in sorted(rounded.unique()):
            rows.append(_row(own[rounded == setting], float(setting), model))
    return pd.DataFrame(rows, columns=RESULTS["liquid"].names)


def _row(own: pd.DataFrame, setting: float, model: LiquidModel | None) -> dict[str, object]:
    """One setting of one circuit."""
    last = own.sort_values(["performed_at", "test_id"], kind="stable").iloc[-1]
    row = {
        **{name: last[name] for name in KEY},
        "setting_gal_per_min": setting,
        "measured_gal_per_min": last["measured_gal_per_min"],
        "u_gal_per_min": last["u_gal_per_min"],
        "valid": False,
        "reason": Counter(own["reason"]).most_common(1)[0][0],
        "ratio": last["ratio"],
        "run_pct": np.nan,
        "tests": ";".join(own["test_id"]),
        "doubts": (),
    }
    counting = own[own["valid"].astype(bool)]
    if model is None or counting.empty:
        return row
    k = int(np.argmin(np.abs(model.set_gal_per_min - setting)))
    measured, u = float(model.measured_gal_per_min[k]), float(model.u_gal_per_min[k])
    within = 100.0 * float(run_uncertainty(u / measured, model.run_sd, model.dof))
    usable = bool(model.usable[k])
    about = [one for one in model.flags if dict(one.values)["setting_gal_per_min"] == setting]
    return row | {
        "measured_gal_per_min": measured,
        "u_gal_per_min": u,
        "valid": usable,
        "reason": () if usable else (remark("liquid_known_too_badly", within_pct=within),),
        "ratio": measured / setting,
        "run_pct": within,
        "tests": ";".join(counting["test_id"]),
        "doubts": tuple(about),
    }
