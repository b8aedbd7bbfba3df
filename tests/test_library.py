"""From Python: the same answers as the commands, nothing written, and a surface that is kept."""

from __future__ import annotations

import inspect
import json
import re
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from matplotlib.figure import Figure

import spreadplan
from spreadplan.cli import main
from spreadplan.matching.prepare import observe
from spreadplan.resources import resource
from spreadplan.results.tables import as_described
from spreadplan.runs.warming import compile_kernels
from tests.reconcile import three_segments
from tests.test_results_steer_nothing import storm

pytestmark = pytest.mark.usefixtures("blank_charts")

SURFACE = [
    "BadInput",
    "CalibrationResult",
    "CannotWrite",
    "FeederSetting",
    "OpenWorkspace",
    "PlanResult",
    "Problem",
    "Result",
    "SeasonResult",
    "UseResult",
    "__version__",
    "fit_discharge_curve",
    "match_positions",
    "open_workspace",
    "setting_for_rate",
    "truck_ratios",
    "verdicts",
]
WORK = ["calibrate", "plan", "problems", "reconcile", "season", "storms", "tables"]
STEPS = ["fit_discharge_curve", "match_positions", "setting_for_rate", "truck_ratios", "verdicts"]
NOTEBOOK = Path(__file__).parents[1] / "sample_routes" / "from_python.ipynb"


# --- the surface -------------------------------------------------------------------------------


def test_the_surface_is_kept():
    assert sorted(spreadplan.__all__) == SURFACE
    assert all(getattr(spreadplan, name) is not None for name in SURFACE)
    public = [n for n in dir(spreadplan.OpenWorkspace) if not n.startswith("_")]
    assert public == WORK
    assert (Path(spreadplan.__file__).parent / "py.typed").is_file()
    with pytest.raises(AttributeError):
        spreadplan.nothing_of_the_kind  # noqa: B018


@pytest.mark.parametrize("name", [*STEPS, *(f"OpenWorkspace.{one}" for one in WORK)])
def test_public_functions_say_what_they_take_and_give(name):
    found: object = spreadplan
    for part in name.split("."):
        found = getattr(found, part)
    told = inspect.getdoc(found)
    assert told
    if isinstance(found, property):
        return
    signature = inspect.signature(found)
    asked = [one for one in signature.parameters if one != "self"]
    section = told.partition("Parameters\n----------\n")[2]
    for one in asked:
        assert re.search(rf"^{one}( :|,)", section, re.M) or f", {one} :" in section, one
    if name in STEPS:
        assert "Returns\n-------" in told
        assert "Source:" in told


def test_opening_costs_little():
    """A name is imported when it is first asked for."""
    code = (
        "import sys, spreadplan\n"
        "print(sum(name.split('.')[0] in ('pandas', 'numba') for name in sys.modules))"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "0"


# --- a workspace -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return storm(tmp_path_factory.mktemp("library") / "w")


def test_the_results_are_those_of_the_commands(folder):
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    opened = spreadplan.open_workspace(folder)
    assert opened.storms == ["s1"]
    assert opened.problems() == []
    assert len(opened.tables()["trucks"]) == 1
    results = {
        "calibration": opened.calibrate(),
        "s1": opened.plan("s1", pick="low"),
        "use": opened.reconcile("s1"),
        "season": opened.season(),
    }
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before
    for command in (["calibrate"], ["plan", "s1", "--pick", "low"], ["reconcile", "s1"]):
        assert main([command[0], str(folder), *command[1:], "--no-pdf"]) == 0
    for place, result in results.items():
        written = folder / "results" / ("s1" if place == "use" else place)
        for name, frame in result.tables.items():
            path = written / f"{name}.csv"
            if not path.exists():
                assert place == "season"
                continue
            if place == "use" and name != "use_trucks":
                continue  # planned masses follow the pick, which was kept only just now
            kept = pd.read_csv(path)
            assert list(as_described(name, frame).columns) == list(kept.columns), name
            assert len(frame) == len(kept), name
            for column in kept.select_dtypes("number").columns:
                if frame[column].dtype.kind == "M":
                    continue  # no moment in any row
                numbers = pd.to_numeric(frame[column], errors="coerce").astype(float)
                found = numbers.where(np.isfinite(numbers))  # no limit: an empty cell
                same = np.isclose(found, kept[column], rtol=1e-6, equal_nan=True)
                assert same.all(), (name, column)
        assert "<html" in result.page()
        assert result._repr_html_().startswith("<iframe srcdoc=")
        assert "rows" in str(result)
        drawn = result.plot()
        assert drawn is None or isinstance(drawn, Figure)
    assert isinstance(results["calibration"].plot(), Figure)
    assert isinstance(results["use"].plot(), Figure)
    assert "T1" in results["calibration"].of("T1").page()
    with pytest.raises(KeyError):
        results["calibration"].of("T9")


def test_a_folder_that_is_none_and_files_with_problems(tmp_path, folder):
    with pytest.raises(spreadplan.BadInput, match="is not a folder"):
        spreadplan.open_workspace(tmp_path / "nowhere")
    files = three_segments.files()
    files["trucks.csv"] = files["trucks.csv"].replace("14000", "heavy")
    opened = spreadplan.open_workspace(three_segments.write(tmp_path / "w", files))
    assert any(one.file == "trucks.csv" and one.fatal for one in opened.problems())
    with pytest.raises(spreadplan.BadInput, match=r"trucks\.csv:2:capacity_lb"):
        opened.calibrate()
    with pytest.raises(spreadplan.BadInput, match="is not a storm's folder"):
        spreadplan.open_workspace(folder).plan("../..")


# --- single steps ------------------------------------------------------------------------------


def test_a_curve_and_the_setting_for_a_rate():
    """q = r L v / 60: 250 lb per lane-mile on two lanes at 24 mph is 200 lb/min."""
    curve = spreadplan.fit_discharge_curve([20, 60, 100], [100, 300, 500], [1, 1, 1])
    setting = spreadplan.setting_for_rate(curve, 250.0, 24.0, lanes=2.0)
    assert setting.discharge_lb_per_min == pytest.approx(200.0)
    assert setting.feeder_pct == pytest.approx(40.0, abs=0.5)
    assert setting.rate_lo_lb_per_lane_mile < 250.0 < setting.rate_hi_lb_per_lane_mile
    assert setting.max_speed_mph == pytest.approx(60.0, rel=0.02)
    assert np.isnan(spreadplan.setting_for_rate(curve, 250.0, 90.0, lanes=2.0).feeder_pct)
    assert spreadplan.fit_discharge_curve([50], [0], [1]) is None
    for wrong in (([20], [1, 2], [1]), ([0], [1], [1]), ([20], [np.nan], [1]), ([], [], [])):
        with pytest.raises(ValueError, match="must"):
            spreadplan.fit_discharge_curve(*wrong)
    with pytest.raises(ValueError, match="above 0"):
        spreadplan.setting_for_rate(curve, 0.0, 24.0)


def test_a_trace_lies_on_the_road_that_was_driven():
    lines = [shapely.LineString([(-94.0, 46.0), (-94.0, 46.02)]),
             shapely.LineString([(-94.0, 46.02), (-93.98, 46.02)])]  # fmt: skip
    routes = gpd.GeoDataFrame(
        {"route_id": ["R1", "R1"], "segment_id": ["north", "east"]}, geometry=lines, crs=4326
    )
    north = np.linspace(46.001, 46.019, 19)
    times = pd.Timestamp("2026-12-01T10:00Z") + pd.to_timedelta(8 * np.arange(19), unit="s")
    records = pd.DataFrame({"time": times, "lon": -94.0, "lat": north})
    found = spreadplan.match_positions(routes, records)
    assert set(found["segment_id"]) == {"north"}
    assert found["along"].all()
    assert found["offset_m"].abs().max() < 1.0
    back = spreadplan.match_positions(routes, records.assign(lat=north[::-1]))
    assert not back["along"].any()


def test_a_trace_runs_the_kernels_that_the_commands_run():
    """Else the first trace of every installation waits for a quarter of a minute more."""
    compile_kernels()
    lines = [shapely.LineString([(-94.0, 46.0), (-94.0, 46.02)])]
    routes = gpd.GeoDataFrame({"route_id": "R1", "segment_id": ["a"]}, geometry=lines, crs=4326)
    times = pd.Timestamp("2026-12-01T10:00Z") + pd.to_timedelta(8 * np.arange(19), unit="s")
    given = {"lon": -94.0, "lat": np.linspace(46.001, 46.019, 19)}
    records = pd.DataFrame({"time": times, **given, "heading_deg": 0.0, "speed_mph": 30.0})
    spreadplan.match_positions(routes, records.iloc[::2])
    assert all("readonly" not in str(kinds) for kinds in observe.signatures)
    assert all(", A)" not in str(kinds) for kinds in observe.signatures), "not in one piece"


def test_the_ratio_of_a_truck_by_its_tickets():
    storms = [f"s{n}" for n in range(6)]
    reported = pd.DataFrame(
        {"storm": storms, "truck_id": "T1", "material": "salt", "reported_lb": 10_000.0}
    )
    loads = pd.DataFrame(
        {
            "storm": storms,
            "truck_id": "T1",
            "material": "salt",
            "loaded_at": pd.Timestamp("2026-12-01T08:00Z"),
            "net_lb": 12_500.0,
            "scale_division_lb": 20.0,
        }
    )
    none = loads.iloc[:0].rename(columns={"loaded_at": "returned_at"})
    ratio = spreadplan.truck_ratios(reported, loads, none, "s5").iloc[0]
    assert ratio["ratio"] == pytest.approx(1.25, rel=0.03)
    assert ratio["verdict"] == "reports too little"


def test_verdicts_keep_their_guard_band():
    found = spreadplan.verdicts([118, 119], 5.0, 100.0, over_pct=10, confidence=0.95)
    assert found["verdict"].tolist() == ["probably_over", "over"]  # 110 + 1.645 x 5 = 118.2
    assert spreadplan.verdicts(100, 5, np.nan)["verdict"].tolist() == ["unknown"]


# --- the notebook ------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_notebook_runs(monkeypatch):
    monkeypatch.chdir(resource("sample_routes"))
    names: dict[str, object] = {}
    for cell in json.loads(NOTEBOOK.read_text())["cells"]:
        if cell["cell_type"] == "code":
            exec("".join(cell["source"]), names)
    assert isinstance(names["setting"], spreadplan.FeederSetting)
