"""`policy.toml`: the agency's rates, caps and tolerances."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.errors import Problem
from spreadplan.schema.limits import PAVEMENT_F, PAVEMENT_U_C, PAVEMENT_U_F
from spreadplan.schema.policy import RATE_ROW_COLUMNS, Policy, Service
from spreadplan.units import RATE_SUFFIXES, RATE_UNITS, convert, to_canonical
from spreadplan.workspace.parse import looks_like_rate, rate_basis, rate_fault, rate_problem
from spreadplan.workspace.rate_conditions import CONDITION_KEYS, conditions_of_row
from spreadplan.workspace.tomlfiles import KeyReport, is_number, read_toml, section_of, unknown_keys

PHASES: Final = ("", "initial", "subsequent")
#: what a class of winter service is promised, and the most that is no slip of the pen: a week
SERVICE_MINUTES: Final = ("first_pass_min", "cycle_min")
MOST_PROMISED_MIN: Final = 10_080.0
#: no more of the material is saved by wetting it, percent: beyond it lies a slip of the pen
MOST_SAVED_PCT: Final = 60.0
#: Sections of policy.toml whose keys hold a number: attribute of the policy, lowest, highest.
POLICY_NUMBERS: Final = {
    "sensitive": {"factor": ("sensitive_factor", 0.0, 1.0)},
    "wetting": {"prewet_reduction_pct": ("prewet_reduction_pct", 0.0, MOST_SAVED_PCT)},
    "tolerance": {
        "over_pct": ("over_pct", 0.0, 200.0),
        "under_pct": ("under_pct", 0.0, 100.0),
        "confidence": ("confidence", 0.5, 0.9999),
        "calibration_pct": ("calibration_pct", 0.1, 100.0),
        "calibration_max_age_days": ("calibration_max_age_days", 1.0, 10_000.0),
    },
    "weather": {
        **{
            f"{when}_u_{unit}": (f"{when}_u_f", 0.0, most)
            for when in ("night", "day")
            for unit, most in (("f", PAVEMENT_U_F), ("c", PAVEMENT_U_C))
        },
        "common_share": ("common_share", 0.0, 1.0),
    },
}


def read_policy(path: Path, reference_lane_width_ft: float) -> tuple[Policy, list[Problem]]:
    """`policy.toml` with defaults where it is silent."""
    file = path.name
    data, problems = read_toml(path, file)
    if problems:
        return Policy(reference_lane_width_ft=reference_lane_width_ft), problems
    problems += unknown_keys(data, {"rate", "service", "width", *POLICY_NUMBERS}, file, "")
    numbers, faults = _policy_numbers(data, file)
    problems += faults
    width, faults = section_of(data, "width", file)
    problems += faults + unknown_keys(width, {"scale_by_lane_width"}, file, "width")
    scale = width.get("scale_by_lane_width", False)
    if not isinstance(scale, bool):
        what = f"{scale!r} is not a flag"
        problems.append(
            Problem(
                file=file,
                row=0,
                column="width.scale_by_lane_width",
                what=what,
                remedy="write true or false",
            )
        )
    rates, faults = _rate_rows(data.get("rate", []), file)
    problems += faults
    services, faults = _services(data.get("service", []), file)
    return Policy(
        rates=rates,
        services=services,
        scale_by_lane_width=scale is True,
        reference_lane_width_ft=reference_lane_width_ft,
        **numbers,
    ), problems + faults


def _policy_numbers(data: dict[str, Any], file: str) -> tuple[dict[str, float], list[Problem]]:
    """Attributes of the policy that are given, each within its limits."""
    numbers: dict[str, float] = {}
    problems: list[Problem] = []
    for name, keys in POLICY_NUMBERS.items():
        section, faults = section_of(data, name, file)
        problems += faults + unknown_keys(section, set(keys), file, name)
        for key, (attribute, low, high) in keys.items():
            value = section.get(key, low)
            if not (is_number(value) and low <= value <= high):
                what = f"{value!r} is not possible here"
                remedy = f"give a number from {low:g} to {high:g}"
                if is_number(value) and low <= value / 100 <= high and not key.endswith("_pct"):
                    remedy += f"; {value:g} percent are {value / 100:g}"
                problems.append(
                    Problem(file=file, row=0, column=f"{name}.{key}", what=what, remedy=remedy)
                )
            elif key in section and attribute in numbers:
                what, remedy = "the quantity is given twice", "keep exactly one of the two"
                problems.append(
                    Problem(file=file, row=0, column=f"{name}.{key}", what=what, remedy=remedy)
                )
            elif key in section:
                numbers[attribute] = _inside(float(value), key)
                if key.endswith("_pct") and 0 < value <= 1:
                    what = f"{value:g} percent is next to nothing"
                    remedy = f"write {100 * value:g} if {100 * value:g} percent are meant"
                    problems.append(
                        Problem(
                            file=file,
                            row=0,
                            column=f"{name}.{key}",
                            what=what,
                            remedy=remedy,
                            fatal=False,
                        )
                    )
    return numbers, problems


def _inside(value: float, key: str) -> float:
    """A number of the policy in the inside unit of its quantity."""
    if key.endswith("_u_c"):
        return float(to_canonical(np.array([value]), "temperature_difference", "c")[0])
    return value


def _entries(rows: object, name: str, file: str) -> tuple[list[dict[str, Any]], list[Problem]]:
    """The tables below ``[[name]]``."""
    if isinstance(rows, list) and all(isinstance(row, dict) for row in rows):
        return rows, []
    what, remedy = "is not a list of tables", f"write each {name} below [[{name}]]"
    return [], [Problem(file=file, row=0, column=name, what=what, remedy=remedy)]


def _services(rows: object, file: str) -> tuple[tuple[Service, ...], list[Problem]]:
    """What classes of winter service are promised."""
    entries, problems = _entries(rows, "service", file)
    found: dict[str, Service] = {}
    for number, row in enumerate(entries, start=1):
        service, faults = _service(row, number, file, found)
        problems += faults
        if service is not None:
            found[service.service_class] = service
    return tuple(found.values()), problems


def _service(
    row: Mapping[str, Any], number: int, file: str, before: Collection[str]
) -> tuple[Service | None, list[Problem]]:
    """One ``[[service]]``; None where it cannot be used."""
    problems: list[Problem] = []

    def wrong(key: str, what: str, remedy: str) -> None:
        column = f"service.{key}"
        problems.append(Problem(file=file, row=number, column=column, what=what, remedy=remedy))

    given = row.get("service_class")
    name = given.strip() if isinstance(given, str) else ""
    if not name:
        wrong("service_class", "is missing", 'add service_class = "…", or "*" for the rest')
    elif name in before:
        wrong("service_class", f'"{name}" stands there twice', "keep one of the two")
    minutes: dict[str, float] = {}
    for key in SERVICE_MINUTES:
        value = row.get(key, math.nan)
        minutes[key] = float(value) if is_number(value) else math.nan
        if key in row and not 0 < minutes[key] <= MOST_PROMISED_MIN:
            remedy = f"give minutes above 0 and up to {MOST_PROMISED_MIN:,.0f}, or leave it out"
            wrong(key, f"{value!r} is not possible here", remedy)
    service = None if problems else Service(service_class=name, **minutes)
    known = {"service_class", *SERVICE_MINUTES}
    return service, problems + unknown_keys(row, known, file, "service", number)


def _rate_rows(rows: object, file: str) -> tuple[pd.DataFrame, list[Problem]]:
    entries, problems = _entries(rows, "rate", file)
    parsed = []
    for number, row in enumerate(entries, start=1):
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
        problems.append(
            Problem(
                file=file, row=number, column=f"rate.{key}", what=what, remedy=remedy, fatal=fatal
            )
        )

    entry: dict[str, object] = {"row": number}
    for key in ("event", "material", "source"):
        value = row.get(key)
        if not isinstance(value, str) or not value.strip():
            wrong(key, "is missing", f'add {key} = "…"; a rate needs it')
        entry[key] = str(value or "").strip()
    for key in ("trend", "service_class", "phase", "provenance", "action"):
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
    entry.update(conditions_of_row(row, wrong))
    entry.update(_rate_range(row, wrong))
    known = {"event", "material", "source", "trend", "service_class", "phase", "provenance"}
    known.add("action")
    known |= CONDITION_KEYS
    known |= {f"pavement_temp_{end}_{unit}" for end in ("min", "max") for unit in "fc"}
    known |= {key for key in row if looks_like_rate(key)}
    return entry, problems + unknown_keys(row, known, file, "rate", number)


def _temperature(row: Mapping[str, Any], end: str, wrong: KeyReport) -> float:
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


def _rate_range(row: Mapping[str, Any], wrong: KeyReport) -> dict[str, object]:
    """The rate of a row, a number or ``[low, high]``, in its inside basis.

    A row that only says what to do (``action``) has none.
    """
    if row.get("action") and not any(looks_like_rate(key) for key in row):
        return {"basis": ""}
    fault = rate_problem(list(row))
    if fault:
        wrong(*fault)
        return {}
    key = next(key for key in row if looks_like_rate(key))
    basis = rate_basis(key)
    value = row[key]
    ends = value if isinstance(value, list) and len(value) == 2 else [value, value]
    if not all(is_number(end) and end >= 0 for end in ends) or ends[0] > ends[1]:
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
