"""Freezing points and melting against published tables."""

import numpy as np
import pytest

from spreadplan.planning.melting import (
    eutectic_f,
    melt_ratio,
    strength_at,
    water_held_in,
)


def to_f(celsius: float) -> float:
    return celsius * 9 / 5 + 32


@pytest.mark.parametrize(
    ("wt_pct", "freezing_c"),
    [(1, -0.6), (3, -1.8), (5, -3.0), (10, -6.6), (15, -10.9), (20, -16.5), (23, -20.7)],
)
def test_freezing_points_agree_with_a_second_series(wt_pct, freezing_c):
    """CRC Handbook of Chemistry and Physics, 56th ed., pp. D252-253, as quoted at madsci.org.

    The series is independent of the one in the product and rounded to 0.1 C, i.e. 0.18 F.
    """
    temps = np.linspace(eutectic_f("NaCl"), 32.0, 10_000)
    freezing_f = np.interp(-wt_pct, -strength_at("NaCl", temps), temps)
    assert freezing_f == pytest.approx(to_f(freezing_c), abs=0.19)


@pytest.mark.parametrize(
    ("temp_f", "published"), [(30, 46.3), (25, 14), (20, 9), (15, 6), (10, 5), (5, 4), (0, 4)]
)
def test_ice_melted_by_a_pound_of_salt(temp_f, published):
    """30 F: City of Puyallup, De-Ice page; 25 to 0 F: newsroom table, clickondetroit.com, 2023.

    Within 6 %, or within the half pound to which the second is rounded.
    """
    ratio = melt_ratio("NaCl", np.array([temp_f]))[0]
    rounding = 0.0 if temp_f == 30 else 0.5
    assert abs(ratio - published) <= max(0.06 * published, rounding)


@pytest.mark.parametrize(
    ("temp_f", "from_memory"),
    [(30, 46.3), (25, 14.4), (20, 8.6), (15, 6.3), (10, 4.9), (5, 4.1), (0, 3.7)],
)
def test_ice_melted_by_a_pound_of_salt_in_the_handbook(temp_f, from_memory):
    """Melt table of the Minnesota Snow and Ice Control Field Handbook, from memory, within 6 %."""
    assert melt_ratio("NaCl", np.array([temp_f]))[0] == pytest.approx(from_memory, rel=0.06)


def test_eutectics():
    """FHWA-RD-95-202, Manual of Practice for an Effective Anti-Icing Program (1996), appendix A:
    CaCl2 -60 F at 29.8 %, NaCl -5.8 F at 23.3 %, MgCl2 -28 F at 21.6 %.
    """
    for chemical, temp_f, strength in (
        ("CaCl2", -60.0, 29.8),
        ("NaCl", -5.8, 23.3),
        ("MgCl2", -28.0, 21.6),
    ):
        assert eutectic_f(chemical) == pytest.approx(temp_f, abs=1.0)
        least = strength_at(chemical, np.array([eutectic_f(chemical)]))[0]
        assert least == pytest.approx(strength, abs=0.4)


def test_eutectic_of_sodium_chloride():
    """Oregon State University Extension SG 22 (Hilderbrand): about -6 F at 23.3 %."""
    assert eutectic_f("NaCl") == pytest.approx(-6.0, abs=0.5)
    assert strength_at("NaCl", np.array([-6.0]))[0] == pytest.approx(23.3, abs=0.1)
    assert np.isnan(strength_at("NaCl", np.array([-6.1]))[0])


@pytest.mark.parametrize("chemical", ["NaCl", "MgCl2", "CaCl2"])
def test_colder_pavement_needs_stronger_brine(chemical):
    strengths = strength_at(chemical, np.linspace(eutectic_f(chemical), 32.0, 60))
    assert np.all(np.diff(strengths) < 0)
    assert strengths[-1] == 0.0


def test_water_held_by_definition():
    """100 lb of pure salt on a 12 ft lane-mile at 30 F: 2 % brine, 4,900 lb of water, 63,360 ft2.

    Water weighs 62.428 lb/ft3 (1,000 kg/m3), so the depth is 4900 / 62.428 / 63360 x 12 in.
    """
    held = water_held_in(np.array([100.0]), np.array([12.0]), "NaCl", 1.0, np.array([30.0]))
    assert held[0] == pytest.approx(4900 / 62.428 / 63360 * 12, rel=1e-4)


def test_water_held_at_the_ends():
    one = np.array([12.0])
    above = water_held_in(np.array([100.0]), one, "NaCl", 1.0, np.array([33.0]))
    below = water_held_in(np.array([100.0]), one, "NaCl", 1.0, np.array([-10.0]))
    nothing = water_held_in(np.array([0.0]), one, "NaCl", 1.0, np.array([33.0]))
    assert above[0] == np.inf
    assert np.isnan(below[0])
    assert nothing[0] == 0.0
