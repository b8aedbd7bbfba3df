"""Small tables of liquid tests in the package's fixed units."""

import numpy as np
import pandas as pd

from spreadplan.calibration.liquid import fit_liquids, liquid_table
from spreadplan.calibration.liquid_tests import liquid_results
from spreadplan.calibration.trucks import trucks_by_id
from spreadplan.views.display import Display
from spreadplan.views.voice import Voice
from tests.calibration import builders
from tests.calibration.builders import AS_OF, POLICY

DAY = pd.Timestamp("2026-10-15T15:00", tz="UTC")
VOICE = Voice(Display("us", AS_OF.tzinfo))


def liquid_tests(*rows):
    table = builders.frame(
        rows,
        {
            "test_id": "Q",
            "truck_id": "T1",
            "material": "brine",
            "performed_at": DAY,
            "circuit": "boom",
            "setting_gal_per_min": 10.0,
            "duration_s": 60.0,
            "duration_u_s": 0.0,
            "voided_by": "",
            "performed_by": "",
        },
    )
    return table.astype({"performed_at": "datetime64[ns, UTC]"})


def catches(*rows):
    return builders.frame(
        rows,
        {"test_id": "Q", "nozzle": "", "volume_gal": 10.0, "scale_division_gal": 0.01},
    )


def runs(*settings_and_gallons, **common):
    """Tests of a minute, each with one catch: results and models."""
    tests = liquid_tests(
        *(
            {"test_id": f"Q{number}", "setting_gal_per_min": setting, **common}
            for number, (setting, _) in enumerate(settings_and_gallons)
        )
    )
    caught = catches(
        *(
            {"test_id": f"Q{number}", "volume_gal": gallons}
            for number, (_, gallons) in enumerate(settings_and_gallons)
        )
    )
    return judged(tests, caught)


def judged(tests, caught, changes=None, as_of=AS_OF):
    fleet = trucks_by_id(builders.trucks({}))
    work = builders.changes() if changes is None else changes
    results, nozzles = liquid_results(tests, caught, fleet, work, POLICY, as_of)
    return results, nozzles, fit_liquids(results)


def table(results, models):
    return VOICE.table(liquid_table(results, models))


def one(models):
    (model,) = models.values()
    return model


def floats(*values):
    return np.array(values, dtype=float)
