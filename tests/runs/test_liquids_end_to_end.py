"""A truck with a boom from its catches to the card: the commands on files, as users run them."""

from __future__ import annotations

import csv

import pytest

from spreadplan import runs
from spreadplan.schema.results import RESULTS
from spreadplan.workspace.starter import starter_files

STORM = "first-storm"
FILES = {
    "materials.csv": "material,name,kind,density_lb_gal,chloride_fraction,chemical\n"
    "road_salt,Road salt,solid,,0.588,NaCl\nsalt_brine,Salt brine,liquid,9.83,0.1413,NaCl\n",
    "trucks.csv": "truck_id,control,feeder,capacity_lb,liquid_tank_gal,boom_width_ft\n"
    "L1,closed_loop,conveyor,20000,40,12\n",
    "liquid_tests.csv": "test_id,truck_id,material,performed_at,circuit,setting_gal_per_min,"
    "duration_s\n"
    + "".join(
        f"Q{number},L1,salt_brine,2026-10-21T09:{number}0,boom,{setting},60\n"
        for number, setting in enumerate((10, 10, 20, 20))
    ),
    "catches.csv": "test_id,nozzle,volume_gal,scale_division_gal\n"
    + "".join(
        f"Q{number},{nozzle},{gallons},0.01\n"
        for number, catch in enumerate((2.75, 2.74, 5.5, 5.52))
        for nozzle, gallons in enumerate((catch, catch, catch, catch))
    ),
    "assignments.csv": "route_id,truck_id,yard_id,material\nR1,L1,Y1,salt_brine\n",
    "stock_counts.csv": "yard_id,material,counted_at,on_hand_gal\nY1,salt_brine,2026-11-01,50\n",
    "deliveries.csv": "ticket_id,yard_id,material,delivered_at,net_gal\n"
    "N1,Y1,salt_brine,2026-11-05,20\n",
    "brine_batches.csv": "batch_id,yard_id,material,made_at,specific_gravity,temperature_f\n"
    "B1,Y1,salt_brine,2026-11-05,1.178,60\nB2,Y1,salt_brine,2026-11-06,1.150,60\n",
    f"storms/{STORM}/rates.csv": "route_id,application,rate_gal_per_lane_mile\n*,1,40\n",
    f"storms/{STORM}/forecast.csv": "zone,start,end,event,pavement_temp_f,precipitation_in,"
    "application\n*,2026-12-01T04:00,2026-12-01T12:00,light_snow,26,0.1,1\n",
}


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """The folder of results, and what the commands said."""
    folder = tmp_path_factory.mktemp("liquids")
    start = starter_files("2026-11-01", "2027-04-15")
    for name in ("workspace.toml", "routes.geojson", "yards.csv", "policy.toml"):
        (folder / name).write_text(start[name])
    toml = (folder / "workspace.toml").read_text()
    (folder / "workspace.toml").write_text(toml.replace("# as_of", "as_of", 1))
    for name, text in FILES.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    said: list[str] = []
    options = runs.Options(said.append, said.append, runs.no_progress, pdf=False)
    runs.calibrate(folder, options, as_of="2026-12-01")
    runs.plan(folder, STORM, options)
    return folder / "results", said


def table(results, name):
    with (results[0] / name).open(encoding="utf-8-sig", newline="") as handle:
        return list(csv.DictReader(handle))


def test_columns_are_those_of_the_schema(results):
    for name in ("liquid", "liquid_tests", "nozzles", "brine"):
        assert list(table(results, f"calibration/{name}.csv")[0]) == RESULTS[name].names
    assert RESULTS["liquid"].names[:8] == [
        "truck_id",
        "material",
        "circuit",
        "setting_gal_per_min",
        "measured_gal_per_min",
        "u_gal_per_min",
        "valid",
        "reason",
    ]
    assert RESULTS["nozzles"].names[:4] == ["test_id", "nozzle", "share", "verdict"]


def test_set_against_measured(results):
    rows = table(results, "calibration/liquid.csv")
    assert [float(row["setting_gal_per_min"]) for row in rows] == [10.0, 20.0]
    found = [float(row["measured_gal_per_min"]) for row in rows]
    assert found == pytest.approx([10.98, 22.04], abs=0.01)
    assert {row["valid"] for row in rows} == {"true"}


def test_the_plan_sets_what_the_boom_needs(results):
    row = table(results, f"{STORM}/plan_segments.csv")[0]
    flow = float(row["flow_gal_per_min"])
    lanes, speed = float(row["lanes_per_pass"]), float(row["speed_mph"])
    assert flow == pytest.approx(40.0 * lanes * speed / 60.0)
    assert float(row["setting_gal_per_min"]) == pytest.approx(flow / 1.1, rel=0.003)


def test_loads_and_yard_in_gallons(results):
    (route,) = table(results, f"{STORM}/plan_routes.csv")
    gallons = float(route["liquid_gal"])
    assert int(route["loads"]) == -(-gallons // 40)
    (yard,) = table(results, f"{STORM}/plan_yards.csv")
    assert float(yard["on_hand_gal"]) == pytest.approx(70.0)
    assert float(yard["short_gal"]) == pytest.approx(gallons - 70.0)


def test_the_card_says_rate_flow_and_setting(results):
    (path,) = (results[0] / STORM / "cab_cards").glob("*.html")
    card = path.read_text()
    for said in ("rate, gal per lane-mile", "gives, gal/min", "set, gal/min", "hold, mph"):
        assert said in card
    assert "feeder" not in card
    assert "eye protection" in card


def test_certificate_and_sheet_warn_of_pressure(results):
    certificate = (results[0] / "calibration/certificate_L1.html").read_text()
    sheet = (results[0] / "calibration/work_sheet_liquid.html").read_text()
    for page in (certificate, sheet):
        assert "under pressure" in page
        assert "Eye protection" in page
    assert "What to enter" in certificate
    assert "Nozzles, test Q3" in certificate


def test_batches_are_judged(results):
    rows = table(results, "calibration/brine.csv")
    assert [row["verdict"] for row in rows] == ["accepted", "too_weak"]
    assert any("batch B2" in line and "too weak" in line for line in results[1])
