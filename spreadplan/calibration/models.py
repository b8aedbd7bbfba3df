"""Discharge models: what a truck delivers of a material at a gate, with its uncertainty.

Fixed units: feeder output in percent, discharge in lb/min, mass in lb, gate opening in inches.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from spreadplan.calibration.counts import CountFit, fit_counts
from spreadplan.calibration.curve import Curve, Kind, fit_curve
from spreadplan.calibration.days import (
    DayMeans,
    concentration,
    day_means,
    learn_day_sd,
    test_days,
)
from spreadplan.calibration.fit import BoolArray, FloatArray
from spreadplan.calibration.form import UsualForm, learn_form
from spreadplan.calibration.pooling import ASSUMED, Repeatability, Residuals, learn_from_others
from spreadplan.calibration.trucks import TruckLimits
from spreadplan.metrology import coverage_factor
from spreadplan.remarks import Remark, remark

ModelKey = tuple[str, str, float]
"""truck_id, material, gate_in"""


@dataclass(frozen=True, eq=False)
class Prediction:
    """Predicted mean discharge; each field has the shape of the outputs asked for.

    discharge_lb_per_min : mean discharge.
    discharge_u_lb_per_min : its standard uncertainty. One run differs from the mean by a further
        `DischargeModel.repeatability`.
    extrapolated : output lies outside the tested outputs.
    """

    discharge_lb_per_min: FloatArray
    discharge_u_lb_per_min: FloatArray
    extrapolated: BoolArray


@dataclass(frozen=True, eq=False, kw_only=True)
class DischargeModel:
    """Discharge of one truck with one material at one tested gate.

    curve : discharge against feeder output.
    counts : mass per sensor count (closed loop); None where no valid test has counts.
    tested_pct : feeder output of each test used, percent, ascending.
    test_ids : the tests used, in order of time.
    day_sd : relative standard deviation of what all runs of a day have in common; a storm's day is
        another than that of the tests.
    others_day_sd : the same as the other models alone tell it.
    """

    truck_id: str
    material: str
    gate_in: float
    control: str
    curve: Curve
    counts: CountFit | None
    tested_pct: tuple[float, ...]
    test_ids: tuple[str, ...]
    flags: tuple[Remark, ...]
    day_sd: float = 0.0
    others_day_sd: float = 0.0

    @property
    def kind(self) -> Kind:
        """Form of the discharge curve."""
        return self.curve.kind

    @property
    def choice(self) -> Remark:
        """How the form was chosen."""
        return self.curve.choice

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the curve's parameters."""
        return self.curve.covariance

    @property
    def tested_lo_pct(self) -> float:
        """Lowest tested output, percent."""
        return self.tested_pct[0]

    @property
    def tested_hi_pct(self) -> float:
        """Highest tested output, percent."""
        return self.tested_pct[-1]

    @property
    def dof(self) -> float:
        """Degrees of freedom of the curve."""
        return self.curve.dof

    @property
    def relative_dof(self) -> float:
        """Degrees of freedom of `relative_u` and `repeatability`: of counts or of the curve."""
        return self.curve.dof if self.counts is None else self.counts.dof

    @property
    def scale(self) -> float:
        """Variance factor of the curve."""
        return self.curve.scale

    @property
    def usual(self) -> Repeatability:
        """What the other trucks say of the run-to-run scatter, of counts or of the discharge."""
        return self.curve.usual if self.counts is None else self.counts.usual

    @property
    def repeatability(self) -> float:
        """Relative standard deviation of one run about the mean discharge.

        A closed loop repeats as its mass per count does, an open loop as its discharge does.
        """
        fit = self.curve if self.counts is None else self.counts
        return float(fit.usual.relative * np.sqrt(fit.scale))

    @property
    def lb_per_count(self) -> float:
        """Mass per sensor count, lb; NaN without counts."""
        return float("nan") if self.counts is None else self.counts.lb_per_count

    @property
    def lb_per_count_u(self) -> float:
        """Standard uncertainty of the mass per count, lb; NaN without counts."""
        return float("nan") if self.counts is None else self.counts.lb_per_count_u

    @property
    def count_kind(self) -> str:
        """ "constant", "varies" (with feeder output) or "" without counts."""
        if self.counts is None:
            return ""
        return "constant" if self.counts.trend is None else "varies"

    @property
    def count_trend_p(self) -> float:
        """Probability of so strong a dependence on output by chance; NaN: not testable."""
        return float("nan") if self.counts is None else self.counts.trend_p

    def predict(self, feeder_pct: FloatArray | float) -> Prediction:
        """Mean discharge at an output.

        Parameters
        ----------
        feeder_pct : feeder output, percent, scalar or any shape.

        Returns
        -------
        Prediction of the same shape.
        """
        output = np.asarray(feeder_pct, dtype=float)
        slack = 1e-9
        outside = (output < self.tested_lo_pct - slack) | (output > self.tested_hi_pct + slack)
        return Prediction(
            self.curve.discharge(output), self.curve.discharge_u(output), np.asarray(outside)
        )

    def interval(
        self, feeder_pct: FloatArray | float, confidence: float = 0.95
    ) -> tuple[FloatArray, FloatArray]:
        """Interval of the mean discharge at an output, lb/min: lower and upper end."""
        return self.curve.interval(np.asarray(feeder_pct, dtype=float), confidence)

    def feeder_for(self, discharge_lb_per_min: FloatArray | float) -> FloatArray:
        """Smallest feeder output that gives a discharge, percent; NaN if 100 % gives less."""
        return self.curve.feeder_for(np.asarray(discharge_lb_per_min, dtype=float))

    def relative_u_per_count(self, feeder_pct: FloatArray | float) -> FloatArray:
        """Relative standard uncertainty of the counted mass at an output; NaN without counts."""
        output = np.asarray(feeder_pct, dtype=float)
        if self.counts is None:
            return np.full_like(output, np.nan)
        return self.counts.relative_u(output)

    def relative_u(self, feeder_pct: FloatArray | float) -> FloatArray:
        """Relative standard uncertainty of the calibration at an output; infinite for no flow.

        That of the counted mass for a closed loop, which regulates by counts; that of the
        discharge otherwise.
        """
        if self.counts is not None:
            return self.relative_u_per_count(feeder_pct)
        found = self.predict(feeder_pct)
        mean = found.discharge_lb_per_min
        flows = mean > 0.0
        return np.where(flows, found.discharge_u_lb_per_min / np.where(flows, mean, 1.0), np.inf)

    @property
    def middle_pct(self) -> float:
        """Middle of the tested outputs at which material flows, percent."""
        return (max(self.tested_lo_pct, self.curve.start_pct) + self.tested_hi_pct) / 2.0


@dataclass(frozen=True, eq=False)
class GateInterpolation:
    """Discharge at a gate between two tested ones, by linear interpolation in the opening."""

    lower: DischargeModel
    upper: DischargeModel
    gate_in: float

    @property
    def tested_lo_pct(self) -> float:
        """Lowest output tested at both gates, percent."""
        return max(self.lower.tested_lo_pct, self.upper.tested_lo_pct)

    @property
    def tested_hi_pct(self) -> float:
        """Highest output tested at both gates, percent."""
        return min(self.lower.tested_hi_pct, self.upper.tested_hi_pct)

    @property
    def dof(self) -> float:
        """Degrees of freedom of the curve."""
        return min(self.lower.dof, self.upper.dof)

    @property
    def repeatability(self) -> float:
        """Relative standard deviation of one run about the mean discharge."""
        return max(self.lower.repeatability, self.upper.repeatability)

    @property
    def flags(self) -> tuple[Remark, ...]:
        """What a user must know."""
        low_in, high_in = self.lower.gate_in, self.upper.gate_in
        return (remark("between_gates", gate_in=self.gate_in, low_in=low_in, high_in=high_in),)

    @property
    def upper_weight(self) -> float:
        """Weight of the upper gate, 0 to 1."""
        return (self.gate_in - self.lower.gate_in) / (self.upper.gate_in - self.lower.gate_in)

    def predict(self, feeder_pct: FloatArray | float) -> Prediction:
        """Mean discharge at an output, percent; see `DischargeModel.predict`.

        How discharge grows with the opening is not known. The doubt is rectangular with the half
        width w1 * w2 * difference: the departure of a quadratic law from the straight line.
        """
        below, above = self.lower.predict(feeder_pct), self.upper.predict(feeder_pct)
        w2 = self.upper_weight
        w1 = 1.0 - w2
        apart = above.discharge_lb_per_min - below.discharge_lb_per_min
        bend_u = w1 * w2 * np.abs(apart) / np.sqrt(3.0)
        u = np.sqrt(
            (w1 * below.discharge_u_lb_per_min) ** 2
            + (w2 * above.discharge_u_lb_per_min) ** 2
            + bend_u**2
        )
        return Prediction(
            below.discharge_lb_per_min + w2 * apart, u, below.extrapolated | above.extrapolated
        )

    def interval(
        self, feeder_pct: FloatArray | float, confidence: float = 0.95
    ) -> tuple[FloatArray, FloatArray]:
        """Interval of the mean discharge at an output, lb/min: lower and upper end."""
        found = self.predict(feeder_pct)
        half = coverage_factor(self.dof, confidence) * found.discharge_u_lb_per_min
        middle = found.discharge_lb_per_min
        return np.maximum(middle - half, 0.0), middle + half

    def feeder_for(self, discharge_lb_per_min: FloatArray | float) -> FloatArray:
        """Smallest feeder output that gives a discharge, percent; NaN if 100 % gives less."""
        wanted = np.asarray(discharge_lb_per_min, dtype=float)
        curves = (self.lower.curve, self.upper.curve)
        # Between the first start-up and the last saturation the sum of both curves rises strictly
        # and is straight between the corners of either.
        first = max(0.0, min(curve.start_pct for curve in curves))
        last = min(100.0, max(curve.saturation_pct for curve in curves))
        corners = [first, last, *(c.start_pct for c in curves), *(c.saturation_pct for c in curves)]
        output = np.unique(np.clip(corners, first, last))
        discharge = self.predict(output).discharge_lb_per_min
        feeder_pct = np.where(wanted <= 0.0, 0.0, np.interp(wanted, discharge, output))
        return np.where(wanted > discharge[-1] * (1.0 + 1e-12), np.nan, feeder_pct)


def between_gates(
    models: Mapping[ModelKey, DischargeModel], truck_id: str, material: str, gate_in: float
) -> DischargeModel | GateInterpolation | None:
    """Predictor for any gate of a truck and material.

    Parameters
    ----------
    models : by truck_id, material and gate_in.
    truck_id, material : whose gate it is.
    gate_in : opening of the gate, inches.

    Returns
    -------
    The model of that gate if it was tested; an interpolation if it lies between two tested gates;
    None outside the tested gates: nothing is known there.
    """
    if (truck_id, material, gate_in) in models:
        return models[truck_id, material, gate_in]
    gates = sorted(gate for truck, what, gate in models if (truck, what) == (truck_id, material))
    lower = [gate for gate in gates if gate < gate_in]
    upper = [gate for gate in gates if gate > gate_in]
    if not lower or not upper:
        return None
    return GateInterpolation(
        models[truck_id, material, lower[-1]], models[truck_id, material, upper[0]], gate_in
    )


def fit_models(
    results: pd.DataFrame, trucks: Mapping[str, TruckLimits]
) -> dict[ModelKey, DischargeModel]:
    """Fit one discharge model for each truck, material and gate with a valid test.

    All are fitted twice: how the other models of the material scatter about their first fits, and
    where their curves begin and level off, is what is known of a model in the second, see `pooling`
    and `form`.

    Parameters
    ----------
    results : one row per test, as `tests.discharge_results` returns it.
    trucks : by truck_id.

    Returns
    -------
    Models by (truck_id, material, gate_in). A group in which nothing came out has none.
    """
    valid = results[results["valid"].to_numpy(dtype=bool)].sort_values(
        ["performed_at", "test_id"], kind="stable"
    )
    groups: dict[ModelKey, pd.DataFrame] = {}
    for _, tests in valid.groupby(["truck_id", "material", "gate_in"], sort=True):
        first = tests.iloc[0]
        groups[str(first["truck_id"]), str(first["material"]), float(first["gate_in"])] = tests
    first_fits = {key: _fits(trucks[key[0]].closed_loop, tests) for key, tests in groups.items()}
    fits = {
        key: _fits(trucks[key[0]].closed_loop, groups[key], *usual)
        for key, usual in _usual(groups, first_fits).items()
    }
    day_sd, others_day_sd = _day_sd(groups, fits)
    models: dict[ModelKey, DischargeModel] = {}
    for key, (curve, counts) in fits.items():
        if curve is None:
            continue
        tests = groups[key]
        day_u = day_sd[key[1]] * np.sqrt(concentration(test_days(tests["performed_at"])))
        model = _model(
            key,
            trucks[key[0]].closed_loop,
            tests,
            curve.of_days(day_u),
            None if counts is None else counts.of_days(day_u),
        )
        models[key] = replace(model, day_sd=day_sd[key[1]], others_day_sd=others_day_sd[key])
    return models


_Fits = tuple[Curve | None, CountFit | None]


def _fits(
    closed_loop: bool,
    tests: pd.DataFrame,
    usual_discharge: Repeatability = ASSUMED,
    usual_counts: Repeatability = ASSUMED,
    form: UsualForm | None = None,
) -> _Fits:
    """Curve and mass per count of the tests of one model; None where they tell nothing."""
    column = _columns(tests)
    curve = fit_curve(
        column["feeder_pct"],
        column["discharge_lb_per_min"],
        column["discharge_u_lb_per_min"],
        usual_discharge,
        form,
    )
    if curve is None or not closed_loop:
        return curve, None
    counts = fit_counts(
        column["feeder_pct"],
        column["net_lb"],
        column["sensor_counts"],
        column["lb_per_count_u"],
        usual_counts,
    )
    return curve, counts


def _usual(
    groups: Mapping[ModelKey, pd.DataFrame], fits: Mapping[ModelKey, _Fits]
) -> dict[ModelKey, tuple[Repeatability, Repeatability, UsualForm]]:
    """What the other models of the material say of each model.

    The scatter of its discharge and of its mass per count, and the ends of its curve.
    """
    found: dict[ModelKey, tuple[Repeatability, Repeatability, UsualForm]] = {}
    for material in dict.fromkeys(key[1] for key in groups):
        keys = [key for key in groups if key[1] == material]
        discharge = learn_from_others([_of_curve(fits[key][0], groups[key]) for key in keys])
        counts = learn_from_others([_of_counts(fits[key][1], groups[key]) for key in keys])
        forms = [_form_of_others(key, keys, fits) for key in keys]
        found |= dict(zip(keys, zip(discharge, counts, forms, strict=True), strict=True))
    return found


def _form_of_others(
    own: ModelKey, keys: Sequence[ModelKey], fits: Mapping[ModelKey, _Fits]
) -> UsualForm:
    """What all models but one show of how curves begin and level off."""
    others = [curve for key in keys if key != own and (curve := fits[key][0]) is not None]
    return learn_form([curve.form_seen() for curve in others])


def _of_curve(curve: Curve | None, tests: pd.DataFrame) -> Residuals:
    """How the tests scatter about their curve, where it flows."""
    if curve is None:
        return _NOTHING
    column = _columns(tests)
    fitted = curve.discharge(column["feeder_pct"])
    flows = _flows(curve, tests)
    return _residuals(
        column["discharge_lb_per_min"][flows],
        fitted[flows],
        column["discharge_u_lb_per_min"][flows],
        curve.parameters,
    )


def _of_counts(counts: CountFit | None, tests: pd.DataFrame) -> Residuals:
    """How the tests scatter about their mass per count."""
    if counts is None:
        return _NOTHING
    column = _columns(tests)
    usable = _counted(tests)
    fitted, _ = counts.at(column["feeder_pct"][usable])
    return _residuals(
        column["net_lb"][usable] / column["sensor_counts"][usable],
        fitted,
        column["lb_per_count_u"][usable],
        1 if counts.trend is None else 2,
    )


def _flows(curve: Curve | None, tests: pd.DataFrame) -> BoolArray:
    """Tests at which material came out, by the curve and by the catch."""
    column = _columns(tests)
    if curve is None:
        return np.zeros(len(tests), dtype=bool)
    fitted = curve.discharge(column["feeder_pct"])
    return np.asarray((fitted > 0.0) & (column["discharge_lb_per_min"] > 0.0))


def _counted(tests: pd.DataFrame) -> BoolArray:
    """Tests with both counts and mass."""
    column = _columns(tests)
    return np.asarray((column["sensor_counts"] > 0.0) & (column["net_lb"] > 0.0))


def _day_sd(
    groups: Mapping[ModelKey, pd.DataFrame], fits: Mapping[ModelKey, _Fits]
) -> tuple[dict[str, float], dict[ModelKey, float]]:
    """Scatter from day to day: of each material's models, and of all of them but one.

    By the mass per count, or else by the discharge.
    """
    found: dict[str, dict[ModelKey, DayMeans]] = {key[1]: {} for key in groups}
    for key, (curve, counts) in fits.items():
        tests = groups[key]
        fit: Curve | CountFit | None = curve if counts is None else counts
        told = _of_curve(curve, tests) if counts is None else _of_counts(counts, tests)
        kept = _flows(curve, tests) if counts is None else _counted(tests)
        if fit is not None and told.spare:
            sd = np.sqrt(fit.scale) * np.hypot(told.measured_u, fit.usual.relative)
            day = test_days(tests["performed_at"])[kept]
            found[key[1]][key] = day_means(told.relative, sd, day)
    of_all = {material: learn_day_sd(list(means.values())) for material, means in found.items()}
    of_others = {
        key: learn_day_sd([means for other, means in found[key[1]].items() if other != key])
        for key in groups
    }
    return of_all, of_others


_NOTHING = Residuals(np.array([]), np.array([]), 0)


def _residuals(value: FloatArray, fitted: FloatArray, u: FloatArray, parameters: int) -> Residuals:
    return Residuals(value / fitted - 1.0, u / fitted, max(len(value) - parameters, 0))


def _columns(tests: pd.DataFrame) -> dict[str, FloatArray]:
    names = (
        "feeder_pct",
        "discharge_lb_per_min",
        "discharge_u_lb_per_min",
        "net_lb",
        "sensor_counts",
        "lb_per_count_u",
    )
    return {name: tests[name].to_numpy(dtype=float) for name in names}


def _model(
    key: ModelKey, closed_loop: bool, tests: pd.DataFrame, curve: Curve, counts: CountFit | None
) -> DischargeModel:
    return DischargeModel(
        truck_id=key[0],
        material=key[1],
        gate_in=key[2],
        control="closed_loop" if closed_loop else "open_loop",
        curve=curve,
        counts=counts,
        tested_pct=tuple(sorted(float(pct) for pct in tests["feeder_pct"])),
        test_ids=tuple(str(test_id) for test_id in tests["test_id"]),
        flags=_flags(closed_loop, curve, counts),
    )


def _flags(closed_loop: bool, curve: Curve, counts: CountFit | None) -> tuple[Remark, ...]:
    if not closed_loop:
        return curve.flags
    if counts is None:
        return (*curve.flags, remark("counts_unknown"))
    # The controller holds the rate by counts; the curve only predicts the output it will need.
    return (*counts.flags, *(remark("of_predicted_output", flag=flag) for flag in curve.flags))
