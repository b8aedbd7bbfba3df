"""What if? Plans of one storm side by side.

Each scenario changes the inputs of a plan and leaves the rest alone; the plans are then made by the
same code as the planner's own. Guidance, never an order.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.materials import price_per_ton
from spreadplan.planning import PlanInputs, StormPlan, plan_storm
from spreadplan.planning.applications import labelled_forecast
from spreadplan.planning.assigned import named_liquid
from spreadplan.planning.wetting import Made, prewet_liquid_rows
from spreadplan.remarks import Remark, remark
from spreadplan.schema.policy import Policy
from spreadplan.schema.results import RESULTS
from spreadplan.units import POUNDS_PER_TON

#: so far above a border of the policy the warmer row holds, °F
JUST_WARMER_F: Final = 0.1
AS_PLANNED: Final = remark("as_planned")
SCENARIO_COLUMNS: Final = tuple(
    name for name in RESULTS["scenarios"].names if not name.endswith("_more") and name != "change"
)
COMPARED: Final = tuple(
    name.removesuffix("_more") for name in RESULTS["scenarios"].names if name.endswith("_more")
)


@dataclass(frozen=True, eq=False)
class Scenario:
    """A changed set of inputs: its name, and what was changed in a sentence."""

    name: Remark
    change: Remark
    inputs: PlanInputs


def rates_changed(inputs: PlanInputs, percent: float) -> Scenario:
    """All rates, of the policy and the planner's own, up or down by so many percent.

    The caps of sensitive areas stay as they are.
    """
    factor = 1.0 + percent / 100.0
    if factor < 0.0:
        raise ValueError(remark("rates_below_zero", change_pct=percent))
    policy = replace(inputs.policy, rates=_scaled(inputs.policy.rates, factor))
    changed = replace(inputs, policy=policy, rates=_scaled(inputs.rates, factor))
    name = remark("rates_by", change_pct=percent)
    return Scenario(name, remark("every_rate_times", factor=factor), changed)


def _scaled(table: pd.DataFrame, factor: float) -> pd.DataFrame:
    names = [name for name in table.columns if name.startswith("rate_")]
    return table.assign(**{name: table[name].astype(float) * factor for name in names})


def colder(inputs: PlanInputs, degrees_f: float) -> Scenario:
    """The pavement colder than forecast by so many degrees Fahrenheit (negative: warmer)."""
    forecast = inputs.forecast.assign(
        pavement_temp_f=inputs.forecast["pavement_temp_f"] - degrees_f
    )
    degrees = abs(degrees_f)
    name = (
        remark("colder_by", step_f=degrees)
        if degrees_f >= 0
        else remark("warmer_by", step_f=degrees)
    )
    return Scenario(
        name, remark("pavement_than_forecast", change=name), replace(inputs, forecast=forecast)
    )


def next_rows(inputs: PlanInputs, base: StormPlan) -> list[Scenario]:
    """The pavement just so much colder, or warmer, that the next rows of the policy hold.

    Parameters
    ----------
    inputs : of the plan as it is; they stay as they are.
    base : the plan of ``inputs``.

    Returns
    -------
    One scenario for colder and one for warmer. Each row of the forecast goes to the nearest
    temperature at which the next row of the policy holds; one beside which there is none, or no row
    of the policy at all, or that is hardly possible (see ``plan_weather``) stays as forecast. A
    scenario in which all stay is left out.
    """
    found = []
    for name, edge, beside, step_f in (
        (remark("next_row_colder"), "from_f", "to_f", 0.0),
        (remark("next_row_warmer"), "to_f", "from_f", JUST_WARMER_F),
    ):
        keys = ["application", "zone"]
        now = base.weather[base.weather["as_forecast"] & base.weather[edge].notna()]
        given = base.weather[base.weather["policy_rows"] != ""]
        there = now.merge(given, left_on=[*keys, edge], right_on=[*keys, beside])
        # on a border the colder row holds
        of = zip(there["application"], there["zone"], there[f"{edge}_x"], strict=True)
        moved = {(application, zone): border_f + step_f for application, zone, border_f in of}
        forecast = labelled_forecast(inputs.forecast)
        wanted = [
            moved.get(key, math.nan)
            for key in zip(forecast["application"], forecast["zone"], strict=True)
        ]
        temperatures = pd.Series(wanted, forecast.index).fillna(forecast["pavement_temp_f"])
        if moved:
            changed = inputs.forecast.assign(pavement_temp_f=temperatures)
            said = remark("pavement_on_next_row", change=name)
            found.append(Scenario(name, said, replace(inputs, forecast=changed)))
    return found


def prewet_changed(inputs: PlanInputs, gal_per_ton: float, less_salt_pct: float = 0.0) -> Scenario:
    """Every solid prewetted with so many gallons a ton (0: none), and so much less salt put down.

    How much less is the planner's choice; the Minnesota Snow and Ice Control Field Handbook for
    Snowplow Operators (LRRB manual 2005-01, p. 7) gives 20 to 30 % saved by wetting. Rates of the
    policy that say how wet their material is get no less: they know it already.
    """
    solid = inputs.materials.loc[inputs.materials["kind"] == "solid", "material"]
    wet = inputs.assignments["material"].isin(solid)
    gallons = inputs.assignments["prewet_gal_per_ton"].where(~wet, gal_per_ton)
    liquid = named_liquid(inputs.assignments)["prewet_material"]
    known = set(liquid) - {""}
    if len(known) == 1:  # else nobody knows which of them
        liquid = liquid.where(~wet | (liquid != ""), next(iter(known)))
    assignments = inputs.assignments.assign(
        prewet_gal_per_ton=gallons.astype(float), prewet_material=liquid
    )
    changed = replace(inputs, assignments=assignments)
    name = (
        remark("prewet_at", liquid_gal_per_ton=gal_per_ton)
        if gal_per_ton > 0.0
        else remark("no_prewetting")
    )
    if less_salt_pct or gal_per_ton > 0.0:
        changed = replace(changed, policy=_for_wetted(changed.policy, less_salt_pct))
    if less_salt_pct:
        less = rates_changed(changed, -less_salt_pct).inputs
        before, after = changed.policy.rates, less.policy.rates
        kept = after.where(~_knows_wetting(changed.policy), before) if len(before) else before
        changed = replace(less, policy=replace(less.policy, rates=kept))
        name = remark("and_less_salt", first=name, less_pct=less_salt_pct)
    return Scenario(name, name, changed)


def _for_wetted(policy: Policy, less_salt_pct: float) -> Policy:
    """A policy that says what a rate for dry material is worth on wetted material."""
    known = not np.isnan(policy.prewet_reduction_pct)
    return policy if known else replace(policy, prewet_reduction_pct=less_salt_pct)


def _knows_wetting(policy: Policy) -> pd.Series[bool]:
    """Rates of the policy that already are for wetted material, or are reduced for it."""
    rates = policy.rates
    wetted = rates["wetting"].map(lambda words: bool(words) and "dry" not in words).astype(bool)
    reduced = rates["wetting"].map(lambda words: tuple(words) == ("dry",)).astype(bool)
    included = rates["wetting_included"].astype(bool)
    knows: pd.Series[bool] = wetted | included | reduced
    return knows


def truck_down(inputs: PlanInputs, truck_id: str, instead: Mapping[str, str]) -> Scenario:
    """A truck out of service; its routes go to other trucks or stay open.

    Parameters
    ----------
    inputs : of the plan as it is; they stay as they are.
    truck_id : the truck that is out.
    instead : route_id to the truck that takes it over; a route not named stays without a truck.

    Returns
    -------
    The scenario. An open route keeps its row, without truck, yard and material.

    Raises
    ------
    ValueError : the truck is not known or has no route, or a named truck is not known or is the one
        that is out.
    """
    known = set(inputs.trucks["truck_id"])
    own = inputs.assignments["truck_id"] == truck_id
    if truck_id not in known or not own.any():
        raise ValueError(remark("truck_without_route", truck=truck_id))
    for route, truck in instead.items():
        if truck not in known or truck == truck_id:
            raise ValueError(remark("truck_not_free", route=route, truck=truck))
    other = inputs.assignments["route_id"].map(dict(instead))
    is_open = own & other.isna()
    assigned = inputs.assignments.assign(
        truck_id=other.where(own, inputs.assignments["truck_id"]).astype(object)
    )
    # the row stays, so that no earlier truck of the storm takes the route over again
    assigned.loc[is_open, ["truck_id", "yard_id", "material"]] = ""
    assigned.loc[is_open, "prewet_gal_per_ton"] = 0.0
    open_routes = sorted(set(inputs.assignments.loc[is_open, "route_id"]))
    said = [
        remark("route_to", route=route, truck=truck) for route, truck in sorted(instead.items())
    ]
    said += [remark("route_open", route=route) for route in open_routes]
    return Scenario(
        remark("truck_out", truck=truck_id),
        remark("out_of_service", truck=truck_id, routes=said),
        replace(inputs, assignments=assigned),
    )


def usual_scenarios(inputs: PlanInputs) -> list[Scenario]:
    """Rates 20 % down and up, 5 F colder, no prewetting.

    Parameters
    ----------
    inputs : of the plan as it is; they stay as they are.

    Returns
    -------
    The first three; the last only where anything is prewetted.
    """
    found = [rates_changed(inputs, -20.0), rates_changed(inputs, 20.0), colder(inputs, 5.0)]
    if (inputs.assignments["prewet_gal_per_ton"] > 0.0).any():
        found.append(prewet_changed(inputs, 0.0))
    return found


def plan_totals(name: Remark, plan: StormPlan, materials: pd.DataFrame) -> dict[str, Any]:
    """The figures of one plan, `SCENARIO_COLUMNS`.

    A route without a truck takes nothing; its lane-miles are not treatable. The interval of the
    mass adds up the ends of the runs, as if all trucks erred alike, so it is wider than it
    need be. Minutes: route_minutes of all runs together, longest_minutes of the truck that is out
    longest. Cost has the prewetting liquid in it where it is named.
    """
    yards = plan.yards
    routes = plan.routes[plan.routes["truck_id"] != ""]
    prices = {str(one.material): price_per_ton(one) for one in lines(materials)}
    tons = routes["mass_lb"].fillna(0.0) / POUNDS_PER_TON
    cost = tons * np.array([prices.get(str(name), np.nan) for name in routes["material"]])
    liquid = prewet_liquid_rows(routes, Made.of(materials))
    of_liquid = liquid["mass_lb"] / POUNDS_PER_TON * liquid["material"].map(prices).astype(float)
    per_truck = routes.groupby("truck_id")["minutes"].sum()
    return {
        "scenario": name,
        "mass_ton": float(tons.sum()),
        "mass_lo_ton": float(routes["mass_lo_lb"].sum() / POUNDS_PER_TON),
        "mass_hi_ton": float(routes["mass_hi_lb"].sum() / POUNDS_PER_TON),
        "cost": float(cost[tons > 0.0].sum() + of_liquid.sum()),
        "chemical_lb": float(routes["chemical_lb"].sum()),
        "prewet_gal": float(routes["prewet_gal"].sum()),
        "loads": float(routes["loads"].sum()),
        "route_minutes": float(routes["minutes"].sum()),
        "longest_minutes": float(per_truck.max()) if len(per_truck) else 0.0,
        "lane_miles": float(plan.routes["lane_miles"].sum()),
        "not_treatable_lane_miles": float(_not_treatable(plan)),
        "short_ton": float(yards["short_ton"].sum()),
        "yards_short": int((yards["short_ton"] > 0.0).sum()),
        "problems": int((plan.findings["severity"] == "problem").sum()),
    }


def _not_treatable(plan: StormPlan) -> float:
    """Lane-miles that nobody can treat as planned: no truck, no calibration, out of range."""
    bad = plan.segments["status"].isin(
        ["unassigned", "uncalibrated", "do_not_use", "infeasible", "no_rate"]
    )
    return float(plan.segments.loc[bad, "lane_miles"].sum())


def compare_plans(
    inputs: PlanInputs,
    base: StormPlan,
    scenarios: Sequence[Scenario],
    told: Callable[[Remark], None] = lambda name: None,
) -> pd.DataFrame:
    """Plans side by side.

    Parameters
    ----------
    inputs : of the plan as it is.
    base : the plan of ``inputs`` themselves.
    scenarios : each is planned anew, in this order.
    told : is given the name of each scenario before it is planned.

    Returns
    -------
    `SCENARIO_COLUMNS`, then change (in words) and the difference from the plan as it is of each of
    `COMPARED` (suffix _more); the first row is that plan.
    """
    rows = [plan_totals(AS_PLANNED, base, inputs.materials) | {"change": ()}]
    for one in scenarios:
        told(one.name)
        row = plan_totals(one.name, plan_storm(one.inputs), one.inputs.materials)
        rows.append(row | {"change": one.change})
    table = pd.DataFrame(rows, columns=[*SCENARIO_COLUMNS, "change"])
    more = {f"{name}_more": table[name] - table[name].iloc[0] for name in COMPARED}
    return table.assign(**more)
