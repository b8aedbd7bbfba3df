"""Files under another name, of another kind or in another place are named with their right name."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from spreadplan import runs
from spreadplan.cli import main
from spreadplan.schema.tables import TABLES
from spreadplan.workspace import read_workspace
from spreadplan.workspace.load import storm_names
from spreadplan.workspace.starter import starter_files
from tests.conftest import FILES
from tests.faults.rig import write_county
from tests.hostile.engine import quiet

pytestmark = pytest.mark.usefixtures("blank_charts")

GENERAL = [table.name for table in TABLES.values() if not table.per_storm]
PER_STORM = [table.name for table in TABLES.values() if table.per_storm]
LOADS = "ticket_id,truck_id,yard_id,loaded_at,material,net_lb\n"


def said(folder: Path) -> list[str]:
    """What a reading of everything says about files that are not read."""
    storms = dict.fromkeys(storm_names(folder), PER_STORM)
    read = read_workspace(folder, required=["trucks"], optional=[*GENERAL, "policy"], storms=storms)
    words = ("is not read", "is read as")
    return [str(caution) for caution in read.cautions if any(w in caution.what for w in words)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("file", "line"),
    [
        # another name
        ("storms/s1/Loads.csv", "is not read; call it loads.csv"),
        ("storms/s1/LOADS.CSV", "is not read; call it loads.csv"),
        ("storms/s1/loads.csv.txt", "is not read; call it loads.csv"),
        ("storms/s1/load.csv", "is not read; call it loads.csv"),
        ("storms/s1/loads (1).csv", "is not read; call it loads.csv"),
        ("storms/s1/loads - Copy.csv", "is not read; call it loads.csv"),
        ("storms/s1/Copy of loads.csv", "is not read; call it loads.csv"),
        ("storms/s1/loads 2026-12-01.csv", "is not read; call it loads.csv"),
        ("storms/s1/truck loads.csv", "is not read; call it loads.csv"),
        ("storms/s1/loads.csv ", "is not read; call it loads.csv"),
        ("budget.csv", "is not read; call it budgets.csv"),
        ("delivery.csv", "is not read; call it deliveries.csv"),
        ("Policy.toml", "is not read; call it policy.toml"),
        ("policy.toml.txt", "is not read; call it policy.toml"),
        ("column.toml", "is not read; call it columns.toml"),
        ("sensitive-areas.geojson", "is not read; call it sensitive_areas.geojson"),
        ("SensitiveAreas.gpkg", "is not read; call it sensitive_areas.gpkg"),
        ("sensitve_areas.geojson", "is not read; call it sensitive_areas.geojson"),
        ("sensitive_areas.json", "is not read; call it sensitive_areas.geojson"),
        (
            "SENSITIVE_AREAS.SHP",
            "is not read; call it sensitive_areas.shp, and the files that belong to it likewise",
        ),
        # another kind
        ("storms/s1/loads.xlsx", "is not read; save what it holds as loads.csv"),
        ("storms/s1/loads", "is not read; save what it holds as loads.csv"),
        ("storms/s1/Returns.ods", "is not read; save what it holds as returns.csv"),
        ("budgets 2026.xlsx", "is not read; save what it holds as budgets.csv"),
        ("policy.yaml", "is not read; save what it holds as policy.toml"),
        ("sensitive_areas.kml", "is not read; save what it holds as sensitive_areas.geojson"),
        ("sensitive_areas.dbf", "is not read; save what it holds as sensitive_areas.geojson"),
        # another place
        ("loads.csv", "is not read here; put it into the folder of its storm, storms/STORM/"),
        ("storms/loads.csv", "is not read here; put it into the folder it is for"),
        ("storms/trucks.csv", "is not read here; put it into the folder it is for"),
        ("storms/s1/trucks.csv", "is not read here; put it into the workspace's own folder"),
        ("storms/s1/policy.toml", "is not read here; put it into the workspace's own folder"),
        ("storms/s1/routes.gpkg", "is not read here; put it into the workspace's own folder"),
        (
            "telemetry.csv",
            "is not read here; put it into the folder of its storm, storms/STORM/ "
            "if it holds records of trucks",
        ),
        ("storms/s1/telemetry.csv", "is not read; put what it holds into telemetry/"),
        (
            "storms/s1/truck-7.csv",
            "is not read here; put it into storms/s1/telemetry/ if it holds records of trucks",
        ),
        (
            "storms/s1/truck-7.PARQUET",
            "is not read here; put it into storms/s1/telemetry/ if it holds records of trucks",
        ),
    ],
)
def test_a_file_that_seems_to_be_meant_is_named_with_its_right_name(workspace, file, line):
    folder = workspace({file: "x\n"})
    assert said(folder) == [f"{file}:0:*: {line}"]


@pytest.mark.parametrize(
    ("place", "line"),
    [
        ("storms/s1/Telemetry", "is not read; call the folder telemetry"),
        ("storms/s1/TELEMETRY", "is not read; call the folder telemetry"),
        ("telemetry", "is not read here; put it into the folder of its storm, storms/STORM/"),
        ("storms/s1/loads", "is not read; put its file beside this folder, as loads.csv"),
        ("sensitive_areas.gdb", "is not read; save what it holds as sensitive_areas.geojson"),
    ],
)
def test_so_is_a_folder(workspace, place, line):
    folder = workspace()
    (folder / place).mkdir()
    (folder / place / "a.csv").write_text("x\n")
    assert said(folder) == [f"{place}:0:*: {line}"]


def test_a_folder_of_storms_in_capitals(workspace):
    folder = workspace()
    (folder / "storms").rename(folder / "Storms")
    assert said(folder) == ["Storms:0:*: is not read; call the folder storms"]


@pytest.mark.slow
@pytest.mark.parametrize(
    "file",
    [
        "storms/s1/loads.pdf",
        "storms/s1/notes.docx",
        "~$loads.xlsx",
        "storms/s1/.~lock.loads.csv#",
        "storms/s1/loads.csv~",
        "trucks.xlsx",
        "Copy of trucks.csv",
        "routes.qgz",
        "routes.gpkg-wal",
        "routes.dbf",
        "storms/s1/forecast.ods",
        "notes.csv",
        "columns of the export.xlsx",
        "guide.html",
        "storms/readme.txt",
        "results/loads.xlsx",
    ],
)
def test_what_nobody_can_mean_is_left_alone(workspace, file):
    """Pictures and letters, locks of office programs, the sheet that a table was saved from."""
    assert said(workspace({file: "x\n"})) == []


def test_two_names_that_differ_in_capitals(workspace):
    folder = workspace({"Trucks.csv": FILES["trucks.csv"], "Routes.SHP": "x"})
    assert said(folder) == [
        "Routes.SHP:0:*: is not read, routes.geojson is; remove the one that is out of date",
        "Trucks.csv:0:*: is not read, trucks.csv is; remove the one that is out of date",
    ]


def test_where_capitals_make_no_difference_to_the_system(workspace, monkeypatch):
    """A name with capitals is then read: on another computer it would not be."""
    folder = workspace({"trucks.csv": None, "Trucks.csv": FILES["trucks.csv"]})
    (folder / "trucks.csv").hardlink_to(folder / "Trucks.csv")  # the system finds it by this name
    listed = os.listdir

    def without_it(place: object) -> list[str]:
        return [name for name in listed(place) if name != "trucks.csv"]  # type: ignore[arg-type]

    monkeypatch.setattr(os, "listdir", without_it)
    assert said(folder) == [
        "Trucks.csv:0:*: is read as trucks.csv here, which other computers would not do; "
        "call it trucks.csv"
    ]


def test_a_file_that_is_needed_is_named_beside_the_problem(workspace, capsys):
    folder = workspace({"trucks.csv": None, "Trucks.xlsx": "x"})
    assert main(["check", str(folder)]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert any(line.startswith("trucks.csv:0:*: file is missing") for line in lines)
    assert "caution: Trucks.xlsx:0:*: is not read; save what it holds as trucks.csv" in lines


@pytest.mark.slow
def test_a_command_speaks_of_the_files_that_it_would_use(tmp_path):
    folder = write_county(tmp_path / "county")
    (folder / "storms/s1/loads.csv").rename(folder / "storms/s1/Loads.csv")
    (folder / "Budgets.xlsx").touch()
    (folder / "budgets.csv").unlink()
    told: dict[str, list[str]] = {}
    for name, work in {
        "check": lambda options: runs.check(folder, options),
        "calibrate": lambda options: runs.calibrate(folder, options),
        "plan": lambda options: runs.plan(folder, "s1", options),
        "reconcile": lambda options: runs.reconcile(folder, "s1", options),
        "season": lambda options: runs.season(folder, options),
    }.items():
        told[name] = []
        work(quiet(told[name]))
    loads = "storms/s1/Loads.csv:0:*: is not read; call it loads.csv"
    budgets = "Budgets.xlsx:0:*: is not read; save what it holds as budgets.csv"
    speaks = {
        name: (any(loads in line for line in lines), any(budgets in line for line in lines))
        for name, lines in told.items()
    }
    assert speaks == {
        "check": (True, True),
        "calibrate": (False, False),
        "plan": (False, True),
        "reconcile": (True, True),
        "season": (True, True),
    }


@pytest.mark.slow
def test_the_starter_and_the_sample_have_no_stray_file(tmp_path):
    for name, text in starter_files("2026-10-01", "2027-04-30").items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)
    assert said(tmp_path) == []
    assert said(Path(__file__).parents[2] / "sample_routes" / "county") == []


def test_links_to_nothing_are_no_reason_to_stop(workspace):
    folder = workspace()
    (folder / "Trucks.csv").symlink_to(folder / "nothing")
    (folder / "storms/s1/Loads.csv").symlink_to(folder / "nothing")
    assert len(said(folder)) == 2
