"""A county with the hard cases of a clock: two yards, two materials, one-way roads, an island."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

from spreadplan.results import open_results
from spreadplan.runs import Options, no_progress
from spreadplan.runs.planning import compute_plan, store_plan_tables
from spreadplan.runs.scarcity import share_scarce
from tests.clock.simulation import World, simulate

QUIET = Options(say=lambda _: None, caution=lambda _: None, progress=no_progress, pdf=False)
A, B, C, D = (-94.0, 46.0), (-93.9, 46.0), (-93.9, 46.06), (-94.0, 46.06)
ISLAND = ((-93.6, 46.2), (-93.55, 46.2), (-93.5, 46.22))
#: route, segment, line, what else
SEGMENTS = [
    ("R1", "a", [A, (-93.96, 46.0)], {"lanes": 2, "passes": 2}),
    ("R1", "b", [(-93.96, 46.0), (-93.93, 46.004), B], {"lanes": 2}),
    ("R2", "c", [B, C], {"lanes": 1, "two_way": False}),
    ("R2", "d", [C, D], {"lanes": 2, "two_way": False}),
    ("R2", "e", [D, A], {"lanes": 1, "two_way": False}),
    ("R3", "f", list(ISLAND[:2]), {"lanes": 2}),
    ("R3", "g", list(ISLAND[1:]), {"lanes": 2}),
    # a side road that leaves the first in the middle, and a part of it far away from the other
    ("R4", "h", [(-93.98, 46.0), (-93.98, 45.96)], {"lanes": 1}),
    ("R4", "i", [(-93.95, 46.06), (-93.95, 46.1)], {"lanes": 1}),
]
ROUNDS = ["2026-12-01T04:00", "2026-12-01T09:00"]
FILES = {
    "workspace.toml": '[workspace]\nname = "Hard"\nunits = "us"\ntimezone = "America/Chicago"\n'
    "season_start = 2026-10-01\nseason_end = 2027-04-30\n",
    "materials.csv": "material,kind,chloride_fraction\nsalt,solid,0.588\nsand,solid,0.05\n",
    "trucks.csv": "truck_id,control,feeder,capacity_lb,travel_speed_mph,home_yard_id\n"
    "T1,open_loop,auger,9000,40,\nT2,closed_loop,conveyor,6000,,Y2\n",
    "yards.csv": "yard_id,lon,lat,reload_min\nY1,-94.0,46.004,12\nY2,-93.91,46.05,\n",
    "assignments.csv": "route_id,truck_id,yard_id,material\n"
    "R4,T1,Y2,sand\nR1,T1,Y1,salt\nR2,T2,Y1,salt\nR3,T2,Y2,salt\n",
}


def routes() -> str:
    """routes.geojson"""
    features = [
        {
            "type": "Feature",
            "properties": {
                "route_id": route,
                "segment_id": name,
                "speed_mph": 25,
                "service_class": "A" if route in ("R1", "R2") else "B",
                **more,
            },
            "geometry": {"type": "LineString", "coordinates": line},
        }
        for route, name, line, more in SEGMENTS
    ]
    return json.dumps({"type": "FeatureCollection", "features": features})


def forecast(rounds: list[str]) -> str:
    """forecast.csv with a round at each of these times; the last one lasts for five hours."""
    ends = [*rounds[1:], f"{rounds[-1][:11]}{int(rounds[-1][11:13]) + 5:02d}:00"]
    rows = "".join(
        f"*,{start},{end},light_snow,25,{number}\n"
        for number, (start, end) in enumerate(zip(rounds, ends, strict=True), 1)
    )
    return f"zone,start,end,event,pavement_temp_f,application\n{rows}"


def write(folder: Path, rounds: list[str] = ROUNDS, rate: float = 400.0, **files: str) -> Path:
    """The workspace; ``files`` replace those of the same name without their ending."""
    content = {
        **FILES,
        "routes.geojson": routes(),
        "storms/s1/forecast.csv": forecast(rounds),
        "storms/s1/rates.csv": f"route_id,application,rate_lb_per_lane_mile\n*,*,{rate:g}\n",
        **{name.replace("__", "/"): text for name, text in files.items()},
    }
    for name, text in content.items():
        path = folder / (name if "." in name else f"{name}.csv")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder


def planned(folder: Path):
    """The plan, with its tables written below results/."""
    workspace, _, plan = compute_plan(folder, "s1", QUIET)
    with open_results(folder) as store:
        shares = share_scarce(plan, workspace.table("yards"))
        store_plan_tables(store, workspace, "s1", plan, shares)
    return plan


def driven_again(folder: Path, plan) -> World:
    """The simulation of what was written."""
    starts: dict[str, datetime] = {
        one.label: one.start.to_pydatetime() for one in plan.applications
    }
    return simulate(folder, "s1", starts)
