"""The rest of a storm, planned from what is known at a time: for `plan --at`, `issue` and the page.

Only `plan_rest` writes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from glob import escape
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.calibration import Calibration
from spreadplan.errors import BadInput, Problem
from spreadplan.frames import lines
from spreadplan.planning import StormPlan
from spreadplan.planning.rest_options import OPTIONS, RestPlans, rest_inputs, rest_plans
from spreadplan.planning.takeover import IN_TIME_MIN
from spreadplan.remarks import Finding, findings_table, merged_findings, remark
from spreadplan.reports.cab_card import CardIssue
from spreadplan.results import open_results
from spreadplan.runs.calibrating import calibrate_fleet
from spreadplan.runs.options import Options, pdf_writers_for, say_cautions, write_reports
from spreadplan.runs.planning import (
    Cards,
    plan_inputs,
    plan_pages,
    planning_workspace,
    say_plan,
    shares_as_steps,
    store_plan_tables,
    storm_start,
)
from spreadplan.runs.rest_cards import cards_against, last_cards
from spreadplan.runs.rest_followed import followed_until
from spreadplan.runs.rest_in_force import PlanNow, plan_now
from spreadplan.runs.rest_state import KnownByThen, known_at
from spreadplan.runs.scarcity import say_scarce, share_scarce
from spreadplan.views.setting import voice_of
from spreadplan.views.voice import Voice
from spreadplan.views.ways_out import WaysOut
from spreadplan.workspace import Workspace
from spreadplan.workspace.issued import ISSUED

BESIDE: Final = pd.Timedelta(hours=12)
"""The rest of a storm is planned so long before and after it at most."""
PROMISES: Final = (
    "application",
    "service_class",
    "lane_miles",
    "treated_lane_miles",
    "late_lane_miles",
    "late_min",
    "untreated_lane_miles",
)
"""Columns of `RestOfStorm.promises`; lane-miles of what the round asks for, those treated by the
moment, and of the rest: later than promised, the latest by minutes, and not treated at all."""


@dataclass(frozen=True, eq=False, kw_only=True)
class RestOfStorm:
    """The rest of a storm at a moment.

    Attributes
    ----------
    at : the moment, UTC.
    in_force : number of the issue in force at it, 0 for the plan from the files.
    trucks : one row a truck: `rest_state.STATE`, then late_min (of its next run in the plan; NaN
        for none).
    promises : see `PROMISES`, one row for each round and class that has something left.
    options : the table ``plan_options``.
    taken : the option that is the plan.
    cards : see `rest_cards.cards_against`: which runs get a new card.
    plan : of the rest; `reassigned` are the runs that it gives to other trucks.
    findings : of the state alone, see `remarks.findings_table`; those of the plan hold them too.
    """

    storm: str
    at: pd.Timestamp
    in_force: int
    trucks: pd.DataFrame
    promises: pd.DataFrame
    options: pd.DataFrame
    taken: str
    cards: pd.DataFrame
    plan: StormPlan
    findings: pd.DataFrame
    workspace: Workspace
    fleet: Calibration
    known: KnownByThen
    plan_now: PlanNow

    @property
    def ways(self) -> WaysOut:
        """What the plan was chosen from."""
        return WaysOut(self.at, self.options, self.taken)


def rest_of_storm(
    folder: Path, storm: str, at: str | pd.Timestamp, options: Options, option: str = ""
) -> RestOfStorm:
    """Plan the rest of a storm from what is known at a time; nothing is written.

    Parameters
    ----------
    at : the moment, as somebody wrote it (local time where it has no offset), or a moment.
    option : the way out that is to be the plan, one of `rest_options.OPTIONS`; "": others take over
        from trucks that are out, all else stays with its truck.

    Raises
    ------
    BadInput : what is wrong with the files, a time that is none or outside the storm.
    """
    return rest_in(*_begin(folder, storm, at), options, option)


def _begin(folder: Path, storm: str, at: str | pd.Timestamp) -> tuple[Workspace, str, pd.Timestamp]:
    """The workspace, the storm and the moment; what is wrong with them is said before all else."""
    workspace = planning_workspace(folder, storm, running=True)
    return workspace, storm, _moment(workspace, storm, at)


def rest_in(
    workspace: Workspace, storm: str, at: pd.Timestamp, options: Options, option: str = ""
) -> RestOfStorm:
    """As `rest_of_storm`, in a workspace that was read."""
    say_cautions(workspace, options)
    if option not in ("", *OPTIONS):
        what, remedy = f'"{option}" is no way out', f"write one of {', '.join(OPTIONS)}"
        raise BadInput([Problem(file="--option", row=0, column="*", what=what, remedy=remedy)])
    fleet = calibrate_fleet(workspace, storm_start(workspace, storm), storm)
    traces = followed_until(workspace, storm, at, options)
    now = plan_now(workspace, storm, fleet, at)
    known = known_at(workspace, storm, at, now, traces)
    inputs = plan_inputs(workspace, storm, fleet, at=at)
    inputs = replace(inputs, rest=known.rest, **_movements(workspace, storm, at))
    keys = zip(now.runs["application"], now.runs["route_id"], strict=True)
    wanted = dict(zip(keys, now.runs["truck_id"], strict=True))
    with options.progress("planning the rest and the ways out", 100) as step:
        plans = rest_plans(rest_inputs(inputs, wanted), option, shares_as_steps(step))
    cards = cards_against(plans.plan, last_cards(workspace, storm, at), known.rest.out)
    found = [*known.findings, *_about(now, known, plans), *_new_cards(cards)]
    findings = merged_findings(found, plans.plan.findings)
    plan = replace(plans.plan, findings=findings_table(findings))
    return RestOfStorm(
        storm=storm,
        at=at,
        in_force=now.number,
        trucks=_trucks(known, plan),
        promises=_promises(workspace, known, plan),
        options=plans.options,
        taken=plans.taken,
        cards=cards,
        plan=plan,
        findings=findings_table(found),
        workspace=workspace,
        fleet=fleet,
        known=known,
        plan_now=now,
    )


def _moment(workspace: Workspace, storm: str, at: str | pd.Timestamp) -> pd.Timestamp:
    from spreadplan.runs.issuing import moment_of  # late: it imports this

    told = at if isinstance(at, str) else at.isoformat()
    return moment_of(workspace, storm, told, BESIDE)


def _movements(workspace: Workspace, storm: str, at: pd.Timestamp) -> dict[str, Any]:
    """Tickets of all storms, and counts with those of the log, up to a moment."""
    found = {}
    for name, when in (("loads", "loaded_at"), ("returns", "returned_at")):
        frames = [workspace.table(name, one) for one in workspace.storms]
        whole = pd.concat(frames, ignore_index=True)
        found[name] = whole[whole[when] <= at]
    log = workspace.table("log", storm)
    log = log[(log["what"] == "stock") & (log["time"] <= at)]
    counts = workspace.table("stock_counts")
    told = log[["yard_id", "material"]].assign(counted_at=log["time"], on_hand_lb=log["value_lb"])
    counts = counts[counts["counted_at"] <= at]
    whole = pd.concat([counts, told], ignore_index=True) if len(told) else counts
    return {**found, "stock_counts": whole}


def _about(now: PlanNow, known: KnownByThen, plans: RestPlans) -> list[Finding]:
    """What the plan of the rest rests on."""
    about = remark("of_times")
    base = remark("rest_of_issue", number=now.number) if now.number else remark("rest_of_files")
    found = [
        Finding("note", about, remark("rest_from", at=known.rest.at, base=base, option=plans.taken))
    ]
    lapsed = known.rest.left_out
    for label, rows in lapsed.groupby("application", sort=False):
        routes = sorted(rows["route_id"].unique())
        what = remark("round_is_over", application=str(label), routes=routes)
        found.append(Finding("caution", about, what, (remark("next_round_treats_it"),)))
    return found


def _new_cards(cards: pd.DataFrame) -> Iterator[Finding]:
    """How many drivers get another card, where cards were issued before."""
    if (cards["issue"] > 0).any():
        what = remark(
            "cards_new", new=int(cards["changed"].sum()), kept=int((~cards["changed"]).sum())
        )
        yield Finding("note", remark("of_cards"), what)


def cards_of(rest: RestOfStorm, number: int | None = None) -> Cards:
    """The cards that are made for the rest of a storm, with the issue of each.

    ``number`` : of the issue that is made; None for a plan that is not issued.
    """
    new = rest.cards[rest.cards["changed"]]
    return {
        (str(one.application), str(one.route_id)): None
        if number is None
        else CardIssue(number, int(one.issue) or None)
        for one in lines(new)
    }


def rest_pages(rest: RestOfStorm, number: int | None = None) -> Iterator[tuple[str, str]]:
    """The report on the rest of a storm, and the cards that are new."""
    only = cards_of(rest, number)
    return plan_pages(rest.workspace, rest.fleet, rest.plan, None, only, rest.ways)


def plan_rest(folder: Path, storm: str, at: str, options: Options, option: str = "") -> RestOfStorm:
    """Plan the rest of a storm and write it in place of its plan, with the cards that are new."""
    begun = _begin(folder, storm, at)
    with pdf_writers_for(options) as writing:
        rest = rest_in(*begun, writing, option)
        shares = share_scarce(rest.plan, rest.workspace.table("yards"))
        with open_results(folder, options.caution) as store:
            more = {"plan_options": rest.options}
            store_plan_tables(store, rest.workspace, storm, rest.plan, shares, more)
            store.discard(f"{escape(storm)}/cab_cards/*")
            write_reports(store, rest_pages(rest), "plan report and cab cards", writing)
    say_plan(rest.workspace, rest.plan, options)
    voice = voice_of(rest.workspace.settings, rest.workspace.table("materials"))
    _say_rest(rest, voice, options)
    say_scarce(shares, voice, options)
    options.say(f"look at {folder / 'results' / storm}")
    return rest


def _say_rest(rest: RestOfStorm, voice: Voice, options: Options) -> None:
    """What the plan of the rest rests on, and what each way out costs."""
    for finding in lines(voice.table(rest.findings)):
        if finding.severity != "problem":
            options.say(f"{finding.severity}: {finding.subject}: {finding.what}")
    for one in lines(rest.options):
        costs = remark(
            "rest_option_costs",
            option=one.option,
            late_lane_miles=one.late_lane_miles,
            late_min=one.late_min,
            untreated_lane_miles=one.untreated_lane_miles,
            lb=one.lb,
            hours=one.hours,
        )
        options.say(voice.say(costs))


def rest_to_issue(folder: Path, storm: str, at: str) -> tuple[Workspace, str, pd.Timestamp] | None:
    """What `rest_in` needs first, where a plan was issued before the moment; else None."""
    if not any((folder / "storms" / storm / ISSUED).glob("[0-9]*")):
        return None
    workspace, _, moment = _begin(folder, storm, at)
    before = any(one.issue.since < moment for one in workspace.issued[storm])
    if not before or moment <= storm_start(workspace, storm):
        return None
    return workspace, storm, moment


def _trucks(known: KnownByThen, plan: StormPlan) -> pd.DataFrame:
    first = plan.clock.drop_duplicates("truck_id")[["truck_id", "application", "route_id"]]
    keys = ["application", "route_id"]
    late = plan.routes.set_index(keys)["late_min"]
    late = late[~late.index.duplicated()]
    found = first.assign(late_min=late.reindex(pd.MultiIndex.from_frame(first[keys])).to_numpy())
    return known.trucks.assign(
        late_min=known.trucks["truck_id"].map(found.set_index("truck_id")["late_min"])
    )


def _promises(workspace: Workspace, known: KnownByThen, plan: StormPlan) -> pd.DataFrame:
    """See `PROMISES`."""
    segments = plan.segments
    keys = ["application", "service_class"]
    wanted = segments["target_rate_lb_per_lane_mile"] > 0.0
    miles = segments["lane_miles"].where(wanted, 0.0)
    late = segments["late_min"] > IN_TIME_MIN
    rows = segments[keys].assign(
        left=miles,
        late=miles.where(late, 0.0),
        late_min=segments["late_min"].where(late, 0.0),
        untreated=miles.where(segments["treated_at"].isna(), 0.0),
    )
    sums = rows.groupby(keys, sort=False)[["left", "late", "untreated"]].sum()
    sums["late_min"] = rows.groupby(keys, sort=False)["late_min"].max()
    done = _treated(workspace, known).reindex(sums.index).fillna(0.0)
    table = pd.DataFrame(
        {
            "lane_miles": sums["left"] + done,
            "treated_lane_miles": done,
            "late_lane_miles": sums["late"],
            "late_min": sums["late_min"],
            "untreated_lane_miles": sums["untreated"],
        }
    )
    return table.reset_index()[list(PROMISES)]


def _treated(workspace: Workspace, known: KnownByThen) -> pd.Series[float]:
    """Lane-miles treated by the moment, by round and class."""
    from spreadplan.planning.geometry import segment_lengths_mi

    routes = workspace.tables["routes"]
    miles = segment_lengths_mi(routes.geometry) * routes["lanes"].to_numpy(dtype=float)
    pairs = ["route_id", "segment_id"]
    whole = pd.DataFrame(routes[[*pairs, "service_class"]]).assign(miles=miles)
    both = known.made.merge(whole, on=pairs)
    share = np.minimum(both["share"].to_numpy(dtype=float), 1.0)
    both = both.assign(miles=both["miles"] * share)
    return both.groupby(["application", "service_class"])["miles"].sum()
