"""A plan with some of its inputs changed, to see the effect before anything is written."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from spreadplan.calibration import Calibration
from spreadplan.planning import StormPlan, plan_and_takeover, plan_storm
from spreadplan.planning.applications import applications_of, labelled_forecast
from spreadplan.planning.assigned import in_round, with_own
from spreadplan.planning.rates import BASES
from spreadplan.remarks import remark
from spreadplan.runs.calibrating import calibrate_fleet
from spreadplan.runs.planning import plan_inputs, planning_workspace, storm_start
from spreadplan.schema.limits import RATE_LIMITS
from spreadplan.schema.policy import Pick
from spreadplan.workspace import Workspace

__all__ = [
    "AS_IT_STANDS",
    "EVERY",
    "Calibration",
    "PlanView",
    "WhatIf",
    "changed_workspace",
    "own_assignments",
    "plan_from",
    "read_for_plan",
]

EVERY = "*"
"""Stands for all routes or all zones."""
NO_ROW = 0
FASTEST_MPH = 75.0
LARGEST_SHIFT_F = 100.0


@dataclass(frozen=True, kw_only=True)
class WhatIf:
    """Changes to try. All are tuples, so that a set of changes can be a key.

    Attributes
    ----------
    rates : (route_id or ``*``, application or ``*``, rate in lb per lane-mile).
    area_rates : the same with rates in g/m².
    speeds : (route_id or ``*``, spreading speed in mph).
    gates : (truck_id, gate in inches): the only gate that the truck may use.
    trucks : (route_id, truck_id, application from which it holds, "" for the first).
    warmer : (zone or ``*``, °F added to the forecast's pavement temperature).
    pick : which end of a policy's range; None: as the storm is planned.
    """

    rates: tuple[tuple[str, str, float], ...] = ()
    speeds: tuple[tuple[str, float], ...] = ()
    gates: tuple[tuple[str, float], ...] = ()
    trucks: tuple[tuple[str, str, str], ...] = ()
    warmer: tuple[tuple[str, float], ...] = ()
    pick: Pick | None = None
    area_rates: tuple[tuple[str, str, float], ...] = ()


AS_IT_STANDS = WhatIf()


@dataclass(frozen=True, eq=False)
class PlanView:
    """A plan with what it was made from."""

    workspace: Workspace
    fleet: Calibration
    plan: StormPlan
    what_if: WhatIf


def read_for_plan(
    folder: Path, storm: str, *, leave_out: bool = False
) -> tuple[Workspace, Calibration]:
    """What a plan is made from: the tables, and the calibrations as of the storm's start.

    leave_out : see `read_workspace`.
    """
    workspace = planning_workspace(folder, storm, leave_out=leave_out)
    return workspace, calibrate_fleet(workspace, storm_start(workspace, storm), storm)


def plan_from(
    workspace: Workspace, fleet: Calibration, storm: str, what_if: WhatIf = AS_IT_STANDS
) -> PlanView:
    """The plan of a storm with some inputs changed; nothing is written.

    Raises ValueError where a change names a route, truck or zone that is not there, or a value
    that is not possible; what it holds is then a remark.
    """
    changed = changed_workspace(workspace, storm, what_if)
    if what_if.trucks:
        fleet = calibrate_fleet(changed, fleet.as_of, storm)
    inputs = plan_inputs(changed, storm, fleet, what_if.pick)
    only = dict(what_if.gates)
    _known(only, workspace.table("trucks")["truck_id"], "truck")
    if only:
        models = {
            key: model
            for key, model in inputs.models.items()
            if key[0] not in only or math.isclose(key[2], only[key[0]], abs_tol=0.01)
        }
        inputs = replace(inputs, models=models)
    # a change is tried to see what it does; who could take over is asked of the plan as it stands
    plan = plan_and_takeover(inputs) if what_if == AS_IT_STANDS else plan_storm(inputs)
    if what_if.rates or what_if.area_rates:
        in_no_file, tried = remark("rate_of_planner", row=NO_ROW), remark("rate_tried")
        sources = plan.segments["rate_source"]
        sources = [tried if source == in_no_file else source for source in sources]
        plan = replace(plan, segments=plan.segments.assign(rate_source=sources))
    return PlanView(changed, fleet, plan, what_if)


def changed_workspace(workspace: Workspace, storm: str, what_if: WhatIf) -> Workspace:
    """The workspace as it would be read with the changes in its files."""
    routes = workspace.table("routes")
    route_ids = routes["route_id"]
    if what_if.speeds:
        routes = routes.assign(speed_mph=_speeds(routes, dict(what_if.speeds)))
    of_storm = dict(workspace.storms[storm])
    if what_if.trucks:
        of_storm["storm_assignments"] = own_assignments(workspace, storm, what_if.trucks)
    for base, wanted in (("lb_per_lane_mile", what_if.rates), ("g_per_m2", what_if.area_rates)):
        if wanted:
            _known({route for route, _, _ in wanted}, route_ids, "route")
            own = of_storm.get("rates", workspace.table("rates", storm))
            of_storm["rates"] = _rates(own, wanted, base)
    if what_if.warmer:
        of_storm["forecast"] = _warmer(workspace.forecast(storm), dict(what_if.warmer))
    return replace(
        workspace,
        tables={**workspace.tables, "routes": routes},
        storms={**workspace.storms, storm: of_storm},
    )


def own_assignments(
    workspace: Workspace, storm: str, trucks: Sequence[tuple[str, str, str]]
) -> pd.DataFrame:
    """The storm's own assignments once these trucks have taken over.

    A truck that takes a route over from a round on keeps it to the end of the storm. Its yard,
    material and prewetting are those of the truck before it. Rows that no file has yet are row 0.
    Raises ValueError where a route, truck or round is not there, or nobody treats the route yet.
    """
    general = workspace.table("assignments")
    own = workspace.table("storm_assignments", storm)
    labels = round_names(workspace, storm)
    _known({route for route, _, _ in trucks}, workspace.table("routes")["route_id"], "route")
    _known({truck for _, truck, _ in trucks}, workspace.table("trucks")["truck_id"], "truck")
    _known({since for _, _, since in trucks} - {""}, labels, "application")
    place = {"": -1} | {label: number for number, label in enumerate(labels)}
    for route, truck, since in sorted(trucks, key=lambda one: place[one[2]]):
        before = in_round(with_own(general, own), since or [*labels, ""][0], labels)
        row = before[before["route_id"] == route].drop(columns="own", errors="ignore")
        if row.empty:
            raise ValueError(remark("nobody_treats_it_yet", route=route))
        over = own["from_application"].map(place).fillna(-1) >= place[since]
        kept = own[~((own["route_id"] == route) & over)]
        added = row.assign(truck_id=truck, from_application=since, row=NO_ROW)[own.columns]
        own = pd.concat([kept, added], ignore_index=True) if len(kept) else added
    return own


def round_names(workspace: Workspace, storm: str) -> list[str]:
    """The names of a storm's rounds of spreading, in order."""
    forecast = labelled_forecast(workspace.forecast(storm))
    rounds = applications_of(forecast, workspace.table("rates", storm))
    return [one.label for one in rounds]


def _known(names: Any, known: Any, what: str) -> None:
    unknown = sorted(set(names) - {*known, EVERY})
    if unknown:
        raise ValueError(remark("not_there", what=what, name=unknown[0]))


def _speeds(routes: pd.DataFrame, speeds: Mapping[str, float]) -> pd.Series[float]:
    _known(speeds, routes["route_id"], "route")
    if not all(0.0 < speed <= FASTEST_MPH for speed in speeds.values()):
        raise ValueError(remark("speed_not_possible", most_mph=FASTEST_MPH))
    own = routes["route_id"].map(speeds)
    return own.fillna(speeds.get(EVERY, math.nan)).fillna(routes["speed_mph"])


def _rates(
    rates: pd.DataFrame, wanted: tuple[tuple[str, str, float], ...], base: str
) -> pd.DataFrame:
    """The planner's own rates with those wanted in place of, or beside, those given.

    base : "lb_per_lane_mile" or "g_per_m2".
    """
    most = RATE_LIMITS[base].most
    if not all(0.0 <= rate <= most for _, _, rate in wanted):
        if base == "g_per_m2":
            raise ValueError(remark("area_rate_not_possible", most_g_per_m2=most))
        raise ValueError(remark("rate_not_possible", most_lb_per_lane_mile=most))
    given = dict(
        zip(zip(rates["route_id"], rates["application"], strict=True), rates["start"], strict=True)
    )
    starts = [given.get((route, application), pd.NaT) for route, application, _ in wanted]
    added = pd.DataFrame(
        {
            "route_id": [route for route, _, _ in wanted],
            "application": [application for _, application, _ in wanted],
            # a rate that replaces another starts when that one did
            "start": pd.to_datetime(starts, utc=True),
            "row": NO_ROW,
            **{f"rate_{other}": math.nan for other in BASES},
            "basis": base,
        }
    ).assign(**{f"rate_{base}": [rate for _, _, rate in wanted]})
    replaced = {(route, application) for route, application, _ in wanted}
    kept = rates[np.array([key not in replaced for key in given], dtype=bool)]
    if kept.empty:
        return added
    return pd.concat([kept, added.astype(dict(kept.dtypes[added.columns]))], ignore_index=True)


def _warmer(forecast: pd.DataFrame, shifts: Mapping[str, float]) -> pd.DataFrame:
    _known(shifts, forecast["zone"], "forecast zone")
    if not all(abs(shift) <= LARGEST_SHIFT_F for shift in shifts.values()):
        raise ValueError(remark("shift_not_possible", most_f=LARGEST_SHIFT_F))
    shift = forecast["zone"].map(shifts).fillna(shifts.get(EVERY, 0.0))
    return forecast.assign(pavement_temp_f=forecast["pavement_temp_f"] + shift)
