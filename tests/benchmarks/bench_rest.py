"""From the question to new cards: `plan --at` with its PDF files, processor time.

Run: ``python tests/benchmarks/bench_rest.py [TRUCKS]``

First the sample county's year-end snow with a truck that is out; goal 10 s. Then an invented storm
of so many trucks (200 unless said) with five routes each and two rounds, without records: what is
done follows from the log and the clock; five trucks are out; goal 60 s. A plan is issued before.
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))
from spreadplan import runs

COUNTY = Path(__file__).parents[2] / "sample_routes/county"
YEAR_END = "2026-12-31-year-end-snow"
SEED = 20261127
PERCENT = (10, 20, 40, 60, 80, 100)
HEAD = "time,what,truck_id,route_id,application,value_lb,yard_id,material,note\n"
FILES = {
    "workspace.toml": '[workspace]\nname = "Large"\nunits = "us"\nas_of = 2027-03-01\n'
    'timezone = "America/Chicago"\n'
    "season_start = 2026-10-01\nseason_end = 2027-04-30\n",
    "materials.csv": "material,kind,chloride_fraction\nsalt,solid,0.588\n",
    "policy.toml": "\n".join(
        f'[[service]]\nservice_class = "{name}"\nfirst_pass_min = {first}\ncycle_min = 300\n'
        for name, first in (("A", 120), ("B", 180), ("C", 270))
    ),
    "storms/s1/forecast.csv": "zone,start,end,event,pavement_temp_f,application\n"
    "*,2026-12-01T04:00,2026-12-01T09:00,light_snow,25,1\n"
    "*,2026-12-01T09:00,2026-12-01T14:00,light_snow,23,2\n",
    "storms/s1/rates.csv": "route_id,application,rate_lb_per_lane_mile\n*,*,250\n",
    "storms/s1/log.csv": HEAD
    + "".join(f"2026-12-01T07:{at:02d},truck_out,T{at * 3},,,,,,\n" for at in range(5)),
}


def write_county(folder: Path, trucks: int, each: int = 5, segments: int = 10) -> None:
    """A grid of winding routes around a yard for every ten trucks."""
    draw = np.random.default_rng(SEED)
    yards = [(-95.0 + 0.25 * (at % 5), 45.0 + 0.2 * (at // 5)) for at in range(trucks // 10 + 1)]
    features, assigned = [], ["route_id,truck_id,yard_id,material"]
    for route in range(trucks * each):
        truck = route // each
        yard = yards[truck // 10]
        points = np.array(yard) + draw.uniform(-0.08, 0.08, 2)
        points = points + np.cumsum(draw.uniform(-0.006, 0.012, (segments + 1, 2)), axis=0)
        assigned.append(f"R{route},T{truck},Y{truck // 10},salt")
        for at in range(segments):
            line = points[at : at + 2].round(6).tolist()
            properties = {
                "route_id": f"R{route}",
                "segment_id": f"S{route}-{at}",
                "sequence": at + 1,
                "lanes": 2,
                "speed_mph": 25,
                "service_class": "ABC"[route % 3],
            }
            geometry = {"type": "LineString", "coordinates": line}
            features.append({"type": "Feature", "properties": properties, "geometry": geometry})
    files = {
        **FILES,
        "routes.geojson": json.dumps({"type": "FeatureCollection", "features": features}),
        "assignments.csv": "\n".join(assigned),
        "yards.csv": "yard_id,lon,lat,reload_min\n"
        + "".join(f"Y{at},{lon},{lat},8\n" for at, (lon, lat) in enumerate(yards)),
        "trucks.csv": "truck_id,control,feeder,capacity_lb\n"
        + "".join(f"T{at},open_loop,auger,20000\n" for at in range(trucks)),
        "discharge_tests.csv": "test_id,truck_id,material,performed_at,gate_in,feeder_pct,"
        "duration_s\n"
        + "".join(
            f"X{at}-{pct},T{at},salt,2026-10-05T08:00,3,{pct},60\n"
            for at in range(trucks)
            for pct in PERCENT
        ),
        "weighings.csv": "test_id,method,gross_lb,tare_lb\n"
        + "".join(
            f"X{at}-{pct},container,{100 + 8 * pct + draw.normal(0.0, 2.0):.1f},100\n"
            for at in range(trucks)
            for pct in PERCENT
        ),
    }
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")


def measure(folder: Path, storm: str, issue_at: str, at: str, goal_s: float) -> None:
    """Issue, then plan the rest."""
    runs.issue(folder, storm, runs.Options(pdf=False), at=issue_at)
    begun, clock = time.process_time(), time.perf_counter()
    rest = runs.plan_rest(folder, storm, at, runs.Options())
    took, wall = time.process_time() - begun, time.perf_counter() - clock
    new = int(rest.cards["changed"].sum())
    print(
        f"{storm}: {took:.1f} s of this process, {wall:.1f} s by the clock (goal {goal_s:g}); "
        f"{new} of {len(rest.cards)} cards new; {list(rest.options['option'])}"
    )


def main() -> None:
    """Both storms."""
    trucks = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    with tempfile.TemporaryDirectory() as name:
        county = Path(shutil.copytree(COUNTY, Path(name) / "county"))
        log = county / f"storms/{YEAR_END}/log.csv"
        log.write_text(HEAD + "2026-12-31T20:40,truck_out,TC-102,,,,,,\n")
        measure(county, YEAR_END, "2026-12-31T16:00", "2026-12-31T21:00", 10.0)
        large = Path(name) / "large"
        write_county(large, trucks)
        measure(large, "s1", "2026-12-01T03:00", "2026-12-01T07:30", 60.0)


if __name__ == "__main__":
    main()
