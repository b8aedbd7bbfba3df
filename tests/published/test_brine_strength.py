"""Strength of salt brine from its density against published values.

CRC Handbook of Chemistry and Physics, 56th edition, pp. D252 to D253, as quoted at madsci.org, June
2003: grams of NaCl in a liter of solution at 20 C. Water of 15 C weighs 0.9991 g/mL (the same
handbook, from memory). New Hampshire bulletin "Pass the Salt", 2018: 23.3 % brine has a gravity of
1.176, which the tables put at 23.0 %.
"""

import numpy as np
import pytest

from spreadplan.calibration.brine_strength import NACL_GRAVITY, nacl_strength_pct

CRC = ((5.0, 51.7), (10.0, 107.1), (15.0, 166.3), (20.0, 229.6), (23.0, 269.6))


@pytest.mark.parametrize(("percent", "grams_per_liter"), CRC)
def test_densities_of_another_handbook(percent, grams_per_liter):
    density = grams_per_liter / (10.0 * percent)
    found = nacl_strength_pct(np.array([density / 0.9991]), np.array([68.0]))
    # grams are rounded to 0.1, Lange's gravities to 0.001: 0.13 percent
    assert found == pytest.approx([percent], abs=0.25)


def test_a_rounded_gravity_of_a_bulletin():
    found = nacl_strength_pct(np.array([1.176]), np.array([59.0]))
    assert found == pytest.approx([23.3], abs=0.35)


def test_the_table_gives_itself():
    percent, gravity = np.array(NACL_GRAVITY).T
    found = nacl_strength_pct(gravity, np.full(len(gravity), 59.0))
    assert found == pytest.approx(percent, abs=0.05)


def test_warm_brine_is_stronger_than_it_reads():
    cold, warm = nacl_strength_pct(np.array([1.17, 1.17]), np.array([40.0, 80.0]))
    assert warm - cold == pytest.approx(40 * 2.4e-4 * 1.17 / 0.0088, rel=0.1)


def test_what_is_no_brine_has_no_strength():
    found = nacl_strength_pct(np.array([0.98, 1.30]), np.array([59.0, 59.0]))
    assert np.isnan(found).all()
