"""The findings of a finished plan."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning.findings import Finding
from spreadplan.planning.frames import groups
from spreadplan.planning.loads import DETOUR, MOST_LOADS, RELOAD_MIN, TRAVEL_MPH, Cycle
from spreadplan.planning.rates import is_from_memory
from spreadplan.planning.settings import Models
from spreadplan.planning.stock import yard_findings

#: more settings than a driver can be expected to keep in mind; our choice.
MANY_SETTINGS = 6
#: openings nearer than this are one; what 50 mm and 1.97 in differ by is rounding.
SAME_GATE_IN = 0.01


def review(
    rows: pd.DataFrame, routes: pd.DataFrame, yards: pd.DataFrame, melting: pd.DataFrame,
    timing: Cycle, models: Models, advice: pd.DataFrame | None,
) -> list[Finding]:  # fmt: skip
    """Everything about the plan that its readers should know."""
    return [
        *_not_assigned(routes), *_no_rate(rows), *_untested(rows),
        *_not_to_be_used(rows), *_infeasible(rows),
        *yard_findings(yards), *_melting(melting), *_extrapolated(rows), *_prewet(routes, timing),
        *_many_loads(routes), *_many_settings(routes), *_from_memory(rows),
        *_model_flags(rows, models), *_advice(advice), _assumptions(),
    ]  # fmt: skip


def no_application(storm: str) -> Finding:
    """A storm without a forecast and without rates."""
    return Finding(
        "problem", f"storm {storm}", "no application: neither the forecast nor the rates have rows",
        "add a row to forecast.csv, or one with an application to rates.csv",
    )  # fmt: skip


def _not_assigned(routes: pd.DataFrame) -> Iterator[Finding]:
    for route in routes.loc[routes["status"] == "unassigned", "route_id"].unique():
        yield Finding(
            "problem", f"route {route}", "no truck is assigned to it",
            "add it to assignments.csv",
        )  # fmt: skip


def _no_rate(rows: pd.DataFrame) -> Iterator[Finding]:
    missing = rows[rows["target_rate_lb_per_lane_mile"].isna()]
    for (note,), group in groups(missing, ["note"]):
        count, lane_miles = len(group), group["lane_miles"].sum()
        routes = group["route_id"].unique()
        yield Finding(
            "problem", "rates", f"{note} ({count} segments, {lane_miles:.1f} lane-miles, routes "
            + _named(routes) + ")", "give the rate in rates.csv, or add a row to the policy",
        )  # fmt: skip


def _named(names: np.ndarray, most: int = 5) -> str:
    shown = ", ".join(str(name) for name in names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"


def _untested(rows: pd.DataFrame) -> Iterator[Finding]:
    untested = rows[rows["status"] == "uncalibrated"]
    for (truck, material, fault), group in groups(untested, ["truck_id", "material", "fault"]):
        yield Finding("problem", f"truck {truck}, {material}", _no_setting(group), fault)


def _not_to_be_used(rows: pd.DataFrame) -> Iterator[Finding]:
    """Calibrations that are no better than none, each at the output where it is worst."""
    doubtful = rows[rows["status"] == "do_not_use"]
    for (truck, material), group in groups(doubtful, ["truck_id", "material"]):
        worst = group["fault"].iloc[int(group["doubt"].to_numpy().argmax())]
        yield Finding(
            "problem", f"truck {truck}, {material}", f"{worst}; {_no_setting(group)}",
            "see what to do next on its calibration certificate, or take another truck",
        )  # fmt: skip


def _no_setting(group: pd.DataFrame) -> str:
    routes = group["route_id"].unique()
    return (
        f"no setting can be given for route{'s' if len(routes) > 1 else ''} {_named(routes)}; its "
        "mass is uncertain by 40 %"
    )


def _infeasible(rows: pd.DataFrame) -> Iterator[Finding]:
    columns = ["application", "route_id", "segment_id", "fault", "lane_miles",
               "discharge_lb_per_min", "run"]  # fmt: skip
    bad = pd.DataFrame(rows.loc[rows["status"] == "infeasible", columns])
    miles = bad.groupby("run", sort=True)["lane_miles"].sum()
    # the first row of each run is the one that asks for most
    worst = bad.sort_values(["run", "discharge_lb_per_min"], ascending=[True, False])
    worst = worst.drop_duplicates("run").assign(total=miles.to_numpy())
    for row in lines(worst):
        yield Finding(
            "problem", f"route {row.route_id}, application {row.application}",
            f"{row.total:.1f} lane-miles cannot get the target rate",
            f"{row.segment_id}: {row.fault}",
        )  # fmt: skip


def _extrapolated(rows: pd.DataFrame) -> Iterator[Finding]:
    outside = rows[rows["status"] == "extrapolated"]
    for (truck, material, gate), group in groups(outside, ["truck_id", "material", "gate_in"]):
        low, high = group["feeder_pct"].min(), group["feeder_pct"].max()
        yield Finding(
            "caution", f"truck {truck}, {material}, gate {gate:g} in",
            f"the plan uses feeder outputs of {low:.0f} to {high:.0f} %, tested were "
            f"{group['tested_lo_pct'].iloc[0]:g} to {group['tested_hi_pct'].iloc[0]:g} %",
            "run a discharge test at those outputs",
        )  # fmt: skip


def _melting(melting: pd.DataFrame) -> Iterator[Finding]:
    for check in lines(melting):
        if check.verdict in ("holds", "abrasive"):
            continue
        zone = f"zone {check.zone}" if check.zone else "all zones"
        yield Finding(
            "caution" if check.verdict in ("too cold", "will not melt") else "note",
            f"{check.material}, {zone}, application {check.application}",
            f"{check.verdict} at {check.pavement_temp_f:g} F", check.advice,
        )  # fmt: skip


def _prewet(routes: pd.DataFrame, timing: Cycle) -> Iterator[Finding]:
    for name, what, remedy in (
        ("no_tank", "prewetting is planned, but no prewet tank is known",
         "state prewet_tank_gal in trucks.csv, or plan without prewetting"),
        ("prewet_limits", "the prewet tank runs dry before the hopper: the plan has more loads",
         "refill liquid more often than solids, or prewet less"),
    ):  # fmt: skip
        for truck in routes.loc[timing.runs[name], "truck_id"].unique():
            yield Finding("caution", f"truck {truck}", what, remedy)


def _many_loads(routes: pd.DataFrame) -> Iterator[Finding]:
    for route in lines(routes[routes["loads"] > MOST_LOADS]):
        yield Finding(
            "problem", f"route {route.route_id}, application {route.application}",
            f"takes {route.loads:,} loads of {route.load_lb:,.0f} lb: no run-out points and times",
            "check capacity_lb and prewet_tank_gal of the truck, the rate, and the route's length",
        )  # fmt: skip


def _many_settings(routes: pd.DataFrame) -> Iterator[Finding]:
    many = routes[(routes["control"] == "open_loop") & (routes["settings"] > MANY_SETTINGS)]
    for route in lines(many):
        yield Finding(
            "note", f"route {route.route_id}, application {route.application}",
            f"needs {route.settings:.0f} feeder settings",
            "bring the faster stretches down to the speed of those beside them",
        )  # fmt: skip


def _from_memory(rows: pd.DataFrame) -> Iterator[Finding]:
    sources = rows.loc[rows["target_rate_lb_per_lane_mile"].notna(), "rate_source"]
    for source in sources.drop_duplicates():
        if is_from_memory(source):
            yield Finding(
                "caution", "policy", f"rate from memory in use: {source}",
                "check the rate against its source before relying on it",
            )  # fmt: skip


def _model_flags(rows: pd.DataFrame, models: Models) -> Iterator[Finding]:
    used = rows.loc[rows["modelled"], ["truck_id", "material", "gate_in"]].drop_duplicates()
    for truck, material, gate in used.itertuples(index=False, name=None):
        for flag in models[truck, material, gate].flags:
            yield Finding(
                "note", f"truck {truck}, {material}, gate {gate:g} in", flag,
                "see the truck's calibration certificate",
            )  # fmt: skip


def _advice(advice: pd.DataFrame | None) -> Iterator[Finding]:
    if advice is None:
        return
    for row in lines(advice[advice["need"] == "test"]):
        yield Finding(
            "caution", f"truck {row.truck_id}, {row.material}", "a discharge test is due",
            row.advice,
        )  # fmt: skip


def moved_gates(routes: pd.DataFrame, last_tested_in: Mapping[str, float]) -> Iterator[Finding]:
    """Trucks whose gate stood elsewhere in their latest test."""
    planned = routes.loc[routes["gate_in"].notna(), ["truck_id", "gate_in"]].drop_duplicates()
    for truck, gate in planned.itertuples(index=False, name=None):
        last = last_tested_in.get(truck, gate)
        if abs(last - gate) > SAME_GATE_IN:
            yield Finding(
                "caution", f"truck {truck}",
                f"its gate has to be moved: the plan has it at {gate:g} in for the whole storm, in "
                f"its latest test it stood at {last:g} in",
                "set and measure it in the yard before the storm, engine off; then it stays",
            )  # fmt: skip


def _assumptions() -> Finding:
    return Finding(
        "note", "times",
        f"travel is the straight distance x {DETOUR:g} at {TRAVEL_MPH:g} mph; loading takes "
        f"{RELOAD_MIN:g} min where the yard states none; the truck leaves its yard full",
        "state reload_min in yards.csv; take the times as a first estimate",
    )  # fmt: skip
