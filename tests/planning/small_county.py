"""A county small enough to check by hand, and a discharge model that is a straight line."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from spreadplan.planning import PlanInputs
from spreadplan.schema.policy import RATE_ROW_COLUMNS, Policy

START = pd.Timestamp("2026-12-01T04:00", tz="UTC")
NAN = float("nan")


@dataclass(frozen=True)
class LineModel:
    """discharge = slope * (feeder - start), flat above the saturation."""

    gate_in: float
    slope: float
    start: float = 0.0
    saturation: float = 100.0
    relative_u: float = 0.02
    repeatability: float = 0.03
    day_sd: float = 0.0
    tested_lo_pct: float = 20.0
    tested_hi_pct: float = 80.0
    lb_per_count: float = NAN
    relative_dof: float = 8.0
    flags: tuple[str, ...] = ()

    def predict(self, feeder_pct: Any) -> Any:
        feeder = np.asarray(feeder_pct, dtype=float)
        discharge = self.slope * np.maximum(np.minimum(feeder, self.saturation) - self.start, 0.0)
        outside = (feeder < self.tested_lo_pct - 1e-9) | (feeder > self.tested_hi_pct + 1e-9)
        return SimpleNamespace(discharge_lb_per_min=discharge, extrapolated=outside)

    @property
    def curve(self) -> Any:
        """Only the slope is uncertain."""
        return SimpleNamespace(
            gradient=lambda feeder: (
                np.minimum(np.asarray(feeder), self.saturation)[:, None] - self.start
            ),
            form_u=np.zeros_like,
        )

    @property
    def covariance(self) -> Any:
        return np.array([[(self.slope * self.relative_u) ** 2]])

    def feeder_for(self, discharge_lb_per_min: Any) -> Any:
        feeder = np.asarray(discharge_lb_per_min, dtype=float) / self.slope + self.start
        return np.where(feeder > self.saturation * (1 + 1e-12), np.nan, feeder)

    def relative_u_per_count(self, feeder_pct: Any) -> Any:
        return np.full(np.shape(feeder_pct), self.relative_u)


def frame(columns: str, *rows: tuple[Any, ...]) -> pd.DataFrame:
    table = pd.DataFrame(list(rows), columns=columns.split())
    return table.assign(row=np.arange(2, len(table) + 2))


def trucks(*rows: tuple[Any, ...]) -> pd.DataFrame:
    return frame(
        "truck_id control feeder capacity_lb prewet_tank_gal min_feeder_pct max_feeder_pct "
        "control_step_pct gate_positions_in max_spread_lanes",
        *rows,
    ).assign(travel_speed_mph=NAN, home_yard_id="", liquid_tank_gal=NAN, boom_width_ft=NAN)


def policy_rates(*rows: dict[str, Any]) -> pd.DataFrame:
    usual = dict.fromkeys(RATE_ROW_COLUMNS, NAN) | {
        "event": "light_snow",
        "pavement_temp_min_f": -np.inf,
        "pavement_temp_max_f": np.inf,
        "trend": "",
        "service_class": "",
        "material": "*",
        "phase": "",
        "surface": (),
        "wetting": (),
        "plow": None,
        "wetting_included": False,
        "basis": "lb_per_lane_mile",
        "action": "",
        "source": "test table",
        "provenance": "read",
    }
    return pd.DataFrame(
        [usual | {"row": n} | row for n, row in enumerate(rows, 1)], columns=list(RATE_ROW_COLUMNS)
    )


def line_route(lengths: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    """Segments in a chain along the 46th parallel, each 0.02 degrees long unless stated."""
    usual = {
        "lanes": 2.0,
        "lane_width_ft": 12.0,
        "passes": 1,
        "speed_mph": 30.0,
        "service_class": "A",
        "zone": "",
        "two_way": True,
        "name": "",
    }
    rows, lon = [], -94.0
    for number, given in enumerate(lengths):
        row = usual | {"sequence": float(number), "row": number + 1} | given
        end = lon + row.pop("degrees", 0.02)
        row["geometry"] = shapely.LineString([(lon, 46.0), (end, 46.0)])
        rows.append(row)
        lon = end
    return gpd.GeoDataFrame(rows, crs=4326)


NO_AREAS = gpd.GeoDataFrame(
    {
        name: pd.Series([], dtype=kind)
        for name, kind in (
            ("area_id", object),
            ("name", object),
            ("kind", object),
            ("max_rate_lb_per_lane_mile", float),
            ("rate_factor", float),
        )
    },
    geometry=gpd.GeoSeries([], crs=4326),
)


def area(area_id: str, box: Any, cap: float = NAN, factor: float = NAN) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {
            "area_id": [area_id],
            "name": [area_id],
            "kind": ["wellhead"],
            "max_rate_lb_per_lane_mile": [cap],
            "rate_factor": [factor],
        },
        geometry=[box],
        crs=4326,
    )


def times(table: pd.DataFrame, *columns: str) -> pd.DataFrame:
    return table.assign(**{name: pd.to_datetime(table[name], utc=True) for name in columns})


def county(**changes: Any) -> PlanInputs:
    """Route R1 (truck T1, open loop) and route R2 (truck T2, closed loop) on salt from yard Y1."""
    usual: dict[str, Any] = {
        "storm": "s1",
        "routes": line_route(
            [
                {"route_id": "R1", "segment_id": "a"},
                {"route_id": "R1", "segment_id": "b"},
                {"route_id": "R2", "segment_id": "c", "lanes": 4.0, "passes": 2},
            ]
        ),
        "assignments": frame(
            "route_id truck_id yard_id material prewet_gal_per_ton",
            ("R1", "T1", "Y1", "salt", 0.0),
            ("R2", "T2", "Y1", "salt", 10.0),
        ),
        "trucks": trucks(
            ("T1", "open_loop", "auger", 10000.0, NAN, 0.0, 100.0, 5.0, (2.0, 3.0), NAN),
            ("T2", "closed_loop", "conveyor", 12000.0, 100.0, 0.0, 100.0, 1.0, (3.0,), 3.0),
        ),
        "materials": frame(
            "material kind bulk_density_lb_ft3 density_lb_gal chloride_fraction moisture_pct "
            "cost_per_ton cost_per_gal chemical",
            ("salt", "solid", 75.0, NAN, 0.588, 1.0, 80.0, NAN, "NaCl"),
            ("brine", "liquid", NAN, 9.8, 0.1413, NAN, NAN, 0.3, "NaCl"),
        ),
        "yards": frame("yard_id lon lat reload_min", ("Y1", -94.0, 46.0, 12.0)),
        "stock_counts": times(
            frame(
                "yard_id material counted_at on_hand_lb on_hand_u_lb",
                ("Y1", "salt", "2026-11-01T12:00Z", 100000.0, NAN),
            ),
            "counted_at",
        ),
        "deliveries": times(
            frame(
                "ticket_id yard_id material delivered_at net_lb",
            ),
            "delivered_at",
        ),
        "loads": times(frame("ticket_id truck_id yard_id loaded_at material net_lb"), "loaded_at"),
        "returns": times(frame("truck_id yard_id returned_at material net_lb"), "returned_at"),
        "forecast": times(
            frame(
                "zone start end event pavement_temp_f trend precipitation_in application",
                ("*", "2026-12-01T04:00Z", "2026-12-01T08:00Z", "light_snow", 25.0, "", 0.05, ""),
            ),
            "start",
            "end",
        ),
        "rates": no_rates(),
        "policy": Policy(
            rates=policy_rates(
                {"rate_low_lb_per_lane_mile": 150.0, "rate_high_lb_per_lane_mile": 250.0},
            )
        ),
        "sensitive_areas": NO_AREAS,
        "models": {
            ("T1", "salt", 2.0): LineModel(2.0, 4.0),
            ("T1", "salt", 3.0): LineModel(3.0, 8.0),
            ("T2", "salt", 3.0): LineModel(3.0, 9.0, lb_per_count=0.31),
        },
    }
    return PlanInputs(**(usual | changes))


def no_rates() -> pd.DataFrame:
    return rates()


def rates(*rows: tuple[Any, ...]) -> pd.DataFrame:
    """Rows of route_id, application, lb per lane-mile, g/m2, gal per lane-mile."""
    table = frame(
        "route_id application rate_lb_per_lane_mile rate_g_per_m2 rate_gal_per_lane_mile", *rows
    )
    floats = {name: float for name in table.columns if name.startswith("rate_")}
    return table.astype(floats).assign(start=pd.Series(pd.NaT, table.index).dt.tz_localize("UTC"))
