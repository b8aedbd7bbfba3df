"""The columns of weather from elsewhere: observations and forecasts hour by hour."""

from __future__ import annotations

from typing import Final

from spreadplan.schema.columns import Table, ident, moment, number, quantity
from spreadplan.schema.limits import AIR_F, PAVEMENT_F, PAVEMENT_U_F

WEATHER: Final = Table(
    name="weather",
    file="weather",
    meaning="observed or forecast weather at places, hour by hour",
    columns=(
        moment("time", "when it holds, or when its hour ends", example="2026-12-01T04:00Z"),
        ident("place", "station or point", required=False, example="KAMW"),
        number("lon", "longitude, degrees east", required=False, low=-180, high=360),
        number("lat", "latitude, degrees north", required=False, low=-90, high=90),
        quantity(
            "pavement_temp",
            "temperature",
            "pavement temperature",
            required=False,
            low=PAVEMENT_F[0],
            high=PAVEMENT_F[1],
        ),
        quantity(
            "pavement_temp_u",
            "temperature_difference",
            "its standard uncertainty",
            required=False,
            high=PAVEMENT_U_F,
        ),
        quantity(
            "air_temp",
            "temperature",
            "air temperature",
            required=False,
            low=AIR_F[0],
            high=AIR_F[1],
        ),
        quantity(
            "dew_point",
            "temperature",
            "dew point",
            required=False,
            low=AIR_F[0],
            high=AIR_F[1],
        ),
        quantity(
            "precipitation",
            "length",
            "water since the row before",
            unit="in",
            required=False,
            high=40,
        ),
        ident(
            "weather",
            "present weather: a METAR code such as -SN or FZRA, or a word",
            required=False,
        ),
    ),
)

#: names that exports of airport observations give to columns, and ours. From memory.
USUAL_NAMES: Final = {
    "station": "place",
    "valid": "time_utc",
    "latitude": "lat",
    "longitude": "lon",
    "tmpf": "air_temp_f",
    "tmpc": "air_temp_c",
    "dwpf": "dew_point_f",
    "dwpc": "dew_point_c",
    "p01i": "precipitation_in",
    "p01m": "precipitation_mm",
    "wxcodes": "weather",
}
