"""The `compare` command: what if? Plans of one storm side by side."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from spreadplan.errors import BadInput, Problem
from spreadplan.frames import lines
from spreadplan.planning import PlanInputs, StormPlan, plan_storm
from spreadplan.remarks import Remark, remark
from spreadplan.reports.scenario_report import scenario_report
from spreadplan.results import open_results
from spreadplan.runs.calibrating import calibrate_fleet
from spreadplan.runs.options import Options, say_cautions, write_reports, write_tables
from spreadplan.runs.planning import plan_inputs, planning_workspace, storm_start
from spreadplan.season.scenarios import (
    Scenario,
    compare_plans,
    next_rows,
    truck_down,
    usual_scenarios,
)
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.setting import setting_of
from spreadplan.views.voice import Voice


def compare(
    folder: Path, storm: str, options: Options, without: Sequence[str] = ()
) -> pd.DataFrame:
    """Rates up and down, colder, the next rows of the policy, no prewetting, trucks out of service,
    against the plan.

    ``without`` : trucks to leave out, each in a scenario of its own; without any, the one that
    carries the most. The scenarios are named in the workspace's units.
    """
    workspace = planning_workspace(folder, storm)
    say_cautions(workspace, options)
    fleet = calibrate_fleet(workspace, storm_start(workspace, storm), storm)
    inputs = plan_inputs(workspace, storm, fleet)
    base = plan_storm(inputs)
    setting = setting_of(workspace.settings, workspace.table("materials"))
    out = _trucks_out(inputs, base, without, setting.voice)
    scenarios = [*usual_scenarios(inputs), *next_rows(inputs, base), *out]
    with options.progress("scenarios", len(scenarios)) as step:
        table = compare_plans(inputs, base, scenarios, lambda _name: step())
    table = setting.voice.table(table)
    with open_results(folder, options.caution) as store:
        write_tables(store, storm, {"scenarios": table}, setting.voice)
        page = scenario_report(storm, table, fleet.as_of, setting)
        write_reports(store, [(f"{storm}/scenario_report", page)], "scenario report", options)
    for row in lines(table):
        options.say(setting.voice.say(_found(row)))
    options.say(f"look at {folder / 'results' / storm}")
    return table


def _found(row: Any) -> Remark:
    """What a scenario comes to; ``row``: of the table of scenarios, in words."""
    more_lb = POUNDS_PER_TON * row.mass_ton_more
    sign = "+" * (more_lb > 0.0)
    more = [remark("with_difference", sign=sign, more_lb=more_lb)] if row.change else []
    return remark(
        "scenario_found",
        scenario=row.scenario,
        mass_lb=POUNDS_PER_TON * row.mass_ton,
        more=more,
        short_lb=POUNDS_PER_TON * row.short_ton,
        lane_miles=row.not_treatable_lane_miles,
    )


def _trucks_out(
    inputs: PlanInputs, base: StormPlan, without: Sequence[str], voice: Voice
) -> list[Scenario]:
    """Each truck out of service, its routes left open: what the others would have to take on."""
    if not without:
        routes = base.routes[base.routes["truck_id"] != ""]
        carried = routes.groupby("truck_id")["mass_lb"].sum()
        without = [str(carried.idxmax())] if len(carried) and carried.max() > 0.0 else []
    try:
        return [truck_down(inputs, truck_id, {}) for truck_id in without]
    except ValueError as error:
        problem = Problem(
            file="--without",
            row=0,
            column="*",
            what=voice.say(error.args[0]),
            remedy="name a truck that has a route",
        )
        raise BadInput([problem]) from None
