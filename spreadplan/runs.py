"""One function for each command: read → compute → results → reports. The only place that joins."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time
from functools import partial
from pathlib import Path

import geopandas as gpd
import pandas as pd

from spreadplan import calibration as calibration_room
from spreadplan.calibration import Calibration
from spreadplan.errors import BadInput, Problem
from spreadplan.frames import lines
from spreadplan.planning import PlanInputs, StormPlan, plan_storm
from spreadplan.planning.plan import SEGMENT_COLUMNS
from spreadplan.planning.rates import Pick
from spreadplan.resources import resource
from spreadplan.results import ResultStore, open_results
from spreadplan.results.geopackage import write_geopackage
from spreadplan.results.tables import write_csv
from spreadplan.schema.tables import TABLES
from spreadplan.workspace import Workspace, read_workspace
from spreadplan.workspace.load import storm_names
from spreadplan.workspace.starter import write_starter

#: the workspace's tables that a plan takes as they are
PLAN_TABLES = (
    "assignments",
    "trucks",
    "materials",
    "yards",
    "stock_counts",
    "deliveries",
    "sensitive_areas",
)
#: what a map of the plan shows of a segment besides the contract's columns
MAP_FIELDS = ("name", "part", "area_id", "lanes", "zone", "yard_id")
PER_STORM = tuple(table.name for table in TABLES.values() if table.per_storm)
GENERAL = tuple(table.name for table in TABLES.values() if not table.per_storm)
TESTING = ("trucks", "materials", "discharge_tests", "weighings")

Progress = Callable[[str, int], AbstractContextManager[Callable[[], None]]]


@dataclass(frozen=True)
class Options:
    """How a command speaks, and what it may leave out.

    ``say`` gets what the command did, ``caution`` what is odd but usable; ``progress(what, total)``
    is a context that gives a function to call after each step.
    """

    say: Callable[[str], None]
    caution: Callable[[str], None]
    progress: Progress
    pdf: bool = True


@contextmanager
def no_progress(_what: str, _total: int) -> Iterator[Callable[[], None]]:
    """Progress that nobody sees."""
    yield lambda: None


def new(folder: Path, options: Options) -> None:
    """Write a starter workspace."""
    today = date.today()
    start = date(today.year if today.month >= 5 else today.year - 1, 10, 1)
    end = date(start.year + 1, 4, 30)
    _refuse_full(folder)
    files = write_starter(folder, start.isoformat(), end.isoformat())
    options.say(f"{len(files)} files written to {folder}; about-the-files.html explains each")
    options.say(f"replace the example rows with your own, then run: spreadplan check {folder}")


def _refuse_full(folder: Path) -> None:
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise BadInput(
            [Problem(str(folder), 0, "*", "is not a new or empty folder", "name another")]
        )


def check(folder: Path, options: Options) -> None:
    """Read every input, report every problem, write nothing."""
    storms = dict.fromkeys(storm_names(folder), PER_STORM)
    workspace = read_workspace(
        folder, required=["trucks", "materials"], optional=[*GENERAL, "policy"], storms=storms
    )
    _cautions(workspace, options)
    for name, frame in workspace.tables.items():
        options.say(f"{TABLES[name].file}: {len(frame)} rows")
    for storm, tables in workspace.storms.items():
        for name, frame in tables.items():
            options.say(f"storms/{storm}/{TABLES[name].file}: {len(frame)} rows")
    _absent(workspace, options)
    options.say("no problems found" if not workspace.cautions else "nothing that stops the work")


def _cautions(workspace: Workspace, options: Options) -> None:
    for caution in workspace.cautions:
        options.caution(f"caution: {caution}")


def _absent(workspace: Workspace, options: Options) -> None:
    for file in workspace.absent:
        options.say(f"{file}: not there; what needs it is left out")


# --- calibrate ---------------------------------------------------------------------------------


def calibrate(folder: Path, options: Options, as_of: str | None = None) -> Calibration:
    """Discharge models with uncertainty, a certificate per truck, a blank work sheet."""
    workspace = read_workspace(
        folder, required=TESTING, optional=["changes", "assignments", "policy"]
    )
    _cautions(workspace, options)
    result = calibrate_fleet(workspace, _as_of(workspace, as_of))
    with open_results(folder) as store:
        _write_calibration(store, workspace, result, options)
    valid = int(result.tests["valid"].sum())
    options.say(
        f"{len(result.models)} discharge models from {valid} of {len(result.tests)} tests that "
        f"count on {result.as_of.tz_convert(workspace.settings.timezone).date()}"
    )
    for line in result.advice[result.advice["need"] == "test"]["advice"]:
        options.say(f"to test: {line}")
    options.say(f"look at {folder / 'results' / 'calibration'}")
    return result


def calibrate_fleet(workspace: Workspace, as_of: pd.Timestamp) -> Calibration:
    """The calibration of every truck as it stands at a moment."""
    return calibration_room.calibrate(
        tests=workspace.table("discharge_tests"),
        weighings=workspace.table("weighings"),
        trucks=workspace.table("trucks"),
        materials=workspace.table("materials"),
        changes=workspace.table("changes"),
        assignments=workspace.table("assignments"),
        policy=workspace.policy,
        as_of=as_of,
    )


def _as_of(workspace: Workspace, given: str | None) -> pd.Timestamp:
    """The date that validity is judged at: the given one, today, or the end of a past season."""
    zone = workspace.settings.timezone
    if given is not None:
        try:
            day = date.fromisoformat(given)
        except ValueError:
            problem = Problem("--as-of", 0, "*", f'"{given}" is not a date', "write 2026-12-01")
            raise BadInput([problem]) from None
    else:
        day = datetime.now(zone).date()
        end = workspace.settings.season_end
        day = min(day, end) if end else day
    return pd.Timestamp(datetime.combine(day, time.max, tzinfo=zone)).tz_convert("UTC")


def _write_calibration(
    store: ResultStore, workspace: Workspace, result: Calibration, options: Options
) -> None:
    zone = workspace.settings.timezone
    for name, frame in (
        ("tests", result.tests),
        ("models", result.models_table),
        ("discharge", result.discharge),
        ("drift", result.drift),
        ("advice", result.advice),
    ):
        write_csv(frame, store.path(f"calibration/{name}.csv"), zone)
    store.discard("calibration/certificate_*")


# --- plan --------------------------------------------------------------------------------------


def plan(folder: Path, storm: str, options: Options, pick: Pick = "middle") -> StormPlan:
    """Settings, material and loads for a storm; a cab card for each truck and route."""
    workspace, fleet, result = compute_plan(folder, storm, options, pick)
    with open_results(folder) as store:
        _store_plan_tables(store, workspace, storm, result)
    _say_plan(result, options)
    options.say(f"look at {folder / 'results' / storm}")
    return result


def compute_plan(
    folder: Path, storm: str, options: Options, pick: Pick = "middle"
) -> tuple[Workspace, Calibration, StormPlan]:
    """Read, calibrate as of the storm's start, and plan; nothing is written."""
    workspace = _planning_workspace(folder, storm)
    _cautions(workspace, options)
    fleet = calibrate_fleet(workspace, _storm_start(workspace, storm))
    with options.progress("planning", 100) as step:
        result = plan_storm(_plan_inputs(workspace, storm, fleet, pick), _steps(step))
    return workspace, fleet, result


def _planning_workspace(folder: Path, storm: str) -> Workspace:
    others = {name: ("loads", "returns") for name in storm_names(folder) if name != storm}
    workspace = read_workspace(
        folder,
        required=["routes", "trucks", "materials", "assignments", "yards"],
        optional=[*GENERAL, "policy"],
        storms={storm: ("forecast", "rates"), **others},
    )
    given = workspace.storms[storm]
    if not {"forecast", "rates"} & set(given):
        raise BadInput(
            [
                Problem(
                    f"storms/{storm}/forecast.csv",
                    0,
                    "*",
                    "neither a forecast nor the planner's own rates are there",
                    f"add it, or storms/{storm}/rates.csv",
                )
            ]
        )
    return workspace


def _storm_start(workspace: Workspace, storm: str) -> pd.Timestamp:
    """When spreading starts: calibrations must be in force then."""
    starts = pd.concat([workspace.table(name, storm)["start"] for name in ("forecast", "rates")])
    return _as_of(workspace, None) if starts.isna().all() else pd.Timestamp(starts.min())


def _plan_inputs(workspace: Workspace, storm: str, fleet: Calibration, pick: Pick) -> PlanInputs:
    def of_other_storms(name: str) -> pd.DataFrame:
        frames = [workspace.table(name, other) for other in workspace.storms if other != storm]
        return pd.concat(frames, ignore_index=True) if frames else workspace.table(name, storm)

    return PlanInputs(
        storm=storm,
        routes=workspace.tables["routes"],
        loads=of_other_storms("loads"),
        returns=of_other_storms("returns"),
        forecast=workspace.table("forecast", storm),
        rates=workspace.table("rates", storm),
        policy=workspace.policy,
        models=fleet.models,
        advice=fleet.advice,
        pick=pick,
        **{name: workspace.table(name) for name in PLAN_TABLES},
    )


def _steps(step: Callable[[], None]) -> Callable[[str, float], None]:
    """A progress function of shares of the work, as steps of a bar of 100."""
    done = 0

    def tell(_what: str, share: float) -> None:
        nonlocal done
        while done < round(100 * share):
            step()
            done += 1

    return tell


def write_plan_tables(folder: Path, workspace: Workspace, storm: str, result: StormPlan) -> None:
    """The plan without its reports and cab cards."""
    with open_results(folder) as store:
        _store_plan_tables(store, workspace, storm, result)


def _store_plan_tables(
    store: ResultStore, workspace: Workspace, storm: str, result: StormPlan
) -> None:
    zone = workspace.settings.timezone
    for name, frame in (
        ("plan_segments", result.segments.drop(columns="geometry")),
        ("plan_routes", result.routes),
        ("plan_yards", result.yards),
        ("plan_settings", result.settings),
        ("plan_reloads", result.reloads),
        ("plan_melting", result.melting),
        ("plan_findings", result.findings),
    ):
        write_csv(frame, store.path(f"{storm}/{name}.csv"), zone)
    write_geopackage(_plan_layers(workspace, result), store.path(f"{storm}/plan.gpkg"))
    store.discard(f"{storm}/cab_cards/*")


def _plan_layers(workspace: Workspace, result: StormPlan) -> dict[str, gpd.GeoDataFrame]:
    """Layers of plan.gpkg: segments, where hoppers run out, yards, sensitive areas."""
    segments = result.segments[[*SEGMENT_COLUMNS, *MAP_FIELDS, "geometry"]]
    layers = {"segments": segments, "sensitive_areas": workspace.table("sensitive_areas")}
    for name, frame in (("reload_points", result.reloads), ("yards", workspace.table("yards"))):
        points = gpd.points_from_xy(frame["lon"], frame["lat"], crs="EPSG:4326")
        layers[name] = gpd.GeoDataFrame(frame, geometry=points)
    return layers


def _say_plan(result: StormPlan, options: Options) -> None:
    for finding in lines(result.findings[result.findings["severity"] == "problem"]):
        options.say(f"problem: {finding.subject}: {finding.what}; {finding.remedy}")
    for yard in lines(result.yards):
        options.say(
            f"yard {yard.yard_id}, {yard.material}: needs {yard.needed_ton:.0f} tons "
            f"(up to {yard.needed_hi_ton:.0f}), has {yard.on_hand_ton:.0f}"
        )


# --- demo --------------------------------------------------------------------------------------


def demo(folder: Path, options: Options) -> None:
    """Copy the sample county and run every command on it."""
    _refuse_full(folder)
    shutil.copytree(resource("sample_routes") / "county", folder, dirs_exist_ok=True)
    steps: Iterable[tuple[str, Callable[[], object]]] = [
        ("check", lambda: check(folder, options)),
        ("calibrate", lambda: calibrate(folder, options)),
        *(
            (f"plan {storm}", partial(plan, folder, storm, options))
            for storm in storm_names(folder)
        ),
    ]
    for name, step in steps:
        options.say(f"--- spreadplan {name}")
        step()
