"""How high the sun stands over a place.

Method: U.S. Naval Observatory, Astronomical Applications Department, "Computing Approximate Solar
Coordinates" and "Computing Greenwich Apparent Sidereal Time"; good to about a minute of arc for
200 years on either side. The formulas are from memory; tests hold them against published values.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: noon of 1 January 2000, from which the formulas count their days
_EPOCH = pd.Timestamp("2000-01-01T12:00", tz="UTC")


def sun_elevation_deg(times: pd.DatetimeIndex, lat_deg: float, lon_deg: float) -> Floats:
    """Height of the sun's center above the horizon, without refraction.

    Parameters
    ----------
    times : moments with a time zone, shape (n,).
    lat_deg, lon_deg : the place, WGS 84 degrees; north and east are positive.

    Returns
    -------
    Degrees, shape (n,); below 0 the sun has set.

    Source: see the module.

    >>> noon = pd.DatetimeIndex(["2026-03-20T12:07Z"])
    >>> bool(abs(sun_elevation_deg(noon, 0.0, 0.0)[0] - 90.0) < 0.5)
    True
    """
    days = np.asarray((times - _EPOCH) / pd.Timedelta(days=1), dtype=float)
    anomaly = np.radians(357.529 + 0.98560028 * days)
    longitude = np.radians(
        280.459 + 0.98564736 * days + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2.0 * anomaly)
    )
    tilt = np.radians(23.439 - 0.00000036 * days)
    ascension = np.arctan2(np.cos(tilt) * np.sin(longitude), np.cos(longitude))
    declination = np.arcsin(np.sin(tilt) * np.sin(longitude))
    sidereal_h = 18.697374558 + 24.06570982441908 * days
    hour_angle = np.radians(15.0 * sidereal_h + lon_deg) - ascension
    lat = np.radians(lat_deg)
    height = np.sin(lat) * np.sin(declination)
    height += np.cos(lat) * np.cos(declination) * np.cos(hour_angle)
    found: Floats = np.degrees(np.arcsin(np.clip(height, -1.0, 1.0)))
    return found
