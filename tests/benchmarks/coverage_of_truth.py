"""Do the intervals hold the truth? Simulated seasons against everything that is said of them.

Run: ``python tests/benchmarks/coverage_of_truth.py [--seasons N] [--seed S] [--out FILE.csv]
[--calibration-only | --matching]``.

Each season is a fleet of its own (`simulate_seasons`): tests, calibration, a plan of each storm,
what the trucks did, tickets, the judgement of each storm and the season half way through. All of it
goes through the package's public computation; only the matching of positions is left out (what is
reported on a segment is known exactly) unless ``--matching`` asks for it, so that hundreds of
seasons are possible.

Every figure is a share with the ends of its 95 % bootstrap interval: whole seasons are drawn again
(1,000 times), since what is said of one season's trucks and segments stands or falls together.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from spreadplan.calibration import Calibration, fit_fleet
from spreadplan.matching.network import build_network
from spreadplan.metrology import COVERAGE, coverage_factor
from spreadplan.planning.plan import PlanInputs, StormPlan, plan_storm
from spreadplan.reconcile.storm import OFF_ROUTE, StormEvidence, StormUse, Surroundings, storm_use
from spreadplan.reconcile.use import TruckUse, truck_use
from spreadplan.season import Season, SeasonInputs, work_out_season
from spreadplan.season.forecast import forecast_season
from spreadplan.season.use import StormOfSeason as SeasonStorm
from tests.benchmarks.coverage_table import Ledger, half, markdown, report, scatter_class, within
from tests.benchmarks.simulate_seasons import (
    LOAD_COLUMNS,
    MATERIAL,
    RETURN_COLUMNS,
    SEASON_END,
    SEASON_START,
    YARDS,
    Fleet,
    TrueStorm,
    draw_storms,
    forecast_of,
    make_fleet,
    plan_truth,
    rates_of,
    spread,
    telemetry,
    ticket_table,
    weigh_loads,
)

KEYS = ["route_id", "segment_id", "material"]
JUDGED = (
    "route_id",
    "segment_id",
    "material",
    "lane_miles",
    "applications",
    "applied_lb",
    "applied_u_lb",
    "planned_lb",
    "allowed_lb",
    "verdict",
    "p_over",
)
MORE_WINTERS = 8
PILE_LB = 1_200_000.0
PILE_U_REL = 0.04


# --- calibration --------------------------------------------------------------------------------


def calibrated(fleet: Fleet) -> Calibration:
    """The fleet's calibration at the start of the season."""
    names = ("tests", "weighings", "trucks", "materials", "changes", "assignments")
    return fit_fleet(*(fleet.tables[name] for name in names), fleet.policy, SEASON_START)


def check_calibration(fleet: Fleet, found: Calibration, ledger: Ledger) -> None:
    """True mean discharge and mass per count against their intervals."""
    for truck in fleet.trucks:
        model = found.models.get((truck.truck_id, MATERIAL, 3.0))
        if model is None:
            continue
        rows = found.discharge[found.discharge["truck_id"] == truck.truck_id]
        at = rows["feeder_pct"].to_numpy(dtype=float)
        low, high = model.interval(at)
        held, wide = within(truck.discharge(at), low, high), half(low, high)
        tested = np.isin(at, model.tested_pct)
        beyond = rows["extrapolated"].to_numpy(dtype=bool)
        loop = "closed" if truck.closed_loop else "open"
        form = ", curve that levels off" if np.isfinite(truck.saturation_pct) else ""
        for name, mine in (
            ("tested output", tested),
            ("between tested outputs", ~tested & ~beyond),
            ("beyond tested outputs", beyond),
        ):
            if mine.any():
                ledger.note(
                    f"discharge, {loop} loop, {name}{form}",
                    held[mine],
                    np.full(mine.sum(), truck.tests),
                    wide[mine],
                )
        if model.counts is not None:
            value = model.counts.lb_per_count
            # what is held is one number; the middle of the tested outputs is where it is judged
            middle = np.array([np.mean(model.tested_pct)])
            relative = float(model.relative_u_per_count(middle)[0])
            reach = coverage_factor(model.counts.dof) * relative * value
            true = truck.per_count(middle)
            ledger.note(
                "mass per count",
                within(true, value - reach, value + reach),
                [truck.tests],
                [reach / value],
            )
    steady = found.drift["verdict"].eq("steady")
    if len(steady):
        ledger.note("false alarm: drift of a comparison", ~steady)
        fleet_alarm = [bool((~steady).any())]
        ledger.note("false alarm: any drift in a fleet", fleet_alarm)


# --- plan ---------------------------------------------------------------------------------------


def planned(fleet: Fleet, storm: TrueStorm, found: Calibration) -> StormPlan:
    """The plan of a storm."""
    tables = fleet.tables
    return plan_storm(
        PlanInputs(
            storm=storm.name,
            routes=tables["routes"],
            assignments=tables["assignments"],
            trucks=tables["trucks"],
            materials=tables["materials"],
            yards=tables["yards"],
            stock_counts=ticket_table("yard_id material counted_at on_hand_lb on_hand_u_lb", []),
            deliveries=ticket_table("ticket_id yard_id material delivered_at net_lb", []),
            loads=ticket_table(LOAD_COLUMNS, []),
            returns=ticket_table(RETURN_COLUMNS, []),
            forecast=forecast_of(storm),
            rates=rates_of(storm),
            policy=fleet.policy,
            sensitive_areas=tables["areas"],
            models=found.models,
        )
    )


def check_plan(fleet: Fleet, plan: StormPlan, found: Calibration, ledger: Ledger) -> None:
    """What the trucks would really put out at the plan's settings, without driver or storm."""
    rows = pd.DataFrame(plan.segments.drop(columns="geometry"))
    true = plan_truth(fleet, rows, numbers_of(found))
    rows = rows.assign(true_lb=true)
    tests = {one.truck_id: one.tests for one in fleet.trucks}
    # a curve that levels off matters to an open loop alone: a closed one counts
    levels = {
        one.truck_id
        for one in fleet.trucks
        if np.isfinite(one.saturation_pct) and not one.closed_loop
    }
    ok = rows["status"].isin(["ok", "extrapolated"])
    off = rows["truck_id"].isin(levels)
    for name, mine in (
        ("segments", (rows["status"] == "ok") & ~off),
        ("segments, extrapolated", (rows["status"] == "extrapolated") & ~off),
        ("segments, curve that levels off", ok & off),
    ):
        some = rows[mine]
        if len(some):
            ledger.note(
                f"plan, {name}",
                within(some["true_lb"], some["mass_lo_lb"], some["mass_hi_lb"]),
                some["truck_id"].map(tests),
                half(some["mass_lo_lb"], some["mass_hi_lb"]),
            )
    good = set(rows["route_id"]) - set(rows.loc[~ok | (rows["status"] != "ok"), "route_id"])
    routes = plan.routes[plan.routes["route_id"].isin(good)]
    sums = rows.groupby(["application", "route_id"])["true_lb"].sum()
    if len(routes):
        keys = pd.MultiIndex.from_frame(routes[["application", "route_id"]])
        ledger.note(
            "plan, routes",
            within(sums.reindex(keys), routes["mass_lo_lb"], routes["mass_hi_lb"]),
            routes["truck_id"].map(tests),
            half(routes["mass_lo_lb"], routes["mass_hi_lb"]),
        )
    yard_of = fleet.tables["assignments"].set_index("route_id")["yard_id"]
    needs = rows.groupby(rows["route_id"].map(yard_of))["true_lb"].sum() / 2000.0
    bad = set(yard_of[[one for one in yard_of.index if one not in good]])
    for yard in plan.yards.itertuples():
        if yard.yard_id not in bad:
            # one end only: 97.5 % should stay below it
            ledger.note(
                "plan, yards (upper end: 97.5 %)",
                [needs[yard.yard_id] <= yard.needed_hi_ton],
                None,
                [yard.needed_hi_ton / yard.needed_ton - 1.0],
            )


def numbers_of(found: Calibration) -> dict[str, float]:
    """Calibrated mass per count by truck."""
    return {key[0]: model.lb_per_count for key, model in found.models.items()}


# --- storms -------------------------------------------------------------------------------------


@dataclass
class Played:
    """A storm that happened: plan, truth, use as reported."""

    true: TrueStorm
    plan: StormPlan
    rows: pd.DataFrame
    uses: list[TruckUse]

    @property
    def reported(self) -> pd.DataFrame:
        sums = self.rows.groupby("truck_id")["reported_lb"].sum().reset_index()
        return sums.assign(storm=self.true.name, material=MATERIAL)


def uses_of(rows: pd.DataFrame, network: Any) -> list[TruckUse]:
    """What matching would hand over if it were never wrong."""
    row_of = {name: n for n, name in enumerate(network.segment_id)}
    found = []
    for truck_id, mine in rows.groupby("truck_id", sort=True):
        segments = mine.groupby(KEYS)[["reported_lb"]].sum().reset_index()
        rounds = mine.groupby(KEYS)["application"].nunique().to_numpy(dtype=float)
        per_round = mine.groupby(KEYS)["passes"].first().to_numpy(dtype=float)
        driven = segments["segment_id"].map(row_of).to_numpy()
        segments = segments.assign(
            truck_id=truck_id,
            passes=rounds * per_round,
            standing_lb=0.0,
            matching_u_lb=0.0,
            timing_u_lb=0.0,
            unplaced_lb=0.0,
        )
        found.append(
            TruckUse(
                truck_id=str(truck_id),
                points={},
                segments=segments,
                driven=pd.DataFrame(
                    {"row": driven, "driven_m": network.length_m[driven] * rounds * per_round}
                ),
                lost_lb=pd.DataFrame(
                    {
                        "row": np.array([], int),
                        "position_m": np.array([], float),
                        "mass_lb": np.array([], float),
                    }
                ),
                piles=1.0,
                heard_share=1.0,
                known_share=0.0,
                first_s=1.0,
                last_s={},
                counts=0.0,
            )
        )
    return found


def matched(fleet: Fleet, storm: TrueStorm, rows: pd.DataFrame, network: Any) -> list[TruckUse]:
    """What matching makes of the trucks' positions."""
    return [
        truck_use(network, records, frozenset({f"R{records.truck_id}"}), MATERIAL)
        for records in telemetry(fleet, storm, rows, network)
    ]


def judged(
    fleet: Fleet,
    played: list[Played],
    tickets: dict[str, pd.DataFrame],
    found: Calibration,
    stock: dict[str, pd.DataFrame],
    network: Any,
) -> list[StormUse]:
    """Every storm judged from all storms so far."""
    reported = pd.concat([one.reported for one in played], ignore_index=True)
    starts = {one.true.name: one.true.start for one in played}
    around = Surroundings(
        routes=fleet.tables["routes"],
        assignments=fleet.tables["assignments"],
        materials=fleet.tables["materials"],
        sensitive_areas=fleet.tables["areas"],
        stock_counts=stock["counts"],
        deliveries=stock["deliveries"],
        discharge_tests=fleet.tables["tests"],
        changes=fleet.tables["changes"],
        policy=fleet.policy,
        models_table=found.models_table,
        drift=found.drift,
    )
    return [
        storm_use(
            StormEvidence(
                name=one.true.name,
                start=one.true.start,
                end=one.true.end,
                starts=starts,
                reported=reported,
                loads=tickets["loads"],
                returns=tickets["returns"],
                planned=pd.DataFrame(one.plan.segments.drop(columns="geometry")),
                planned_routes=one.plan.routes,
            ),
            around,
            network,
            one.uses,
        )
        for one in played
    ]


def check_storm(
    one: Played,
    use: StormUse,
    complete: set[str],
    tests: dict[str, int],
    fleet: Fleet,
    ledger: Ledger,
) -> None:
    """Ratios, masses of segments and routes, and verdicts of a storm."""
    trucks = use.trucks.set_index("truck_id")
    sums = one.rows.groupby("truck_id")[["true_lb", "usual_true_lb", "reported_lb"]].sum()
    of_storm = (sums["true_lb"] / sums["reported_lb"]).reindex(trucks.index)
    usual = (sums["usual_true_lb"] / sums["reported_lb"]).reindex(trucks.index)
    ledger.note(
        "ratio of the storm",
        within(of_storm, trucks["ratio_lo"], trucks["ratio_hi"]),
        None,
        half(trucks["ratio_lo"], trucks["ratio_hi"]),
    )
    ledger.note(
        "ratio of the truck",
        within(usual, trucks["season_lo"], trucks["season_hi"]),
        None,
        half(trucks["season_lo"], trucks["season_hi"]),
    )
    said = trucks["verdict"].isin(["reports too little", "reports too much"])
    if said.any():
        low = trucks["verdict"] == "reports too little"
        right = np.where(low, usual > 1.0, usual < 1.0)[said.to_numpy()]
        ledger.note("false: truck reports too much or too little", ~right)
    true = one.rows.groupby(KEYS)["true_lb"].sum()
    rows = use.segments[
        (use.segments["reported_lb"] > 0.0) & (use.segments["segment_id"] != OFF_ROUTE)
    ]
    truth = true.reindex(pd.MultiIndex.from_frame(rows[KEYS])).to_numpy()
    behind = rows["trucks"].map(tests).fillna(1)
    ledger.note(
        "applied, segments",
        within(truth, rows["applied_lo_lb"], rows["applied_hi_lb"]),
        behind,
        half(rows["applied_lo_lb"], rows["applied_hi_lb"]),
    )
    whole = rows["trucks"].isin(complete).to_numpy()
    for name, mine in (("with", whole), ("without", ~whole)):
        if mine.any():
            some = rows[mine]
            ledger.note(
                f"applied, segments, trucks {name} all tickets of the storm",
                within(truth[mine], some["applied_lo_lb"], some["applied_hi_lb"]),
                None,
                half(some["applied_lo_lb"], some["applied_hi_lb"]),
            )
    routes = use.routes[(use.routes["reported_lb"] > 0.0) & (use.routes["route_id"] != OFF_ROUTE)]
    of_route = one.rows.groupby("route_id")["true_lb"].sum().reindex(routes["route_id"])
    ledger.note(
        "applied, routes",
        within(of_route, routes["applied_lo_lb"], routes["applied_hi_lb"]),
        None,
        half(routes["applied_lo_lb"], routes["applied_hi_lb"]),
    )
    check_verdicts(rows, truth, ledger)


def check_verdicts(rows: pd.DataFrame, truth: np.ndarray, ledger: Ledger) -> None:
    """False verdicts, and how many of the true findings are made."""
    allowed, least = rows["allowed_lb"].to_numpy(float), rows["least_lb"].to_numpy(float)
    for name, beyond in (("over", truth > allowed), ("under", truth < least)):
        said = (rows["verdict"] == name).to_numpy()
        maybe = (rows["verdict"] == f"probably_{name}").to_numpy()
        if said.any():
            ledger.note(f"false: {name}", ~beyond[said])
        if maybe.any():
            ledger.note(f"false: probably_{name}", ~beyond[maybe])
        if beyond.any():
            ledger.note(f"found: {name} (of all that are)", said[beyond])
    plain = rows["applied_lb"].to_numpy(float) > allowed
    if plain.any():
        ledger.note("false: over by a plain comparison", ~(truth > allowed)[plain])


def check_balance(
    use: StormUse, true_lb: dict[str, float], sound: set[str], ledger: Ledger
) -> None:
    """Stock that should be left against what truly was, where all movements are on paper."""
    for row in use.balance.itertuples():
        if row.yard_id in sound and np.isfinite(row.expected_u_ton):
            reach = 1.959964 * row.expected_u_ton
            true = true_lb[row.yard_id] / 2000.0
            ledger.note(
                "stock expected",
                within(true, row.expected_ton - reach, row.expected_ton + reach),
                None,
                [reach / row.expected_ton],
            )
            if np.isfinite(row.counted_ton):
                ledger.note("false alarm: stock differs", [row.verdict != "agrees"])


# --- a season -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Depth:
    """How much of a season is played: its calibration alone, or with the matching of positions."""

    calibration_only: bool = False
    matching: bool = False


def play_season(number: int, seed: int, depth: Depth) -> Ledger:
    """Simulate a season and note how its figures fared."""
    fleet = make_fleet(seed)
    ledger = Ledger(
        number,
        scatter_class(fleet.scatter),
        "many tickets" if fleet.ticket_share == 1.0 else "few tickets",
    )
    found = calibrated(fleet)
    check_calibration(fleet, found, ledger)
    if depth.calibration_only:
        return ledger
    check_forecasts(fleet, ledger)
    network = build_network(fleet.tables["routes"])
    storms = draw_storms(fleet)
    as_of = SEASON_START + (SEASON_END - SEASON_START) * float(fleet.rng.uniform(0.3, 0.6))
    seen = [one for one in storms if one.end <= as_of]
    later = [one for one in storms if one.end > as_of]
    if not seen:
        return ledger
    played, loads, returns, sound, complete = [], [], [], {}, {}
    stock = Stock(fleet)
    for storm in seen:
        plan = planned(fleet, storm, found)
        check_plan(fleet, plan, found, ledger)
        segments = pd.DataFrame(plan.segments.drop(columns="geometry"))
        rows = spread(fleet, storm, segments, numbers_of(found))
        uses = matched(fleet, storm, rows, network) if depth.matching else uses_of(rows, network)
        played.append(Played(storm, plan, rows, uses))
        tickets = weigh_loads(fleet, storm, rows.groupby("truck_id")["true_lb"].sum().to_dict())
        loads += tickets.loads
        returns += tickets.returns
        complete[storm.name], sound[storm.name] = tickets.complete, tickets.sound_yards
        stock.draw(storm, tickets.drawn_lb)
    tables = {
        "loads": ticket_table(LOAD_COLUMNS, loads),
        "returns": ticket_table(RETURN_COLUMNS, returns),
    }
    judgements = judged(fleet, played, tables, found, stock.tables(), network)
    tests = {one.truck_id: one.tests for one in fleet.trucks}
    for one, use in zip(played, judgements, strict=True):
        check_storm(one, use, complete[one.true.name], tests, fleet, ledger)
        check_balance(use, stock.left[one.true.name], sound[one.true.name], ledger)
    check_season(fleet, played, judgements, later, as_of, ledger)
    return ledger


@dataclass
class Stock:
    """True stock of each yard, and what is counted and delivered."""

    fleet: Fleet
    true_lb: dict[str, float] = field(default_factory=lambda: dict.fromkeys(YARDS, PILE_LB))
    counts: list[tuple[Any, ...]] = field(default_factory=list)
    left: dict[str, dict[str, float]] = field(default_factory=dict)
    deliveries: list[tuple[Any, ...]] = field(default_factory=list)

    def draw(self, storm: TrueStorm, drawn_lb: dict[str, float]) -> None:
        """Count before a storm, deliver within it, count after it."""
        rng = self.fleet.rng
        minute = pd.Timedelta(minutes=1)
        for yard in YARDS:
            self._count(yard, storm.start - minute)
            net = 20.0 * round(float(rng.uniform(30000.0, 60000.0)) / 20.0)
            self.deliveries.append(
                (f"D{len(self.deliveries)}", yard, MATERIAL, storm.start + 30 * minute, net)
            )
            self.true_lb[yard] += net + float(rng.normal(0.0, 8.0)) - drawn_lb[yard]
            self._count(yard, storm.end + minute)
        self.left[storm.name] = dict(self.true_lb)

    def _count(self, yard: str, moment: pd.Timestamp) -> None:
        true = self.true_lb[yard]
        u = PILE_U_REL * true
        read = true + float(self.fleet.rng.normal(0.0, u))
        self.counts.append((yard, MATERIAL, moment, read, u))

    def tables(self) -> dict[str, pd.DataFrame]:
        """Counts and deliveries as the workspace holds them."""
        floats = {"on_hand_lb": float, "on_hand_u_lb": float}
        counts = ticket_table("yard_id material counted_at on_hand_lb on_hand_u_lb", self.counts)
        return {
            "counts": counts.astype(floats),
            "deliveries": ticket_table(
                "ticket_id yard_id material delivered_at net_lb", self.deliveries
            ),
        }


def check_season(
    fleet: Fleet,
    played: list[Played],
    uses: list[StormUse],
    later: list[TrueStorm],
    as_of: pd.Timestamp,
    ledger: Ledger,
) -> None:
    """Use so far, its forecast, and chloride."""
    season = Season(name="2026-27", start=SEASON_START, end=SEASON_END, as_of=as_of)
    storms = [
        SeasonStorm(
            storm=one.true.name,
            start=one.true.start,
            end=one.true.end,
            rounds=one.true.rounds,
            parts=use.parts,
            segments=use.segments[list(JUDGED)],
            forecast=forecast_of(one.true),
        )
        for one, use in zip(played, uses, strict=True)
    ]
    budgets = pd.DataFrame(
        {
            "season": ["2026-27"],
            "scope": ["agency"],
            "scope_id": ["*"],
            "material": [MATERIAL],
            "budget_lb": [1e9],
        }
    )
    result = work_out_season(
        SeasonInputs(
            season=season,
            storms=storms,
            routes=fleet.tables["routes"],
            assignments=fleet.tables["assignments"],
            materials=fleet.tables["materials"],
            budgets=budgets,
            policy=fleet.policy,
            sensitive_areas=fleet.tables["areas"],
            planned=pd.concat(
                [
                    pd.DataFrame(one.plan.segments.drop(columns="geometry")).assign(
                        storm=one.true.name
                    )
                    for one in played
                ],
                ignore_index=True,
            ),
        )
    )
    true = pd.concat([one.rows.assign(storm=one.true.name) for one in played], ignore_index=True)
    row = result.budget.iloc[0]
    used = true["true_lb"].sum() / 2000.0
    reach = 1.959964 * row["used_u_ton"]
    ledger.note(
        "used so far, agency",
        within(used, row["used_ton"] - reach, row["used_ton"] + reach),
        None,
        [reach / row["used_ton"]],
    )
    by_truck = result.by_truck.set_index("truck_id")
    of_truck = (true.groupby("truck_id")["true_lb"].sum() / 2000.0).reindex(by_truck.index)
    ledger.note(
        "used so far, trucks",
        within(of_truck, by_truck["used_lo_ton"], by_truck["used_hi_ton"]),
        None,
        half(by_truck["used_lo_ton"], by_truck["used_hi_ton"]),
    )
    per_rate = true["true_lb"].sum() / sum(
        one.true.rounds * one.true.rate_lb_per_lane_mile for one in played
    )
    to_come = sum(one.rounds * one.rate_lb_per_lane_mile for one in later) * per_rate / 2000.0
    low, high = row["forecast_lo_ton"], row["forecast_hi_ton"]
    if np.isfinite(low):
        ledger.note(
            forecast_question(fleet), within(used + to_come, low, high), None, half([low], [high])
        )
    check_chloride(fleet, true, result.chloride, ledger)


def forecast_question(fleet: Fleet) -> str:
    """Its name: storms that come at a steady rate are what the forecast assumes."""
    storms_come = "storms mostly in midwinter" if fleet.peaked else "steady storms"
    return f"forecast of the season (90 %), {storms_come}"


def check_forecasts(fleet: Fleet, ledger: Ledger) -> None:
    """More winters of the same county, by the storms' true use: they cost little."""
    for _ in range(MORE_WINTERS):
        as_of = SEASON_START + (SEASON_END - SEASON_START) * float(fleet.rng.uniform(0.3, 0.6))
        storms = draw_storms(fleet)
        uses = np.array([one.rounds * one.rate_lb_per_lane_mile for one in storms])
        past = np.array([one.start <= as_of for one in storms], dtype=bool)
        found = forecast_season(
            uses[past], 0.02 * uses[past].sum(), start=SEASON_START, as_of=as_of, end=SEASON_END
        )
        if found.possible:
            low, high = found.interval()
            true = uses.sum() + float(fleet.rng.normal(0.0, 0.02)) * uses.sum()
            ledger.note(
                forecast_question(fleet), within(true, low, high), None, half([low], [high])
            )


def check_chloride(fleet: Fleet, true: pd.DataFrame, table: pd.DataFrame, ledger: Ledger) -> None:
    """Chloride of agency, routes and areas, over the season and by storm."""
    inside = true.assign(area_id=true["area_id"].str.split("; ")).explode("area_id")
    for scope, rows, column in (
        ("agency", true.assign(all=""), "all"),
        ("route", true, "route_id"),
        ("area", inside[inside["area_id"] != ""], "area_id"),
    ):
        said = table[(table["scope"] == scope) & (table["storm"] == "")]
        sums = rows.groupby(column)["true_lb"].sum() * fleet.chloride
        truth = sums.reindex(said["scope_id"]).fillna(0.0)
        if len(said):
            ledger.note(
                f"chloride, {scope}",
                within(truth, said["chloride_lo_lb"], said["chloride_hi_lb"]),
                None,
                half(said["chloride_lo_lb"], said["chloride_hi_lb"]),
            )


def play(seasons: int, seed: int, depth: Depth) -> Iterator[Ledger]:
    """Seasons with the seeds ``seed``, ``seed`` + 1, ..."""
    for number in range(seasons):
        yield play_season(number, seed + number, depth)


def main() -> None:
    """Play the seasons and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seasons", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", default="")
    parser.add_argument("--calibration-only", action="store_true")
    parser.add_argument("--matching", action="store_true", help="from positions: slow")
    args = parser.parse_args()
    began, lines = time.perf_counter(), []
    for ledger in play(args.seasons, args.seed, Depth(args.calibration_only, args.matching)):
        lines += ledger.lines
        if args.out:
            pd.DataFrame(ledger.lines).to_csv(
                args.out,
                index=False,
                mode="a" if ledger.season else "w",
                header=ledger.season == 0,
            )
        if sys.stderr.isatty():
            print(f"\r{ledger.season + 1} of {args.seasons}", end="", file=sys.stderr)
    table = pd.DataFrame(lines)
    print(
        f"{args.seasons} seasons, seed {args.seed}, {time.perf_counter() - began:.0f} s; "
        f"intervals are {100 * COVERAGE:g} % unless said\n"
    )
    print(markdown(report(table)), "\n")
    for column in ("scatter", "tests", "tickets"):
        some = table[table[column] != "-"]
        print(markdown(report(some, [column])), "\n")


if __name__ == "__main__":
    main()
