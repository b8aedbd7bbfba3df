"""The `plan` command."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from glob import escape
from pathlib import Path
from typing import Any, TypeAlias

import geopandas as gpd
import pandas as pd

from spreadplan.calibration import Calibration
from spreadplan.durable import put_text
from spreadplan.errors import BadInput, Problem
from spreadplan.frames import lines
from spreadplan.places import inside, own_file
from spreadplan.planning import PlanInputs, StormPlan, plan_and_takeover
from spreadplan.remarks import remark
from spreadplan.reports.cab_card import CardIssue, cab_cards
from spreadplan.reports.plan_report import PlanBackground, plan_report
from spreadplan.results import ResultStore, open_results
from spreadplan.results.geopackage import write_geopackage
from spreadplan.runs.calibrating import assignments_of, calibrate_fleet, judged_at
from spreadplan.runs.options import GENERAL, Options, say_cautions, write_reports, write_tables
from spreadplan.runs.scarcity import Shares, say_scarce, scarce_tables, share_scarce
from spreadplan.schema.policy import Pick
from spreadplan.schema.results import RESULTS
from spreadplan.schema.storm_tables import DRIVER_LOG
from spreadplan.views.plan_totals import in_lb, need_of_tank, stock_of
from spreadplan.views.scarce import scarce_parts
from spreadplan.views.setting import setting_of, voice_of
from spreadplan.views.ways_out import WaysOut
from spreadplan.workspace import Workspace, read_workspace
from spreadplan.workspace.issued import read_issues, with_present_names
from spreadplan.workspace.load import PLAN_FILE, storm_names
from spreadplan.workspace.tomlfiles import pick_text

#: the workspace's tables that a plan takes as they are
PLAN_TABLES = (
    "trucks",
    "materials",
    "yards",
    "stock_counts",
    "deliveries",
    "sensitive_areas",
    "areas",
    "shifts",
)
Cards: TypeAlias = Mapping[tuple[str, str], CardIssue | None]
#: what a map of the plan shows of a segment besides the contract's columns
MAP_FIELDS = ("name", "part", "area_id", "lanes", "zone", "yard_id")


def plan(folder: Path, storm: str, options: Options, pick: Pick | None = None) -> StormPlan:
    """Settings, material and loads for a storm; a cab card for each truck and route.

    pick : which end of the policy's ranges; it is kept for the storm. None: as was kept, else the
        middle.
    """
    workspace, fleet, result = compute_plan(folder, storm, options, pick)
    taken = pick or pick_of(workspace, storm)
    shares = share_scarce(result, workspace.table("yards"))
    with open_results(folder, options.caution) as store:
        store_plan_tables(store, workspace, storm, result, shares)
        store.discard(f"{escape(storm)}/cab_cards/*")
        pages = _pages(workspace, fleet, result, taken, shares)
        write_reports(store, pages, "plan report and cab cards", options)
    if taken != pick_of(workspace, storm):
        keep_pick(folder, storm, taken)
    say_plan(workspace, result, options)
    say_scarce(shares, voice_of(workspace.settings, workspace.table("materials")), options)
    options.say(f"look at {folder / 'results' / storm}")
    return result


def compute_plan(
    folder: Path,
    storm: str,
    options: Options,
    pick: Pick | None = None,
    at: Callable[[Workspace], pd.Timestamp] | None = None,
) -> tuple[Workspace, Calibration, StormPlan]:
    """Read, calibrate as of the storm's start, and plan; nothing is written.

    at : when it is planned, for what was read: the newest forecast not later than that counts;
        None: the newest of all.
    """
    workspace = planning_workspace(folder, storm)
    say_cautions(workspace, options)
    fleet = calibrate_fleet(workspace, storm_start(workspace, storm), storm)
    with options.progress("planning", 100) as step:
        inputs = plan_inputs(workspace, storm, fleet, pick, at and at(workspace))
        result = plan_and_takeover(inputs, shares_as_steps(step))
    return workspace, fleet, result


def planning_workspace(
    folder: Path, storm: str, *, leave_out: bool = False, running: bool = False
) -> Workspace:
    """Everything that planning needs, tickets of other storms included.

    leave_out : see `read_workspace`. running : with the storm's own tickets and issues too.
    """
    own = ("loads", "returns") if running else ()
    others = {name: ("loads", "returns") for name in storm_names(folder) if name != storm}
    workspace = read_workspace(
        folder,
        required=["routes", "trucks", "materials", "assignments"],
        optional=[*GENERAL, "policy"],
        storms={storm: ("forecast", "rates", "storm_assignments", "log", *own), **others},
        leave_out=leave_out,
    )
    if running:
        workspace = _with_issues(workspace, storm)
    given = workspace.storms[storm]
    if not {"forecast", "rates"} & set(given):
        if workspace.left_out:
            raise BadInput(workspace.left_out)
        raise BadInput(
            [
                Problem(
                    file=f"storms/{storm}/forecast.csv",
                    row=0,
                    column="*",
                    what="neither a forecast nor the planner's own rates are there",
                    remedy=f"add it, or storms/{storm}/rates.csv",
                )
            ]
        )
    return workspace


def _with_issues(workspace: Workspace, storm: str) -> Workspace:
    """With the issues of a storm that can be trusted; the others are cautions, since
    a storm that runs cannot wait until they are put right.
    """
    read = read_issues(workspace.folder, storm)
    place, routes = workspace.folder / "storms" / storm, workspace.tables["routes"]
    plans = tuple(with_present_names(one, place, routes) for one in read.plans)
    said = (*workspace.cautions, *(replace(one, fatal=False) for one in read.problems))
    return replace(workspace, issued={storm: plans}, cautions=said)


def storm_start(workspace: Workspace, storm: str) -> pd.Timestamp:
    """When spreading starts: calibrations must be in force then."""
    starts = pd.concat(
        [workspace.forecast(storm)["start"], workspace.table("rates", storm)["start"]]
    )
    return judged_at(workspace, None) if starts.isna().all() else pd.Timestamp(starts.min())


def pick_of(workspace: Workspace, storm: str) -> Pick:
    """Which end of the policy's ranges a storm is planned with: trucks are judged by that one."""
    return workspace.picks.get(storm, "by_round")


def keep_pick(folder: Path, storm: str, pick: Pick) -> None:
    """Note down in the storm's folder which end of the policy's ranges it was planned with."""
    path = inside(folder, f"storms/{storm}/{PLAN_FILE}")
    put_text(own_file(path), pick_text(pick))


def plan_inputs(
    workspace: Workspace,
    storm: str,
    fleet: Calibration,
    pick: Pick | None = None,
    at: pd.Timestamp | None = None,
) -> PlanInputs:
    """A workspace as the planner takes it; ``pick`` is the storm's own by default.

    ``at`` : when it is planned: the newest forecast not later than that counts; None: the newest.
    """

    def of_other_storms(name: str) -> pd.DataFrame:
        frames = [workspace.table(name, other) for other in workspace.storms if other != storm]
        return pd.concat(frames, ignore_index=True) if frames else workspace.table(name, storm)

    return PlanInputs(
        storm=storm,
        routes=workspace.tables["routes"],
        assignments=assignments_of(workspace, storm),
        loads=of_other_storms("loads"),
        returns=of_other_storms("returns"),
        forecast=workspace.forecast(storm, at),
        rates=workspace.table("rates", storm),
        policy=workspace.policy,
        models=fleet.models,
        advice=fleet.advice,
        gates_last_tested=fleet.gates_last_tested,
        next_voiding=fleet.next_voiding,
        liquid_models=fleet.liquid_models,
        next_liquid_voiding=fleet.next_liquid_voiding,
        pick=pick or pick_of(workspace, storm),
        **_as_they_are(workspace),
    )


def _as_they_are(workspace: Workspace) -> dict[str, Any]:
    return {name: workspace.table(name) for name in PLAN_TABLES}


def shares_as_steps(step: Callable[[], None]) -> Callable[[str, float], None]:
    """A progress function of shares of the work, as steps of a bar of 100."""
    done = 0

    def tell(_what: str, share: float) -> None:
        nonlocal done
        while done < round(100 * share):
            step()
            done += 1

    return tell


def plan_tables(result: StormPlan) -> dict[str, pd.DataFrame]:
    """Every table of a plan by the name of its file."""
    proposal = {} if result.reassigned.empty else {"plan_reassigned": result.reassigned}
    lots = {} if result.areas.empty else {"plan_areas": result.areas}
    return {
        "plan_segments": pd.DataFrame(result.segments.drop(columns="geometry")),
        "plan_routes": result.routes,
        "plan_yards": result.yards,
        "plan_settings": result.settings,
        "plan_reloads": result.reloads,
        "plan_clock": result.clock,
        "plan_melting": result.melting,
        "plan_weather": result.weather,
        "plan_findings": result.findings,
        **proposal,
        **lots,
    }


def store_plan_tables(
    store: ResultStore,
    workspace: Workspace,
    storm: str,
    result: StormPlan,
    shares: Shares,
    more: Mapping[str, pd.DataFrame] | None = None,
) -> None:
    """The tables of a plan and its GeoPackage, without its reports and cab cards."""
    tables = {**plan_tables(result), **scarce_tables(shares), **(more or {})}
    store.discard(f"{escape(storm)}/plan_scarce*")
    for name in ("plan_reassigned", "plan_options", "plan_areas"):
        store.discard(f"{escape(storm)}/{name}.csv")
    voice = voice_of(workspace.settings, workspace.table("materials"))
    write_tables(store, storm, tables, voice)
    described = {"segments": "plan_segments", "reload_points": "plan_reloads"}
    layers = _plan_layers(workspace, voice.whole(result))
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


def plan_pages(
    workspace: Workspace,
    fleet: Calibration,
    result: StormPlan,
    card_issue: CardIssue | None = None,
    only: Cards | None = None,
    ways: WaysOut | None = None,
) -> Iterator[tuple[str, str]]:
    """The plan report and the cab cards, each with its name.

    card_issue : which issue the cards belong to; None for a plan that was not issued.
    only : see `cab_cards`. ways : see `PlanBackground`.
    """
    pick: Pick = next(iter(result.routes["pick"]), "by_round")
    shares = share_scarce(result, workspace.table("yards"))
    yield from _pages(workspace, fleet, result, pick, shares, card_issue, only, ways)


def _pages(
    workspace: Workspace,
    fleet: Calibration,
    result: StormPlan,
    pick: Pick,
    shares: Shares,
    card_issue: CardIssue | None = None,
    only: Cards | None = None,
    ways: WaysOut | None = None,
) -> Iterator[tuple[str, str]]:
    setting = setting_of(workspace.settings, workspace.table("materials"))
    areas = workspace.table("sensitive_areas")
    absent = tuple(file for file in workspace.absent if f"storms/{result.storm}/" in file)
    scarce = scarce_parts(shares, setting.voice, result)
    yards = workspace.table("yards")
    background = PlanBackground(
        sensitive_areas=areas,
        yards=yards,
        policy=workspace.policy,
        pick=pick,
        absent=absent,
        scarce=scarce,
        ways=ways,
    )
    yield f"{result.storm}/plan_report", plan_report(result, fleet, background, setting)
    inputs_of = inputs_changed(workspace, result.storm)
    cards = cab_cards(
        result,
        areas,
        setting,
        fleet.as_of,
        inputs_of,
        yards=yards,
        issue=card_issue,
        only=only,
    )
    for name, page in cards:
        yield f"{result.storm}/cab_cards/{name}", page


def inputs_changed(workspace: Workspace, storm: str) -> str:
    """When the files that a plan rests on were changed last, to the minute: a later card shows it.

    The day that the workspace names as today, where it names one. The present moment would give
    the same inputs other bytes each time.
    """
    if workspace.settings.as_of:
        return workspace.settings.as_of.isoformat()
    folders = [workspace.folder, workspace.folder / "storms" / storm]
    files = [path for folder in folders for path in folder.iterdir() if path.is_file()]
    files = [path for path in files if path.name != DRIVER_LOG.file]  # no plan rests on it
    seconds = max(path.stat().st_mtime for path in files if not path.name.startswith("."))
    shown = setting_of(workspace.settings, workspace.table("materials")).display
    return shown.moment(pd.Timestamp(seconds, unit="s", tz="UTC"))


def say_plan(workspace: Workspace, result: StormPlan, options: Options) -> None:
    """Say what keeps the plan from being driven, and what each yard needs."""
    voice = voice_of(workspace.settings, workspace.table("materials"))
    findings = result.findings
    for finding in lines(voice.table(findings[findings["severity"] == "problem"])):
        options.say(f"problem: {finding.subject}: {finding.what}; {finding.remedy}")
    for yard in lines(in_lb(result.yards)):
        if math.isfinite(yard.needed_gal):
            options.say(voice.say(need_of_tank(yard)))
            continue
        need = remark(
            "need_of_yard",
            yard=yard.yard_id,
            material=yard.material,
            needed_lb=yard.needed_lb,
            most_lb=yard.needed_hi_lb,
            stock=stock_of(yard.on_hand_lb),
        )
        options.say(voice.say(need))
