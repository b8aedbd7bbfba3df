"""How wet a solid is spread, with which liquid, and what that does to a rate.

A policy's row says what its rate is for: dry, pretreated (in the stockpile), prewet (at the
spreader) or slurry material. A rate for dry material is lowered on wetted material by what the
policy states, visibly and once; a rate for wetted material never is. Rates and masses are those of
the solid unless a name says otherwise.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.frames import lines
from spreadplan.materials import PARTS, chemical_fraction, rated_fraction
from spreadplan.remarks import Finding, Remark, remark
from spreadplan.schema.policy import Policy
from spreadplan.units import POUNDS_PER_TON

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

DRY, PRETREATED, PREWET, SLURRY = "dry", "pretreated", "prewet", "slurry"
WETTED: Final = (PRETREATED, PREWET, SLURRY)


@dataclass(frozen=True)
class Made:
    """What materials are made of, by name: kind, dry chemical of a pound, density in lb/gal.

    chemical : mass of dry chemical in a pound as it lies, NaN where not known. counted : the part
    of a pound that a cap counts, see `materials.rated_fraction`. pretreated : solids with a liquid
    among their parts.
    """

    solid: dict[str, bool]
    chemical: dict[str, float]
    counted: dict[str, float]
    density_lb_gal: dict[str, float]
    pretreated: frozenset[str]

    @classmethod
    def of(cls, materials: pd.DataFrame) -> Made:
        """Of the workspace's table of materials."""
        rows = {str(one.material): one for one in lines(materials)}
        solid = {name: one.kind == "solid" for name, one in rows.items()}
        return cls(
            solid=solid,
            chemical={name: chemical_fraction(one).value for name, one in rows.items()},
            counted={name: rated_fraction(one) for name, one in rows.items()},
            density_lb_gal={name: float(one.density_lb_gal) for name, one in rows.items()},
            pretreated=frozenset(
                name for name in rows if solid[name] and _has_liquid(name, rows, frozenset())
            ),
        )


def _has_liquid(name: str, rows: dict[str, Any], above: frozenset[str]) -> bool:
    """Whether a liquid is among the parts of a material, or of its parts."""
    if name not in rows or name in above:
        return False
    return any(
        part in rows and (rows[part].kind == "liquid" or _has_liquid(part, rows, above | {name}))
        for part, _ in getattr(rows[name], PARTS, ())
    )


def liquid_lb_per_lb(
    prewet_gal_per_ton: Floats, prewet_material: pd.Series[Any], made: Made
) -> Floats:
    """Mass of the prewetting liquid on a pound of solid, shape (n,).

    0 where nothing is put on; NaN where nobody says which liquid it is.
    """
    gal = np.asarray(prewet_gal_per_ton, dtype=float)
    density = prewet_material.map(made.density_lb_gal).to_numpy(dtype=float)
    found: Floats = np.where(gal > 0.0, gal / POUNDS_PER_TON * density, 0.0)
    return found


def with_wetting(rows: pd.DataFrame, made: Made) -> pd.DataFrame:
    """How rows are wetted, and how much dry chemical comes with a pound of their material.

    Parameters
    ----------
    rows : material, prewet_gal_per_ton, prewet_material ("" for not named); shape (n,). Of a liquid
        or without a material nothing is wetted.

    Returns
    -------
    ``rows`` with wetting ("dry", "pretreated", "prewet", "" for no solid), liquid_lb_per_lb (see
    `liquid_lb_per_lb`), chemical_lb_per_lb and counted_lb_per_lb: dry chemical that comes with a
    pound of material, the named liquid included, and what of it a cap counts. NaN where not known;
    a liquid that nobody names, or whose chemical is not known, is left out.
    """
    material, liquid = rows["material"], rows["prewet_material"]
    solid = np.array([made.solid.get(str(name), False) for name in material], dtype=bool)
    gal = np.where(solid, rows["prewet_gal_per_ton"].to_numpy(dtype=float), 0.0)
    on_a_pound = liquid_lb_per_lb(gal, liquid, made)
    wetting = np.where(material.isin(made.pretreated), PRETREATED, DRY)
    wetting = np.where(gal > 0.0, PREWET, wetting)
    found = {}
    for name, known in (("chemical", made.chemical), ("counted", made.counted)):
        of_liquid = np.nan_to_num(on_a_pound * liquid.map(known).to_numpy(dtype=float))
        found[f"{name}_lb_per_lb"] = material.map(known).to_numpy(dtype=float) + of_liquid
    return rows.assign(
        wetting=np.where(solid, wetting, "").astype(object), liquid_lb_per_lb=on_a_pound, **found
    )


def rows_may_be_for(wetting: str, policy: Policy) -> tuple[str, ...]:
    """Which wetting a row of the policy may be for, best first; () for any.

    Rows for the wetting itself count. Where the policy says by how much wetting reduces a rate, a
    rate for dry material counts as well, and is reduced (`wetted_rates`).

    Parameters
    ----------
    wetting : of a route's material, as `with_wetting` has it.
    """
    if wetting not in WETTED:
        return (wetting,) if wetting else ()
    own = (PREWET, SLURRY) if wetting == PREWET else (wetting,)
    return own if np.isnan(policy.prewet_reduction_pct) else (*own, DRY)


def fitting_first(rows: list[Any], wettings: Sequence[str]) -> list[Any]:
    """Of rows of the policy those that are for the best of some wettings, else those for any.

    Parameters
    ----------
    rows : with wetting, a tuple of words, () for any; none is for other wettings alone.
    wettings : as `rows_may_be_for` returns them.
    """
    own = [row for row in rows if set(row.wetting) & (set(wettings) - {DRY})]
    of_dry = [row for row in rows if DRY in row.wetting and DRY in wettings]
    whole = wettings[:1] == (DRY,)
    return (of_dry if whole else own) or [row for row in rows if not row.wetting] or of_dry or rows


def wetted_rates(
    base: pd.DataFrame, rows: pd.DataFrame, policy: Policy
) -> tuple[pd.DataFrame, list[tuple[Remark, ...]], list[Finding]]:
    """Rates for the wetting of each row's material.

    Parameters
    ----------
    base : a rate in each basis (NaN but for one), wetting (tuple of words, () for any) and
        wetting_included (the rate counts the liquid as well) of the policy's row that gave it;
        shape (n,).
    rows : route_id, prewet_material and what `with_wetting` adds, on the same index.
    policy : its prewet_reduction_pct.

    Returns
    -------
    ``base`` with rates of the solid, a note on each row (() for none), and findings. A rate for dry
    material is multiplied by 1 - reduction on wetted material; one that counts the liquid is
    divided by 1 + the mass of liquid on a pound of solid. Nothing is credited twice: a rate for any
    wetted material is not reduced.

    Source of the usual reduction: Minnesota Snow and Ice Control Field Handbook for Snowplow
    Operators, LRRB manual 2005-01, p. 7: 20 to 30 % of the material is saved by wetting.
    """
    rates = base[["lb_per_lane_mile", "g_per_m2", "gal_per_lane_mile"]]
    wetting, on_a_pound = rows["wetting"], rows["liquid_lb_per_lb"].to_numpy(dtype=float)
    given = rates.gt(0.0).any(axis=1).to_numpy()
    wetted = wetting.isin([PRETREATED, PREWET]).to_numpy()
    for_dry = given & np.array([tuple(words) == (DRY,) for words in base["wetting"]], dtype=bool)
    counts_liquid = given & base["wetting_included"].to_numpy(dtype=bool)
    prewet = (wetting == PREWET).to_numpy()
    reduced = for_dry & wetted
    divided = counts_liquid & prewet & ~np.isnan(on_a_pound)
    pct = policy.prewet_reduction_pct
    factor = np.where(reduced & (pct > 0.0), 1.0 - pct / 100.0, 1.0)
    factor = np.where(divided, factor / (1.0 + on_a_pound), factor)
    no_liquid = counts_liquid & prewet & np.isnan(on_a_pound)
    cases: tuple[tuple[Bools, Remark, Remark | None], ...] = (
        (reduced & (pct > 0.0), remark("rate_reduced", less_pct=pct), None),
        (divided, remark("rate_less_liquid"), None),
        (no_liquid, remark("liquid_not_named"), remark("name_the_liquid")),
    )
    notes: list[tuple[Remark, ...]] = [()] * len(base)
    findings: list[Finding] = []
    for where, what, severity in cases:
        for at in np.flatnonzero(where):
            notes[at] = (*notes[at], what)
        findings += _findings(rows[where], what, severity)
    changed = base.assign(**{name: rates[name] * factor for name in rates.columns})
    return changed, notes, findings


def _findings(rows: pd.DataFrame, what: Remark, remedy: Remark | None) -> Iterable[Finding]:
    """One finding for what is said of the rates of some routes: a caution if it has a remedy."""
    if len(rows):
        subject = remark("rates_of_routes", routes=sorted({str(one) for one in rows["route_id"]}))
        yield Finding("caution" if remedy else "note", subject, what, (remedy,) if remedy else ())


def prewet_liquid_rows(rows: pd.DataFrame, made: Made) -> pd.DataFrame:
    """The prewetting liquid of rows as rows of its own: what a yard needs of it.

    Parameters
    ----------
    rows : prewet_gal, prewet_material, material, mass_lb and any other columns.
    made : what materials are made of.

    Returns
    -------
    Rows with a named liquid, the liquid as their material and its mass as mass_lb.
    """
    wet = rows[(rows["prewet_material"] != "") & (rows["prewet_gal"] > 0.0)]
    density = wet["prewet_material"].map(made.density_lb_gal).astype(float)
    return wet.assign(material=wet["prewet_material"], mass_lb=wet["prewet_gal"] * density)


__all__ = [
    "DRY",
    "PRETREATED",
    "PREWET",
    "Made",
    "fitting_first",
    "liquid_lb_per_lb",
    "prewet_liquid_rows",
    "rows_may_be_for",
    "wetted_rates",
    "with_wetting",
]
