"""Dry chemical beside material in a plan: caps, wetting, liquids and stock by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from spreadplan.materials import with_parts
from spreadplan.planning import plan_storm
from spreadplan.schema.policy import Policy
from tests.planning.small_county import (
    NAN,
    LineModel,
    area,
    county,
    frame,
    line_route,
    policy_rates,
)
from tests.said import words

#: 23.3 % brine of sodium chloride at 15 C: specific gravity 1.179 (Lange's Handbook of Chemistry,
#: 15th ed., McGraw-Hill, Table 5.13), water 8.338 lb/gal: 9.83 lb/gal.
BRINE_LB_GAL, BRINE = 9.83, 0.233
EVERYWHERE = shapely.box(-95, 45, -93, 47)


def materials() -> pd.DataFrame:
    """Salt that states 0.97 of chemical, brine, and sand with a tenth of that salt."""
    table = frame(
        "material kind bulk_density_lb_ft3 density_lb_gal chemical_fraction chemical_fraction_u "
        "chloride_fraction chloride_fraction_u moisture_pct cost_per_ton cost_per_gal chemical",
        ("salt", "solid", 75.0, NAN, 0.97, NAN, NAN, NAN, NAN, 80.0, NAN, "NaCl"),
        ("sand", "solid", 100.0, NAN, NAN, NAN, NAN, NAN, NAN, 20.0, NAN, "none"),
        ("mix", "solid", NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, ""),
        ("brine", "liquid", NAN, BRINE_LB_GAL, BRINE, NAN, NAN, NAN, NAN, NAN, 0.2, "NaCl"),
    )
    return with_parts(
        table, frame("material part share", ("mix", "salt", 0.1), ("mix", "sand", 0.9))
    )


def assigned(material: str, gal_per_ton: float = 0.0, liquid: str = "") -> pd.DataFrame:
    return frame(
        "route_id truck_id yard_id material prewet_gal_per_ton prewet_material",
        ("R1", "T1", "Y1", material, gal_per_ton, liquid),
    )


def planned(who: pd.DataFrame, policy: Policy, **more: Any) -> Any:
    truck = ("T1", str(who["material"].iloc[0]), 2.0)
    inputs = county(
        routes=line_route([{"route_id": "R1", "segment_id": "a"}]),
        assignments=who,
        materials=materials(),
        models={truck: LineModel(2.0, 20.0)},
        policy=policy,
        **more,
    )
    return plan_storm(inputs)


def rate(**row: Any) -> Policy:
    return Policy(rates=policy_rates(row))


def lb(rate_lb: float) -> dict[str, float]:
    return {"rate_low_lb_per_lane_mile": rate_lb, "rate_high_lb_per_lane_mile": rate_lb}


def gallons(rate_gal: float) -> dict[str, float]:
    return {"rate_low_gal_per_lane_mile": rate_gal, "rate_high_gal_per_lane_mile": rate_gal}


def test_a_cap_of_150_lb_leaves_40_gallons_of_brine_alone():
    """40 gal x 9.83 lb/gal x 0.233 = 91.6 lb of salt (Turf magazine: 40 gal of 23.3 % brine hold
    92 lb of salt); of solution it is 393 lb.
    """
    plan = planned(
        assigned("brine"), rate(**gallons(40.0)), sensitive_areas=area("S", EVERYWHERE, 150.0)
    )
    row = plan.segments.iloc[0]
    assert row["target_rate_lb_per_lane_mile"] == pytest.approx(40.0 * BRINE_LB_GAL)
    chemical = row["chemical_lb"] / row["mass_lb"] * row["target_rate_lb_per_lane_mile"]
    assert chemical == pytest.approx(91.6, abs=0.1)
    assert "lowered" not in words(row["note"])


def test_a_rate_in_lb_of_a_liquid_says_which_mass_it_is():
    for material, policy, said in (
        ("brine", rate(**lb(393.0)), True),
        ("brine", rate(**gallons(40.0)), False),
        ("salt", rate(**lb(200.0)), False),
    ):
        row = planned(assigned(material), policy).segments.iloc[0]
        assert ("of the liquid as it is" in words(row["note"])) == said


def test_a_cap_that_binds_is_kept_in_dry_chemical():
    """150 lb of dry chemical are 65.5 gal of that brine, 1,546 lb of the mix and 154.6 of salt."""
    given = {"sensitive_areas": area("S", EVERYWHERE, 150.0)}
    for material, high, lb_of_material in (
        ("brine", gallons(100.0), 150.0 / BRINE),
        ("mix", lb(2000.0), 150.0 / 0.097),
        ("salt", lb(300.0), 150.0 / 0.97),
    ):
        row = planned(assigned(material), rate(**high), **given).segments.iloc[0]
        assert row["target_rate_lb_per_lane_mile"] == pytest.approx(lb_of_material)
        assert row["cap_lb_per_lane_mile"] == pytest.approx(lb_of_material)
        assert "lowered" in words(row["note"])


def test_sand_has_no_cap_and_unknown_chemical_the_strictest():
    given = {"sensitive_areas": area("S", EVERYWHERE, 150.0)}
    sand = planned(assigned("sand"), rate(**lb(800.0)), **given).segments.iloc[0]
    assert (sand["target_rate_lb_per_lane_mile"], sand["chemical_lb"]) == (800.0, 0.0)
    table = materials().assign(chemical="", chemical_fraction=NAN)
    inputs = county(
        assignments=assigned("salt"), materials=table, policy=rate(**lb(300.0)), **given
    )
    row = plan_storm(inputs).segments.iloc[0]
    assert row["target_rate_lb_per_lane_mile"] == 150.0
    assert np.isnan(row["chemical_lb"])


def test_the_liquid_counts_where_it_is_named():
    """10 gal/ton put 0.0492 lb of brine on a pound of salt: 0.01145 lb of dry chemical more."""
    named = planned(assigned("salt", 10.0, "brine"), rate(**lb(200.0)))
    row, mass = named.segments.iloc[0], named.segments["mass_lb"].sum()
    of_liquid = 10.0 / 2000.0 * BRINE_LB_GAL * BRINE
    assert row["chemical_lb"] == pytest.approx(row["mass_lb"] * (0.97 + of_liquid))
    assert named.routes["chemical_lb"].sum() == pytest.approx(mass * (0.97 + of_liquid))
    yards = named.yards.set_index("material")
    assert yards.loc["salt", "needed_ton"] == pytest.approx(mass / 2000.0)
    assert yards.loc["brine", "needed_ton"] == pytest.approx(
        mass / 2000.0 * 10.0 * BRINE_LB_GAL / 2000.0
    )
    nobody = planned(assigned("salt", 10.0), rate(**lb(200.0)))
    assert list(nobody.yards["material"]) == ["salt"]
    assert nobody.segments["chemical_lb"].iloc[0] == pytest.approx(row["mass_lb"] * 0.97)


LESS = 25.0


def test_a_rate_for_dry_material_is_reduced_once_and_visibly():
    """Minnesota handbook (LRRB 2005-01, p. 7): 20 to 30 % less of the material when wetted."""
    dry = replace(rate(wetting=("dry",), **lb(200.0)), prewet_reduction_pct=LESS)
    for gal, wanted, said in ((0.0, 200.0, ""), (10.0, 150.0, "25 % less")):
        plan = planned(assigned("salt", gal, "brine"), dry)
        row = plan.segments.iloc[0]
        assert row["target_rate_lb_per_lane_mile"] == pytest.approx(wanted)
        assert said in words(row["note"])
        assert ("rate_reduced" in set(plan.findings["code"])) == bool(said)


def test_a_rate_for_wetted_material_is_never_reduced():
    for wetting in (("prewet",), ("slurry",), ("dry", "prewet"), ()):
        policy = replace(rate(wetting=wetting, **lb(200.0)), prewet_reduction_pct=LESS)
        row = planned(assigned("salt", 10.0, "brine"), policy).segments.iloc[0]
        assert row["target_rate_lb_per_lane_mile"] == 200.0
        assert "less" not in words(row["note"])


def test_without_a_reduction_in_the_policy_a_rate_for_dry_material_is_none_for_wetted():
    for gal, row, of in ((10.0, "dry", "prewet"), (0.0, "prewet", "dry")):
        plan = planned(assigned("salt", gal, "brine"), rate(wetting=(row,), **lb(200.0)))
        first = plan.segments.iloc[0]
        assert np.isnan(first["target_rate_lb_per_lane_mile"])
        assert f"no row for {of} material" in words(first["note"])
    stated = replace(rate(wetting=("dry",), **lb(200.0)), prewet_reduction_pct=0.0)
    plan = planned(assigned("salt", 10.0, "brine"), stated)
    assert plan.segments["target_rate_lb_per_lane_mile"].iloc[0] == 200.0


def test_a_rate_for_wetted_material_is_not_for_dry_even_with_a_reduction():
    policy = replace(rate(wetting=("prewet",), **lb(200.0)), prewet_reduction_pct=LESS)
    first = planned(assigned("salt"), policy).segments.iloc[0]
    assert np.isnan(first["target_rate_lb_per_lane_mile"])


def test_the_row_for_the_wetting_of_the_route_wins():
    rows = policy_rates({"wetting": ("dry",), **lb(240.0)}, {"wetting": ("prewet",), **lb(180.0)})
    policy = Policy(rates=rows, prewet_reduction_pct=LESS)
    for gal, wanted in ((0.0, 240.0), (10.0, 180.0)):
        plan = planned(assigned("salt", gal, "brine"), policy)
        assert plan.segments["target_rate_lb_per_lane_mile"].iloc[0] == wanted
        assert "policy_rows_equal" not in set(plan.findings["code"])


def test_a_rate_that_counts_the_liquid_is_split():
    """Transport Scotland's treatment matrix (2010, appendix D, note 1): prewet rates are salt and
    brine together, 70:30 by weight. 20 g/m2 of both are 14 of salt.
    """
    gal_per_ton = 30.0 / 70.0 * 2000.0 / BRINE_LB_GAL
    policy = rate(
        wetting=("prewet",), wetting_included=True, rate_low_g_per_m2=20.0, rate_high_g_per_m2=20.0
    )
    row = planned(assigned("salt", gal_per_ton, "brine"), policy).segments.iloc[0]
    # by definition 100 lb per lane-mile of 12 ft are 7.7058 g/m2
    assert row["target_rate_lb_per_lane_mile"] == pytest.approx(14.0 / 7.7058 * 100.0, rel=1e-4)
    unnamed = planned(assigned("salt", gal_per_ton), policy)
    assert "liquid_not_named" in set(unnamed.findings["code"])


def test_pretreated_salt_is_wetted_by_its_parts():
    blend = frame("material part share", ("wet_salt", "salt", 0.96), ("wet_salt", "brine", 0.04))
    table = pd.concat(
        [
            materials().drop(columns=["parts", "blended"]).iloc[[0, 3]],
            frame("material kind chemical", ("wet_salt", "solid", "")),
        ],
        ignore_index=True,
    )
    policy = replace(rate(wetting=("dry",), **lb(200.0)), prewet_reduction_pct=LESS)
    inputs = county(
        assignments=assigned("wet_salt"), materials=with_parts(table, blend), policy=policy
    )
    row = plan_storm(inputs).segments.iloc[0]
    assert row["target_rate_lb_per_lane_mile"] == pytest.approx(150.0)
