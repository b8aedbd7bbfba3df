"""The `season` command."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from pathlib import Path

import pandas as pd

from spreadplan.errors import BadInput, Problem
from spreadplan.frames import lines
from spreadplan.matching.network import Network
from spreadplan.planning.assigned import of_season
from spreadplan.reconcile.balance import balance_between_counts
from spreadplan.remarks import findings_table, merged_findings
from spreadplan.reports.environment_report import environment_report
from spreadplan.reports.season_report import season_report
from spreadplan.results import open_results
from spreadplan.results.workbook import write_workbook
from spreadplan.runs.calibrating import calibrate_fleet, judged_at
from spreadplan.runs.followed_again import followed_storm
from spreadplan.runs.in_force import WEATHER, plan_in_force
from spreadplan.runs.options import Options, say_cautions, write_reports, write_tables
from spreadplan.runs.planning import storm_start
from spreadplan.runs.reconciling import (
    Followed,
    Reconciled,
    issues_of,
    judge_storm,
    network_of,
    using_workspace,
)
from spreadplan.schema.results import RESULTS
from spreadplan.season import Season, SeasonAccounts, SeasonInputs, StormOfSeason, work_out_season
from spreadplan.season.records import record_findings, truck_history
from spreadplan.season.use import planned_storm
from spreadplan.views.issues import season_judged_by
from spreadplan.views.season_sheets import season_sheets
from spreadplan.views.season_view import SeasonView
from spreadplan.views.setting import setting_of, voice_of
from spreadplan.workspace import Workspace
from spreadplan.workspace.fingerprint import input_fingerprint
from spreadplan.workspace.issued import Issue

NOT_COUNTED = "storms/{}: no telemetry, forecast or rates; it is not counted"


@dataclass(frozen=True, eq=False, kw_only=True)
class SeasonRun:
    """A season with what it was made from.

    history : each truck's ratio storm by storm, see `season.records.truck_history`.
    books : every yard's balance, see `reconcile.balance.balance_between_counts`.
    fingerprint : of the input files.
    """

    workspace: Workspace
    storms: tuple[StormOfSeason, ...]
    result: SeasonAccounts
    history: pd.DataFrame
    books: pd.DataFrame
    fingerprint: str


def season(folder: Path, options: Options, as_of: str | None = None) -> SeasonRun:
    """Budgets, forecast, chloride and over-application of a season, with two reports."""
    made = compute_season(folder, options, as_of)
    setting = setting_of(made.workspace.settings, made.workspace.table("materials"))
    view = season_view(made)
    with open_results(folder, options.caution) as store:
        store.discard("season/*")
        tables = season_tables(made)
        write_tables(store, "season", tables, setting.voice)
        sheets = season_sheets(tables, view, setting)
        write_workbook(sheets, store.path("season/season.xlsx"), made.result.season.as_of)
        pages = [
            ("season/season_report", season_report(view, setting)),
            ("season/environment_report", environment_report(view, setting)),
        ]
        write_reports(store, pages, "season and environment report", options)
    _say(made, options)
    options.say(f"look at {folder / 'results' / 'season'}")
    return made


def compute_season(folder: Path, options: Options, as_of: str | None = None) -> SeasonRun:
    """Read, reconcile every storm and work out the season; nothing is written."""
    workspace = using_workspace(folder)
    say_cautions(workspace, options)
    wanted = season_of(workspace, as_of)
    network = network_of(workspace)  # one for all storms, followed and judged
    followed = {one.storm: one for one in _followed(workspace, network, options)}
    may_extend = as_of is None and workspace.settings.as_of is None
    workspace, known_to = _within(workspace, wanted, followed, may_extend, options)
    wanted = replace(wanted, as_of=known_to)
    followed = {name: one for name, one in followed.items() if name in workspace.storms}
    reconciled = _judged(workspace, network, followed, options)
    planned = _planned(workspace, [name for name in workspace.storms if name not in reconciled])
    storms = sorted(
        [*(_measured(name, one) for name, one in reconciled.items()), *planned],
        key=lambda one: one.start,
    )
    history = truck_history(
        {name: one.use.trucks for name, one in reconciled.items()},
        {one.storm: one.start for one in storms},
    )
    balances = balance_between_counts(
        workspace.table("stock_counts"),
        workspace.table("deliveries"),
        _tickets(workspace, "loads"),
        _tickets(workspace, "returns"),
    )
    balances = balances[balances["counted_at"] <= known_to].reset_index(drop=True)
    result = work_out_season(_inputs(workspace, wanted, storms, reconciled))
    found = merged_findings(result.findings, record_findings(history, balances))
    return SeasonRun(
        workspace=workspace,
        storms=tuple(storms),
        result=replace(result, findings=findings_table(found)),
        history=history,
        books=balances,
        fingerprint=input_fingerprint(folder),
    )


def season_of(workspace: Workspace, as_of: str | None) -> Season:
    """The season that the workspace's dates and budgets name."""
    settings = workspace.settings
    missing = [name for name in ("season_start", "season_end") if getattr(settings, name) is None]
    if missing or settings.season_start is None or settings.season_end is None:
        raise BadInput(
            [
                Problem(
                    file="workspace.toml",
                    row=0,
                    column=name,
                    what="is missing: a season needs its dates",
                    remedy=f"add {name} = 2026-10-15, with your own date",
                )
                for name in missing
            ]
        )
    first, last = settings.season_start, settings.season_end
    start = pd.Timestamp(datetime.combine(first, time.min, tzinfo=settings.timezone))
    start, end = start.tz_convert("UTC"), _day_end(last, workspace)
    known_to = min(judged_at(workspace, as_of), end)
    if as_of is None:
        known_to = max(known_to, _day_end(first, workspace))  # before it begins nothing is used
    if known_to <= start:
        raise BadInput(
            [
                Problem(
                    file="--as-of",
                    row=0,
                    column="*",
                    what="lies before the season's start",
                    remedy=f"write a date after {first.isoformat()}",
                )
            ]
        )
    name = _season_name(workspace.table("budgets"), first, last)
    return Season(
        name=name, start=start, end=end, as_of=known_to, confidence=workspace.policy.confidence
    )


def _day_end(day: date, workspace: Workspace) -> pd.Timestamp:
    zone = workspace.settings.timezone
    return pd.Timestamp(datetime.combine(day, time.max, tzinfo=zone)).tz_convert("UTC")


def _season_name(budgets: pd.DataFrame, first: date, last: date) -> str:
    """The season of the budgets: the only one, or the one named after the first year."""
    usual = f"{first.year}-{last.year % 100:02d}" if last.year > first.year else str(first.year)
    named = sorted(budgets["season"].unique())
    if not named or usual in named:
        return usual
    fitting = named if len(named) == 1 else [one for one in named if str(first.year) in one[:4]]
    if len(fitting) != 1:
        raise BadInput(
            [
                Problem(
                    file="budgets.csv",
                    row=0,
                    column="season",
                    what=f"has the seasons {', '.join(named)}, none of them {usual}",
                    remedy=f"name the season of workspace.toml {usual}",
                )
            ]
        )
    return str(fitting[0])


def _followed(workspace: Workspace, network: Network, options: Options) -> Iterator[Followed]:
    """What the trucks did in every storm with telemetry."""
    for storm in workspace.storms:
        if (workspace.folder / f"storms/{storm}/telemetry").is_dir():
            yield followed_storm(workspace, storm, network, options)


def _within(
    workspace: Workspace,
    wanted: Season,
    followed: dict[str, Followed],
    may_extend: bool,
    options: Options,
) -> tuple[Workspace, pd.Timestamp]:
    """The workspace with the storms that count, and the moment up to which storms are known.

    Without a date asked for, records later than today's date move it on.
    """
    times = {
        storm: (followed[storm].start, followed[storm].end)
        if storm in followed
        else (storm_start(workspace, storm),) * 2
        for storm in workspace.storms
        if storm in followed
        or workspace.issued.get(storm)
        or WEATHER & set(workspace.storms[storm])
    }
    for storm in workspace.storms:
        if storm not in times:
            options.caution(f"caution: {NOT_COUNTED.format(storm)}")
    known_to = wanted.as_of
    ends = [end for start, end in times.values() if wanted.start <= start <= wanted.end]
    if may_extend and ends:
        # the whole day, so that --as-of with the day shown gives the same report again
        last = max(ends).tz_convert(workspace.settings.timezone).date()
        known_to = min(max(known_to, _day_end(last, workspace)), wanted.end)
    kept = [name for name, (start, _) in times.items() if wanted.start <= start <= known_to]
    outside = sorted(set(times) - set(kept))
    if outside:
        options.say(f"not counted, outside the season up to its date: {', '.join(outside)}")
    storms = {name: workspace.storms[name] for name in kept}
    return replace(workspace, storms=storms), known_to


def _judged(
    workspace: Workspace, network: Network, followed: dict[str, Followed], options: Options
) -> dict[str, Reconciled]:
    if not followed:
        return {}
    reported = pd.concat([one.reported() for one in followed.values()], ignore_index=True)
    judged = {}
    with options.progress("reconciling storms", len(followed)) as step:
        for name, one in followed.items():
            judged[name] = judge_storm(workspace, one, network, reported)
            step()
    return judged


def _measured(storm: str, one: Reconciled) -> StormOfSeason:
    rounds = one.plan.rounds if one.plan is not None else 1
    return StormOfSeason(
        storm=storm,
        start=one.start,
        end=one.end,
        rounds=max(rounds, 1),
        parts=one.use.parts,
        segments=one.use.segments,
        forecast=one.workspace.forecast(storm),
    )


def _planned(workspace: Workspace, storms: list[str]) -> list[StormOfSeason]:
    """Storms without telemetry, as they were planned."""
    found = []
    for storm in storms:
        start, forecast = storm_start(workspace, storm), workspace.forecast(storm)
        fleet = calibrate_fleet(workspace, start, storm)
        plan = plan_in_force(workspace, storm, fleet)
        if plan is None:
            continue
        end = start if forecast["end"].isna().all() else forecast["end"].max()
        found.append(planned_storm(storm, start, pd.Timestamp(end), plan.segments, forecast))
    return found


def _tickets(workspace: Workspace, name: str) -> pd.DataFrame:
    frames = [workspace.table(name, storm) for storm in workspace.storms]
    return pd.concat(frames, ignore_index=True) if frames else workspace.table(name)


def _inputs(
    workspace: Workspace,
    wanted: Season,
    storms: list[StormOfSeason],
    reconciled: dict[str, Reconciled],
) -> SeasonInputs:
    areas = workspace.table("sensitive_areas")
    own = {name: workspace.table("storm_assignments", name) for name in workspace.storms}
    plans = [
        one.plan.segments.assign(storm=name)
        for name, one in reconciled.items()
        if one.plan is not None
    ]
    return SeasonInputs(
        season=wanted,
        storms=storms,
        routes=workspace.tables["routes"],
        assignments=of_season(workspace.table("assignments"), own),
        materials=workspace.table("materials"),
        budgets=workspace.table("budgets"),
        policy=workspace.policy,
        sensitive_areas=areas if len(areas) else None,
        calibrations={name: one.fleet.tests for name, one in reconciled.items()},
        planned=pd.concat(plans, ignore_index=True) if plans else None,
    )


def issues_of_season(
    workspace: Workspace, storms: Iterable[StormOfSeason]
) -> dict[str, list[Issue]]:
    """The issues of each storm that counts."""
    return {one.storm: issues_of(workspace, one.storm) for one in storms}


def season_tables(made: SeasonRun) -> dict[str, pd.DataFrame]:
    """Every table of the season by the name of its file."""
    result = made.result
    curves = [frame.assign(material=name) for name, frame in result.burn_down.items()]
    nothing = pd.DataFrame(columns=RESULTS["burn_down"].names)
    own = {
        "burn_down": pd.concat(curves, ignore_index=True) if curves else nothing,
        "truck_history": made.history,
        "yard_books": made.books,
    }
    season = (table.name for table in RESULTS.values() if table.folder == "season")
    return {name: own[name] if name in own else getattr(result, name) for name in season}


def season_view(made: SeasonRun) -> SeasonView:
    """What the reports of a season are made from."""
    workspace = made.workspace
    return SeasonView(
        result=made.result,
        storms=made.storms,
        history=made.history,
        books=made.books,
        routes=workspace.tables["routes"],
        areas=workspace.table("sensitive_areas"),
        policy=workspace.policy,
        fingerprint=made.fingerprint,
        judged_by=tuple(season_judged_by(issues_of_season(workspace, made.storms))),
        absent=workspace.absent,
    )


def _say(made: SeasonRun, options: Options) -> None:
    measured = sum(one.source == "measured" for one in made.storms)
    voice = voice_of(made.workspace.settings, made.workspace.table("materials"))
    for sentence in season_judged_by(issues_of_season(made.workspace, made.storms)):
        options.say(voice.say(sentence))
    options.say(
        f"season {made.result.season.name}: {len(made.storms)} storms, {measured} of them "
        f"reconciled; inputs {made.fingerprint}"
    )
    findings = made.result.findings
    for finding in lines(voice.table(findings[findings["severity"] == "problem"])):
        options.say(f"problem: {finding.subject}: {finding.what}; {finding.remedy}")
