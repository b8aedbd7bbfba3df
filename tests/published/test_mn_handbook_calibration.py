"""Minnesota Snow and Ice Control Field Handbook for Snowplow Operators (manual 2005-01), LRRB /
Minnesota DOT: the worked example on its calibration page.

Read there: 20 mph is 3 minutes per mile; 3 min/mile times 200 lb/min is 600 lb/mile; discharge is
the average of three samples.
"""

import pytest

from spreadplan.calibration import fit_fleet
from tests.calibration import builders

SPEED_MPH = 20.0
MINUTES_PER_MILE = 3.0


def _calibrated(samples_lb: list[float]):
    names = "ABC"[: len(samples_lb)]
    return fit_fleet(
        builders.tests(*({"test_id": name} for name in names)),
        builders.weighings(
            *({"test_id": n, "gross_lb": lb} for n, lb in zip(names, samples_lb, strict=True))
        ),
        builders.trucks(),
        builders.materials(),
        builders.changes(),
        builders.assignments(),
        builders.POLICY,
        builders.AS_OF,
    )


def test_200_lb_per_min_at_20_mph_is_600_lb_per_mile():
    model = _calibrated([200.0]).models["T1", "salt", 2.0]
    discharge_lb_per_min = float(model.predict(50.0).discharge_lb_per_min)
    assert 60.0 / SPEED_MPH == MINUTES_PER_MILE
    # Nothing is rounded on the way: agreement to float precision.
    assert discharge_lb_per_min * 60.0 / SPEED_MPH == pytest.approx(600.0, rel=1e-12)


def test_three_samples_are_averaged():
    model = _calibrated([194.0, 205.0, 201.0]).models["T1", "salt", 2.0]
    # Weighted by 3 % of the same discharge and weighing errors that hardly differ: the plain
    # mean of 200 lb/min within 0.01 %.
    assert model.predict(50.0).discharge_lb_per_min == pytest.approx(200.0, rel=1e-4)


def test_three_samples_are_less_uncertain_than_one():
    three = _calibrated([200.0, 200.0, 200.0]).models["T1", "salt", 2.0]
    one = _calibrated([200.0]).models["T1", "salt", 2.0]
    # what all runs of that day have in common is the same in both, and left out here
    alone = [
        float(model.predict(50.0).discharge_u_lb_per_min) ** 2 - (200.0 * model.day_sd) ** 2
        for model in (three, one)
    ]
    ratio = (alone[0] / alone[1]) ** 0.5
    # 1/sqrt(3) for the mean, and 2/3 of the variance because all three agree.
    assert ratio == pytest.approx((2.0 / 3.0 / 3.0) ** 0.5, rel=1e-9)
