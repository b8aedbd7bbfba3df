"""A small workspace that tests can break in one place at a time."""

from __future__ import annotations

import gc
import json
import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

# One thread for linear algebra, before numpy reads it: tests run side by side, and on matrices as
# small as ours several threads wait for each other longer than they compute.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
# Nothing is kept in the home of whoever runs the tests, and no test profits from another's.
os.environ["SPREADPLAN_CACHE_DIR"] = ""

import pytest
from hypothesis import settings

from spreadplan import clock
from tests.blank_charts import blank_charts
from tests.finished_county import finished_county  # noqa: F401 - a fixture
from tests.order import pytest_collection_modifyitems  # noqa: F401 - a hook

# Continuous integration tries the same cases every time; at the desk each run tries new ones.
settings.register_profile("same", derandomize=True, database=None)
if os.environ.get("CI"):
    settings.load_profile("same")

LINES = {
    "R1": [
        ("a", [[-94.0, 46.0], [-94.0, 46.05]], {"lanes": 2, "passes": 2}),
        ("b", [[-94.0, 46.05], [-93.95, 46.06]], {"lanes": 2, "passes": 2}),
    ],
    "R2": [("c", [[-94.0, 46.05], [-93.9, 46.05]], {"lanes": 1})],
}


def route_features() -> dict[str, object]:
    """Two routes as a GeoJSON collection."""
    features = [
        {
            "type": "Feature",
            "properties": {"route_id": route, "segment_id": segment, "speed_mph": 25, **extra},
            "geometry": {"type": "LineString", "coordinates": line},
        }
        for route, segments in LINES.items()
        for segment, line, extra in segments
    ]
    return {"type": "FeatureCollection", "features": features}


FILES = {
    "workspace.toml": '[workspace]\nname = "Small"\nunits = "us"\ntimezone = "America/Chicago"\n'
    "season_start = 2026-10-01\nseason_end = 2027-04-30\n",
    "materials.csv": "material,kind,chloride_fraction,chemical\nsalt,solid,0.588,NaCl\n",
    "trucks.csv": "truck_id,control,feeder,capacity_lb,gate_positions_in,control_step_pct\n"
    "T1,open_loop,auger,14000,2;3,5\nT2,closed_loop,conveyor,20000,3,1\n",
    "discharge_tests.csv": "test_id,truck_id,material,performed_at,gate_in,feeder_pct,duration_s,"
    "sensor_counts,engine_rpm\n"
    "D1,T1,salt,2026-10-20T09:00,2,100,60,,1300\nD2,T1,salt,2026-10-20T10:00,2,50,60,,1300\n"
    "D3,T2,salt,2026-10-21,3,38,60,1200,1300\n",
    "weighings.csv": "test_id,method,gross_lb,tare_lb,count,scale_division_lb\n"
    "D1,vehicle_scale,30000,29400,,20\nD2,container,80,5,4,0.5\nD3,direct,410,,,1\n",
    "assignments.csv": "route_id,truck_id,yard_id,material\nR1,T1,Y1,salt\nR2,T2,Y1,salt\n",
    "yards.csv": "yard_id,lon,lat\nY1,-94,46\n",
    "stock_counts.csv": "yard_id,material,counted_at,on_hand_ton\nY1,salt,2026-11-01,300\n",
    "storms/s1/rates.csv": "route_id,application,rate_lb_per_lane_mile\n*,1,200\n",
    "storms/s1/forecast.csv": "zone,start,end,event,pavement_temp_f,trend,precipitation_in,"
    "application\n*,2026-12-01T04:00,2026-12-01T10:00,light_snow,25,steady,0.05,1\n",
}


def pytest_collection_finish() -> None:
    """Spare the collector of rubbish what all tests keep, and look in as seldom as a command does.

    Else it goes through every module and every test again and again, a tenth of the time.
    """
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


#: after the seasons of all workspaces of the tests: no record lies in the future
TODAY = datetime(2027, 6, 1, tzinfo=UTC)


@pytest.fixture(scope="session", autouse=True)
def _same_day() -> Iterator[None]:
    """Tests find the same, whatever day they are run on."""
    shift = TODAY - datetime.now(UTC)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(clock, "now", lambda: datetime.now(UTC) + shift)
        yield


@pytest.fixture(scope="module", name="blank_charts")
def _blank_charts() -> Iterator[None]:
    """For files whose tests look at other things than charts.

    What is made before, such as the county that all tests share, keeps its charts.
    """
    with blank_charts():
        yield


@pytest.fixture
def workspace(tmp_path: Path) -> Callable[..., Path]:
    """Write the small workspace; keyword-like overrides replace a file, ``None`` leaves it out."""

    def build(changes: dict[str, str | bytes | None] | None = None) -> Path:
        folder = tmp_path / "workspace"
        content: dict[str, str | bytes | None] = {
            **FILES,
            "routes.geojson": json.dumps(route_features()),
            **(changes or {}),
        }
        for name, text in content.items():
            if text is None:
                continue
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return folder

    return build
