"""The columns of telemetry files, and the clean records of one truck that are made of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spreadplan.schema.columns import Column, Table, ident, moment, number, quantity

_SET_RATES = tuple(
    quantity("set_rate", kind, what, required=False)
    for kind, what in (
        ("rate_limit", "rate that was set, where nothing measures what is released"),
        ("area_rate", "the same, on the area of the lanes"),
        ("liquid_rate", "the same of a liquid"),
    )
)

TELEMETRY = Table(
    name="telemetry",
    file="telemetry",
    meaning="what the trucks reported while they drove",
    columns=(
        ident("truck_id", "the truck", example="T1"),
        moment("time", "when it was recorded", example="2026-12-01T04:30:05-06:00"),
        number("lon", "longitude, degrees east (west is negative)", example="-94.2"),
        number("lat", "latitude, degrees north", example="46.1"),
        quantity("speed", "speed", "ground speed", example="24.5"),
        number("heading_deg", "degrees clockwise from north", required=False, example="180"),
        Column(
            name="spreading",
            meaning="1 while material is spread, 0 otherwise",
            kind="flag",
            default=True,
            example="1",
        ),
        quantity("feed_total", "mass", "running total of the material", required=False),
        quantity("feed_rate", "mass_flow", "material released per minute", required=False),
        quantity("liquid_total", "volume", "running total of the liquid", required=False),
        ident("material", "the material being spread", required=False, example="road_salt"),
        *_SET_RATES,
        quantity(
            "liquid_rate", "liquid_rate", "set rate of the liquid on the solid", required=False
        ),
        Column(
            name="plow",
            meaning="1 while the plow is down, 0 otherwise",
            kind="flag",
            required=False,
            example="0",
        ),
        quantity("air_temp", "temperature", "air, by the truck's own sensor", required=False),
        quantity(
            "pavement_temp", "temperature", "pavement, by the truck's own sensor", required=False
        ),
    ),
    per_storm=True,
)


#: Columns that tell what a truck was told to spread.
SET_RATES = (
    "set_rate_lb_per_lane_mile",
    "set_rate_g_per_m2",
    "set_rate_gal_per_lane_mile",
)
#: Columns of `TruckRecords` that are None where no file has them.
ONLY_IF_GIVEN = (
    *SET_RATES,
    "liquid_rate_gal_per_lane_mile",
    "plow",
    "air_temp_f",
    "pavement_temp_f",
)


@dataclass(frozen=True)
class SourceFile:
    """One telemetry file: its name and what one unit of its counters stands for."""

    name: str
    feed_unit_lb: float = 1.0
    liquid_unit_gal: float = 1.0


@dataclass(frozen=True, kw_only=True)
class TruckRecords:
    """Clean records of one truck, in order of time; no two at the same time.

    Attributes
    ----------
    time_s : shape (n,), seconds since 1970-01-01 UTC.
    lon, lat : shape (n,), WGS 84 degrees.
    speed_mph, heading_deg : shape (n,), NaN where unknown.
    spreading : shape (n,), whether material was being spread.
    feed_total_lb, feed_rate_lb_min, liquid_total_gal : shape (n,), NaN where not reported.
    material : shape (n,), index into ``materials``; -1 where not reported.
    set_rate_lb_per_lane_mile, set_rate_g_per_m2, set_rate_gal_per_lane_mile : shape (n,), what the
        truck was told to spread, NaN where not reported; None where no file of the truck has it.
    liquid_rate_gal_per_lane_mile, plow (1 down, 0 up), air_temp_f, pavement_temp_f : likewise.
    source_file, source_row : shape (n,), index into ``sources``, and row as a spreadsheet shows it
        (in a columnar file: number of the record).
    """

    truck_id: str
    time_s: NDArray[np.float64]
    lon: NDArray[np.float64]
    lat: NDArray[np.float64]
    speed_mph: NDArray[np.float64]
    heading_deg: NDArray[np.float64]
    spreading: NDArray[np.bool_]
    feed_total_lb: NDArray[np.float64]
    feed_rate_lb_min: NDArray[np.float64]
    liquid_total_gal: NDArray[np.float64]
    material: NDArray[np.int64]
    source_file: NDArray[np.int64]
    source_row: NDArray[np.int64]
    set_rate_lb_per_lane_mile: NDArray[np.float64] | None = None
    set_rate_g_per_m2: NDArray[np.float64] | None = None
    set_rate_gal_per_lane_mile: NDArray[np.float64] | None = None
    liquid_rate_gal_per_lane_mile: NDArray[np.float64] | None = None
    plow: NDArray[np.float64] | None = None
    air_temp_f: NDArray[np.float64] | None = None
    pavement_temp_f: NDArray[np.float64] | None = None
    materials: tuple[str, ...] = ()
    sources: tuple[SourceFile, ...] = ()

    def __len__(self) -> int:
        return len(self.time_s)
