"""Mass, prewetting and liquid, each sum with a 95 % interval that knows what is common.

What a truck's calibration is wrong by is the same wherever it spreads with that material and gate,
so it does not average out; the difference between one run and the next is common within a run and
independent between runs; different trucks are independent. Masses in lb.

Method: JCGM 100:2008 (GUM), 5.2 (correlated input quantities) and G.4 (effective degrees of
freedom).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.metrology import coverage_factor
from spreadplan.planning.serving import COMMON_U
from spreadplan.units import POUNDS_PER_TON

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Interval:
    """Masses and the ends of their 95 % intervals, never below 0; arrays of one shape."""

    mass_lb: Floats
    lo_lb: Floats
    hi_lb: Floats


def mass_interval(mass_lb: Floats, u_lb: Floats, dof: Floats) -> Interval:
    """The 95 % interval of masses.

    Parameters
    ----------
    mass_lb : estimates, shape (n,).
    u_lb : their standard uncertainties, >= 0, shape (n,).
    dof : their degrees of freedom, > 0, shape (n,); infinite for normal errors.

    Returns
    -------
    Interval, lb, shape (n,); its lower ends are never below 0.

    Source: JCGM 100:2008, G.3.
    """
    half = coverage_factor(dof) * u_lb
    return Interval(mass_lb, np.maximum(mass_lb - half, 0.0), mass_lb + half)


def planned_mass_lb(rows: pd.DataFrame) -> Floats:
    """Mass of each row: as achieved where the truck can do it, else as the target asks.

    NaN without a rate. ``rows``: status, lane_miles, target_ and achieved_rate_lb_per_lane_mile.
    """
    as_set = rows["status"].isin(["ok", "extrapolated"])
    rate = rows["target_rate_lb_per_lane_mile"].where(
        ~as_set, rows["achieved_rate_lb_per_lane_mile"]
    )
    return (rate * rows["lane_miles"]).to_numpy()


def row_intervals(rows: pd.DataFrame) -> Interval:
    """The interval of each row alone. ``rows``: mass_lb, `COMMON_U`, relative_run_u, dof."""
    mass = rows["mass_lb"].to_numpy()
    relative = np.sqrt((rows[[*COMMON_U, "relative_run_u"]].to_numpy() ** 2).sum(axis=1))
    return mass_interval(mass, mass * relative, rows["dof"].to_numpy())


def summed_intervals(rows: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Masses summed over groups, with intervals.

    Parameters
    ----------
    rows : columns of ``by`` and mass_lb, `COMMON_U`, relative_run_u, dof, run, truck_id, material,
        gate_in. Rows without a mass are left out of the sums.

    Returns
    -------
    DataFrame with index ``by``, sorted: mass_lb, mass_lo_lb, mass_hi_lb.
    """
    mass = rows["mass_lb"].to_numpy()
    parts = {name: mass * rows[name].to_numpy() for name in (*COMMON_U, "relative_run_u")}
    work = rows[[*dict.fromkeys([*by, "truck_id", "material", "run", "dof"])]].assign(
        # a truck without tests has no gate, and NaN would drop out of the groups
        gate=rows["gate_in"].fillna(-1.0),
        mass=mass,
        **parts,
    )
    model = list(dict.fromkeys([*by, "truck_id", "material", "gate"]))
    sums = dict.fromkeys(("mass", *parts), "sum") | {"dof": "first"}
    runs = work.groupby(list(dict.fromkeys([*model, "run"])), sort=True).agg(sums)
    runs["relative_run_u"] **= 2
    trucks = runs.groupby(level=model, sort=True).agg(sums)
    trucks["variance"] = trucks["relative_run_u"] + (trucks[list(COMMON_U)] ** 2).sum(axis=1)
    trucks["spread"] = trucks["variance"] ** 2 / trucks["dof"]
    total = trucks.groupby(level=by, sort=True)[["mass", "variance", "spread"]].sum()
    variance, spread = total["variance"].to_numpy(), total["spread"].to_numpy()
    dof = np.divide(variance**2, spread, out=np.full(len(total), np.inf), where=spread > 0)
    found = mass_interval(total["mass"].to_numpy(), np.sqrt(variance), dof)
    return pd.DataFrame(
        {"mass_lb": found.mass_lb, "mass_lo_lb": found.lo_lb, "mass_hi_lb": found.hi_lb},
        index=total.index,
    )


def prewet_gal(rows: pd.DataFrame) -> Floats:
    """Prewetting liquid of each row: gallons per ton times tons of solid, shape (n,)."""
    gallons = rows["prewet_gal_per_ton"] * rows["mass_lb"] / POUNDS_PER_TON
    return gallons.to_numpy(dtype=float)


def chemical_lb(rows: pd.DataFrame) -> Floats:
    """Dry chemical of each row, the named prewetting liquid included, shape (n,).

    ``rows``: mass_lb, and chemical_lb_per_lb as `wetting.with_wetting` adds it. NaN where the mass
    or the chemical of the material is not known.
    """
    mass = rows["mass_lb"] * rows["chemical_lb_per_lb"]
    return mass.to_numpy(dtype=float)


def liquid_gal(rows: pd.DataFrame, materials: pd.DataFrame) -> Floats:
    """Volume of each row where the material is a liquid, NaN for solids and unknown density."""
    liquids = materials[materials["kind"] == "liquid"]
    density: Mapping[str, float] = dict(
        zip(liquids["material"], liquids["density_lb_gal"], strict=True)
    )
    return (rows["mass_lb"] / rows["material"].map(density).astype(float)).to_numpy(dtype=float)
