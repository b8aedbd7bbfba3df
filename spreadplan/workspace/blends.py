"""What materials and their parts say together: each rule is one small function."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

import numpy as np
import pandas as pd

from spreadplan.errors import Problem
from spreadplan.frames import lines
from spreadplan.materials import CHLORIDE_ATOMS, SHARES_TOLERANCE, chloride_in

Tables = Mapping[str, pd.DataFrame]
Names = Mapping[str, str]


def shares_of_blends(tables: Tables, names: Names) -> Iterator[Problem]:
    """Shares that do not add up to 1."""
    if "blends" not in tables:
        return
    for material, parts in tables["blends"].groupby("material", sort=False):
        total = float(parts["share"].sum())
        # a share above 1, as 25 for 25 percent, is said where it stands
        if parts["share"].max() <= 1.0 and abs(total - 1.0) > SHARES_TOLERANCE + 1e-9:
            yield Problem(
                file=names["blends"],
                row=int(parts["row"].iloc[0]),
                column="share",
                what=f'the shares of "{material}" add up to {total:.4g}',
                remedy="make them add up to 1 by mass; 0.25 is 25 percent",
            )


def circles_of_blends(tables: Tables, names: Names) -> Iterator[Problem]:
    """A material that is, through its parts, a part of itself."""
    if "blends" not in tables:
        return
    blends = tables["blends"]
    parts: dict[str, list[str]] = {}
    for one in lines(blends):
        parts.setdefault(str(one.material), []).append(str(one.part))
    said: set[frozenset[str]] = set()
    for material in parts:
        circle = _circle(material, parts)
        if not circle or frozenset(circle) in said:
            continue
        said.add(frozenset(circle))
        here = (blends["material"] == circle[-2]) & (blends["part"] == circle[-1])
        yield Problem(
            file=names["blends"],
            row=int(blends.loc[here, "row"].iloc[0]),
            column="part",
            what=f"goes round in a circle: {' is made of '.join(circle)}",
            remedy="a blend cannot be a part of itself; name what it is mixed of",
        )


def _circle(start: str, parts: Mapping[str, list[str]]) -> list[str]:
    """The way through parts from a material back to itself; empty for none."""
    ways, seen = [[start]], {start}
    while ways:
        way = ways.pop()
        for part in parts.get(way[-1], ()):
            if part == start:
                return [*way, part]
            if part not in seen:
                seen.add(part)
                ways.append([*way, part])
    return []


def fractions_of_materials(tables: Tables, names: Names) -> Iterator[Problem]:
    """More chloride than the dry chemical can hold; an uncertainty of nothing."""
    if "materials" not in tables:
        return
    most = max(chloride_in(chemical) for chemical in CHLORIDE_ATOMS)
    for row in lines(tables["materials"]):
        share = chloride_in(row.chemical) if row.chemical in CHLORIDE_ATOMS else most
        # both figures are rounded
        if row.chloride_fraction > 1.02 * share * row.chemical_fraction:
            yield Problem(
                file=names["materials"],
                row=row.row,
                column="chloride_fraction",
                what=f"{row.chloride_fraction:.4g} is more chloride than "
                f"{row.chemical_fraction:.4g} of dry chemical can hold "
                f"({share * row.chemical_fraction:.4g})",
                remedy="check the two; both are shares of the material as it lies",
            )
        for name in ("chemical_fraction", "chloride_fraction"):
            if np.isnan(getattr(row, name)) and not np.isnan(getattr(row, f"{name}_u")):
                yield Problem(
                    file=names["materials"],
                    row=row.row,
                    column=f"{name}_u",
                    what=f"is given without {name}",
                    remedy=f"give {name} as well; the uncertainty is left out until then",
                    fatal=False,
                )


def prewet_liquids(tables: Tables, names: Names) -> Iterator[Problem]:
    """A prewetting liquid that is no liquid."""
    if "materials" not in tables:
        return
    kinds = dict(zip(tables["materials"]["material"], tables["materials"]["kind"], strict=True))
    for table in ("assignments", "storm_assignments"):
        for row in lines(tables[table]) if table in tables else ():
            if kinds.get(row.prewet_material) == "solid":
                yield Problem(
                    file=names[table],
                    row=row.row,
                    column="prewet_material",
                    what=f'"{row.prewet_material}" is a solid in {names["materials"]}',
                    remedy="name the liquid that is put on the solid",
                )


BLEND_RULES: tuple[Callable[[Tables, Names], Iterator[Problem]], ...] = (
    shares_of_blends,
    circles_of_blends,
    fractions_of_materials,
    prewet_liquids,
)
