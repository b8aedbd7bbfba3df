"""Who could take over what is late or left untreated in a plan: the plan as a `Roster`, and back.

The roster knows a run's times by estimates (loads and ways as if it were driven alone). So what is
proposed is planned anew, and lateness and mass are those of that plan and its clock: if they are no
better than before, nothing is proposed. Nothing is changed in the inputs.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning.assigned import with_trucks
from spreadplan.planning.clock_tables import staffed_minutes
from spreadplan.planning.geometry import distance_mi
from spreadplan.planning.lateness import more_mass
from spreadplan.planning.loads import MOST_LOADS, RELOAD_MIN, TRAVEL_MPH, load_counts, load_limits
from spreadplan.planning.plan import PlanInputs, Progress, StormPlan, plan_storm
from spreadplan.planning.reassign import Reassignment, reassign
from spreadplan.planning.reassign_roster import Duty, Roster, StaffedTruck, Turn
from spreadplan.planning.serving import controls_of, how_known, models_by_truck
from spreadplan.planning.ways import DETOUR
from spreadplan.remarks import Finding, Remark, findings_table, merged_findings, remark
from spreadplan.schema.results import RESULTS
from spreadplan.units import POUNDS_PER_TON

#: each class counts so much more than the one with the next longer promise, up to `HIGHEST_WEIGHT`.
#: The planner's choice; no source.
CLASS_STEP: Final = 2
HIGHEST_WEIGHT: Final = 16
#: where nobody wrote shifts down a truck is staffed from so long before the first application until
#: so long after the last, in minutes: longer than any storm waits for a treatment.
ALWAYS: Final = (720, 2880)
#: lateness below that is rounding, minutes
IN_TIME_MIN: Final = 0.5
_TREATED: Final = ("ok", "extrapolated")
_MINUTE: Final = pd.Timedelta(minutes=1)


@dataclass(frozen=True, kw_only=True)
class Takeover:
    """A proposal; empty where none is better than the plan.

    Attributes
    ----------
    table : one row for each run that goes to another truck: the table ``plan_reassigned``.
    assignments : of the storm with the proposal in it, as `assigned.with_own` has them.
    plan : what comes of it; None without a proposal.
    eased : runs that keep their truck and are less late: route_id, application, truck_id,
        late_min_before, late_min_after.
    found : the answer of the solver, None where nothing was asked. Its costs are by its estimates.
    late_before, late_after : lane-miles that are late, worst_min_before, worst_min_after : minutes
        of the latest run, and untreated_before, untreated_after : lane-miles that no truck gets to;
        all by the clock.
    """

    table: pd.DataFrame
    assignments: pd.DataFrame
    plan: StormPlan | None = None
    eased: pd.DataFrame = field(default_factory=pd.DataFrame)
    found: Reassignment | None = None
    late_before: float = 0.0
    late_after: float = 0.0
    worst_min_before: float = 0.0
    worst_min_after: float = 0.0
    untreated_before: float = 0.0
    untreated_after: float = 0.0


def plan_and_takeover(inputs: PlanInputs, progress: Progress | None = None) -> StormPlan:
    """Plan a storm, and say who could take over what is late or untreated.

    Parameters
    ----------
    inputs, progress : as `plan_storm` takes them.

    Returns
    -------
    StormPlan. With a proposal it has ``reassigned`` and findings on it, and is the same otherwise.
    """
    plan = plan_storm(inputs, progress)
    proposal = take_over(inputs, plan, plan_storm)
    if proposal.table.empty:
        return plan
    findings = merged_findings(plan.findings, takeover_findings(proposal))
    return replace(plan, reassigned=proposal.table, findings=findings_table(findings))


def nothing_late(plan: StormPlan) -> bool:
    """Whether every run that is to be treated is, and in time; so where nothing has a time."""
    if pd.isna(plan.start):
        return True
    routes = plan.routes[_to_treat(plan.routes)]
    return not ((routes["late_min"] > IN_TIME_MIN) | routes["late_min"].isna()).any()


def take_over(
    inputs: PlanInputs,
    plan: StormPlan,
    plan_again: Callable[[PlanInputs], StormPlan],
    standing: Mapping[str, tuple[str, str]] | None = None,
    of_trucks: Collection[str] | None = None,
) -> Takeover:
    """Propose who takes over what is late or untreated.

    Parameters
    ----------
    inputs : what the plan was made from. A truck that is out has no shift.
    plan : the plan.
    plan_again : how the plan is made: `plan.plan_storm`, or one that knows more.
    standing : the yard that each truck stands at or goes home to, and the material in its hopper,
        "" for an empty one; for trucks of which that is known.
    of_trucks : only their runs may go to others; None: those of every truck that is late.

    Returns
    -------
    Takeover. Its lateness and masses are those of the plan made again.
    """
    nothing = Takeover(
        table=pd.DataFrame(columns=RESULTS["plan_reassigned"].names), assignments=inputs.assignments
    )
    # without a time of day no run is early or late
    if nothing_late(plan) or all(pd.isna(one.start) for one in plan.applications):
        return nothing
    runs = _runs(inputs, plan)
    roster = roster_of(inputs, plan, runs, standing or {})
    trouble = (runs["late_min"] > IN_TIME_MIN) | runs["late_min"].isna()
    trucks = set(runs.loc[trouble, "truck_id"])
    trucks = trucks if of_trucks is None else trucks & set(of_trucks)
    if not trucks:
        return nothing
    found = reassign(roster, np.flatnonzero(runs["truck_id"].isin(trucks)).tolist())
    changed = {
        at: roster.trucks[one.truck].truck_id
        for at, one in sorted(found.done.items())
        if one.truck != roster.runs[at].truck
    }
    if not changed:
        return replace(nothing, found=found)
    labels = [one.label for one in plan.applications]
    wanted = {_keys(runs)[at]: truck for at, truck in changed.items()}
    assignments = with_trucks(inputs.assignments, labels, wanted)
    after = plan_again(replace(inputs, assignments=assignments))
    weight = dict(zip(_keys(runs), (duty.weight for duty in roster.runs), strict=True))
    if _badness(after, weight) >= _badness(plan, weight):
        return replace(nothing, found=found)
    return Takeover(
        table=_table(runs, changed, plan, after),
        assignments=assignments,
        plan=after,
        eased=_eased(plan, after),
        found=found,
        **{f"{name}_before": value for name, value in amiss(plan).items()},
        **{f"{name}_after": value for name, value in amiss(after).items()},
    )


def amiss(plan: StormPlan) -> dict[str, float]:
    """How much a plan is ``late`` and ``untreated`` where a truck is to treat it, in lane-miles,
    and ``worst_min``, by how many minutes the latest run is late.
    """
    routes = plan.routes[_to_treat(plan.routes)]
    late, missed = routes["late_min"] > IN_TIME_MIN, routes["late_min"].isna()
    return {
        "late": float(routes.loc[late, "lane_miles"].sum()),
        "worst_min": float(routes.loc[late, "late_min"].max()) if late.any() else 0.0,
        "untreated": float(routes.loc[missed, "lane_miles"].sum()),
    }


def _to_treat(routes: pd.DataFrame) -> pd.Series[bool]:
    """Runs with a truck, a yard and something to spread that the clock can place."""
    placed = (routes["truck_id"] != "") & (routes["yard_id"] != "") & (routes["mass_lb"] > 0)
    return placed & routes["minutes"].notna()


def _keys(runs: pd.DataFrame) -> list[tuple[str, str]]:
    return list(zip(runs["application"], runs["route_id"], strict=True))


def _badness(plan: StormPlan, weight: Mapping[tuple[str, str], int]) -> tuple[float, float]:
    """How much is left untreated, then how much is late and for how long, by weight of class.

    A run that gets no setting any more counts as untreated.
    """
    routes = plan.routes
    counts = np.array([weight.get(key, 0) for key in _keys(routes)]) * routes["lane_miles"]
    missed = routes["late_min"].isna() | ~routes["status"].isin(_TREATED)
    late = (counts * routes["late_min"].fillna(0.0)).sum()
    return round(float(counts[missed].sum()), 6), round(float(late), 3)


def _runs(inputs: PlanInputs, plan: StormPlan) -> pd.DataFrame:
    """Runs that can be placed in time, in the order in which a truck takes them."""
    starts = {one.label: one.start for one in plan.applications if not pd.isna(one.start)}
    zero = min(starts.values())
    order = inputs.assignments["route_id"].drop_duplicates(keep="last")
    turn = {route: place for place, route in enumerate(order)}
    routes = plan.routes[_to_treat(plan.routes) & plan.routes["application"].isin(list(starts))]
    routes = routes.assign(
        release_min=routes["application"].map(
            {label: round((start - zero) / _MINUTE) for label, start in starts.items()}
        ),
        done_min=((routes["ends_at"] - zero) / _MINUTE).astype(float),
        turn=routes["route_id"].map(turn),
        round=routes["application"].map({label: at for at, label in enumerate(starts)}),
    ).sort_values(["round", "turn"], kind="stable", ignore_index=True)
    tons = (routes["mass_lb"] / POUNDS_PER_TON).where(routes["mass_lb"] > 0)
    routes["prewet_gal_per_ton"] = (routes["prewet_gal"] / tons).fillna(0.0)
    routes["solid"] = routes["prewet_gal_per_ton"] > 0
    return routes.join(_needs(plan.segments), on=["application", "route_id"])


def _needs(segments: pd.DataFrame) -> pd.DataFrame:
    """What a run asks of a truck: index application, route_id."""
    wanted = segments[segments["target_rate_lb_per_lane_mile"] > 0]
    mass = wanted["target_rate_lb_per_lane_mile"] * wanted["lane_miles"]
    grouped = wanted.assign(target_lb=mass).groupby(["application", "route_id"])
    needs = grouped.agg(
        least_lb_per_min=("discharge_lb_per_min", "min"),
        most_lb_per_min=("discharge_lb_per_min", "max"),
        lanes_per_pass=("lanes_per_pass", "max"),
        target_lb=("target_lb", "sum"),
    )
    classes = segments.groupby(["application", "route_id"])["service_class"].unique()
    return needs.join(classes.rename("classes"))


def roster_of(
    inputs: PlanInputs,
    plan: StormPlan,
    runs: pd.DataFrame,
    standing: Mapping[str, tuple[str, str]],
) -> Roster:
    """The runs as a problem of who does what; parameters as `take_over` has them.

    ``runs`` : those of the plan that can be placed in time, in the order in which a truck takes
    them.
    """
    places = _Places(inputs, runs, standing)
    names = [str(name) for name in inputs.trucks["truck_id"]]
    number = {name: place for place, name in enumerate(names)}
    shifts = _shifts(inputs, plan, runs, names)
    trucks = tuple(
        StaffedTruck(truck_id=name, shifts=shifts[name], state=places.start(name)) for name in names
    )
    turns: dict[tuple[int, int], Turn] = {}
    able = _Able(inputs, plan, runs)
    for truck, row in enumerate(lines(inputs.trucks)):
        if shifts[names[truck]]:
            of_truck = _turns(inputs, runs, row, able, places)
            turns |= {(run, truck): turn for run, turn in of_truck.items()}
    return Roster(
        runs=_duties(inputs, runs, number),
        trucks=trucks,
        turns=turns,
        setup_min=places.setup_min(),
    )


def _duties(inputs: PlanInputs, runs: pd.DataFrame, number: Mapping[str, int]) -> tuple[Duty, ...]:
    """The runs with what is promised: by the start of the round, and since the round before."""
    services = {name for some in runs["classes"] for name in some}
    promised = {name: inputs.policy.service(str(name)) for name in services}
    weights = _weights({name: one.first_pass_min for name, one in promised.items()})
    duties, treated = [], dict[str, float]()
    for run in lines(runs):
        first = np.array([promised[name].first_pass_min for name in run.classes])
        cycle = np.array([promised[name].cycle_min for name in run.classes])
        since = treated.get(run.route_id, np.nan)
        due = np.nanmin([run.release_min + first, since + cycle, np.full(len(first), np.inf)])
        duties.append(
            Duty(
                route_id=run.route_id,
                application=run.application,
                release_min=int(run.release_min),
                due_min=int(due) if np.isfinite(due) else None,
                lane_miles=float(run.lane_miles),
                weight=max(weights[name] for name in run.classes),
                truck=number.get(run.truck_id),
            )
        )
        if not np.isnan(run.done_min):
            treated[run.route_id] = float(run.done_min)
    return tuple(duties)


def _weights(first_pass_min: Mapping[str, float]) -> dict[str, int]:
    """How much each class counts: the shorter its promise, the more."""
    promises = sorted({value for value in first_pass_min.values() if not np.isnan(value)})
    top = {value: max(1, HIGHEST_WEIGHT // CLASS_STEP**at) for at, value in enumerate(promises)}
    return {name: top.get(value, 1) for name, value in first_pass_min.items()}


def _shifts(
    inputs: PlanInputs, plan: StormPlan, runs: pd.DataFrame, names: list[str]
) -> dict[str, tuple[tuple[int, int], ...]]:
    """When each truck is staffed, whole minutes since the first application."""
    starts = {one.label: one.start for one in plan.applications if not pd.isna(one.start)}
    zero = min(starts.values())
    minutes = {label: (start - zero) / _MINUTE for label, start in starts.items()}
    last = int(runs["release_min"].max()) + ALWAYS[1]
    staffed = None if inputs.shifts is None else staffed_minutes(inputs.shifts, zero, minutes)
    if staffed is None:
        return dict.fromkeys(names, ((-ALWAYS[0], last),))
    return {
        name: tuple(
            (int(np.ceil(max(since, -ALWAYS[0]))), int(min(until, last)))
            for since, until in staffed.get(name, ())
            if until > -ALWAYS[0] and since < last
        )
        for name in names
    }


class _Places:
    """Yards and what is in the hopper there, as states of a truck; state 0 is anywhere, empty."""

    def __init__(
        self, inputs: PlanInputs, runs: pd.DataFrame, standing: Mapping[str, tuple[str, str]]
    ) -> None:
        self.yards = inputs.yards
        self.yard = {str(name): at for at, name in enumerate(inputs.yards["yard_id"])}
        materials = [*runs["material"], *(material for _, material in standing.values())]
        self.material = {name: at for at, name in enumerate(sorted({"", *materials}))}
        self.standing = standing
        homes = zip(inputs.trucks["truck_id"], inputs.trucks["home_yard_id"], strict=True)
        first = runs.drop_duplicates("truck_id").set_index("truck_id")["yard_id"]
        self.home = {str(truck): home or first.get(truck, "") for truck, home in homes}

    def state(self, yard: str, material: str) -> int:
        """A truck at a yard with a material in it, "" for none."""
        at = self.yard.get(yard)
        return 0 if at is None else 1 + at * len(self.material) + self.material[material]

    def start(self, truck: str) -> int:
        """Where a truck begins."""
        return self.state(*self.standing.get(truck, (self.home[truck], "")))

    def setup_min(self) -> tuple[tuple[int, ...], ...]:
        """From state to state: the way, and as long as loading to empty another material."""
        lon, lat = (self.yards[name].to_numpy(dtype=float) for name in ("lon", "lat"))
        count, kinds = len(lon), len(self.material)
        start, end = np.divmod(np.arange(count * count), max(count, 1))
        miles = distance_mi(lon[start], lat[start], lon[end], lat[end]).reshape(count, count)
        way = np.nan_to_num(miles) * DETOUR / TRAVEL_MPH * 60.0
        material = np.arange(kinds)
        # an empty hopper is "" and stands first
        emptied = (material[:, None] != material[None, :]) & (material[:, None] > 0)
        whole = np.repeat(np.repeat(way, kinds, axis=0), kinds, axis=1)
        whole = np.ceil(whole + RELOAD_MIN * np.tile(emptied, (count, count)))
        whole = np.pad(whole, ((1, 0), (1, 0)))
        return tuple(tuple(int(one) for one in row) for row in whole)


class _Able:
    """At which gates a truck can do a run, as bits."""

    def __init__(self, inputs: PlanInputs, plan: StormPlan, runs: pd.DataFrame) -> None:
        self.controls = controls_of(inputs.trucks)
        self.models = models_by_truck(inputs.models, self.controls)
        self.voiding = inputs.next_voiding
        self.starts = {one.label: one.start for one in plan.applications}
        self.runs = runs
        gates = sorted({gate for _, _, gate in inputs.models})
        self.bit = {gate: 1 << at for at, gate in enumerate(gates)}

    def gates(self, truck: Any) -> np.ndarray:
        """Of one truck for all runs, 0 where it cannot do it, shape (runs,)."""
        runs, name = self.runs, str(truck.truck_id)
        found = np.zeros(len(runs), dtype=object)
        for material in runs["material"].unique():
            here = (runs["material"] == material).to_numpy()
            least, most = (runs[f"{end}_lb_per_min"].to_numpy()[here] for end in ("least", "most"))
            for model in self.models.get((name, material), []):
                control = self.controls[name]
                ends = np.array([control.min_feeder_pct, control.max_feeder_pct])
                low, high = model.predict(ends).discharge_lb_per_min.tolist()
                gives = (least >= low) & (most <= high)
                for need in (least, most):
                    feeder = np.asarray(model.feeder_for(np.clip(need, low, high)), dtype=float)
                    gives &= ~how_known(model, control, feeder).too_uncertain
                found[here] += np.where(gives, self.bit[model.gate_in], 0)
        found[self._refused(truck)] = 0
        mine = (runs["truck_id"] == name).to_numpy()
        # what the planner gave it, it does as the plan has it, good or bad
        planned = runs["gate_in"].map(self.bit).fillna(-1).astype(int).to_numpy()
        found[mine] = [int(a) | int(b) for a, b in zip(found[mine], planned[mine], strict=True)]
        return found

    def _refused(self, truck: Any) -> np.ndarray:
        """Runs that are too wide, want a tank it has not, or come after work on the truck."""
        runs = self.runs
        wide = np.nan_to_num(float(truck.max_spread_lanes), nan=np.inf)
        no_tank = not float(truck.prewet_tank_gal) > 0.0
        refused = (runs["lanes_per_pass"] > wide + 1e-9) | (runs["solid"] & no_tank)
        work = self.voiding.get(str(truck.truck_id))
        if work is not None:
            refused |= runs["application"].map(self.starts) >= work.changed_at
        return np.asarray(refused.to_numpy(), dtype=bool)


def _turns(
    inputs: PlanInputs, runs: pd.DataFrame, truck: Any, able: _Able, places: _Places
) -> dict[int, Turn]:
    """What one truck would need for the runs that it can do, by place of the run."""
    name, gates = str(truck.truck_id), able.gates(truck)
    limits = load_limits(runs.assign(truck_id=name), inputs.trucks)
    mine = (runs["truck_id"] == name).to_numpy()
    mass = runs["mass_lb"].where(mine, runs["target_lb"]).to_numpy()
    loads = load_counts(mass, limits["load_lb"].to_numpy())
    speeds = inputs.trucks.set_index("truck_id")["travel_speed_mph"].fillna(TRAVEL_MPH)
    slower = runs["truck_id"].map(speeds).to_numpy(dtype=float) / float(speeds[name])
    # each load is one way out and one back
    per_load = runs["travel_minutes"].to_numpy() / np.maximum(runs["loads"].to_numpy(), 1) * slower
    stated = runs["yard_id"].map(inputs.yards.set_index("yard_id")["reload_min"])
    reload_min = stated.fillna(RELOAD_MIN).to_numpy(dtype=float)
    minutes = runs["spreading_minutes"].to_numpy() + loads * per_load + (loads - 1) * reload_min
    found = {}
    for run in np.flatnonzero((gates != 0) & (loads > 0) & (loads <= MOST_LOADS)).tolist():
        found[run] = Turn(
            minutes=int(np.ceil(minutes[run])),
            treated_min=int(np.ceil(minutes[run] - per_load[run] / 2.0)),
            lb=float(mass[run]),
            gates=int(gates[run]),
            state=places.state(str(runs["yard_id"].iat[run]), str(runs["material"].iat[run])),
            before_min=int(np.ceil(reload_min[run])),
        )
    return found


def _table(
    runs: pd.DataFrame, changed: Mapping[int, str], plan: StormPlan, after: StormPlan
) -> pd.DataFrame:
    """The table ``plan_reassigned``; lateness of what is not treated is NaN."""
    rows = runs.iloc[list(changed)][["route_id", "application"]].reset_index(drop=True)
    index = ["route_id", "application"]
    for name, of in (("before", plan), ("after", after)):
        known = of.routes.set_index(index)[["truck_id", "late_min", "mass_lb"]]
        rows = rows.join(known.add_suffix(f"_{name}"), on=index)
    return rows.rename(
        columns={
            "truck_id_before": "from_truck",
            "truck_id_after": "to_truck",
            "mass_lb_before": "lb_before",
            "mass_lb_after": "lb_after",
        }
    )[RESULTS["plan_reassigned"].names]


def _eased(plan: StormPlan, after: StormPlan) -> pd.DataFrame:
    """Runs that keep their truck and are less late than before."""
    index = ["route_id", "application"]
    both = plan.routes[[*index, "truck_id", "late_min"]].merge(
        after.routes[[*index, "truck_id", "late_min"]],
        on=[*index, "truck_id"],
        suffixes=("_before", "_after"),
    )
    gained = both["late_min_before"] - both["late_min_after"] > IN_TIME_MIN
    reached = both["late_min_before"].isna() & both["late_min_after"].notna()
    return both[gained | reached]


def takeover_findings(proposal: Takeover) -> list[Finding]:
    """What a proposal is, route by route, and what all of it gains."""
    if proposal.plan is None or proposal.found is None:
        return []
    found = [
        Finding(
            "caution",
            remark("of_storm", storm=proposal.plan.storm),
            remark(
                "takeover_gains",
                late_before_lane_miles=proposal.late_before,
                late_after_lane_miles=proposal.late_after,
                worst_before_min=proposal.worst_min_before,
                worst_after_min=proposal.worst_min_after,
                untreated_before_lane_miles=proposal.untreated_before,
                untreated_after_lane_miles=proposal.untreated_after,
            ),
            (remark("takeover_gap", gap_pct=100.0 * proposal.found.gap),),
        )
    ]
    by = proposal.table.groupby(["route_id", "from_truck", "to_truck"], sort=False)
    for (route, before, to), rows in by:
        found.append(
            Finding(
                "caution",
                remark("of_route", route=route),
                remark(
                    "takeover",
                    rounds=tuple(rows["application"]),
                    before=before,
                    truck=to,
                    late=_late(rows["late_min_before"]),
                    then=_late(rows["late_min_after"]),
                    more=more_mass(float((rows["lb_after"] - rows["lb_before"]).sum())),
                ),
                (*_relieved(proposal, str(before)), remark("takeover_is_a_proposal")),
            )
        )
    return found


def _relieved(proposal: Takeover, truck: str) -> tuple[Remark, ...]:
    """What a truck keeps and is less late with, since others take over from it."""
    eased = proposal.eased[proposal.eased["truck_id"] == truck]
    return tuple(
        remark(
            "relieved",
            route=route,
            application=label,
            late=_late(rows["late_min_before"]),
            then=_late(rows["late_min_after"]),
        )
        for (route, label), rows in eased.groupby(["route_id", "application"], sort=False)
    )


def _late(minutes: pd.Series[float]) -> Remark:
    if minutes.isna().any():
        return remark("not_treated_at_all")
    worst = float(minutes.max())
    return remark("late_by", late_min=worst) if worst > IN_TIME_MIN else remark("in_time")
