"""What the page of a storm that runs rests on: the plan in force, its times, what was logged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import pandas as pd

from spreadplan.errors import BadInput, Problem
from spreadplan.remarks import Remark, remark
from spreadplan.runs.issuing import present_moment, storm_end
from spreadplan.runs.planning import storm_start
from spreadplan.views.issues import one_issue
from spreadplan.views.storm_now import StormNow, clock_in_force, runs_in_force, storm_now
from spreadplan.web.visits import Visit
from spreadplan.web.work.result_tables import read_result
from spreadplan.workspace.issued import ABOUT, ISSUED, Issue, read_issues

OF_A_PLAN: Final = ("plan_clock", "plan_routes")
_COLUMNS: Final = ["application", "route_id", "truck_id", "mass_lb", "late_min"]


@dataclass(frozen=True, kw_only=True)
class Running:
    """A storm at a moment.

    Attributes
    ----------
    at : the moment that is looked at; present : what the clock says.
    begin, end : of the storm.
    now : its trucks; None where the plan has no times.
    by : which plan that is, in a remark.
    number : of the issue in force, 0 without one.
    problems : of issues that cannot be used.
    classes : route → its class of winter service.
    """

    at: pd.Timestamp
    present: pd.Timestamp
    begin: pd.Timestamp
    end: pd.Timestamp
    now: StormNow | None
    by: Remark
    number: int
    problems: tuple[Problem, ...]
    classes: dict[str, str]

    @property
    def state(self) -> Remark | None:
        """That it has not begun, is over or has no times; None while it runs."""
        if self.now is None:
            return remark("storm_has_no_times")
        if self.at < self.now.begin and self.at < self.begin:
            minutes = (self.begin - self.at).total_seconds() / 60.0
            return remark("storm_begins", start=self.begin, minutes=minutes)
        over = max(self.end, self.now.end)
        return remark("storm_is_over", end=over) if self.at > over else None


def running(visit: Visit, storm: str, at: pd.Timestamp | None) -> Running:
    """A storm at a moment, None for the present one. Raises BadInput where it cannot be planned."""
    computed = visit.site.computed
    workspace, _ = computed.inputs(storm)
    present = present_moment(workspace)
    moment = present if at is None else at
    found = read_issues(visit.site.folder, storm, tables=False)
    problems = list(found.problems)
    tables: list[tuple[Issue, dict[str, pd.DataFrame]]] = []
    for one in found.plans:
        if one.issue.since > moment and tables:
            break
        try:
            tables.append((one.issue, _issued(visit, one.issue)))
        except BadInput as error:
            problems += error.problems
    begin = storm_start(workspace, storm)
    if tables:
        clocks = [(issue.since, read["plan_clock"]) for issue, read in tables]
        listed = [read["plan_routes"][_COLUMNS] for _, read in tables]
        if clocks[0][0] > begin:  # what went before, as far as anybody can say
            plan = computed.plan(storm).plan
            clocks = [(begin, plan.clock), *clocks]
            listed = [plan.routes[_COLUMNS], *listed]
        clock, runs = clock_in_force(clocks), runs_in_force(listed)
        issues = [issue for issue, _ in tables]
        by = remark("now_by_issues", issues=[one_issue(issue) for issue in issues])
        number = issues[-1].number
    else:
        plan = computed.plan(storm).plan
        clock, runs, number = plan.clock, plan.routes, 0
        by = remark("now_by_files")
    log = workspace.table("log", storm)
    classes = workspace.table("routes").groupby("route_id")["service_class"].min()
    return Running(
        at=moment,
        present=present,
        begin=begin,
        end=storm_end(workspace, storm),
        now=storm_now(clock, runs, log, moment, visit.display),
        by=by,
        number=number,
        problems=tuple(problems),
        classes={str(name): str(one) for name, one in classes.items()},
    )


def _issued(visit: Visit, issue: Issue) -> dict[str, pd.DataFrame]:
    """The tables of an issue that tell its times. Raises BadInput where they cannot be read."""
    shown = f"storms/{issue.storm}/{ISSUED}/{issue.number}"
    place = visit.site.folder / shown
    key = ("issued", issue.storm, issue.number, (place / ABOUT).stat().st_mtime_ns)

    def make() -> dict[str, pd.DataFrame]:
        return {
            name: read_result(place / f"{name}.csv", f"{shown}/{name}.csv") for name in OF_A_PLAN
        }

    return visit.site.computed.remember(key, make)
