"""Sharing scarce salt between routes, applications and yards.

A mixed-integer linear program on HiGHS (Q. Huangfu and J. A. J. Hall, Parallelizing the dual
revised simplex method, Mathematical Programming Computation 10, 2018; through scipy). It gives
guidance to the planner, who decides.

For every round of a route either nothing is spread, or at least the minimum useful rate and at most
the planned one. What is worth how much is the planner's choice: a lane-mile treated at the planned
rate is worth the weight of its service class, and the first part, up to the minimum rate, is worth
more than its share, since a thin treatment is better than none. Haul between yards costs.

Masses in lb inside the program; worth in class-weighted lane-miles.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, sparse

from spreadplan.planning.geometry import distance_mi
from spreadplan.planning.ways import DETOUR
from spreadplan.remarks import Remark, remark
from spreadplan.units import POUNDS_PER_TON

Floats = NDArray[np.float64]

FIRST_PART: Final = 0.5
"""How far the worth of a treatment at the minimum rate lies above its share of the planned rate,
towards full worth: half the planned rate is worth 0.75. The planner's choice; no source."""
CLASS_STEP: Final = 2.0
"""Each service class weighs this much more than the one below it. The planner's choice."""
HAUL_COST: Final = 0.02
"""What a ton hauled a mile costs, in class-weighted lane-miles. The planner's choice."""
MINIMUM_RATE: Final = 100.0
"""Least rate that is still useful, lb per lane-mile. Common practice, no source."""
TIME_LIMIT_S: Final = 60.0
GAP: Final = 1e-6
TINY_LB: Final = 1e-6


@dataclass(frozen=True, eq=False, kw_only=True)
class Scarcity:
    """What is to be shared: one material.

    Attributes
    ----------
    wanted : one row for each application of each route: application, route_id, yard_id,
        service_class, lane_miles, wanted_lb (as planned), minimum_lb (at the minimum useful rate).
    stock : yard_id, available_lb.
    haul : from_yard, to_yard, miles; the ways that material may be hauled.
    worth : weight of each service class.
    must_treat : classes of which every application must get its minimum.
    area_rows : application, route_id, service_class, area_id, share (of the row's mass that falls
        in the area).
    area_limits : area_id, limit_lb (what may still be put down there).
    haul_cost : see `HAUL_COST`.
    """

    wanted: pd.DataFrame
    stock: pd.DataFrame
    haul: pd.DataFrame
    worth: Mapping[str, float]
    must_treat: Collection[str] = ()
    area_rows: pd.DataFrame | None = None
    area_limits: pd.DataFrame | None = None
    haul_cost: float = HAUL_COST


@dataclass(frozen=True, eq=False, kw_only=True)
class Allocation:
    """How the salt is shared.

    Attributes
    ----------
    possible : whether every must can be met. If not, ``reasons`` says why and the tables are empty.
    worth : total worth, class-weighted lane-miles less haul.
    rows : the wanted rows with mass_lb, share (of wanted), rate_lb_per_lane_mile, treated.
    classes : service_class, wanted_ton, given_ton, given_up_ton, lane_miles, untreated_lane_miles,
        thinned_lane_miles (treated below the planned rate).
    haul : from_yard, to_yard, miles, ton.
    yards : yard_id, available_ton, used_ton, hauled_in_ton, hauled_out_ton, left_ton,
        worth_of_one_more_ton (the dual, in class-weighted lane-miles; it holds as long as the same
        rows stay treated).
    reasons : what stands in the way.
    gap : relative distance to the best bound.
    """

    possible: bool
    worth: float
    rows: pd.DataFrame
    classes: pd.DataFrame
    haul: pd.DataFrame
    yards: pd.DataFrame
    reasons: tuple[Remark, ...] = ()
    gap: float = 0.0


def class_worth(classes: Collection[str]) -> dict[str, float]:
    """Weights of service classes in the order of their names: A before B; "" comes last.

    >>> class_worth(["B", "A", "C"])
    {'A': 4.0, 'B': 2.0, 'C': 1.0}
    """
    ordered = sorted(set(classes), key=lambda name: (name == "", name))
    return {name: CLASS_STEP ** (len(ordered) - 1 - place) for place, name in enumerate(ordered)}


def scarcity_of_plan(
    plan_segments: pd.DataFrame,
    plan_yards: pd.DataFrame,
    yards: pd.DataFrame,
    material: str,
    *,
    minimum_rate_lb_per_lane_mile: float = MINIMUM_RATE,
    must_treat: Collection[str] = (),
    area_limits: pd.DataFrame | None = None,
) -> Scarcity:
    """What a storm's plan needs of a material against what the yards have.

    Parameters
    ----------
    plan_segments : the plan's table of that name with its extras: application, route_id, yard_id,
        service_class, material, lane_miles, mass_lb, area_id.
    plan_yards : yard_id, material, needed_ton, on_hand_ton. A yard that was never counted (NaN) is
        taken to have what it needs and nothing to give away.
    yards : yard_id, lon, lat.
    material : which one is shared.
    minimum_rate_lb_per_lane_mile : least rate that is still useful.
    must_treat : classes of which every application must get its minimum.
    area_limits : area_id, limit_lb of the material. A limit that is used
        up closes every route through its area; give it only where that is meant.

    Returns
    -------
    Scarcity, in lb and road miles, for `allocate`.
    """
    wanted = wanted_rows(plan_segments, material, minimum_rate_lb_per_lane_mile)
    wanted = wanted[wanted["yard_id"] != ""].reset_index(drop=True)
    stock = plan_yards[plan_yards["material"] == material]
    available = stock["on_hand_ton"].fillna(stock["needed_ton"]).clip(lower=0.0) * POUNDS_PER_TON
    ways = haul_ways(yards)
    known = ways["from_yard"].isin(stock["yard_id"]) & ways["to_yard"].isin(stock["yard_id"])
    return Scarcity(
        wanted=wanted,
        stock=pd.DataFrame({"yard_id": stock["yard_id"], "available_lb": available}),
        haul=ways[known].reset_index(drop=True),
        worth=class_worth(wanted["service_class"]),
        must_treat=must_treat,
        area_rows=area_rows(plan_segments, material),
        area_limits=area_limits,
    )


def area_rows(plan_segments: pd.DataFrame, material: str) -> pd.DataFrame:
    """Share of each wanted row's planned mass that falls in each sensitive area."""
    rows = plan_segments[(plan_segments["material"] == material) & (plan_segments["mass_lb"] > 0.0)]
    keys = ["application", "route_id", "service_class"]
    whole = rows.groupby(keys, sort=True)["mass_lb"].sum().rename("whole_lb")
    inside = pd.DataFrame(rows[[*keys, "mass_lb"]].assign(area_id=rows["area_id"].str.split("; ")))
    inside = inside.explode("area_id")
    inside = inside[inside["area_id"] != ""]
    sums = inside.groupby([*keys, "area_id"], sort=True)["mass_lb"].sum().reset_index()
    sums = sums.join(whole, on=keys)
    return sums.assign(share=sums["mass_lb"] / sums["whole_lb"])[[*keys, "area_id", "share"]]


def wanted_rows(
    plan_segments: pd.DataFrame, material: str, minimum_rate_lb_per_lane_mile: float = MINIMUM_RATE
) -> pd.DataFrame:
    """What a storm's plan asks for, one row for each application of each route and class.

    ``plan_segments`` : the plan's columns and extras. Where a sensitive area keeps the planned rate
    below the minimum, the planned rate is the minimum there. Sharing scales a row as a whole, so
    the caps of sensitive areas hold by themselves.
    """
    rows = plan_segments[(plan_segments["material"] == material) & (plan_segments["mass_lb"] > 0.0)]
    rate = (rows["mass_lb"] / rows["lane_miles"]).clip(upper=minimum_rate_lb_per_lane_mile)
    work = rows.assign(minimum_lb=rate * rows["lane_miles"], wanted_lb=rows["mass_lb"])
    keys = ["application", "route_id", "yard_id", "service_class"]
    sums = work.groupby(keys, sort=True)[["lane_miles", "wanted_lb", "minimum_lb"]].sum()
    return sums.reset_index()


def haul_ways(yards: pd.DataFrame) -> pd.DataFrame:
    """Road miles between every two yards, from the straight distance: from_yard, to_yard, miles."""
    pairs = yards[["yard_id", "lon", "lat"]].merge(
        yards[["yard_id", "lon", "lat"]], how="cross", suffixes=("_from", "_to")
    )
    pairs = pairs[pairs["yard_id_from"] != pairs["yard_id_to"]]
    miles = DETOUR * distance_mi(
        *(pairs[name].to_numpy() for name in ("lon_from", "lat_from", "lon_to", "lat_to"))
    )
    return pd.DataFrame(
        {
            "from_yard": pairs["yard_id_from"],
            "to_yard": pairs["yard_id_to"],
            "miles": miles,
        }
    ).reset_index(drop=True)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Program:
    """maximise worth @ x, matrix @ x <= limit, 0 <= x <= upper, lower on the choices.

    Variables: choice (0 or 1) of each of n rows, mass above the minimum of each, hauls.
    ``limit`` begins with the yards, then the areas.
    """

    worth: Floats
    matrix: Any
    limit: Floats
    lower: Floats
    upper: Floats
    rows: int
    minimum_lb: Floats
    yards: tuple[str, ...]
    areas: tuple[str, ...]


def _program(given: Scarcity) -> _Program:
    wanted = given.wanted
    n, ways = len(wanted), len(given.haul)
    yards = tuple(str(name) for name in given.stock["yard_id"])
    full = wanted["wanted_lb"].to_numpy(dtype=float)
    least = np.minimum(wanted["minimum_lb"].to_numpy(dtype=float), full)
    value = wanted["service_class"].map(dict(given.worth)).to_numpy(dtype=float)
    value = value * wanted["lane_miles"].to_numpy(dtype=float)
    part = least / full
    first = value * (part + FIRST_PART * (1.0 - part))
    more = full - least
    rest = np.divide(value - first, more, out=np.zeros(n), where=more > TINY_LB)
    cost = given.haul_cost * given.haul["miles"].to_numpy(dtype=float) / POUNDS_PER_TON
    above = sparse.diags_array(np.ones(n)).tocsr()
    use = _membership(wanted["yard_id"].to_numpy(dtype=object), yards)
    out_of = _membership(given.haul["from_yard"].to_numpy(dtype=object), yards)
    into = _membership(given.haul["to_yard"].to_numpy(dtype=object), yards)
    areas, inside = _areas(given)
    blocks = [
        [use @ sparse.diags_array(least), use, out_of - into],
        [inside @ sparse.diags_array(least), inside, sparse.csr_array((len(areas), ways))],
        # mass above the minimum only where the row is chosen
        [sparse.diags_array(-more), above, sparse.csr_array((n, ways))],
    ]
    limits = np.array([] if given.area_limits is None else given.area_limits["limit_lb"], float)
    must = wanted["service_class"].isin(list(given.must_treat)).to_numpy(dtype=float)
    available = given.stock["available_lb"].to_numpy(dtype=float)
    return _Program(
        worth=np.concatenate([first, rest, -cost]),
        matrix=sparse.block_array(blocks).tocsr(),
        limit=np.concatenate([available, limits, np.zeros(n)]),
        lower=np.concatenate([must, np.zeros(n + ways)]),
        upper=np.concatenate([np.ones(n), more, np.full(ways, available.sum())]),
        rows=n,
        minimum_lb=least,
        yards=yards,
        areas=areas,
    )


def _membership(names: NDArray[np.object_], groups: tuple[str, ...]) -> Any:
    place = {name: number for number, name in enumerate(groups)}
    found = [place[str(name)] for name in names]
    ones = np.ones(len(found))
    return sparse.csr_array((ones, (found, np.arange(len(found)))), (len(groups), len(found)))


def _areas(given: Scarcity) -> tuple[tuple[str, ...], Any]:
    """Names of the limited areas and the share of each row's mass that falls in each."""
    n = len(given.wanted)
    if given.area_limits is None or given.area_rows is None:
        return (), sparse.csr_array((0, n))
    areas = tuple(str(name) for name in given.area_limits["area_id"])
    keys = ["application", "route_id", "service_class"]
    numbered = given.wanted[keys].assign(number=np.arange(n))
    inside = given.area_rows[given.area_rows["area_id"].isin(areas)].merge(numbered, on=keys)
    place = [areas.index(str(name)) for name in inside["area_id"]]
    shares = inside["share"].to_numpy(dtype=float)
    where = (np.array(place, dtype=np.int64), inside["number"].to_numpy())
    return areas, sparse.csr_array((shares, where), (len(areas), n))


def allocate(given: Scarcity) -> Allocation:
    """Share the stock so that the worth of what is treated is greatest.

    Parameters
    ----------
    given : what is wanted, what there is, and what it is worth.

    Returns
    -------
    Allocation. Where the musts cannot all be met ``possible`` is False and ``reasons`` tell, in lb,
    what is short; the tables are empty.

    Raises
    ------
    ValueError : a row's yard or class that stock or worth do not name; a negative stock.
    RuntimeError : the masses cannot be found for the rows that were chosen.
    """
    _check(given)
    program = _program(given)
    choices = np.zeros(len(program.worth), dtype=np.int64)
    choices[: program.rows] = 1
    found = optimize.milp(
        -program.worth,
        integrality=choices,
        bounds=optimize.Bounds(program.lower, program.upper),
        constraints=optimize.LinearConstraint(program.matrix, -np.inf, program.limit),
        options={"mip_rel_gap": GAP, "time_limit": TIME_LIMIT_S},
    )
    if found.x is None:
        reasons = _why_not(program, given)
        empty = pd.DataFrame()
        return Allocation(
            possible=False,
            worth=np.nan,
            rows=empty,
            classes=empty,
            haul=empty,
            yards=empty,
            reasons=reasons,
        )
    chosen = np.round(found.x[: program.rows])
    x, duals = _with_choices(program, chosen)
    return _result(given, program, x, duals, float(found.mip_gap or 0.0))


def _check(given: Scarcity) -> None:
    for name, known in (("yard_id", set(given.stock["yard_id"])), ("service_class", given.worth)):
        strange = set(given.wanted[name]) - set(known)
        if strange:
            raise ValueError(f"{name} {sorted(strange)[0]!r} has no stock or worth")
    if (given.stock["available_lb"] < 0.0).any():
        raise ValueError("a yard has less than nothing")


def _linear(cost: Floats, matrix: Any, limit: Floats, lower: Floats, upper: Floats) -> Any:
    """Least cost @ x with matrix @ x <= limit and lower <= x <= upper, by the dual simplex."""
    solve: Any = optimize.linprog
    bounds = np.column_stack([lower, upper])
    return solve(cost, A_ub=matrix, b_ub=limit, bounds=bounds, method="highs-ds")


def _with_choices(program: _Program, chosen: Floats) -> tuple[Floats, Floats]:
    """The linear program that is left once it is settled which rows are treated, and its duals.

    The duals are the worth of one more lb at each yard (and in each area), at least 0.
    """
    lower, upper = program.lower.copy(), program.upper.copy()
    lower[: program.rows] = upper[: program.rows] = chosen
    found = _linear(-program.worth, program.matrix, program.limit, lower, upper)
    if found.x is None:
        raise RuntimeError(f"the linear program with fixed choices failed: {found.message}")
    duals: Floats = -np.asarray(found.ineqlin.marginals, dtype=float)
    return np.asarray(found.x, dtype=float), duals


def _result(given: Scarcity, program: _Program, x: Floats, duals: Floats, gap: float) -> Allocation:
    n = program.rows
    chosen, above, hauled = x[:n], x[n : 2 * n], x[2 * n :]
    mass = program.minimum_lb * chosen + above
    wanted = given.wanted
    rows = wanted.assign(
        mass_lb=mass,
        share=mass / wanted["wanted_lb"],
        rate_lb_per_lane_mile=mass / wanted["lane_miles"],
        treated=chosen > 0.5,
    )
    haul = given.haul.assign(ton=hauled / POUNDS_PER_TON)
    return Allocation(
        possible=True,
        worth=float(program.worth @ x),
        rows=rows,
        classes=class_table(rows),
        haul=haul[hauled > TINY_LB].reset_index(drop=True),
        yards=_yard_table(given, program, rows, hauled, duals),
        reasons=(),
        gap=gap,
    )


def class_table(rows: pd.DataFrame) -> pd.DataFrame:
    """What each service class gets and gives up; ``rows`` as in `Allocation`."""
    thin = rows["treated"] & (rows["share"] < 1.0 - 1e-6)
    work = pd.DataFrame(
        {
            "service_class": rows["service_class"],
            "wanted_ton": rows["wanted_lb"] / POUNDS_PER_TON,
            "given_ton": rows["mass_lb"] / POUNDS_PER_TON,
            "given_up_ton": (rows["wanted_lb"] - rows["mass_lb"]) / POUNDS_PER_TON,
            "lane_miles": rows["lane_miles"],
            "untreated_lane_miles": rows["lane_miles"].where(~rows["treated"], 0.0),
            "thinned_lane_miles": rows["lane_miles"].where(thin, 0.0),
        }
    )
    return work.groupby("service_class", sort=True).sum().reset_index()


def _yard_table(
    given: Scarcity, program: _Program, rows: pd.DataFrame, hauled: Floats, duals: Floats
) -> pd.DataFrame:
    used = rows.groupby("yard_id")["mass_lb"].sum()
    out_of = pd.Series(hauled).groupby(given.haul["from_yard"].to_numpy()).sum()
    into = pd.Series(hauled).groupby(given.haul["to_yard"].to_numpy()).sum()
    yards = pd.Index(program.yards, name="yard_id")
    available = pd.Series(given.stock["available_lb"].to_numpy(dtype=float), index=yards)
    tons = {
        name: frame.reindex(yards).fillna(0.0) / POUNDS_PER_TON
        for name, frame in (
            ("available_ton", available),
            ("used_ton", used),
            ("hauled_in_ton", into),
            ("hauled_out_ton", out_of),
        )
    }
    table = pd.DataFrame(tons)
    table["left_ton"] = (
        table["available_ton"]
        + table["hauled_in_ton"]
        - table["used_ton"]
        - table["hauled_out_ton"]
    ).clip(lower=0.0)
    worth = duals[: len(yards)] * POUNDS_PER_TON
    table["worth_of_one_more_ton"] = np.where(worth > 1e-9, worth, 0.0)
    return table.reset_index()


def _why_not(program: _Program, given: Scarcity) -> tuple[Remark, ...]:
    """Where the musts need more than there is: the least extra that would make it possible."""
    n, m = len(program.worth), len(program.yards) + len(program.areas)
    extra = sparse.vstack([-sparse.eye_array(m), sparse.csr_array((program.rows, m))])
    lower = np.concatenate([program.lower, np.zeros(m)])
    upper = np.concatenate([program.upper, np.full(m, np.inf)])
    # the relaxed choices stay at their bound: only what must be treated is treated
    upper[: program.rows] = lower[: program.rows]
    cost = np.concatenate([np.zeros(n), np.ones(m)])
    matrix = sparse.hstack([program.matrix, extra])
    found = _linear(cost, matrix, program.limit, lower, upper)
    if found.x is None:
        return (remark("no_solution", message=str(found.message)),)
    classes = sorted(given.must_treat)
    names = [
        *(remark("yard_lacks", yard=name) for name in program.yards),
        *(remark("area_allows_less", area=name) for name in program.areas),
    ]
    return tuple(
        remark("needs_more_than_there_is", where=name, classes=classes, short_lb=float(short))
        for name, short in zip(names, found.x[n:], strict=True)
        if short > TINY_LB
    )
