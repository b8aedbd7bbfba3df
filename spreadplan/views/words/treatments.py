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
}
TERMS: Final[Mapping[str, Mapping[str, Term]]] = {}
