"""Telemetry files of different makes, and plain tables: the same bytes each time."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from county_storms import Storm

ZONE = "America/Chicago"
LOCAL = "%Y-%m-%dT%H:%M:%S"
PREWETTING = ("TC-101", "TC-102", "TC-103", "TC-104")
NO_TOTAL = ("TC-105", "TC-106", "TC-107")  # the mixed storm's trucks that recorded a rate
IN_UTC = ("TC-108", "TC-109")
SENT_TWICE, SENT_LATE = "TC-103", "TC-106"
LATE_BLOCK = 240  # fixes from the middle of a shift that came last

SHOWN = {
    "truck_id": pa.string(),
    "lon": pa.float64(),
    "lat": pa.float64(),
    "speed_mph": pa.float32(),
    "heading_deg": pa.float32(),
    "spreading": pa.int8(),
    "feed_total_lb": pa.int32(),
    "liquid_total_gal": pa.float32(),
    "material": pa.string(),
}
FEW_VALUES = ("speed_mph", "heading_deg", "spreading")  # they pack best as a dictionary

#: rows that no reader can use, as (column → text) over a good row
BAD_ROWS: tuple[dict[str, str], ...] = (
    {"time": "31/12/2026 18:04"},
    {"lon": "0.0", "lat": "0.0"},
    {"lat": "146.02"},
    {"lon": "", "lat": ""},
    {"truck_id": ""},
    {"truck_id": "TC-901"},
    {"speed_mph": "n/a"},
    {"feed_rate_lb_min": "-40"},
    {"time": ""},
)


def write_csv(path: Path, table: pd.DataFrame) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(table.to_csv(index=False, lineterminator="\n"), encoding="utf-8", newline="\n")


def write_parquet(
    path: Path, frame: pd.DataFrame, types: dict[str, pa.DataType] | None = None
) -> None:
    """A frame as Parquet, small, and without anything that changes from run to run."""
    path.parent.mkdir(parents=True, exist_ok=True)
    given = types or {}
    table = pa.table(
        {
            str(name): pa.array(column, type=given.get(str(name)), from_pandas=True)
            for name, column in frame.items()
        }
    )
    words = [f.name for f in table.schema if pa.types.is_string(f.type) or f.name in FEW_VALUES]
    rest = [field for field in table.schema if field.name not in words]
    floats = [field.name for field in rest if pa.types.is_floating(field.type)]
    counted = {
        field.name: "DELTA_BINARY_PACKED"
        for field in rest
        if pa.types.is_timestamp(field.type) or pa.types.is_integer(field.type)
    }
    encodings = counted | dict.fromkeys(floats, "BYTE_STREAM_SPLIT")
    pq.write_table(
        table,
        path,
        compression="zstd",
        compression_level=12,
        use_dictionary=words,
        column_encoding=encodings or None,
        store_schema=False,
        write_statistics=False,
    )


def write_telemetry(folder: Path, storm: Storm, found: pd.DataFrame) -> None:
    """The positions of a storm in the form that its recorders keep. `found`: see `fixes`."""
    moment = pd.to_datetime(found["time_s"], unit="s", utc=True).astype("datetime64[ms, UTC]")
    shown = pd.DataFrame(
        {
            "truck_id": found["truck_id"],
            "time": moment,
            **{name: found[name] for name in ("lon", "lat", "speed_mph", "heading_deg")},
            "spreading": found["spreading"],
            "feed_total_lb": found["total_lb"],
            "liquid_total_gal": found["liquid_gal"].where(found["truck_id"].isin(PREWETTING)),
            "material": found["material"],
        }
    )
    if storm.interval_s > 5:
        shown = shown.drop(columns="liquid_total_gal")
    local = moment.dt.tz_convert(ZONE)
    if storm.form == "mixed":
        _write_mixed(folder, shown, found["rate_lb_min"], local)
    elif storm.form == "csv":
        _write_text(folder / "fleet.csv", shown, local.dt.strftime(LOCAL))
    elif storm.form == "parquet_local":
        naive = _late(shown.assign(time=local.dt.tz_localize(None)))
        write_parquet(folder / "fleet.parquet", naive, SHOWN)
    elif storm.form == "parquet_text":
        written = shown.assign(time=[one.isoformat() for one in local])
        write_parquet(folder / "fleet.parquet", written, SHOWN)
    else:
        write_parquet(folder / "fleet.parquet", shown, SHOWN)


def _write_text(path: Path, shown: pd.DataFrame, time: pd.Series) -> None:
    """A CSV file in order of time, with coordinates to about a metre."""
    ordered = shown.assign(time=time, lon=shown["lon"].round(5), lat=shown["lat"].round(5))
    ordered["heading_deg"] = ordered["heading_deg"].astype("Int64")
    write_csv(path, ordered.loc[shown.sort_values(["time", "truck_id"], kind="stable").index])


def _late(shown: pd.DataFrame) -> pd.DataFrame:
    """One truck's recorder lost its signal and sent a block of fixes at the very end."""
    mine = shown.index[shown["truck_id"] == SENT_LATE]
    block = mine[len(mine) // 2 :][:LATE_BLOCK]
    return pd.concat([shown.drop(index=block), shown.loc[block]])


def _write_mixed(folder: Path, shown: pd.DataFrame, rate: pd.Series, local: pd.Series) -> None:
    """Several files of several kinds, one of them sent twice in part, and bad rows."""
    truck = shown["truck_id"]
    light, rated = truck.isin(IN_UTC), truck.isin(NO_TOTAL)
    write_parquet(folder / "closed_loop.parquet", shown[~light & ~rated], SHOWN)
    utc = shown["time"].dt.strftime(LOCAL + "Z")
    _write_text(folder / "town.csv", shown[light], utc[light])
    twice = shown.index[truck == SENT_TWICE]
    twice = twice[len(twice) // 3 : len(twice) // 2]
    offset = pd.Series([one.isoformat() for one in local[twice]], index=twice)
    _write_text(folder / "sent_again.csv", shown.loc[twice], offset)
    rates = shown[rated].drop(columns="feed_total_lb").assign(feed_rate_lb_min=rate[rated])
    _write_text(folder / "open_loop.csv", rates, local[rated].dt.strftime(LOCAL))
    _spoil(folder / "open_loop.csv")


def _spoil(path: Path) -> None:
    """Put a bad row after every so many good ones."""
    rows = pd.read_csv(path, dtype=str, keep_default_na=False)
    every = len(rows) // (len(BAD_ROWS) + 1)
    bad = pd.DataFrame(
        [{**rows.iloc[every * (n + 1)].to_dict(), **BAD_ROWS[n]} for n in range(len(BAD_ROWS))],
        index=[every * (n + 1) + 0.5 for n in range(len(BAD_ROWS))],
    )
    write_csv(path, pd.concat([rows, bad]).sort_index(kind="stable"))
