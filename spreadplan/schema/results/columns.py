"""What a column of a result is: its name, the unit in it, the kind of quantity, its meaning."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Final

#: end of a column's name -> kind of quantity as `spreadplan.views.display.KINDS` shows it, and the
#: unit of the file where it is not the one of the inside. The first that fits counts.
_ENDINGS: Final[tuple[tuple[str, str, str], ...]] = (
    ("material", "material", ""),
    ("storm", "storm", ""),
    ("_lb_per_min_per_pct", "slope", ""),
    ("_lb_per_lane_mile_severity_hour", "rate_for_severity", ""),
    ("_lb_per_lane_mile", "rate", ""),
    ("_lb_per_min", "discharge", ""),
    ("_gal_per_min", "liquid_flow", ""),
    ("_gal_per_lane_mile", "liquid_rate", ""),
    ("_ton", "bulk", "short_ton"),
    ("ton_per_application", "bulk", "short_ton"),
    ("gate_in", "gate", ""),
    ("_in", "water", ""),
    ("lane_miles", "lane_distance", ""),
    ("_lane_miles", "lane_distance", ""),
    ("_mi", "distance", ""),
    ("_ft", "width", ""),
    ("_m", "offset", ""),
    ("_mph", "speed", ""),
    ("temp_u_f", "temperature_step", ""),
    ("_f", "temperature", ""),
    ("_gal", "volume", ""),
    ("_cfs", "stream", ""),
    ("_mg_l", "concentration", ""),
    ("_lb", "mass", ""),
    ("minutes", "minutes", ""),
    ("_s", "seconds", ""),
    ("_h", "hours", ""),
    ("hours", "hours", ""),
    ("_pct", "percent", ""),
    ("_pct_per_month", "percent_per_month", ""),
    ("_share", "share", ""),
    ("_id", "id", ""),
    ("_at", "time", ""),
)
#: endings that stand before the unit and change nothing about it
_ENDS_OF_INTERVALS: Final = ("_lo", "_hi", "_u", "_more")
#: kinds that are no quantities
PLAIN: Final = (
    "id",
    "text",
    "flag",
    "count",
    "number",
    "ratio",
    "fraction",
    "probability",
    "share",
    "time",
    "money",
    "term",
    "material",
    "storm",
    "storms",
)
#: what an end of an interval, or an uncertainty, is called in a heading
_ENDS_IN_WORDS: Final = {
    "_lo": ", low end",
    "_hi": ", high end",
    "_u": ", standard uncertainty",
    "_more": ", difference",
}


@dataclass(frozen=True, kw_only=True)
class ResultColumn:
    """One column of a result table.

    Attributes
    ----------
    name : as it stands in the file, with its unit.
    heading : the same for people, without its unit.
    meaning : what it holds, in words for a reader of the file.
    kind : how it is shown to people: a kind of quantity, or one of `PLAIN`.
    unit : pint unit of the file, "" where it is the one inside the package.
    terms : for a ``term``, the vocabulary in `spreadplan.views.words.TERMS`.
    """

    name: str
    heading: str
    meaning: str
    kind: str
    unit: str = ""
    terms: str = ""


@dataclass(frozen=True, kw_only=True)
class ResultTable:
    """One table below ``results/``.

    Attributes
    ----------
    name : by which the program calls it.
    folder : ``calibration``, ``season``, or ``{storm}``.
    ending : of the file; the file is ``folder/name`` with it.
    meaning : what a row is.
    columns : in the order of the file.
    sheet : name of its sheet in the season's workbook, "" where it has none.
    """

    name: str
    folder: str
    meaning: str
    columns: tuple[ResultColumn, ...]
    ending: str = "csv"
    sheet: str = ""

    @property
    def names(self) -> list[str]:
        """The names of the columns, in the order of the file."""
        return [column.name for column in self.columns]

    def column(self, name: str) -> ResultColumn:
        """The column of that name. Raises KeyError where there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(f"{self.name} has no column {name}")


@cache
def kind_of(name: str) -> tuple[str, str]:
    """Kind of quantity and unit of the file, as the name of a column tells.

    >>> kind_of("needed_hi_ton"), kind_of("discharge_u_lb_per_min"), kind_of("truck_id")
    (('bulk', 'short_ton'), ('discharge', ''), ('id', ''))
    """
    for ending in _ENDS_OF_INTERVALS:
        name = name.removesuffix(ending)
    for ending, kind, unit in _ENDINGS:
        if name == ending.lstrip("_") or name.endswith(ending):
            return kind, unit
    if name.startswith("p_"):
        return "probability", ""
    return "text", ""


@cache
def heading_of(name: str) -> str:
    """The name of a column in words, without its unit.

    >>> heading_of("used_lo_ton"), heading_of("rate_hi_lb_per_lane_mile"), heading_of("p_over")
    ('used, low end', 'rate, high end', 'chance over')
    """
    said = ""
    for mark, words in _ENDS_IN_WORDS.items():
        if name.endswith(mark) or f"{mark}_" in name:
            said, name = words, f"{name}_".replace(f"{mark}_", "_", 1).removesuffix("_")
            break
    if name.startswith("p_"):
        return f"chance {name[2:]}".replace("_", " ") + said
    for ending, kind, _ in _ENDINGS:
        if kind not in PLAIN and name.endswith(ending) and ending.startswith("_"):
            name = name.removesuffix(ending)
            break
    return name.removesuffix("_id").replace("_", " ") + said


def column(name: str, meaning: str, kind: str = "", **more: Any) -> ResultColumn:
    """A column whose kind, unit and heading follow from its name, unless they are given."""
    found, unit = (kind, "") if kind else kind_of(name)
    given = {"unit": unit, "heading": heading_of(name), **more}
    return ResultColumn(name=name, meaning=meaning, kind=found, **given)


def table(
    name: str, folder: str, meaning: str, *columns: Any, ending: str = "csv", sheet: str = ""
) -> ResultTable:
    """A table of columns, or of tuples as `column` takes them."""
    made = (one if isinstance(one, ResultColumn) else column(*one) for one in columns)
    return ResultTable(
        name=name, folder=folder, meaning=meaning, columns=tuple(made), ending=ending, sheet=sheet
    )
