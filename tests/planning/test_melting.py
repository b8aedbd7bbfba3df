import numpy as np
import pandas as pd
import pytest

from spreadplan.planning.melting import Melter, melter_of, water_held
from tests.planning.small_county import NAN


@pytest.mark.parametrize(
    ("chemical", "fraction", "found", "purity"),
    [
        ("NaCl", 0.588, "NaCl", 0.588 / 0.6066),
        ("", 0.588, "NaCl", 0.588 / 0.6066),
        ("NaCl", NAN, "NaCl", 0.95),
        ("MgCl2", NAN, "MgCl2", NAN),
        ("", 0.0, "none", NAN),
        ("none", 0.05, "none", NAN),
        ("", NAN, "", NAN),
        ("", 0.3, "", NAN),
        ("NaCl", 0.7, "NaCl", 1.0),
    ],
)
def test_what_a_material_melts_with(chemical, fraction, found, purity):
    melter = melter_of(chemical, fraction)
    assert melter.chemical == found
    assert melter.purity == pytest.approx(purity, nan_ok=True)


def test_a_stated_dry_chemical_counts_before_the_chloride():
    assert melter_of("NaCl", NAN, 0.233).purity == 0.233
    assert melter_of("MgCl2", NAN, 0.3).purity == 0.3


def test_abrasives_hold_no_water():
    rows = pd.DataFrame(
        {
            "material": ["sand", "odd"],
            "target_rate_lb_per_lane_mile": 500.0,
            "lane_width_ft": 12.0,
            "pavement_temp_f": 20.0,
        }
    )
    held = water_held(rows, {"sand": Melter("none", NAN)})
    assert held[0] == 0.0
    assert np.isnan(held[1])
