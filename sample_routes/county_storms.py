"""The season's twelve storms: forecasts, the planner's own rates, how positions are recorded."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import pandas as pd

ROUTE_COLUMNS = ["route_id", "application", "start", "rate_lb_per_lane_mile"]
FORECAST_COLUMNS = [
    "zone",
    "start",
    "end",
    "event",
    "pavement_temp_f",
    "trend",
    "precipitation_in",
    "application",
]
ForecastRow = tuple[str, str, str, str, float, str, float, int]
LOG_COLUMNS = ["time", "what", "truck_id", "note"]
LogRow = tuple[str, str, str, str]
RateRow = tuple[str, str | int, str, float]


@dataclass(frozen=True)
class Storm:
    """One storm. Times are local.

    `form` says how its telemetry is kept: `parquet` (moments), `parquet_local` (local times without
    an offset), `parquet_text` (times as text with an offset), `csv` (local) or `mixed` (several
    files of several kinds). `interval_s` is the usual time between two fixes. `newer` are the rows
    of a second forecast, `issued_at` when the two were issued; `log` is what was written down.
    """

    name: str
    interval_s: int
    form: str
    forecast: tuple[ForecastRow, ...] = ()
    rates: tuple[RateRow, ...] = ()
    newer: tuple[ForecastRow, ...] = ()
    issued_at: tuple[str, ...] = ()
    log: tuple[LogRow, ...] = ()

    @property
    def starts(self) -> dict[str, datetime]:
        """When each application starts."""
        rows = [(str(row[7]), row[1]) for row in self.forecast]
        rows += [(str(row[1]), row[2]) for row in self.rates if row[1] != "*"]
        found: dict[str, datetime] = {}
        for label, at in rows:
            when = datetime.fromisoformat(at)
            found[label] = min(when, found.get(label, when))
        return dict(sorted(found.items()))

    @property
    def start(self) -> datetime:
        return min(self.starts.values())


def _zones(
    application: int,
    start: str,
    end: str,
    event: str,
    south_f: float,
    north_f: float,
    trend: str,
    water_in: float,
) -> tuple[ForecastRow, ForecastRow]:
    """The two zones' rows of one application: the north gets a hundredth of an inch more."""
    return (
        ("south", start, end, event, south_f, trend, water_in, application),
        ("north", start, end, event, north_f, trend, round(water_in + 0.01, 2), application),
    )


def _sand(start: str, rate_lb_per_lane_mile: float = 800) -> tuple[RateRow, RateRow]:
    """The planner's rate of sand-salt mix: lake roads each time, township roads the first time."""
    return ("R08", "*", start, rate_lb_per_lane_mile), ("R14", 1, start, rate_lb_per_lane_mile)


def _no_more(application: int, start: str) -> RateRow:
    """The township roads are sanded once a storm; there is no truck for more."""
    return ("R14", application, start, 0)


SNOW, RAIN = "light_snow", "freezing_rain"
STORMS = (
    Storm("2026-11-21-first-snow", 10, "parquet",
        _zones(1, "2026-11-21T05:00", "2026-11-21T10:00", SNOW, 30, 29, "falling", 0.05),
        _sand("2026-11-21T05:00", 700)),
    Storm("2026-11-28-light-snow", 5, "parquet", (
        ("south", "2026-11-28T02:00", "2026-11-28T06:00", SNOW, 30, "falling", 0.05, 1),
        ("north", "2026-11-28T02:00", "2026-11-28T06:00", SNOW, 28.5, "falling", 0.06, 1),
        ("south", "2026-11-28T06:00", "2026-11-28T10:30", SNOW, 31, "steady", 0.06, 2),
        ("north", "2026-11-28T06:00", "2026-11-28T10:30", SNOW, 29.5, "steady", 0.06, 2),
        ("south", "2026-11-28T10:30", "2026-11-28T14:00", SNOW, 33.5, "rising", 0.02, 3),
        ("north", "2026-11-28T10:30", "2026-11-28T14:00", SNOW, 31, "rising", 0.03, 3),
    ), (
        ("R08", "*", "2026-11-28T02:00", 800),
        ("R14", 1, "2026-11-28T02:00", 800),
        _no_more(2, "2026-11-28T06:00"),
        _no_more(3, "2026-11-28T10:30"),
        ("R09", 1, "2026-11-28T03:30", 150),
        ("R10", 1, "2026-11-28T03:30", 150),
        ("R03", 2, "2026-11-28T06:00", 200),
    )),
    Storm("2026-12-08-cold-snow", 10, "parquet_local", (
        ("south", "2026-12-08T20:30", "2026-12-09T01:30", SNOW, 22, "falling", 0.06, 1),
        ("north", "2026-12-08T20:30", "2026-12-09T01:30", SNOW, 19, "falling", 0.07, 1),
        ("*", "2026-12-09T01:30", "2026-12-09T06:30", SNOW, 16.5, "falling", 0.05, 2),
        ("*", "2026-12-09T06:30", "2026-12-09T10:00", SNOW, 12.5, "falling", 0.02, 3),
    ), (_no_more(2, "2026-12-09T01:30"), _no_more(3, "2026-12-09T06:30"))),
    Storm("2026-12-20-freezing-rain", 15, "parquet",
        _zones(1, "2026-12-20T03:30", "2026-12-20T08:30", RAIN, 29.5, 28, "steady", 0.08),
        _sand("2026-12-20T03:30", 900)),
    Storm("2026-12-31-year-end-snow", 10, "mixed", (
        *_zones(1, "2026-12-31T17:00", "2026-12-31T22:00", SNOW, 25, 23.5, "falling", 0.06),
        *_zones(2, "2026-12-31T22:00", "2027-01-01T03:30", SNOW, 23, 21.5, "falling", 0.05),
    ), (*_sand("2026-12-31T17:00", 700), _no_more(2, "2026-12-31T22:00")),
        _zones(2, "2026-12-31T22:00", "2027-01-01T03:30", SNOW, 21, 18.5, "falling", 0.05),
        ("2026-12-31T12:00", "2026-12-31T20:30"), (
        ("2026-12-31T20:35", "note", "", "new forecast: the north falls below 20 F"),
        ("2026-12-31T20:40", "truck_out", "TC-101", "conveyor chain broke on route R12"),
    )),
    Storm("2027-01-07-deep-cold", 10, "parquet",
        _zones(1, "2027-01-07T04:00", "2027-01-07T09:00", SNOW, 18, 16.5, "steady", 0.04),
        _sand("2027-01-07T04:00")),
    Storm("2027-01-16-long-snow", 5, "parquet", (
        *_zones(1, "2027-01-16T01:00", "2027-01-16T06:00", SNOW, 27, 25.5, "falling", 0.07),
        *_zones(2, "2027-01-16T06:00", "2027-01-16T11:00", SNOW, 26, 24.5, "steady", 0.06),
    ), (*_sand("2027-01-16T01:00", 700), _no_more(2, "2027-01-16T06:00"))),
    Storm("2027-01-26-frost", 15, "parquet_text", (), (
        ("*", 1, "2027-01-26T04:30", 160),
        ("R08", 1, "2027-01-26T04:30", 500),
        ("R14", 1, "2027-01-26T04:30", 500),
    )),
    Storm("2027-02-04-night-snow", 10, "parquet", (
        *_zones(1, "2027-02-04T21:00", "2027-02-05T02:00", SNOW, 24, 22, "falling", 0.05),
        *_zones(2, "2027-02-05T02:00", "2027-02-05T07:00", SNOW, 21, 19.5, "falling", 0.06),
    ), (*_sand("2027-02-04T21:00"), _no_more(2, "2027-02-05T02:00"))),
    Storm("2027-02-14-wet-snow", 15, "parquet",
        _zones(1, "2027-02-14T11:00", "2027-02-14T16:00", SNOW, 31, 30, "steady", 0.09),
        _sand("2027-02-14T11:00", 600)),
    Storm("2027-02-26-late-snow", 5, "parquet", (
        *_zones(1, "2027-02-26T02:30", "2027-02-26T07:30", SNOW, 28.5, 27, "falling", 0.06),
        *_zones(2, "2027-02-26T07:30", "2027-02-26T12:30", SNOW, 30, 28.5, "rising", 0.04),
    ), (*_sand("2027-02-26T02:30", 700), _no_more(2, "2027-02-26T07:30"))),
    Storm("2027-03-13-clock-change", 20, "csv", (
        *_zones(1, "2027-03-13T22:30", "2027-03-14T04:30", SNOW, 29, 27.5, "falling", 0.05),
        *_zones(2, "2027-03-14T04:30", "2027-03-14T09:30", SNOW, 30, 29, "rising", 0.04),
    ), (*_sand("2027-03-13T22:30", 600), _no_more(2, "2027-03-14T04:30"))),
)  # fmt: skip


def forecast(storm: Storm) -> pd.DataFrame:
    """storms/STORM/forecast.csv; no rows where there was no forecast."""
    parts = [pd.DataFrame(rows, columns=FORECAST_COLUMNS) for rows in (storm.forecast, storm.newer)]
    if not storm.newer:
        return parts[0]
    dated = [rows.assign(issued_at=at) for rows, at in zip(parts, storm.issued_at, strict=True)]
    return pd.concat(dated, ignore_index=True)


def log(storm: Storm) -> pd.DataFrame:
    """storms/STORM/log.csv; no rows where nothing was written down."""
    return pd.DataFrame(storm.log, columns=LOG_COLUMNS)


def planners_rates(storm: Storm) -> pd.DataFrame:
    """storms/STORM/rates.csv; no rows where the planner set no rates."""
    return pd.DataFrame(storm.rates, columns=ROUTE_COLUMNS)
