"""Strength of batches of brine: as a refractometer shows it, or from a hydrometer's reading.

A hydrometer shows the specific gravity at the temperature in the jar. It is brought to 59 F (15 C)
by the thermal expansion of the brine, and the table of Lange's Handbook turned round gives the
strength.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.metrology import Z95
from spreadplan.remarks import Remark, remark
from spreadplan.schema.results import RESULTS

Floats = NDArray[np.float64]

WANTED_PCT: Final = 23.3
"""The strength of salt brine that freezes last, percent by mass: Lange's Handbook of Chemistry,
15th ed., Table 5.13."""
TOLERANCE_PCT: Final = 0.5
"""A batch this far from it is accepted, points of percent. Common practice, no source."""
REFRACTOMETER_U_PCT: Final = 0.2
"""Standard uncertainty of a refractometer where none is given, points. Common practice, no
source."""
HYDROMETER_U: Final = 0.001
"""Standard uncertainty of a hydrometer's specific gravity where none is given: half a division of
0.002. Common practice, no source."""
EXPANSION_PER_F: Final = 2.4e-4
"""Volume expansion of brine of 20 to 24 % near 60 F, for each degree F. From memory: about 4.3e-4
for each degree C."""
TABLE_F: Final = 59.0
JAR_F: Final = 60.0
"""Temperature that is taken where none is given."""

NACL_GRAVITY: Final[tuple[tuple[float, float], ...]] = (
    (0.0, 1.000), (1.0, 1.007), (2.0, 1.014), (3.0, 1.021), (4.0, 1.028), (5.0, 1.036),
    (6.0, 1.043), (7.0, 1.051), (8.0, 1.059), (9.0, 1.067), (15.0, 1.112), (16.0, 1.119),
    (17.0, 1.127), (18.0, 1.135), (19.0, 1.143), (20.0, 1.152), (21.0, 1.159), (22.0, 1.168),
    (23.0, 1.176), (23.3, 1.179),
)  # fmt: skip
"""Percent of NaCl by mass and specific gravity at 59 F. Lange's Handbook of Chemistry, 15th ed.,
McGraw-Hill, 1999, Table 5.13; 10 to 14 % not read and left out."""
STRONGEST_PCT: Final = 26.4
"""Salt water holds no more near 60 F; above the table its last slope is gone on with. From
memory."""


def nacl_strength_pct(gravity: Floats, temperature_f: Floats) -> Floats:
    """Percent of NaCl by mass of a brine; NaN outside 0 to what water holds.

    Parameters
    ----------
    gravity : specific gravity as read, water of 59 F being 1, shape (n,).
    temperature_f : of the brine, degrees F, shape (n,).

    Returns
    -------
    Percent by mass, shape (n,).

    Source: `NACL_GRAVITY`.

    >>> nacl_strength_pct(np.array([1.176]), np.array([59.0])).round(1).tolist()
    [23.0]
    """
    strength, known = np.array(NACL_GRAVITY).T
    at_table = gravity * (1.0 + EXPANSION_PER_F * (temperature_f - TABLE_F))
    # the table is rounded to 0.001: its slope above 20 % is taken over several rows
    slope = (strength[-1] - strength[-4]) / (known[-1] - known[-4])
    beyond = np.maximum(at_table - known[-1], 0.0) * slope
    found = np.interp(at_table, known, strength) + beyond
    reading = 0.0015  # half a division below water is water
    outside = (at_table < known[0] - reading) | (found > STRONGEST_PCT)
    return np.where(outside, np.nan, found)


def brine_table(batches: pd.DataFrame, materials: pd.DataFrame) -> pd.DataFrame:
    """Strength of each batch and whether it is accepted.

    Parameters
    ----------
    batches : the workspace's ``brine_batches``.
    materials : the columns `material` and `chemical` of the workspace's table.

    Returns
    -------
    As ``brine`` in `spreadplan.schema.results`: verdict "accepted", "too_weak", "too_strong", "not
    shown" where the reading is too coarse to tell, "not_judged" where no table fits the chemical.
    """
    chemical = dict(zip(materials["material"], materials["chemical"], strict=True))
    salt = batches["material"].map(chemical).eq("NaCl").to_numpy()
    read = batches["strength_pct"].to_numpy(dtype=float)
    gravity = batches["specific_gravity"].to_numpy(dtype=float)
    jar = batches["temperature_f"].fillna(JAR_F).to_numpy(dtype=float)
    given_u, given_gravity_u = (
        batches[name].to_numpy(dtype=float) for name in ("strength_u_pct", "specific_gravity_u")
    )
    by_gravity = np.isnan(read) & ~np.isnan(gravity)
    gravity_u = np.where(np.isnan(given_gravity_u), HYDROMETER_U, given_gravity_u)
    slope = (NACL_GRAVITY[-1][0] - NACL_GRAVITY[-4][0]) / (
        NACL_GRAVITY[-1][1] - NACL_GRAVITY[-4][1]
    )
    strength = np.where(by_gravity, nacl_strength_pct(gravity, jar), read)
    refractometer_u = np.where(np.isnan(given_u), REFRACTOMETER_U_PCT, given_u)
    u = np.where(by_gravity, slope * gravity_u, refractometer_u)
    verdict = _verdicts(strength, u, salt)
    return pd.DataFrame(
        {
            **{name: batches[name] for name in ("batch_id", "yard_id", "material", "made_at")},
            "volume_gal": batches["volume_gal"],
            "measured_by": np.where(by_gravity, "hydrometer", "refractometer"),
            "strength_pct": np.where(salt | ~by_gravity, strength, np.nan),
            "strength_u_pct": np.where(salt | ~by_gravity, u, np.nan),
            "wanted_pct": np.where(salt, WANTED_PCT, np.nan),
            "tolerance_pct": np.where(salt, TOLERANCE_PCT, np.nan),
            "verdict": verdict,
            "advice": [
                _advice(one, float(pct)) for one, pct in zip(verdict, strength, strict=True)
            ],
        },
        columns=RESULTS["brine"].names,
    )


def _verdicts(strength: Floats, u: Floats, salt: Any) -> NDArray[np.object_]:
    """Accepted where the reading is within the tolerance; wrong where its interval is outside."""
    off, half = strength - WANTED_PCT, Z95 * u
    conditions = [
        ~salt | np.isnan(strength),
        off + half < -TOLERANCE_PCT,
        off - half > TOLERANCE_PCT,
        np.abs(off) <= TOLERANCE_PCT,
    ]
    names = ["not_judged", "too_weak", "too_strong", "accepted"]
    return np.select(conditions, [np.array(one, dtype=object) for one in names], "not_shown")


def _advice(verdict: str, strength_pct: float) -> tuple[Remark, ...]:
    """What to do about a batch."""
    found, wanted = strength_pct, WANTED_PCT
    if verdict == "too_weak":
        return (remark("brine_too_weak", strength_pct=found, wanted_pct=wanted),)
    if verdict == "too_strong":
        return (remark("brine_too_strong", strength_pct=found, wanted_pct=wanted),)
    if verdict == "not_shown":
        return (remark("brine_not_shown", strength_pct=found, wanted_pct=wanted),)
    return (remark("brine_not_judged"),) if verdict == "not_judged" else ()
