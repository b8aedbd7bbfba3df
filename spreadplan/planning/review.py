"""The findings of a finished plan."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning.frames import alike, groups
from spreadplan.planning.loads import MOST_LOADS, RELOAD_MIN, TRAVEL_MPH, Cycle
from spreadplan.planning.rates import is_from_memory
from spreadplan.planning.settings import Models
from spreadplan.planning.statuses import is_joined
from spreadplan.planning.stock import yard_findings
from spreadplan.planning.ways import DETOUR
from spreadplan.remarks import Finding, Remark, remark
from spreadplan.schema.policy import Policy

#: more changes of the setting than a driver can be expected to make on a run; our choice.
MANY_CHANGES = 8
#: percent: what lies so little past a tolerance is rounding.
SAME_PCT = 1e-6
#: openings nearer than this are one; what 50 mm and 1.97 in differ by is rounding.
SAME_GATE_IN = 0.01


def review(
    rows: pd.DataFrame,
    routes: pd.DataFrame,
    yards: pd.DataFrame,
    melting: pd.DataFrame,
    timing: Cycle,
    models: Models,
    advice: pd.DataFrame | None,
) -> list[Finding]:
    """Everything about the plan that its readers should know."""
    return [
        *_not_assigned(routes),
        *_no_rate(rows),
        *_untested(rows),
        *_not_to_be_used(rows),
        *_infeasible(rows),
        *yard_findings(yards),
        *_melting(melting),
        *_extrapolated(rows),
        *_prewet(routes, timing),
        *_many_loads(routes),
        *_many_changes(routes),
        *_from_memory(rows),
        *_model_flags(rows, models),
        *_advice(advice),
        _assumptions(),
    ]


def no_application(storm: str) -> Finding:
    """A storm without a forecast and without rates."""
    return Finding(
        "problem", remark("of_storm", storm=storm), remark("no_rounds"), (remark("add_a_round"),)
    )


def _not_assigned(routes: pd.DataFrame) -> Iterator[Finding]:
    for route in routes.loc[routes["status"] == "unassigned", "route_id"].unique():
        yield Finding(
            "problem",
            remark("of_route", route=route),
            remark("no_truck_assigned"),
            (remark("assign_it"),),
        )


def _no_rate(rows: pd.DataFrame) -> Iterator[Finding]:
    missing = rows[rows["target_rate_lb_per_lane_mile"].isna()]
    for (note,), group in alike(missing, ["note"]):
        what = remark(
            "segments_without_rate",
            why=note,
            segments=len(group),
            lane_miles=float(group["lane_miles"].sum()),
            routes=list(group["route_id"].unique()),
        )
        yield Finding("problem", remark("of_rates"), what, (remark("give_the_rate"),))


def _untested(rows: pd.DataFrame) -> Iterator[Finding]:
    keys = ["truck_id", "material", "fault"]
    untested = pd.DataFrame(rows.loc[rows["status"] == "uncalibrated", [*keys, "route_id"]])
    for (truck, material, fault), group in alike(untested, keys):
        yield Finding("problem", _truck(truck, material), _no_setting(group), fault)


def _not_to_be_used(rows: pd.DataFrame) -> Iterator[Finding]:
    """Calibrations that are no better than none, each at the output where it is worst."""
    doubtful = rows[rows["status"] == "do_not_use"]
    for (truck, material), group in groups(doubtful, ["truck_id", "material"]):
        worst = group["fault"].iloc[int(group["doubt"].to_numpy().argmax())]
        yield Finding(
            "problem",
            _truck(truck, material),
            remark("not_to_be_used", why=worst, effect=_no_setting(group)),
            (remark("see_certificate_or_other_truck"),),
        )


def _truck(truck: object, material: object) -> Remark:
    return remark("truck_with", truck=truck, material=material)


def _no_setting(group: pd.DataFrame) -> Remark:
    return remark("no_setting", routes=list(group["route_id"].unique()))


def _infeasible(rows: pd.DataFrame) -> Iterator[Finding]:
    columns = [
        "application",
        "route_id",
        "segment_id",
        "fault",
        "lane_miles",
        "discharge_lb_per_min",
        "run",
    ]
    bad = pd.DataFrame(rows.loc[rows["status"] == "infeasible", columns])
    miles = bad.groupby("run", sort=True)["lane_miles"].sum()
    # the first row of each run is the one that asks for most
    worst = bad.sort_values(["run", "discharge_lb_per_min"], ascending=[True, False])
    worst = worst.drop_duplicates("run").assign(total=miles.to_numpy())
    for row in lines(worst):
        yield Finding(
            "problem",
            _run(row),
            remark("rate_out_of_reach", lane_miles=float(row.total)),
            (remark("on_segment", segment=row.segment_id, fault=row.fault),),
        )


def _run(row: Any) -> Remark:
    return remark("route_in_round", route=row.route_id, application=row.application)


def _extrapolated(rows: pd.DataFrame) -> Iterator[Finding]:
    outside = rows[rows["status"] == "extrapolated"]
    sprayed = outside["is_liquid"].to_numpy(dtype=bool)
    for (truck, material), group in groups(outside[sprayed], ["truck_id", "material"]):
        ends = group["flow_gal_per_min"]
        flows = (float(ends.min()), float(ends.max()))
        what = remark("flows_outside_tests", ends_gal_per_min=flows)
        yield Finding("caution", _truck(truck, material), what, (remark("test_there"),))
    outside = outside[~sprayed]
    for (truck, material, gate), group in groups(outside, ["truck_id", "material", "gate_in"]):
        what = remark(
            "feeder_outside_tests",
            low_pct=float(group["feeder_pct"].min()),
            high_pct=float(group["feeder_pct"].max()),
            tested_lo_pct=float(group["tested_lo_pct"].iloc[0]),
            tested_hi_pct=float(group["tested_hi_pct"].iloc[0]),
        )
        yield Finding("caution", _gate(truck, material, gate), what, (remark("test_there"),))


def _gate(truck: object, material: object, gate_in: float) -> Remark:
    return remark("truck_with_gate", truck=truck, material=material, gate_in=float(gate_in))


def _melting(melting: pd.DataFrame) -> Iterator[Finding]:
    for check in lines(melting):
        if check.verdict in ("holds", "abrasive"):
            continue
        zone = remark("zone", zone=check.zone) if check.zone else remark("all_zones")
        yield Finding(
            "caution" if check.verdict in ("too cold", "will not melt") else "note",
            remark(
                "material_in_zone",
                material=check.material,
                zone=zone,
                application=check.application,
            ),
            remark("melting_verdict", verdict=check.verdict, pavement_f=check.pavement_temp_f),
            (check.advice,),
        )


def _prewet(routes: pd.DataFrame, timing: Cycle) -> Iterator[Finding]:
    for name, what, remedy in (
        ("no_tank", remark("no_tank"), remark("state_the_tank")),
        ("prewet_limits", remark("tank_runs_dry"), remark("refill_liquid")),
    ):
        for truck in routes.loc[timing.runs[name], "truck_id"].unique():
            yield Finding("caution", remark("of_truck", truck=truck), what, (remedy,))


def no_liquid_tank(routes: pd.DataFrame, trucks: pd.DataFrame) -> Iterator[Finding]:
    """Liquids on trucks that state no tank for them: their loads are a guess."""
    without = trucks.loc[trucks["liquid_tank_gal"].isna(), "truck_id"]
    for truck in routes.loc[routes["liquid_gal"] > 0.0, "truck_id"].unique():
        if truck in set(without):
            what, remedy = remark("no_liquid_tank"), remark("state_the_liquid_tank")
            yield Finding("caution", remark("of_truck", truck=truck), what, (remedy,))


def _many_loads(routes: pd.DataFrame) -> Iterator[Finding]:
    for route in lines(routes[routes["loads"] > MOST_LOADS]):
        yield Finding(
            "problem",
            _run(route),
            remark("too_many_loads", loads=int(route.loads), load_lb=float(route.load_lb)),
            (remark("check_the_load"),),
        )


def _many_changes(routes: pd.DataFrame) -> Iterator[Finding]:
    for route in lines(routes[routes["changes"] > MANY_CHANGES]):
        yield Finding(
            "caution",
            _run(route),
            remark("many_changes", changes=int(route.changes), most=MANY_CHANGES),
            (remark("even_out_speeds"),),
        )


def is_past_tolerance(rows: pd.DataFrame, policy: Policy) -> pd.Series:
    """Whether a row's setting gives a rate past the policy's own tolerance."""
    off = rows["achieved_rate_lb_per_lane_mile"] / rows["target_rate_lb_per_lane_mile"] - 1.0
    past = (100.0 * off > policy.over_pct + SAME_PCT) | (100.0 * off < -policy.under_pct - SAME_PCT)
    return past & rows["status"].isin(["ok", "extrapolated"])


def past_tolerance(rows: pd.DataFrame, policy: Policy) -> Iterator[Finding]:
    """Rates that a setting takes past the policy's own tolerance: by steps, or joined.

    ``rows``: planned parts, see `target_rows` and `with_settings`.
    """
    bad = pd.DataFrame(rows[is_past_tolerance(rows, policy)])
    bad["off"] = bad["achieved_rate_lb_per_lane_mile"] / bad["target_rate_lb_per_lane_mile"] - 1.0
    joined = is_joined(bad)
    by_truck = ["truck_id", "material", "gate_in"]
    for (truck, material, gate), group in groups(bad[~joined], by_truck):
        yield Finding(
            "caution",
            _gate(truck, material, gate),
            remark(
                "steps_past_tolerance",
                lane_miles=float(group["lane_miles"].sum()),
                off=_off_by(group, policy),
            ),
            (remark("finer_steps"),),
        )
    for _, group in groups(bad[joined], ["run"]):
        off_lb = group["off"] * group["target_rate_lb_per_lane_mile"] * group["lane_miles"]
        yield Finding(
            "caution",
            _run(group.iloc[0]),
            remark(
                "joined_past_tolerance",
                lane_miles=float(group["lane_miles"].sum()),
                off=_off_by(group, policy),
                more_lb=float(off_lb.clip(lower=0.0).sum()),
                less_lb=float(abs(off_lb.clip(upper=0.0).sum())),
            ),
            (remark("even_out_speeds"),),
        )


def _off_by(group: pd.DataFrame, policy: Policy) -> Remark:
    """How far the rates of some rows are off, and what the policy tolerates."""
    return remark(
        "off_by",
        low_pct=max(float(-100.0 * group["off"].min()), 0.0),
        high_pct=max(float(100.0 * group["off"].max()), 0.0),
        over_pct=policy.over_pct,
        under_pct=policy.under_pct,
    )


def _from_memory(rows: pd.DataFrame) -> Iterator[Finding]:
    sources = rows.loc[rows["target_rate_lb_per_lane_mile"].notna(), "rate_source"]
    for source in sources.drop_duplicates():
        if is_from_memory(source):
            yield Finding(
                "caution",
                remark("of_policy"),
                remark("memory_in_use", source=source),
                (remark("check_the_source"),),
            )


def _model_flags(rows: pd.DataFrame, models: Models) -> Iterator[Finding]:
    by_feeder = rows["modelled"] & rows["gate_in"].notna()  # a boom has no gate
    used = rows.loc[by_feeder, ["truck_id", "material", "gate_in"]].drop_duplicates()
    for truck, material, gate in used.itertuples(index=False, name=None):
        for flag in models[truck, material, gate].flags:
            yield Finding("note", _gate(truck, material, gate), flag, (remark("see_certificate"),))


def _advice(advice: pd.DataFrame | None) -> Iterator[Finding]:
    if advice is None:
        return
    for row in lines(advice[advice["need"] == "test"]):
        yield Finding(
            "caution", _truck(row.truck_id, row.material), remark("test_is_due"), (row.advice,)
        )


def moved_gates(routes: pd.DataFrame, last_tested_in: Mapping[str, float]) -> Iterator[Finding]:
    """Trucks whose gate has to be moved: between runs, or since their latest test."""
    planned = routes[routes["gate_in"].notna()]
    one_gate = planned.groupby("truck_id")["gate_in"].transform("nunique") == 1
    for (truck,), group in groups(pd.DataFrame(planned[~one_gate]), ["truck_id"]):
        of_gate = tuple(
            remark("runs_at_gate", gate_in=float(gate), routes=list(some["route_id"].unique()))
            for (gate,), some in groups(group, ["gate_in"])
        )
        yield Finding(
            "caution",
            remark("of_truck", truck=truck),
            remark("gate_moves_between_runs", gates=of_gate),
            (remark("move_between_runs", rule=remark("gate_rule")),),
        )
    still = planned.loc[one_gate, ["truck_id", "gate_in"]].drop_duplicates()
    for truck, gate in still.itertuples(index=False, name=None):
        last = last_tested_in.get(truck, gate)
        if abs(last - gate) > SAME_GATE_IN:
            yield Finding(
                "caution",
                remark("of_truck", truck=truck),
                remark("gate_to_move", planned_in=float(gate), tested_in=float(last)),
                (remark("move_it_in_the_yard"),),
            )


def _assumptions() -> Finding:
    return Finding(
        "note",
        remark("of_times"),
        remark("times_assumed", detour=DETOUR, speed_mph=TRAVEL_MPH, reload_min=RELOAD_MIN),
        (remark("state_reload"),),
    )
