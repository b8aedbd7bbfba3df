"""The files of a workspace, read with nothing but the standard library.

Every quantity is turned into pounds, miles, feet, inches, mph, degrees F, gallons and seconds by
the suffix of its column, in decimals, so that no conversion loses a digit.
"""

from __future__ import annotations

import csv
import json
import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

Row = Mapping[str, Any]

KG = 1 / Decimal("0.45359237")
FT = 1 / Decimal("0.3048")
MI = 1 / Decimal("1609.344")
GAL_L = Decimal("3.785411784")

#: by quantity: suffix -> factor to the unit used here. NIST Special Publication 811 (2008),
#: appendix B: 1 lb = 0.453 592 37 kg, 1 ft = 0.3048 m, 1 mi = 1609.344 m, 1 gal = 3.785 411 784 L,
#: each exactly; 1 short ton = 2,000 lb.
FACTORS: dict[str, dict[str, Decimal]] = {
    "mass": {"lb": Decimal(1), "kg": KG, "ton": Decimal(2000), "t": 1000 * KG},
    "inches": {
        "in": Decimal(1), "ft": Decimal(12), "mm": 1 / Decimal("25.4"), "m": 12 * FT,
        "mi": Decimal(63360), "km": 12000 * FT,
    },
    "feet": {"ft": Decimal(1), "m": FT, "in": Decimal(1) / 12, "mm": FT / 1000},
    "speed": {"mph": Decimal(1), "km_h": 1000 * MI},
    "volume": {"gal": Decimal(1), "l": 1 / GAL_L},
    "seconds": {"s": Decimal(1), "min": Decimal(60)},
    "minutes": {"min": Decimal(1), "s": Decimal(1) / 60},
    "per_mass": {"gal_per_ton": Decimal(1), "l_per_t": 2 / KG / 1 / GAL_L},
    "lane_rate": {
        "lb_per_lane_mile": Decimal(1),
        "lb_per_two_lane_mile": Decimal(1) / 2,
        "kg_per_lane_km": KG / (1000 * MI),
    },
    "liquid_rate": {
        "gal_per_lane_mile": Decimal(1), "l_per_lane_km": (1 / GAL_L) / (1000 * MI),
    },
    "density": {"lb_gal": Decimal(1), "kg_l": KG * GAL_L},
}  # fmt: skip
# litres per tonne: one litre is 1/3.785... gallons and a tonne is 1000 kg, i.e. 1000 * KG pounds
FACTORS["per_mass"]["l_per_t"] = (1 / GAL_L) / (1000 * KG / 2000)


def decimal(value: Any) -> Decimal | None:
    """A number as it was written, or None for an empty cell."""
    if value is None or isinstance(value, bool) or str(value).strip() == "":
        return None
    return Decimal(str(value).strip())


def quantity(row: Row, stem: str, kind: str) -> Decimal | None:
    """The one quantity of a row whose column is ``stem`` and a suffix of ``kind``."""
    for suffix, factor in FACTORS[kind].items():
        value = decimal(row.get(f"{stem}_{suffix}"))
        if value is not None:
            return value * factor
    return None


def fahrenheit(row: Row, stem: str) -> Decimal | None:
    """A temperature in degrees Fahrenheit."""
    in_c = decimal(row.get(f"{stem}_c"))
    return in_c * Decimal("1.8") + 32 if in_c is not None else decimal(row.get(f"{stem}_f"))


def rates(row: Row, stem: str = "rate") -> dict[str, Any]:
    """The rate of a row by its kind of basis: per lane, per area or liquid; as in the file."""
    found: dict[str, Any] = {}
    for kind in ("lane_rate", "liquid_rate"):
        for suffix, factor in FACTORS[kind].items():
            value = row.get(f"{stem}_{suffix}")
            if isinstance(value, list):
                found[kind] = [Decimal(str(each)) * factor for each in value]
            elif (number := decimal(value)) is not None:
                found[kind] = number * factor
    area = row.get(f"{stem}_g_per_m2")
    if isinstance(area, list):
        found["area_rate"] = [Decimal(str(each)) for each in area]
    elif (number := decimal(area)) is not None:
        found["area_rate"] = number
    return found


def moment(value: Any, zone: ZoneInfo) -> datetime | None:
    """A point in time as UTC; without an offset it is local time of the workspace."""
    if value is None or str(value).strip() == "":
        return None
    time = datetime.fromisoformat(str(value).strip())
    return (time if time.tzinfo else time.replace(tzinfo=zone)).astimezone(UTC)


class Files:
    """A workspace's files as rows of text."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.toml = self._toml("workspace.toml")["workspace"]
        self.policy = self._toml("policy.toml")
        self.zone = ZoneInfo(self.toml["timezone"])

    def _toml(self, name: str) -> dict[str, Any]:
        path = self.folder / name
        return tomllib.loads(path.read_text("utf-8-sig")) if path.exists() else {}

    def table(self, name: str) -> list[dict[str, str]]:
        """Rows of a CSV file; none where there is no such file. Cells are trimmed."""
        path = self.folder / name
        if not path.exists():
            return []
        with path.open(newline="", encoding="utf-8-sig") as lines:
            return [
                {key.strip(): (cell or "").strip() for key, cell in row.items()}
                for row in csv.DictReader(lines)
            ]

    def features(self, name: str) -> list[dict[str, Any]]:
        """Features of a GeoJSON file; numbers as decimals, coordinates as floats."""
        path = self.folder / name
        if not path.exists():
            return []
        return json.loads(path.read_text("utf-8"), parse_float=Decimal)["features"]

    def storms(self) -> list[str]:
        """Names of the storms."""
        folder = self.folder / "storms"
        return sorted(path.name for path in folder.iterdir()) if folder.exists() else []
