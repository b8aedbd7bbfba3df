"""The commands from end to end: exit codes, what is written, and what stays when input is bad."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
from pyproj import Geod

from spreadplan.cli import build_parser, main
from spreadplan.errors import BadInput
from spreadplan.places import Outside
from spreadplan.runs.options import no_progress
from tests.conftest import FILES

pytestmark = pytest.mark.usefixtures("blank_charts")

REAL = Path(__file__).parent / "real_roads" / "workspace"
REAL_STORM = "2026-11-27-snow"

CONTRACT = {
    "calibration/tests.csv": "test_id,truck_id,material,gate_in,feeder_pct,net_lb,net_u_lb,"
    "duration_s,discharge_lb_per_min,discharge_u_lb_per_min,lb_per_count,lb_per_count_u,valid,"
    "reason",
    "calibration/discharge.csv": "truck_id,material,gate_in,feeder_pct,discharge_lb_per_min,"
    "discharge_u_lb_per_min,extrapolated",
    "s1/plan_segments.csv": "application,route_id,segment_id,truck_id,material,lane_miles,"
    "target_rate_lb_per_lane_mile,rate_source,speed_mph,discharge_lb_per_min,gate_in,feeder_pct,"
    "achieved_rate_lb_per_lane_mile,mass_lb,mass_lo_lb,mass_hi_lb,prewet_gal,max_speed_mph,"
    "status,note",
    "s1/plan_routes.csv": "application,route_id,truck_id,yard_id,material,lane_miles,mass_lb,"
    "mass_lo_lb,mass_hi_lb,loads,prewet_gal,minutes,status",
    "s1/plan_yards.csv": "yard_id,material,needed_ton,needed_hi_ton,on_hand_ton,short_ton",
}


def run(*words: object) -> int:
    return main([str(word) for word in words])


def generation(folder: Path) -> dict[str, bytes]:
    """Every result file with its content."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in (folder / "results").rglob("*")
        if path.is_file()
    }


@pytest.mark.slow
def test_calibrate_and_plan_write_the_columns_of_the_contract(workspace, capsys):
    folder = workspace()
    assert run("calibrate", folder, "--as-of", "2026-11-20", "--no-pdf") == 0
    assert run("plan", folder, "s1", "--no-pdf") == 0
    for name, columns in CONTRACT.items():
        header = (folder / "results" / name).read_text().splitlines()[0]
        assert header.split(",")[: columns.count(",") + 1] == columns.split(",")
    said = capsys.readouterr().out
    assert "yard Y1, Salt" in said


def test_check_writes_nothing(workspace):
    folder = workspace()
    before = sorted(folder.rglob("*"))
    assert run("check", folder) == 0
    assert sorted(folder.rglob("*")) == before


@pytest.mark.slow
@pytest.mark.parametrize("command", ["check", "calibrate", "plan"])
def test_bad_input_is_exit_code_2_and_changes_no_result(workspace, command, capsys):
    folder = workspace()
    run("calibrate", folder, "--no-pdf")
    run("plan", folder, "s1", "--no-pdf")
    before = generation(folder)
    capsys.readouterr()
    (folder / "trucks.csv").write_text(FILES["trucks.csv"].replace("14000", "heavy"))
    storm = ["s1", "--no-pdf"] if command == "plan" else []
    assert run(command, folder, *storm) == 2
    said = capsys.readouterr().err.splitlines()
    assert said[0].startswith('trucks.csv:2:capacity_lb: "heavy" is not a number; ')
    assert generation(folder) == before


def test_a_storm_that_is_not_there_and_one_without_weather(workspace, capsys):
    folder = workspace()
    assert run("plan", folder, "s9") == 2
    assert "name one of the storms: s1" in capsys.readouterr().err
    for name in ("rates", "forecast"):
        (folder / f"storms/s1/{name}.csv").unlink()
    assert run("plan", folder, "s1") == 2
    assert "neither a forecast nor the planner's own rates" in capsys.readouterr().err


NO_STORMS = ["..", "../..", "../s1", "s1/..", "s1/../s1", "s1/", "/etc", "", ".", "S1", "x\0y"]


@pytest.mark.parametrize("storm", NO_STORMS)
def test_a_storm_is_a_name_and_no_path(workspace, storm):
    assert run("plan", workspace(), storm) == 2


def library_calls(folder: Path, storm: str) -> list[Callable[[], object]]:
    """Everything in `runs` that takes a storm and may write."""
    from spreadplan import runs
    from spreadplan.runs.planning import compute_plan, planning_workspace
    from spreadplan.runs.reconciling import compute_use
    from spreadplan.runs.what_if import read_for_plan

    options = runs.Options(say=list, caution=list, progress=no_progress, pdf=False)
    return [
        lambda: runs.plan(folder, storm, options),
        lambda: runs.compare(folder, storm, options),
        lambda: runs.reconcile(folder, storm, options),
        lambda: compute_plan(folder, storm, options),
        lambda: compute_use(folder, storm, options),
        lambda: planning_workspace(folder, storm),
        lambda: read_for_plan(folder, storm),
    ]


@pytest.mark.slow
@pytest.mark.parametrize("storm", ["../..", "../../../x", "{}/x", "..\\..\\x", "C:x"])
def test_the_name_of_a_storm_is_judged_before_anything_is_written(workspace, tmp_path, storm):
    """``reconcile W ../..`` began a file beside the workspace before it looked at the name."""
    folder = workspace()
    storm = storm.format(tmp_path)
    (folder / "results").mkdir()
    before = sorted(tmp_path.rglob("*"))
    for call in library_calls(folder, storm):
        with pytest.raises((BadInput, Outside)):
            call()
        assert [path for path in sorted(tmp_path.rglob("*")) if path.name != ".lock"] == before


def test_a_storm_whose_name_is_a_path_elsewhere_is_refused_here(workspace, capsys):
    folder = workspace({"storms/a\\b/rates.csv": FILES["storms/s1/rates.csv"]})
    for command in ("plan", "reconcile", "check"):
        assert run(command, folder, *(["a\\b"] if command != "check" else [])) == 2
        assert "its name cannot be written" in capsys.readouterr().err


@pytest.mark.slow
def test_new_then_every_command_on_the_starter(tmp_path, capsys):
    folder = tmp_path / "mine"
    assert run("new", folder) == 0
    assert run("check", folder) == 0
    assert run("calibrate", folder, "--no-pdf") == 0
    assert run("plan", folder, "first-storm", "--no-pdf") == 0
    assert run("new", folder) == 2
    assert "is not a new or empty folder" in capsys.readouterr().err


def test_every_command_has_help(capsys):
    commands = next(
        action.choices for action in build_parser()._actions if isinstance(action.choices, dict)
    )
    assert {"demo", "new", "check", "calibrate", "plan"} <= set(commands)
    for command in commands:
        with pytest.raises(SystemExit) as stopped:
            main([command, "--help"])
        assert stopped.value.code == 0
        assert "WORKSPACE" in capsys.readouterr().out or command in ("demo", "new", "verify")


def test_help_starts_without_the_heavy_libraries():
    program = (
        "import sys; from spreadplan.cli import build_parser; build_parser();"
        "heavy = {'pandas', 'geopandas', 'numpy', 'matplotlib', 'scipy'} & set(sys.modules);"
        "sys.exit(', '.join(heavy) or 0)"
    )
    root = Path(__file__).parents[1]
    subprocess.run([sys.executable, "-c", program], check=True, cwd=root)


@pytest.mark.slow
def test_results_do_not_depend_on_the_run(workspace):
    folder = workspace()
    seen = []
    for _ in range(2):
        assert run("plan", folder, "s1", "--no-pdf") == 0
        results = generation(folder)
        seen.append({name: results[name] for name in results if not name.endswith(".gpkg")})
    assert seen[0] == seen[1]


# --- a piece of a real road network ------------------------------------------------------------


@pytest.fixture(scope="module")
def real(tmp_path_factory):
    """The real extract, planned end to end."""
    import shutil

    folder = tmp_path_factory.mktemp("real") / "workspace"
    shutil.copytree(REAL, folder)
    assert run("check", folder) == 0
    assert run("calibrate", folder, "--no-pdf") == 0
    assert run("plan", folder, REAL_STORM, "--no-pdf") == 0
    return folder


def test_real_roads_lane_miles_agree_with_the_ellipsoid(real):
    """Lengths again, one line at a time through pyproj's own method."""
    routes = gpd.read_file(real / "routes.geojson").to_crs("EPSG:4326")
    geod = Geod(ellps="WGS84")
    metres = [geod.geometry_length(line) for line in routes.geometry]
    expected = (pd.Series(metres) / 1609.344 * routes["lanes"]).sum()
    segments = pd.read_csv(real / f"results/{REAL_STORM}/plan_segments.csv")
    planned = segments.groupby("application")["lane_miles"].sum()
    assert planned.to_numpy() == pytest.approx(expected, rel=1e-8)


def test_real_roads_mass_adds_up_from_segments_to_yards(real):
    results = real / "results" / REAL_STORM
    segments, routes, yards = (
        pd.read_csv(results / f"plan_{name}.csv") for name in ("segments", "routes", "yards")
    )
    assert len(segments) > 288
    assert segments["mass_lb"].sum() == pytest.approx(routes["mass_lb"].sum(), rel=1e-7)
    assert yards["needed_ton"].sum() == pytest.approx(segments["mass_lb"].sum() / 2000, rel=1e-7)
    by_hand = segments["achieved_rate_lb_per_lane_mile"] * segments["lane_miles"]
    treated = segments["status"].isin(["ok", "extrapolated"])
    assert treated.any()
    assert segments["mass_lb"][treated].to_numpy() == pytest.approx(by_hand[treated], rel=1e-6)


def test_the_plan_opens_as_a_geopackage(real):
    path = real / f"results/{REAL_STORM}/plan.gpkg"
    layers = {name for name, _ in pyogrio.list_layers(path)}
    assert {"segments", "yards", "sensitive_areas"} <= layers
    segments = gpd.read_file(path, layer="segments")
    assert segments.crs.to_epsg() == 4326
    assert segments["mass_lb"].sum() > 0
