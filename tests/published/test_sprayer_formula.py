"""Flow and rate of a boom against the formula of agricultural extension.

University of Florida IFAS Extension, publication WG013: gallons per acre = 5,940 x GPM / (mph x
inches), inches being the width that the flow of GPM covers. An acre is 43,560 square feet (NIST
Handbook 44, appendix C).
"""

import numpy as np
import pytest

from spreadplan.units import liquid_flow_gal_per_min, liquid_rate_gal_per_lane_mile


def gallons_per_acre(flow_gal_per_min, speed_mph, width_in):
    return 5940.0 * flow_gal_per_min / (speed_mph * width_in)


@pytest.mark.parametrize("lane_ft", [9.0, 12.0, 14.0])
@pytest.mark.parametrize("lanes", [1, 2, 3])
@pytest.mark.parametrize(("flow", "speed"), [(20.0, 30.0), (33.0, 25.0), (7.5, 45.0)])
def test_rate_of_a_lane_of_any_width(flow, speed, lanes, lane_ft):
    per_acre = gallons_per_acre(flow, speed, 12.0 * lane_ft * lanes)
    acres_of_a_lane_mile = 5280.0 * lane_ft / 43560.0
    ours = liquid_rate_gal_per_lane_mile(np.array(flow), np.array(speed), np.array(lanes))
    assert ours == pytest.approx(per_acre * acres_of_a_lane_mile, rel=1e-12)
    assert ours == pytest.approx(60.0 * flow / speed / lanes)


def test_spacing_of_nozzles_does_not_matter():
    """The formula for one nozzle, its flow and its spacing, gives the same for 8 or 16 of them."""
    for nozzles in (8, 16):
        per_acre = gallons_per_acre(24.0 / nozzles, 30.0, 144.0 / nozzles)
        assert per_acre * 5280.0 * 12.0 / 43560.0 == pytest.approx(48.0)


def test_flow_is_the_inverse():
    rate, speed, lanes = np.array([40.0, 15.0]), np.array([30.0, 22.0]), np.array([2.0, 1.0])
    flow = liquid_flow_gal_per_min(rate, speed, lanes)
    assert flow == pytest.approx([40.0, 5.5])
    assert liquid_rate_gal_per_lane_mile(flow, speed, lanes) == pytest.approx(rate)
