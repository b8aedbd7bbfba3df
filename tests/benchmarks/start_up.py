"""Whole commands as a user gives them, by processor time: what they cost beside what must be.

Run: ``python -m tests.benchmarks.start_up [REPEATS]`` for the everyday commands on the starter
workspace, beside ``python -c "import geopandas"``; and
``python -m tests.benchmarks.start_up storm [FOLDER]`` for `reconcile` of a large storm, 1,000,000
records of 180 trucks on 37,812 segments, with its plan, maps, report and GeoPackage, beside its
matching and accounts alone in a process that has imported all. The storm is made by
`bench_reconcile`, and kept in FOLDER where one is named.

Processor time is user and system of the process and its children, the least of the repeats: other
work on the machine adds to it, nothing takes away from it. Goals: `check` 1.5 times, `calibrate
--no-pdf` 2.5, `plan --no-pdf` 3; `reconcile --no-pdf` 1.5 times its matching and accounts.
``python -X importtime -m spreadplan.cli check WORKSPACE`` tells which import takes how long.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

BASE = [sys.executable, "-c", "import geopandas"]
PROGRAM = [sys.executable, "-m", "spreadplan.cli"]
GOALS = {
    ("check", "{}"): 1.5,
    ("calibrate", "{}", "--no-pdf"): 2.5,
    ("plan", "{}", "first-storm", "--no-pdf"): 3.0,
}
AS_USED = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
"""Of an installed program every module has its bytecode; of a source tree after the first run."""
ROWS, TRUCKS, BLOCKS = 1_000_000, 180, 137
RATES = "route_id,application,rate_lb_per_lane_mile\n*,1,200\n*,2,200\n"
ACCOUNTS = """
import sys, time
from pathlib import Path
from spreadplan.runs import Options, compute_use, no_progress
from spreadplan.runs.warming import compile_kernels
compile_kernels()
start = time.process_time()
compute_use(Path(sys.argv[1]), "storm", Options(list, list, no_progress, pdf=False))
print(time.process_time() - start)
"""


def processor_s(words: list[str], repeats: int = 1) -> float:
    """Least processor time of a command and its children, in seconds."""
    least = float("inf")
    for _ in range(repeats):
        before = os.times()
        subprocess.run(
            words, check=True, env=AS_USED, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        after = os.times()
        took = after.children_user + after.children_system
        least = min(least, took - before.children_user - before.children_system)
    return least


def everyday(repeats: int) -> None:
    """The commands on the starter workspace, each measured in turn with the base line."""
    with tempfile.TemporaryDirectory() as kept:
        workspace = f"{kept}/county"
        processor_s([*PROGRAM, "new", workspace])
        for words in GOALS:  # not counted: modules that are newer than their bytecode
            processor_s([*PROGRAM, *(word.format(workspace) for word in words)])
        base, least = float("inf"), dict.fromkeys(GOALS, float("inf"))
        for _ in range(repeats):  # in turn, so that a busy moment of the machine meets all alike
            base = min(base, processor_s(BASE))
            for words in GOALS:
                command = [*PROGRAM, *(word.format(workspace) for word in words)]
                least[words] = min(least[words], processor_s(command))
    print(f"import geopandas: {base:.2f} s of processor time, the least of {repeats}")
    for words, goal in GOALS.items():
        name = " ".join(word for word in words if "{" not in word)
        print(f"{name:28} {least[words]:5.2f} s, {least[words] / base:4.2f} times (goal {goal})")


def storm(place: Path) -> None:
    """`reconcile` of a large storm as a whole command, beside its matching and accounts."""
    workspace = place / "workspace"
    if not (place / "truth.npz").exists():
        from tests.benchmarks.bench_reconcile import write_workspace

        write_workspace(place, ROWS, TRUCKS, BLOCKS)
    rates = workspace / "storms/storm/rates.csv"
    rates.unlink(missing_ok=True)  # the accounts alone: without rates there is no plan
    done = subprocess.run(
        [sys.executable, "-c", ACCOUNTS, str(workspace)], check=True, capture_output=True, text=True
    )
    accounts = float(done.stdout)
    rates.write_text(RATES)
    whole = processor_s([*PROGRAM, "reconcile", str(workspace), "storm", "--no-pdf"])
    print(f"{ROWS:,} records, {TRUCKS} trucks, {2 * BLOCKS * (BLOCKS + 1):,} segments")
    print(f"matching and accounts alone: {accounts:.1f} s of processor time")
    print(f"reconcile --no-pdf: {whole:.1f} s, {whole / accounts:.2f} times (goal 1.5)")


if __name__ == "__main__":
    if sys.argv[1:2] == ["storm"]:
        if sys.argv[2:]:
            storm(Path(sys.argv[2]))
        else:
            with tempfile.TemporaryDirectory(prefix="storm_") as folder:
                storm(Path(folder))
    else:
        everyday(int(sys.argv[1]) if sys.argv[1:] else 10)
