"""Does the material work at that temperature? Guidance for the planner, never an order.

A brine of strength w (weight percent of dry chemical) holds (100 - w) / w pounds of water for each
pound of chemical. At the pavement's temperature the weakest brine that stays liquid is the one
that just freezes there; more water than it holds refreezes. That is where the melting ends; how
long it takes is not known from this, and traffic, wind and sun are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.materials import chemical_of
from spreadplan.planning.brine_data import CACL2_EUTECTIC_F, MGCL2_FREEZING_F, NACL_FREEZING_F
from spreadplan.planning.frames import groups
from spreadplan.remarks import Remark, remark
from spreadplan.schema.results import RESULTS
from spreadplan.units import FEET_PER_MILE, convert

Floats = NDArray[np.float64]

#: mass fraction of chloride in the dry chemical: IUPAC standard atomic weights (2021): Cl 35.45,
#: Na 22.990, Mg 24.305, Ca 40.078.
CHLORIDE_FRACTION = {"NaCl": 0.6066, "MgCl2": 0.7447, "CaCl2": 0.6389}
#: sodium chloride is usually not cost-effective below this pavement temperature. Minnesota Snow
#: and Ice Control Field Handbook for Snowplow Operators, LRRB manual 2005-01, p. 15.
NACL_PRACTICAL_LIMIT_F = 15.0
FREEZING_POINT_WATER_F = 32.0

_CURVES = {
    "NaCl": np.array(NACL_FREEZING_F),
    "MgCl2": np.array(MGCL2_FREEZING_F),
}


def eutectic_f(chemical: str) -> float:
    """The temperature in F below which no brine of the chemical stays liquid."""
    return CACL2_EUTECTIC_F if chemical == "CaCl2" else float(_CURVES[chemical][-1, 1])


def strength_at(chemical: str, temp_f: Floats) -> Floats:
    """Weight percent of the weakest brine still liquid at a temperature; shape of ``temp_f``.

    0 at or above 32 F; NaN below the eutectic and for CaCl2, of which no curve is held.

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
    lb_ft3 = convert(np.array([1000.0]), "kilogram/meter**3", "pound/foot**3")[0]
    lane_mile_ft2 = np.asarray(lane_width_ft, dtype=float) * FEET_PER_MILE
    rate = np.asarray(rate_lb_per_lane_mile, dtype=float)
    ratio = melt_ratio(chemical, temp_f)
    spread = rate * purity
    spread, ratio = np.broadcast_arrays(spread, ratio)
    # nothing spread holds nothing, even where the ratio is infinite
    water_lb = np.multiply(spread, ratio, out=np.zeros(spread.shape), where=spread != 0)
    return np.asarray(water_lb / lb_ft3 / lane_mile_ft2 * 12.0)


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


def melter_of(chemical: str, chloride_fraction: float) -> Melter:
    """The melting chemical of a material and how much of the material it is.

    >>> melter_of("", 0.588).chemical
    'NaCl'
    """
    found = chemical_of(chemical, chloride_fraction)
    purity = purity_of(found, chloride_fraction)
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


def melting_check(rows: pd.DataFrame, melters: dict[str, Melter]) -> pd.DataFrame:
    """Whether each material can be expected to work in each zone and application.

    Parameters
    ----------
    rows : planned parts: application, zone, material, lane_miles, target_rate_lb_per_lane_mile,
        pavement_temp_f, precipitation_in, water_held_in. Rows without a rate or a forecast are
        left out.

    Returns
    -------
    DataFrame, one row for each application, zone and material: application, zone, material,
    chemical, pavement_temp_f, precipitation_in, rate_lb_per_lane_mile (mean over lane-miles),
    water_held_in (mean over lane-miles), held_share (of the precipitation, at most 1), verdict
    ("holds", "in part", "too cold", "will not melt", "abrasive", "not checked") and advice.
    """
    used = rows[(rows["target_rate_lb_per_lane_mile"] > 0) & rows["pavement_temp_f"].notna()]
    used = used[used["material"] != ""]
    checked = []
    for (application, zone, material), group in groups(used, ["application", "zone", "material"]):
        miles = group["lane_miles"].to_numpy()
        temp = float(group["pavement_temp_f"].iloc[0])
        rain = float(group["precipitation_in"].iloc[0])
        held = float(np.average(group["water_held_in"], weights=miles))
        melter = melters.get(str(material), Melter("", np.nan))
        verdict, advice = _verdict(melter.chemical, temp, rain, held)
        checked.append(
            {
                "application": application,
                "zone": zone,
                "material": material,
                "chemical": melter.chemical,
                "pavement_temp_f": temp,
                "precipitation_in": rain,
                "rate_lb_per_lane_mile": float(
                    np.average(group["target_rate_lb_per_lane_mile"], weights=miles)
                ),
                "water_held_in": held,
                "held_share": min(held / rain, 1.0) if rain > 0 else np.nan,
                "verdict": verdict,
                "advice": advice,
            }
        )
    return pd.DataFrame(checked, columns=RESULTS["plan_melting"].names)


def _verdict(chemical: str, temp_f: float, rain_in: float, held_in: float) -> tuple[str, Remark]:
    """Verdict and advice for one zone, application and material."""
    if chemical == "none":
        return "abrasive", remark("grip_only")
    if chemical == "":
        return "not checked", remark("state_the_chemical")
    limit = eutectic_f(chemical)
    if temp_f < limit:
        memory = (remark("limit_from_memory"),) if chemical == "CaCl2" else ()
        return "will not melt", remark(
            "below_eutectic", chemical=chemical, limit_f=limit, memory=memory
        )
    if chemical == "NaCl" and temp_f < NACL_PRACTICAL_LIMIT_F:
        return "too cold", remark("too_cold_for_salt", limit_f=NACL_PRACTICAL_LIMIT_F)
    if np.isnan(held_in):
        return "not checked", remark("no_freezing_curve")
    if np.isnan(rain_in):
        return "not checked", remark("holds_without_forecast", held_in=held_in)
    if held_in < rain_in:
        return "in part", remark(
            "holds_in_part",
            held_in=held_in,
            forecast_in=rain_in,
            held_pct=100.0 * held_in / rain_in,
        )
    return "holds", remark("holds_all")
