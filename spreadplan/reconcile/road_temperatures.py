"""What the trucks' own sensors measured of the road, beside what the forecast said. °F."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.frames import lines
from spreadplan.schema.results import RESULTS
from spreadplan.schema.telemetry import TruckRecords

BIN_S: Final = 300.0
"""Records of a truck on one segment within so many seconds are taken together, s."""

APART_F: Final = 3.0
"""A forecast that lies further from what the trucks measured is called so, °F. Common practice, no
source."""

FEWEST: Final = 3
"""So few readings of a period tell nothing. Common practice, no source."""

_TEMPERATURES: Final = ("pavement_temp_f", "air_temp_f")


def measured(records: TruckRecords, row: NDArray[Any]) -> Mapping[str, Any]:
    """A truck's readings, of some minutes on one segment together.

    Parameters
    ----------
    row : shape (n,), row of the routes table of each record, -1 off the routes.

    Returns
    -------
    Columns row, time_s, records, pavement_temp_f and air_temp_f (means; NaN: none), one length;
    none where no record has a temperature.
    """
    given = [getattr(records, name) for name in _TEMPERATURES]
    if all(one is None or np.isnan(one).all() for one in given):
        return {}
    nothing = np.full(len(records), np.nan)
    table = pd.DataFrame(
        {
            "row": row,
            "bin": np.floor(records.time_s / BIN_S),
            **{
                name: nothing if one is None else one
                for name, one in zip(_TEMPERATURES, given, strict=True)
            },
        }
    )
    table = table[(table["row"] >= 0) & table[[*_TEMPERATURES]].notna().any(axis=1)]
    groups = table.groupby(["row", "bin"], sort=True)
    found = groups[[*_TEMPERATURES]].mean().assign(records=groups.size()).reset_index()
    found["time_s"] = (found.pop("bin") + 0.5) * BIN_S
    return {str(name): found[name].to_numpy() for name in found}


def beside_forecast(
    readings: Mapping[str, Mapping[str, Any]], zone: Sequence[str], forecast: pd.DataFrame
) -> pd.DataFrame:
    """What the forecast said of each zone and period, and what the trucks measured there and then.

    Parameters
    ----------
    readings : by truck, as `measured` gives them.
    zone : of each row of the routes table.
    forecast : zone (* for all), start, end, pavement_temp_f.

    Returns
    -------
    The table ``use_temperatures``, in order of zone and time; periods with fewer than `FEWEST`
    readings are left out. A truck weighs as much as another, however often it sent; the median of
    the trucks tells, so that one bad sensor of several does not.
    """
    names = RESULTS["use_temperatures"].names
    tables = [
        pd.DataFrame(dict(one)).assign(truck_id=truck) for truck, one in readings.items() if one
    ]
    if not tables:
        return pd.DataFrame(columns=names)
    rows = pd.concat(tables, ignore_index=True)
    rows = rows[rows["pavement_temp_f"].notna()]
    rows["zone"] = np.asarray(zone, dtype=object)[rows["row"].to_numpy(dtype=int)]
    found = [
        _period(row, mine)
        for row in lines(forecast.sort_values(["zone", "start"], kind="stable"))
        if len(mine := _within(rows, row)) and mine["records"].sum() >= FEWEST
    ]
    return pd.DataFrame(found, columns=names)


def _within(rows: pd.DataFrame, period: Any) -> pd.DataFrame:
    """The readings in a period of the forecast, in its zone."""
    inside = (rows["time_s"] >= period.start.timestamp()) & (
        rows["time_s"] < period.end.timestamp()
    )
    wanted = inside if period.zone == "*" else inside & (rows["zone"] == period.zone)
    return pd.DataFrame(rows[wanted])


def _period(period: Any, rows: pd.DataFrame) -> dict[str, Any]:
    by_truck = rows.groupby("truck_id")["pavement_temp_f"].median()
    middle = float(by_truck.median())
    low, high = (float(rows["pavement_temp_f"].quantile(share)) for share in (0.1, 0.9))
    difference = middle - float(period.pavement_temp_f)
    air = rows["air_temp_f"].dropna()
    verdict = "as_forecast"
    if abs(difference) > APART_F:
        verdict = "colder" if difference < 0.0 else "warmer"
    return {
        "zone": period.zone,
        "start_at": period.start,
        "end_at": period.end,
        "forecast_pavement_temp_f": float(period.pavement_temp_f),
        "pavement_temp_f": middle,
        "pavement_temp_low_f": low,
        "pavement_temp_high_f": high,
        "air_temp_f": float(air.median()) if len(air) else np.nan,
        "trucks": ";".join(sorted(by_truck.index.astype(str))),
        "readings": int(rows["records"].sum()),
        "verdict": verdict,
    }
