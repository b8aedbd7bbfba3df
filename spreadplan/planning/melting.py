"""At which strength a brine freezes, and how much water a rate keeps liquid.

A brine of strength w (weight percent of dry chemical) holds (100 - w) / w pounds of water for each
pound of chemical. At the pavement's temperature the weakest brine that stays liquid is the one
that just freezes there; more water than it holds refreezes. That is where the melting ends; how
long it takes is not known from this, and traffic, wind and sun are left out. Whether a treatment
works is another question: see `snow_on_road`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.materials import chemical_of
from spreadplan.planning.brine_data import (
    CACL2_FREEZING_F,
    MGCL2_FREEZING_F,
    NACL_FREEZING_F,
)
from spreadplan.units import FEET_PER_MILE, convert

Floats = NDArray[np.float64]

#: mass fraction of chloride in the dry chemical: IUPAC standard atomic weights (2021): Cl 35.45,
#: Na 22.990, Mg 24.305, Ca 40.078.
CHLORIDE_FRACTION = {"NaCl": 0.6066, "MgCl2": 0.7447, "CaCl2": 0.6389}
#: sodium chloride is usually not cost-effective below this pavement temperature. Minnesota Snow
#: and Ice Control Field Handbook for Snowplow Operators, LRRB manual 2005-01, p. 15.
NACL_PRACTICAL_LIMIT_F = 15.0
FREEZING_POINT_WATER_F = 32.0
#: pounds of water an inch deep on a square foot: 1,000 kg/m3
LB_PER_IN_FT2 = float(convert(np.array([1000.0]), "kilogram/meter**3", "pound/foot**3")[0]) / 12.0

_CURVES = {
    "NaCl": np.array(NACL_FREEZING_F),
    "MgCl2": np.array(MGCL2_FREEZING_F),
    "CaCl2": np.array(CACL2_FREEZING_F),
}


def eutectic_f(chemical: str) -> float:
    """The temperature in F below which no brine of the chemical stays liquid."""
    return float(_CURVES[chemical][-1, 1])


def strength_at(chemical: str, temp_f: Floats) -> Floats:
    """Weight percent of the weakest brine still liquid at a temperature; shape of ``temp_f``.

    0 at or above 32 F; NaN below the eutectic and for a chemical of which no curve is held.

    >>> float(strength_at("NaCl", np.array([30.0]))[0])
    2.0
    """
    temp = np.asarray(temp_f, dtype=float)
    if chemical not in _CURVES:
        return np.where(temp >= FREEZING_POINT_WATER_F, 0.0, np.nan)
    curve = _CURVES[chemical][::-1]
    return np.asarray(np.interp(temp, curve[:, 1], curve[:, 0], left=np.nan), dtype=float)


def melt_ratio(chemical: str, temp_f: Floats) -> Floats:
    """Pounds of water kept liquid by a pound of dry chemical; infinite at or above 32 F."""
    strength = strength_at(chemical, temp_f)
    ratio = np.full(strength.shape, np.inf)
    return np.asarray(np.divide(100.0 - strength, strength, out=ratio, where=strength != 0.0))


def water_held_in(
    rate_lb_per_lane_mile: Floats,
    lane_width_ft: Floats,
    chemical: str,
    purity: float,
    temp_f: Floats,
) -> Floats:
    """Depth of water in inches that a rate melts and keeps liquid at a temperature.

    Parameters
    ----------
    rate_lb_per_lane_mile : of the material as spread; shape (n,).
    purity : mass of dry chemical in a mass of the material, 0 to 1.
    temp_f : pavement temperature; scalar or shape (n,).

    Returns
    -------
    Inches of water over the lane, shape (n,): the mass of water is rate x purity x (1 - w) / w.
    Infinite at or above 32 F, NaN below the eutectic.
    """
    ratio = melt_ratio(chemical, temp_f)
    spread = chemical_lb_ft2(rate_lb_per_lane_mile, lane_width_ft, purity)
    spread, ratio = np.broadcast_arrays(spread, ratio)
    # nothing spread holds nothing, even where the ratio is infinite
    water_lb = np.multiply(spread, ratio, out=np.zeros(spread.shape), where=spread != 0)
    return depth_of_water_in(water_lb)


def chemical_lb_ft2(
    rate_lb_per_lane_mile: Floats, lane_width_ft: Floats, share: Floats | float
) -> Floats:
    """Pounds on a square foot of a share, 0 to 1, of what is spread; the shapes broadcast."""
    lane_mile_ft2 = np.asarray(lane_width_ft, dtype=float) * FEET_PER_MILE
    return np.asarray(np.asarray(rate_lb_per_lane_mile, dtype=float) * share / lane_mile_ft2)


def depth_of_water_in(water_lb_ft2: Floats) -> Floats:
    """Depth in inches of so many pounds of water on a square foot; any shape."""
    return np.asarray(np.asarray(water_lb_ft2, dtype=float) / LB_PER_IN_FT2)


def purity_of(chemical: str, chloride_fraction: float) -> float:
    """Mass of dry chemical in a mass of material, from its chloride; NaN where not known."""
    if chemical not in CHLORIDE_FRACTION:
        return np.nan
    return min(chloride_fraction / CHLORIDE_FRACTION[chemical], 1.0)


#: smallest share of sodium chloride in road salt that buyers accept: Massachusetts, Missouri and
#: Maine solicitations (ASTM D632). Taken where a material's chloride is not stated.
NACL_ASSUMED_PURITY = 0.95


@dataclass(frozen=True)
class Melter:
    """What a material melts with; ``purity`` is dry chemical by mass, NaN where not known."""

    chemical: str
    purity: float


def melter_of(chemical: str, chloride_fraction: float, chemical_fraction: float = np.nan) -> Melter:
    """The melting chemical of a material and how much of the material it is.

    ``chemical_fraction`` : as the table of materials states it; NaN: it follows from the chloride.

    >>> melter_of("", 0.588).chemical
    'NaCl'
    """
    found = chemical_of(chemical, chloride_fraction)
    purity = purity_of(found, chloride_fraction)
    if not np.isnan(chemical_fraction):
        purity = chemical_fraction
    if found == "NaCl" and np.isnan(purity):
        purity = NACL_ASSUMED_PURITY
    return Melter(found, purity)


def water_held(rows: pd.DataFrame, melters: dict[str, Melter]) -> Floats:
    """Depth of water in inches that each row's target rate keeps liquid; NaN where not known.

    ``rows``: material, target_rate_lb_per_lane_mile, lane_width_ft, pavement_temp_f; shape (n,).
    """
    held = np.full(len(rows), np.nan)
    for material, places in rows.groupby("material", sort=False).indices.items():
        melter = melters.get(str(material), Melter("", np.nan))
        if melter.chemical == "none":
            held[places] = 0.0
        elif melter.chemical:
            some = rows.iloc[places]
            held[places] = water_held_in(
                some["target_rate_lb_per_lane_mile"].to_numpy(),
                some["lane_width_ft"].to_numpy(),
                melter.chemical,
                melter.purity,
                some["pavement_temp_f"].to_numpy(),
            )
    return held
