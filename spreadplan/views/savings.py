"""What better practice saves, as the reports and the page of the season show it."""

from __future__ import annotations

import pandas as pd

from spreadplan.frames import lines
from spreadplan.season.savings import BORROWED, MEASURED, TO_GAIN
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import NOTHING
from spreadplan.views.season_view import tons, tons_range
from spreadplan.views.voice import Voice
from spreadplan.views.words import term


def savings_rows(savings: pd.DataFrame, voice: Voice) -> list[dict[str, str]]:
    """The table of savings; ``savings`` : see `season.savings.savings`."""
    shown = voice.display
    return [
        {
            "state": term("saving_state", one.state).words,
            "practice": term("practice", one.practice).words,
            "material": voice.material(one.material),
            "known": term("known_from", one.known).words,
            "base": tons(one.base_ton, shown),
            "saved": tons(one.saved_ton, shown),
            "ends": tons_range(one.saved_lo_ton, one.saved_hi_ton, shown),
            "liquid": shown.number(one.liquid_gal, "volume") if one.liquid_gal > 0.0 else NOTHING,
            "money": shown.money(one.money),
            "money_ends": shown.money_range(one.money_lo, one.money_hi),
            "basis": one.basis,
            "source": one.source,
        }
        for one in lines(savings)
    ]


def gain_cards(savings: pd.DataFrame, voice: Voice) -> list[dict[str, str]]:
    """What is still to gain at a glance: what was measured, and what is borrowed, each apart."""
    gain = savings[savings["state"] == TO_GAIN]
    cards, shown = [], voice.display
    for known, what in (
        (MEASURED, "still to gain, measured"),
        (BORROWED, "by a borrowed percentage"),
    ):
        rows = gain[gain["known"] == known]
        total = rows.groupby("material")["saved_ton"].sum().sort_values(ascending=False)
        if not len(total):
            continue
        said = [
            f"{shown.show(POUNDS_PER_TON * ton, 'bulk')} {voice.material(str(name))}"
            for name, ton in total.items()
        ]
        liquid = float(rows["liquid_gal"].sum())
        if liquid > 0.0:
            said.append(f"takes {shown.show(liquid, 'volume')} of liquid")
        value, _, first = said[0].partition(" ")
        cards.append({"what": what, "value": value, "more": ", ".join([f"of {first}", *said[1:]])})
    return cards
