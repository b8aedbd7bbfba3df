"""Tickets and counts as they are: masses from buckets, and brought to the material's moisture."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Final

import pandas as pd

from spreadplan.buckets import bucket_table, with_masses
from spreadplan.errors import Problem
from spreadplan.frames import lines
from spreadplan.units import POUNDS_PER_KILOGRAM

Tables = Mapping[str, pd.DataFrame]
Names = Mapping[str, str]

TICKETS: Final = ("loads", "returns")
#: tables whose masses may be of another moisture than the material's, with their columns
MOIST: Final = {"stock_counts": ("on_hand_lb", "on_hand_u_lb"), "deliveries": ("net_lb",)}


def amounts_of_tickets(tables: Tables, names: Names) -> Iterator[Problem]:
    """A ticket with neither a mass nor buckets."""
    for name in (one for one in TICKETS if one in tables):
        frame = tables[name]
        nothing = frame[["net_lb", "net_gal", "buckets"]].isna().all(axis=1)
        for row in lines(frame[nothing]):
            yield Problem(
                file=names[name],
                row=row.row,
                column="net",
                what="is empty",
                remedy="give net mass, of a liquid its volume, or how many buckets were counted",
            )


def moistures(tables: Tables, names: Names) -> Iterator[Problem]:
    """A mass with its moisture, of a material whose own moisture nobody gave."""
    if "materials" not in tables:
        return
    own = tables["materials"].set_index("material")["moisture_pct"].to_dict()
    for name in (one for one in MOIST if one in tables):
        rows = tables[name][tables[name]["moisture_pct"].notna()]
        for row in lines(rows[rows["material"].map(own).isna()].drop_duplicates("material")):
            yield Problem(
                file=names[name],
                row=row.row,
                column="moisture_pct",
                what=f'cannot be used: {names["materials"]} gives no moisture of "{row.material}"',
                remedy="give its moisture_pct there; until then the mass counts as it was weighed",
                fatal=False,
            )


TICKET_RULES: tuple[Callable[[Tables, Names], Iterator[Problem]], ...] = (
    amounts_of_tickets,
    moistures,
)


def at_own_moisture(name: str, frame: pd.DataFrame, materials: pd.DataFrame) -> pd.DataFrame:
    """Masses as they would be with the material's own moisture; the dry matter stays the same.

    Parameters
    ----------
    name : one of `MOIST`.
    frame : material, moisture_pct (percent of the mass as weighed; NaN: the material's own).
    materials : material, moisture_pct (NaN: not stated; nothing changes then).
    """
    own = frame["material"].map(materials.set_index("material")["moisture_pct"].to_dict())
    factor = (100.0 - frame["moisture_pct"]) / (100.0 - own.astype(float).where(own < 100.0))
    factor = factor.fillna(1.0)
    return frame.assign(**{column: frame[column] * factor for column in MOIST[name]})


def with_bucket_masses(
    storms: Mapping[str, dict[str, pd.DataFrame]],
    materials: pd.DataFrame | None,
    files: Callable[[str, str], str],
) -> Iterator[Problem]:
    """Fill, in place, the masses of tickets that only count buckets; yield what is assumed.

    files : storm and table → name of the file.
    """
    parts = [
        tables[name].assign(storm=storm, table=name)
        for storm, tables in storms.items()
        for name in TICKETS
        if name in tables
    ]
    whole = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame({"buckets": []})
    if not (whole["buckets"] > 0.0).any():
        return
    density: dict[str, float] = {}
    if materials is not None:
        stated = materials.set_index("material")["bulk_density_lb_ft3"]
        density = {str(name): float(value) for name, value in stated.items()}
    table = bucket_table(whole, density)
    for tables in storms.values():
        for name in (one for one in TICKETS if one in tables):
            tables[name] = with_masses(tables[name], table)
    lacking = whole[whole["net_lb"].isna() & (whole["buckets"] > 0.0)]
    for pile in lines(table[table["known"].isin(["others", "assumed"])]):
        rows = lacking[
            (lacking["yard_id"] == pile.yard_id) & (lacking["material"] == pile.material)
        ]
        if rows.empty:
            continue
        first = rows.iloc[0]
        mass = f"{pile.lb_per_bucket:,.0f} lb ({pile.lb_per_bucket / POUNDS_PER_KILOGRAM:,.0f} kg)"
        rests = "as in other yards" if pile.known == "others" else "as a bucket of 2 cubic yards"
        tickets = f"{len(rows)} ticket{'s' if len(rows) > 1 else ''}"
        what = (
            f'{tickets} of yard "{pile.yard_id}" count buckets of "{pile.material}", and no '
            f"weighed one tells what a bucket holds: {mass} is taken, {rests}, known to about "
            f"{200.0 * pile.u:.0f} % (95 %)"
        )
        yield Problem(
            file=files(str(first["storm"]), str(first["table"])),
            row=int(first["row"]),
            column="buckets",
            what=what,
            remedy="weigh a few loads, and write their buckets beside the mass",
            fatal=False,
        )
