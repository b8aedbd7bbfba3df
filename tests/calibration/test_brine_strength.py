import numpy as np
import pandas as pd
import pytest

from spreadplan.calibration.brine_strength import brine_table
from tests.calibration import builders
from tests.calibration.liquid_builders import VOICE

MATERIALS = pd.DataFrame({"material": ["brine", "mag", "plain"], "chemical": ["NaCl", "MgCl2", ""]})


def batch(**given):
    usual = {
        "batch_id": "B1",
        "yard_id": "Y1",
        "material": "brine",
        "made_at": builders.AS_OF,
        "volume_gal": 2500.0,
        "strength_pct": np.nan,
        "strength_u_pct": np.nan,
        "specific_gravity": np.nan,
        "specific_gravity_u": np.nan,
        "temperature_f": np.nan,
        "note": "",
    }
    return brine_table(builders.frame([given], usual), MATERIALS).iloc[0]


@pytest.mark.parametrize(
    ("given", "verdict"),
    [
        ({"strength_pct": 23.3}, "accepted"),
        ({"strength_pct": 23.0}, "accepted"),
        ({"strength_pct": 21.0}, "too_weak"),
        ({"strength_pct": 25.5}, "too_strong"),
        ({"strength_pct": 22.6}, "not_shown"),
        ({"strength_pct": 22.6, "strength_u_pct": 0.05}, "too_weak"),
        ({"specific_gravity": 1.178, "temperature_f": 60.0}, "accepted"),
        ({"specific_gravity": 1.150, "temperature_f": 60.0}, "too_weak"),
        ({"specific_gravity": 1.150}, "too_weak"),
        ({"material": "mag", "specific_gravity": 1.28}, "not_judged"),
        ({"material": "mag", "strength_pct": 30.0}, "not_judged"),
        ({"material": "plain", "strength_pct": 23.3}, "not_judged"),
    ],
)
def test_verdicts(given, verdict):
    assert batch(**given)["verdict"] == verdict


def test_a_strength_by_gravity_carries_the_hydrometers_doubt():
    row = batch(specific_gravity=1.178, temperature_f=59.0)
    assert row["measured_by"] == "hydrometer"
    assert row["strength_pct"] == pytest.approx(23.2, abs=0.06)
    assert row["strength_u_pct"] == pytest.approx(0.001 * 3.3 / 0.027, rel=0.1)


def test_salts_table_says_nothing_of_another_chemical():
    row = batch(material="mag", specific_gravity=1.17)
    assert np.isnan(row["strength_pct"])


def test_advice_is_in_words():
    table = VOICE.table(pd.DataFrame([batch(strength_pct=20.0)]))
    assert "circulate it over more salt" in table["advice"].iloc[0]
