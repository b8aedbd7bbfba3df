"""What all tests of a day have in common: learnt from trucks with tests on several days."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from spreadplan.calibration.assumptions import DAY_LOG_SD, DAY_REL
from spreadplan.calibration.days import (
    DAYS,
    DayMeans,
    concentration,
    day_means,
    learn_day_sd,
)
from spreadplan.calibration.days import test_days as days_of
from tests.calibration.test_models import calibrated


def test_a_day_ends_with_half_a_day_of_silence():
    """An evening and the next morning in UTC are one shift's work; the week after is not."""
    at = pd.Series(pd.to_datetime(["2026-10-12T22:00Z", "2026-10-13T01:00Z", "2026-10-19T15:00Z"]))
    assert days_of(at).tolist() == [0, 0, 1]


def test_what_is_left_of_a_days_variance():
    assert concentration(np.array([0, 0, 0])) == 1.0
    assert concentration(np.array([0, 0, 1])) == pytest.approx(5.0 / 9.0)


def test_without_several_days_it_is_what_is_assumed():
    """Mean square of a logarithmic normal distribution: m**2 exp(2 s**2)."""
    alone = learn_day_sd([DayMeans(np.array([0.1]), np.array([1e-4]))])
    assert alone == learn_day_sd([])
    assert alone == pytest.approx(DAY_REL * np.exp(DAY_LOG_SD**2), rel=0.01)


def test_many_days_tell_what_statsmodels_finds():
    """Balanced random effects: with 60 trucks of four days the prior no longer matters."""
    rng = np.random.default_rng(8)
    trucks, rows = [], []
    for truck in range(60):
        day = np.repeat(np.arange(4), 3)
        value = 0.04 * rng.standard_normal(4)[day] + 0.02 * rng.standard_normal(12)
        trucks.append(day_means(value, np.full(12, 0.02), day))
        rows += [(f"{truck}-{d}", truck, v) for d, v in zip(day, value, strict=True)]
    table = pd.DataFrame(rows, columns=["day", "truck", "value"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its optimiser says that it came near a boundary
        theirs = smf.mixedlm("value ~ 1", table, groups="day").fit(reml=True)
    expected = float(np.sqrt(theirs.cov_re.iloc[0, 0]))
    assert learn_day_sd(trucks) == pytest.approx(expected, rel=0.03)
    assert DAYS[0] < expected < DAYS[-1]


def test_more_runs_of_one_day_leave_the_days_doubt():
    run = {"feeder_pct": 50.0, "lb": 150.0}
    one_day = calibrated([run] * 40).models["T1", "salt", 2.0]
    assert float(one_day.relative_u(50.0)) > one_day.day_sd
    other = run | {"performed_at": pd.Timestamp("2026-10-21T15:00", tz="UTC")}
    two_days = calibrated([*[run] * 20, *[other] * 20]).models["T1", "salt", 2.0]
    assert two_days.day_sd < one_day.day_sd  # both days agree
    assert float(two_days.relative_u(50.0)) < 0.75 * float(one_day.relative_u(50.0))
    assert two_days.curve.day_u == pytest.approx(two_days.day_sd / np.sqrt(2.0))
