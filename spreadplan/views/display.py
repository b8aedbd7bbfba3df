"""Quantities as people read them: in the workspace's units, with the digits they support.

Everything inside the package is in one fixed unit system; here, and only here, it becomes text.
A number never stands without its unit: either `Display.show` puts it behind the number, or a
column's header carries `Display.unit` and its cells come from `Display.number`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import tzinfo
from hashlib import sha256
from typing import Any, Final

import numpy as np
import pandas as pd
from pandas.api.typing import NaTType

from spreadplan.units import area_rate_lb_per_lane_mile, convert

Moment = pd.Timestamp | NaTType
NBSP: Final = "\u00a0"
MINUS: Final = "\u2212"
NOTHING: Final = "\u2013"
"""Stands where a value is missing."""


@dataclass(frozen=True, kw_only=True)
class Kind:
    """How one kind of quantity is shown.

    inside : pint unit that the package uses.
    us, metric : pint unit and label of each system.
    figures : significant figures of a value without a stated uncertainty; whole digits are kept.
    decimals : never more decimals than this.
    metric_decimals : the same for metric units, where that differs.
    plain : whether zeros behind the decimal point are dropped (set values, not measured ones).
    """

    inside: str
    us: tuple[str, str]
    metric: tuple[str, str]
    figures: int = 3
    decimals: int = 6
    plain: bool = False
    metric_decimals: int | None = None

    def most_decimals(self, system: str) -> int:
        """The most decimals in a system of units."""
        if system == "metric" and self.metric_decimals is not None:
            return self.metric_decimals
        return self.decimals


KINDS: Final[Mapping[str, Kind]] = {
    "rate": Kind(
        inside="pound/lane_mile",
        us=("pound/lane_mile", "lb/lane-mile"),
        metric=("kilogram/lane_km", "kg/lane-km"),
        decimals=1,
    ),
    "area_rate": Kind(inside="", us=("", "g/m²"), metric=("", "g/m²"), decimals=1, plain=True),
    "liquid_rate": Kind(
        inside="gallon/lane_mile",
        us=("gallon/lane_mile", "gal per lane-mile"),
        metric=("liter/lane_km", "L per lane-km"),
        decimals=1,
        plain=True,
    ),
    "mass": Kind(inside="pound", us=("pound", "lb"), metric=("kilogram", "kg"), decimals=2),
    "bulk": Kind(inside="pound", us=("short_ton", "tons"), metric=("metric_ton", "t"), decimals=2),
    "discharge": Kind(
        inside="pound/minute", us=("pound/minute", "lb/min"), metric=("kilogram/minute", "kg/min")
    ),
    "slope": Kind(
        inside="pound/minute",
        us=("pound/minute", "lb/min per point"),
        metric=("kilogram/minute", "kg/min per point"),
    ),
    "per_count": Kind(
        inside="pound", us=("pound", "lb per count"), metric=("kilogram", "kg per count"), figures=4
    ),
    "speed": Kind(
        inside="mile/hour",
        us=("mile/hour", "mph"),
        metric=("kilometer/hour", "km/h"),
        decimals=1,
        plain=True,
    ),
    "distance": Kind(inside="mile", us=("mile", "mi"), metric=("kilometer", "km"), decimals=2),
    "lane_distance": Kind(
        inside="lane_mile", us=("lane_mile", "lane-mi"), metric=("lane_km", "lane-km"), decimals=2
    ),
    "gate": Kind(
        inside="inch",
        us=("inch", "in"),
        metric=("millimeter", "mm"),
        plain=True,
        decimals=2,
        metric_decimals=0,
    ),
    "width": Kind(inside="foot", us=("foot", "ft"), metric=("meter", "m"), plain=True, decimals=1),
    "temperature": Kind(
        inside="degF", us=("degF", "°F"), metric=("degC", "°C"), decimals=1, plain=True
    ),
    "temperature_step": Kind(
        inside="delta_degF",
        us=("delta_degF", "°F"),
        metric=("delta_degC", "°C"),
        figures=2,
        decimals=1,
        plain=True,
    ),
    "volume": Kind(inside="gallon", us=("gallon", "gal"), metric=("liter", "L"), decimals=1),
    "liquid_flow": Kind(
        inside="gallon/minute",
        us=("gallon/minute", "gal/min"),
        metric=("liter/minute", "L/min"),
        decimals=2,
        plain=True,
    ),
    "water": Kind(
        inside="inch", us=("inch", "in"), metric=("millimeter", "mm"), figures=2, decimals=3
    ),
    "stream": Kind(
        inside="foot**3/second",
        us=("foot**3/second", "ft³/s"),
        metric=("meter**3/second", "m³/s"),
        decimals=2,
        plain=True,
    ),
    "liquid_per_mass": Kind(
        inside="gallon/short_ton",
        us=("gallon/short_ton", "gal/ton"),
        metric=("liter/metric_ton", "L/t"),
        plain=True,
        decimals=1,
    ),
    "rate_for_severity": Kind(
        inside="pound/lane_mile",
        us=("pound/lane_mile", "lb/lane-mile per hour of severity"),
        metric=("kilogram/lane_km", "kg/lane-km per hour of severity"),
        decimals=1,
    ),
    "concentration": Kind(inside="", us=("", "mg/L"), metric=("", "mg/L"), decimals=2, plain=True),
    "offset": Kind(inside="meter", us=("foot", "ft"), metric=("meter", "m"), decimals=1),
    "percent_per_month": Kind(
        inside="", us=("", "% a month"), metric=("", "% a month"), decimals=1
    ),
    "hours": Kind(inside="", us=("", "h"), metric=("", "h"), decimals=1, plain=True),
    "percent": Kind(inside="", us=("", "%"), metric=("", "%"), decimals=1, plain=True),
    "minutes": Kind(inside="", us=("", "min"), metric=("", "min"), decimals=0),
    "seconds": Kind(inside="", us=("", "s"), metric=("", "s"), decimals=1, plain=True),
}


#: what g/m² stands in place of
PER_AREA: Final = {"us": ("lb/lane-mile", "g/m²"), "metric": ("kg/lane-km", "g/m²")}


@dataclass(frozen=True)
class Display:
    """Shows quantities in one system of units, times in one zone, money in one currency.

    area_lane_ft : width of the lanes that rates are meant for where they are shown per area, in
        g/m²; 0 where they are shown per length of a lane.
    """

    system: str
    timezone: tzinfo
    currency: str = "$"
    area_lane_ft: float = 0.0

    @property
    def rates_per_area(self) -> bool:
        """Whether rates of solids are shown in g/m² and not per length of a lane."""
        return self.area_lane_ft > 0.0

    def rate_on_lane(self, rate_lb_per_lane_mile: Any, lane_width_ft: Any) -> Any:
        """A rate on lanes of some width, as `value` and the rest take it.

        They know one lane width only, `area_lane_ft`: per area, the same mass on a narrower lane is
        a higher rate. As it is where rates are shown per lane; shapes broadcast.
        """
        if not self.rates_per_area:
            return rate_lb_per_lane_mile
        return rate_lb_per_lane_mile * self.area_lane_ft / lane_width_ft

    def _labelled(self, kind: str) -> tuple[str, str]:
        return KINDS[kind].metric if self.system == "metric" else KINDS[kind].us

    def unit(self, kind: str) -> str:
        """The label of the unit in which a kind of quantity is shown."""
        if self._by_area(kind):
            return self._labelled(kind)[1].replace(*PER_AREA[self.system])
        return self._labelled(kind)[1]

    def _by_area(self, kind: str) -> bool:
        return self.rates_per_area and KINDS[kind].inside == KINDS["rate"].inside

    def value(self, inside: float, kind: str) -> float:
        """An inside value in the unit shown."""
        return float(self.values([inside], kind)[0])

    def values(self, inside: Iterable[float], kind: str) -> np.ndarray:
        """Inside values in the unit shown, shape (n,)."""
        unit = self._labelled(kind)[0]
        found = np.asarray(inside, dtype=float)
        if self._by_area(kind):
            return found / area_rate_lb_per_lane_mile(np.array(1.0), np.array(self.area_lane_ft))
        return convert(found, KINDS[kind].inside, unit) if unit else found

    def number(self, inside: float, kind: str) -> str:
        """The number alone, for a column whose header carries the unit."""
        if not math.isfinite(inside):
            return NOTHING
        rule = KINDS[kind]
        shown = self.value(inside, kind)
        return as_text(
            shown, _decimals(shown, rule.figures, rule.most_decimals(self.system)), rule.plain
        )

    def show(self, inside: float, kind: str) -> str:
        """The number with its unit; a dash where it is missing."""
        return self._with_unit(self.number(inside, kind), kind)

    def number_pm(self, inside: float, inside_u: float, kind: str) -> str:
        """A value and its uncertainty, without unit: two digits of the uncertainty.

        The value gets as many digits as that supports.
        """
        if not (math.isfinite(inside) and math.isfinite(inside_u)):
            return self.number(inside, kind)
        shown = self.value(inside, kind)
        u = abs(self.value(inside + inside_u, kind) - shown)
        places = uncertainty_decimals(u)
        return f"{as_text(shown, places)} ± {as_text(u, places)}"

    def show_pm(self, inside: float, inside_u: float, kind: str) -> str:
        """A value and its uncertainty with their unit."""
        return self._with_unit(self.number_pm(inside, inside_u, kind), kind)

    def show_pm_step(self, inside_f: float, inside_u_f: float) -> str:
        """A temperature and its uncertainty with their unit, no finer than it is forecast."""
        if not math.isfinite(inside_u_f):
            return self.show(inside_f, "temperature")
        u = self.number(inside_u_f, "temperature_step")
        return self._with_unit(f"{self.number(inside_f, 'temperature')} ± {u}", "temperature")

    def show_range(self, low: float, high: float, kind: str) -> str:
        """An interval with its unit, both ends with the same decimals."""
        if not (math.isfinite(low) and math.isfinite(high)):
            return NOTHING
        rule = KINDS[kind]
        ends = self.value(low, kind), self.value(high, kind)
        largest = max(abs(end) for end in ends)
        places = _decimals(largest, rule.figures, rule.most_decimals(self.system))
        low_text, high_text = (as_text(end, places, rule.plain) for end in ends)
        text = low_text if low_text == high_text else f"{low_text} to {high_text}"
        return self._with_unit(text, kind)

    def money(self, amount: float) -> str:
        """A whole amount of money: a sign stands in front of it, a word such as NOK behind."""
        if not math.isfinite(amount):
            return NOTHING
        text = as_text(amount, 0)
        if any(letter.isalpha() for letter in self.currency):
            return f"{text}{NBSP}{self.currency}"
        minus = MINUS * text.startswith(MINUS)
        return f"{minus}{self.currency}{text.removeprefix(MINUS)}"

    def money_range(self, low: float, high: float) -> str:
        """Both ends of an amount of money."""
        if not (math.isfinite(low) and math.isfinite(high)):
            return NOTHING
        return f"{self.money(low)} to {self.money(high)}"

    def _with_unit(self, text: str, kind: str) -> str:
        return text if text == NOTHING else f"{text}{NBSP}{self.unit(kind)}"

    def date(self, moment: Moment) -> str:
        """The local day, as 2026-11-03."""
        return self._shown(moment, "%Y-%m-%d")

    def moment(self, moment: Moment) -> str:
        """The local time, as 2026-11-03 04:30."""
        return self._shown(moment, "%Y-%m-%d %H:%M")

    def weekday_time(self, moment: Moment) -> str:
        """The local time in the week, as Tue 04:30."""
        return self._shown(moment, "%a %H:%M")

    def _shown(self, moment: Moment, form: str) -> str:
        if isinstance(moment, NaTType):
            return NOTHING
        return moment.tz_convert(self.timezone).strftime(form)

    def duration(self, minutes: float) -> str:
        """A time as hours and minutes, e.g. 1 h 25 min."""
        if not math.isfinite(minutes):
            return NOTHING
        hours, rest = divmod(round(minutes), 60)
        return f"{hours}{NBSP}h {rest:02d}{NBSP}min" if hours else f"{rest}{NBSP}min"


def _decimals(shown: float, figures: int, most: int) -> int:
    if shown == 0.0:
        return 0
    return min(max(figures - 1 - math.floor(math.log10(abs(shown))), 0), most)


def uncertainty_decimals(u: float) -> int:
    """Decimals at which an uncertainty shows two digits; below 0: tens, hundreds, ...

    >>> uncertainty_decimals(0.0123), uncertainty_decimals(4.5), uncertainty_decimals(310)
    (3, 1, -1)
    """
    return 0 if u == 0.0 else 1 - math.floor(math.log10(u) + 1e-12)


def as_text(value: float, decimals: int, plain: bool = False) -> str:
    """A number with thousands marked and a true minus sign.

    >>> as_text(-1234.56, 1)
    '\u22121,234.6'
    >>> as_text(25.0, 1, plain=True)
    '25'
    """
    text = f"{round(value, decimals) + 0.0:,.{max(decimals, 0)}f}"
    if plain and "." in text:
        text = text.rstrip("0").rstrip(".")
    return text.replace("-", MINUS)


def percent(share: float, figures: int = 2) -> str:
    """A share of one as percent with so many figures, e.g. ``4.2 %``."""
    if not math.isfinite(share):
        return NOTHING
    return f"{as_text(100 * share, _decimals(100 * share, figures, 2))}{NBSP}%"


def plural(count: int, one: str, many: str = "") -> str:
    """A count with its noun: ``1 load``, ``3 loads``."""
    return f"{count:,}{NBSP}{one if count == 1 else many or one + 's'}"


def short(text: str, most: int = 28) -> str:
    """A name cut in its middle where it cannot wrap: what tells roads apart is often at the end."""
    if len(text) <= most:
        return text
    end = most // 3
    return f"{text[: most - 1 - end].rstrip()}…{text[-end:].lstrip()}"


SAFE: Final = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_")
LONGEST_NAME: Final = 60
RESERVED: Final = frozenset(
    {"con", "prn", "aux", "nul"} | {f"{port}{n}" for port in ("com", "lpt") for n in range(10)}
)


def file_name(text: str) -> str:
    """A file name (without ending) for any identifier, on any system.

    Identifiers that had to be changed get a fingerprint of the original, so that two of them
    never share a name.

    >>> file_name("T1"), file_name("../T 1").rpartition("-")[0]
    ('T1', 'T-1')
    """
    safe = "".join(letter if letter in SAFE else "-" for letter in text).strip("-")
    safe = safe[:LONGEST_NAME].rstrip("-")
    if safe and safe == text and safe.casefold() not in RESERVED:
        return safe
    return f"{safe or 'x'}-{_fingerprint(text)}"


def _fingerprint(text: str) -> str:
    return sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]


def file_names(texts: Iterable[str]) -> dict[str, str]:
    """A file name for each identifier, no two alike even where case is ignored."""
    names: dict[str, str] = {}
    taken: set[str] = set()
    for text in texts:
        name = file_name(text)
        if name.casefold() in taken:
            name = f"{name[:LONGEST_NAME]}-{_fingerprint(text)}"
        taken.add(name.casefold())
        names[text] = name
    return names
