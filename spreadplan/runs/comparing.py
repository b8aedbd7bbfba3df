"""The `compare` command: what if? Plans of one storm side by side."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from spreadplan.errors import BadInput, Problem
from spreadplan.frames import lines
from spreadplan.planning import PlanInputs, StormPlan, plan_storm
from spreadplan.reports.scenario_report import scenario_report
from spreadplan.results import open_results
from spreadplan.runs.calibrating import calibrate_fleet
from spreadplan.runs.options import Options, say_cautions, write_reports, write_tables
from spreadplan.runs.planning import plan_inputs, planning_workspace, storm_start
from spreadplan.season.scenarios import Scenario, truck_down, usual_scenarios
from spreadplan.season.scenarios import compare as compare_plans
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import Display
from spreadplan.views.setting import setting_of


def compare(
    folder: Path, storm: str, options: Options, without: Sequence[str] = ()
) -> pd.DataFrame:
    """Rates up and down, colder, no prewetting, trucks out of service, against the plan.

    ``without`` : trucks to leave out, each in a scenario of its own; without any, the one that
    carries the most. The scenarios are named in the workspace's units.
    """
    workspace = planning_workspace(folder, storm)
    say_cautions(workspace, options)
    fleet = calibrate_fleet(workspace, storm_start(workspace, storm), storm)
    inputs = plan_inputs(workspace, storm, fleet)
    base = plan_storm(inputs)
    scenarios = [*usual_scenarios(inputs), *_trucks_out(inputs, base, without)]
    with options.progress("scenarios", len(scenarios)) as step:
        table = compare_plans(inputs, base, scenarios, lambda _name: step())
    setting = setting_of(workspace.settings, workspace.table("materials"))
    table = setting.voice.table(table)
    with open_results(folder, options.caution) as store:
        write_tables(store, storm, {"scenarios": table}, setting.voice)
        page = scenario_report(storm, table, fleet.as_of, setting)
        write_reports(store, [(f"{storm}/scenario_report", page)], "scenario report", options)
    _say(table, setting.display, options)
    options.say(f"look at {folder / 'results' / storm}")
    return table


def _say(table: pd.DataFrame, shown: Display, options: Options) -> None:
    for row in lines(table):
        mass, missing = (
            shown.show(POUNDS_PER_TON * tons, "bulk") for tons in (row.mass_ton, row.short_ton)
        )
        more = shown.number(POUNDS_PER_TON * row.mass_ton_more, "bulk") if row.change else ""
        sign = "+" * (row.mass_ton_more > 0.0)
        options.say(
            f"{row.scenario}: {mass}{f' ({sign}{more})' * bool(more)}, short {missing}, "
            f"{shown.show(row.not_treatable_lane_miles, 'lane_distance')} not treatable"
        )


def _trucks_out(inputs: PlanInputs, base: StormPlan, without: Sequence[str]) -> list[Scenario]:
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
            what=str(error),
            remedy="name a truck that has a route",
        )
        raise BadInput([problem]) from None
