"""What is in a material: dry chemical, chloride, density and price, its own or those of its parts.

Fractions are masses per mass of the material as it lies. What a material does not state follows
from its salt, its purity and its moisture, or, of a blend, from its parts; what cannot be known
stays NaN and is never guessed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.remarks import Remark, remark
from spreadplan.units import POUNDS_PER_TON

ATOMIC_WEIGHT: Final = {"Cl": 35.45, "Na": 22.990, "Mg": 24.305, "Ca": 40.078}
"""IUPAC standard atomic weights, abridged to five figures (2021)."""
CHLORIDE_ATOMS: Final = {"NaCl": ("Na", 1), "MgCl2": ("Mg", 2), "CaCl2": ("Ca", 2)}

PURITY: Final = (0.95, 1.0)
"""Range of the sodium chloride in road salt where nothing is stated: 95 % is the least that
solicitations which quote ASTM D632 accept (Massachusetts, Missouri, Maine; read second-hand)."""
MOISTURE: Final = (0.0, 0.02)
"""Range of the moisture where nothing is stated: 2 % is the most that a solicitation quoting ASTM
D632 accepts (Missouri; others 1.0 and 1.5 %)."""

#: chloride fractions that only rock salt of usual purity has, used where no chemical is stated.
NACL_CHLORIDE_RANGE: Final = (0.5, 0.607)

SHARES_TOLERANCE: Final = 0.01
"""The shares of a blend may add up to 1 within this: three shares rounded to two decimals do. They
are then scaled to add up to 1. Common practice, no source."""

BLENDED: Final = "blended"
"""Column of the materials: names of the columns that follow from a blend's parts; () for none."""
PARTS: Final = "parts"
"""Column of the materials: (part, share) of a blend; () for a material of its own."""


def chloride_in(chemical: str) -> float:
    """Mass fraction of chloride in a dry salt, from its formula.

    >>> round(chloride_in("NaCl"), 4), round(chloride_in("CaCl2"), 4)
    (0.6066, 0.6389)
    """
    metal, atoms = CHLORIDE_ATOMS[chemical]
    chloride = atoms * ATOMIC_WEIGHT["Cl"]
    return chloride / (ATOMIC_WEIGHT[metal] + chloride)


def chemical_of(chemical: str, chloride_fraction: float) -> str:
    """What melts in a material.

    Parameters
    ----------
    chemical : as the table of materials states it; "" for not stated.
    chloride_fraction : mass of chloride in a mass of material, a share of 0 to 1; NaN: not stated.

    Returns
    -------
    The chemical as stated; else "none" (abrasive) without chloride, "NaCl" within
    `NACL_CHLORIDE_RANGE`, and "" (not known).
    """
    if chemical:
        return chemical
    if chloride_fraction == 0.0:
        return "none"
    low, high = NACL_CHLORIDE_RANGE
    return "NaCl" if low <= chloride_fraction <= high else ""


@dataclass(frozen=True)
class Fraction:
    """A share of a material's mass as it lies: estimate, standard uncertainty, basis.

    NaN where it can't be known; the basis then says what is missing.
    """

    value: float
    u: float
    basis: Remark


def _unknown(basis: Remark) -> Fraction:
    return Fraction(np.nan, np.nan, basis)


def _stated(material: Any, name: str) -> Fraction | None:
    """A fraction that the table states, or that a blend's parts gave."""
    value = float(getattr(material, name, np.nan))
    if np.isnan(value):
        return None
    u = float(getattr(material, f"{name}_u", np.nan))
    from_parts = name in getattr(material, BLENDED, ())
    basis = remark("from_parts") if from_parts else remark("as_stated")
    return Fraction(value, 0.0 if np.isnan(u) else u, basis)


def _as_bought(material: Any) -> tuple[float, float, Remark]:
    """Share of pure salt in road salt: estimate, relative standard uncertainty, how it is said.

    Purity and moisture that nobody states are taken as anywhere in their range (JCGM 100:2008,
    4.3.7: rectangular).
    """
    moisture = float(material.moisture_pct) / 100.0
    dry, dry_u = (1.0 - moisture, 0.0)
    if np.isnan(moisture):
        dry, dry_u = 1.0 - sum(MOISTURE) / 2.0, (MOISTURE[1] - MOISTURE[0]) / 12.0**0.5
    pure, pure_u = sum(PURITY) / 2.0, (PURITY[1] - PURITY[0]) / 12.0**0.5
    said = (
        remark("dry_share", share=dry)
        if dry_u == 0.0
        else remark("dry_shares", low=1.0 - MOISTURE[1], high=1.0 - MOISTURE[0])
    )
    return pure * dry, float(np.hypot(pure_u / pure, dry_u / dry)), said


def chloride_fraction(material: Any) -> Fraction:
    """Chloride in a material.

    Parameters
    ----------
    material : a row of the materials: kind, chemical, chloride_fraction, moisture_pct; where they
        are known chemical_fraction and the standard uncertainties of both fractions.

    Returns
    -------
    Fraction. A stated one is taken as it is; else it follows from the dry chemical, else from the
    formula of sodium chloride with the usual purity and moisture.
    """
    stated = _stated(material, "chloride_fraction")
    if stated is not None:
        return stated
    if material.chemical == "none":
        return Fraction(0.0, 0.0, remark("no_salt"))
    if getattr(material, PARTS, ()):
        return _unknown(remark("part_unknown"))
    if material.chemical not in CHLORIDE_ATOMS:
        return _unknown(remark("chemical_unknown"))
    strength = _stated(material, "chemical_fraction")
    if strength is not None:
        share = chloride_in(material.chemical)
        return Fraction(
            strength.value * share, strength.u * share, remark("from_chemical", chloride=share)
        )
    if material.kind == "liquid" or material.chemical != "NaCl":
        return _unknown(remark("strength_unknown"))
    pure, relative_u, said = _as_bought(material)
    value = chloride_in("NaCl") * pure
    basis = remark(
        "from_formula",
        chloride=chloride_in("NaCl"),
        pure_lo=PURITY[0],
        pure_hi=PURITY[1],
        dry=said,
    )
    return Fraction(value, value * relative_u, basis)


def chemical_fraction(material: Any) -> Fraction:
    """Dry chemical in a material.

    Parameters
    ----------
    material : as `chloride_fraction` takes it.

    Returns
    -------
    Fraction. A stated one is taken as it is; sand has none; else it follows from the chloride and
    the formula of the salt, else for solid sodium chloride from the usual purity and moisture.
    """
    stated = _stated(material, "chemical_fraction")
    if stated is not None:
        return stated
    chloride = _stated(material, "chloride_fraction")
    chemical = chemical_of(
        str(getattr(material, "chemical", "")), np.nan if chloride is None else chloride.value
    )
    if chemical == "none":
        return Fraction(0.0, 0.0, remark("no_salt"))
    if getattr(material, PARTS, ()):
        return _unknown(remark("part_unknown"))
    if chemical not in CHLORIDE_ATOMS:
        return _unknown(remark("chemical_unknown"))
    if chloride is not None:
        share = chloride_in(chemical)
        value = min(chloride.value / share, 1.0)
        return Fraction(value, chloride.u / share, remark("from_chloride", chloride=share))
    if material.kind == "liquid" or chemical != "NaCl":
        return _unknown(remark("strength_unknown"))
    pure, relative_u, said = _as_bought(material)
    basis = remark("from_purity", pure_lo=PURITY[0], pure_hi=PURITY[1], dry=said)
    return Fraction(pure, pure * relative_u, basis)


def is_salt(material: Any) -> bool:
    """Whether a material is salt as it is bought, and no mix of sand with some salt.

    ``material`` : a row of the materials. A solid of sodium chloride whose fractions, where it has
    any, are those of rock salt.
    """
    chloride = _stated(material, "chloride_fraction")
    strength = _stated(material, "chemical_fraction")
    least = NACL_CHLORIDE_RANGE[0]
    chemical = chemical_of(str(material.chemical), np.nan if chloride is None else chloride.value)
    mixed = chloride is not None and chloride.value < least
    mixed |= strength is not None and strength.value < least / chloride_in("NaCl")
    unknown = bool(getattr(material, PARTS, ())) and chloride is None and strength is None
    return bool(material.kind == "solid" and chemical == "NaCl" and not mixed and not unknown)


def rated_fraction(material: Any) -> float:
    """Mass of a material that counts as dry chemical where a rate or a cap is meant by it.

    FHWA-RD-95-202 (Manual of Practice for an Effective Anti-icing Program, 1996, appendix C; from
    memory) reckons a solid chemical by its weight and a liquid by the dry chemical in it. So salt
    as it is bought counts wholly, unless its chemical_fraction is stated: an assumed purity never
    loosens a cap. NaN where not known.
    """
    if is_salt(material) and _stated(material, "chemical_fraction") is None:
        return 1.0
    return chemical_fraction(material).value


def price_per_ton(material: Any) -> float:
    """Price of a short ton; of a liquid from its price a gallon and density. NaN if not known."""
    if material is None:
        return float("nan")
    if np.isnan(material.cost_per_ton) and material.kind == "liquid":
        return float(material.cost_per_gal / material.density_lb_gal * POUNDS_PER_TON)
    return float(material.cost_per_ton)


# --- blends --------------------------------------------------------------------------------------


def with_parts(materials: pd.DataFrame, blends: pd.DataFrame) -> pd.DataFrame:
    """Materials with what follows from the parts of blends.

    Parameters
    ----------
    materials : the table of materials, one row each.
    blends : material, part, share (by mass). A blend may be a part of another.

    Returns
    -------
    ``materials`` with `PARTS` and `BLENDED`, and of each blend, where it states none: chemical (of
    the part that brings most of it), chemical_fraction and chloride_fraction with their standard
    uncertainties, density_lb_gal of a liquid, bulk_density_lb_ft3 of a solid, cost_per_ton. NaN
    where a part's is not known, or where parts go round in a circle.

    Masses add up. Volumes of liquids add up as if nothing shrank; so do those of solids as they
    lie, as if no grain filled the gaps between others; liquid lies in the gaps of a solid.
    """
    parts = _shares(blends)
    known = {str(one.material): one for one in lines(materials)}
    found = {name: _Blend(known, parts).of(name) for name in known}
    table = materials.copy()
    for name in _FILLED:
        table[name] = [one.get(name, getattr(known[key], name)) for key, one in found.items()]
    names = table["material"].astype(str)
    table[PARTS] = pd.Series([parts.get(name, ()) for name in names], table.index, dtype=object)
    table[BLENDED] = pd.Series([tuple(found[name]) for name in names], table.index, dtype=object)
    return table


_FILLED: Final = (
    "chemical",
    "chemical_fraction",
    "chemical_fraction_u",
    "chloride_fraction",
    "chloride_fraction_u",
    "density_lb_gal",
    "bulk_density_lb_ft3",
    "cost_per_ton",
)
Parts = tuple[tuple[str, float], ...]


def _shares(blends: pd.DataFrame) -> dict[str, Parts]:
    """Parts of each blend, their shares scaled to add up to 1."""
    found: dict[str, list[tuple[str, float]]] = {}
    for one in lines(blends):
        found.setdefault(str(one.material), []).append((str(one.part), float(one.share)))
    return {
        name: tuple((part, share / sum(one for _, one in parts)) for part, share in parts)
        for name, parts in found.items()
        if sum(one for _, one in parts) > 0.0
    }


@dataclass(frozen=True)
class _Blend:
    """What follows from parts; ``known`` : rows of the materials by name."""

    known: Mapping[str, Any]
    parts: Mapping[str, Parts]

    def of(self, name: str) -> dict[str, Any]:
        """The columns of a blend that it does not state itself."""
        if name not in self.parts:
            return {}
        row, found = self.known[name], dict[str, Any]()
        if not row.chemical:
            found["chemical"] = self._main_chemical(name)
        for fraction in ("chemical_fraction", "chloride_fraction"):
            if _stated(row, fraction) is None:
                value, u = self._fraction(name, fraction)
                found |= {fraction: value, f"{fraction}_u": u}
        if row.kind == "liquid" and np.isnan(row.density_lb_gal):
            found["density_lb_gal"] = self._density(name, ())
        if row.kind == "solid" and np.isnan(row.bulk_density_lb_ft3):
            found["bulk_density_lb_ft3"] = self._bulk_density(name, ())
        if np.isnan(price_per_ton(row)):
            found["cost_per_ton"] = self._price(name, ())
        return {
            key: value for key, value in found.items() if isinstance(value, str) or value == value
        }

    def _leaves(self, name: str, states: str, above: tuple[str, ...] = ()) -> dict[str, float]:
        """Share of every part that states a column, or has no parts; {} for a circle."""
        found: dict[str, float] = {}
        for part, share in self.parts[name]:
            if part in (*above, name) or part not in self.known:
                return {"": np.nan}
            inner = {part: 1.0}
            if part in self.parts and _stated(self.known[part], states) is None:
                inner = self._leaves(part, states, (*above, name))
            for leaf, of_part in inner.items():
                found[leaf] = found.get(leaf, 0.0) + share * of_part
        return found

    def _fraction(self, name: str, fraction: str) -> tuple[float, float]:
        """A fraction and its standard uncertainty; different parts err independently."""
        work = {"chemical_fraction": chemical_fraction, "chloride_fraction": chloride_fraction}
        value, variance = 0.0, 0.0
        for leaf, share in self._leaves(name, fraction).items():
            if not leaf:
                return np.nan, np.nan
            own = work[fraction](self.known[leaf])
            value += share * own.value
            variance += (share * own.u) ** 2
        return value, float(np.sqrt(variance))

    def _main_chemical(self, name: str) -> str:
        """The chemical of the part that brings most of it; "" where a part's is not known."""
        mass: dict[str, float] = {}
        for leaf, share in self._leaves(name, "chemical_fraction").items():
            if not leaf:
                return ""
            row = self.known[leaf]
            chemical = chemical_of(str(row.chemical), float(row.chloride_fraction))
            if not chemical:
                return ""
            strength = chemical_fraction(row).value
            if chemical != "none":
                mass[chemical] = mass.get(chemical, 0.0) + share * strength
        return max(mass, key=lambda one: mass[one]) if mass else "none"

    def _density(self, name: str, above: tuple[str, ...]) -> float:
        """Pounds in a gallon of a liquid whose parts are liquids."""
        row = self.known.get(name)
        if row is None or row.kind != "liquid" or name in above:
            return np.nan
        if not np.isnan(row.density_lb_gal) or name not in self.parts:
            return float(row.density_lb_gal)
        gal = [share / self._density(part, (*above, name)) for part, share in self.parts[name]]
        return 1.0 / sum(gal)

    def _bulk_density(self, name: str, above: tuple[str, ...]) -> float:
        """Pounds in a cubic foot as it lies; liquid lies in the gaps and takes no room."""
        row = self.known.get(name)
        if row is None or name in above:
            return np.nan
        if row.kind == "liquid":
            return np.inf
        if not np.isnan(row.bulk_density_lb_ft3) or name not in self.parts:
            return float(row.bulk_density_lb_ft3)
        ft3 = [share / self._bulk_density(part, (*above, name)) for part, share in self.parts[name]]
        return 1.0 / sum(ft3) if sum(ft3) != 0.0 else np.nan

    def _price(self, name: str, above: tuple[str, ...]) -> float:
        """Price of a ton; what mixing costs is not in it."""
        row = self.known.get(name)
        if row is None or name in above:
            return np.nan
        own = price_per_ton(row)
        if not np.isnan(own) or name not in self.parts:
            return own
        return float(
            sum(share * self._price(part, (*above, name)) for part, share in self.parts[name])
        )
