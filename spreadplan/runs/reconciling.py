"""The `reconcile` command."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import pandas as pd

from spreadplan.calibration import Calibration
from spreadplan.errors import BadInput, Problem
from spreadplan.frames import lines
from spreadplan.matching.network import Network, build_network
from spreadplan.planning.assigned import of_season
from spreadplan.reconcile.in_force import InForce
from spreadplan.reconcile.storm import StormEvidence, StormUse, Surroundings, storm_use
from spreadplan.reconcile.use import TruckUse, stacked
from spreadplan.reconcile.verdicts import kinds
from spreadplan.reports.use_report import UseBackground, use_report
from spreadplan.results import open_results
from spreadplan.results.geopackage import write_geopackage
from spreadplan.results.points import PointsFile
from spreadplan.runs.calibrating import calibrate_fleet
from spreadplan.runs.cluster import cluster
from spreadplan.runs.crews import Crew, threads
from spreadplan.runs.driver_log import beside_records
from spreadplan.runs.in_force import plan_in_force
from spreadplan.runs.options import GENERAL, Options, say_cautions, write_reports, write_tables
from spreadplan.runs.planning import storm_start
from spreadplan.runs.reported import reported_mass, tasks_of, with_silent
from spreadplan.runs.scanning import scan
from spreadplan.schema.telemetry import TruckRecords
from spreadplan.telemetry.scan import TelemetryFiles
from spreadplan.views.issues import judged_by
from spreadplan.views.setting import setting_of, voice_of
from spreadplan.views.voice import Voice
from spreadplan.views.words import term
from spreadplan.workspace import Workspace, read_workspace
from spreadplan.workspace.issued import Issue
from spreadplan.workspace.load import known_storm, storm_names
from spreadplan.workspace.references import NEAR_A_STORM

IF_TOLD: Final = ("use_ahead_of_plow", "use_temperatures", "use_driver_log", "use_buckets")
"""Tables that are written only where the records tell of it."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Reconciled:
    """A reconciled storm with what it was made from."""

    workspace: Workspace
    fleet: Calibration
    plan: InForce | None
    use: StormUse
    trucks: tuple[TruckUse, ...]
    start: pd.Timestamp
    end: pd.Timestamp
    rows_read: int
    rows_kept: int
    quarantine: pd.DataFrame
    refused: dict[str, int]
    put_right: dict[str, int]
    driver_log: pd.DataFrame


def reconcile(folder: Path, storm: str, options: Options, address: str = "") -> Reconciled:
    """What went where in a storm, against the plan.

    ``address`` : of a Dask scheduler whose workers follow the trucks; "" does it here.
    """
    known_storm(folder, storm)  # before a file of its name is begun
    with open_results(folder, options.caution) as store:
        points = PointsFile(store.path(f"{storm}/use_points.parquet"))
        with points:
            result = compute_use(folder, storm, options, points.add, address)
        workspace = result.workspace
        voice = voice_of(workspace.settings, workspace.table("materials"))
        for name in IF_TOLD:
            store.discard(f"{storm}/{name}.csv")
        write_tables(store, storm, use_tables(result), voice)
        write_geopackage(
            _layers(result, voice), store.path(f"{storm}/use.gpkg"), {"segments": "use_segments"}
        )
        page = report_page(storm, result)
        write_reports(store, [(f"{storm}/use_report", page)], "usage report", options)
    _say(storm, result, options)
    options.say(f"look at {folder / 'results' / storm}")
    return result


def use_tables(result: Reconciled) -> dict[str, pd.DataFrame]:
    """Every table of a reconciled storm by the name of its file."""
    return {
        "use_segments": result.use.segments,
        "use_trucks": result.use.trucks,
        "use_routes": result.use.routes,
        "balance": result.use.balance,
        "quarantine": result.quarantine,
    } | {
        name: table
        for name, table in zip(
            IF_TOLD,
            (
                result.use.ahead_of_plow,
                result.use.temperatures,
                result.driver_log,
                result.use.buckets,
            ),
            strict=True,
        )
        if len(table)
    }


def compute_use(
    folder: Path,
    storm: str,
    options: Options,
    each: Callable[[TruckUse, Network, TruckRecords], None] = lambda use, network, records: None,
    address: str = "",
) -> Reconciled:
    """Read, match and judge; nothing is written.

    ``each`` is called with the use of every truck, its network and its records, in order of truck;
    the points of the trucks are not kept. ``address`` : see `reconcile`.
    """
    known_storm(folder, storm)
    workspace = using_workspace(folder)
    say_cautions(workspace, options)
    with ThreadPoolExecutor(1, "network") as aside:
        building = aside.submit(network_of, workspace)  # while the files are read
        with scan(workspace, storm, options) as files:
            network = building.result()
            followed = _follow_files(workspace, storm, files, network, options, each, address)
    for caution in _elsewhen(workspace, followed):
        options.caution(f"caution: {caution}")
    reported = [followed.reported()]
    with options.progress("other storms of the season", len(workspace.storms) - 1) as step:
        for other in workspace.storms:
            if other != storm:
                found = reported_mass(workspace, other, network)
                reported.append(found.assign(storm=other))
                step()
    return judge_storm(workspace, followed, network, pd.concat(reported, ignore_index=True))


def _elsewhen(workspace: Workspace, followed: Followed) -> Iterator[Problem]:
    """Weather or tickets of another time than the trucks' records: a wrong date, or folder."""
    place = f"storms/{followed.storm}"
    for name, begin, end in (
        ("forecast", "start", "end"),
        ("loads", "loaded_at", "loaded_at"),
        ("returns", "returned_at", "returned_at"),
    ):
        rows = workspace.table(name, followed.storm)
        if rows.empty:
            continue
        early, late = followed.start - rows[end].max(), rows[begin].min() - followed.end
        if max(early, late) > NEAR_A_STORM:
            days = round(max(early, late) / pd.Timedelta(days=1))
            what = f"ends {days} days before" if early > late else f"begins {days} days after"
            yield Problem(
                file=f"{place}/{name}.csv",
                row=0,
                column=begin,
                what=f"{what} the trucks' records",
                remedy="check the dates of both: they do not belong to one storm",
                fatal=False,
            )


@dataclass(frozen=True, eq=False, kw_only=True)
class Followed:
    """What the trucks did in a storm, before it is judged."""

    storm: str
    trucks: tuple[TruckUse, ...]
    usable: Mapping[str, float]
    rows_read: int
    rows_kept: int
    quarantine: pd.DataFrame
    refused: dict[str, int]
    put_right: dict[str, int]

    @property
    def start(self) -> pd.Timestamp:
        """Time of the first record."""
        return pd.Timestamp(min(use.first_s for use in self.trucks), unit="s", tz="UTC")

    @property
    def end(self) -> pd.Timestamp:
        """Time of the last record."""
        return pd.Timestamp(max(use.last_s for use in self.trucks), unit="s", tz="UTC")

    def reported(self) -> pd.DataFrame:
        """Reported mass by storm, truck and material, as `reconcile.tickets.storm_tickets` asks."""
        segments = stacked([use.segments for use in self.trucks])
        sums = segments.groupby(["truck_id", "material"])["reported_lb"].sum().reset_index()
        known = {use.truck_id: use.known_share for use in self.trucks}
        step_lb = {use.truck_id: use.step_lb for use in self.trucks}
        spread_s = {use.truck_id: use.spread_s for use in self.trucks}
        set_rate = {use.truck_id: use.set_rate for use in self.trucks}
        rows = with_silent(sums, known, self.usable, step_lb, spread_s, set_rate)
        return rows.assign(storm=self.storm)


def follow_storm(
    workspace: Workspace,
    storm: str,
    network: Network,
    options: Options,
) -> Followed:
    """Read the telemetry of a storm and match it; the points of the trucks are not kept."""
    with scan(workspace, storm, options) as files:
        return _follow_files(workspace, storm, files, network, options, lambda *_: None, "")


def _follow_files(
    workspace: Workspace,
    storm: str,
    files: TelemetryFiles,
    network: Network,
    options: Options,
    each: Callable[[TruckUse, Network, TruckRecords], None],
    address: str,
) -> Followed:
    """Match a storm's telemetry; ``each`` and ``address`` as in `compute_use`."""
    uses = []
    voice = voice_of(workspace.settings)
    steps = options.progress(f"matching {voice.storm(storm)}", len(files.truck_rows))
    with steps as step, cluster(network, address) if address else threads(network) as crew:
        for use, records in follow(workspace, storm, files, crew):
            # what could not be read was not heard
            heard = use.heard_share * files.usable.get(use.truck_id, 1.0)
            use = replace(use, heard_share=heard)
            each(use, network, records)
            uses.append(use)
            step()
    return Followed(
        storm=storm,
        trucks=tuple(uses),
        usable=files.usable,
        rows_read=files.rows_read,
        rows_kept=files.rows_kept,
        quarantine=files.quarantine(),
        refused=files.refused_by_kind(),
        put_right=_put_right(files, uses),
    )


def judge_storm(
    workspace: Workspace, followed: Followed, network: Network, reported: pd.DataFrame
) -> Reconciled:
    """Judge a storm against its plan and the tickets.

    ``reported`` : as `Followed.reported` gives it, of all storms of the workspace.
    """
    storm = followed.storm
    fleet = calibrate_fleet(workspace, storm_start(workspace, storm), storm)
    plan = plan_in_force(workspace, storm, fleet, followed.trucks)
    judged = storm_use(
        _storm(workspace, followed, plan, reported),
        _surroundings(workspace, fleet, storm),
        network,
        followed.trucks,
    )
    return Reconciled(
        workspace=workspace,
        fleet=fleet,
        plan=plan,
        use=judged,
        trucks=followed.trucks,
        start=followed.start,
        end=followed.end,
        rows_read=followed.rows_read,
        rows_kept=followed.rows_kept,
        quarantine=followed.quarantine,
        refused=followed.refused,
        put_right=followed.put_right,
        driver_log=beside_records(workspace, storm, plan, followed.trucks, judged.trucks),
    )


def using_workspace(folder: Path) -> Workspace:
    """Everything that reconciling needs, tickets of all storms included."""
    tables = ("forecast", "rates", "storm_assignments", "loads", "returns", "driver_log")
    return read_workspace(
        folder,
        required=["routes", "trucks", "materials", "assignments"],
        optional=[*GENERAL, "policy"],
        storms=dict.fromkeys(storm_names(folder), tables),
        issued=True,
    )


def follow(
    workspace: Workspace, storm: str, files: TelemetryFiles, crew: Crew
) -> Iterator[tuple[TruckUse, TruckRecords]]:
    """Each truck's use, in order of truck."""
    task = tasks_of(workspace, storm)
    return crew.in_order(task(records) for records in files.by_truck())


def network_of(workspace: Workspace) -> Network:
    """The roads, ready for matching."""
    try:
        return build_network(workspace.tables["routes"])
    except ValueError as error:
        problem = Problem(
            file=workspace.files["routes"],
            row=0,
            column="geometry",
            what=str(error),
            remedy="divide it and try again",
        )
        raise BadInput([problem]) from None


def _storm(
    workspace: Workspace, followed: Followed, plan: InForce | None, reported: pd.DataFrame
) -> StormEvidence:
    def tickets(name: str) -> pd.DataFrame:
        frames = [workspace.table(name, one).assign(storm=one) for one in workspace.storms]
        return pd.concat(frames, ignore_index=True)

    nothing = no_rows(
        ["route_id", "segment_id", "material", "area_id", "application", "truck_id"],
        ["lane_miles", "mass_lb", "mass_lo_lb", "mass_hi_lb", "cap_lb_per_lane_mile"],
    )
    routes = no_rows(["route_id", "material"], ["mass_lb", "mass_lo_lb", "mass_hi_lb"])
    return StormEvidence(
        name=followed.storm,
        start=followed.start,
        end=followed.end,
        starts={name: storm_start(workspace, name) for name in workspace.storms},
        reported=reported,
        loads=tickets("loads"),
        returns=tickets("returns"),
        planned=plan.segments if plan else nothing,
        planned_routes=plan.runs if plan else routes,
        plan=plan,
        forecast=workspace.forecast(followed.storm),
    )


def issues_of(workspace: Workspace, storm: str) -> list[Issue]:
    """The issues of a storm, in order."""
    return [one.issue for one in workspace.issued.get(storm, ())]


def no_rows(texts: Iterable[str], numbers: Iterable[str]) -> pd.DataFrame:
    """A table without rows whose columns have their types."""
    kinds = dict.fromkeys(texts, object) | dict.fromkeys(numbers, float)
    return pd.DataFrame({name: pd.Series([], dtype=kind) for name, kind in kinds.items()})


def _surroundings(workspace: Workspace, fleet: Calibration, storm: str) -> Surroundings:
    names = (
        "routes",
        "materials",
        "stock_counts",
        "deliveries",
        "discharge_tests",
        "changes",
    )
    return Surroundings(
        **{name: workspace.table(name) for name in names},
        assignments=of_season(
            workspace.table("assignments"), {storm: workspace.table("storm_assignments", storm)}
        ),
        policy=workspace.policy,
        models_table=fleet.models_table,
        drift=fleet.drift,
    )


def _put_right(files: TelemetryFiles, uses: list[TruckUse]) -> dict[str, int]:
    """Odd things of the records that were put right, by what they are."""
    counts = dict(files.counts)
    for use in uses:
        for what, number in use.counts.items():
            counts[what] = counts.get(what, 0) + number
    return counts


def report_page(storm: str, result: Reconciled) -> str:
    """The usage report as HTML."""
    workspace, plan = result.workspace, result.plan
    table = workspace.table
    nothing = pd.DataFrame(
        columns=["route_id", "segment_id", "material", "application", "mass_lb", "area_id"]
    )
    background = UseBackground(
        storm=storm,
        start=result.start,
        end=result.end,
        planned=plan.segments if plan else nothing,
        judged_by=judged_by(issues_of(workspace, storm)),
        routes=workspace.tables["routes"],
        areas=table("sensitive_areas"),
        yards=table("yards"),
        policy=workspace.policy,
        rows_read=result.rows_read,
        rows_kept=result.rows_kept,
        quarantine=result.quarantine,
        refused=result.refused,
        put_right=result.put_right,
        heard={use.truck_id: use.heard_share for use in result.trucks},
        left_out_lb={use.truck_id: use.left_out_lb for use in result.trucks},
        absent=workspace.absent,
        driver_log=result.driver_log,
    )
    return use_report(
        result.use, background, setting_of(workspace.settings, workspace.table("materials"))
    )


def _layers(result: Reconciled, voice: Voice) -> dict[str, pd.DataFrame]:
    """Layers of use.gpkg: segments with their verdict, and piles."""
    routes = result.workspace.tables["routes"][["route_id", "segment_id", "geometry"]]
    segments = routes.merge(
        voice.table(result.use.segments), on=["route_id", "segment_id"], how="inner"
    )
    return {"segments": segments, "standing_mass": result.use.piles}


def _say(storm: str, result: Reconciled, options: Options) -> None:
    counts = kinds(result.use.segments).value_counts()
    judged = ", ".join(
        f"{number} {term('use_verdict', str(kind)).words}" for kind, number in counts.items()
    )
    options.say(f"{result.rows_kept} of {result.rows_read} records used; segments: {judged}")
    options.say(
        f"a plain comparison would have made {result.use.plain.unsupported} findings more that "
        "the data don't support"
    )
    voice = voice_of(result.workspace.settings, result.workspace.table("materials"))
    if result.plan is not None:
        options.say(voice.say(judged_by(issues_of(result.workspace, storm))))
    for truck in lines(result.use.trucks[result.use.trucks["verdict"] != "agrees"]):
        verdict = term("truck_verdict", truck.verdict).words
        what = f"truck {truck.truck_id}, {voice.material(truck.material)}: {verdict}"
        options.say(f"{what}; {voice.say(truck.advice)}")
