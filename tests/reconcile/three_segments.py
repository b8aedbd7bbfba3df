"""A truck on a straight road of three segments, in numbers that can be followed on paper."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd

from spreadplan.matching.projection import LocalPlane

START = pd.Timestamp("2026-12-01T10:00", tz="UTC")
MILE_M = 1609.344
ENDS_MI = {"A": (0.0, 0.5), "B": (0.5, 0.75), "C": (0.75, 1.25)}
STEP_MI, STEP_S, SPEED_MPH = 0.05, 6.0, 30.0

#: place along the road and what was released since the record before, record by record; see
#: `test_a_storm_of_three_segments_by_hand`
PLACE_MI = [0.02 + STEP_MI * k for k in range(21)] + [1.02, 1.02] + [1.07, 1.12, 1.17, 1.22]
RELEASED_LB = [0.0] + [20.0] * 14 + [30.0] * 6 + [4.0, 3.0] + [30.0] * 4
STANDING = (20, 21, 22)


def lon_lat(place_mi: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places along a road that runs east through 94 W, 46 N, its middle at 0.625 miles."""
    x_m = (np.asarray(place_mi) - 0.625) * MILE_M
    return LocalPlane(-94.0, 46.0).unproject(x_m, np.zeros_like(x_m))


def records() -> pd.DataFrame:
    """The truck's telemetry; its total is set to zero after the 11th record."""
    lon, lat = lon_lat(np.array(PLACE_MI))
    total = 1000.0 + np.cumsum(RELEASED_LB)
    total[12:] -= total[11]
    moment = START + pd.to_timedelta(STEP_S * np.arange(len(lon)), unit="s")
    speed = np.where(np.isin(np.arange(len(lon)), STANDING), 0.0, SPEED_MPH)
    return pd.DataFrame(
        {
            "truck_id": "T1",
            "time": moment.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "lon": lon,
            "lat": lat,
            "speed_mph": speed,
            "heading_deg": 90.0,
            "spreading": 1,
            "feed_total_lb": total,
        }
    )


def routes() -> str:
    """The three segments, 2 lanes each, treated in one pass."""
    features = []
    for number, (name, ends) in enumerate(ENDS_MI.items(), 1):
        lon, lat = lon_lat(np.linspace(*ends, 2))
        features.append(
            {
                "type": "Feature",
                "properties": {
                    "route_id": "R1",
                    "segment_id": name,
                    "sequence": number,
                    "lanes": 2,
                    "passes": 1,
                    "speed_mph": 30,
                },
                "geometry": {
                    "type": "LineString",
                    "coordinates": np.column_stack([lon, lat]).tolist(),
                },
            }
        )
    return json.dumps({"type": "FeatureCollection", "features": features})


def files() -> dict[str, str]:
    """Every file of the workspace, the telemetry left out."""
    return {
        "workspace.toml": '[workspace]\nname = "Three"\nunits = "us"\ntimezone = "UTC"\n'
        "season_start = 2026-10-01\nseason_end = 2027-04-30\n",
        "materials.csv": "material,kind,cost_per_ton\nsalt,solid,80\n",
        "trucks.csv": "truck_id,control,feeder,capacity_lb,gate_positions_in\n"
        "T1,closed_loop,auger,14000,2\n",
        "discharge_tests.csv": "test_id,truck_id,material,performed_at,gate_in,feeder_pct,"
        "duration_s,sensor_counts\n"
        "D1,T1,salt,2026-10-20T09:00,2,40,60,1000\nD2,T1,salt,2026-10-20T10:00,2,20,60,500\n",
        "weighings.csv": "test_id,method,gross_lb,scale_division_lb\n"
        "D1,direct,400,1\nD2,direct,200,1\n",
        "assignments.csv": "route_id,truck_id,yard_id,material\nR1,T1,Y1,salt\n",
        "yards.csv": "yard_id,lon,lat\nY1,-94,46\n",
        "stock_counts.csv": "yard_id,material,counted_at,on_hand_ton\n"
        "Y1,salt,2026-12-01T00:00Z,100\nY1,salt,2026-12-02T00:00Z,99.5\n",
        "policy.toml": "[tolerance]\nover_pct = 20\nunder_pct = 20\nconfidence = 0.95\n",
        "storms/s1/rates.csv": "route_id,application,start,rate_lb_per_lane_mile\n"
        "*,1,2026-12-01T10:00Z,200\n",
        "storms/s1/loads.csv": "ticket_id,truck_id,yard_id,loaded_at,material,net_lb\n"
        "L1,T1,Y1,2026-12-01T09:50Z,salt,1600\n",
        "storms/s1/returns.csv": "truck_id,yard_id,returned_at,material,net_lb\n"
        "T1,Y1,2026-12-01T10:20Z,salt,1013\n",
        "routes.geojson": routes(),
    }


def write(folder: Path, content: dict[str, str]) -> Path:
    """Write a workspace."""
    for name, text in content.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return folder
