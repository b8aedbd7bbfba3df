"""A plan on models that were really calibrated, its uncertainty against a simulation."""

import numpy as np
import pandas as pd
import pytest

from spreadplan.calibration import fit_fleet
from spreadplan.metrology import coverage_factor
from spreadplan.schema.policy import Policy
from tests.calibration import builders
from tests.planning.small_county import county, line_route
from tests.said import plan_storm

OUTPUTS = (25.0, 45.0, 65.0, 85.0)
SLOPE, START = 4.0, 6.0


def models(seed=3):
    rng = np.random.default_rng(seed)
    tests, weighings = [], []
    for truck, counts in (("T1", np.nan), ("T2", 0.31)):
        for number, output in enumerate(OUTPUTS):
            net = SLOPE * (output - START) * rng.normal(1, 0.02)
            name = f"{truck}-{number}"
            tests.append(
                {
                    "test_id": name,
                    "truck_id": truck,
                    "gate_in": 3.0,
                    "feeder_pct": output,
                    "sensor_counts": np.round(net / counts),
                }
            )
            weighings.append({"test_id": name, "gross_lb": net})
    inputs = county()
    return fit_fleet(
        builders.tests(*tests),
        builders.weighings(*weighings),
        inputs.trucks,
        inputs.materials,
        builders.changes(),
        inputs.assignments,
        Policy(),
        pd.Timestamp("2026-12-01", tz="UTC"),
    ).models


def test_a_plan_on_calibrated_trucks():
    held = models()
    plan = plan_storm(county(models=held))
    assert set(plan.segments["status"]) == {"ok"}
    found = plan.segments.set_index("segment_id")
    curve = held["T1", "salt", 3.0]
    grid = np.arange(0.0, 101.0, 5.0)
    given = curve.predict(grid).discharge_lb_per_min
    assert found.loc["a", "feeder_pct"] == grid[np.argmin(np.abs(given - 200.0))]
    assert found.loc["c", "lb_per_count"] == held["T2", "salt", 3.0].lb_per_count
    assert found.loc["c", "feeder_pct"] == pytest.approx(200.0 / SLOPE + START, abs=3.0)
    assert (plan.segments["mass_hi_lb"] > plan.segments["mass_lb"]).all()


def test_the_interval_of_a_route_carries_the_whole_covariance():
    """Curves drawn from the model's covariance, runs from its repeatability: the spread of the
    route's mass is the one that the interval has. 20,000 draws know a standard deviation to 0.5 %.
    """
    segments = [
        {"route_id": "R1", "segment_id": f"s{n}", "lanes": 1.0 + n % 3, "speed_mph": speed}
        for n, speed in enumerate((15.0, 20.0, 30.0, 40.0, 25.0))
    ]
    held = models()
    plan = plan_storm(county(routes=line_route(segments), models=held))
    model = held["T1", "salt", 3.0]
    rng = np.random.default_rng(11)
    value = np.array([model.curve.slope, model.curve.start_pct])
    slope, start = rng.multivariate_normal(value, model.covariance, 20_000).T[:, :, None]
    minutes = (plan.segments["length_mi"] / plan.segments["speed_mph"] * 60).to_numpy()
    feeder = plan.segments["feeder_pct"].to_numpy()
    assert len(set(feeder)) > 2, "one setting would not tell a covariance from a sum"
    run = 1 + model.repeatability * rng.normal(size=(20_000, 1))
    day = 1 + model.day_sd * rng.normal(size=(20_000, 1))
    level = model.curve.form_u(feeder) * rng.normal(size=(20_000, 1))
    drawn = ((slope * (feeder - start) * day + level) * minutes * run).sum(axis=1)
    route = plan.routes.iloc[0]
    half = float(coverage_factor(np.array([model.relative_dof]))[0]) * drawn.std()
    assert route["mass_hi_lb"] - route["mass_lb"] == pytest.approx(half, rel=0.03)
    alone = np.sqrt(((plan.segments["mass_hi_lb"] - plan.segments["mass_lb"]) ** 2).sum())
    together = (plan.segments["mass_hi_lb"] - plan.segments["mass_lb"]).sum()
    assert alone < route["mass_hi_lb"] - route["mass_lb"] < together
