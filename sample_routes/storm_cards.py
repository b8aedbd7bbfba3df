"""What the drivers had in the cab in each storm: the plan's settings, and what displays count with.

    python sample_routes/storm_cards.py [STORM APPLICATION]

asks spreadplan for the plans of `county` and keeps them as `cab_cards.parquet` and
`cab_displays.parquet`; with a storm and an application those cards alone, the others stay as they
are. The season's records are made from these two files, so that a later change to spreadplan
doesn't rewrite what was driven.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from county_shapes import Points
from county_storms import STORMS
from storm_files import write_parquet

HERE = Path(__file__).resolve().parent
CARDS, DISPLAYS = HERE / "cab_cards.parquet", HERE / "cab_displays.parquet"
CARD_COLUMNS = [
    "storm",
    "application",
    "route_id",
    "segment_id",
    "truck_id",
    "material",
    "part",
    "from_mi",
    "to_mi",
    "passes",
    "lanes_per_pass",
    "area_id",
    "target_rate_lb_per_lane_mile",
    "gate_in",
    "feeder_pct",
    "discharge_lb_per_min",
]
SHOWN_PCT = np.arange(0.0, 100.1, 5.0)
Key = tuple[str, str, float]  # truck, material, gate


@dataclass(frozen=True, eq=False)
class Display:
    """What a controller counts with: mass per count (closed loop), or discharge at SHOWN_PCT."""

    lb_per_count: float
    lb_per_min: Points


@dataclass(frozen=True)
class Cab:
    """A storm's cards, (application, route) → rows in driving order, and its displays."""

    runs: Mapping[tuple[str, str], list[Any]]
    displays: Mapping[Key, Display]


def read_cab(storm: str) -> Cab:
    """The kept cards and displays of one storm."""
    cards, displays = pd.read_parquet(CARDS), pd.read_parquet(DISPLAYS)
    rows = cards[cards["storm"] == storm].itertuples(index=False)
    runs = {
        (str(key[0]), str(key[1])): list(some)
        for key, some in groupby(rows, key=lambda row: (row.application, row.route_id))
    }
    here = displays[displays["storm"] == storm]
    shown = {
        (str(truck), str(material), float(gate)): Display(
            float(table["lb_per_count"].iloc[0]), table["lb_per_min"].to_numpy(dtype=float)
        )
        for (truck, material, gate), table in here.groupby(["truck_id", "material", "gate_in"])
    }
    return Cab(runs, shown)


def planned(folder: Path, storm: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Cards and displays of one storm as spreadplan plans it now."""
    from spreadplan import runs

    quiet = runs.Options(lambda text: None, lambda text: None, runs.no_progress)
    _, fleet, plan = runs.compute_plan(folder, storm, quiet)
    cards = pd.DataFrame(plan.segments.drop(columns="geometry")).assign(storm=storm)[CARD_COLUMNS]
    tables = [
        pd.DataFrame(
            {
                "storm": storm,
                "truck_id": truck_id,
                "material": material,
                "gate_in": gate_in,
                "lb_per_count": model.lb_per_count,
                "feeder_pct": SHOWN_PCT,
                "lb_per_min": np.maximum(model.predict(SHOWN_PCT).discharge_lb_per_min, 0.0),
            }
        )
        for (truck_id, material, gate_in), model in sorted(fleet.models.items())
    ]
    return cards.round(6), pd.concat(tables, ignore_index=True).round(6)


def one_application(storm: str, application: str) -> None:
    """Make the cards of one application anew; displays count with what they did."""
    cards, (made, _) = pd.read_parquet(CARDS), planned(HERE / "county", storm)
    old = (cards["storm"] == storm) & (cards["application"] == application)
    new = made[made["application"] == application]
    first = int(np.flatnonzero(old)[0])
    parts = [cards[:first], new, cards[first:][~old[first:]]]
    write_parquet(CARDS, pd.concat(parts, ignore_index=True))


def main() -> None:
    made = [planned(HERE / "county", storm.name) for storm in STORMS]
    for path, tables in zip((CARDS, DISPLAYS), zip(*made, strict=True), strict=True):
        write_parquet(path, pd.concat(tables, ignore_index=True))


if __name__ == "__main__":
    one_application(*sys.argv[1:]) if len(sys.argv) > 1 else main()
