"""The `weather` command: files of weather from elsewhere become a storm's forecast."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import shapely

from spreadplan import clock
from spreadplan.durable import put_text
from spreadplan.errors import BadInput, Problem
from spreadplan.frames import lines
from spreadplan.places import inside, own_file
from spreadplan.planning.applications import Condition, labelled_forecast
from spreadplan.planning.forecast_doubt import doubt_of
from spreadplan.remarks import Remark, remark
from spreadplan.results.store import alone
from spreadplan.runs.options import Options, say_cautions
from spreadplan.schema.tables import TABLES
from spreadplan.schema.weather import WEATHER
from spreadplan.units import SUFFIXES, convert
from spreadplan.views.setting import voice_of
from spreadplan.views.voice import Voice
from spreadplan.weather.files import read_weather_text
from spreadplan.weather.grids import GRIB, NETCDF, read_weather_grid
from spreadplan.weather.rounds import ZoneWeather, forecast_rows, zone_weather
from spreadplan.workspace import Workspace, read_workspace
from spreadplan.workspace.csvfile import read_csv
from spreadplan.workspace.load import known_storm
from spreadplan.workspace.parse import parse_moment
from spreadplan.workspace.tomlfiles import read_renames

AIR_FOR_PAVEMENT_U_F: Final = 7.2
"""Standard uncertainty that is added, as the root of squares, where air temperature stands for the
pavement's: 4 C. Our choice, no source: by day the sun, by night a clear sky part them by more."""

EVERY_H: Final = 4.0
"""Hours of a round where the planner names none. Our choice."""

MOST_EVERY_H: Final = 48.0


def weather(
    folder: Path,
    storm: str,
    file: Path,
    options: Options,
    every_h: float = EVERY_H,
    issued: str = "",
) -> pd.DataFrame:
    """Add the rounds that a file of weather makes to a storm's forecast.csv; old rows stay.

    file : CSV, JSON, NetCDF or GRIB. every_h : hours of a round. issued : when the forecast was
    issued; "": now.
    """
    known_storm(folder, storm)
    if not 0.0 < every_h <= MOST_EVERY_H:
        what, remedy = f"{every_h:g} h is no round", f"give hours above 0, at most {MOST_EVERY_H:g}"
        raise BadInput([Problem(file="--every", row=0, column="*", what=what, remedy=remedy)])
    workspace = read_workspace(
        folder,
        required=["routes"],
        optional=["materials", "policy"],
        storms={storm: ("forecast",)},
    )
    say_cautions(workspace, options)
    middles = _middles(workspace)
    zones = zone_weather(_read(workspace, file, middles, options), middles)
    before = labelled_forecast(workspace.forecast(storm))
    made = _with_doubt(forecast_rows(zones, every_h, before), middles, workspace)
    voice = voice_of(workspace.settings, workspace.table("materials"))
    _say_places(zones, made, voice, options)
    if made.empty:
        options.say(voice.say(remark("no_event_in_weather")))
        return made
    path = inside(folder, f"storms/{storm}/forecast.csv")
    with alone(folder, options.caution):
        kept = _write(own_file(path), made, _issued(issued, workspace), workspace)
    unknown = sorted(set(made["event"]) - set(workspace.policy.rates["event"]) - {"*"})
    if unknown and "*" not in set(workspace.policy.rates["event"]):
        options.caution(voice.say(remark("events_not_in_policy", events=unknown)))
    options.say(voice.say(remark("forecast_written", rows=len(made), kept=kept)))
    options.say(f"look at {path}, correct it where you know better, then plan")
    return made


def _middles(workspace: Workspace) -> dict[str, tuple[float, float]]:
    """Longitude and latitude of the middle of each forecast zone; routes without one make "*"."""
    routes = workspace.tables["routes"]
    lengths = shapely.length(routes.geometry.to_numpy())  # as weights degrees do
    middle = shapely.line_interpolate_point(routes.geometry.to_numpy(), 0.5, normalized=True)
    lons, lats = shapely.get_x(middle), shapely.get_y(middle)
    found = {}
    for zone, at in routes.groupby(routes["zone"].to_numpy()).indices.items():
        lon, lat = (float(np.average(one[at], weights=lengths[at])) for one in (lons, lats))
        found[str(zone) or "*"] = (lon, lat)
    return found


def _read(
    workspace: Workspace,
    file: Path,
    middles: Mapping[str, tuple[float, float]],
    options: Options,
) -> pd.DataFrame:
    """The weather of a file, whatever its kind; columns that it lacks are empty."""
    if not file.is_file():
        what, remedy = "is not there", "name a file of weather"
        raise BadInput([Problem(file=file.name, row=0, column="*", what=what, remedy=remedy)])
    if file.suffix.lower() in (*GRIB, *NETCDF):
        frame = read_weather_grid(file, middles)
        lacking = [one for one in WEATHER.columns if one.inside not in frame]
        blank = {one.inside: math.nan if one.quantity else "" for one in lacking}
        return frame.assign(**blank)
    path = workspace.folder / "columns.toml"
    renames = read_renames(path)[0].get("weather", {}) if path.is_file() else {}
    frame, cautions = read_weather_text(file, workspace.settings.timezone, renames)
    for one in cautions:
        options.caution(str(one))
    return frame


def _say_places(
    zones: Mapping[str, ZoneWeather], made: pd.DataFrame, voice: Voice, options: Options
) -> None:
    """Say where the weather of each zone comes from, and what is doubtful about it."""
    for zone, one in zones.items():
        mine = made[made["zone"] == zone]
        told = remark("weather_of_zone", zone=zone, rounds=len(mine), place=_place(one))
        options.say(voice.say(told))
        if one.left_out:
            options.caution(voice.say(remark("weather_left_out", zone=zone, rows=one.left_out)))
        if mine["by_air"].any():
            rounds = int(mine["by_air"].sum())
            options.caution(voice.say(remark("air_for_pavement", zone=zone, rounds=rounds)))


def _place(one: ZoneWeather) -> tuple[Remark, ...]:
    if math.isnan(one.miles):
        return (remark("weather_without_place"),)
    if one.place:
        return (remark("weather_from_place", place=one.place, miles=one.miles),)
    return (remark("weather_from_point", miles=one.miles),)


def _with_doubt(
    made: pd.DataFrame, middles: Mapping[str, tuple[float, float]], workspace: Workspace
) -> pd.DataFrame:
    """Rounds with a larger uncertainty where the pavement's temperature is the air's."""
    doubts = []
    for one in lines(made):
        doubt = one.pavement_temp_u_f
        if one.by_air:
            condition = Condition(
                zone=one.zone,
                event=one.event,
                pavement_temp_f=one.pavement_temp_f,
                trend=one.trend,
                precipitation_in=one.precipitation_in,
                start=one.start,
                end=one.end,
            )
            lon, lat = middles[one.zone]
            usual = doubt_of(condition, lat, lon, workspace.policy).u_f
            doubt = math.hypot(usual, AIR_FOR_PAVEMENT_U_F)
        doubts.append(doubt)
    return made.assign(pavement_temp_u_f=np.array(doubts, dtype=float))


def _issued(given: str, workspace: Workspace) -> pd.Timestamp:
    if not given:
        return pd.Timestamp(clock.now()).floor("s")
    moment, fault = parse_moment(given, workspace.settings.timezone)
    if moment is None:
        remedy = "write it as 2026-12-01T04:00"
        raise BadInput([Problem(file="--issued", row=0, column="*", what=fault, remedy=remedy)])
    return pd.Timestamp(moment)


# --- the file ----------------------------------------------------------------------------------


def _write(path: Path, made: pd.DataFrame, issued: pd.Timestamp, workspace: Workspace) -> int:
    """Put rows behind those of the file, in its own columns and units; how many it had."""
    names, old = _as_it_stands(path)
    metric = workspace.settings.units == "metric"
    spelled = {}
    for column in TABLES["forecast"].columns:
        there = [name for name in column.spellings() if name in names]
        usual = {"temperature": "c", "temperature_difference": "c", "length": "mm"}
        suffix = usual.get(column.quantity, "") if metric else ""
        fresh = f"{column.name}_{suffix}" if suffix else column.inside
        spelled[column.inside] = there[0] if there else fresh
    rows = made.drop(columns="by_air").assign(issued_at=issued)
    names = [*names, *(spelled[name] for name in rows.columns if spelled[name] not in names)]
    zone = workspace.settings.timezone
    out = io.StringIO(newline="")
    sheet = csv.writer(out, lineterminator="\n")
    sheet.writerow(names)
    sheet.writerows([record.get(name, "") for name in names] for record in old)
    cells = {
        spelled[name]: _as_text(name, rows[name], spelled[name], zone)
        for name in map(str, rows.columns)
    }
    for n in range(len(rows)):
        sheet.writerow([cells[name][n] if name in cells else "" for name in names])
    put_text(path, out.getvalue())
    return len(old)


def _as_it_stands(path: Path) -> tuple[list[str], list[dict[str, str]]]:
    if not path.exists():
        return [], []
    raw, problems = read_csv(path, path.name)
    if raw is None or problems:
        raise BadInput(problems)
    names = [str(name) for name in raw.cells.columns]
    return names, [dict(zip(names, cells, strict=True)) for cells in raw.cells.to_numpy().tolist()]


def _as_text(name: str, values: pd.Series, spelled: str, zone: ZoneInfo) -> list[str]:
    """Cells of a column; temperatures to a tenth, water to a thousandth of an inch."""
    if name in ("start", "end", "issued_at"):
        return [one.tz_convert(zone).isoformat(timespec="seconds") for one in values]
    column = TABLES["forecast"].column(name)
    if not column.quantity:
        return [str(one) for one in values]
    known = SUFFIXES[column.quantity]
    inside = known[name.rpartition("_")[2]]
    shown = convert(values.to_numpy(dtype=float), inside, known[spelled.rpartition("_")[2]])
    places = 3 if spelled.endswith("_in") else 1
    return ["" if math.isnan(one) else f"{one:.{places}f}" for one in shown]
