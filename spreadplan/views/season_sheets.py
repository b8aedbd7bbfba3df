"""The season's workbook: every table in the units of the workspace, with units in its headers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan import __version__
from spreadplan.schema.sheets import Sheet, SheetColumn
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import Display
from spreadplan.views.season_view import MONEY, SeasonView
from spreadplan.views.setting import Setting

#: sheet, table of the season, what it is
COMPARED: Final = "Use for each length of lane and hour of severity; intervals 95 %."
SHEETS: Final = (
    ("Budget", "budget", "Budgets against true use and the season's forecast; interval 90 %."),
    ("Storms", "by_storm", "Use by storm and material; intervals 95 %."),
    ("Routes", "by_route", "Use by route and material; intervals 95 %."),
    ("Yards", "by_yard", "Use by yard and material; intervals 95 %."),
    ("Trucks", "by_truck", "Use by truck and material; intervals 95 %."),
    ("Routes by storm", "by_route_and_storm", "Use by route, storm and material."),
    ("Severity", "severity", "Severity of each storm and forecast zone."),
    ("Routes compared", "fair_routes", COMPARED),
    ("Storms compared", "fair_storms", COMPARED),
    ("Chloride", "chloride", "Chloride put down; a row without a storm is the season."),
    (
        "Water screening",
        "screening",
        "Screening only, in two readings where they differ: samples and the regulator decide.",
    ),
    (
        "Evidence",
        "evidence",
        "Segments of single storms above their limit, the surest first; not "
        "supported: the measurement can't tell it from a conforming one.",
    ),
    ("Over the season", "repeated", "Segments above their limit over the season as a whole."),
    ("Savings", "savings", "What better practice saves; intervals 95 %, nothing counted twice."),
    ("Findings", "findings", "The most important first."),
)


@dataclass(frozen=True)
class _Rule:
    """How columns whose name ends so are shown: a kind of `Display`, or a unit as it stands."""

    ending: str
    kind: str
    unit: str
    form: str
    factor: float = 1.0


CURRENCY: Final = "currency"
"""Stands for the workspace's currency."""
RULES: Final = (
    _Rule("severity_hour", "rate", " per hour of severity", "tenth"),
    _Rule("lb_per_lane_mile", "rate", "", "tenth"),
    _Rule("_ton", "bulk", "", "hundredth", POUNDS_PER_TON),
    _Rule("tons", "bulk", "", "hundredth", POUNDS_PER_TON),
    _Rule("_lb", "mass", "", "tenth"),
    _Rule("lane_miles", "lane_distance", "", "hundredth"),
    _Rule("_gal", "volume", "", "tenth"),
    _Rule("coldest_f", "temperature", "", "tenth"),
    _Rule("precipitation_in", "water", "", "thousandth"),
    _Rule("_pct", "", "%", "tenth"),
    _Rule("_pct_per_month", "", "% a month", "tenth"),
    _Rule("_mg_l", "", "mg/L", "thousandth"),
    _Rule("_cfs", "stream", "", "hundredth"),
    _Rule("_h", "", "h", "tenth"),
    _Rule("hours", "", "h", "hundredth"),
    _Rule("cost", "", CURRENCY, "money"),
    _Rule("money", "", CURRENCY, "money"),
    _Rule("share", "", "", "percent"),
    _Rule("fraction", "", "", "fraction"),
    _Rule("index", "", "", "thousandth"),
    _Rule("ratio", "", "", "thousandth"),
    _Rule("applications", "", "", "hundredth"),
    _Rule("ton_per_application", "bulk", "", "hundredth", POUNDS_PER_TON),
    _Rule("storms_to_come", "", "", "tenth"),
    _Rule("rounds_planned", "", "", "hundredth"),
)
ENDS: Final = {"_lo": ", low end", "_hi": ", high end", "_u": ", standard uncertainty"}


def season_sheets(view: SeasonView, setting: Setting) -> list[Sheet]:
    """Every sheet of the season's workbook."""
    shown, view = setting.display, view.said(setting.voice)
    tables = {key: getattr(view.result, key) for _, key, _ in SHEETS}
    sheets = [_about(view, setting)]
    sheets += [sheet_of(name, tables[key], about, shown) for name, key, about in SHEETS]
    sheets += [
        sheet_of("Truck reports", view.history, "True over reported mass, storm by storm.", shown),
        sheet_of(
            "Yard books", view.books, "Balance between counts that follow one another.", shown
        ),
    ]
    return sheets


def _about(view: SeasonView, setting: Setting) -> Sheet:
    shown, season = setting.display, view.result.season
    said = {
        "workspace": setting.workspace,
        "season": season.name,
        "from": shown.date(season.start),
        "to": shown.date(season.end),
        "data as of": shown.date(season.as_of),
        "software": f"spreadplan {__version__}",
        "inputs (fingerprint, SHA-256)": view.fingerprint,
        "money": MONEY,
        "true mass": "applied and used mass is reported mass corrected by each truck's ratio",
        "chances": "p over, p under: probability, shown in percent",
        "times": f"local, {shown.timezone}",
    }
    return Sheet(
        "About",
        "What this workbook was made from.",
        [
            SheetColumn("what", list(said)),
            SheetColumn("value", list(said.values())),
        ],
    )


def sheet_of(name: str, table: pd.DataFrame, about: str, shown: Display) -> Sheet:
    """A table as a sheet: each column in the unit shown, which its header names."""
    return Sheet(name, about, [_column(str(one), table[one], shown) for one in table.columns])


def _column(name: str, values: pd.Series[Any], shown: Display) -> SheetColumn:
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        local = values.dt.tz_convert(shown.timezone).dt.tz_localize(None)
        return SheetColumn(f"{_words(name)}, local time", list(local), "date")
    if values.dtype.kind not in "iuf":
        return SheetColumn(_words(name), list(values))
    if name.startswith("p_") or name.endswith("_p") or name == "trend_p":
        return SheetColumn(_words(name), list(values), "percent")
    stem, end = _without_end(name)
    for rule in RULES:
        if stem.endswith(rule.ending):
            return _shown(stem, end, values, rule, shown)
    return SheetColumn(_words(name), list(values), "whole")


def _without_end(name: str) -> tuple[str, str]:
    """A name without the mark of an interval's end or an uncertainty, wherever that stands."""
    for mark, words in ENDS.items():
        if name.endswith(mark):
            return name.removesuffix(mark), words
        if f"{mark}_" in name:
            return name.replace(f"{mark}_", "_", 1), words
    return name, ""


def _shown(stem: str, end: str, values: pd.Series[Any], rule: _Rule, shown: Display) -> SheetColumn:
    numbers = rule.factor * values.to_numpy(dtype=float)
    unit = shown.currency if rule.unit == CURRENCY else rule.unit
    if rule.kind:
        numbers, unit = shown.values(numbers, rule.kind), shown.unit(rule.kind) + rule.unit
    said = stem
    for tail in (
        "_lb_per_lane_mile_severity_hour",
        "lb_per_lane_mile_severity_hour",
        "_lb_per_lane_mile",
        "_pct_per_month",
    ):
        if stem.endswith(tail):
            said = stem.removesuffix(tail) or "rate"
            break
    else:
        named = unit and rule.ending.startswith("_")
        said = stem.removesuffix(rule.ending) if named else stem
        said = said.replace("ton_per_application", "mass_per_application")
    said = said.replace("treated_lane_miles", "treated").replace("_lane_miles", "")
    said = {
        "tons": "mass",
        "lane_miles": "length",
        "coldest_f": "coldest",
        "precipitation_in": "precipitation",
    }.get(said, said)
    header = _words(said) + end + (f", {unit}" if unit else "")
    return SheetColumn(header, list(np.asarray(numbers, dtype=float)), rule.form)


def _words(name: str) -> str:
    return name.replace("_", " ")
