"""Severity of storms against what could be read of its sources."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from spreadplan.season.severity import (
    AFTER_TEMPERATURE,
    STORM_TYPE,
    SURFACE_TEMPERATURE,
    WIND,
    guidance_rate,
    severity_index,
)


def test_scores_run_from_zero_to_one():
    """W. A. Nixon and L. Qiu, Developing a Storm Severity Index, Transportation Research Record
    1911 (2005), abstract: scores lie between 0 and 1. The values of the factors are from memory;
    that their mildest and hardest storm hit both ends exactly is what the abstract lets one check.
    """
    scores = [
        severity_index(kind, temp, after, wind=wind, early_rain=rain, strong_wind_after=blow)
        for kind, temp, after, wind, rain, blow in itertools.product(
            STORM_TYPE, SURFACE_TEMPERATURE, AFTER_TEMPERATURE, WIND, (False, True), (False, True)
        )
    ]
    assert min(scores) == 0.0
    assert max(scores) == pytest.approx(1.0, abs=1e-12)
    # "more than 250 individual storm descriptions" with six factors; ours without the wind of
    # middle strength are 288
    assert len(scores) == 288
    assert np.isfinite(scores).all()


@pytest.mark.parametrize(
    ("temp_f", "first", "rate"),
    [
        (33.0, True, 75.0),
        (30.0, True, 200.0),
        (30.0, False, 150.0),
        (25.0, True, 300.0),
        (25.0, False, 250.0),
        (17.0, True, 400.0),
        (17.0, False, 350.0),
        (15.0, True, 400.0),
    ],
)
def test_middle_of_the_treatment_table(temp_f, first, rate):
    """MaineDOT Treatment Recommendations, Table A (appendix A of an ITS evaluation report, US
    National Transportation Library), rows 1 to 4: middle of each range.
    """
    assert guidance_rate(temp_f, first) == rate


def test_below_fifteen_degrees_the_table_says_plow_only():
    """The same table, row 5."""
    assert np.isnan(guidance_rate(14.0, True))
