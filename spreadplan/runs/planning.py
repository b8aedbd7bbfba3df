"""The `plan` command."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from glob import escape
from pathlib import Path

import geopandas as gpd
import pandas as pd

from spreadplan.calibration import Calibration
from spreadplan.errors import BadInput, Problem
from spreadplan.frames import lines
from spreadplan.planning import PlanInputs, StormPlan, plan_storm
from spreadplan.planning.rates import Pick
from spreadplan.reports.cab_card import cab_cards
from spreadplan.reports.plan_report import PlanBackground, plan_report
from spreadplan.results import ResultStore, open_results
from spreadplan.results.geopackage import write_geopackage
from spreadplan.runs.calibrating import assignments_of, calibrate_fleet, judged_at
from spreadplan.runs.options import GENERAL, Options, say_cautions, write_reports, write_tables
from spreadplan.runs.scarcity import Shares, say_scarce, scarce_tables, share_scarce
from spreadplan.schema.results import RESULTS
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.scarce import scarce_parts
from spreadplan.views.setting import setting_of
from spreadplan.workspace import Workspace, read_workspace
from spreadplan.workspace.load import storm_names

#: the workspace's tables that a plan takes as they are
PLAN_TABLES = (
    "trucks",
    "materials",
    "yards",
    "stock_counts",
    "deliveries",
    "sensitive_areas",
)
#: what a map of the plan shows of a segment besides the contract's columns
MAP_FIELDS = ("name", "part", "area_id", "lanes", "zone", "yard_id")


def plan(folder: Path, storm: str, options: Options, pick: Pick = "middle") -> StormPlan:
    """Settings, material and loads for a storm; a cab card for each truck and route."""
    workspace, fleet, result = compute_plan(folder, storm, options, pick)
    shares = share_scarce(result, workspace.table("yards"))
    with open_results(folder, options.caution) as store:
        _store_plan_tables(store, workspace, storm, result, shares, pick)
        store.discard(f"{escape(storm)}/cab_cards/*")
        pages = _pages(workspace, fleet, result, pick, shares)
        write_reports(store, pages, "plan report and cab cards", options)
    _say_plan(workspace, result, options)
    say_scarce(shares, options)
    options.say(f"look at {folder / 'results' / storm}")
    return result


def compute_plan(
    folder: Path, storm: str, options: Options, pick: Pick = "middle"
) -> tuple[Workspace, Calibration, StormPlan]:
    """Read, calibrate as of the storm's start, and plan; nothing is written."""
    workspace = planning_workspace(folder, storm)
    say_cautions(workspace, options)
    fleet = calibrate_fleet(workspace, storm_start(workspace, storm), storm)
    with options.progress("planning", 100) as step:
        result = plan_storm(plan_inputs(workspace, storm, fleet, pick), _steps(step))
    return workspace, fleet, result


def planning_workspace(folder: Path, storm: str) -> Workspace:
    """Everything that planning needs, tickets of other storms included."""
    others = {name: ("loads", "returns") for name in storm_names(folder) if name != storm}
    workspace = read_workspace(
        folder,
        required=["routes", "trucks", "materials", "assignments"],
        optional=[*GENERAL, "policy"],
        storms={storm: ("forecast", "rates", "storm_assignments"), **others},
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


def storm_start(workspace: Workspace, storm: str) -> pd.Timestamp:
    """When spreading starts: calibrations must be in force then."""
    starts = pd.concat([workspace.table(name, storm)["start"] for name in ("forecast", "rates")])
    return judged_at(workspace, None) if starts.isna().all() else pd.Timestamp(starts.min())


def pick_of(workspace: Workspace, storm: str) -> Pick:
    """Which end of the policy's ranges the storm was planned with last, as plan_routes.csv says.

    The middle without a plan: the trucks must be judged by the rates that were on their cards.
    """
    path = workspace.folder / "results" / storm / "plan_routes.csv"
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            said = next(csv.DictReader(file), {}).get("pick")
    except (OSError, ValueError, csv.Error):
        return "middle"
    return "low" if said == "low" else "high" if said == "high" else "middle"


def plan_inputs(workspace: Workspace, storm: str, fleet: Calibration, pick: Pick) -> PlanInputs:
    """A workspace as the planner takes it."""

    def of_other_storms(name: str) -> pd.DataFrame:
        frames = [workspace.table(name, other) for other in workspace.storms if other != storm]
        return pd.concat(frames, ignore_index=True) if frames else workspace.table(name, storm)

    return PlanInputs(
        storm=storm,
        routes=workspace.tables["routes"],
        assignments=assignments_of(workspace, storm),
        loads=of_other_storms("loads"),
        returns=of_other_storms("returns"),
        forecast=workspace.table("forecast", storm),
        rates=workspace.table("rates", storm),
        policy=workspace.policy,
        models=fleet.models,
        advice=fleet.advice,
        gates_last_tested=fleet.gates_last_tested,
        next_voiding=fleet.next_voiding,
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
        shares = share_scarce(result, workspace.table("yards"))
        _store_plan_tables(store, workspace, storm, result, shares, "middle")


def _store_plan_tables(
    store: ResultStore,
    workspace: Workspace,
    storm: str,
    result: StormPlan,
    shares: Shares,
    pick: Pick,
) -> None:
    tables = {
        "plan_segments": result.segments.drop(columns="geometry"),
        "plan_routes": result.routes,
        "plan_yards": result.yards,
        "plan_settings": result.settings,
        "plan_reloads": result.reloads,
        "plan_melting": result.melting,
        "plan_findings": result.findings,
        **scarce_tables(shares),
    }
    store.discard(f"{escape(storm)}/plan_scarce*")
    write_tables(store, storm, tables, workspace.settings.timezone)
    described = {"segments": "plan_segments", "reload_points": "plan_reloads"}
    layers = _plan_layers(workspace, result)
    write_geopackage(layers, store.path(f"{storm}/plan.gpkg"), described)


def _plan_layers(workspace: Workspace, result: StormPlan) -> dict[str, gpd.GeoDataFrame]:
    """Layers of plan.gpkg: segments, where hoppers run out, yards, sensitive areas."""
    columns = RESULTS["plan_segments"].names
    columns = [*columns[: columns.index("note") + 1], *MAP_FIELDS]
    segments = result.segments[[*columns, "geometry"]]
    layers = {"segments": segments, "sensitive_areas": workspace.table("sensitive_areas")}
    for name, frame in (("reload_points", result.reloads), ("yards", workspace.table("yards"))):
        points = gpd.points_from_xy(frame["lon"], frame["lat"], crs="EPSG:4326")
        layers[name] = gpd.GeoDataFrame(frame, geometry=points)
    return layers


def _pages(
    workspace: Workspace, fleet: Calibration, result: StormPlan, pick: Pick, shares: Shares
) -> Iterator[tuple[str, str]]:
    setting = setting_of(workspace.settings)
    areas = workspace.table("sensitive_areas")
    absent = tuple(file for file in workspace.absent if f"storms/{result.storm}/" in file)
    scarce = scarce_parts(shares, setting.display)
    yards = workspace.table("yards")
    background = PlanBackground(areas, yards, workspace.policy, pick, absent, scarce)
    yield f"{result.storm}/plan_report", plan_report(result, fleet, background, setting)
    for name, page in cab_cards(result, areas, setting, fleet.as_of):
        yield f"{result.storm}/cab_cards/{name}", page


def _say_plan(workspace: Workspace, result: StormPlan, options: Options) -> None:
    shown = setting_of(workspace.settings).display
    for finding in lines(result.findings[result.findings["severity"] == "problem"]):
        options.say(f"problem: {finding.subject}: {finding.what}; {finding.remedy}")
    for yard in lines(result.yards):
        need, most, stock = (
            shown.show(POUNDS_PER_TON * tons, "bulk")
            for tons in (yard.needed_ton, yard.needed_hi_ton, yard.on_hand_ton)
        )
        options.say(
            f"yard {yard.yard_id}, {yard.material}: needs {need} (at most {most}), "
            + ("stock not counted" if pd.isna(yard.on_hand_ton) else f"has {stock}")
        )
