"""Plan 2,000 routes of 100,000 segments in one process, next to a plain read of the same file.

Run: ``python tests/benchmarks/bench_plan.py [ROUTES] [SEGMENTS_PER_ROUTE]``

The county is made by a seeded walk. Times are of one run, the plain read first; what is compared is
(a) reading and checking the workspace, calibrating and planning, and (b) the same with the tables
and the GeoPackage written. Reports and cab cards are left out of both.
"""

from __future__ import annotations

import json
import resource
import sys
import tempfile
import time
from pathlib import Path

import geopandas as gpd
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))
from spreadplan import runs
from spreadplan.results import open_results
from spreadplan.runs.planning import store_plan_tables
from spreadplan.runs.scarcity import share_scarce
from tests.conftest import FILES

SEED = 20261125


def write_county(folder: Path, routes: int, segments: int) -> None:
    """A workspace of winding routes on a grid, half of them treated by each kind of control."""
    rng = np.random.default_rng(SEED)
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in FILES.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    features = []
    for route in range(routes):
        corner = np.array([-96.0 + 0.05 * (route % 50), 44.0 + 0.05 * (route // 50)])
        turns = np.cumsum(rng.normal(0, 0.25, segments * 4)) + rng.uniform(0, 2 * np.pi)
        steps = 0.0006 * np.column_stack([np.cos(turns), np.sin(turns)])
        line = np.round(np.vstack([corner, corner + np.cumsum(steps, axis=0)]), 6)
        lanes = int(rng.integers(1, 4))
        for segment in range(segments):
            properties = {
                "route_id": f"R{route:04d}",
                "segment_id": f"{segment:03d}",
                "lanes": lanes,
                "speed_mph": int(rng.choice([20, 25, 30, 35])),
                "lane_width_ft": int(rng.choice([10, 11, 12])),
                "service_class": "A" if lanes > 1 else "B",
            }
            points = line[4 * segment : 4 * segment + 5].tolist()
            features.append(
                {
                    "type": "Feature",
                    "properties": properties,
                    "geometry": {"type": "LineString", "coordinates": points},
                }
            )
    collection = {"type": "FeatureCollection", "features": features}
    (folder / "routes.geojson").write_text(json.dumps(collection))
    truck = np.where(np.arange(routes) % 2 == 0, "T1", "T2")
    rows = "".join(f"R{number:04d},{truck[number]},Y1,salt\n" for number in range(routes))
    (folder / "assignments.csv").write_text(f"route_id,truck_id,yard_id,material\n{rows}")


def main() -> None:
    """Measure and print."""
    routes, segments = (int(text) for text in (*sys.argv[1:], 2000, 50)[:2])
    quiet = runs.Options(say=lambda _: None, caution=print, progress=runs.no_progress, pdf=False)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "county"
        write_county(folder, routes, segments)
        started = time.perf_counter()
        frame = gpd.read_file(folder / "routes.geojson")
        plain = time.perf_counter() - started
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        started = time.perf_counter()
        workspace, _, result = runs.compute_plan(folder, "s1", quiet)
        computed = time.perf_counter() - started
        started = time.perf_counter()
        with open_results(folder) as store:
            shares = share_scarce(result, workspace.table("yards"))
            store_plan_tables(store, workspace, "s1", result, shares)
        written = time.perf_counter() - started
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        tons = result.yards["needed_ton"].sum()
    print(f"{routes} routes, {len(frame)} segments, seed {SEED}; {tons:,.0f} tons")
    print(f"plain geopandas read        {plain:6.1f} s  (peak {before / 1e6:.2f} GB)")
    print(f"read, check, calibrate, plan {computed:5.1f} s  {computed / plain:.1f} times the read")
    print(
        f"the same, tables and gpkg   {computed + written:6.1f} s  "
        f"{(computed + written) / plain:.1f} times the read  (peak {peak / 1e6:.2f} GB)"
    )


if __name__ == "__main__":
    main()
