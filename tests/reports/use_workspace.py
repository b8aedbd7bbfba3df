"""The hard workspace with a storm driven in it, to make usage reports from."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pandas as pd

from spreadplan.runs import Options, compute_use, no_progress
from spreadplan.runs.reconciling import Reconciled
from tests.reports.hard_workspace import LONG, SCRIPT, STORM, write

START = pd.Timestamp("2026-12-02T08:00Z")
SEGMENT_DEG = 0.004
HEADER = "truck_id,time,lon,lat,speed_mph,heading_deg,spreading,feed_total_lb,material\n"
QUIET = Options(say=lambda _: None, caution=lambda _: None, progress=no_progress, pdf=False)


def drive(
    truck: str, lat: float, per_segment_lb: list[float], west: float = -94.0
) -> Iterator[str]:
    """Records each quarter of a segment on the way east, 20 s apart; a total that counts on."""
    total, second = 0.0, 0
    yield _record(truck, second, west, lat, total)
    for number, mass_lb in enumerate(per_segment_lb):
        for quarter in range(1, 5):
            total += mass_lb / 4.0
            second += 20
            yield _record(truck, second, west + (number + quarter / 4) * SEGMENT_DEG, lat, total)


def _record(truck: str, second: int, lon: float, lat: float, total: float) -> str:
    time = (START + pd.Timedelta(seconds=second)).isoformat()
    return f'"{truck}",{time},{lon:.6f},{lat:.6f},8.6,90,1,{total:.1f},salt\n'


def storm_folder(folder: Path) -> Path:
    """The workspace, with a storm in which much went wrong.

    On route ``sixty`` the first 20 segments got several times the plan, the next 30 about as much
    as planned, the last ten nothing. Another truck spread away from all roads. Two trucks sent
    nothing.
    """
    write(folder, "us")
    telemetry = folder / "storms" / STORM / "telemetry"
    telemetry.mkdir()
    plan_lb = 440.0 * 0.384  # three applications, both lanes of a segment
    along = [4.0 * plan_lb] * 20 + [plan_lb] * 30 + [0.0] * 10
    rows = [*drive(LONG, 46.0, along), *drive(SCRIPT, 46.2, [50.0] * 10, -93.8)]
    broken = [
        rows[3],
        f"{LONG},2026-12-02T08:00:07Z,0,0,8.6,90,1,1,salt\n",
        f'"{SCRIPT}x",2026-12-02T08:00:07Z,-94,46,8.6,90,1,1,salt\n',
    ]
    (telemetry / "a.csv").write_text(HEADER + "".join([*rows, *broken]))
    loads = "ticket_id,truck_id,yard_id,loaded_at,material,net_lb\n" + "".join(
        f"L{number},{LONG},Y,2026-12-02T07:{10 + number}:00Z,salt,9200\n" for number in range(2)
    )
    (folder / "storms" / STORM / "loads.csv").write_text(loads)
    (folder / "stock_counts.csv").write_text(
        "yard_id,material,counted_at,on_hand_ton\nY,salt,2026-11-01,30\nY,salt,2026-12-05,60\n"
    )
    return folder


def reconciled(folder: Path) -> Reconciled:
    """The storm, judged."""
    return compute_use(folder, STORM, QUIET)
