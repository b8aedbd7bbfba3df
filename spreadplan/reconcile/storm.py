"""A storm's use of material: all trucks together, against tickets, plan and stock. Masses in lb."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from spreadplan.buckets import FILLED, PILE, bucket_table
from spreadplan.calibration.assumptions import REPEATABILITY_REL
from spreadplan.frames import lines
from spreadplan.matching.network import Network
from spreadplan.materials import price_per_ton
from spreadplan.metrology import Z95
from spreadplan.planning.geometry import segment_lengths_mi
from spreadplan.reconcile.applied import (
    OFF_ROUTE,
    SEGMENT_KEYS,
    applied_by_segment,
    applied_parts,
    summed_applied,
)
from spreadplan.reconcile.balance import stock_balance
from spreadplan.reconcile.in_force import InForce, PlanVersion, in_force
from spreadplan.reconcile.liquid import liquid_of_trucks, with_liquid
from spreadplan.reconcile.periods import in_periods
from spreadplan.reconcile.plowing import ahead_of_plow
from spreadplan.reconcile.road_temperatures import beside_forecast
from spreadplan.reconcile.set_rates import SET_RATE_U
from spreadplan.reconcile.treatments import against_rates, rates_by_version, treatments_of
from spreadplan.reconcile.true_mass import CONTESTED, mass_ratios, own_tests
from spreadplan.reconcile.unplaced import may_lie_here, unseen
from spreadplan.reconcile.use import TruckUse, stacked
from spreadplan.reconcile.verdicts import (
    MORE_ROUNDS_KIND,
    DecisionRule,
    PlainComparison,
    against_plan,
    allowances,
    judge,
    kinds,
    plain_comparison,
)
from spreadplan.remarks import Remark
from spreadplan.schema.policy import Policy
from spreadplan.schema.results import RESULTS
from spreadplan.units import POUNDS_PER_TON

MISSED_SHARE: Final = 0.25
"""A planned segment on which less of the expected way was driven counts as missed. Common practice,
no source."""


@dataclass(frozen=True, kw_only=True)
class StormEvidence:
    """What a storm is judged by.

    Attributes
    ----------
    name, start, end : of the storm; from the first to the last record or load.
    starts : start of every storm of the season.
    reported : storm, truck_id, material, reported_lb, known_share of all storms of the season.
    loads, returns : tickets of all storms, with a column ``storm``.
    planned : the plan's segments (the table ``plan_segments``); empty
        without a plan.
    planned_routes : the plan's routes.
    plan : how ``planned`` was put together, where it was issued; None for the plan of the files.
    forecast : zone, start, end, pavement_temp_f; None: there is none.
    """

    name: str
    start: pd.Timestamp
    end: pd.Timestamp
    starts: Mapping[str, pd.Timestamp]
    reported: pd.DataFrame
    loads: pd.DataFrame
    returns: pd.DataFrame
    planned: pd.DataFrame
    planned_routes: pd.DataFrame
    plan: InForce | None = None
    forecast: pd.DataFrame | None = None

    def in_force(self) -> InForce:
        """The versions of the plan; one without a name where none was issued."""
        if self.plan is not None:
            return self.plan
        segments = with_area_limits(self.planned)
        only = PlanVersion(name="", since_s=0.0, segments=segments, runs=self.planned_routes)
        return in_force([only], segments)


@dataclass(frozen=True, kw_only=True)
class Surroundings:
    """Tables of the workspace that the judgement needs, and what calibration says."""

    routes: gpd.GeoDataFrame
    assignments: pd.DataFrame
    materials: pd.DataFrame
    stock_counts: pd.DataFrame
    deliveries: pd.DataFrame
    discharge_tests: pd.DataFrame
    changes: pd.DataFrame
    policy: Policy
    models_table: pd.DataFrame
    drift: pd.DataFrame


@dataclass(frozen=True, eq=False, kw_only=True)
class StormUse:
    """What went where, how sure that is, and what it means.

    Attributes
    ----------
    segments : the table ``use_segments``; mass without a segment is on `OFF_ROUTE` rows.
    trucks : use_trucks.csv, see `true_mass.mass_ratios`.
    routes : the table ``use_routes``.
    balance : see `balance.stock_balance`.
    parts : see `applied.applied_parts`, and `with_tickets`; sums over any groups are made from
        it.
    plain : what comparing bare masses with the limits would have found.
    rule : the decision rule, to be put in words.
    piles : mass released standing still: route_id, segment_id, truck_id, mass_lb, geometry.
    ahead_of_plow : the table ``use_ahead_of_plow``; empty where no record tells of a plow.
    temperatures : the table ``use_temperatures``, likewise.
    buckets : the table ``use_buckets``; empty where none were counted.
    """

    segments: pd.DataFrame
    trucks: pd.DataFrame
    routes: pd.DataFrame
    balance: pd.DataFrame
    parts: pd.DataFrame
    plain: PlainComparison
    rule: Remark
    piles: gpd.GeoDataFrame
    ahead_of_plow: pd.DataFrame = field(default_factory=pd.DataFrame)
    temperatures: pd.DataFrame = field(default_factory=pd.DataFrame)
    buckets: pd.DataFrame = field(default_factory=pd.DataFrame)


def storm_use(
    storm: StormEvidence, around: Surroundings, network: Network, uses: Sequence[TruckUse]
) -> StormUse:
    """Judge a storm from what its trucks did.

    Parameters
    ----------
    storm : what the storm is judged by.
    around : what holds beside the storm: routes, policy, calibration, counts of stock.
    network : the one that the trucks were followed on.
    uses : one for each truck that was heard, in any order; at least one.

    Returns
    -------
    The storm's use, see `StormUse`; masses in lb, rates in lb per lane-mile, in the tables of
    `schema.results`.
    """
    uses = sorted(uses, key=lambda use: use.truck_id)
    use = stacked([one.segments for one in uses])
    reported, loads, returns = (
        in_periods(frame, around.discharge_tests, around.changes, storm.starts, storm.name)
        for frame in (storm.reported, storm.loads, storm.returns)
    )
    trucks = mass_ratios(
        reported, loads, returns, storm.name, around.policy.calibration_pct, storm.starts
    )
    lengths = segment_table(around.routes)
    per_round = lengths.set_index(["route_id", "segment_id"])["passes_per_application"]
    use = use.assign(
        rounds=use["passes"] / _of_segment(use, per_round).fillna(1.0),
        setting_u=setting_u(use, storm.planned),
        run_u=_pass_u(use, storm.planned, around.models_table, uses),
    )
    parts = with_tickets(applied_parts(use, trucks), trucks)
    parts = with_liquid(parts, storm.name, around.assignments, around.materials)
    rule = DecisionRule.of(around.policy)
    plan = storm.in_force()
    planned = plan.segments
    rows = against_plan(applied_by_segment(parts, lengths), allowances(planned, rule))
    rows["lane_miles"] = rows["lane_miles"].fillna(
        _of_segment(rows, lengths.set_index(["route_id", "segment_id"])["lane_miles"])
    )
    rows["coverage"] = coverage(rows, planned, lengths, network, uses)
    rows["contested"] = contested(rows, use, storm.planned, trucks)
    rows["too_short"] = too_short(rows, network)
    rows["not_in_routes"] = rows["lane_miles"].isna() & (rows["segment_id"] != OFF_ROUTE)
    lost_lb = pd.Series({one.truck_id: one.lost_lb for one in uses})
    rows = rows.join(may_lie_here(rows, parts, storm.planned, lost_lb))
    rows = rows.join(unseen(rows, _of_segment(rows, per_round)))
    rows["applied_hi_lb"] += rows["unseen_most_lb"]
    rates = rates_by_version(parts, treatments_of(uses), plan, per_round, rule)
    rows = _with_sums(_judged(rows, rates, plan, rule), use, parts)
    segments = rows[RESULTS["use_segments"].names]
    return StormUse(
        segments=segments,
        trucks=_with_checks(trucks, parts, around),
        routes=route_table(segments, parts, storm.planned_routes, around.materials),
        balance=stock_balance(
            around.stock_counts,
            around.deliveries,
            storm.loads,
            storm.returns,
            storm.start,
            storm.end,
        ),
        parts=parts,
        plain=plain_comparison(segments),
        rule=rule.sentence(),
        piles=_piles(around.routes, network, uses),
        ahead_of_plow=ahead_of_plow(uses, trucks, around.routes, network),
        temperatures=_temperatures(uses, around.routes, storm.forecast),
        buckets=_buckets(storm, around.materials),
    )


def _buckets(storm: StormEvidence, materials: pd.DataFrame) -> pd.DataFrame:
    """What buckets hold, by the tickets of all storms."""
    names = [*PILE, "net_lb", "buckets", "method", *FILLED]
    frames = [one.reindex(columns=names) for one in (storm.loads, storm.returns)]
    tickets = pd.concat(frames, ignore_index=True)
    if not (tickets["buckets"] > 0.0).any():
        return pd.DataFrame()
    stated = materials.set_index("material")["bulk_density_lb_ft3"]
    density = {str(name): float(value) for name, value in stated.items()}
    return bucket_table(tickets.assign(method=tickets["method"].fillna("")), density)


def _temperatures(
    uses: Sequence[TruckUse], routes: gpd.GeoDataFrame, forecast: pd.DataFrame | None
) -> pd.DataFrame:
    if forecast is None or not any(use.temperatures for use in uses):
        return pd.DataFrame()
    readings = {use.truck_id: use.temperatures for use in uses}
    return beside_forecast(readings, routes["zone"].tolist(), forecast)


def _pass_u(
    use: pd.DataFrame,
    planned: pd.DataFrame,
    models_table: pd.DataFrame,
    uses: Sequence[TruckUse],
) -> np.ndarray:
    """`run_u`, and what a pass of a truck adds that tells only what was set; shape (rows,)."""
    set_only = use["truck_id"].isin([one.truck_id for one in uses if one.set_rate])
    more = np.where(set_only, SET_RATE_U, 0.0)
    return np.asarray(np.hypot(run_u(use, planned, models_table), more))


def _with_sums(rows: pd.DataFrame, use: pd.DataFrame, parts: pd.DataFrame) -> pd.DataFrame:
    """The rows with their trucks, what was put down standing, prewetting liquid, dry chemical."""
    standing = use.groupby(SEGMENT_KEYS)["standing_lb"].sum()
    wetted = parts.groupby(SEGMENT_KEYS)[["prewet_gal", "chemical_lb"]].sum(min_count=1)
    rows = rows.join(standing, on=SEGMENT_KEYS).join(wetted, on=SEGMENT_KEYS)
    rows = rows.join(_trucks_on(use), on=["route_id", "segment_id"])
    rows = rows.fillna({"standing_lb": 0.0, "trucks": ""})
    nothing = rows["applied_lb"] == 0.0
    return rows.assign(
        **{name: rows[name].where(~nothing, 0.0) for name in ("prewet_gal", "chemical_lb")}
    )


def _with_checks(trucks: pd.DataFrame, parts: pd.DataFrame, around: Surroundings) -> pd.DataFrame:
    """The trucks with their own tests, and their prewetting liquid against what was set."""
    table = trucks.join(own_tests(trucks, around.models_table, around.drift))
    return table.join(liquid_of_trucks(parts, around.policy), on=["truck_id", "material"])


def _judged(
    rows: pd.DataFrame, rates: pd.DataFrame, plan: InForce, rule: DecisionRule
) -> pd.DataFrame:
    """The rows with the verdicts on their mass, and on their treatments' rate and number."""
    if plan.several:
        greatest = rates.groupby(SEGMENT_KEYS)["p_over"].max().rename("p_rate")
        rows = rows.join(greatest, on=SEGMENT_KEYS)
    rows = rows.join(judge(rows, rule))
    return rows.join(against_rates(rows, rates, plan, rule))


def with_tickets(parts: pd.DataFrame, trucks: pd.DataFrame) -> pd.DataFrame:
    """The parts with without_ticket_lb: how much of each rests on loads that no ticket names."""
    pair = ["truck_id", "material"]
    true = trucks["ratio"] * trucks["reported_lb"]
    share = (trucks["without_ticket_lb"] / true.where(true > 0.0)).fillna(0.0).clip(upper=1.0)
    known = trucks[pair].assign(share=share.astype(float))
    share_of_part = parts[pair].merge(known, on=pair, how="left", validate="many_to_one")["share"]
    return parts.assign(without_ticket_lb=parts["applied_lb"] * share_of_part.to_numpy())


def segment_table(routes: gpd.GeoDataFrame) -> pd.DataFrame:
    """Length, lanes and passes of every segment.

    Parameters
    ----------
    routes : route_id, segment_id, lanes, passes and geometry, EPSG:4326.

    Returns
    -------
    route_id, segment_id, length_mi, lane_miles and passes_per_application of one application.
    """
    length_mi = segment_lengths_mi(routes.geometry)
    return pd.DataFrame(
        {
            "route_id": routes["route_id"],
            "segment_id": routes["segment_id"],
            "length_mi": length_mi,
            "lane_miles": length_mi * routes["lanes"].to_numpy(),
            "passes_per_application": routes["passes"].to_numpy(dtype=float),
        }
    ).reset_index(drop=True)


def setting_u(use: pd.DataFrame, planned: pd.DataFrame) -> np.ndarray:
    """Relative standard uncertainty of each row that comes from its setting; shape (rows,).

    Tickets tell a truck's mean ratio. How the discharge at one setting differs from what the others
    say is known no better than the calibration: the part s of its uncertainty there that goes
    beyond the least that it has at any setting of the truck in the storm. The mean of the settings,
    with shares W of the reported mass, has taken its part of each: at setting g what is left is
    (s_g (1 - W_g))**2 + sum over the others of (s_h W_h)**2.
    """
    keys = ["route_id", "segment_id", "truck_id"]
    if planned.empty:
        return np.zeros(len(use))
    half = (planned["mass_hi_lb"] - planned["mass_lo_lb"]) / 2.0
    rows = planned[keys].assign(half=half, mass=planned["mass_lb"])
    sums = rows[rows["mass"] > 0.0].groupby(keys)[["half", "mass"]].sum()
    relative = sums["half"] / sums["mass"] / Z95
    least = relative.groupby(level="truck_id").transform("min")
    # equal to six digits is one setting
    square = (relative**2 - least**2).clip(lower=0.0).round(6).rename("square")
    truck = ["truck_id", "material"]
    found = (
        use[[*keys, "material", "reported_lb"]]
        .merge(square.reset_index(), on=keys, how="left")
        .fillna({"square": 0.0})
    )
    whole = found.groupby(truck)["reported_lb"].transform("sum")
    setting = found.groupby([*truck, "square"])["reported_lb"].transform("sum")
    share = (setting / whole.where(whole > 0.0)).fillna(0.0)
    row_share = (found["reported_lb"] / whole.where(whole > 0.0)).fillna(0.0)
    taken = (found["square"] * share * row_share).groupby([found[one] for one in truck])
    left = found["square"] * (1.0 - 2.0 * share) + taken.transform("sum")
    return np.asarray(np.sqrt(left.clip(lower=0.0).to_numpy(dtype=float)))


def run_u(use: pd.DataFrame, planned: pd.DataFrame, models_table: pd.DataFrame) -> np.ndarray:
    """Relative run-to-run scatter of the truck of each row, shape (rows,).

    As its calibration found it, the middle of the gates that the plan uses (of all without a plan);
    of a truck without one the middle of the others with the material, and what is assumed where
    there are none.
    """
    keys = ["truck_id", "material"]
    known = _middle_repeatability(models_table, keys)
    if not planned.empty:
        gates = planned[[*keys, "gate_in"]].drop_duplicates()
        used = models_table.merge(gates, on=[*keys, "gate_in"])
        known = _middle_repeatability(used, keys).combine_first(known)
    middle = known.groupby(level="material").median()
    own = use[keys].join(known.rename("own"), on=keys)["own"]
    found = own.fillna(use["material"].map(middle)).fillna(REPEATABILITY_REL)
    return found.to_numpy(dtype=float)


def _middle_repeatability(models_table: pd.DataFrame, keys: list[str]) -> pd.Series[float]:
    return models_table.groupby(keys)["repeatability_pct"].median() / 100.0


def with_area_limits(planned: pd.DataFrame) -> pd.DataFrame:
    """The plan's rows with the greatest rate of their material that sensitive areas allow.

    Parameters
    ----------
    planned : cap_lb_per_lane_mile, infinity for none, see `planning.rates.cap_of_material`.

    Returns
    -------
    ``planned`` with max_rate_lb_per_lane_mile, NaN: none. A cap is of dry chemical; this is what it
    allows of the material, so that it can be set against masses of it.
    """
    cap = planned["cap_lb_per_lane_mile"].astype(float)
    return planned.assign(max_rate_lb_per_lane_mile=cap.where(np.isfinite(cap)))


def coverage(
    rows: pd.DataFrame,
    planned: pd.DataFrame,
    lengths: pd.DataFrame,
    network: Network,
    uses: Sequence[TruckUse],
) -> np.ndarray:
    """Share of the expected passes of each row within hearing, 0 to 1; shape (rows,).

    A pass that was driven was heard, unless nobody knows how much was released on it. One that
    wasn't driven is known to be missing as far as the truck that should have made it was heard all
    along. A way back with the spreader off makes up for no pass that was not heard.
    """
    ways = stacked([use.driven for use in uses])
    keys = pd.MultiIndex.from_arrays([network.route_id, network.segment_id])
    passes, unheard = (
        pd.Series(np.bincount(ways["row"], ways[name], network.rows) / network.length_m, index=keys)
        for name in ("driven_m", "unheard_m")
    )
    rounds = planned.groupby("route_id")["application"].nunique()
    expected = rows["route_id"].map(rounds).fillna(1.0) * _of_segment(
        rows, lengths.set_index(["route_id", "segment_id"])["passes_per_application"]
    )
    heard = {use.truck_id: use.heard_share for use in uses}
    rounds_of = planned[["route_id", "application", "truck_id"]].drop_duplicates()
    heard_of_rounds = rounds_of["truck_id"].map(heard).astype(float).fillna(0.0)
    of_route = heard_of_rounds.groupby(rounds_of["route_id"]).mean()
    driven_share, unheard_share = (
        (_of_segment(rows, share) / expected).clip(upper=1.0).fillna(0.0).to_numpy(dtype=float)
        for share in (passes, unheard)
    )
    heard_all_along = rows["route_id"].map(of_route).fillna(0.0).to_numpy(dtype=float)
    spread_share = (rows["passes"] / expected).clip(upper=1.0).fillna(0.0).to_numpy(dtype=float)
    followed = np.minimum(np.maximum(driven_share, heard_all_along), 1.0 - unheard_share)
    return np.asarray(np.maximum(spread_share, followed))


def too_short(rows: pd.DataFrame, network: Network) -> np.ndarray:
    """Rows of segments on which no truck can be followed; shape (rows,)."""
    alone = ~network.followed
    keys = pd.MultiIndex.from_arrays([network.route_id[alone], network.segment_id[alone]])
    return np.asarray(pd.MultiIndex.from_frame(rows[["route_id", "segment_id"]]).isin(keys))


def contested(
    rows: pd.DataFrame, use: pd.DataFrame, planned: pd.DataFrame, trucks: pd.DataFrame
) -> np.ndarray:
    """Rows that a truck whose tickets and reports disagree treated, or was to; shape (rows,)."""
    doubtful = trucks.loc[trucks["verdict"] == CONTESTED, ["truck_id", "material"]]
    keys = [*SEGMENT_KEYS, "truck_id"]
    theirs = pd.concat([use.loc[use["reported_lb"] > 0.0, keys], planned[keys]])
    found = theirs.merge(doubtful, on=["truck_id", "material"])
    return np.asarray(
        pd.MultiIndex.from_frame(rows[SEGMENT_KEYS]).isin(
            pd.MultiIndex.from_frame(found[SEGMENT_KEYS])
        )
    )


def _of_segment(rows: pd.DataFrame, values: pd.Series[float]) -> pd.Series[float]:
    """A value of each row's segment; NaN off the routes. ``values`` : by route and segment."""
    keys = pd.MultiIndex.from_arrays([rows["route_id"], rows["segment_id"]])
    return pd.Series(values.reindex(keys).to_numpy(dtype=float), index=rows.index)


def _trucks_on(use: pd.DataFrame) -> pd.Series[str]:
    """Trucks that put material on each segment, by route and segment."""
    keys = ["route_id", "segment_id"]
    pairs = use[[*keys, "truck_id"]].drop_duplicates().sort_values("truck_id", kind="stable")
    place, places = pd.MultiIndex.from_frame(pairs[keys]).factorize()
    named: list[list[str]] = [[] for _ in range(len(places))]
    for at, truck in zip(place.tolist(), pairs["truck_id"].tolist(), strict=True):
        named[at].append(truck)
    return pd.Series([";".join(trucks) for trucks in named], index=places, name="trucks")


def route_table(
    segments: pd.DataFrame, parts: pd.DataFrame, planned: pd.DataFrame, materials: pd.DataFrame
) -> pd.DataFrame:
    """Use of each route and material against the plan, with the covariance of its segments."""
    keys = ["route_id", "material"]
    applied = summed_applied(parts, keys)
    applied = applied.join(parts.groupby(keys)[["prewet_gal", "chemical_lb"]].sum(min_count=1))
    plan = planned.groupby(keys)[["mass_lb", "mass_lo_lb", "mass_hi_lb"]].sum(min_count=1)
    plan = plan.set_axis(["planned_lb", "planned_lo_lb", "planned_hi_lb"], axis=1)
    kind = kinds(segments)
    judged = segments.assign(
        over_segments=kind.eq("over"),
        more_rounds_segments=kind.eq(MORE_ROUNDS_KIND),
        under_segments=segments["verdict"].eq("under"),
        unknown_segments=segments["verdict"].eq("unknown"),
        missed_segments=missed(segments),
    )
    counted = [name for name in RESULTS["use_routes"].names if name.endswith("_segments")]
    counts = judged.groupby(keys)[[*counted, "lane_miles"]].sum()
    table = applied.join(plan, how="outer").join(counts).reset_index()
    masses = ["reported_lb", "applied_lb", "applied_lo_lb", "applied_hi_lb"]
    table[masses] = table[masses].fillna(0.0)
    unseen_lb = segments.groupby(keys)["unseen_lb"].sum().rename("unseen_lb")
    table["applied_hi_lb"] += table[keys].join(unseen_lb, on=keys)["unseen_lb"].fillna(0.0)
    table[counted] = table[counted].fillna(0).astype(int)
    table["cost"] = table[keys].join(_cost(parts, materials), on=keys)["cost"].fillna(0.0)
    return table[RESULTS["use_routes"].names]


def _cost(parts: pd.DataFrame, materials: pd.DataFrame) -> pd.Series[float]:
    """Price of what was put down, the named prewetting liquid included, by route and material."""
    facts = {str(one.material): one for one in lines(materials)}
    per_ton = {name: price_per_ton(one) for name, one in facts.items()}
    density = {name: float(one.density_lb_gal) for name, one in facts.items()}
    liquid = parts["prewet_material"]
    liquid_lb = parts["prewet_gal"] * liquid.map(density).astype(float)
    of_liquid = (liquid_lb * liquid.map(per_ton).astype(float)).where(liquid != "", 0.0)
    cost = parts["applied_lb"] * parts["material"].map(per_ton).astype(float) + of_liquid
    by = [parts[key] for key in ("route_id", "material")]
    return (cost / POUNDS_PER_TON).rename("cost").groupby(by).agg(lambda one: one.sum(skipna=False))


def missed(segments: pd.DataFrame) -> pd.Series[bool]:
    """Segments with a plan that got next to nothing although their truck was heard.

    Parameters
    ----------
    segments : applied_lb, planned_lb (NaN: no plan), verdict.

    Returns
    -------
    True where less than `MISSED_SHARE` of the plan lies and the verdict is under or probably under;
    shape (rows,), on the index of ``segments``.
    """
    share = segments["applied_lb"] / segments["planned_lb"].where(segments["planned_lb"] > 0.0)
    return (share < MISSED_SHARE) & segments["verdict"].isin(["under", "probably_under"])


def _piles(
    routes: gpd.GeoDataFrame, network: Network, uses: Sequence[TruckUse]
) -> gpd.GeoDataFrame:
    """Mass released standing still, as points; small dribbles of one place are taken together."""
    standing = stacked([use.piles for use in uses])
    truck = np.repeat(np.arange(len(uses)), [len(use.piles["row"]) for use in uses])
    standing = standing.assign(truck=truck, place_m=standing.pop("position_m").round(-1))
    places = standing.groupby(["truck", "row", "place_m"])[["mass_lb"]].sum()
    piles: pd.DataFrame = places.reset_index()
    names = np.array([use.truck_id for use in uses], dtype=object)
    row = piles["row"].to_numpy(dtype=int)
    lines = routes.geometry.to_numpy()[row]
    share = piles["place_m"].to_numpy() / network.length_m[row]
    points = shapely.line_interpolate_point(lines, np.clip(share, 0.0, 1.0), normalized=True)
    return gpd.GeoDataFrame(
        {
            "route_id": network.route_id[row],
            "segment_id": network.segment_id[row],
            "truck_id": names[piles["truck"]],
            "mass_lb": piles["mass_lb"],
        },
        geometry=gpd.GeoSeries(points, crs=routes.crs),
    )


__all__ = [
    "OFF_ROUTE",
    "StormEvidence",
    "StormUse",
    "Surroundings",
    "missed",
    "segment_table",
    "storm_use",
]
