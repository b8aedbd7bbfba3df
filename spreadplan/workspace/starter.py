"""The starter workspace: every file with its header, nearly all with a row to be replaced."""

from __future__ import annotations

import json

from spreadplan.schema.columns import Column, Table
from spreadplan.schema.material_tables import BLENDS
from spreadplan.schema.tables import TABLES

STORM = "storms/first-storm"
LINE = [[-94.21, 46.10], [-94.205, 46.105], [-94.20, 46.115]]
POLYGON = [[[-94.208, 46.1], [-94.2, 46.1], [-94.2, 46.108], [-94.208, 46.108], [-94.208, 46.1]]]
WORKSPACE = """\
# Your operation. units = "us" or "metric" is only how reports show numbers.
[workspace]
name = "Your County"
units = "us"
timezone = "America/Chicago"
lane_width_ft = 12
season_start = {start}
season_end = {end}
# A finished season is looked at as of a day of its own; without this line it is today.
# as_of = {end}
# The sign or word of the prices in materials.csv, as "$", "€" or "NOK".
currency = "$"
# Rates in g/m², in place of lb per lane-mile or kg per lane-km.
# rate_unit = "g_per_m2"
# Whom a driver calls: it stands on every cab card.
# call = "Shop 555-0100"

# What people call a storm: the name of its folder, then its name in reports.
# [storms]
# "2026-12-31-year-end-snow" = "Year-end snow"
"""
POLICY = """\
# Your agency's rules. A rate is guidance: the people on the road decide.
# Each [[rate]] needs its source, and a rate whose name carries its basis.
# rate = [low, high] keeps a range: the first round takes its middle and later rounds its low end,
# unless `plan --pick low|middle|high` says otherwise. A row may also name surface, wetting,
# snow_depth_max_in, treatments and plow: it counts only where the storm states them.

[[rate]]
event = "light_snow"
pavement_temp_min_f = 20
pavement_temp_max_f = 28
phase = "initial"          # leave out for any round
material = "road_salt"
rate_lb_per_lane_mile = [250, 350]
source = "MaineDOT Treatment Recommendations, Table A, row 3"
provenance = "read"        # or "from memory", which is then said in every report

[[rate]]
event = "light_snow"
pavement_temp_min_f = 20
pavement_temp_max_f = 28
phase = "subsequent"
material = "road_salt"
rate_lb_per_lane_mile = [200, 300]
source = "MaineDOT Treatment Recommendations, Table A, row 3"
provenance = "read"

# What a class of winter service is promised, in minutes: until a segment has been treated after an
# application begins, and between two treatments while the event lasts. "*" is for all others.
[[service]]
service_class = "A"
first_pass_min = 120
cycle_min = 240

[sensitive]
factor = 0.8               # share of the usual rate where an area states none itself

[tolerance]
over_pct = 15
under_pct = 15
confidence = 0.95
calibration_pct = 5
calibration_max_age_days = 365

[width]
scale_by_lane_width = false
"""
COLUMNS = """\
# Only needed where files come from another system. Per table: our column = their column.
# A unit says what their numbers are in, where it differs from the name, as people write it: lbs,
# metric tons, km/h, deg F. Example:
#
# [loads]
# ticket_id = "Ticket No"
# net = { column = "Net Weight", unit = "kg" }
#
# [telemetry]
# speed = { column = "GPS Speed", unit = "km/h" }
"""


def starter_files(start: str, end: str) -> dict[str, str]:
    """File name → content of a starter workspace whose season runs from ``start`` to ``end``."""
    files = {
        "workspace.toml": WORKSPACE.format(start=start, end=end),
        "policy.toml": POLICY,
        "columns.toml": COLUMNS,
    }
    year = start[:4]
    for table in TABLES.values():
        if table is BLENDS:  # one example row is no blend, and many have none
            continue
        name = f"{STORM}/{table.file}" if table.per_storm else table.file
        files[name] = (_vector(table) if table.vector else _csv(table)).replace("2026-", f"{year}-")
    return files


def usual_name(column: Column) -> str:
    """The spelling of a column that the starter uses."""
    return next(iter(column.spellings()))


def starter_columns(table: Table) -> list[Column]:
    """The columns that the starter shows: one of each quantity."""
    seen: dict[str, Column] = {}
    for column in table.columns:
        seen.setdefault(column.name, column)
    return list(seen.values())


def _csv(table: Table) -> str:
    columns = starter_columns(table)
    header = [usual_name(column) for column in columns]
    if not all(column.example for column in columns if column.required):
        return ",".join(header) + "\n"  # what not every agency has begins empty
    row = [column.example for column in columns]
    if table.rate:
        header.append("rate_lb_per_lane_mile")
        row.append("250")
    return f"{','.join(header)}\n{','.join(row)}\n"


def _vector(table: Table) -> str:
    properties = {
        usual_name(column): _json_value(column)
        for column in starter_columns(table)
        if column.example
    }
    coordinates = LINE if table.vector == "LineString" else POLYGON
    feature = {
        "type": "Feature",
        "properties": properties,
        "geometry": {"type": table.vector, "coordinates": coordinates},
    }
    collection = {"type": "FeatureCollection", "name": table.name, "features": [feature]}
    return json.dumps(collection, indent=1) + "\n"


def _json_value(column: Column) -> object:
    if column.kind == "flag":
        return column.example == "true"
    if column.kind in ("number", "quantity", "whole"):
        value = float(column.example)
        return int(value) if value.is_integer() else value
    return column.example
