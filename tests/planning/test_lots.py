"""Parking lots beside the roads: rates by area, mass, liquid, stock."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from spreadplan.cli import main
from spreadplan.planning import plan_storm
from spreadplan.schema.policy import Policy
from spreadplan.units import RATE_SUFFIXES, RATE_UNITS, area_rate_lb_per_lane_mile, convert
from tests.planning.small_county import NAN, county, policy_rates
from tests.said import US
from tests.workspace.test_bad_input import POLICY_ROW, problems

LOTS = (
    "lot_id,name,area_ft2,truck_id,yard_id,material,service_class\n"
    "P1,Library lot,24000,T1,Y1,salt,lot\n"
    "P2,Depot,10000,,Y1,salt,walk\n"
)
LOT_RATE = (
    '[[rate]]\nevent = "light_snow"\nmaterial = "salt"\nservice_class = "lot"\n'
    'rate_lb_per_1000_ft2 = 5\nsource = "a table for lots"\n'
)


def to_inside(value, suffix):
    unit, inside = RATE_SUFFIXES[suffix]
    return float(convert(np.array([value]), unit, RATE_UNITS[inside])[0])


def test_rates_by_area_and_by_lane():
    """A lane of 12 ft and a mile long has 63.36 thousand ft². NIST SP 811: 1 lb is 453.59237 g,
    1 ft is 0.3048 m, 1 gal is 3.785411784 L.
    """
    assert to_inside(1.0, "lb_per_1000_ft2") == pytest.approx(453.59237 / (1000 * 0.3048**2))
    on_lane = area_rate_lb_per_lane_mile(
        np.array([to_inside(1.0, "lb_per_1000_ft2")]), np.array([12.0])
    )
    assert on_lane[0] == pytest.approx(63.36)
    assert to_inside(1.0, "gal_per_1000_ft2") == pytest.approx(63.36)
    back = to_inside(63.36 * 3.785411784 / 1.609344, "l_per_lane_km")
    assert back == pytest.approx(63.36)


def lots(*rows):
    usual = {
        "lot_id": "P1",
        "name": "Lot",
        "area_ft2": 24_000.0,
        "truck_id": "T1",
        "yard_id": "Y1",
        "material": "salt",
        "prewet_gal_per_ton": 0.0,
        "prewet_material": "",
        "service_class": "lot",
        "zone": "",
        "row": 2,
    }
    return pd.DataFrame([usual | row for row in rows])


def rated(**rate):
    roads = {"rate_low_lb_per_lane_mile": 150.0, "service_class": "A"}
    return Policy(rates=policy_rates(roads, {"service_class": "lot", **rate}))


def planned(areas, policy):
    return plan_storm(county(areas=areas, policy=policy))


def test_mass_liquid_and_stock_of_a_lot():
    five = to_inside(5.0, "lb_per_1000_ft2")
    policy = rated(rate_low_g_per_m2=five)
    roads = planned(None, policy)
    plan = planned(lots({"prewet_gal_per_ton": 8.0}), policy)
    lot = plan.areas.iloc[0]
    assert lot["mass_lb"] == pytest.approx(120.0)
    assert lot["rate_lb_per_1000_ft2"] == pytest.approx(5.0)
    assert lot["rate_g_per_m2"] == pytest.approx(five)
    assert lot["prewet_gal"] == pytest.approx(120 / 2000 * 8)
    assert (lot["mass_lo_lb"], lot["mass_hi_lb"]) == (pytest.approx(72.0), pytest.approx(168.0))
    assert lot["loads"] == 1
    before = roads.yards.set_index(["yard_id", "material"])
    after = plan.yards.set_index(["yard_id", "material"])
    added = (after["needed_ton"] - before["needed_ton"]).loc["Y1", "salt"]
    assert added == pytest.approx(120 / 2000)
    hi = (after["needed_hi_ton"] - before["needed_hi_ton"]).loc["Y1", "salt"]
    assert hi == pytest.approx(168 / 2000)
    pd.testing.assert_frame_equal(
        pd.DataFrame(plan.segments.drop(columns="geometry")),
        pd.DataFrame(roads.segments.drop(columns="geometry")),
    )


def test_a_lot_without_a_row_of_the_policy_is_said():
    plan = planned(lots({"service_class": "walk"}), rated(rate_low_lb_per_lane_mile=300.0))
    assert np.isnan(plan.areas["mass_lb"].iloc[0])
    found = plan.findings[plan.findings["subject"].map(US.say).str.startswith("lot P1")]
    assert found["severity"].tolist() == ["problem"]
    assert "class walk" in US.say(found["what"].iloc[0])


def test_rows_for_the_class_of_a_lot_come_before_those_of_roads():
    """A road's row states event and round, the lot's its class alone."""
    rows = policy_rates(
        {"rate_low_lb_per_lane_mile": 150.0, "phase": "initial"},
        {"rate_low_lb_per_lane_mile": 316.8, "service_class": "lot", "event": "*"},
    )
    lot = planned(lots({}, {"lot_id": "P2", "service_class": ""}), Policy(rates=rows)).areas
    assert lot["rate_lb_per_1000_ft2"].tolist() == pytest.approx([5.0, 150 / 63.36])


def test_a_liquid_on_a_lot():
    policy = rated(rate_low_gal_per_lane_mile=to_inside(0.5, "gal_per_1000_ft2"), material="brine")
    usual = county()
    brine = usual.materials.iloc[[0]].assign(
        material="brine", kind="liquid", density_lb_gal=9.8, chloride_fraction=NAN
    )
    others = usual.materials[usual.materials["material"] != "brine"]
    materials = pd.concat([others, brine], ignore_index=True)
    plan = plan_storm(county(areas=lots({"material": "brine"}), policy=policy, materials=materials))
    lot = plan.areas.iloc[0]
    assert lot["liquid_gal"] == pytest.approx(12.0)
    assert lot["rate_gal_per_1000_ft2"] == pytest.approx(0.5)
    assert lot["mass_lb"] == pytest.approx(12 * 9.8)


@pytest.mark.slow
def test_lots_from_files(workspace):
    folder = workspace({"areas.csv": LOTS, "policy.toml": POLICY_ROW + LOT_RATE})
    assert main(["plan", str(folder), "s1", "--no-pdf"]) == 0
    table = pd.read_csv(folder / "results/s1/plan_areas.csv").set_index("lot_id")
    assert table.loc["P1", "mass_lb"] == pytest.approx(120.0)
    assert "row 2: a table for lots" in table.loc["P1", "rate_source"]
    # a row without a class holds for lots too: 300 lb per lane-mile of 12 ft
    assert table.loc["P2", "mass_lb"] == pytest.approx(300 * 10_000 / 63_360)
    assert "Library lot" in (folder / "results/s1/plan_report.html").read_text()
    (folder / "areas.csv").unlink()
    assert main(["plan", str(folder), "s1", "--no-pdf"]) == 0
    assert not (folder / "results/s1/plan_areas.csv").exists()


@pytest.mark.parametrize(
    ("old", "new", "column"),
    [
        ("24000", "0", "area_ft2"),
        ("24000", "much", "area_ft2"),
        ("T1,Y1", "T9,Y1", "truck_id"),
        (",salt,lot", ",salted,lot", "material"),
        ("area_ft2", "area", "area"),
    ],
)
def test_a_wrong_lot_is_one_clear_line(workspace, old, new, column):
    found = problems(workspace({"areas.csv": LOTS.replace(old, new)}))
    assert [(one.file, one.column) for one in found] == [("areas.csv", column)]
