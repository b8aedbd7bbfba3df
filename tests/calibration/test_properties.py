"""What must hold for any tests."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spreadplan.calibration import fit_fleet, uncertainty_budget
from spreadplan.calibration.curve import fit_curve
from spreadplan.calibration.weighing import weigh
from spreadplan.metrology import coverage_factor
from tests.calibration import builders

pytestmark = pytest.mark.slow

OUTPUTS = st.lists(st.integers(5, 100).map(float), min_size=1, max_size=8)
GRID = np.linspace(0.0, 100.0, 101)


@st.composite
def any_runs(draw):
    """Outputs and readings that need not make sense: falling, empty, wild."""
    outputs = draw(OUTPUTS)
    readings = draw(
        st.lists(
            st.one_of(st.just(0.0), st.floats(0.5, 2000.0)),
            min_size=len(outputs),
            max_size=len(outputs),
        )
    )
    shares = draw(st.floats(0.0, 0.05))
    readings_u = shares * np.array(readings) + draw(st.floats(0.01, 5.0))
    return np.array(outputs), np.array(readings), readings_u


@st.composite
def sensible_runs(draw):
    """Runs of a spreader with a start-up threshold and a few percent of scatter."""
    outputs = np.array(draw(OUTPUTS.map(lambda xs: [max(x, 25.0) for x in xs])))
    scatter = draw(st.lists(st.floats(-0.06, 0.06), min_size=len(outputs), max_size=len(outputs)))
    start = draw(st.floats(0.0, 15.0))
    readings = draw(st.floats(0.5, 12.0)) * (outputs - start) * (1.0 + np.array(scatter))
    return outputs, readings, 0.004 * readings + 0.2


@given(any_runs())
@settings(max_examples=150, deadline=None)
def test_curve_never_falls_and_its_doubt_is_finite(runs):
    curve = fit_curve(*runs)
    if curve is None:
        assert not np.any(runs[1] > 2.0 * runs[2])
        return
    discharge = curve.discharge(GRID)
    assert np.all(np.diff(discharge) >= 0.0)
    assert np.all(discharge >= 0.0)
    assert discharge[-1] > 0.0
    assert np.all(np.isfinite(curve.discharge_u(GRID)))
    assert np.all(curve.discharge_u(GRID)[1:] > 0.0)
    low, high = curve.interval(GRID, 0.95)
    assert np.all((low <= discharge) & (discharge <= high))


@given(any_runs(), st.sampled_from(["open_loop", "closed_loop"]), st.floats(30.0, 100.0))
@settings(max_examples=40, deadline=None)
def test_whatever_was_tested_gets_an_answer(runs, control: str, max_feeder_pct: float):
    """No catch, however odd, stops the calibration or leaves a number undefined."""
    ids = [f"{place}" for place in range(len(runs[0]))]
    found = fit_fleet(
        builders.tests(
            *(
                {"test_id": i, "feeder_pct": pct, "sensor_counts": round(20 * pct)}
                for i, pct in zip(ids, runs[0], strict=True)
            )
        ),
        builders.weighings(
            *({"test_id": i, "gross_lb": lb} for i, lb in zip(ids, runs[1], strict=True))
        ),
        builders.trucks({"control": control, "max_feeder_pct": max_feeder_pct}),
        builders.materials(),
        builders.changes(),
        builders.assignments({}),
        builders.POLICY,
        builders.AS_OF,
    )
    assert len(found.advice) == 1
    assert set(found.advice["need"]) <= {"test", "ok"}
    for model in found.models.values():
        assert found.advice["current_u_pct"].iloc[0] > 0.0
        budget = uncertainty_budget(model, found.tests)
        assert budget["share_pct"].sum() == pytest.approx(100.0)
    assert np.isfinite(found.discharge.select_dtypes("number").to_numpy()).all()


@given(sensible_runs(), st.sampled_from([0.45359237, 1e-6, 1e6]))
@settings(max_examples=100, deadline=None)
def test_unit_of_mass_does_not_matter(runs, factor: float):
    """Pounds, kilograms or anything else in: the same spreader out."""
    outputs, readings, readings_u = runs
    plain = fit_curve(outputs, readings, readings_u)
    scaled = fit_curve(outputs, factor * readings, factor * readings_u)
    assert plain is not None
    assert scaled is not None
    assert scaled.kind == plain.kind
    assert scaled.discharge(GRID) == pytest.approx(
        factor * plain.discharge(GRID), rel=1e-7, abs=factor * 1e-7
    )
    assert scaled.discharge_u(GRID) == pytest.approx(
        factor * plain.discharge_u(GRID), rel=1e-6, abs=factor * 1e-7
    )


@given(sensible_runs(), st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_order_of_the_tests_does_not_matter(runs, random):
    order = list(range(len(runs[0])))
    random.shuffle(order)
    one, other = fit_curve(*runs), fit_curve(*(column[order] for column in runs))
    assert one is not None
    assert other is not None
    assert other.discharge(GRID) == pytest.approx(one.discharge(GRID), rel=1e-9, abs=1e-9)


@given(OUTPUTS, st.floats(0.5, 12.0), st.integers(5, 100).map(float))
@settings(max_examples=150, deadline=None)
def test_one_more_consistent_test_never_widens_the_band(outputs, slope: float, another: float):
    """Tests that all lie on one proportional curve: the form stays, the doubt can only shrink.

    Not that in the form itself: a second output is what raises the question of a knee.
    """

    def half_width(at: list[float]) -> np.ndarray:
        readings = slope * np.array(at)
        curve = fit_curve(np.array(at), readings, 0.004 * readings + 0.2)
        assert curve is not None
        u = np.sqrt(curve.discharge_u(GRID) ** 2 - curve.form_u(GRID) ** 2)
        return coverage_factor(curve.dof) * u

    before, after = half_width(outputs), half_width([*outputs, another])
    assert np.all(after <= before * (1.0 + 1e-9) + 1e-9)


@given(st.integers(2, 40), st.floats(5.0, 120.0), st.floats(0.1, 5.0), st.floats(0.0, 10.0))
def test_counting_containers_is_never_as_good_as_weighing_them(
    number: int, net_lb: float, division_lb: float, tare_lb: float
):
    row = {
        "method": "container",
        "gross_lb": net_lb + tare_lb,
        "tare_lb": tare_lb,
        "scale_division_lb": division_lb,
    }
    counted = weigh(builders.weighings(row | {"count": number})).loc["A"]
    one_by_one = weigh(builders.weighings(*[row] * number)).loc["A"]
    assert counted["net_lb"] == pytest.approx(one_by_one["net_lb"])
    assert counted["net_u_lb"] > one_by_one["net_u_lb"]
