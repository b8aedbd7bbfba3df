"""What tests of faults have in common: commands that are started, stopped and looked at."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from tests.conftest import FILES, route_features

ROOT = Path(__file__).parents[2]
STORM = "s1"
#: GDAL puts this date into a GeoPackage instead of the present: the same inputs, the same bytes
SAME_DATE = {"OGR_CURRENT_DATE": "2026-12-01T00:00:00.000Z"}
COMMANDS = {
    "calibrate": ("calibrate", "{}", "--as-of", "2026-11-20"),
    "plan": ("plan", "{}", STORM),
    "compare": ("compare", "{}", STORM),
    "reconcile": ("reconcile", "{}", STORM),
    "season": ("season", "{}", "--as-of", "2026-12-20"),
}


@dataclass(frozen=True)
class Running:
    """A command that was started."""

    pid: int
    said: Path
    nursery: Nursery

    def code(self, wait: bool = True) -> int | None:
        """Its exit code, below zero for a signal; None while it runs."""
        code: int | None = self.nursery.ask(wait=self.pid, block=wait)["code"]
        return code

    def kill(self, number: int = signal.SIGKILL) -> None:
        """Send it a signal."""
        os.kill(self.pid, number)

    @property
    def text(self) -> str:
        """What it has said, on both streams."""
        return self.said.read_text() if self.said.exists() else ""


class Nursery:
    """Starts commands quickly; see `tests.faults.nursery`."""

    def __init__(self, scratch: Path, commands: Sequence[str] = tuple(COMMANDS)) -> None:
        self._scratch = scratch
        self._number = 0
        warm = write_county(scratch / "warm")
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.nursery", str(warm), *commands],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={**os.environ, **SAME_DATE, "PYTHONPATH": str(ROOT)},
        )
        assert self._process.stdout is not None
        self._process.stdout.readline()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        with self._process as process:
            assert process.stdin is not None
            process.stdin.close()
            process.wait(60)

    def ask(self, **asked: Any) -> dict[str, Any]:
        """One question, one answer."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        print(json.dumps(asked), file=self._process.stdin, flush=True)
        answer: dict[str, Any] = json.loads(self._process.stdout.readline())
        return answer

    def start(self, *arguments: object, **more: Any) -> Running:
        """Start a command: stdin, stdout, stderr (paths; None closes one), without_rights,
        largest_file_bytes, environment, sample (a county for `demo`), worker.
        """
        self._number += 1
        said = self._scratch / f"said-{self._number}.txt"
        asked = {"stdout": str(said), "stderr": str(said), **more}
        asked["arguments"] = [str(argument) for argument in arguments]
        return Running(self.ask(start=asked)["pid"], said, self)

    def run(self, *arguments: object, **more: Any) -> tuple[int, str]:
        """Run a command to its end: exit code and what it said."""
        running = self.start(*arguments, **more)
        code = running.code()
        assert code is not None
        return code, running.text


def arguments_of(command: str, folder: Path, pdf: bool = False) -> list[str]:
    """The words of a writing command over a folder."""
    words = [word.format(folder) for word in COMMANDS[command]]
    return words if pdf else [*words, "--no-pdf"]


def write_county(folder: Path, generation: str = "new") -> Path:
    """The small workspace with a storm that was driven; results differ between generations."""
    files = {**FILES, "routes.geojson": json.dumps(route_features()), **_driven(), **_booked()}
    # its commands run on their own and ask the computer's clock: no record lies in the future
    files["workspace.toml"] = FILES["workspace.toml"] + "as_of = 2027-06-01\n"
    if generation == "old":
        files["materials.csv"] = files["materials.csv"].replace("0.588", "0.577")
        files["trucks.csv"] = files["trucks.csv"].replace("14000", "9000")
        files["storms/s1/rates.csv"] = files["storms/s1/rates.csv"].replace("200", "260")
        files["weighings.csv"] = files["weighings.csv"].replace("30000", "30040")
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return folder


def _driven() -> dict[str, str]:
    rows = [
        f"T1,2026-12-01T10:{minute:02d}:00Z,-94,{46 + 0.05 * minute / 60:.6f},20,0,1,"
        f"{10 * minute},salt"
        for minute in range(60)
    ]
    header = "truck_id,time,lon,lat,speed_mph,heading_deg,spreading,feed_total_lb,material"
    loads = "ticket_id,truck_id,yard_id,loaded_at,material,net_lb\nL1,T1,Y1,2026-12-01T09:50Z,salt,"
    return {
        "storms/s1/telemetry/a.csv": "\n".join([header, *rows]) + "\n",
        "storms/s1/loads.csv": loads + "650\n",
    }


def _booked() -> dict[str, str]:
    budgets = "season,scope,scope_id,material,budget_ton\n2026-27,agency,all,salt,40\n"
    return {"budgets.csv": budgets}


def results_of(folder: Path) -> dict[str, bytes]:
    """Every result with its content, and whatever else lies among them."""
    results = folder / "results"
    return {
        path.relative_to(results).as_posix(): path.read_bytes()
        for path in sorted(results.rglob("*"))
        if path.is_file() and path.name != ".lock"
    }


def inputs_of(folder: Path) -> dict[str, bytes]:
    """Every other file with its content."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.relative_to(folder).parts[0] != "results"
    }


def differences(found: dict[str, bytes], wanted: dict[str, bytes]) -> list[str]:
    """Names of files that are not as they should be."""
    return sorted(
        name for name in found.keys() | wanted.keys() if found.get(name) != wanted.get(name)
    )


def wait_for(happens: Callable[[], bool], running: Running, seconds: float = 60.0) -> bool:
    """Look again and again until something happens; False where the command ends first."""
    end = time.monotonic() + seconds
    looks = 0
    while time.monotonic() < end:
        if happens():
            return True
        looks += 1
        if looks % 200 == 0 and not os.path.exists(f"/proc/{running.pid}/stat"):
            return False
        if looks % 200 == 0 and running.code(wait=False) is not None:
            return False
    return False


def stored(folder: Path) -> bool:
    """Whether a command is putting its results in place: the list of moves is there."""
    return any((folder / "results").glob(".staging-*/moves.json"))


def staged(folder: Path) -> bool:
    """Whether a command is writing its results."""
    return any((folder / "results").glob(".staging-*"))
