"""Prewetting liquid put down against what was set, and the dry chemical of what was put down.

A truck's records tell how much liquid ran (`liquid_total_gal`); where none do, what was assigned
stands in. What was measured counts, not what was planned. Masses in lb, volumes in US gallons.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from spreadplan.planning.assigned import of_use, prewet_of_use
from spreadplan.planning.wetting import Made
from spreadplan.schema.policy import Policy
from spreadplan.units import POUNDS_PER_TON

DRY_SHARE: Final = 0.1
"""A truck that put down less of the liquid set is said to have spread dry. Common practice, no
source."""
LEAST_SET_GAL: Final = 5.0
"""Less liquid than this says nothing of a prewet system. Common practice, no source."""

NONE, LITTLE, MUCH, AS_SET, NOT_TOLD, NOT_SET = (
    "dry",
    "too_little",
    "too_much",
    "as_set",
    "not_told",
    "not_set",
)


def with_liquid(
    parts: pd.DataFrame, storm: str, assignments: pd.DataFrame, materials: pd.DataFrame
) -> pd.DataFrame:
    """Parts with the prewetting liquid on them and their dry chemical.

    Parameters
    ----------
    parts : route_id, truck_id, material, applied_lb, and liquid_gal as the records tell it
        (NaN: they do not). assignments : as `assigned.of_season` gives them.

    Returns
    -------
    ``parts`` with prewet_gal (told, else as assigned; 0 on liquids), prewet_told, prewet_material
    ("" where nobody names it), set_gal_per_ton, and chemical_lb: dry chemical, that of the named
    liquid included; NaN where the material's is not known.
    """
    made = Made.of(materials)
    solid = np.array([made.solid.get(str(name), False) for name in parts["material"]], dtype=bool)
    used = parts.assign(storm=storm)
    per_ton = prewet_of_use(assignments, used).where(solid, 0.0)
    told = parts["liquid_gal"].notna() & solid
    as_set = parts["applied_lb"] / POUNDS_PER_TON * per_ton
    gallons = parts["liquid_gal"].where(told, as_set)
    named = pd.Series("", parts.index, dtype=object)
    if "prewet_material" in assignments:
        found = of_use(assignments, used, "prewet_material").fillna("").astype(object)
        named = found.where(gallons > 0.0, "").astype(object)
    density = named.map(made.density_lb_gal).astype(float)
    of_liquid = (gallons * density * named.map(made.chemical).astype(float)).fillna(0.0)
    of_material = parts["applied_lb"] * parts["material"].map(made.chemical).astype(float)
    return parts.assign(
        prewet_gal=gallons,
        prewet_told=told,
        prewet_material=named,
        set_gal_per_ton=per_ton,
        chemical_lb=of_material + of_liquid,
    )


def liquid_of_trucks(parts: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Liquid put down by each truck on each solid against what was set.

    Parameters
    ----------
    parts : as `with_liquid` gives them, with reported_lb.
    policy : its tolerances.

    Returns
    -------
    DataFrame with index truck_id, material: prewet_gal (NaN where no record tells), prewet_set_gal
    (gallons per ton as assigned x the solid that the controller reported) and prewet_verdict:
    "dry", "too_little", "too_much", "as_set", "not_told" or "not_set". Against what the controller
    reported, since it is that which meters the liquid.
    """
    keys = ["truck_id", "material"]
    work = parts[keys].assign(
        prewet_gal=parts["prewet_gal"].where(parts["prewet_told"]),
        prewet_set_gal=parts["reported_lb"] / POUNDS_PER_TON * parts["set_gal_per_ton"],
    )
    sums = work.groupby(keys).sum(min_count=1)
    put, wanted = sums["prewet_gal"], sums["prewet_set_gal"]
    share = (put / wanted.where(wanted > 0.0)).fillna(np.inf)
    verdict = np.select(
        [
            (wanted < LEAST_SET_GAL) & ~(put >= LEAST_SET_GAL),
            put.isna(),
            wanted < LEAST_SET_GAL,
            share < DRY_SHARE,
            share < 1.0 - policy.under_pct / 100.0,
            share > 1.0 + policy.over_pct / 100.0,
        ],
        [NOT_SET, NOT_TOLD, MUCH, NONE, LITTLE, MUCH],
        AS_SET,
    )
    return sums.assign(prewet_verdict=verdict.astype(object))
