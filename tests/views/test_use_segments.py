"""Rates of segments as they are read where a workspace asks for g/m²."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from spreadplan.reports.use_segment_tables import segment_tables
from spreadplan.views.display import Display
from spreadplan.views.use_segments import lane_factors

ZONE = ZoneInfo("Europe/Oslo")
PER_AREA = Display("metric", ZONE, "NOK", 12.0)
PER_LANE = Display("metric", ZONE, "NOK")
ROUTES = gpd.GeoDataFrame(
    {"route_id": "R", "segment_id": ["a", "b"], "lane_width_ft": [12.0, 10.0]},
    geometry=[shapely.Point(0, 0)] * 2,
    crs="EPSG:4326",
)
SEGMENTS = pd.DataFrame({"route_id": "R", "segment_id": ["b", "a", "elsewhere"]})


def test_a_narrow_lane_with_the_same_mass_has_a_higher_rate_by_area():
    assert lane_factors(SEGMENTS, ROUTES, PER_LANE).tolist() == [1.0, 1.0, 1.0]
    assert lane_factors(SEGMENTS, ROUTES, PER_AREA) == pytest.approx([1.2, 1.0, 1.0])


def test_the_table_of_segments_is_in_grams_by_area():
    """1 t on 10 lane-km of 10 ft (3.048 m): 1,000,000 g on 30,480 m² are 32.8 g/m²."""
    lane_miles, mass_lb = 10.0 / 1.609344, 1000.0 / 0.45359237
    numbers = ("applied_lo_lb", "applied_hi_lb", "planned_lb", "allowed_lb", "least_lb")
    rows = pd.DataFrame(
        {
            "route_id": ["R"],
            "segment_id": ["b"],
            "material": ["salt"],
            "kind": ["over"],
            **{name: [mass_lb] for name in ("applied_lb", *numbers)},
            "lane_miles": [lane_miles],
            "is_missed": [False],
            "road": [""],
            "area": [""],
            "applications": [1.0],
            "passes": [1.0],
            "rounds_planned": [1.0],
            "p_over": [0.99],
            "p_under": [0.0],
        }
    )
    rows = rows.assign(lane_factor=lane_factors(rows, ROUTES, PER_AREA))
    parts = rows[["route_id", "segment_id", "material", "applied_lb"]].assign(truck_id="T1")
    (table,) = segment_tables(rows, _Use(parts), PER_AREA)
    assert table["rows"][0]["rate"] == "32.8"
    assert PER_AREA.unit("rate") == "g/m²"


class _Use:
    """The part of a storm's use that the tables look at."""

    def __init__(self, parts: pd.DataFrame) -> None:
        self.parts = parts
