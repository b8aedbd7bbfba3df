"""What `plan` does where a yard holds less than the storm takes: share it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final, TypeAlias

import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning import StormPlan
from spreadplan.remarks import Remark, remark
from spreadplan.runs.options import Options
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.voice import Voice

if TYPE_CHECKING:
    from spreadplan.season.allocation import Allocation

Shares: TypeAlias = "Mapping[str, Allocation]"
"""How each scarce material is shared, by material."""

TABLES: Final = {
    "plan_scarce": "rows",
    "plan_scarce_classes": "classes",
    "plan_scarce_yards": "yards",
    "plan_scarce_haul": "haul",
}


def share_scarce(plan: StormPlan, yards: pd.DataFrame) -> dict[str, Allocation]:
    """Share every material of which a yard is short; empty where nothing is.

    ``yards`` : yard_id, lon, lat.
    """
    # a liquid that only wets a solid decides no treatment: that it is short is a finding
    wetting = set(plan.segments.get("prewet_material", ())) - {""}
    short = plan.yards[(plan.yards["short_ton"] > 0.0) & ~plan.yards["material"].isin(wetting)]
    if short.empty:
        return {}
    from spreadplan.season.allocation import allocate, scarcity_of_plan  # late: slow to import

    return {
        str(material): allocate(scarcity_of_plan(plan.segments, plan.yards, yards, str(material)))
        for material in sorted(short["material"].unique())
    }


def scarce_tables(shares: Shares) -> dict[str, pd.DataFrame]:
    """The allocations as tables, with a column for the material; none without a shortage."""
    possible = {name: one for name, one in shares.items() if one.possible}
    if not possible:
        return {}
    return {
        table: pd.concat(
            [getattr(one, field).assign(material=name) for name, one in possible.items()],
            ignore_index=True,
        )
        for table, field in TABLES.items()
    }


def say_scarce(shares: Shares, voice: Voice, options: Options) -> None:
    """Say what each service class gives up, and how much is hauled between yards."""
    for material, one in shares.items():
        for reason in one.reasons:
            options.say(voice.say(remark("sharing_impossible", material=material, why=reason)))
        if one.possible:
            options.say(voice.say(_shared(material, one)))


def _shared(material: str, one: Allocation) -> Remark:
    lost = [
        remark(
            "class_gives_up",
            name=row.service_class or remark("class_without_name"),
            given_up_lb=POUNDS_PER_TON * row.given_up_ton,
        )
        for row in lines(one.classes[one.classes["given_up_ton"] > 0.05])
    ]
    hauled = float(one.haul["ton"].sum()) if len(one.haul) else 0.0
    return remark(
        "material_shared",
        material=material,
        given_up=remark("each_lost", classes=lost) if lost else remark("nothing"),
        hauled_lb=POUNDS_PER_TON * hauled,
    )
