"""Tables of materials and of their parts.

Limits as in `schema.tables`: they catch slips of the pen and wrong units.
"""

from __future__ import annotations

from spreadplan.schema.columns import Table, choice, ident, number, quantity, text

CHEMICALS = ("NaCl", "CaCl2", "MgCl2", "none")

MATERIALS = Table(
    name="materials",
    file="materials.csv",
    meaning="what the trucks spread",
    columns=(
        ident("material", "name of the material, used in all other files", example="road_salt"),
        text("name", "what people call it; else its key is read as words", example="Road salt"),
        choice("kind", "solid or liquid", ("solid", "liquid")),
        quantity(
            "bulk_density",
            "bulk_density",
            "mass of a cubic foot as it lies in the hopper",
            required=False,
            low=5,
            high=250,
            example="75",
        ),
        quantity(
            "density",
            "liquid_density",
            "mass of a gallon (liquids)",
            required=False,
            low=6,
            high=20,
        ),
        number(
            "chloride_fraction",
            "mass of chloride in a mass of the material as weighed",
            required=False,
            low=0,
            high=0.8,
            example="0.588",
        ),
        number(
            "chloride_fraction_u",
            "standard uncertainty of it",
            required=False,
            low=0,
            high=0.4,
        ),
        number(
            "chemical_fraction",
            "mass of the dry chemical in a mass of the material as it lies: 0.233 for a brine of "
            "23.3 percent",
            required=False,
            low=0,
            high=1,
        ),
        number(
            "chemical_fraction_u",
            "standard uncertainty of it",
            required=False,
            low=0,
            high=0.5,
        ),
        number(
            "moisture_pct",
            "water in the material, percent of the mass as weighed",
            required=False,
            low=0,
            high=100,
            example="1.5",
        ),
        quantity(
            "cost_per", "price_per_mass", "price of a ton (solids)", required=False, example="78.50"
        ),
        quantity("cost_per", "price_per_volume", "price of a gallon (liquids)", required=False),
        choice(
            "chemical",
            "what melts: NaCl, CaCl2, MgCl2, or none (sand)",
            CHEMICALS,
            required=False,
            example="NaCl",
        ),
    ),
    key=("material",),
)

BLENDS = Table(
    name="blends",
    file="blends.csv",
    meaning="what materials are mixed of; the shares of a material add up to 1",
    columns=(
        ident("material", "the blend, a material of materials.csv", example="winter_mix"),
        ident("part", "another material of materials.csv", example="road_salt"),
        number(
            "share",
            "mass of the part in a mass of the blend: 0.25 for 25 percent",
            low=0,
            above=True,
            high=1,
            example="0.25",
        ),
    ),
    key=("material", "part"),
)
