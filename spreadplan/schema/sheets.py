"""What a sheet of a workbook is made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

FORMATS: Final[Mapping[str, str]] = {
    "whole": "#,##0",
    "tenth": "#,##0.0",
    "hundredth": "#,##0.00",
    "thousandth": "#,##0.000",
    "percent": "0.0%",
    "money": "#,##0.00",
    "fraction": "0.0000",
    "date": "yyyy-mm-dd hh:mm",
    "flag": "General",
    "text": "@",
}
"""Number formats of Office Open XML (ISO/IEC 29500) by the name of a column's form."""
FORM_OF: Final[Mapping[str, str]] = {
    "count": "whole",
    "minutes": "whole",
    "seconds": "tenth",
    "rate": "tenth",
    "rate_for_severity": "tenth",
    "mass": "tenth",
    "discharge": "tenth",
    "liquid_flow": "hundredth",
    "liquid_rate": "tenth",
    "volume": "tenth",
    "temperature": "tenth",
    "temperature_step": "tenth",
    "percent": "tenth",
    "percent_per_month": "tenth",
    "speed": "tenth",
    "offset": "tenth",
    "number": "hundredth",
    "bulk": "hundredth",
    "lane_distance": "hundredth",
    "distance": "hundredth",
    "hours": "hundredth",
    "stream": "hundredth",
    "gate": "hundredth",
    "width": "hundredth",
    "ratio": "thousandth",
    "slope": "thousandth",
    "water": "thousandth",
    "concentration": "thousandth",
    "fraction": "fraction",
    "share": "percent",
    "probability": "percent",
    "money": "money",
    "time": "date",
    "flag": "flag",
}
"""How the cells of a result column of each kind are shown; any other kind is text."""


@dataclass(frozen=True)
class SheetColumn:
    """A column of a sheet: its header with unit, and how its cells are shown.

    ``form`` is a key of `FORMATS`; dates are local times without a zone.
    """

    header: str
    values: Sequence[Any]
    form: str = "text"


@dataclass(frozen=True)
class Sheet:
    """A sheet: its name, one sentence about it, its columns of equal length."""

    name: str
    about: str
    columns: Sequence[SheetColumn]
