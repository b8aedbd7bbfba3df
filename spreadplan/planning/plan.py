"""The plan of a storm: from rates to settings, material, loads and need by yard."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.calibration.liquid import LiquidKey, LiquidModel
from spreadplan.calibration.validity import TruckWork
from spreadplan.frames import lines
from spreadplan.planning.anti_icing import anti_icing
from spreadplan.planning.applications import (
    Application,
    Moment,
    labelled_forecast,
    may_be_icy,
)
from spreadplan.planning.assigned import own_findings
from spreadplan.planning.clock_tables import Clock, clock_of
from spreadplan.planning.forecast_doubt import middles_of, with_doubts
from spreadplan.planning.frames import places
from spreadplan.planning.holding import TIMES, UNTIL, holding, holding_check, worst_off
from spreadplan.planning.lateness import lateness
from spreadplan.planning.liquids import with_flows
from spreadplan.planning.loads import Cycle, cycle
from spreadplan.planning.lots import planned_lots, with_lots
from spreadplan.planning.material import (
    chemical_lb,
    liquid_gal,
    planned_mass_lb,
    prewet_gal,
    row_intervals,
    summed_intervals,
)
from spreadplan.planning.melting import Melter, melter_of, water_held
from spreadplan.planning.places_of_runs import PartPlaces, part_places
from spreadplan.planning.promises import with_times
from spreadplan.planning.rest import Rest, in_hopper_lb, without_made
from spreadplan.planning.review import (
    is_past_tolerance,
    moved_gates,
    no_application,
    no_liquid_tank,
    past_tolerance,
    review,
)
from spreadplan.planning.rows import RateInputs, parts_of, target_rows
from spreadplan.planning.serving import with_settings
from spreadplan.planning.settings import Models
from spreadplan.planning.statuses import notes, statuses, too_wide, worst_status
from spreadplan.planning.stock import on_hand, weather_findings, with_weather, yard_table
from spreadplan.planning.stretches import (
    changes_count,
    control_names,
    dials,
    joined_lb,
    never_faster_on_ice,
    rate_kept,
    stretches,
    with_speed_steps,
)
from spreadplan.planning.weather_range import WeatherRange, weather_range
from spreadplan.planning.wetting import Made, prewet_liquid_rows
from spreadplan.remarks import Finding, findings_table
from spreadplan.schema.policy import Pick, Policy
from spreadplan.schema.results import RESULTS

#: told what is being done and which share of the work is behind, 0 to 1.
Progress = Callable[[str, float], None]


@dataclass(frozen=True, kw_only=True)
class PlanInputs:
    """What a plan is made from; the tables have the columns and units of the workspace's schema.

    ``loads`` and ``returns`` are those of other storms, for the stock. ``models`` come from
    `spreadplan.calibration`, ``advice`` is its advice on tests, None without; ``gates_last_tested``
    and ``next_voiding`` are as it has them, and so are ``liquid_models`` and
    ``next_liquid_voiding`` for liquids. ``pick`` chooses in the policy's ranges.
    ``areas`` : lots treated beside the roads, as in `areas.csv`; None: none.
    ``shifts`` : truck_id, from, to; None or without rows: every truck is staffed throughout.
    ``assignments`` : the general ones, or with those of the storm, see `assigned.with_own`.
    ``rest`` : what is known of a storm that runs; then only what is left of it is planned.
    """

    storm: str
    routes: gpd.GeoDataFrame
    assignments: pd.DataFrame
    trucks: pd.DataFrame
    materials: pd.DataFrame
    yards: pd.DataFrame
    stock_counts: pd.DataFrame
    deliveries: pd.DataFrame
    loads: pd.DataFrame
    returns: pd.DataFrame
    forecast: pd.DataFrame
    rates: pd.DataFrame
    policy: Policy
    sensitive_areas: gpd.GeoDataFrame | None
    models: Models
    areas: pd.DataFrame | None = None
    shifts: pd.DataFrame | None = None
    advice: pd.DataFrame | None = None
    gates_last_tested: Mapping[str, float] = field(default_factory=dict)
    next_voiding: Mapping[str, TruckWork] = field(default_factory=dict)
    liquid_models: Mapping[LiquidKey, LiquidModel] = field(default_factory=dict)
    next_liquid_voiding: Mapping[str, TruckWork] = field(default_factory=dict)
    rest: Rest | None = None
    pick: Pick = "by_round"


def _no_lots() -> pd.DataFrame:
    return pd.DataFrame(columns=RESULTS["plan_areas"].names)


def _no_takeover() -> pd.DataFrame:
    return pd.DataFrame(columns=RESULTS["plan_reassigned"].names)


@dataclass(frozen=True, kw_only=True)
class StormPlan:
    """The plan of a storm.

    Attributes
    ----------
    storm : name of the storm.
    applications : its rounds of spreading, in order.
    start : start of the first of them; NaT where no time was given.
    segments : one row for each application of each part of a segment, in driving order:
        The table ``plan_segments``, then geometry. Lines in WGS 84 degrees.
    routes : one row for each application of each route: the table ``plan_routes``.
    yards : yard_id, material, needed_ton, needed_hi_ton, on_hand_ton, short_ton, then order_ton
        and on_hand_at.
    settings : what the driver sets and where it changes, see `stretches` and `with_speed_steps`.
    reloads : where the hopper runs out: application, route_id, truck_id, yard_id, load (the next
        one), segment_id, part, pass, miles_into_segment, lon, lat.
    clock : what each truck does when, see `clock_tables`: the table ``plan_clock``.
    areas : what lots take, see `lots`: the table ``plan_areas``.
    melting : see `holding_check`: the table ``plan_melting``.
    weather : what each temperature of the pavement would make of it: the table ``plan_weather``.
    by_weather : index material: weather_lo_lb, weather_hi_lb, see `weather_range`.
    findings : see `remarks.findings_table`; the most important first.
    reassigned : who could take over what is late, see `takeover`: the table ``plan_reassigned``.
    """

    storm: str
    applications: tuple[Application, ...]
    start: Moment
    segments: gpd.GeoDataFrame
    routes: pd.DataFrame
    yards: pd.DataFrame
    settings: pd.DataFrame
    reloads: pd.DataFrame
    clock: pd.DataFrame
    melting: pd.DataFrame
    weather: pd.DataFrame
    by_weather: pd.DataFrame
    findings: pd.DataFrame = field(repr=False)
    reassigned: pd.DataFrame = field(default_factory=_no_takeover, repr=False)
    areas: pd.DataFrame = field(default_factory=_no_lots, repr=False)


def plan_storm(inputs: PlanInputs, progress: Progress | None = None) -> StormPlan:
    """Plan a storm: settings, material and loads for every route and application.

    Parameters
    ----------
    inputs : the workspace's tables in the package's fixed units, and what calibration says.
    progress : told what is being done and which share of the work is behind, 0 to 1; None: nobody.

    Returns
    -------
    StormPlan. Everything found wanting is a finding and a status in it, never an exception: a plan
    with gaps is of more use in a storm than none.
    """
    tell = progress or (lambda what, share: None)
    tell("cutting segments at sensitive areas", 0.0)
    parts = parts_of(inputs.routes, inputs.sensitive_areas)
    tell("choosing rates", 0.2)
    rows, applications, found = target_rows(parts, _rate_inputs(inputs))
    rows = without_made(rows, inputs.rest)
    if not applications:
        found.append(no_application(inputs.storm))
    tell("choosing gates and settings", 0.4)
    rows = _with_settings(rows, applications, inputs)
    tell("adding up material", 0.6)
    rows = _with_material(rows, inputs)
    roads = part_places(parts, inputs.yards)
    routes, timing = _routes(rows, inputs, roads)
    tell("placing runs in time", 0.7)
    end, melters = inputs.forecast["end"].max(), _melters(inputs)
    clock = _clock(rows, routes, timing, applications, inputs, roads)
    rows, routes = with_times(rows, routes, clock, applications, end, inputs.policy)
    rows = _with_holding(rows, clock, applications, melters, inputs)
    start = min((one.start for one in applications if not pd.isna(one.start)), default=pd.NaT)
    too_late = lateness(rows, clock, applications, inputs.policy, end)
    if inputs.rest is None:  # else they are those of the plan in force
        found += own_findings(inputs.assignments)
    reloads = _reloads(rows, timing)
    rows = rows[~rows["made"]].reset_index(drop=True)
    lots, of_lots = _lots(inputs, applications)
    found += of_lots
    weather = weather_range(rows, applications, _rate_inputs(inputs))
    routes = routes.join(weather.runs[["weather_lo_lb", "weather_hi_lb"]])
    yards = _yards(rows, lots, inputs, start if inputs.rest is None else inputs.rest.at, weather)
    tell("making settings for the cab", 0.8)
    settings = with_speed_steps(stretches(rows), inputs.trucks, inputs.models)
    settings = never_faster_on_ice(settings, rows)
    melting = holding_check(rows, melters)
    held = worst_off(rows, ["run"])[["holds", "holds_until", "needed_until"]]
    routes = _with_changes(routes.join(held), rows, settings, inputs.policy)
    found += review(rows, routes, yards, melting, timing, inputs.models, inputs.advice)
    found += _of_liquids(rows, routes, applications, inputs)
    found += [*past_tolerance(rows, inputs.policy), *weather_findings(yards), *weather.findings]
    found += [*too_late, *moved_gates(routes, inputs.gates_last_tested)]
    tell("done", 1.0)
    return StormPlan(
        storm=inputs.storm,
        applications=tuple(applications),
        start=start,
        segments=rows[[*RESULTS["plan_segments"].names, "geometry"]],
        routes=routes.assign(pick=inputs.pick)[RESULTS["plan_routes"].names].reset_index(drop=True),
        yards=yards,
        settings=settings.drop(columns="run"),
        reloads=reloads,
        clock=clock.table,
        melting=melting,
        areas=lots,
        weather=weather.table,
        by_weather=weather.materials,
        findings=findings_table(found),
    )


def _of_liquids(
    rows: pd.DataFrame,
    routes: pd.DataFrame,
    applications: list[Application],
    inputs: PlanInputs,
) -> list[Finding]:
    """Trucks that state no tank for their liquid, and what speaks against liquid so early."""
    return [
        *no_liquid_tank(routes, inputs.trucks),
        *anti_icing(rows, applications, inputs.forecast, inputs.materials),
    ]


def _melters(inputs: PlanInputs) -> dict[str, Melter]:
    """What each material melts with."""
    return {
        str(one.material): melter_of(
            str(one.chemical),
            float(one.chloride_fraction),
            float(getattr(one, "chemical_fraction", np.nan)),
        )
        for one in lines(inputs.materials)
    }


def _with_holding(
    rows: gpd.GeoDataFrame,
    clock: Clock,
    applications: list[Application],
    melters: dict[str, Melter],
    inputs: PlanInputs,
) -> gpd.GeoDataFrame:
    """Rows with water_held_in, holds, comes_back and the moments of `holding.UNTIL`."""
    materials = inputs.materials
    forecast = with_doubts(labelled_forecast(inputs.forecast), middles_of(rows), inputs.policy)
    found = holding(
        rows,
        clock.treated_min,
        applications,
        forecast,
        clock.minutes,
        melters,
        frozenset(materials.loc[materials["kind"] == "liquid", "material"]),
    )
    moments = {
        column: clock.moments(found[name].to_numpy()).set_axis(rows.index).dt.as_unit("ns")
        for column, name in zip(UNTIL, TIMES, strict=True)
    }
    rows = rows.assign(water_held_in=water_held(rows, melters))
    return rows.assign(holds=found["holds"], comes_back=found["comes_back"], **moments)


def _rate_inputs(inputs: PlanInputs) -> RateInputs:
    return RateInputs(
        assignments=inputs.assignments,
        forecast=inputs.forecast,
        rates=inputs.rates,
        policy=inputs.policy,
        sensitive_areas=inputs.sensitive_areas,
        materials=inputs.materials,
        pick=inputs.pick,
    )


def _voided_by(
    rows: pd.DataFrame, applications: list[Application], work: Mapping[str, TruckWork]
) -> NDArray[np.object_]:
    """The work that ends the tests of a row's truck before its application starts; "" for none."""
    found = np.full(len(rows), "", dtype=object)
    starts = {one.label: one.start for one in applications}
    for (truck, label), at in places(rows, ["truck_id", "application"]).items():
        change, start = work.get(truck), starts[label]
        if change is not None and not pd.isna(start) and change.changed_at <= start:
            found[at] = change.what
    return found


def _with_settings(
    rows: gpd.GeoDataFrame, applications: list[Application], inputs: PlanInputs
) -> gpd.GeoDataFrame:
    """Rows with gate, feeder, achieved rate, fastest speed, status and note."""
    liquid = inputs.materials.loc[inputs.materials["kind"] == "liquid", "material"]
    rows["voided_by"] = np.where(
        rows["material"].isin(liquid),
        _voided_by(rows, applications, inputs.next_liquid_voiding),
        _voided_by(rows, applications, inputs.next_voiding),
    )
    rows = pd.concat([rows, with_settings(rows, inputs.trucks, inputs.models)], axis=1)
    rows = with_flows(rows, inputs.materials, inputs.liquid_models)
    target = rows["target_rate_lb_per_lane_mile"].to_numpy()
    rows["achieved_rate_lb_per_lane_mile"] = rows["achieved_rate_lb_per_lane_mile"].where(
        ~((target == 0.0) & (rows["truck_id"] != "")), 0.0
    )
    rows["too_wide"] = too_wide(rows, inputs.trucks)
    with np.errstate(divide="ignore", invalid="ignore"):
        fastest = rows["most_lb_per_min"] * 60.0 / (target * rows["lanes_per_pass"])
    rows["max_speed_mph"] = fastest.where(rows["modelled"])
    rows["rate_at_5_mph_more_lb_per_lane_mile"] = rate_kept(
        rows["closed_loop"].to_numpy(),
        target,
        rows["achieved_rate_lb_per_lane_mile"].to_numpy(),
        rows["most_lb_per_min"].to_numpy(),
        rows["lanes_per_pass"].to_numpy(),
        rows["speed_mph"].to_numpy(),
        5.0,
    )
    icy = rows["event"].map(may_be_icy).to_numpy(dtype=bool)
    rows.loc[icy, "rate_at_5_mph_more_lb_per_lane_mile"] = np.nan
    rows["status"] = statuses(rows)
    return rows.assign(**notes(rows, inputs.trucks, inputs.models))


def _with_material(rows: gpd.GeoDataFrame, inputs: PlanInputs) -> gpd.GeoDataFrame:
    """Rows with mass, its interval, prewetting and liquid volume."""
    rows["mass_lb"] = planned_mass_lb(rows)
    found = row_intervals(rows)
    solids = inputs.materials.loc[inputs.materials["kind"] == "solid", "material"]
    rows["solid"] = rows["material"].isin(solids).to_numpy()
    return rows.assign(
        mass_lo_lb=found.lo_lb,
        mass_hi_lb=found.hi_lb,
        prewet_gal=np.where(rows["solid"], prewet_gal(rows), 0.0),
        liquid_gal=liquid_gal(rows, inputs.materials),
        chemical_lb=chemical_lb(rows),
    )


def _routes(
    rows: gpd.GeoDataFrame, inputs: PlanInputs, roads: PartPlaces
) -> tuple[pd.DataFrame, Cycle]:
    """One row a run, index run, and its loads and times."""
    grouped = rows.groupby("run", sort=True)
    same = [
        "application",
        "route_id",
        "truck_id",
        "yard_id",
        "material",
        "prewet_gal_per_ton",
        "prewet_material",
        "solid",
        "closed_loop",
    ]
    routes = grouped[[*same, "gate_in"]].first()
    routes["control"] = control_names(routes)
    routes["lane_miles"] = grouped["lane_miles"].sum()
    masses = summed_intervals(rows, ["run"])
    has_mass = grouped["mass_lb"].count() > 0
    routes = routes.join(masses.where(has_mass))
    for name in ("prewet_gal", "liquid_gal", "chemical_lb"):
        routes[name] = grouped[name].sum(min_count=1)
    routes["max_speed_mph"] = grouped["max_speed_mph"].min()
    bad = rows["lane_miles"].where(rows["status"] == "infeasible", 0.0)
    routes["not_treatable_lane_miles"] = bad.groupby(rows["run"], sort=True).sum()
    routes["status"] = worst_status(rows["status"], rows["run"])
    routes["first_lb"] = in_hopper_lb(routes, inputs.rest)
    timing = cycle(rows, routes, inputs.trucks, inputs.yards, roads)
    left = ~grouped["made"].all()
    timing = replace(timing, runs=timing.runs[left])
    return routes[left].drop(columns="first_lb").join(timing.runs), timing


def _clock(
    rows: gpd.GeoDataFrame,
    routes: pd.DataFrame,
    timing: Cycle,
    applications: list[Application],
    inputs: PlanInputs,
    roads: PartPlaces,
) -> Clock:
    """Every run placed in time; a truck takes its routes in the order of the assignments."""
    order = inputs.assignments["route_id"].drop_duplicates(keep="last")
    return clock_of(
        rows,
        routes,
        timing,
        applications,
        [str(route) for route in order],
        inputs.trucks,
        inputs.yards,
        inputs.shifts,
        roads,
        inputs.rest,
    )


def _lots(
    inputs: PlanInputs, applications: list[Application]
) -> tuple[pd.DataFrame, list[Finding]]:
    """What lots take. The rest of a storm has none: nobody says which were treated before."""
    if inputs.areas is None or inputs.areas.empty or inputs.rest is not None:
        return _no_lots(), []
    capacity = dict(zip(inputs.trucks["truck_id"], inputs.trucks["capacity_lb"], strict=True))
    return planned_lots(inputs.areas, applications, _rate_inputs(inputs), capacity)


def _yards(
    rows: gpd.GeoDataFrame,
    lots: pd.DataFrame,
    inputs: PlanInputs,
    start: Moment,
    weather: WeatherRange,
) -> pd.DataFrame:
    """Need against stock, prewetting liquids and lots included; without a yard nothing counts."""
    at_yard = rows[(rows["yard_id"] != "") & rows["mass_lb"].notna()]
    liquid = prewet_liquid_rows(at_yard, Made.of(inputs.materials))
    if len(liquid):
        at_yard = pd.concat([at_yard, liquid[liquid["mass_lb"].notna()]])
    needed = summed_intervals(at_yard, ["yard_id", "material"]).reset_index()
    needed = with_lots(needed, lots, Made.of(inputs.materials))
    stock = on_hand(
        needed, inputs.stock_counts, inputs.deliveries, inputs.loads, inputs.returns, start
    )
    liquids = inputs.materials[inputs.materials["kind"] == "liquid"]
    density = dict(zip(liquids["material"], liquids["density_lb_gal"], strict=True))
    return with_weather(yard_table(needed, stock, density), weather.yards)


def _with_changes(
    routes: pd.DataFrame, rows: pd.DataFrame, settings: pd.DataFrame, policy: Policy
) -> pd.DataFrame:
    """Runs with what the driver has to set, what fewer changes cost, and where a rate misses the
    policy's tolerance.
    """
    far_off = rows["lane_miles"].where(is_past_tolerance(rows, policy), 0.0)
    return routes.assign(
        settings=_settings_count(settings, routes),
        changes=changes_count(settings).reindex(routes.index),
        past_tolerance_lane_miles=far_off.groupby(rows["run"]).sum(),
    ).join(joined_lb(rows))


def _settings_count(settings: pd.DataFrame, routes: pd.DataFrame) -> pd.Series:
    """Number of different settings that the driver of each run has to make; index run."""
    return dials(settings).groupby(settings["run"]).nunique().reindex(routes.index)


def _reloads(rows: gpd.GeoDataFrame, timing: Cycle) -> pd.DataFrame:
    """Run-out points with the names of what they lie on."""
    points = timing.reloads
    at = pd.DataFrame(rows.iloc[points["row"].to_numpy()]).reset_index(drop=True)
    table = pd.concat([at, points[points.columns.difference(at.columns)]], axis=1)
    table["miles_into_segment"] = at["from_mi"] + points["part_mi"]
    return table[RESULTS["plan_reloads"].names]
