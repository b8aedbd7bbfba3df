"""TOML files: `workspace.toml`, `columns.toml` and the `plan.toml` of a storm."""

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

from spreadplan import clock
from spreadplan.errors import Problem
from spreadplan.schema.columns import Table
from spreadplan.schema.policy import PICKS, Pick
from spreadplan.schema.tables import TABLES
from spreadplan.schema.telemetry import TELEMETRY
from spreadplan.schema.weather import WEATHER
from spreadplan.units import RATE_SUFFIXES, suffix_meant
from spreadplan.workspace.csvfile import LONGEST_CELL, read_text
from spreadplan.workspace.parse import (
    CONTROL_CHARACTERS,
    LARGEST,
    YEARS,
    Rename,
    looks_like_rate,
)


class KeyReport(Protocol):
    """Names a key, what is wrong with it, what would be right, and whether that stops the work."""

    def __call__(self, key: str, what: str, remedy: str, fatal: bool = True) -> None:
        """Keep the problem."""


#: More on one line are no sentence: the library's time grows with their square.
MOST_DOTS = 1_000
#: A season is part of a year; more is a slip of the pen.
LONGEST_SEASON_DAYS = 366
#: Letters of a currency; more is a sentence.
LONGEST_CURRENCY = 8
#: Letters of whom to call; more does not fit on a cab card.
LONGEST_CALL = 60
WORKSPACE_KEYS: Final = {
    "name",
    "units",
    "timezone",
    "lane_width_ft",
    "lane_width_m",
    "season_start",
    "season_end",
    "as_of",
    "currency",
    "rate_unit",
    "call",
}


@dataclass(frozen=True, kw_only=True)
class Settings:
    """`workspace.toml`.

    as_of : the day that a finished or invented season is looked at.
    currency : the sign or word of the prices in materials.csv.
    storms : what people call each storm, by its folder.
    rate_unit : "g_per_m2" where rates are to be read per area; "" for rates per lane.
    call : whom a driver calls, as it stands on the cab cards; "" for a line to write on.
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
    rate_unit: str = ""
    call: str = ""

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
        return {}, [
            Problem(
                file=file, row=0, column="*", what=what, remedy="write one key = value on a line"
            )
        ]
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
                file=file,
                row=int(line[1]) if line else 0,
                column="*",
                what=f"is not well-formed TOML ({why})",
                remedy="put text in double quotes and write one key = value on a line",
            )
        ]


def _impossible_values(data: dict[str, Any], file: str) -> Iterator[Problem]:
    """Text that no result may hold, and whole numbers of more than 64 bits (TOML 1.0)."""
    waiting: list[tuple[str, Any]] = list(data.items())
    while waiting:
        where, value = waiting.pop()
        texts = [part for part in (where, value) if isinstance(part, str)]
        if any(CONTROL_CHARACTERS.search(text) for text in texts):
            yield Problem(
                file=file,
                row=0,
                column=where,
                what="has a control character",
                remedy="type the text again",
            )
        elif any(len(text) > LONGEST_CELL for text in texts):
            what = f"has more than {LONGEST_CELL:,} letters"
            yield Problem(file=file, row=0, column=where, what=what, remedy="shorten the text")
        elif isinstance(value, int) and value.bit_length() > 63:
            yield Problem(
                file=file,
                row=0,
                column=where,
                what="has too many digits",
                remedy="check the number",
            )
        elif isinstance(value, dict):
            waiting += [(f"{where[:LONGEST_CELL]}.{name}", inner) for name, inner in value.items()]
        elif isinstance(value, list):
            waiting += [(where, inner) for inner in value]


def unknown_keys(
    given: Mapping[str, Any], known: set[str], file: str, where: str, row: int = 0
) -> list[Problem]:
    """A caution for each key that this file does not know, in the table ``where``."""
    return [
        Problem(
            file=file,
            row=row,
            column=f"{where}.{key}" if where else key,
            what="is not a key of this file",
            remedy="it is ignored",
            fatal=False,
        )
        for key in given
        if key not in known
    ]


def is_number(value: object) -> bool:
    """Whether a value is a number that can be a quantity."""
    if not isinstance(value, (int, float)) or isinstance(value, bool):
        return False
    return abs(value) <= LARGEST


def section_of(
    data: Mapping[str, Any], name: str, file: str
) -> tuple[dict[str, Any], list[Problem]]:
    """The table ``[name]`` of a file, empty where it is not given."""
    section = data.get(name, {})
    if isinstance(section, dict):
        return section, []
    return {}, [
        Problem(
            file=file,
            row=0,
            column=name,
            what="is not a table",
            remedy=f"write [{name}] and its keys below it",
        )
    ]


# --- workspace.toml ----------------------------------------------------------------------------


def read_settings(path: Path) -> tuple[Settings, list[Problem]]:
    """`workspace.toml`; where it has problems the settings are stand-ins, to let checks go on."""
    file = path.name
    data, problems = read_toml(path, file)
    stand_in = Settings(name="", units="us", timezone=ZoneInfo("UTC"))
    if problems:
        return stand_in, problems
    section, problems = section_of(data, "workspace", file)
    problems += unknown_keys(data, {"workspace", "storms", "map"}, file, "")

    def wrong(key: str, what: str, remedy: str, fatal: bool = True) -> None:
        problems.append(
            Problem(
                file=file, row=0, column=f"workspace.{key}", what=what, remedy=remedy, fatal=fatal
            )
        )

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
    problems += unknown_keys(section, WORKSPACE_KEYS, file, "workspace")
    currency = _currency(section, wrong)
    rate_unit = _rate_unit(section, wrong)
    call = _call(section, wrong)
    storms, faults = _storm_names(data, path)
    problems += faults
    if any(problem.fatal for problem in problems):
        return Settings(
            name="", units="us", timezone=timezone, lane_width_ft=width, as_of=as_of
        ), problems
    return Settings(
        name=str(name).strip(),
        units=str(units),
        timezone=timezone,
        lane_width_ft=width,
        season_start=start,
        season_end=end,
        as_of=as_of,
        currency=currency,
        storms=storms,
        rate_unit=rate_unit,
        call=call,
    ), problems


def _rate_unit(section: Mapping[str, Any], wrong: KeyReport) -> str:
    value = section.get("rate_unit", "")
    if value in ("", "g_per_m2"):
        return str(value)
    remedy = 'write rate_unit = "g_per_m2", or leave it out for lb per lane-mile or kg per lane-km'
    wrong("rate_unit", f"is {value!r}", remedy)
    return ""


def _call(section: Mapping[str, Any], wrong: KeyReport) -> str:
    value = section.get("call", "")
    if isinstance(value, str) and len(value.strip()) <= LONGEST_CALL:
        return value.strip()
    what = "is no text" if not isinstance(value, str) else f"has more than {LONGEST_CALL} letters"
    wrong("call", what, 'write whom a driver calls, as call = "Shop 555-0100"')
    return ""


def _currency(section: Mapping[str, Any], wrong: KeyReport) -> str:
    value = section.get("currency", "$")
    if isinstance(value, str) and 0 < len(value.strip()) <= LONGEST_CURRENCY:
        return value.strip()
    wrong("currency", f"{value!r} is no sign or word for money", 'write currency = "$" or "NOK"')
    return "$"


def _storm_names(data: Mapping[str, Any], path: Path) -> tuple[dict[str, str], list[Problem]]:
    """What people call each storm: ``[storms]``, the folder's name and then what to call it."""
    section, problems = section_of(data, "storms", path.name)
    below = path.parent / "storms"
    known = {one.name for one in below.iterdir() if one.is_dir()} if below.is_dir() else set()
    names = {}
    for folder, name in section.items():
        where = f"storms.{folder}"
        if not isinstance(name, str) or not name.strip():
            remedy = f'write "{folder}" = "what people call it"'
            problems.append(
                Problem(file=path.name, row=0, column=where, what="is no name", remedy=remedy)
            )
        elif folder not in known:
            what, remedy = "is no folder below storms/", "it is ignored; write the folder's name"
            problems.append(
                Problem(file=path.name, row=0, column=where, what=what, remedy=remedy, fatal=False)
            )
        else:
            names[folder] = name.strip()
    return names, problems


def _timezone(value: object, wrong: KeyReport) -> ZoneInfo:
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


def _lane_width(section: Mapping[str, Any], wrong: KeyReport) -> float:
    given = [key for key in ("lane_width_ft", "lane_width_m") if key in section]
    if not given:
        return 12.0
    if len(given) == 2:
        wrong("lane_width_m", "the quantity is given twice", "keep exactly one of the two")
        return 12.0
    value = section[given[0]]
    width = float(value) if is_number(value) else math.nan
    width = width / 0.3048 if given[0].endswith("_m") else width
    if not 4 <= width <= 40:
        wrong(
            given[0],
            f"{value!r} is not possible here",
            "give the reference lane, as 12 ft or 3.66 m",
        )
        return 12.0
    return width


def _day(section: Mapping[str, Any], key: str, wrong: KeyReport) -> date | None:
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
    problems += unknown_keys(data, {"pick"}, file, "")
    given = data.get("pick", "by_round")
    found = next((pick for pick in PICKS if pick == given), None)
    if found is None:
        words = ", ".join(PICKS)
        problems.append(
            Problem(
                file=file,
                row=0,
                column="pick",
                what=f"{given!r} is not known",
                remedy=f"use one of {words}",
            )
        )
    return found or "by_round", problems


def pick_text(pick: Pick) -> str:
    """The `plan.toml` of a storm that is planned with this end of the policy's ranges."""
    return (
        "# Which end of the policy's rate ranges this storm is planned with: low, middle, high,\n"
        "# or by_round: the middle in the first round, the low end in later ones.\n"
        f'pick = "{pick}"\n'
    )


# --- columns.toml ------------------------------------------------------------------------------


def read_renames(path: Path) -> tuple[dict[str, dict[str, Rename]], list[Problem]]:
    """`columns.toml`: table → our column → the name, and perhaps the unit, in the foreign export.

    A line is ``ours = "theirs"`` or ``ours = { column = "theirs", unit = "km/h" }``.
    """
    file = path.name
    data, problems = read_toml(path, file)
    known = {**TABLES, TELEMETRY.name: TELEMETRY, WEATHER.name: WEATHER}
    problems += unknown_keys(data, set(known), file, "")
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
                problems.append(
                    Problem(file=file, row=0, column=f"{name}.{ours}", what=what, remedy=remedy)
                )
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
