"""Dry chemical of brine, salt and mixes beside published figures."""

from __future__ import annotations

import pandas as pd
import pytest

from spreadplan.frames import lines
from spreadplan.materials import (
    chemical_fraction,
    chloride_fraction,
    rated_fraction,
    with_parts,
)

NAN = float("nan")
WATER_LB_GAL = 8.338
"""Mass of a US gallon of water at 15 C (from memory; 8.345 at 4 C)."""
#: Lange's Handbook of Chemistry, 15th ed., McGraw-Hill, 1999, Table 5.13: sodium chloride, percent
#: by mass and specific gravity at 15 C.
LANGE_23_3 = (23.3, 1.179)


def table(*rows: dict[str, object]) -> pd.DataFrame:
    numbers = (
        "bulk_density_lb_ft3 density_lb_gal chemical_fraction chemical_fraction_u "
        "chloride_fraction chloride_fraction_u moisture_pct cost_per_ton cost_per_gal"
    )
    usual = dict.fromkeys(numbers.split(), NAN) | {"chemical": ""}
    return pd.DataFrame([usual | row for row in rows])


def brine_and_salt() -> pd.DataFrame:
    strength, gravity = LANGE_23_3
    return table(
        {
            "material": "brine",
            "kind": "liquid",
            "density_lb_gal": gravity * WATER_LB_GAL,
            "chemical_fraction": strength / 100.0,
            "chemical": "NaCl",
        },
        {"material": "salt", "kind": "solid", "chemical": "NaCl", "chemical_fraction": 1.0},
    )


def test_forty_gallons_of_brine_hold_92_lb_of_salt():
    """Turf magazine, Achieving liquidity in snow services, 2: 40 gal/acre of 23.3 % brine are 92 lb
    of salt per acre.
    """
    brine = next(lines(brine_and_salt()))
    solution = 40.0 * brine.density_lb_gal
    assert solution == pytest.approx(393.0, abs=0.5)
    assert solution * chemical_fraction(brine).value == pytest.approx(92.0, abs=0.5)


def test_a_liquid_counts_by_its_dry_chemical_and_a_solid_by_its_weight():
    """FHWA-RD-95-202, Manual of Practice for an Effective Anti-icing Program, 1996, appendix C: the
    dry chemical spread rate is for solids simply the weight of the chemical, for liquids the weight
    of dry chemical in solution (from memory).
    """
    rows = brine_and_salt().assign(chemical_fraction=[0.233, NAN])
    counted = [rated_fraction(one) for one in lines(rows)]
    assert counted == [0.233, 1.0]


def test_ten_gallons_on_a_ton_of_salt_bring_23_lb_of_salt():
    """10 gal x 1.179 x 8.338 lb/gal x 0.233 = 22.9 lb, 1.15 % of a ton (worked by hand)."""
    on_a_ton = 10.0 * 1.179 * WATER_LB_GAL
    share = on_a_ton / (2000.0 + on_a_ton)
    materials = pd.concat(
        [brine_and_salt(), table({"material": "wet", "kind": "solid"})], ignore_index=True
    )
    parts = pd.DataFrame(
        [("wet", "salt", 1.0 - share), ("wet", "brine", share)],
        columns=["material", "part", "share"],
    )
    wet = list(lines(with_parts(materials, parts)))[-1]
    salt_lb = chemical_fraction(wet).value * (2000.0 + on_a_ton)
    assert salt_lb - 2000.0 == pytest.approx(22.9, abs=0.05)


def test_chloride_and_chemical_follow_from_each_other():
    """IUPAC standard atomic weights: sodium chloride is 60.66 % chloride."""
    rows = table(
        {"material": "a", "kind": "solid", "chemical": "NaCl", "chloride_fraction": 0.588},
        {"material": "b", "kind": "liquid", "chemical": "NaCl", "chemical_fraction": 0.233},
    )
    first, second = lines(rows)
    assert chemical_fraction(first).value == pytest.approx(0.588 / 0.6066, rel=1e-4)
    assert chloride_fraction(second).value == pytest.approx(0.233 * 0.6066, rel=1e-4)


def test_a_mix_is_its_parts():
    """Sand with 10 % of salt at 75 lb/ft3 in sand of 100 lb/ft3: volumes without filling of voids.

    1 lb takes 0.1 / 75 + 0.9 / 100 ft3, so a cubic foot weighs 96.77 lb.
    """
    materials = table(
        {
            "material": "salt", "kind": "solid", "chemical": "NaCl", "chemical_fraction": 0.97,
            "chemical_fraction_u": 0.01, "bulk_density_lb_ft3": 75.0, "cost_per_ton": 80.0,
        },
        {
            "material": "sand", "kind": "solid", "chemical": "none",
            "bulk_density_lb_ft3": 100.0, "cost_per_ton": 20.0,
        },
        {"material": "mix", "kind": "solid"},
        {"material": "double", "kind": "solid"},
    )  # fmt: skip
    parts = pd.DataFrame(
        [
            ("mix", "salt", 0.1),
            ("mix", "sand", 0.9),
            ("double", "mix", 0.5),
            ("double", "salt", 0.5),
        ],
        columns=["material", "part", "share"],
    )
    found = {one.material: one for one in lines(with_parts(materials, parts))}
    mix, double = found["mix"], found["double"]
    assert mix.bulk_density_lb_ft3 == pytest.approx(1.0 / (0.1 / 75.0 + 0.9 / 100.0))
    assert mix.cost_per_ton == pytest.approx(26.0)
    assert mix.chemical == "NaCl"
    assert (mix.chemical_fraction, mix.chemical_fraction_u) == pytest.approx((0.097, 0.001))
    assert mix.chloride_fraction == pytest.approx(0.097 * 0.6066, rel=1e-4)
    # a blend of a blend: 0.05 + 0.5 of salt, whose error is the same in both
    assert double.chemical_fraction == pytest.approx(0.55 * 0.97)
    assert double.chemical_fraction_u == pytest.approx(0.55 * 0.01)
