"""Minnesota Snow and Ice Control Field Handbook for Snowplow Operators, LRRB manual 2005-01, p. 15.

Its rates are for two lanes: one lane takes half, an 18 ft road takes 0.75. Two lanes are 24 ft
(0.75 is 18 / 24), so the reference lane is 12 ft.
"""

import numpy as np
import pandas as pd
import pytest

from spreadplan.planning.melting import NACL_PRACTICAL_LIMIT_F, melter_of
from spreadplan.planning.rates import rate_on_lane
from spreadplan.schema.policy import Policy
from tests.planning.small_county import NAN, county
from tests.said import plan_storm

LISTED_PER_TWO_LANE_MILE = 300.0


def base(**rate):
    bases = ("lb_per_lane_mile", "g_per_m2", "gal_per_lane_mile")
    return pd.DataFrame({name: [rate.get(name, NAN)] for name in bases})


def mass_per_mile(lane_width_ft: float, lanes: int) -> float:
    policy = Policy(scale_by_lane_width=True, reference_lane_width_ft=12.0)
    rate = rate_on_lane(
        base(lb_per_lane_mile=LISTED_PER_TWO_LANE_MILE / 2),
        np.array([lane_width_ft]),
        np.array([NAN]),
        policy,
    )
    return float(rate[0] * lanes)


def test_an_18_ft_road_takes_three_quarters():
    assert mass_per_mile(9.0, 2) == pytest.approx(0.75 * LISTED_PER_TWO_LANE_MILE)


def test_one_lane_takes_half():
    assert mass_per_mile(12.0, 1) == pytest.approx(0.5 * LISTED_PER_TWO_LANE_MILE)


def test_without_scaling_a_narrow_lane_takes_the_whole_rate():
    rate = rate_on_lane(base(lb_per_lane_mile=150.0), np.array([9.0]), np.array([NAN]), Policy())
    assert rate[0] == 150.0


def test_below_15_f_sodium_chloride_is_cautioned():
    """Same page: sodium chloride is usually not cost-effective below 15 F pavement temperature."""
    assert NACL_PRACTICAL_LIMIT_F == 15.0
    assert melter_of("", 0.588).chemical == "NaCl"
    for temp, verdict in ((14.9, "too cold"), (15.0, "gives out")):
        inputs = county()
        forecast = inputs.forecast.assign(pavement_temp_f=temp)
        assert list(plan_storm(county(forecast=forecast)).melting["verdict"]) == [verdict]
