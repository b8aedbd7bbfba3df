"""The unit registry, the column suffixes and the bases of a rate: the only place that converts.

A lane is a dimension of its own, so that a rate per lane-mile can never be mixed up with a rate
per plain mile. Inside the package every table is in one fixed system (`CANONICAL`): pounds, miles
of route, feet of lane width, inches of gate, miles per hour, degrees Fahrenheit, US gallons,
seconds, and pounds per lane-mile.

Factors: NIST Special Publication 811 (2008), appendix B, and NIST Handbook 44, appendix C: 1 lb is
0.453 592 37 kg, 1 ft is 0.3048 m and 1 US gallon is 231 cubic inches, each exactly.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pint

#: what one of each unit is in kilogram, meter, second and lane, exactly, and the power of each.
#: Columns are converted by these few. pint, which knows all, is slow to start: it is asked for
#: quantities that carry their unit, and in the tests whether it says the same.
_MASS, _LENGTH, _AREA, _VOLUME, _TIME, _LANES = (
    (1, 0, 0, 0), (0, 1, 0, 0), (0, 2, 0, 0), (0, 3, 0, 0), (0, 0, 1, 0), (0, 1, 0, 1)
)  # fmt: skip
_KNOWN: Final = {
    "pound": ("0.45359237", _MASS),
    "short_ton": ("907.18474", _MASS),
    "gram": ("0.001", _MASS),
    "kilogram": ("1", _MASS),
    "metric_ton": ("1000", _MASS),
    "milligram": ("0.000001", _MASS),
    "inch": ("0.0254", _LENGTH),
    "foot": ("0.3048", _LENGTH),
    "mile": ("1609.344", _LENGTH),
    "millimeter": ("0.001", _LENGTH),
    "meter": ("1", _LENGTH),
    "kilometer": ("1000", _LENGTH),
    "gallon": ("0.003785411784", _VOLUME),
    "liter": ("0.001", _VOLUME),
    "second": ("1", _TIME),
    "minute": ("60", _TIME),
    "hour": ("3600", _TIME),
    "lane_mile": ("1609.344", _LANES),
    "two_lane_mile": ("3218.688", _LANES),
    "lane_km": ("1000", _LANES),
    "thousand_ft2": ("92.90304", _AREA),
    # of a lane of 12 ft: 12 x 5,280 ft2 are a lane-mile
    "thousand_ft2_of_lane": ("25.4", _LANES),
    "1": ("1", (0, 0, 0, 0)),
}


@cache
def registry() -> pint.UnitRegistry[Any]:
    """pint's units and the lane, for quantities that carry their unit."""
    import pint  # late: half a second, more than `check` needs for all that it does itself

    units: pint.UnitRegistry[Any] = pint.UnitRegistry(cache_folder=None)
    units.define("lane = [lane]")
    units.define("lane_mile = lane * mile")
    units.define("two_lane_mile = 2 * lane_mile")
    units.define("lane_km = lane * kilometer")
    units.define("thousand_ft2 = 1000 * foot ** 2")
    units.define("thousand_ft2_of_lane = lane_mile / 63.36")
    return units


def Quantity(value: Any, unit: str) -> Any:
    """A number with its unit (pint's quantity)."""
    return registry().Quantity(value, unit)


#: suffix of a column -> unit, for every quantity that a file may hold. The first is canonical.
SUFFIXES: dict[str, dict[str, str]] = {
    "mass": {"lb": "pound", "kg": "kilogram", "ton": "short_ton", "t": "metric_ton"},
    "length": {
        "ft": "foot",
        "in": "inch",
        "mi": "mile",
        "mm": "millimeter",
        "m": "meter",
        "km": "kilometer",
    },
    "area": {"ft2": "foot**2", "m2": "meter**2"},
    "speed": {"mph": "mile/hour", "km_h": "kilometer/hour"},
    "temperature": {"f": "degF", "c": "degC"},
    "temperature_difference": {"f": "delta_degF", "c": "delta_degC"},
    "volume": {"gal": "gallon", "l": "liter"},
    "duration": {"s": "second", "min": "minute"},
    "bulk_density": {"lb_ft3": "pound/foot**3", "kg_m3": "kilogram/meter**3"},
    "liquid_density": {"lb_gal": "pound/gallon", "kg_l": "kilogram/liter"},
    "liquid_per_mass": {"gal_per_ton": "gallon/short_ton", "l_per_t": "liter/metric_ton"},
    "mass_flow": {"lb_min": "pound/minute", "kg_min": "kilogram/minute"},
    "liquid_flow": {"gal_per_min": "gallon/minute", "l_per_min": "liter/minute"},
    "stream_flow": {"cfs": "foot**3/second", "m3_s": "meter**3/second"},
    "concentration": {"mg_l": "milligram/liter"},
    "rate_limit": {
        "lb_per_lane_mile": "pound/lane_mile",
        "lb_per_two_lane_mile": "pound/two_lane_mile",
        "kg_per_lane_km": "kilogram/lane_km",
    },
    "area_rate": {"g_per_m2": "gram/meter**2"},
    "liquid_rate": {
        "gal_per_lane_mile": "gallon/lane_mile",
        "l_per_lane_km": "liter/lane_km",
    },
    "price_per_mass": {"ton": "1/short_ton", "t": "1/metric_ton"},
    "price_per_volume": {"gal": "1/gallon", "l": "1/liter"},
}

#: suffix of a rate -> unit and the canonical suffix it converts to. A rate per area depends on the
#: width of the lane it falls on, a liquid one on the density of the liquid: both stay apart until
#: the segment is known.
RATE_SUFFIXES: dict[str, tuple[str, str]] = {
    "lb_per_lane_mile": ("pound/lane_mile", "lb_per_lane_mile"),
    "lb_per_two_lane_mile": ("pound/two_lane_mile", "lb_per_lane_mile"),
    "kg_per_lane_km": ("kilogram/lane_km", "lb_per_lane_mile"),
    "g_per_m2": ("gram/meter**2", "g_per_m2"),
    "gal_per_lane_mile": ("gallon/lane_mile", "gal_per_lane_mile"),
    "l_per_lane_km": ("liter/lane_km", "gal_per_lane_mile"),
    "lb_per_1000_ft2": ("pound/thousand_ft2", "g_per_m2"),
    "gal_per_1000_ft2": ("gallon/thousand_ft2_of_lane", "gal_per_lane_mile"),
}
RATE_UNITS = {
    "lb_per_lane_mile": "pound/lane_mile",
    "g_per_m2": "gram/meter**2",
    "gal_per_lane_mile": "gallon/lane_mile",
}

#: What people write for the words of a unit, word by word, in the words of the suffixes.
_SPELLINGS = {
    "lb": "lbs pound pounds",
    "kg": "kgs kilo kilos kilogram kilograms",
    "g": "gram grams gr",
    "ton": "tons",
    "t": "tonne tonnes",
    "ft": "feet foot",
    "ft2": "sqft",
    "ft3": "cuft",
    "in": "inch inches",
    "mi": "mile miles",
    "mm": "millimeter millimeters millimetre millimetres",
    "m": "meter meters metre metres",
    "km": "kilometer kilometers kilometre kilometres kms",
    "gal": "gals gallon gallons",
    "l": "liter liters litre litres ltr",
    "s": "sec secs second seconds",
    "min": "mins minute minutes",
    "h": "hr hrs hour hours",
    "mi h": "mph",
    "km h": "kph kmh kmph kmhr",
    "ft3 s": "cfs",
    "lb ft3": "pcf",
    "f": "degf fahrenheit",
    "c": "degc celsius centigrade",
    "deg": "degree degrees",
    "pct": "percent",
    "lane": "lanes",
    "two": "2",
}
_WORDS = {word: spelled.split() for spelled, words in _SPELLINGS.items() for word in words.split()}
_SIGNS = {
    "u.s.": "us",
    "°": " deg ",
    "²": "2",
    "³": "3",
    "^": "",
    '"': " in ",
    "'": " ft ",
    "%": " pct ",
}
#: Words that change nothing in the units that a column may have; a short ton is the ton.
_IDLE = {"per", "us", "short"}
_PAIRS = {
    ("metric", "ton"): ["t"],
    ("deg", "f"): ["f"],
    ("deg", "c"): ["c"],
    ("sq", "ft"): ["ft2"],
    ("sq", "m"): ["m2"],
    ("square", "m"): ["m2"],
    ("cu", "ft"): ["ft3"],
    ("cubic", "ft"): ["ft3"],
    ("cu", "m"): ["m3"],
    ("cubic", "m"): ["m3"],
}
#: In capitals these are guesses: short tons or metric ones, meters or miles.
_AMBIGUOUS = {"T", "M"}


def _unit_words(text: str) -> list[str]:
    text = text.lower()
    for sign, written in _SIGNS.items():
        text = text.replace(sign, written)
    words: list[str] = []
    for word in re.findall(r"[a-z]+[23]?|\d+", text):
        for part in _WORDS.get(word, [word]):
            pair = _PAIRS.get((words[-1], part)) if words else None
            if pair:
                words[-1:] = pair
            elif part not in _IDLE:
                words.append(part)
    return words


def suffix_meant(text: str, suffixes: Collection[str]) -> str:
    """Which of these suffixes a unit stands for as people write it; "" for none of them.

    >>> suffix_meant("km/h", ["mph", "km_h"]), suffix_meant("metric tons", ["lb", "ton", "t"])
    ('km_h', 't')
    """
    if text in suffixes:
        return text
    wanted = _unit_words(text)
    if not wanted or text.strip() in _AMBIGUOUS:
        return ""
    return next((suffix for suffix in suffixes if _unit_words(suffix) == wanted), "")


#: factor, offset. pint goes by way of kelvin and makes 31.99999999999994 F of 0 C: enough to miss
#: a rule that holds from 32 F up. NIST Special Publication 811 (2008), B.8: t/C = (t/F - 32)/1.8.
#: A difference of temperatures has no offset.
_TEMPERATURES = {
    ("degC", "degF"): (1.8, 32.0),
    ("degF", "degC"): (1.0 / 1.8, -32.0 / 1.8),
    ("delta_degC", "delta_degF"): (1.8, 0.0),
    ("delta_degF", "delta_degC"): (1.0 / 1.8, 0.0),
}


@cache
def _affine(source: str, target: str) -> tuple[float, float]:
    """Factor and offset of ``target = factor * source + offset`` (offsets: temperatures)."""
    if source == target:
        return 1.0, 0.0
    if (source, target) in _TEMPERATURES:
        return _TEMPERATURES[source, target]
    given, wanted = _measure(source), _measure(target)
    if given and wanted and given[1] == wanted[1]:
        return float(given[0] / wanted[0]), 0.0
    at_zero = Quantity(0.0, source).to(target).magnitude  # refuses what measures something else
    at_one = Quantity(1.0, source).to(target).magnitude
    return float(at_one - at_zero), float(at_zero)


def _measure(unit: str) -> tuple[Fraction, tuple[int, ...]] | None:
    """What one of a unit is in kilogram, meter, second and lane, and what it measures."""
    size, powers = Fraction(1), [0, 0, 0, 0]
    for place, part in enumerate(unit.split("/")):
        name, _, power = part.partition("**")
        times = int(power or 1) * (-1 if place else 1)
        if name not in _KNOWN:
            return None
        one, kind = _KNOWN[name]
        size *= Fraction(one) ** times
        powers = [have + times * more for have, more in zip(powers, kind, strict=True)]
    return size, tuple(powers)


def convert(values: NDArray[np.float64], source: str, target: str) -> NDArray[np.float64]:
    """Values given in pint unit ``source`` as values in pint unit ``target``; any shape.

    Raises pint.DimensionalityError where the two measure different things.

    >>> float(convert(np.array([100.0]), "pound/lane_mile", "kilogram/lane_km")[0])
    28.184923...
    """
    factor, offset = _affine(source, target)
    return values * factor + offset


POUNDS_PER_TON = _affine("short_ton", "pound")[0]
MINUTES_PER_HOUR = _affine("hour", "minute")[0]
METRES_PER_MILE = _affine("mile", "meter")[0]
FEET_PER_MILE = _affine("mile", "foot")[0]
MILLIGRAMS_PER_POUND = _affine("pound", "milligram")[0]
LITERS_PER_CUBIC_FOOT = _affine("foot**3", "liter")[0]
POUNDS_PER_KILOGRAM = _affine("kilogram", "pound")[0]


def canonical_suffix(quantity: str) -> str:
    """The suffix that a quantity carries inside the package, e.g. ``lb`` for a mass."""
    return next(iter(SUFFIXES[quantity]))


def to_canonical(
    values: NDArray[np.float64], quantity: str, suffix: str, wanted: str = ""
) -> NDArray[np.float64]:
    """Column values in the unit of ``suffix`` as values in the unit of ``wanted``.

    ``wanted`` is one of the quantity's own suffixes; without it, the quantity's canonical one.
    """
    known = SUFFIXES[quantity]
    return convert(values, known[suffix], known[wanted or canonical_suffix(quantity)])


def area_rate_lb_per_lane_mile(
    rate_g_per_m2: NDArray[np.float64], lane_width_ft: NDArray[np.float64]
) -> NDArray[np.float64]:
    """A rate per area as a rate per lane-mile of lanes this wide; shapes broadcast.

    By definition: a lane-mile of width w has the area w times one mile. Over a 12 ft lane,
    7.7058 g/m² is 100 lb per lane-mile.
    """
    lane_mile_m2 = convert(lane_width_ft, "foot", "meter") * METRES_PER_MILE
    return convert(rate_g_per_m2 * lane_mile_m2, "gram", "pound")


def liquid_flow_gal_per_min(
    rate_gal_per_lane_mile: NDArray[np.float64],
    speed_mph: NDArray[np.float64],
    lanes: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Flow that a boom must deliver to hold a rate; shapes broadcast.

    ``lanes`` : lanes that the boom treats at once. By definition of the lane-mile it is rate times
    lanes times mph over 60, however wide the lanes are and however the nozzles are spaced; the
    sprayer formula GPA = 5,940 GPM / (mph x inches) says the same of a lane of any width
    (University of Florida IFAS, WG013).

    >>> float(liquid_flow_gal_per_min(np.array(40.0), np.array(30.0), np.array(1.0)))
    20.0
    """
    return rate_gal_per_lane_mile * lanes * speed_mph / MINUTES_PER_HOUR


def liquid_rate_gal_per_lane_mile(
    flow_gal_per_min: NDArray[np.float64],
    speed_mph: NDArray[np.float64],
    lanes: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Rate that a flow gives: 60 times gal/min over mph and the lanes treated at once.

    >>> float(liquid_rate_gal_per_lane_mile(np.array(20.0), np.array(30.0), np.array(2.0)))
    20.0
    """
    return flow_gal_per_min * MINUTES_PER_HOUR / (speed_mph * lanes)


def discharge_required(rate: Any, speed: Any, lanes: Any) -> Any:
    """Mass flow the spreader must deliver to hold a rate at a speed.

    Parameters
    ----------
    rate : quantity, mass / (lane * length), e.g. lb/lane_mile. Scalar or shape (n,).
    speed : quantity, ground speed while spreading, >= 0. Scalar or shape (n,).
    lanes : quantity, lanes covered in this one pass, > 0, in ``lane``. Scalar or shape (n,).

    Returns
    -------
    quantity : mass flow in lb/min, shape of the broadcast inputs: rate * speed * lanes.

    Raises
    ------
    DimensionalityError : rate per plain mile or per area, or lanes without a unit.
    ValueError : speed below 0 or lanes not above 0; names the first row at fault.

    Source: by definition of the lane-mile.

    >>> discharge_required(Quantity(200, "lb/lane_mile"), Quantity(30, "mph"), Quantity(2, "lane"))
    <Quantity(200.0, 'pound / minute')>
    """
    for name, quantity, lowest in (("speed", speed, 0.0), ("lanes", lanes, np.nextafter(0, 1))):
        faulty = np.flatnonzero(~(np.atleast_1d(quantity.magnitude) >= lowest))
        if faulty.size:
            raise ValueError(f"{name} is {np.atleast_1d(quantity)[faulty[0]]} in row {faulty[0]}")
    return (rate * speed * lanes).to("pound/minute")
