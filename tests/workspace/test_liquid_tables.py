"""Files of liquid tests and brine batches, as users write them."""

import pytest

from spreadplan.errors import BadInput
from spreadplan.workspace import read_workspace
from spreadplan.workspace.starter import starter_files

MATERIALS = "material,kind,density_lb_gal\nroad_salt,solid,\nsalt_brine,liquid,9.83\n"
TRUCKS = (
    "truck_id,control,feeder,capacity_lb,liquid_tank_gal,boom_width_ft\n"
    "T1,closed_loop,conveyor,20000,1500,12\n"
)
TESTS = (
    "test_id,truck_id,material,performed_at,circuit,setting_gal_per_min,duration_s\n"
    "Q1,T1,salt_brine,2026-10-21T09:30,boom,10,60\n"
)
CATCHES = "test_id,nozzle,volume_gal\nQ1,1,5\nQ1,2,5\n"


def read(folder, **files):
    given = {"materials": MATERIALS, "trucks": TRUCKS, "liquid_tests": TESTS, "catches": CATCHES}
    given |= files
    start = starter_files("2026-11-01", "2027-04-15")
    (folder / "workspace.toml").write_text(start["workspace.toml"])
    (folder / "yards.csv").write_text("yard_id,lon,lat\nY1,-94.2,46.1\n")
    for name, text in given.items():
        (folder / f"{name}.csv").write_text(text)
    return read_workspace(
        folder,
        required=["trucks", "materials"],
        optional=["liquid_tests", "catches", "brine_batches", "yards"],
    )


def problems(folder, **files):
    with pytest.raises(BadInput) as caught:
        read(folder, **files)
    return [str(one) for one in caught.value.problems if one.fatal]


def test_gallons(tmp_path):
    tests = read(tmp_path).table("liquid_tests")
    assert tests["setting_gal_per_min"].tolist() == [10.0]


@pytest.mark.parametrize(
    ("table", "us", "metric", "column", "value"),
    [
        ("liquid_tests", "setting_gal_per_min,", "setting_l_per_min,", "setting_gal_per_min", 10),
        ("liquid_tests", "duration_s", "duration_min", "duration_s", 60),
        ("catches", "volume_gal", "volume_l", "volume_gal", 5),
        ("trucks", "liquid_tank_gal", "liquid_tank_l", "liquid_tank_gal", 1500),
        ("trucks", "boom_width_ft", "boom_width_m", "boom_width_ft", 12),
    ],
)
def test_every_unit(tmp_path, table, us, metric, column, value):
    text = {"liquid_tests": TESTS, "catches": CATCHES, "trucks": TRUCKS}[table]
    assert us in text
    found = read(tmp_path, **{table: text.replace(us, metric)}).table(table)[column].iloc[0]
    factor = {"setting_l_per_min,": 1 / 3.785411784, "duration_min": 60, "boom_width_m": 1 / 0.3048}
    assert found == pytest.approx(value * factor.get(metric, 1 / 3.785411784))


@pytest.mark.parametrize(
    ("table", "old", "new", "said"),
    [
        ("liquid_tests", "boom", "spray", 'liquid_tests.csv:2:circuit: "spray" is not known'),
        ("liquid_tests", "salt_brine", "road_salt", "liquid_tests.csv:2:material: .* is a solid"),
        ("liquid_tests", "T1", "T9", 'liquid_tests.csv:2:truck_id: "T9" is not in trucks.csv'),
        (
            "liquid_tests",
            ",10,",
            ",0,",
            "liquid_tests.csv:2:setting_gal_per_min: 0 is",
        ),
        ("liquid_tests", ",60", ",", "liquid_tests.csv:2:duration_s: is empty"),
        (
            "liquid_tests",
            "setting_gal_per_min",
            "setting",
            "liquid_tests.csv:1:setting: has no",
        ),
        ("catches", "Q1,2,5", "Q9,2,5", 'catches.csv:3:test_id: "Q9" is not in liquid_tests.csv'),
        ("catches", "Q1,2,5", "Q1,2,-5", "catches.csv:3:volume_gal: -5 is not possible here"),
        ("catches", "Q1,2,5", "Q1,2,five", 'catches.csv:3:volume_gal: "five" is not a number'),
    ],
)
def test_bad_input_is_one_line(tmp_path, table, old, new, said):
    text = {"liquid_tests": TESTS, "catches": CATCHES}[table]
    found = problems(tmp_path, **{table: text.replace(old, new, 1)})
    assert len(found) == 1
    import re

    assert re.match(said, found[0]), found


@pytest.mark.parametrize(
    ("table", "text", "said"),
    [
        ("catches", "test_id,nozzle,volume_gal\nQ1,1,5\nQ1,1,5\n", "twice with one volume"),
        ("catches", "test_id,nozzle,volume_gal\nQ1,1,5\nQ1,,5\n", "other rows of test Q1 name"),
        ("catches", "test_id,nozzle,volume_gal\n", 'nothing was caught for test "Q1"'),
        ("liquid_tests", TESTS.replace("boom", "prewet"), "has no prewet_tank_gal"),
        ("liquid_tests", TESTS.replace(",60", ",2"), "a run of 2 s measures nothing"),
    ],
)
def test_what_is_odd_is_a_caution(tmp_path, table, text, said):
    cautions = [str(one) for one in read(tmp_path, **{table: text}).cautions]
    assert any(said in one for one in cautions), cautions


BATCHES = "batch_id,yard_id,material,made_at,strength_pct,specific_gravity,temperature_f\n"


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("B1,Y1,salt_brine,2026-10-10T10:00,,,\n", "both empty"),
        ("B1,Y1,salt_brine,2026-10-10T10:00,23,1.178,60\n", "both given"),
        ("B1,Y1,road_salt,2026-10-10T10:00,23,,\n", "is a solid"),
        ("B1,Y1,salt_brine,2026-10-10T10:00,,1178,60\n", "1178 is not possible"),
    ],
)
def test_a_batch_has_one_measure_of_strength(tmp_path, row, said):
    (found,) = problems(tmp_path, brine_batches=BATCHES + row)
    assert said in found


def test_a_gravity_without_temperature_is_a_caution(tmp_path):
    row = "B1,Y1,salt_brine,2026-10-10T10:00,,1.178,\n"
    cautions = [str(one) for one in read(tmp_path, brine_batches=BATCHES + row).cautions]
    assert any("60 F is taken" in one for one in cautions)
