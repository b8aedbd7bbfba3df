"""A small valid workspace with every kind of file that is read, as bytes that can be spoilt."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import pandas as pd

from tests.conftest import FILES, route_features

Files = dict[str, bytes]
STORM = "storms/s1"
TELEMETRY_CSV = f"{STORM}/telemetry/day.csv"
TELEMETRY_PARQUET = f"{STORM}/telemetry/day.parquet"

POLICY = """[[rate]]
event = "light_snow"
pavement_temp_min_f = 20
pavement_temp_max_f = 32
material = "salt"
rate_lb_per_lane_mile = [150, 250]
source = "invented for a test"

[[rate]]
event = "freezing_rain"
trend = "falling"
material = "*"
rate_kg_per_lane_km = 60
source = "invented for a test"
phase = "initial"

[sensitive]
factor = 0.7
[tolerance]
over_pct = 10
under_pct = 10
confidence = 0.95
calibration_pct = 5
calibration_max_age_days = 400
[width]
scale_by_lane_width = true
"""

MORE = {
    "policy.toml": POLICY,
    "columns.toml": '[deliveries]\nnet_ton = "NetTons"\n'
    '[telemetry]\nfeed_total = { column = "salt_sum", unit = "kg" }\n',
    "changes.csv": "truck_id,changed_at,what,note\nT1,2026-10-01,gate,new plate\n",
    "deliveries.csv": "ticket_id,yard_id,material,delivered_at,NetTons\n"
    "N1,Y1,salt,2026-11-05,24.6\n",
    "budgets.csv": "season,scope,scope_id,material,budget_ton\n2026-27,agency,,salt,900\n"
    "2026-27,route,R1,salt,90\n",
    f"{STORM}/loads.csv": "ticket_id,truck_id,yard_id,loaded_at,material,net_lb\n"
    "L1,T1,Y1,2026-12-01T03:30,salt,3000\nL2,T2,Y1,2026-12-01T03:40,salt,2500\n",
    f"{STORM}/returns.csv": "ticket_id,truck_id,yard_id,returned_at,material,net_lb\n"
    "B1,T1,Y1,2026-12-01T05:30,salt,1200\n",
}


def areas() -> dict[str, object]:
    """One sensitive area, with a hole, as a GeoJSON collection."""
    outer = [[-94.01, 46.01], [-93.99, 46.01], [-93.99, 46.03], [-94.01, 46.03], [-94.01, 46.01]]
    hole = [[-94.009, 46.011], [-94.009, 46.012], [-94.008, 46.012], [-94.009, 46.011]]
    area = {
        "type": "Feature",
        "properties": {"area_id": "S1", "name": "Well", "kind": "wellhead", "rate_factor": 0.5},
        "geometry": {"type": "Polygon", "coordinates": [outer, hole]},
    }
    return {"type": "FeatureCollection", "features": [area]}


def records() -> pd.DataFrame:
    """Two trucks that drive their routes, a record every ten seconds."""
    rows = []
    for truck, lon, lat, east, north in (("T1", -94.0, 46.0, 0, 1), ("T2", -94.0, 46.05, 1, 0)):
        start = pd.Timestamp("2026-12-01T04:10:00-06:00")
        for step in range(30):
            rows.append(
                {
                    "truck_id": truck,
                    "time": (start + pd.Timedelta(seconds=10 * step)).isoformat(),
                    "lon": round(lon + 0.0014 * step * east, 6),
                    "lat": round(lat + 0.001 * step * north, 6),
                    "speed_mph": 25.0,
                    "heading_deg": 90 * east,
                    "spreading": 1,
                    "salt_sum": round(100 + 6.5 * step, 1),
                    "material": "salt",
                }
            )
    return pd.DataFrame(rows)


def columnar_records() -> pd.DataFrame:
    """The same trucks an hour later, with times as times."""
    frame = records()
    later = pd.to_datetime(frame["time"], utc=True) + pd.Timedelta(hours=1)
    return frame.assign(time=later, salt_sum=frame["salt_sum"] + 400)


def _vector(frame: gpd.GeoDataFrame, stem: str, kind: str) -> Files:
    """A layer in another format: one file, or the several of a shapefile."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / f"{stem}.{kind}"
        if kind == "parquet":
            frame.to_parquet(path)
        else:
            frame.to_file(path, engine="pyogrio")
        return {one.name: one.read_bytes() for one in sorted(Path(folder).iterdir())}


@cache
def _base() -> Mapping[str, bytes]:
    texts = {
        **FILES,
        **MORE,
        "routes.geojson": json.dumps(route_features()),
        "sensitive_areas.geojson": json.dumps(areas()),
        TELEMETRY_CSV: records().to_csv(index=False),
    }
    parquet = BytesIO()
    columnar_records().to_parquet(parquet, index=False)
    return {
        **{name: text.encode() for name, text in texts.items()},
        TELEMETRY_PARQUET: parquet.getvalue(),
    }


@cache
def small_county(routes: str = "geojson") -> Mapping[str, bytes]:
    """Every file of the workspace; ``routes`` is the format of routes and sensitive areas."""
    files = dict(_base())
    if routes == "geojson":
        return files
    for stem, collection in (("routes", route_features()), ("sensitive_areas", areas())):
        del files[f"{stem}.geojson"]
        frame = gpd.GeoDataFrame.from_features(collection["features"], crs="EPSG:4326")
        if routes == "shp":
            frame = frame.rename(columns=lambda name: name[:10])
        files |= _vector(frame, stem, routes)
    return files


def write(files: Mapping[str, bytes], folder: Path) -> None:
    """Write a workspace's files into a folder."""
    for name, data in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
