"""Every table below ``results/``, column by column: name, unit, kind of quantity, meaning.

It drives the order of columns and their types in CSV, reading back, how numbers are shown, sheets
of workbooks with their headings, field comments of GeoPackages, and the guide's page of results.
"""

from __future__ import annotations

from typing import Final

from spreadplan.schema.results import calibration, plan, season, use
from spreadplan.schema.results.columns import ResultColumn, ResultTable

RESULTS: Final[dict[str, ResultTable]] = {
    one.name: one for one in (*calibration.TABLES, *plan.TABLES, *use.TABLES, *season.TABLES)
}

__all__ = ["RESULTS", "ResultColumn", "ResultTable"]
