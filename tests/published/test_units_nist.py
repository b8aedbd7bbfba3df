"""NIST Special Publication 811 (2008), appendix B.8, and NIST Handbook 44, appendix C.

Factors that are exact by definition must agree to rounding of the last bit; those that the tables
print with fewer digits to those digits.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pint
import pytest

from spreadplan.units import (
    RATE_SUFFIXES,
    RATE_UNITS,
    SUFFIXES,
    Quantity,
    area_rate_lb_per_lane_mile,
    convert,
    discharge_required,
    to_canonical,
)
from spreadplan.views.display import KINDS

EXACT = [
    ("pound", "kilogram", 0.45359237),
    ("foot", "meter", 0.3048),
    ("mile", "kilometer", 1.609344),
    ("gallon", "liter", 3.785411784),
    ("short_ton", "pound", 2000.0),
    ("metric_ton", "kilogram", 1000.0),
    ("mile/hour", "kilometer/hour", 1.609344),
    # 1 lb/lane-mile: 0.45359237 kg over 1.609344 lane-km
    ("pound/lane_mile", "kilogram/lane_km", 0.45359237 / 1.609344),
    ("pound/two_lane_mile", "pound/lane_mile", 0.5),
]


@pytest.mark.parametrize(("source", "target", "factor"), EXACT)
def test_exact_factors(source, target, factor):
    assert convert(np.array([1.0]), source, target)[0] == pytest.approx(factor, rel=1e-14)


PRINTED = [
    # NAVFAC design manual, appendix B: 1 lb/ft3 = 16.0185 kg/m3
    ("pound/foot**3", "kilogram/meter**3", 16.0185, 3e-6),
    # computed from the exact factors, six digits: 1 lb/lane-mile = 0.281849 kg/lane-km
    ("pound/lane_mile", "kilogram/lane_km", 0.281849, 2e-6),
]


@pytest.mark.parametrize(("source", "target", "factor", "tolerance"), PRINTED)
def test_printed_factors(source, target, factor, tolerance):
    assert convert(np.array([1.0]), source, target)[0] == pytest.approx(factor, rel=tolerance)


EVERY = [
    *(pair for units in SUFFIXES.values() for pair in product(units.values(), repeat=2)),
    *((unit, RATE_UNITS[inside]) for unit, inside in RATE_SUFFIXES.values()),
    *((one.inside, unit) for one in KINDS.values() for unit, _ in (one.us, one.metric) if unit),
]


def test_pint_says_the_same_of_every_pair_of_units_that_is_converted():
    """pint is a registry of its own; that it is not asked keeps it out of the commands."""
    for source, target in EVERY:
        values = np.array([0.0, 1.0, 123.456])
        asked = Quantity(values, source).to(target).magnitude
        assert convert(values, source, target) == pytest.approx(asked, rel=1e-14, abs=1e-13)


def test_units_that_measure_different_things_are_refused():
    for source, target in (("pound", "mile"), ("pound/lane_mile", "pound/mile"), ("degF", "foot")):
        with pytest.raises(pint.DimensionalityError):
            convert(np.array([1.0]), source, target)


def test_temperatures_have_an_offset():
    # NIST SP 811, B.8: t/°C = (t/°F - 32)/1.8
    fahrenheit = to_canonical(np.array([-40.0, 0.0, 100.0]), "temperature", "c")
    assert fahrenheit.tolist() == [-40.0, 32.0, 212.0]


def test_a_rate_over_the_area_of_a_twelve_foot_lane():
    # 100 lb over 12 ft by 5,280 ft = 63,360 ft²: 45.359237 kg over 5,886.336 m², 7.70585 g/m²
    grams = 45359.237 / (12 * 0.3048 * 1609.344)
    assert grams == pytest.approx(7.70585, abs=5e-6)
    assert area_rate_lb_per_lane_mile(np.array([grams]), np.array([12.0]))[0] == pytest.approx(100)


def test_minnesota_handbook_discharge_example():
    # Minnesota Snow and Ice Control Field Handbook for Snowplow Operators, LRRB manual 2005-01,
    # calibration page: 20 mph is 3 minutes per mile; 200 lb/min puts 600 lb on a mile.
    per_mile = Quantity(200, "lb/min") / Quantity(20, "mph")
    assert per_mile.to("lb/mile").magnitude == pytest.approx(600)
    needed = discharge_required(
        Quantity(600, "lb/lane_mile"), Quantity(20, "mph"), Quantity(1, "lane")
    )
    assert needed.magnitude == pytest.approx(200)


@pytest.mark.parametrize("unit", ["lb/mile", "g/m**2", "gallon/lane_mile"])
def test_a_rate_without_the_right_basis_is_refused(unit):
    with pytest.raises(pint.DimensionalityError):
        discharge_required(Quantity(200, unit), Quantity(25, "mph"), Quantity(2, "lane"))


def test_lanes_without_a_unit_and_no_lanes_are_refused():
    with pytest.raises(pint.DimensionalityError):
        discharge_required(
            Quantity(200, "lb/lane_mile"), Quantity(25, "mph"), Quantity(2, "dimensionless")
        )
    with pytest.raises(ValueError, match="lanes is 0 lane in row 1"):
        discharge_required(
            Quantity(200, "lb/lane_mile"), Quantity(25, "mph"), Quantity(np.array([2, 0]), "lane")
        )
