import numpy as np
import pandas as pd
import pytest

from spreadplan.planning.melting import Melter, melter_of, melting_check, water_held
from tests.planning.small_county import NAN
from tests.said import US


def checked(chemical, temp, rain=0.01, rate=200.0, fraction=NAN):
    melters = {"m": melter_of(chemical, fraction)}
    rows = pd.DataFrame(
        {
            "application": ["1"],
            "zone": [""],
            "material": ["m"],
            "lane_miles": [1.0],
            "target_rate_lb_per_lane_mile": [rate],
            "lane_width_ft": [12.0],
            "pavement_temp_f": [temp],
            "precipitation_in": [rain],
        }
    )
    rows["water_held_in"] = water_held(rows, melters)
    table = melting_check(rows, melters)
    return None if table.empty else table.iloc[0]


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


def test_verdicts():
    assert checked("NaCl", 30.0, rain=0.001)["verdict"] == "holds"
    assert checked("NaCl", 25.0, rain=0.5)["verdict"] == "in part"
    assert checked("NaCl", 10.0)["verdict"] == "too cold"
    assert checked("NaCl", -7.0)["verdict"] == "will not melt"
    assert checked("MgCl2", -20.0)["verdict"] == "not checked", "its purity is not known"
    assert checked("MgCl2", -28.0)["verdict"] == "will not melt"
    assert checked("CaCl2", -61.0)["verdict"] == "will not melt"
    assert "from memory" in US.say(checked("CaCl2", -61.0)["advice"])
    assert checked("CaCl2", 20.0, fraction=0.6)["verdict"] == "not checked"
    assert checked("none", 20.0)["verdict"] == "abrasive"
    assert checked("", 20.0)["verdict"] == "not checked"
    assert checked("NaCl", 25.0, rain=NAN)["verdict"] == "not checked"
    assert checked("NaCl", 35.0, rain=2.0)["verdict"] == "holds"


def test_the_share_that_is_held():
    row = checked("NaCl", 25.0, rain=0.1, fraction=0.6066)
    assert row["held_share"] == pytest.approx(row["water_held_in"] / 0.1)
    # 200 lb at 25 F, where a 6.385 % brine freezes: 2,932 lb of water on 63,360 ft2
    assert row["water_held_in"] == pytest.approx(2932 / 62.428 / 63360 * 12, rel=2e-3)
    assert checked("NaCl", 31.9, rain=0.001)["held_share"] == 1.0


def test_nothing_spread_or_no_forecast_is_not_checked():
    assert checked("NaCl", 25.0, rate=0.0) is None
    assert checked("NaCl", NAN) is None


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
