"""A run beside what is known of its truck: a slip is found while it can still be put right.

The weight in kg where lb was meant, a zero too many or too few, a gate that was never tested,
counts that do not fit or are missing. Nothing is refused here: whoever did the run knows best, but
must have looked.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from spreadplan.calibration.models import DischargeModel, ModelKey
from spreadplan.calibration.trucks import TruckLimits
from spreadplan.remarks import Remark, remark
from spreadplan.units import POUNDS_PER_KILOGRAM

SAME_GATE_IN: Final = 0.05
"""Two gate openings that differ by no more are one, inches."""
SLIP_LOG: Final = 0.25
"""A slip explains a ratio that it comes this near to, as a logarithm."""
LEAST_LOG: Final = 0.15
"""No run is questioned that differs less from what is expected, as a logarithm."""
MANY_U: Final = 3.3
"""Standard uncertainties beyond which a run differs from what is expected: 1 in 1,000 by chance."""
BEYOND_TESTS_LOG: Final = 0.5
"""How far a curve may be off outside the tested outputs, as a logarithm. Common practice, no
source."""
ALLOWED_FACTOR: Final = {
    "own_gate": 1.5,
    "own_other_gate": 1.8,
    "own_other_material": 2.0,
    "fleet": 3.0,
}
"""How far a run may lie from a rule of thumb: discharge in proportion to output and gate opening,
learnt from these tests. Common practice, no source."""
BASES: Final = {
    "own_gate": remark("by_own_gate"),
    "own_other_gate": remark("by_own_other_gate"),
    "own_other_material": remark("by_own_other_material"),
    "fleet": remark("by_fleet"),
}
SLIPS: Final = (
    (remark("slip_kg"), POUNDS_PER_KILOGRAM),
    (remark("slip_lb"), 1.0 / POUNDS_PER_KILOGRAM),
    (remark("slip_zero_missing"), 10.0),
    (remark("slip_zero_more"), 0.1),
    (remark("slip_minutes"), 1.0 / 60.0),
)
"""Slips, with what the discharge has to be multiplied with to put each right."""
UNLIKE_CONTAINER: Final = 2.0
"""A container that holds so many times as much as the others is questioned."""
QUESTIONED: Final = (
    "run_unlike",
    "run_slipped",
    "counts_unlike",
    "counts_missing",
    "gate_unknown",
    "more_than_hopper",
    "container_unlike",
    "tare_missing",
)
"""What must be looked at again before a run is recorded; anything else is for information."""


@dataclass(frozen=True)
class Expected:
    """What a value should be: between ``low`` and ``high``, because of ``basis``."""

    low: float
    high: float
    basis: Remark

    def excludes(self, value: float) -> bool:
        """Whether a value lies outside."""
        return not self.low <= value <= self.high

    @property
    def middle(self) -> float:
        """Geometric middle."""
        return float(np.sqrt(self.low * self.high))


def compare_run(
    run: Mapping[str, object],
    weighings: pd.DataFrame,
    results: pd.DataFrame,
    models: Mapping[ModelKey, DischargeModel],
    truck: TruckLimits,
) -> tuple[Remark, ...]:
    """What is odd about a run, the weightiest first; empty where it fits.

    Parameters
    ----------
    run : its row of `tests.discharge_results`, as a mapping.
    weighings : its weighings: method, gross_lb, tare_lb (NaN: none), count.
    results : the fleet's earlier tests, as `tests.discharge_results` returns them.
    models : the fleet's discharge models, by truck_id, material and gate_in.
    truck : the truck that was tested.
    """
    earlier = results[~results["voided"].astype(bool) & (results["net_lb"] > 0.0)]
    own = earlier[earlier["truck_id"] == run["truck_id"]]
    return (
        *_hopper(run, truck),
        *_discharge(run, own, earlier, models),
        *_counts(run, own, models, truck),
        *_gate(run, own, truck),
        *_containers(weighings),
    )


# --- the discharge ------------------------------------------------------------------------------


def _hopper(run: Mapping[str, object], truck: TruckLimits) -> Iterator[Remark]:
    net_lb = _number(run["net_lb"])
    if net_lb > truck.capacity_lb:
        yield remark("more_than_hopper", net_lb=net_lb, capacity_lb=truck.capacity_lb)


def _discharge(
    run: Mapping[str, object],
    own: pd.DataFrame,
    earlier: pd.DataFrame,
    models: Mapping[ModelKey, DischargeModel],
) -> Iterator[Remark]:
    measured = _number(run["discharge_lb_per_min"])
    expected = expected_discharge(run, own, earlier, models)
    if not measured > 0.0 or expected is None or not expected.excludes(measured):
        return
    ends = (expected.low, expected.high)
    found = _slip(measured, expected)
    if found is None:
        yield remark("run_unlike", measured_lb_per_min=measured, basis=expected.basis, ends=ends)
        return
    slip, right = found
    yield remark(
        "run_slipped",
        measured_lb_per_min=measured,
        basis=expected.basis,
        ends=ends,
        slip=slip,
        right_lb_per_min=right,
    )


def expected_discharge(
    run: Mapping[str, object],
    own: pd.DataFrame,
    earlier: pd.DataFrame,
    models: Mapping[ModelKey, DischargeModel],
) -> Expected | None:
    """What a run should give by the nearest thing that is known, lb/min; None: nothing is.

    The calibration of this gate, else the truck's tests at this gate, at others, with other
    materials, else the other trucks' tests.
    """
    output = _number(run["feeder_pct"])
    model = _model(run, models)
    if model is not None:
        mean = float(model.predict(output).discharge_lb_per_min)
        if mean > 0.0:
            return _by_model(model, mean, output)
    gate = abs(own["gate_in"] - _number(run["gate_in"])) <= SAME_GATE_IN
    material = own["material"] == run["material"]
    others = earlier[earlier["truck_id"] != run["truck_id"]]
    for basis, tests in (
        ("own_gate", own[gate & material]),
        ("own_other_gate", own[material]),
        ("own_other_material", own),
        ("fleet", others),
    ):
        share = (tests["discharge_lb_per_min"] / (tests["feeder_pct"] * tests["gate_in"])).dropna()
        share = share[share > 0.0]
        if not share.empty:
            usual = share * output * _number(run["gate_in"])
            allowed = ALLOWED_FACTOR[basis]
            return Expected(usual.min() / allowed, usual.max() * allowed, BASES[basis])
    return None


def _by_model(model: DischargeModel, mean: float, output: float) -> Expected:
    predicted = model.predict(output)
    one_run = np.hypot(model.repeatability, model.day_sd)
    u = float(np.hypot(predicted.discharge_u_lb_per_min / mean, one_run))
    allowed = max(LEAST_LOG, MANY_U * u, BEYOND_TESTS_LOG if bool(predicted.extrapolated) else 0.0)
    basis = remark("by_model", tests=len(model.test_ids))
    return Expected(mean * np.exp(-allowed), mean * np.exp(allowed), basis)


def _slip(value: float, expected: Expected) -> tuple[Remark, float] | None:
    """The slip that explains a value best, and what the value was without it; None: none does."""

    def away(factor: float) -> float:
        return float(abs(np.log(value * factor / expected.middle)))

    slip, factor = min(SLIPS, key=lambda one: away(one[1]))
    if away(factor) > SLIP_LOG or expected.excludes(value * factor):
        return None
    return slip, value * factor


# --- counts, gate, containers ---------------------------------------------------------------------


def _counts(
    run: Mapping[str, object],
    own: pd.DataFrame,
    models: Mapping[ModelKey, DischargeModel],
    truck: TruckLimits,
) -> Iterator[Remark]:
    if not truck.closed_loop:
        return
    measured = _number(run["lb_per_count"])
    if np.isnan(measured):
        yield remark("counts_missing")
        return
    known = own.loc[own["lb_per_count"] > 0.0, "lb_per_count"]
    model = _model(run, models)
    if model is not None and model.counts is not None:
        known = pd.Series([model.lb_per_count])
    if known.empty or not measured > 0.0:
        return
    # a wrong weight shows in the discharge as well: it is said there
    off = np.log(measured / known.median())
    flow = _expected_off(run, own, models)
    if abs(off) > np.log(ALLOWED_FACTOR["own_gate"]) and abs(off - flow) > SLIP_LOG:
        yield remark(
            "counts_unlike",
            measured_lb=measured,
            usual_lb=float(known.median()),
            counts=_number(run["sensor_counts"]),
            usual_counts=_number(run["net_lb"]) / float(known.median()),
        )


def _expected_off(
    run: Mapping[str, object], own: pd.DataFrame, models: Mapping[ModelKey, DischargeModel]
) -> float:
    """Logarithm of the run's discharge over what is expected of the truck; 0: nothing is known."""
    expected = expected_discharge(run, own, own, models)
    measured = _number(run["discharge_lb_per_min"])
    if expected is None or not measured > 0.0 or not expected.excludes(measured):
        return 0.0
    return float(np.log(measured / expected.middle))


def _gate(run: Mapping[str, object], own: pd.DataFrame, truck: TruckLimits) -> Iterator[Remark]:
    gate = _number(run["gate_in"])
    tested = sorted(set(own["gate_in"].round(2)))
    if not tested or any(abs(gate - one) <= SAME_GATE_IN for one in tested):
        return
    known = any(abs(gate - one) <= SAME_GATE_IN for one in truck.gates_in)
    named = tuple(remark("one_gate", gate_in=one) for one in tested)
    if known:
        yield remark("gate_first", gate_in=gate, tested=named)
    else:
        yield remark("gate_unknown", gate_in=gate, tested=named)


def _containers(weighings: pd.DataFrame) -> Iterator[Remark]:
    """Containers that are unlike the others; the last one may be partly full."""
    rows = weighings[weighings["method"] == "container"].reset_index(drop=True)
    if len(rows) < 2:
        return
    tare = rows["tare_lb"].fillna(0.0).to_numpy(dtype=float)
    net = rows["gross_lb"].to_numpy(dtype=float) - tare
    for place, (net_lb, tare_lb) in enumerate(zip(net, tare, strict=True)):
        others = np.delete(net, place)
        low, high = float(others.min()), float(others.max())
        last = place == len(rows) - 1
        too_little = not last and net_lb * 2.0 * UNLIKE_CONTAINER < low
        if (net_lb > high * UNLIKE_CONTAINER and len(rows) > 2) or too_little:
            yield remark(
                "container_unlike", number=place + 1, net_lb=float(net_lb), ends=(low, high)
            )
        if tare_lb == 0.0 and np.delete(tare, place).min() > 0.0:
            yield remark("tare_missing", number=place + 1)


def _model(
    run: Mapping[str, object], models: Mapping[ModelKey, DischargeModel]
) -> DischargeModel | None:
    """The calibration of the run's truck, material and gate."""
    gate = _number(run["gate_in"])
    return next(
        (
            model
            for (truck, material, gate_in), model in models.items()
            if (truck, material) == (run["truck_id"], run["material"])
            and abs(gate_in - gate) <= SAME_GATE_IN
        ),
        None,
    )


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else float("nan")
