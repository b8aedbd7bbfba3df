"""The forecast to the season's end: against another way to work it out, and by simulation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from spreadplan.season.forecast import (
    MIN_STORMS,
    RATE_PRIOR_STORMS,
    SHAPES,
    SeasonForecast,
    burn_down,
    forecast_season,
    shape_weights,
)

USES = np.array([52.0, 81.0, 118.0, 64.0, 95.0, 30.0])


def simulated_totals(found: SeasonForecast, draws: int) -> np.ndarray:
    """The same model by drawing from it with numpy, step by step."""
    random = np.random.default_rng(11)
    n = len(found.uses)
    rate = random.gamma(RATE_PRIOR_STORMS + n, 1.0 / found.days_past, draws)
    storms = random.poisson(rate * found.days_left)
    shape = random.choice(SHAPES, draws, p=shape_weights(found.uses))
    # scale given shape, prior 1/scale: S / scale is gamma(n k)
    scale = found.used / random.gamma(n * shape)
    future = np.array([random.gamma(shape[i], scale[i], storms[i]).sum() for i in range(draws)])
    error = 1.0 + found.used_u / found.used * random.standard_normal(draws)
    return error * (found.used + future)


def test_agrees_with_drawing_from_the_model():
    """Independent route to the same numbers: 60,000 draws, each storm drawn on its own.

    The tolerance is four standard errors of the drawn probability.
    """
    found = SeasonForecast(uses=USES, used_u=20.0, days_past=60.0, days_left=90.0)
    totals = simulated_totals(found, 60_000)
    for share in (0.05, 0.25, 0.5, 0.75, 0.95):
        at = found.quantile(share)
        assert np.mean(totals <= at) == pytest.approx(
            share, abs=4 * np.sqrt(share * (1 - share) / 60_000)
        )
    assert found.expected == pytest.approx(totals.mean(), rel=0.02)


def test_future_of_known_size_agrees_with_scipy():
    """With one more storm certain, the sum over what was used is beta prime (scipy.stats)."""
    found = SeasonForecast(uses=USES, used_u=0.0, days_past=60.0, days_left=90.0)
    found.__dict__["storm_counts"] = np.array([0.0, 1.0])
    weights = shape_weights(USES)
    amount = 75.0
    expected = sum(
        weight * stats.betaprime(k, len(USES) * k).cdf(amount / USES.sum())
        for k, weight in zip(SHAPES, weights, strict=True)
    )
    assert float(found.future_cdf(np.array(amount))) == pytest.approx(expected, rel=1e-6)


def test_storm_counts_are_negative_binomial():
    found = SeasonForecast(uses=USES, used_u=0.0, days_past=60.0, days_left=90.0)
    assert found.storms_to_come == pytest.approx((6 + RATE_PRIOR_STORMS) / 60 * 90, rel=1e-4)
    assert found.storm_counts.sum() == pytest.approx(1.0)
    # nobody can be sure of the rate: wider than Poisson
    counts = np.arange(len(found.storm_counts))
    variance = found.storm_counts @ counts**2 - found.storms_to_come**2
    assert variance > 1.5 * found.storms_to_come


@pytest.mark.parametrize(
    "kind", ["gamma", "lognormal"], ids=["the model's own kind", "another kind of scatter"]
)
def test_ninety_percent_intervals_hold_about_ninety_percent(kind: str):
    """240 simulated seasons of 180 days with 12 storms on average, forecast at half time.

    0.90 +- 0.06 is three standard errors of a share of 240.
    """
    random = np.random.default_rng(3)
    held = []
    while len(held) < 240:
        counts = random.poisson(12 * 0.5, 2)
        if counts[0] < MIN_STORMS:
            continue
        past, future = (
            random.gamma(3.0, 30.0, n) if kind == "gamma" else random.lognormal(4.0, 0.6, n)
            for n in counts
        )
        found = SeasonForecast(uses=past, used_u=0.0, days_past=90.0, days_left=90.0)
        share = float(found.cdf(past.sum() + future.sum()))
        held.append(0.05 <= share <= 0.95)
    assert np.mean(held) == pytest.approx(0.90, abs=0.06)


def test_interval_is_where_the_distribution_says():
    found = SeasonForecast(uses=USES, used_u=15.0, days_past=60.0, days_left=90.0)
    low, high = found.interval()
    assert float(found.cdf(low)) == pytest.approx(0.05, abs=1e-3)
    assert float(found.cdf(high)) == pytest.approx(0.95, abs=1e-3)
    assert low < found.expected < high
    assert found.p_above(high) == pytest.approx(0.05, abs=1e-3)


def test_cdf_rises_from_what_was_used():
    found = SeasonForecast(uses=USES, used_u=0.0, days_past=60.0, days_left=90.0)
    grid = np.linspace(0.0, 4000.0, 60)
    chance = found.cdf(grid)
    assert (np.diff(chance) >= -1e-12).all()
    assert (chance[grid < USES.sum()] == 0.0).all()
    assert chance[-1] == pytest.approx(1.0, abs=1e-3)


def test_a_season_that_is_over_has_nothing_to_come():
    found = SeasonForecast(uses=USES, used_u=10.0, days_past=150.0, days_left=0.0)
    assert found.expected == found.used
    assert found.interval() == pytest.approx((440 - 16.4485, 440 + 16.4485), rel=1e-4)
    assert found.p_above(440.0) == pytest.approx(0.5)


def test_two_storms_are_too_few():
    assert not SeasonForecast(uses=USES[:2], used_u=0.0, days_past=30.0, days_left=100.0).possible
    assert SeasonForecast(uses=USES[:3], used_u=0.0, days_past=30.0, days_left=100.0).possible


def test_earlier_seasons_make_the_rate_surer():
    alone = SeasonForecast(uses=USES, used_u=0.0, days_past=60.0, days_left=90.0)
    helped = SeasonForecast(
        uses=USES,
        used_u=0.0,
        days_past=60.0,
        days_left=90.0,
        earlier_storms=60.0,
        earlier_days=600.0,
    )
    assert helped.storms_to_come == pytest.approx(alone.storms_to_come, rel=0.1)
    width = np.diff(helped.interval()) / np.diff(alone.interval())
    assert width < 0.95


def test_storms_without_use_are_left_out_of_the_rate():
    start = pd.Timestamp("2026-11-01T00:00Z")
    found = forecast_season(
        np.array([10.0, 0.0, 20.0, 15.0]),
        1.0,
        start=start,
        as_of=start + pd.Timedelta(days=60),
        end=start + pd.Timedelta(days=150),
    )
    assert len(found.uses) == 3
    assert found.days_left == 90.0


def test_burn_down_starts_where_the_season_stands_and_widens():
    start = pd.Timestamp("2026-11-01T00:00Z")
    days = [5, 20, 33, 47]
    storms = pd.DataFrame({"start": [start + pd.Timedelta(days=d) for d in days], "use": USES[:4]})
    as_of = start + pd.Timedelta(days=60)
    table = burn_down(
        storms, used_u=8.0, start=start, as_of=as_of, end=start + pd.Timedelta(days=150), steps=4
    )
    past, future = (table[table["part"] == part] for part in ("used", "forecast"))
    assert past["used"].tolist() == [0.0, 52.0, 133.0, 251.0, 315.0, 315.0]
    assert future["expected"].iloc[0] == pytest.approx(315.0)
    assert (np.diff(future["hi"] - future["lo"]) > 0).all()
    assert (future["lo"] <= future["expected"]).all()
