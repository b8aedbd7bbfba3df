"""Blends and fractions that cannot be: one clear line each; and which ones are read."""

from __future__ import annotations

import pytest

from tests.workspace.test_bad_input import problems, read

MATERIALS = (
    "material,kind,density_lb_gal,chemical_fraction,chloride_fraction,chemical\n"
    "salt,solid,,0.97,,NaCl\nsand,solid,,,,none\nmix,solid,,,,\nbrine,liquid,9.83,0.233,,NaCl\n"
    "hot,liquid,,,,\n"
)
HEADER = "material,part,share\n"
GOOD = HEADER + "mix,salt,0.1\nmix,sand,0.9\nhot,brine,1\n"
ASSIGNED = "route_id,truck_id,yard_id,material,prewet_gal_per_ton,prewet_material\n"


def given(**files: str) -> dict[str, str]:
    named = {f"{name}.csv": text for name, text in files.items()}
    return {"materials.csv": MATERIALS, "blends.csv": GOOD, **named}


def lines_of(files: dict[str, str], workspace) -> list[str]:
    return [str(one) for one in problems(workspace(files))]


def test_what_follows_from_parts_is_filled_in_for_every_command(workspace):
    rows = read(workspace(given())).tables["materials"].set_index("material")
    assert rows.loc["mix", "chemical_fraction"] == pytest.approx(0.097)
    assert rows.loc["hot", "density_lb_gal"] == 9.83
    assert rows.loc["mix", "chemical"] == "NaCl"


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ("mix,salt,0.1\nmix,sand,0.8\nhot,brine,1\n", "blends.csv:2:share: the shares of"),
        ("mix,salt,10\nmix,sand,90\nhot,brine,1\n", "blends.csv:2:share:"),
        ("mix,salt,0.1\nmix,sand,0.9\nhot,brime,1\n", "blends.csv:4:part:"),
        ("mix,salt,0.1\nmix,mix,0.9\nhot,brine,1\n", "mix is made of mix"),
        ("mix,salt,0.1\nmix,sand,0.9\nsalt,mix,1\nhot,brine,1\n", "goes round in a circle"),
        ("mix,salt,0.1\nmix,sand,0.9\nhot,salt,1\n", "materials.csv:6:density_lb_gal"),
    ],
)
def test_a_blend_that_cannot_be_is_one_line(workspace, parts, said):
    found = [line for line in lines_of(given(blends=HEADER + parts), workspace) if said in line]
    assert len(found) == 1, found


def test_shares_rounded_to_two_decimals_are_scaled(workspace):
    thirds = HEADER + "mix,salt,0.33\nmix,sand,0.33\nmix,brine,0.33\nhot,brine,1\n"
    rows = read(workspace(given(blends=thirds))).tables["materials"].set_index("material")
    assert rows.loc["mix", "chemical_fraction"] == pytest.approx((0.97 + 0.233) / 3.0)


def test_more_chloride_than_the_chemical_holds(workspace):
    text = MATERIALS.replace("brine,liquid,9.83,0.233,,", "brine,liquid,9.83,0.233,0.2,")
    found = lines_of(given(materials=text), workspace)
    assert any("materials.csv:5:chloride_fraction: 0.2 is more chloride" in one for one in found)


def test_the_prewetting_liquid_is_a_liquid(workspace):
    rows = ASSIGNED + "R1,T1,Y1,salt,10,sand\nR2,T2,Y1,salt,10,brine\n"
    found = lines_of(given(assignments=rows), workspace)
    assert [one for one in found if "assignments.csv:2:prewet_material" in one]
    assert not [one for one in found if "assignments.csv:3" in one]
