"""Brine, a sand mix with a tenth of salt, and prewetted salt in one workspace, command by command.

Wherever masses of the three meet, like is compared with like: caps, use, stock, budgets, chloride.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from spreadplan.cli import main
from tests.conftest import FILES

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("blank_charts")]

BRINE_LB_GAL, BRINE, SALT = 9.83, 0.233, 0.97
MIX = 0.1 * SALT
CHLORIDE = 0.6066
"""Chloride in sodium chloride: IUPAC standard atomic weights."""
START = pd.Timestamp("2026-12-01T10:00Z")
GAL_PER_TON = 10.0

WORKSPACE = {
    "materials.csv": "material,kind,density_lb_gal,chemical_fraction,chemical,cost_per_ton,"
    "cost_per_gal\nsalt,solid,,0.97,NaCl,80,\nsand,solid,,,none,20,\nmix,solid,,,,,\n"
    "brine,liquid,9.83,0.233,NaCl,,0.20\n",
    "blends.csv": "material,part,share\nmix,salt,0.1\nmix,sand,0.9\n",
    "trucks.csv": "truck_id,control,feeder,capacity_lb,prewet_tank_gal,gate_positions_in\n"
    "T1,open_loop,auger,14000,120,2\nT2,open_loop,auger,14000,,2\nT3,open_loop,auger,14000,,2\n",
    "discharge_tests.csv": "test_id,truck_id,material,performed_at,gate_in,feeder_pct,duration_s\n"
    + "".join(
        f"{truck}-{pct},{truck},{material},2026-10-20T{hour}:00,2,{pct},60\n"
        for truck, material in (("T1", "salt"), ("T2", "mix"), ("T3", "brine"))
        for hour, pct in (("09", 100), ("10", 60), ("11", 30), ("12", 10))
    ),
    "weighings.csv": "test_id,method,gross_lb,tare_lb\n"
    + "".join(
        f"{truck}-{pct},container,{pct * 10 + 5},5\n"
        for truck in ("T1", "T2", "T3")
        for pct in (100, 60, 30, 10)
    ),
    "assignments.csv": "route_id,truck_id,yard_id,material,prewet_gal_per_ton,prewet_material\n"
    "R1,T1,Y1,salt,10,brine\nR2,T2,Y1,mix,0,\nR3,T3,Y1,brine,0,\n",
    "stock_counts.csv": "yard_id,material,counted_at,on_hand_ton\nY1,salt,2026-11-01,300\n"
    "Y1,mix,2026-11-01,300\nY1,brine,2026-11-01,300\n",
    "budgets.csv": "season,scope,scope_id,material,budget_ton\n2026-27,agency,,salt,100\n"
    "2026-27,agency,,mix,100\n2026-27,agency,,brine,100\n",
    "policy.toml": "[wetting]\nprewet_reduction_pct = 25\n"
    '[[rate]]\nevent = "light_snow"\nmaterial = "salt"\nwetting = "dry"\n'
    'rate_lb_per_lane_mile = 240\nsource = "test"\nprovenance = "read"\n'
    '[[rate]]\nevent = "light_snow"\nmaterial = "mix"\n'
    'rate_lb_per_lane_mile = 800\nsource = "test"\nprovenance = "read"\n'
    '[[rate]]\nevent = "light_snow"\nmaterial = "brine"\n'
    'rate_gal_per_lane_mile = 40\nsource = "test"\nprovenance = "read"\n',
    "storms/s1/rates.csv": None,
}
#: each route is one segment along a parallel of its own, 0.04 degrees long
LATITUDES = {"R1": 46.0, "R2": 46.1, "R3": 46.2}
TRUCKS = {"R1": ("T1", "salt"), "R2": ("T2", "mix"), "R3": ("T3", "brine")}


def features(kind: str) -> dict[str, object]:
    """The routes, or an area over the western half of each with a cap of 150 lb of chemical."""
    found = []
    for route, lat in LATITUDES.items():
        if kind == "routes":
            properties = {"route_id": route, "segment_id": "a", "lanes": 1, "speed_mph": 20}
            geometry = {"type": "LineString", "coordinates": [[-94.0, lat], [-93.96, lat]]}
        else:
            properties = {"area_id": f"S-{route}", "max_rate_lb_per_lane_mile": 150}
            west, east, south, north = -94.1, -93.98, lat - 0.01, lat + 0.01
            ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
            geometry = {"type": "Polygon", "coordinates": [ring]}
        found.append({"type": "Feature", "properties": properties, "geometry": geometry})
    return {"type": "FeatureCollection", "features": found}


def telemetry(liquid_share: float) -> str:
    """Each truck drives its route once; T1's liquid runs at a share of what is set."""
    rows = [
        "truck_id,time,lon,lat,speed_mph,heading_deg,spreading,feed_total_lb,liquid_total_gal,material"
    ]
    for route, (truck, material) in TRUCKS.items():
        for step in range(41):
            time = (START + pd.Timedelta(seconds=9 * step)).isoformat()
            total = 60.0 * step
            liquid = f"{total / 2000.0 * GAL_PER_TON * liquid_share:.4f}" if truck == "T1" else ""
            lon = -94.0 + 0.001 * step
            rows.append(
                f"{truck},{time},{lon:.5f},{LATITUDES[route]},20,90,1,{total:.1f},{liquid},{material}"
            )
    return "\n".join(rows) + "\n"


@pytest.fixture(scope="module")
def results(tmp_path_factory) -> Path:
    """The workspace with the results of plan, reconcile and season; T1's liquid runs at 40 %."""
    import json

    folder = tmp_path_factory.mktemp("treatments")
    content = {
        **FILES,
        **WORKSPACE,
        "routes.geojson": json.dumps(features("routes")),
        "sensitive_areas.geojson": json.dumps(features("areas")),
        "storms/s1/telemetry/a.csv": telemetry(0.4),
    }
    for name, text in content.items():
        if text is not None:
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text)
    for words in (["check"], ["plan", "s1"], ["reconcile", "s1"], ["season"]):
        more = [] if words == ["check"] else ["--no-pdf"]
        assert main([words[0], str(folder), *words[1:], *more]) == 0
    return folder / "results"


def table(results: Path, name: str) -> pd.DataFrame:
    return pd.read_csv(results / f"{name}.csv")


def test_rates_keep_the_cap_in_dry_chemical(results):
    """Salt 240 x 0.75 = 180 lb keeps 150 lb with its liquid at 150 / (0.97 + 0.0115); 40 gal of
    brine are 92 lb and the mix's 800 lb are 78 lb of chemical: neither is touched.
    """
    rows = table(results, "s1/plan_segments")
    inside = rows[rows["area_id"].notna()].set_index("material")["target_rate_lb_per_lane_mile"]
    outside = rows[rows["area_id"].isna()].set_index("material")["target_rate_lb_per_lane_mile"]
    counted = SALT + GAL_PER_TON / 2000.0 * BRINE_LB_GAL * BRINE
    assert outside["salt"] == pytest.approx(180.0)
    assert inside["salt"] == pytest.approx(150.0 / counted, rel=1e-4)
    for material, rate in (("mix", 800.0), ("brine", 40.0 * BRINE_LB_GAL)):
        assert inside[material] == outside[material] == pytest.approx(rate)


def test_the_plan_has_the_dry_chemical_of_each(results):
    rows = table(results, "s1/plan_routes").set_index("material")
    counted = SALT + GAL_PER_TON / 2000.0 * BRINE_LB_GAL * BRINE
    for material, share in (("salt", counted), ("mix", MIX), ("brine", BRINE)):
        row = rows.loc[material]
        assert row["chemical_lb"] == pytest.approx(share * row["mass_lb"], rel=1e-4)
    segments = table(results, "s1/plan_segments")
    assert segments["chemical_lb"].sum() == pytest.approx(rows["chemical_lb"].sum(), rel=1e-4)


def test_the_yard_needs_the_liquid_of_both_uses(results):
    routes = table(results, "s1/plan_routes").set_index("material")
    yards = table(results, "s1/plan_yards").set_index("material")
    prewet_lb = routes.loc["salt", "prewet_gal"] * BRINE_LB_GAL
    needed = yards.loc["brine", "needed_ton"] * 2000.0
    assert prewet_lb > 0.0
    assert needed == pytest.approx(routes.loc["brine", "mass_lb"] + prewet_lb, rel=1e-3)


def test_liquid_that_ran_counts_and_its_lack_is_found(results):
    """2,400 lb of salt were to get 12 gal; 4.8 ran."""
    trucks = table(results, "s1/use_trucks").set_index("truck_id")
    assert trucks.loc["T1", "prewet_set_gal"] == pytest.approx(2400.0 / 2000.0 * GAL_PER_TON)
    assert trucks.loc["T1", "prewet_gal"] == pytest.approx(4.8, rel=1e-3)
    assert trucks.loc["T1", "prewet_verdict"] == "too_little"
    assert trucks.loc["T2", "prewet_verdict"] == "not_set"
    page = (results / "s1" / "use_report.html").read_text().replace("\N{NO-BREAK SPACE}", " ")
    assert "1.20 tons of Salt were to get 12.0 gal of prewetting liquid; 4.8 gal ran" in page
    rows = table(results, "s1/use_segments").set_index("material")
    salt = rows.loc[["salt"]].sum(numeric_only=True)
    assert salt["prewet_gal"] == pytest.approx(4.8, rel=1e-3)
    of_liquid = 4.8 * BRINE_LB_GAL * BRINE
    assert salt["chemical_lb"] == pytest.approx(SALT * salt["applied_lb"] + of_liquid, rel=1e-3)


def test_a_limit_on_use_is_of_dry_chemical(results):
    """150 lb to the lane-mile allow 1,546 lb of the mix: its limit is the plan with tolerance."""
    rows = table(results, "s1/use_segments").set_index("material")
    planned = table(results, "s1/plan_segments")
    for material in ("mix", "brine"):
        mass = planned.loc[planned["material"] == material, "mass_lb"].sum()
        allowed = rows.loc[[material], "allowed_lb"].sum()
        assert allowed == pytest.approx(1.1 * mass, rel=1e-3)


def test_budgets_are_of_the_material_that_they_name(results):
    budget = table(results, "season/budget").set_index("material")
    use = table(results, "s1/use_segments").groupby("material")["applied_lb"].sum()
    prewet_lb = table(results, "s1/use_segments")["prewet_gal"].sum() * BRINE_LB_GAL
    assert budget.loc["salt", "used_ton"] * 2000.0 == pytest.approx(use["salt"], rel=1e-3)
    both = use["brine"] + prewet_lb
    assert budget.loc["brine", "used_ton"] * 2000.0 == pytest.approx(both, rel=1e-3)
    assert budget.loc["mix", "chemical_lb"] == pytest.approx(MIX * use["mix"], rel=1e-3)


def test_chloride_is_that_of_the_dry_chemical_of_all(results):
    whole = table(results, "season/chloride")
    agency = whole[(whole["scope"] == "agency") & whole["storm"].isna()].iloc[0]
    segments = table(results, "s1/use_segments")
    assert agency["chemical_lb"] == pytest.approx(segments["chemical_lb"].sum(), rel=1e-3)
    assert agency["chloride_lb"] == pytest.approx(CHLORIDE * agency["chemical_lb"], rel=1e-3)
    by_storm = table(results, "season/by_storm")
    assert by_storm["chemical_lb"].sum() == pytest.approx(agency["chemical_lb"], rel=1e-3)


def test_only_salt_is_set_beside_a_salt_table(results):
    fair = table(results, "season/fair_routes").set_index("material")["guidance_share"]
    assert np.isnan(fair["mix"])
    assert np.isnan(fair["brine"])
    assert fair["salt"] > 0.0
