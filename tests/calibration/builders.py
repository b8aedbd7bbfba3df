"""Small tables in the package's fixed units, for the calibration tests."""

from collections.abc import Iterable
from types import SimpleNamespace

import numpy as np
import pandas as pd

AS_OF = pd.Timestamp("2026-12-01T12:00", tz="UTC")
POLICY = SimpleNamespace(calibration_pct=5.0, calibration_max_age_days=365.0)


def frame(rows: Iterable[dict], defaults: dict) -> pd.DataFrame:
    """Rows over defaults, with the source row; keeps the columns when there are no rows."""
    table = pd.DataFrame([defaults | row for row in rows], columns=list(defaults))
    return table.assign(row=np.arange(len(table)) + 2)


def trucks(*rows: dict) -> pd.DataFrame:
    return frame(
        rows or ({},),
        {
            "truck_id": "T1",
            "control": "open_loop",
            "feeder": "conveyor",
            "capacity_lb": 20000.0,
            "prewet_tank_gal": np.nan,
            "min_feeder_pct": 0.0,
            "max_feeder_pct": 100.0,
            "control_step_pct": 1.0,
            "gate_positions_in": (),
            "max_spread_lanes": np.nan,
            "liquid_tank_gal": np.nan,
            "boom_width_ft": np.nan,
        },
    )


def materials() -> pd.DataFrame:
    return pd.DataFrame({"material": ["salt", "brine"], "kind": ["solid", "liquid"]})


def tests(*rows: dict) -> pd.DataFrame:
    table = frame(
        rows,
        {
            "test_id": "A",
            "truck_id": "T1",
            "material": "salt",
            "performed_at": pd.Timestamp("2026-10-15T15:00", tz="UTC"),
            "gate_in": 2.0,
            "feeder_pct": 50.0,
            "duration_s": 60.0,
            "sensor_counts": np.nan,
            "duration_u_s": np.nan,
            "engine_rpm": np.nan,
            "spinner_on": False,
            "voided_by": "",
            "performed_by": "",
        },
    )
    return table.astype({"performed_at": "datetime64[ns, UTC]"})


def weighings(*rows: dict) -> pd.DataFrame:
    return frame(
        rows,
        {
            "test_id": "A",
            "method": "direct",
            "gross_lb": 100.0,
            "tare_lb": np.nan,
            "count": 1,
            "scale_division_lb": 1.0,
        },
    )


def changes(*rows: dict) -> pd.DataFrame:
    table = frame(
        rows,
        {
            "truck_id": "T1",
            "changed_at": pd.Timestamp("2026-11-03T12:00", tz="UTC"),
            "what": "gate",
            "note": "",
        },
    )
    return table.astype({"changed_at": "datetime64[ns, UTC]"})


def assignments(*rows: dict) -> pd.DataFrame:
    return frame(
        rows,
        {
            "route_id": "R1",
            "truck_id": "T1",
            "yard_id": "Y1",
            "material": "salt",
            "prewet_gal_per_ton": 0.0,
        },
    )
