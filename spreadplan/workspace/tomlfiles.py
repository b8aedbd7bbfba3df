"""`workspace.toml`, `policy.toml`, `columns.toml` and the `plan.toml` of a storm."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final, Protocol
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from spreadplan import clock
from spreadplan.errors import Problem
from spreadplan.schema.columns import Table
from spreadplan.schema.limits import PAVEMENT_F
from spreadplan.schema.policy import PICKS, RATE_ROW_COLUMNS, Pick, Policy
from spreadplan.schema.tables import TABLES
from spreadplan.schema.telemetry import TELEMETRY
from spreadplan.units import RATE_SUFFIXES, RATE_UNITS, convert, suffix_meant
from spreadplan.workspace.csvfile import LONGEST_CELL, read_text
from spreadplan.workspace.parse import (
    CONTROL_CHARACTERS,
    LARGEST,
    YEARS,
    Rename,
    looks_like_rate,
    rate_basis,
    rate_fault,
    rate_problem,
)


class Report(Protocol):
    """Names a key, what is wrong with it, what would be right, and whether that stops the work."""

    def __call__(self, key: str, what: str, remedy: str, fatal: bool = True) -> None:
        """Keep the problem."""


#: More on one line are no sentence: the library's time grows with their square.
MOST_DOTS = 1_000
PHASES = ("", "initial", "subsequent")
#: A season is part of a year; more is a slip of the pen.
LONGEST_SEASON_DAYS = 366
#: Letters of a currency; more is a sentence.
LONGEST_CURRENCY = 8


@dataclass(frozen=True)
class Settings:
    """`workspace.toml`.

    as_of : the day that a finished or invented season is looked at.
    currency : the sign or word of the prices in materials.csv.
    storms : what people call each storm, by its folder.
    """

    name: str
    units: str
    timezone: ZoneInfo
    lane_width_ft: float = 12.0
    season_start: date | None = None
    season_end: date | None = None
    as_of: date | None = None
    currency: str = "$"
    storms: Mapping[str, str] = field(default_factory=dict)

    def today(self) -> date:
        """The present day as the workspace has it: the day it names, else that of the clock."""
        return self.as_of or clock.today(self.timezone)


def read_toml(path: Path, file: str) -> tuple[dict[str, Any], list[Problem]]:
    """The tables of a TOML file; a fault of the text is named with its line."""
    text, problems = read_text(path, file)
    if problems:
        return {}, problems
    if any(line.count(".") > MOST_DOTS for line in text.split("\n")):
        what = "is not well-formed TOML (a key of very many parts)"
        return {}, [Problem(file, 0, "*", what, "write one key = value on a line")]
    try:
        data = tomllib.loads(text)
        return data, list(_impossible_values(data, file))
    except (ValueError, RecursionError) as error:
        why = str(error)
        if not isinstance(error, tomllib.TOMLDecodeError):
            deep = isinstance(error, RecursionError)
            why = "it is nested too deeply" if deep else "a number has thousands of digits"
        line = re.search(r"line (\d+)", why)
        return {}, [
            Problem(
                file,
                int(line[1]) if line else 0,
                "*",
                f"is not well-formed TOML ({why})",
                "put text in double quotes and write one key = value on a line",
            )
        ]


def _impossible_values(data: dict[str, Any], file: str) -> Iterator[Problem]:
    """Text that no result may hold, and whole numbers of more than 64 bits (TOML 1.0)."""
    waiting: list[tuple[str, Any]] = list(data.items())
    while waiting:
        where, value = waiting.pop()
        texts = [part for part in (where, value) if isinstance(part, str)]
        if any(CONTROL_CHARACTERS.search(text) for text in texts):
            yield Problem(file, 0, where, "has a control character", "type the text again")
        elif any(len(text) > LONGEST_CELL for text in texts):
            what = f"has more than {LONGEST_CELL:,} letters"
            yield Problem(file, 0, where, what, "shorten the text")
        elif isinstance(value, int) and value.bit_length() > 63:
            yield Problem(file, 0, where, "has too many digits", "check the number")
        elif isinstance(value, dict):
            waiting += [(f"{where[:LONGEST_CELL]}.{name}", inner) for name, inner in value.items()]
        elif isinstance(value, list):
            waiting += [(where, inner) for inner in value]


def _unknown_keys(
    given: Mapping[str, Any], known: set[str], file: str, where: str, row: int = 0
) -> list[Problem]:
    return [
        Problem(
            file,
            row,
            f"{where}.{key}" if where else key,
            "is not a key of this file",
            "it is ignored",
            fatal=False,
        )
        for key in given
        if key not in known
    ]


def _is_number(value: object) -> bool:
    if not isinstance(value, (int, float)) or isinstance(value, bool):
        return False
    return abs(value) <= LARGEST


def _section(data: Mapping[str, Any], name: str, file: str) -> tuple[dict[str, Any], list[Problem]]:
    section = data.get(name, {})
    if isinstance(section, dict):
        return section, []
    return {}, [Problem(file, 0, name, "is not a table", f"write [{name}] and its keys below it")]


# --- workspace.toml ----------------------------------------------------------------------------


def read_settings(path: Path) -> tuple[Settings, list[Problem]]:
    """`workspace.toml`; where it has problems the settings are stand-ins, to let checks go on."""
    file = path.name
    data, problems = read_toml(path, file)
    stand_in = Settings("", "us", ZoneInfo("UTC"))
    if problems:
        return stand_in, problems
    section, problems = _section(data, "workspace", file)
    problems += _unknown_keys(data, {"workspace", "storms", "map"}, file, "")

    def wrong(key: str, what: str, remedy: str, fatal: bool = True) -> None:
        problems.append(Problem(file, 0, f"workspace.{key}", what, remedy, fatal))

    name = section.get("name")
    if not isinstance(name, str) or not name.strip():
        wrong("name", "is missing", 'add name = "Your County"')
    units = section.get("units")
    if units not in ("us", "metric"):
        wrong(
            "units",
            f"is {units!r}" if "units" in section else "is missing",
            'write units = "us" or units = "metric"',
        )
    timezone = _timezone(section.get("timezone"), wrong)
    width = _lane_width(section, wrong)
    start, end, as_of = (
        _day(section, key, wrong) for key in ("season_start", "season_end", "as_of")
    )
    if start and end and end <= start:
        wrong("season_end", "is not after season_start", "check the two dates")
    elif start and end and (end - start).days > LONGEST_SEASON_DAYS:
        wrong("season_end", "lies more than a year after season_start", "check the two dates")
    known = {
        "name",
        "units",
        "timezone",
        "lane_width_ft",
        "lane_width_m",
        "season_start",
        "season_end",
        "as_of",
        "currency",
    }
    problems += _unknown_keys(section, known, file, "workspace")
    currency = _currency(section, wrong)
    storms, faults = _storm_names(data, path)
    problems += faults
    if any(problem.fatal for problem in problems):
        return Settings("", "us", timezone, width, as_of=as_of), problems
    return Settings(
        str(name).strip(), str(units), timezone, width, start, end, as_of, currency, storms
    ), problems


def _currency(section: Mapping[str, Any], wrong: Report) -> str:
    value = section.get("currency", "$")
    if isinstance(value, str) and 0 < len(value.strip()) <= LONGEST_CURRENCY:
        return value.strip()
    wrong("currency", f"{value!r} is no sign or word for money", 'write currency = "$" or "NOK"')
    return "$"


def _storm_names(data: Mapping[str, Any], path: Path) -> tuple[dict[str, str], list[Problem]]:
    """What people call each storm: ``[storms]``, the folder's name and then what to call it."""
    section, problems = _section(data, "storms", path.name)
    below = path.parent / "storms"
    known = {one.name for one in below.iterdir() if one.is_dir()} if below.is_dir() else set()
    names = {}
    for folder, name in section.items():
        where = f"storms.{folder}"
        if not isinstance(name, str) or not name.strip():
            remedy = f'write "{folder}" = "what people call it"'
            problems.append(Problem(path.name, 0, where, "is no name", remedy))
        elif folder not in known:
            what, remedy = "is no folder below storms/", "it is ignored; write the folder's name"
            problems.append(Problem(path.name, 0, where, what, remedy, fatal=False))
        else:
            names[folder] = name.strip()
    return names, problems


def _timezone(value: object, wrong: Report) -> ZoneInfo:
    try:
        if isinstance(value, str) and value:
            return ZoneInfo(value)
    except (KeyError, ValueError, OSError):
        pass
    wrong(
        "timezone",
        "is missing" if value is None else f"{value!r} is not a known time zone",
        'write a name such as timezone = "America/Chicago"',
    )
    return ZoneInfo("UTC")


def _lane_width(section: Mapping[str, Any], wrong: Report) -> float:
    given = [key for key in ("lane_width_ft", "lane_width_m") if key in section]
    if not given:
        return 12.0
    if len(given) == 2:
        wrong("lane_width_m", "the quantity is given twice", "keep exactly one of the two")
        return 12.0
    value = section[given[0]]
    width = float(value) if _is_number(value) else math.nan
    width = width / 0.3048 if given[0].endswith("_m") else width
    if not 4 <= width <= 40:
        wrong(
            given[0],
            f"{value!r} is not possible here",
            "give the reference lane, as 12 ft or 3.66 m",
        )
        return 12.0
    return width


def _day(section: Mapping[str, Any], key: str, wrong: Report) -> date | None:
    value = section.get(key)
    if value is None:
        return None
    if isinstance(value, datetime):
        value = value.date()
    try:
        day = value if isinstance(value, date) else date.fromisoformat(str(value))
    except ValueError:
        wrong(key, f"{value!r} is not a date", f"write {key} = 2026-10-15")
        return None
    if not YEARS[0] <= day.year <= YEARS[1]:
        wrong(key, f"lies outside the years {YEARS[0]} to {YEARS[1]}", "check the year")
        return None
    return day


# --- plan.toml of a storm ---------------------------------------------------------------------


def read_pick(path: Path, file: str) -> tuple[Pick, list[Problem]]:
    """Which end of the policy's ranges a storm is planned with, as its `plan.toml` says."""
    data, problems = read_toml(path, file)
    problems += _unknown_keys(data, {"pick"}, file, "")
    given = data.get("pick", "middle")
    found = next((pick for pick in PICKS if pick == given), None)
    if found is None:
        words = ", ".join(PICKS)
        problems.append(Problem(file, 0, "pick", f"{given!r} is not known", f"use one of {words}"))
    return found or "middle", problems


def pick_text(pick: Pick) -> str:
    """The `plan.toml` of a storm that is planned with this end of the policy's ranges."""
    return (
        "# Which end of the policy's rate ranges this storm is planned with: low, middle or high.\n"
        f'pick = "{pick}"\n'
    )


# --- policy.toml -------------------------------------------------------------------------------


#: Sections of policy.toml whose keys hold a number: attribute of the policy, lowest, highest.
POLICY_NUMBERS: Final = {
    "sensitive": {"factor": ("sensitive_factor", 0.0, 1.0)},
    "tolerance": {
        "over_pct": ("over_pct", 0.0, 200.0),
        "under_pct": ("under_pct", 0.0, 100.0),
        "confidence": ("confidence", 0.5, 0.9999),
        "calibration_pct": ("calibration_pct", 0.1, 100.0),
        "calibration_max_age_days": ("calibration_max_age_days", 1.0, 10_000.0),
    },
}


def read_policy(path: Path, reference_lane_width_ft: float) -> tuple[Policy, list[Problem]]:
    """`policy.toml` with defaults where it is silent."""
    file = path.name
    data, problems = read_toml(path, file)
    if problems:
        return Policy(reference_lane_width_ft=reference_lane_width_ft), problems
    problems += _unknown_keys(data, {"rate", "width", *POLICY_NUMBERS}, file, "")
    numbers, faults = _policy_numbers(data, file)
    problems += faults
    width, faults = _section(data, "width", file)
    problems += faults + _unknown_keys(width, {"scale_by_lane_width"}, file, "width")
    scale = width.get("scale_by_lane_width", False)
    if not isinstance(scale, bool):
        what = f"{scale!r} is not a flag"
        problems.append(Problem(file, 0, "width.scale_by_lane_width", what, "write true or false"))
    rates, faults = _rate_rows(data.get("rate", []), file)
    return Policy(
        rates=rates,
        scale_by_lane_width=scale is True,
        reference_lane_width_ft=reference_lane_width_ft,
        **numbers,
    ), problems + faults


def _policy_numbers(data: dict[str, Any], file: str) -> tuple[dict[str, float], list[Problem]]:
    """Attributes of the policy that are given, each within its limits."""
    numbers: dict[str, float] = {}
    problems: list[Problem] = []
    for name, keys in POLICY_NUMBERS.items():
        section, faults = _section(data, name, file)
        problems += faults + _unknown_keys(section, set(keys), file, name)
        for key, (attribute, low, high) in keys.items():
            value = section.get(key, low)
            if not (_is_number(value) and low <= value <= high):
                what = f"{value!r} is not possible here"
                remedy = f"give a number from {low:g} to {high:g}"
                if _is_number(value) and low <= value / 100 <= high and not key.endswith("_pct"):
                    remedy += f"; {value:g} percent are {value / 100:g}"
                problems.append(Problem(file, 0, f"{name}.{key}", what, remedy))
            elif key in section:
                numbers[attribute] = float(value)
                if key.endswith("_pct") and 0 < value <= 1:
                    what = f"{value:g} percent is next to nothing"
                    remedy = f"write {100 * value:g} if {100 * value:g} percent are meant"
                    problems.append(Problem(file, 0, f"{name}.{key}", what, remedy, fatal=False))
    return numbers, problems


def _rate_rows(rows: object, file: str) -> tuple[pd.DataFrame, list[Problem]]:
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        return pd.DataFrame(columns=RATE_ROW_COLUMNS), [
            Problem(file, 0, "rate", "is not a list of tables", "write each rate below [[rate]]")
        ]
    parsed = []
    problems: list[Problem] = []
    for number, row in enumerate(rows, start=1):
        entry, faults = _rate_row(row, number, file)
        problems += faults
        if not any(fault.fatal for fault in faults):
            parsed.append(entry)
    return pd.DataFrame(parsed, columns=list(RATE_ROW_COLUMNS)), problems


def _rate_row(
    row: Mapping[str, Any], number: int, file: str
) -> tuple[dict[str, object], list[Problem]]:
    problems: list[Problem] = []

    def wrong(key: str, what: str, remedy: str, fatal: bool = True) -> None:
        problems.append(Problem(file, number, f"rate.{key}", what, remedy, fatal))

    entry: dict[str, object] = {"row": number}
    for key in ("event", "material", "source"):
        value = row.get(key)
        if not isinstance(value, str) or not value.strip():
            wrong(key, "is missing", f'add {key} = "…"; a rate needs it')
        entry[key] = str(value or "").strip()
    for key in ("trend", "service_class", "phase", "provenance"):
        value = row.get(key, "")
        if not isinstance(value, str):
            wrong(key, f"{value!r} is not text", "put it in double quotes")
        entry[key] = str(value).strip()
    if entry["phase"] not in PHASES:
        wrong(
            "phase", f"{entry['phase']!r} is not known", "use initial or subsequent, or leave out"
        )
    entry["pavement_temp_min_f"] = _temperature(row, "min", wrong)
    entry["pavement_temp_max_f"] = _temperature(row, "max", wrong)
    if entry["pavement_temp_min_f"] > entry["pavement_temp_max_f"]:  # type: ignore[operator]
        wrong("pavement_temp_max", "is below the minimum", "swap the two")
    entry.update(_rate_range(row, wrong))
    known = {"event", "material", "source", "trend", "service_class", "phase", "provenance"}
    known |= {f"pavement_temp_{end}_{unit}" for end in ("min", "max") for unit in "fc"}
    known |= {key for key in row if looks_like_rate(key)}
    return entry, problems + _unknown_keys(row, known, file, "rate", number)


def _temperature(row: Mapping[str, Any], end: str, wrong: Report) -> float:
    """A limit of a row's temperatures; one that is left out is open."""
    given = [unit for unit in "fc" if f"pavement_temp_{end}_{unit}" in row]
    if not given:
        return -math.inf if end == "min" else math.inf
    key = f"pavement_temp_{end}_{given[0]}"
    value = row[key]
    if len(given) > 1:
        wrong(key, "the quantity is given twice", "keep exactly one of the two")
    elif not isinstance(value, (int, float)) or isinstance(value, bool) or math.isnan(value):
        wrong(key, f"{value!r} is not a number", "give a temperature, or leave it out if open")
    else:
        limit_f = float(value) if given[0] == "f" else float(value) * 1.8 + 32.0
        if PAVEMENT_F[0] <= limit_f <= PAVEMENT_F[1] or math.isinf(limit_f):
            return limit_f
        wrong(key, f"{value!r} is no pavement temperature", "leave it out if the row is open there")
    return -math.inf if end == "min" else math.inf


def _rate_range(row: Mapping[str, Any], wrong: Report) -> dict[str, object]:
    """The rate of a row, a number or ``[low, high]``, in its inside basis."""
    fault = rate_problem(list(row))
    if fault:
        wrong(*fault)
        return {}
    key = next(key for key in row if looks_like_rate(key))
    basis = rate_basis(key)
    value = row[key]
    ends = value if isinstance(value, list) and len(value) == 2 else [value, value]
    if not all(_is_number(end) and end >= 0 for end in ends) or ends[0] > ends[1]:
        wrong(key, f"{value!r} is not a rate", "give a number, or [low, high]")
        return {}
    unit, inside = RATE_SUFFIXES[basis]
    low, high = convert(np.array(ends, dtype=float), unit, RATE_UNITS[inside])
    beyond = rate_fault(float(high), basis)
    if beyond:
        what, remedy, fatal = beyond
        wrong(key, f"{value!r} {what}", remedy, fatal)
    if beyond and fatal:
        return {}
    entry: dict[str, object] = {"basis": basis}
    for suffix in RATE_UNITS:
        entry[f"rate_low_{suffix}"] = float(low) if suffix == inside else math.nan
        entry[f"rate_high_{suffix}"] = float(high) if suffix == inside else math.nan
    return entry


# --- columns.toml ------------------------------------------------------------------------------


def read_renames(path: Path) -> tuple[dict[str, dict[str, Rename]], list[Problem]]:
    """`columns.toml`: table → our column → the name, and perhaps the unit, in the foreign export.

    A line is ``ours = "theirs"`` or ``ours = { column = "theirs", unit = "km/h" }``.
    """
    file = path.name
    data, problems = read_toml(path, file)
    known = {**TABLES, TELEMETRY.name: TELEMETRY}
    problems += _unknown_keys(data, set(known), file, "")
    renames: dict[str, dict[str, Rename]] = {}
    for name, lines in data.items():
        if name not in known or not isinstance(lines, dict):
            continue
        renames[name] = {}
        for ours, line in lines.items():
            theirs, unit = (
                (line.get("column"), line.get("unit", "")) if isinstance(line, dict) else (line, "")
            )
            if isinstance(theirs, str) and theirs and isinstance(unit, str):
                suffix, remedy = _unit_suffix(unit.strip(), ours, known[name])
                renames[name][ours] = Rename(theirs.strip(), suffix)
                what = f'unit "{unit.strip()}" is not known here'
            else:
                what = "is not a column name"
                remedy = f'write {ours} = "their name", or {{ column = "their name", unit = "kg" }}'
            if remedy:
                problems.append(Problem(file, 0, f"{name}.{ours}", what, remedy))
    return renames, problems


def _unit_suffix(unit: str, ours: str, table: Table) -> tuple[str, str]:
    """The suffix that a unit stands for, and what would be right where it stands for none."""
    columns = [column for column in table.columns if ours in (column.name, *column.spellings())]
    suffixes = [suffix for column in columns for suffix in column.spellings().values() if suffix]
    if table.rate and looks_like_rate(ours):
        suffixes = list(RATE_SUFFIXES)
    if not unit or not (columns or suffixes):
        return unit, ""
    if not suffixes:
        # heading_deg in degrees, feeder_pct in %: it says what the name says
        said = suffix_meant(unit, ["deg", "pct"])
        return "", "" if said else f"leave out unit: {ours} has none"
    meant = suffix_meant(unit, suffixes)
    # a unit that is not known stays: nothing may be taken for a column in another unit
    return meant or unit, "" if meant else f"write one of {', '.join(suffixes)}"
