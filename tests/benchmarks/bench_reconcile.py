"""The whole of `reconcile` on a simulated storm with known truth: speed, memory, accuracy.

Run: ``python -m tests.benchmarks.bench_reconcile [ROWS [TRUCKS [BLOCKS]]]`` (1,000,000 100 50);
the storm of the goals is ``10000000 500 112``.

The network is a bent grid of BLOCKS by BLOCKS blocks: 2 BLOCKS (BLOCKS + 1) two-way segments, twice
as many directed ones; at 112 blocks 50,624. Trucks are simulated with seeds ``SEED + k`` (see
`simulate_traces`), mixed by time as a server writes them, one Parquet file (zstd); the CSV file
holds the same rows. The storm has neither forecast nor rates, so there is no plan: what is timed is
read, match, attribute, ratios, tables, and the report without its PDF.

Every job runs in a process of its own. The Parquet base line reads all columns and groups by truck;
the CSV base lines read all columns, all with pyarrow on all processors, as `reconcile` works, and
the CSV once more on one thread, as a plain read does in most programs.
``cpu s`` is summed over all threads, and so fairer on a machine that does other things. Goals: at
most 30 times the first and 6 times the second, under 4 GiB.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import shapely

from spreadplan import runs
from spreadplan.matching.network import build_network
from spreadplan.matching.projection import LocalPlane
from spreadplan.reconcile.use import MPS_PER_MPH
from spreadplan.runs.warming import compile_kernels
from tests.benchmarks.simulate_traces import simulate

SEED = 9_000_000
STORM = "storm"
START = pd.Timestamp("2026-12-01T04:00", tz="UTC")
SEGMENTS_PER_ROUTE = 50


def roads(blocks: int) -> gpd.GeoDataFrame:
    """A grid whose spacing varies from 120 to 500 m and whose lines are bent a little."""
    rng = np.random.default_rng(SEED)
    at = [np.concatenate([[0.0], np.cumsum(rng.uniform(120.0, 500.0, blocks))]) for _ in range(2)]
    east, north = (values - values.mean() for values in at)
    lines = []
    for i in range(blocks + 1):
        for j in range(blocks):
            lines.append([(east[j], north[i]), (east[j + 1], north[i])])
            lines.append([(east[i], north[j]), (east[i], north[j + 1])])
    ends = np.array(lines)
    share = np.linspace(0.0, 1.0, 6)[None, :, None]
    points = ends[:, :1] * (1.0 - share) + ends[:, 1:] * share
    points[:, 1:-1] += rng.normal(0.0, 4.0, points[:, 1:-1].shape)
    lon, lat = LocalPlane(-94.0, 46.0).unproject(points[..., 0].ravel(), points[..., 1].ravel())
    places = np.stack([lon, lat], axis=1).reshape(*points.shape[:2], 2)
    number = np.arange(len(lines))
    # routes are patches of the grid, so that a truck's way lies mostly on few of them
    patch = max(int(np.sqrt(SEGMENTS_PER_ROUTE / 2)), 1)
    row, column = number // (2 * blocks), number % (2 * blocks) // 2
    route = row // patch * (blocks // patch + 1) + column // patch
    return gpd.GeoDataFrame(
        {
            "route_id": [f"R{one}" for one in route],
            "segment_id": [f"S{one}" for one in number],
            "lanes": 2,
            "passes": 2,
            "speed_mph": 30.0,
            "two_way": True,
        },
        geometry=shapely.linestrings(places),
        crs=4326,
    )


def write_workspace(folder: Path, rows: int, trucks: int, blocks: int) -> None:
    """A workspace, its telemetry as Parquet, the same as CSV, and the truth beside it."""
    table = roads(blocks)
    network = build_network(table)
    workspace = folder / "workspace"
    telemetry = workspace / "storms" / STORM / "telemetry"
    telemetry.mkdir(parents=True, exist_ok=True)
    table.to_parquet(workspace / "routes.parquet")
    traces = []
    true_lb = np.zeros(network.rows)
    off_lb, assigned = 0.0, []
    for k in range(trucks):
        trace = simulate(network, SEED + k, rows // trucks)
        lon, lat = network.plane.unproject(trace.x_m, trace.y_m)
        rowed = trace.true_segment >> 1
        true_lb += trace.segment_mass_lb[::2] + trace.segment_mass_lb[1::2]
        off_lb += trace.off_route_lb
        assigned.append(network.route_code[np.bincount(rowed[rowed >= 0]).argmax()])
        traces.append(
            {
                "truck": np.full(len(lon), k, np.int32),
                "time_s": trace.time_s + k % 5,
                "lon": lon.round(6),
                "lat": lat.round(6),
                "speed_mph": (trace.speed_mps / MPS_PER_MPH).round(1).astype(np.float32),
                "heading_deg": trace.heading_deg.round(0).astype(np.float32),
                "spreading": trace.spreading.astype(np.int8),
                "feed_total_lb": np.cumsum(trace.mass_lb).round(2),
                "true_segment": trace.true_segment,
            }
        )
    whole = {name: np.concatenate([one[name] for one in traces]) for name in traces[0]}
    traces.clear()
    order = np.argsort(whole["time_s"], kind="stable")
    whole = {name: values[order] for name, values in whole.items()}
    _write_telemetry(telemetry / "all.parquet", folder / "all.csv", whole, trucks)
    np.savez(folder / "truth.npz", true_lb=true_lb, off_lb=off_lb, segment=whole["true_segment"])
    names = [f"T{k}" for k in range(trucks)]
    _write_tables(workspace, names, [network.route_names[code] for code in assigned])


def _write_telemetry(parquet: Path, text: Path, whole: dict[str, np.ndarray], trucks: int) -> None:
    codes = pa.array(whole["truck"])
    names = pa.array([f"T{k}" for k in range(trucks)])
    moment = np.round(whole["time_s"] * 1000.0).astype(np.int64) + START.value // 10**6
    columns = {
        "truck_id": pa.DictionaryArray.from_arrays(codes, names).cast(pa.string()),
        "time": pa.array(moment).cast(pa.timestamp("ms", tz="UTC")),
        **{
            name: pa.array(values)
            for name, values in whole.items()
            if name not in ("truck", "time_s", "true_segment")
        },
    }
    table = pa.table(columns)
    pq.write_table(table, parquet, compression="zstd")
    stamp = pc.strftime(table["time"], format="%Y-%m-%dT%H:%M:%SZ")
    pa_csv.write_csv(table.set_column(1, "time", stamp), text)


def _write_tables(workspace: Path, trucks: list[str], routes: list[str]) -> None:
    (workspace / "workspace.toml").write_text(
        '[workspace]\nname = "Benchmark"\nunits = "us"\ntimezone = "UTC"\n'
        "season_start = 2026-10-01\nseason_end = 2027-04-30\n"
    )
    (workspace / "materials.csv").write_text("material,kind\nsalt,solid\n")
    (workspace / "yards.csv").write_text("yard_id,lon,lat\nY1,-94,46\n")
    lines = [f"{truck},closed_loop,auger,14000" for truck in trucks]
    (workspace / "trucks.csv").write_text(
        "\n".join(["truck_id,control,feeder,capacity_lb", *lines, ""])
    )
    taken = dict(zip(routes, trucks, strict=True))
    lines = [f"{route},{truck},Y1,salt" for route, truck in taken.items()]
    (workspace / "assignments.csv").write_text(
        "\n".join(["route_id,truck_id,yard_id,material", *lines, ""])
    )


# --- what is timed -----------------------------------------------------------------------------


def bare_parquet(folder: Path) -> None:
    """Read every column, group by truck; no checks."""
    table = pq.read_table(folder / f"workspace/storms/{STORM}/telemetry/all.parquet")
    table.group_by("truck_id").aggregate([("feed_total_lb", "max"), ("speed_mph", "mean")])


def bare_csv(folder: Path) -> None:
    """Read every column; no checks."""
    pa_csv.read_csv(folder / "all.csv")


def bare_csv_alone(folder: Path) -> None:
    """The same on one thread."""
    pa_csv.read_csv(folder / "all.csv", pa_csv.ReadOptions(use_threads=False))


def whole(folder: Path) -> None:
    """The command, without its PDF."""
    said: list[str] = []
    options = runs.Options(said.append, said.append, runs.no_progress, pdf=False)
    runs.reconcile(folder / "workspace", STORM, options)


JOBS: dict[str, Callable[[Path], None]] = {
    "parquet": bare_parquet,
    "csv": bare_csv,
    "csv, alone": bare_csv_alone,
    "reconcile": whole,
}


def timed(job: str, folder: Path, repeats: int) -> dict[str, float]:
    """Seconds and peak memory of one job in this process; the best of the repeats counts."""
    start = time.perf_counter()
    if job == "reconcile":
        compile_kernels()  # once for each installation, so timed on its own
    best = {"s": np.inf, "cpu_s": np.inf, "first_s": time.perf_counter() - start}
    for _ in range(repeats):
        start, cpu = time.perf_counter(), time.process_time()
        JOBS[job](folder)
        best["s"] = min(best["s"], time.perf_counter() - start)
        best["cpu_s"] = min(best["cpu_s"], time.process_time() - cpu)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    return {**best, "peak_gib": peak}


def accuracy(folder: Path) -> dict[str, float]:
    """Share of records on the true directed segment, and mass error, read from the results."""
    truth = np.load(folder / "truth.npz")
    results = folder / "workspace" / "results" / STORM
    names = ["source_row", "segment_id", "along"]
    points = pq.read_table(results / "use_points.parquet", columns=names).to_pandas()
    points = points.set_index("source_row").sort_index()
    true = truth["segment"][points.index.to_numpy() - 1]
    number = {name: int(name[1:]) for name in points["segment_id"].cat.categories if name[0] == "S"}
    row = points["segment_id"].map(number).astype(float).fillna(-1).to_numpy().astype(int)
    found = np.where(row < 0, -1, 2 * row + (points["along"] == False))  # noqa: E712
    on = true >= 0
    segments = pd.read_csv(results / "use_segments.csv")
    mine = segments[segments["segment_id"] != "off_route"]
    reported = np.zeros(len(truth["true_lb"]))
    reported[mine["segment_id"].str[1:].astype(int)] = mine["reported_lb"]
    off_lb = segments["reported_lb"].sum() - reported.sum()
    total = float(truth["true_lb"].sum() + truth["off_lb"])
    return {
        "right": float((found == true)[on].mean()),
        "off_right": float((found == true)[~on].mean()),
        "mass_error": float(np.abs(reported - truth["true_lb"]).sum() / total),
        "kept": float((reported.sum() + off_lb) / total),
    }


def _alone(call: str, folder: Path, **environment: str) -> dict[str, float]:
    """Run a call of this module in a process of its own: a child inherits its parent's peak."""
    code = (
        "import json, sys; from pathlib import Path; "
        "from tests.benchmarks import bench_reconcile as bench; "
        f"print(json.dumps(bench.{call}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(folder)],
        check=True,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | environment,
    )
    found: dict[str, float] = json.loads(done.stdout)
    return found


def main(rows: int, trucks: int, blocks: int, kept_at: str = "") -> None:
    """Write the storm, time every job, print the ratios."""
    place = Path(kept_at or tempfile.mkdtemp(prefix="storm_"))
    try:
        if not (place / "truth.npz").exists():
            _alone(f"write_workspace(Path(sys.argv[1]), {rows}, {trucks}, {blocks})", place)
        directed = 4 * blocks * (blocks + 1)
        print(
            f"{rows:,} rows, {trucks} trucks, {directed:,} directed segments, seed {SEED}; "
            f"{len(os.sched_getaffinity(0))} processors, pyarrow {pa.cpu_count()} threads"
        )
        got = {
            job: _alone(
                f"timed({job!r}, Path(sys.argv[1]), {3 if job != 'reconcile' else 1})", place
            )
            for job in JOBS
        }
        for job, one in got.items():
            print(
                f"{job:11} {one['s']:7.2f} s, {one['cpu_s']:7.2f} cpu s, "
                f"{rows / one['s'] / 1e6:5.2f} M rows/s, peak {one['peak_gib']:.2f} GiB"
            )
        whole_storm = got["reconcile"]
        print(
            f"kernels compiled, or read where they were, in {whole_storm['first_s']:.1f} s before"
        )
        for base, goal in (("parquet", 30), ("csv", 6), ("csv, alone", 6)):
            print(
                f"reconcile / {base}: {whole_storm['s'] / got[base]['s']:.1f} by the clock, "
                f"{whole_storm['cpu_s'] / got[base]['cpu_s']:.1f} by processor time (goal {goal})"
            )
        score = _alone("accuracy(Path(sys.argv[1]))", place)
        print(
            f"records on the true directed segment {100 * score['right']:.2f} %; mass error over "
            f"all segments {100 * score['mass_error']:.2f} % of the total"
        )
    finally:
        if not kept_at:
            shutil.rmtree(place, ignore_errors=True)


if __name__ == "__main__":
    sizes = [int(word) for word in sys.argv[1:4]]
    main(*sizes, *(1_000_000, 100, 50)[len(sizes) :], *sys.argv[4:5])
