"""`storms/STORM/assignments.csv` through every command: one night changes no other."""

from __future__ import annotations

import shutil

import pandas as pd
import pytest

from spreadplan import runs
from spreadplan.errors import BadInput
from spreadplan.runs.comparing import compare
from spreadplan.runs.reconciling import using_workspace
from spreadplan.runs.reported import usual_materials
from spreadplan.runs.starting import check
from tests.hostile.engine import quiet

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("blank_charts")]

HEAD = "route_id,truck_id,yard_id,material,from_application\n"
TWO_ROUNDS = (
    "zone,start,end,event,pavement_temp_f,trend,precipitation_in,application\n"
    "*,2026-12-01T04:00,2026-12-01T10:00,light_snow,25,steady,0.05,1\n"
    "*,2026-12-01T10:00,2026-12-01T16:00,light_snow,25,steady,0.05,2\n"
)
RATES = "route_id,application,rate_lb_per_lane_mile\n*,1,200\n*,2,200\n"
FILES = {"storms/s1/forecast.csv": TWO_ROUNDS, "storms/s1/rates.csv": RATES}


@pytest.fixture
def folder(workspace):
    """Two equal storms of two rounds."""
    made = workspace(FILES)
    shutil.copytree(made / "storms/s1", made / "storms/s2")
    return made


def own(folder, text: str, storm: str = "s1") -> None:
    (folder / f"storms/{storm}/assignments.csv").write_text(HEAD + text)


def planned(folder, storm: str) -> dict[tuple[str, str], str]:
    routes = runs.plan(folder, storm, quiet()).routes
    keys = zip(routes["application"].astype(str), routes["route_id"], strict=True)
    return dict(zip(keys, routes["truck_id"], strict=True))


USUAL = {("1", "R1"): "T1", ("1", "R2"): "T2", ("2", "R1"): "T1", ("2", "R2"): "T2"}


def test_a_truck_of_one_storm_from_a_round_on(folder):
    own(folder, "R1,T2,Y1,salt,2\n")
    assert planned(folder, "s1") == {**USUAL, ("2", "R1"): "T2"}
    assert planned(folder, "s2") == USUAL, "no other night is changed"
    cards = {path.stem for path in (folder / "results/s1/cab_cards").glob("*.html")}
    assert cards == {"T1_R1_1", "T2_R1_2", "T2_R2_1", "T2_R2_2"}, "one for each run"
    findings = pd.read_csv(folder / "results/s1/plan_findings.csv")
    note = findings[findings["subject"] == "route R1"]["what"].iloc[0]
    assert note == "this storm's own assignment: truck T2 from application 2 on"


def test_scenarios_start_from_the_storms_own_trucks(folder):
    own(folder, "R1,T2,Y1,salt,2\n")
    table = compare(folder, "s1", quiet(), without=["T2"]).set_index("scenario")
    change = table.loc["T2 out", "change"]
    assert "R1 open" in change
    assert "R2 open" in change
    treated = runs.plan(folder, "s1", quiet()).routes
    of_t1 = treated.loc[treated["truck_id"] == "T1", "mass_lb"].sum() / 2000.0
    assert table.loc["T2 out", "mass_ton"] == pytest.approx(of_t1), "T1 does not come back for it"


def test_a_material_of_one_storm_is_what_its_silent_records_mean(folder):
    (folder / "materials.csv").write_text(
        "material,kind,chloride_fraction,chemical\nsalt,solid,0.588,NaCl\nsand,solid,,none\n"
    )
    own(folder, "R2,T2,Y1,sand,\n")
    workspace = using_workspace(folder)
    assert usual_materials(workspace, "s1") == {"T1": "salt", "T2": "sand"}
    assert usual_materials(workspace, "s2") == {"T1": "salt", "T2": "salt"}


def test_the_season_counts_material_against_the_yard_of_that_night(folder):
    (folder / "yards.csv").write_text("yard_id,lon,lat\nY1,-94,46\nY2,-93.9,46\n")
    own(folder, "R2,T2,Y2,salt,\n")
    (folder / "workspace.toml").write_text(
        (folder / "workspace.toml").read_text() + "as_of = 2027-01-10\n"
    )
    by_yard = runs.season(folder, quiet()).result.by_yard.set_index("yard_id")["used_ton"]
    of = {storm: runs.plan(folder, storm, quiet()).routes for storm in ("s1", "s2")}
    r2 = of["s1"].loc[of["s1"]["route_id"] == "R2", "mass_lb"].sum() / 2000.0
    assert by_yard["Y2"] == pytest.approx(r2)
    rest = sum(one["mass_lb"].sum() for one in of.values()) / 2000.0 - r2
    assert by_yard["Y1"] == pytest.approx(rest)


@pytest.mark.parametrize(
    ("row", "column", "words"),
    [
        ("R9,T2,Y1,salt,2", "route_id", "not in routes.geojson"),
        ("R1,T9,Y1,salt,2", "truck_id", "not in trucks.csv"),
        ("R1,T2,Y9,salt,2", "yard_id", "not in yards.csv"),
        ("R1,T2,Y1,slag,2", "material", "not in materials.csv"),
        ("R1,T2,Y1,salt,3", "from_application", "is not an application of this storm"),
    ],
)
@pytest.mark.parametrize(
    "command", [check, lambda folder, options: runs.plan(folder, "s1", options)]
)
def test_what_it_names_must_be_there(folder, command, row, column, words):
    own(folder, f"{row}\n")
    with pytest.raises(BadInput) as caught:
        command(folder, quiet())
    (problem,) = caught.value.problems
    assert (problem.file, problem.row, problem.column) == (
        "storms/s1/assignments.csv",
        2,
        column,
    )
    assert words in problem.what


def test_two_rows_of_a_route_from_the_same_round_are_one_too_many(folder):
    own(folder, "R1,T2,Y1,salt,2\nR1,T1,Y1,salt,2\n")
    with pytest.raises(BadInput, match="stands already"):
        check(folder, quiet())


def test_rounds_without_a_name_are_counted_as_the_plan_counts_them(folder):
    unnamed = "\n".join(line.rpartition(",")[0] + "," for line in TWO_ROUNDS.splitlines()[1:])
    (folder / "storms/s1/forecast.csv").write_text(f"{TWO_ROUNDS.splitlines()[0]}\n{unnamed}\n")
    (folder / "storms/s1/rates.csv").write_text(RATES.splitlines()[0] + "\n*,*,200\n")
    own(folder, "R1,T2,Y1,salt,2\n")
    assert planned(folder, "s1")["2", "R1"] == "T2"
