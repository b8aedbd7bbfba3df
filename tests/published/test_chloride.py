"""Chloride arithmetic that others published."""

from __future__ import annotations

import pytest

from spreadplan.materials import chloride_in
from spreadplan.season.water import CRITERIA, concentration_mg_l, load_lb


@pytest.mark.parametrize(
    ("salt", "fraction"), [("NaCl", 0.6066), ("CaCl2", 0.6389), ("MgCl2", 0.7447)]
)
def test_mass_fraction_of_chloride(salt, fraction):
    """IUPAC Commission on Isotopic Abundances and Atomic Weights, standard atomic weights 2021,
    abridged: Cl 35.45, Na 22.990, Mg 24.305, Ca 40.078. Worked out to four figures.
    """
    assert chloride_in(salt) == pytest.approx(fraction, abs=5e-5)


def test_load_of_a_cubic_foot_a_second_at_the_chronic_criterion():
    """1 ft3/s is 28.316 846 592 L/s and 1 lb is 453 592.37 mg, each exactly (NIST Special
    Publication 811, appendix B): 86,400 s x 28.3168 L/s x 230 mg/L is 1,241 lb a day, or 5.394 lb
    a day for each ft3/s and mg/L.
    """
    assert load_lb(1.0, 230.0, 24.0) == pytest.approx(1240.6, abs=0.05)
    assert load_lb(1.0, 1.0, 24.0) == pytest.approx(5.39378, abs=1e-5)
    assert concentration_mg_l(1240.6, 1.0, 24.0) == pytest.approx(230.0, abs=0.01)


def test_criteria_carry_their_averaging_time():
    """230 mg/L over four days, and 860 mg/L, in Minnesota over 24 hours: Minnesota Pollution
    Control Agency, Minnesota Stormwater Manual, Twin Cities Metro Chloride TMDL, applicable
    standards (which quotes US EPA 440/5-88-001, 1988). EPA's one hour is from memory, not tested.
    """
    known = {one.name: (one.limit_mg_l, one.averaging_h) for one in CRITERIA}
    assert known["EPA, chronic"] == (230.0, 96.0)
    assert known["Minnesota, maximum"] == (860.0, 24.0)
