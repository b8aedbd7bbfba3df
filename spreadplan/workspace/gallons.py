"""Amounts of liquids that files give in gallons, as masses: by the density of the liquid."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.errors import Problem

AMOUNTS: Final[Mapping[str, str]] = {
    "stock_counts": "on_hand",
    "deliveries": "net",
    "loads": "net",
    "returns": "net",
}
"""The tables whose rows give a mass or, of a liquid, a volume, and the quantity."""


def in_pounds(
    tables: Mapping[str, pd.DataFrame], names: Mapping[str, str], materials: pd.DataFrame | None
) -> tuple[dict[str, pd.DataFrame], list[Problem]]:
    """Tables with every volume as a mass, and what is wrong with amounts.

    Parameters
    ----------
    tables : some of `AMOUNTS` among them; each has its quantity in lb and in gal.
    names : table → name of its file.
    materials : material, kind, density_lb_gal; None where they were not read.

    Returns
    -------
    The changed tables, and the problems: a row without an amount or with two, gallons of a solid.
    """
    changed, problems = {}, []
    for name, quantity in AMOUNTS.items():
        if name not in tables:
            continue
        frame = tables[name]
        pounds, gallons = f"{quantity}_lb", f"{quantity}_gal"
        mass, volume = (frame[one].to_numpy(dtype=float) for one in (pounds, gallons))
        density = np.full(len(frame), np.nan)
        if materials is not None:
            liquids = materials[materials["kind"] == "liquid"]
            known = dict(zip(liquids["material"], liquids["density_lb_gal"], strict=True))
            density = frame["material"].map(known).to_numpy(dtype=float)
        by_volume = ~np.isnan(volume) & np.isnan(mass)

        def problem(at: Any, what: str, remedy: str, *, column: str, table: str = name) -> Problem:
            row = int(tables[table]["row"].iloc[at])
            return Problem(file=names[table], row=row, column=column, what=what, remedy=remedy)

        missing = np.isnan(volume) & np.isnan(mass)
        if "buckets" in frame:
            missing[:] = False  # a ticket may count buckets, see `tickets`
        if missing.all() and len(frame):
            what, remedy = "column is missing", f"add {pounds}, or of liquids {gallons}"
            said = Problem(file=names[name], row=1, column=quantity, what=what, remedy=remedy)
            problems.append(said)
            continue
        for at in np.flatnonzero(missing):
            remedy = f"give the mass, or of a liquid {gallons}"
            problems.append(problem(at, "is empty", remedy, column=quantity))
        for at in np.flatnonzero(~np.isnan(volume) & ~np.isnan(mass)):
            what = "is given as a mass and as a volume"
            problems.append(problem(at, what, "keep one of them", column=quantity))
        if materials is not None:
            for at in np.flatnonzero(by_volume & np.isnan(density)):
                what = f'"{frame["material"].iloc[at]}" is no liquid with a density'
                remedy = f"give its mass, or kind and density in {names['materials']}"
                problems.append(problem(at, what, remedy, column=gallons))
        changed[name] = frame.assign(**{pounds: np.where(by_volume, volume * density, mass)})
    return changed, problems
