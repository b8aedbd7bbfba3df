"""Speed and memory of reading telemetry next to a bare read of the same files, in one run.

python -m tests.benchmarks.bench_telemetry [rows] [trucks]
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from spreadplan.reconcile.increments import interval_mass
from spreadplan.telemetry.scan import scan_telemetry

SEED = 20261201
ZONE = ZoneInfo("America/Chicago")


def storm(rows: int, trucks: int) -> pd.DataFrame:
    """Records of a fleet as a server writes them: by time, the trucks mixed."""
    rng = np.random.default_rng(SEED)
    each = rows // trucks
    truck = np.tile(np.arange(trucks), each)
    second = np.repeat(np.arange(each) * 5, trucks) + truck % 5
    step = rng.uniform(5, 25, len(truck)).round(1)
    total = pd.Series(step).groupby(truck).cumsum().to_numpy() % 14_000
    return pd.DataFrame(
        {
            "truck_id": [f"T{code}" for code in truck],
            "time": pd.Timestamp("2026-12-01T04:00", tz="UTC") + pd.to_timedelta(second, unit="s"),
            "lon": (-94 + rng.uniform(-0.5, 0.5, len(truck))).round(6),
            "lat": (46 + rng.uniform(-0.5, 0.5, len(truck))).round(6),
            "speed_mph": rng.uniform(0, 40, len(truck)).round(1),
            "heading_deg": rng.uniform(0, 360, len(truck)).round(0),
            "spreading": (rng.uniform(size=len(truck)) < 0.8).astype("int8"),
            "feed_total_lb": total.round(1),
        }
    )


def write_files(folder: Path, rows: int, trucks: int) -> None:
    """The same storm as Parquet, as CSV with offsets, as CSV on the local clock, and damaged."""
    frame = storm(rows, trucks)
    for name in ("parquet", "csv", "local", "damaged"):
        (folder / name).mkdir()
    frame.to_parquet(folder / "parquet" / "a.parquet", index=False)
    table = pa.Table.from_pandas(frame, preserve_index=False)
    stamp = frame["time"].dt.tz_localize(None).astype("datetime64[s]").astype(str)
    for name, text in (("csv", stamp + "+00:00"), ("local", stamp)):
        table = table.set_column(1, "time", pa.array(text, pa.string()))
        options = pa_csv.WriteOptions(quoting_style="none")
        pa_csv.write_csv(table, folder / name / "a.csv", options)
    lines = (folder / "csv" / "a.csv").read_bytes().split(b"\n")
    for at in range(1, len(lines) - 1, 10_000):
        lines[at] = b"T1,not a time,x,46.0,20,0,1,5"
    (folder / "damaged" / "a.csv").write_bytes(b"\n".join(lines))


def bare(folder: Path) -> int:
    """Read every column, no checks; for Parquet also group by truck."""
    path = next(folder.iterdir())
    if path.suffix == ".csv":
        return int(pa_csv.read_csv(path).num_rows)
    table = pq.read_table(path)
    table.group_by("truck_id").aggregate([("feed_total_lb", "max"), ("speed_mph", "mean")])
    return int(table.num_rows)


def scan(folder: Path, trucks: int, rows_in_memory: int) -> int:
    """Read, check, sort, hand out by truck."""
    with scan_telemetry(
        folder,
        trucks=[f"T{code}" for code in range(trucks)],
        renames={},
        timezone=ZONE,
        rows_in_memory=rows_in_memory,
    ) as files:
        return sum(len(records) for records in files.by_truck())


def scan_and_total(folder: Path, trucks: int) -> float:
    """As `scan`, with the mass of every interval."""
    names = [f"T{code}" for code in range(trucks)]
    with scan_telemetry(folder, trucks=names, renames={}, timezone=ZONE) as files:
        return sum(float(interval_mass(records).mass_lb.sum()) for records in files.by_truck())


def timed(kind: str, folder: Path, trucks: int) -> dict[str, float]:
    """Seconds and peak memory of one job in this process; the second run counts.

    ``cpu_s`` is summed over threads: the fairer measure on a machine that does other things.
    """
    jobs = {
        "bare": lambda: bare(folder),
        "scan": lambda: scan(folder, trucks, 16_000_000),
        "spill": lambda: scan(folder, trucks, 500_000),
        "total": lambda: scan_and_total(folder, trucks),
    }
    seconds = []
    for _ in range(2):
        start, cpu = time.perf_counter(), time.process_time()
        jobs[kind]()
        seconds.append(time.perf_counter() - start)
        cpu_s = time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    return {"first_s": seconds[0], "s": seconds[1], "cpu_s": cpu_s, "peak_gib": peak}


def _alone(call: str, place: Path) -> str:
    """Run a call of this module in a process of its own: a child inherits its parent's peak."""
    code = (
        "import json, sys; from pathlib import Path; "
        "from tests.benchmarks import bench_telemetry as bench; "
        f"print(json.dumps(bench.{call}))"
    )
    command = [sys.executable, "-c", code, str(place)]
    return subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout


def main(rows: int, trucks: int) -> None:
    """Write the files, time every job in a process of its own, print a table."""
    with tempfile.TemporaryDirectory() as place:
        _alone(f"write_files(Path(sys.argv[1]), {rows}, {trucks})", Path(place))
        print(f"{rows} rows, {trucks} trucks, seed {SEED}; pyarrow {pa.cpu_count()} threads")
        for name in ("parquet", "csv", "local", "damaged"):
            base: dict[str, float] = {}
            for kind in ("bare", "scan", "total", "spill"):
                call = f"timed({kind!r}, Path(sys.argv[1]), {trucks})"
                got = json.loads(_alone(call, Path(place) / name))
                base = got if kind == "bare" else base
                print(
                    f"{name:8} {kind:6} {got['s']:6.2f} s ({got['s'] / base['s']:4.1f} x bare), "
                    f"cpu {got['cpu_s']:6.2f} s ({got['cpu_s'] / base['cpu_s']:4.1f} x bare), "
                    f"{rows / got['s'] / 1e6:5.2f} M rows/s, peak {got['peak_gib']:.2f} GiB, "
                    f"first call {got['first_s']:.2f} s",
                    flush=True,
                )


if __name__ == "__main__":
    main(*(int(value) for value in sys.argv[1:3] or (2_000_000, 500)))
