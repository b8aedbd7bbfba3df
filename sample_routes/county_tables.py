"""The county's plain tables: materials, yards, stock, budgets and sensitive areas."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from county_roads import LAKE, RIVER
from county_routes import ASSIGNMENTS, YARD_PLACES
from county_shapes import between, blob, to_lon_lat
from shapely import Point, Polygon
from shapely.geometry.base import BaseGeometry

# Chloride shares of NaCl from IUPAC standard atomic weights (Na 22.98976928, Cl 35.45).
CL_IN_NACL = 35.45 / (22.98976928 + 35.45)
SALT_PURITY, SALT_MOISTURE_PCT = 0.97, 1.5
BRINE_NACL, SALT_IN_MIX = 0.233, 0.25
SALT_CL = SALT_PURITY * (1 - SALT_MOISTURE_PCT / 100) * CL_IN_NACL

WORKSPACE_TOML = """\
# Tamarack County is an invented place: no road, truck, yard or storm in this folder is real.
[workspace]
name = "Tamarack County (invented)"
units = "us"
timezone = "America/Chicago"
lane_width_ft = 12
season_start = 2026-10-15
season_end = 2027-04-15
# The whole season is looked at in hindsight, whatever day it is. Without this line it is today.
as_of = 2027-04-15
# Whom a driver calls: it stands on every cab card. An invented number.
call = "Dispatch 555-0142"

# What people call a storm, where the name of its folder does not say it well enough.
[storms]
"2026-12-31-year-end-snow" = "Year-end snow"
"""

MAINE = (
    "Maine DOT Treatment Recommendations, Table A (Appendix A of an ITS evaluation report, "
    "US National Transportation Library)"
)


def materials() -> pd.DataFrame:
    """materials.csv. Prices are invented; the brine's density is 1.179 x 8.338 lb/gal.

    Specific gravity of 23.3 % brine: Lange's Handbook of Chemistry, 15th ed., Table 5.13.
    """
    columns = [
        "material",
        "kind",
        "bulk_density_lb_ft3",
        "density_lb_gal",
        "chloride_fraction",
        "moisture_pct",
        "cost_per_ton",
        "chemical",
    ]
    rows = [
        ("rock_salt", "solid", 75, None, round(SALT_CL, 4), SALT_MOISTURE_PCT, 84, "NaCl"),
        ("salt_brine", "liquid", None, 9.83, round(BRINE_NACL * CL_IN_NACL, 4), None, 45, "NaCl"),
        ("sand_salt", "solid", 96, None, round(SALT_IN_MIX * SALT_CL, 4), 4, 38, "NaCl"),
    ]
    return pd.DataFrame(rows, columns=columns)


def assignments() -> pd.DataFrame:
    """assignments.csv"""
    columns = ["route_id", "truck_id", "yard_id", "material", "prewet_gal_per_ton"]
    return pd.DataFrame(ASSIGNMENTS, columns=columns)


def yards() -> pd.DataFrame:
    """yards.csv"""
    places = to_lon_lat(np.array(list(YARD_PLACES.values())))
    reload_min = {"CENTRAL": 8, "LAKES": 12, "EAST": 10}
    rows = [
        (yard, lon, lat, reload_min[yard])
        for yard, (lon, lat) in zip(YARD_PLACES, places, strict=True)
    ]
    return pd.DataFrame(rows, columns=["yard_id", "lon", "lat", "reload_min"])


def stock_counts() -> pd.DataFrame:
    """stock_counts.csv until the first long storm: LAKES holds less salt than that takes."""
    rows = [
        ("CENTRAL", "rock_salt", "2026-11-01T08:00", 610, 30),
        ("LAKES", "rock_salt", "2026-11-01T10:00", 32, 3),
        ("EAST", "rock_salt", "2026-11-01T13:00", 140, 8),
        ("CENTRAL", "sand_salt", "2026-11-01T08:30", 150, 10),
        ("LAKES", "sand_salt", "2026-11-01T10:30", 70, 6),
        ("CENTRAL", "salt_brine", "2026-11-01T09:00", 29.5, 0.5),
        ("EAST", "salt_brine", "2026-11-01T13:30", 14.7, 0.4),
        ("CENTRAL", "rock_salt", "2026-11-23T08:00", 655, 33),
        ("LAKES", "rock_salt", "2026-11-23T10:00", 17, 3),
        ("EAST", "rock_salt", "2026-11-23T13:00", 138, 8),
    ]
    columns = ["yard_id", "material", "counted_at", "on_hand_ton", "on_hand_u_ton"]
    return pd.DataFrame(rows, columns=columns)


def deliveries() -> pd.DataFrame:
    """deliveries.csv of the first weeks."""
    rows = [
        ("D-2601", "CENTRAL", "rock_salt", "2026-11-05T09:20", 24.86),
        ("D-2602", "CENTRAL", "rock_salt", "2026-11-05T13:45", 25.14),
        ("D-2603", "EAST", "sand_salt", "2026-11-12T10:05", 22.4),
        ("D-2604", "LAKES", "rock_salt", "2026-11-24T11:30", 12.02),
        ("D-2605", "LAKES", "rock_salt", "2026-12-02T10:10", 24.91),
        ("D-2606", "LAKES", "rock_salt", "2026-12-03T10:40", 25.08),
        ("D-2607", "CENTRAL", "salt_brine", "2026-12-03T14:00", 19.66),
    ]
    columns = ["ticket_id", "yard_id", "material", "delivered_at", "net_ton"]
    return pd.DataFrame(rows, columns=columns)


def budgets() -> pd.DataFrame:
    """budgets.csv: what R03's controller reports stays below its budget, its true use does not."""
    rows = [
        ("agency", "*", "rock_salt", 1250),
        ("agency", "*", "sand_salt", 340),
        ("yard", "CENTRAL", "rock_salt", 650),
        ("yard", "LAKES", "rock_salt", 360),
        ("yard", "EAST", "rock_salt", 260),
        ("route", "R01", "rock_salt", 100),
        ("route", "R03", "rock_salt", 105),
        ("route", "R10", "rock_salt", 60),
    ]
    columns = ["season", "scope", "scope_id", "material", "budget_ton"]
    return pd.DataFrame([("2026-27", *row) for row in rows], columns=columns)


def sensitive_areas() -> list[dict[str, Any]]:
    """Features of sensitive_areas.geojson."""
    lake = Polygon(LAKE)
    bog = blob((19.35, 16.9), (0.75, 0.95), seed=3)
    shapes: list[tuple[BaseGeometry, dict[str, Any]]] = [
        (Point(12.0, 8.62).buffer(0.5, quad_segs=8),
         {"area_id": "SA1", "name": "Alder Falls well field", "kind": "wellhead",
          "max_rate_lb_per_lane_mile": 150}),
        (lake.buffer(0.32, quad_segs=4).difference(lake),
         {"area_id": "SA2", "name": "Long Pine Lake shore", "kind": "lake", "rate_factor": 0.6,
          "chloride_limit_ton": 9}),
        (between(RIVER, (14.9, 14.6), (13.1, 10.9)).buffer(0.22, quad_segs=4),
         {"area_id": "SA3", "name": "Otter River trout water", "kind": "stream",
          "rate_factor": 0.7, "mean_flow_cfs": 85, "low_flow_cfs": 12, "background_mg_l": 14}),
        (between(RIVER, (12.6, 9.2), (13.1, 5.4)).buffer(0.18, quad_segs=4),
         {"area_id": "SA4", "name": "Otter River below Alder Falls", "kind": "stream",
          "max_rate_lb_per_lane_mile": 200, "chloride_limit_ton": 14, "mean_flow_cfs": 110,
          "low_flow_cfs": 16, "background_mg_l": 17}),
        (Polygon(bog).simplify(0.01),
         {"area_id": "SA5", "name": "Tamarack Bog", "kind": "wetland", "mean_flow_cfs": 3.5}),
    ]  # fmt: skip
    columns = (
        "area_id",
        "name",
        "kind",
        "max_rate_lb_per_lane_mile",
        "rate_factor",
        "chloride_limit_ton",
        "mean_flow_cfs",
        "low_flow_cfs",
        "background_mg_l",
    )
    return [
        {
            "type": "Feature",
            "properties": {key: properties.get(key) for key in columns},
            "geometry": {"type": "Polygon", "coordinates": _rings(shape)},
        }
        for shape, properties in shapes
    ]


def _rings(shape: BaseGeometry) -> list[list[list[float]]]:
    assert isinstance(shape, Polygon)
    shape = shape.simplify(0.004)
    return [to_lon_lat(np.array(ring.coords)) for ring in (shape.exterior, *shape.interiors)]
