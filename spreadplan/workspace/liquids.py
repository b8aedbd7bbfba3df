"""What rows of the tables of liquids say together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

import numpy as np
import pandas as pd

from spreadplan.errors import Problem
from spreadplan.frames import lines

Tables = Mapping[str, pd.DataFrame]
Names = Mapping[str, str]


def solids_for_liquids(tables: Tables, names: Names) -> Iterator[Problem]:
    """A test of a liquid circuit, or a batch of brine, whose material is a solid."""
    if "materials" not in tables:
        return
    materials = tables["materials"]
    solids = set(materials.loc[materials["kind"] == "solid", "material"])
    for name in ("liquid_tests", "brine_batches"):
        if name not in tables:
            continue
        for line in lines(tables[name][tables[name]["material"].isin(solids)]):
            yield Problem(
                file=names[name],
                row=line.row,
                column="material",
                what=f'"{line.material}" is a solid',
                remedy=f"name a liquid, or correct its kind in {names['materials']}",
            )


def tanks_for_circuits(tables: Tables, names: Names) -> Iterator[Problem]:
    """A test of a circuit whose tank the truck does not have by its row."""
    if not {"liquid_tests", "trucks"} <= set(tables):
        return
    trucks = tables["trucks"].drop_duplicates("truck_id").set_index("truck_id")
    for circuit, tank in (("boom", "liquid_tank_gal"), ("prewet", "prewet_tank_gal")):
        tests = tables["liquid_tests"]
        lacking = (tests["circuit"] == circuit) & tests["truck_id"].isin(
            trucks.index[trucks[tank].isna()]
        )
        for line in lines(tests[lacking].drop_duplicates("truck_id")):
            yield Problem(
                file=names["liquid_tests"],
                row=line.row,
                column="circuit",
                what=f"truck {line.truck_id} has no {tank} in {names['trucks']}",
                remedy=f"give {tank}, or check the circuit",
                fatal=False,
            )


def catches_of_nozzles(tables: Tables, names: Names) -> Iterator[Problem]:
    """A nozzle that was caught twice alike, and catches of nozzles beside one of all together."""
    if "catches" not in tables:
        return
    catches = tables["catches"]
    of_nozzles = catches[catches["nozzle"] != ""]
    again = of_nozzles.duplicated(["test_id", "nozzle", "volume_gal"])
    for line in lines(of_nozzles[again]):
        yield Problem(
            file=names["catches"],
            row=line.row,
            column="nozzle",
            what=f"nozzle {line.nozzle} of test {line.test_id} stands there twice with one volume",
            remedy="keep one of the two, if it was typed twice; else both are added up",
            fatal=False,
        )
    mixed = set(of_nozzles["test_id"]) & set(catches.loc[catches["nozzle"] == "", "test_id"])
    for line in lines(
        catches[(catches["nozzle"] == "") & catches["test_id"].isin(mixed)].drop_duplicates(
            "test_id"
        )
    ):
        yield Problem(
            file=names["catches"],
            row=line.row,
            column="nozzle",
            what=f"is empty, but other rows of test {line.test_id} name theirs",
            remedy="name it, or take the row out if it is the sum of the others; it is added up",
            fatal=False,
        )


STRENGTHS: Final = ("strength_pct", "specific_gravity")


def strengths_of_batches(tables: Tables, names: Names) -> Iterator[Problem]:
    """A batch of brine whose strength was measured in no way, in two, or without temperature."""
    if "brine_batches" not in tables:
        return
    batches = tables["brine_batches"]
    given = batches[list(STRENGTHS)].notna().sum(axis=1).to_numpy()
    for at in np.flatnonzero(given != 1):
        yield Problem(
            file=names["brine_batches"],
            row=int(batches["row"].iloc[at]),
            column="strength_pct",
            what="and specific_gravity are both " + ("empty" if given[at] == 0 else "given"),
            remedy="give exactly one of the two; a second reading is a row of its own",
        )
    cold = batches["specific_gravity"].notna() & batches["temperature_f"].isna()
    for at in np.flatnonzero(cold):
        yield Problem(
            file=names["brine_batches"],
            row=int(batches["row"].iloc[at]),
            column="temperature_f",
            what="is empty beside a specific gravity",
            remedy="give the temperature in the jar; 60 F is taken until then",
            fatal=False,
        )


LIQUID_RULES: Final = (
    solids_for_liquids,
    tanks_for_circuits,
    catches_of_nozzles,
    strengths_of_batches,
)
