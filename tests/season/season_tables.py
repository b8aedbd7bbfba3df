"""A season small enough to work out by hand."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from spreadplan.season.use import StormOfSeason
from tests.planning.small_county import frame, line_route

NAN = float("nan")
START = pd.Timestamp("2026-11-01T00:00Z")
END = pd.Timestamp("2027-03-31T00:00Z")


def materials() -> pd.DataFrame:
    """Salt with a stated chloride fraction, sand without salt, brine."""
    return frame(
        "material kind bulk_density_lb_ft3 density_lb_gal chloride_fraction moisture_pct "
        "cost_per_ton cost_per_gal chemical",
        ("salt", "solid", 75.0, NAN, 0.6, 2.0, 80.0, NAN, "NaCl"),
        ("sand", "solid", 96.0, NAN, NAN, NAN, NAN, NAN, "none"),
        ("brine", "liquid", NAN, 10.0, 0.14, NAN, NAN, 0.5, "NaCl"),
    )


def assignments() -> pd.DataFrame:
    """R1 dry by T1 and R2 prewetted by T2, both from Y1."""
    return frame(
        "route_id truck_id yard_id material prewet_gal_per_ton",
        ("R1", "T1", "Y1", "salt", 0.0),
        ("R2", "T2", "Y1", "salt", 10.0),
    )


def parts(*rows: tuple[Any, ...]) -> pd.DataFrame:
    """Rows of route, segment, truck, reported, applied, fleet_u, truck_u, own_u; all salt."""
    columns = [
        "route_id",
        "segment_id",
        "truck_id",
        "reported_lb",
        "applied_lb",
        "fleet_u_lb",
        "truck_u_lb",
        "own_u_lb",
    ]
    return pd.DataFrame(list(rows), columns=columns).assign(
        material="salt", storm_u_lb=0.0, without_ticket_lb=0.0
    )


def segments(*rows: tuple[Any, ...]) -> pd.DataFrame:
    """Rows of route, segment, lane_miles, applications, applied, applied_u, planned, allowed."""
    columns = [
        "route_id",
        "segment_id",
        "lane_miles",
        "applications",
        "applied_lb",
        "applied_u_lb",
        "planned_lb",
        "allowed_lb",
    ]
    return pd.DataFrame(list(rows), columns=columns).assign(
        material="salt", verdict="within", p_over=0.0, rounds_planned=2.0, reason="", unseen_lb=0.0
    )


def forecast(*rows: tuple[Any, ...]) -> pd.DataFrame:
    """Rows of zone, start, end, event, temperature, trend, precipitation."""
    table = frame("zone start end event pavement_temp_f trend precipitation_in application", *rows)
    return table.assign(
        start=pd.to_datetime(table["start"], utc=True), end=pd.to_datetime(table["end"], utc=True)
    )


def storm(name: str, day: str, scale: float = 1.0, **changes: Any) -> StormOfSeason:
    """Two rounds on R1 (a, b) and R2 (c); 4,000, 2,000 and 3,000 lb times ``scale``."""
    start = pd.Timestamp(f"{day}T04:00Z")
    usual: dict[str, Any] = {
        "storm": name,
        "start": start,
        "end": start + pd.Timedelta(hours=6),
        "rounds": 2,
        "parts": parts(
            ("R1", "a", "T1", 3600 * scale, 4000 * scale, 40 * scale, 120 * scale, 30.0),
            ("R1", "b", "T1", 1800 * scale, 2000 * scale, 20 * scale, 60 * scale, 40.0),
            ("R2", "c", "T2", 3000 * scale, 3000 * scale, 30 * scale, 60 * scale, 0.0),
        ),
        "segments": segments(
            ("R1", "a", 10.0, 2.0, 4000 * scale, 130.0 * scale, 3600 * scale, 3900 * scale),
            ("R1", "b", 5.0, 2.0, 2000 * scale, 75.0 * scale, 1800 * scale, 2200 * scale),
            ("R2", "c", 7.5, 2.0, 3000 * scale, 67.0 * scale, 3000 * scale, 3300 * scale),
        ),
        "forecast": forecast(
            ("*", f"{day}T04:00Z", f"{day}T10:00Z", "light_snow", 28.0, "steady", 0.1, "1"),
        ),
    }
    return StormOfSeason(**(usual | changes))


def routes() -> gpd.GeoDataFrame:
    """R1 (a, b) and R2 (c), each segment 0.02 degrees along the 46th parallel."""
    return line_route(
        [
            {"route_id": "R1", "segment_id": "a"},
            {"route_id": "R1", "segment_id": "b"},
            {"route_id": "R2", "segment_id": "c"},
        ]
    )


def areas(**columns: Any) -> gpd.GeoDataFrame:
    """One area over the first half of R1-a, and a watershed over everything."""
    usual: dict[str, Any] = {
        "area_id": ["S1", "W1"],
        "name": ["Well", "Creek"],
        "kind": ["wellhead", "watershed"],
        "max_rate_lb_per_lane_mile": [NAN, NAN],
        "rate_factor": [0.5, NAN],
        "chloride_limit_lb": [3000.0, NAN],
        "mean_flow_cfs": [NAN, 2.0],
        "low_flow_cfs": [NAN, NAN],
        "background_mg_l": [NAN, NAN],
    }
    shapes = [shapely.box(-94.01, 45.9, -93.99, 46.1), shapely.box(-94.1, 45.9, -93.8, 46.1)]
    return gpd.GeoDataFrame(usual | columns, geometry=shapes, crs=4326)


def season_days(*days: str) -> list[StormOfSeason]:
    """One storm a day given, growing in size."""
    sizes = np.linspace(0.6, 1.6, len(days))
    return [
        storm(f"s{number}", day, float(size))
        for number, (day, size) in enumerate(zip(days, sizes, strict=True), 1)
    ]
