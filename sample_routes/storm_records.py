"""The records of the season's storms: positions, load tickets, returns, stock and deliveries.

Each truck drives by the card in its cab, discharges by its hidden true curve, and reports what its
controller believes. Everything is seeded: the same code writes the same bytes.
What really happened is written beside the tests, never into the workspace.
"""

from __future__ import annotations

import shutil
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
from county_storms import STORMS
from county_tables import deliveries, stock_counts
from county_trucks import TRUCKS
from storm_cards import read_cab
from storm_crew import Crew, Records
from storm_files import write_csv, write_parquet, write_telemetry
from storm_incidents import incidents
from storm_roads import Network, read_network
from storm_stock import Yards, opened
from storm_trucks import Truck

SEED = 20261121
FILL_SPREAD = 0.012  # of a storm's discharge, with the salt's moisture
SEASON_OPENS, SEASON_CLOSES = datetime(2026, 11, 1, 12), datetime(2027, 4, 1)
MATCHED_STORMS = ("2026-11-28-light-snow", "2027-02-04-night-snow")  # truth of every position


def write_records(folder: Path, truth: Path | None = None) -> None:
    """Add the records of all storms to a workspace that holds everything else already."""
    for storm in STORMS:
        base = folder / "storms" / storm.name
        shutil.rmtree(base / "telemetry", ignore_errors=True)
        for name in ("loads", "returns"):
            (base / f"{name}.csv").unlink(missing_ok=True)
    network = read_network(folder)
    yards = opened(stock_counts(), deliveries(), np.random.default_rng([SEED, 99]))
    known = list(deliveries().itertuples(index=False, name=None))
    clock, records = SEASON_OPENS, {}
    for number, storm in enumerate(STORMS):
        for _, yard_id, material, at, mass_ton in known:
            if material != "salt_brine" and clock <= datetime.fromisoformat(at) < storm.start:
                yards.move(yard_id, material, 2000.0 * mass_ton)
        yards.pass_time(clock, storm.start, supply=True)
        records[storm.name] = storm_records(number, network, yards)
        write_storm(folder, number, records[storm.name])
        clock = storm.start
    yards.pass_time(clock, SEASON_CLOSES, supply=False)
    write_books(folder, yards)
    if truth is not None:
        write_truth(truth, records, yards)


def storm_records(number: int, network: Network, yards: Yards) -> Records:
    """Simulate storm `number` of the season."""
    storm, result = STORMS[number], Records()
    cab = read_cab(storm.name)
    weather = np.random.default_rng([SEED, number])
    fill = {
        m: 1.0 + FILL_SPREAD * float(weather.standard_normal()) for m in ("rock_salt", "sand_salt")
    }
    for place, (truck_id, *_) in enumerate(TRUCKS):
        rng = np.random.default_rng([SEED, number, place])
        truck = Truck(truck_id, storm.start, cab.displays, fill)
        Crew(storm, truck, network, yards, result, rng).work(cab.runs)
    return result


def write_storm(folder: Path, number: int, records: Records) -> None:
    """A storm's telemetry, load tickets and returns."""
    storm = STORMS[number]
    base = folder / "storms" / storm.name
    write_telemetry(base / "telemetry", storm, pd.concat(records.telemetry, ignore_index=True))
    loads = pd.DataFrame(records.loads).sort_values(["loaded_at", "truck_id"], kind="stable")
    loads.insert(0, "ticket_id", [f"L-{number + 1:02d}{n:03d}" for n in range(1, len(loads) + 1)])
    lost = [
        loads.index[loads["truck_id"] == truck_id][0]
        for truck_id, *_ in TRUCKS
        if incidents(storm.name, truck_id, "no_ticket")
    ]
    loads = loads.drop(index=lost)
    returns = pd.DataFrame(records.returns).sort_values(["returned_at", "truck_id"], kind="stable")
    for name, table, moment in (("loads", loads, "loaded_at"), ("returns", returns, "returned_at")):
        local = pd.to_datetime(table[moment], unit="s", utc=True).dt.tz_convert("America/Chicago")
        table[moment] = local.dt.strftime("%Y-%m-%dT%H:%M")
        write_csv(base / f"{name}.csv", table.drop(columns="true_lb"))


def write_books(folder: Path, yards: Yards) -> None:
    """stock_counts.csv and deliveries.csv of the whole season, as the clerks kept them."""
    counts = pd.DataFrame(yards.counts, columns=list(stock_counts().columns))
    write_csv(folder / "stock_counts.csv", counts)
    columns = list(deliveries().columns)
    write_csv(folder / "deliveries.csv", pd.DataFrame(yards.deliveries, columns=columns))


def write_truth(folder: Path, records: dict[str, Records], yards: Yards) -> None:
    """What really happened, for tests: mass by segment and by truck, positions, lost tickets."""
    folder.mkdir(parents=True, exist_ok=True)
    segments = pd.concat(
        [pd.concat(one.segments).assign(storm=name) for name, one in records.items()],
        ignore_index=True,
    )
    write_parquet(folder / "segments.parquet", segments.round({"true_lb": 2, "reported_lb": 2}))
    trucks = segments.groupby(["storm", "truck_id", "material"])[["true_lb", "reported_lb"]].sum()
    for name in ("loads", "returns"):
        moved = pd.concat(
            [pd.DataFrame(getattr(one, name)).assign(storm=storm) for storm, one in records.items()]
        )
        by_truck = moved.groupby(["storm", "truck_id", "material"])["true_lb"].sum()
        trucks[f"true_{name}_lb"] = by_truck.reindex(trucks.index, fill_value=0.0)
    write_csv(folder / "trucks.csv", trucks.round(1).reset_index())
    columns = ["yard_id", "material", "delivered_at", "net_ton"]
    write_csv(folder / "unrecorded_deliveries.csv", pd.DataFrame(yards.unrecorded, columns=columns))
    for name in MATCHED_STORMS:
        found = pd.concat(records[name].telemetry, ignore_index=True)
        positions = found[["truck_id", "time_s", "segment_id", "along"]]
        write_parquet(folder / f"positions_{name}.parquet", positions)
