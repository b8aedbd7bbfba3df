"""What a `[[rate]]` row of the policy asks of the storm besides event, temperature and class."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from spreadplan.schema.policy import SUCCESSIVE, SURFACES, WETTINGS
from spreadplan.units import SUFFIXES, to_canonical
from spreadplan.workspace.tomlfiles import KeyReport, is_number

#: More treatments of one event, or deeper snow in inches, are a slip of the pen.
MOST_TREATMENTS: Final = 100
DEEPEST_SNOW_IN: Final = 200.0
#: the depths of snow that a row may name: both limits belong to the row
DEPTHS: Final = ("snow_depth_min", "snow_depth_max")

CONDITION_KEYS: Final = frozenset(
    {"surface", "wetting", "treatments", "plow", "wetting_included"}
    | {f"{name}_{unit}" for name in DEPTHS for unit in SUFFIXES["length"]}
)


def conditions_of_row(row: Mapping[str, Any], wrong: KeyReport) -> dict[str, object]:
    """The conditions of a row in the columns of `RATE_ROW_COLUMNS`; what it leaves out is open.

    Parameters
    ----------
    row : a ``[[rate]]`` as it stands in the file.
    wrong : takes each key that cannot be used.

    Returns
    -------
    surface, wetting: tuples of words, () for any; snow_depth_min_in, snow_depth_max_in and
    treatments: numbers, NaN for any, infinite treatments for successive ones; plow: True, False or
    None for any; wetting_included: bool.
    """
    lowest, highest = (_depth(row, name, wrong) for name in DEPTHS)
    if lowest > highest:
        wrong("snow_depth_max", "is below the minimum", "swap the two")
    return {
        "surface": _words(row, "surface", SURFACES, wrong),
        "wetting": _words(row, "wetting", WETTINGS, wrong),
        "snow_depth_min_in": lowest,
        "snow_depth_max_in": highest,
        "treatments": _treatments(row, wrong),
        "plow": _flag(row, "plow", wrong),
        "wetting_included": _flag(row, "wetting_included", wrong) is True,
    }


def _words(
    row: Mapping[str, Any], key: str, known: tuple[str, ...], wrong: KeyReport
) -> tuple[str, ...]:
    """One word or a list of them; any of them will do."""
    given = row.get(key, [])
    words = given if isinstance(given, list) else [given]
    if (key in row and not words) or not all(word in known for word in words):
        some = f'one of {", ".join(known)}; several as ["{known[0]}", "{known[1]}"]'
        wrong(key, f"{given!r} is not known", f"use {some}")
        return ()
    return tuple(word for word in known if word in words)


def _depth(row: Mapping[str, Any], name: str, wrong: KeyReport) -> float:
    """A depth of snow in inches; NaN where the row names none."""
    units = [unit for unit in SUFFIXES["length"] if f"{name}_{unit}" in row]
    if not units:
        return math.nan
    key = f"{name}_{units[0]}"
    value = row[key]
    if len(units) > 1:
        wrong(key, "the quantity is given twice", "keep exactly one of the two")
        return math.nan
    depth = math.nan
    if is_number(value):
        depth = float(to_canonical(np.array([float(value)]), "length", units[0], "in")[0])
    if not 0 <= depth <= DEEPEST_SNOW_IN:
        wrong(key, f"{value!r} is no depth of snow", f"give a depth up to {DEEPEST_SNOW_IN:g} in")
        return math.nan
    return depth


def _treatments(row: Mapping[str, Any], wrong: KeyReport) -> float:
    """Which treatment the row is for: a number, infinite for successive ones, NaN for any."""
    value = row.get("treatments", math.nan)
    if "treatments" not in row:
        return math.nan
    if value == SUCCESSIVE:
        return math.inf
    if is_number(value) and 1 <= value <= MOST_TREATMENTS and float(value).is_integer():
        return float(value)
    remedy = f'give a whole number from 1 to {MOST_TREATMENTS}, or "{SUCCESSIVE}"'
    wrong("treatments", f"{value!r} is not possible here", remedy)
    return math.nan


def _flag(row: Mapping[str, Any], key: str, wrong: KeyReport) -> bool | None:
    value = row.get(key)
    if value is None or isinstance(value, bool):
        return value
    wrong(key, f"{value!r} is not a flag", "write true or false")
    return None
