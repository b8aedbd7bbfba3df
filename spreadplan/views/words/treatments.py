"""What is in materials, how wet they are spread, and which mass a figure is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from spreadplan.views.words.term import Term

WORDS: Final[Mapping[str, str]] = {
    # --- dry chemical and chloride of a material ---
    "from_parts": "from its parts in blends.csv",
    "part_unknown": "not known: a part of the blend states neither of chemical_fraction and "
    "chloride_fraction",
    "from_chloride": "from its chloride_fraction, of which the dry chemical holds {chloride:.4f}",
    "from_chemical": "from its chemical_fraction, which holds {chloride:.4f} of chloride",
    "from_purity": "purity {pure_lo:g} to {pure_hi:g} x dry share {dry}",
    # --- rates and how wet the material is ---
    "rates_of_routes": "rates of {routes:names}",
    "rate_reduced": "a rate for dry material: {less_pct:.3g} % less, since the material is wetted",
    "of_solution": "the rate is of the liquid as it is, not of its dry chemical",
    "rate_less_liquid": "the rate counts the liquid: this is its part of the solid",
    "liquid_not_named": "the rate counts the liquid, but nobody says which liquid it is",
    "name_the_liquid": (
        "name it as prewet_material in assignments.csv; until then the whole rate is spread as "
        "solid"
    ),
    # --- prewetting liquid against what was set ---
    "liquid_missing": (
        "{mass_lb:bulk} of {material:material} were to get {set_gal:volume} of prewetting liquid; "
        "{put_gal:volume} ran"
    ),
    "look_at_prewet": (
        "look for an empty tank, a clogged nozzle or strainer, a pump that stands still; spread "
        "dry, a rate meant for wetted material may have been too little"
    ),
    "look_at_liquid_setting": "check the liquid setting of the controller against the assignment",
}
TERMS: Final[Mapping[str, Mapping[str, Term]]] = {
    "prewet_verdict": {
        "dry": Term("no liquid ran", "bad"),
        "too_little": Term("too little liquid", "warn"),
        "too_much": Term("too much liquid", "warn"),
        "not_told": Term("not told", "none"),
        "as_set": Term("as set", "good"),
        "not_set": Term("none set", "none"),
    },
}
