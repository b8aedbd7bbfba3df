"""The rate to aim at on every part of every segment, and where it comes from.

The planner's own rate comes first, then the policy table; then the lane's width, then sensitive
areas. Rates are in lb per lane-mile unless a name says otherwise. A rate is guidance for the
planner, never an order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.frames import lines
from spreadplan.planning.applications import ALL, Application, Condition
from spreadplan.planning.policy_rows import policy_rows, what_is_lacking
from spreadplan.planning.wetting import rows_may_be_for
from spreadplan.remarks import Finding, Remark, remark
from spreadplan.schema.policy import End, Pick, Policy
from spreadplan.units import area_rate_lb_per_lane_mile

Floats = NDArray[np.float64]

BASES = ("lb_per_lane_mile", "g_per_m2", "gal_per_lane_mile")
FROM_MEMORY = "from memory"


@dataclass(frozen=True, kw_only=True)
class BaseRate:
    """A rate as it was given, before width and sensitive areas. Exactly one basis is not NaN.

    source : where it comes from; () for no rate. note : why there is none, else (). wetting : what
    wetted material it is for, () for any; wetting_included : whether it counts the liquid as well.
    """

    lb_per_lane_mile: float
    g_per_m2: float
    gal_per_lane_mile: float
    source: Remark | tuple[()]
    note: tuple[Remark, ...] = ()
    wetting: tuple[str, ...] = ()
    wetting_included: bool = False


def base_rate(
    values: Mapping[str, float], source: Remark | tuple[()], note: tuple[Remark, ...] = ()
) -> BaseRate:
    """A rate from its value in each of `BASES`; a basis that is left out is NaN."""
    lb, area, gallons = (values.get(base, np.nan) for base in BASES)
    return BaseRate(
        lb_per_lane_mile=lb,
        g_per_m2=area,
        gal_per_lane_mile=gallons,
        source=source,
        note=note,
    )


NO_RATE = base_rate({}, ())


def end_taken(pick: Pick, phase: str) -> End:
    """The place in a range that a round takes.

    By round the first takes the middle and later ones the low end: "start with the lowest rate"
    for a reapplication. Minnesota Snow and Ice Control Field Handbook for Snowplow Operators, LRRB
    manual 2005-01, p. 15.
    """
    if pick == "by_round":
        return "middle" if phase == "initial" else "low"
    return pick


def pick_from_range(low: float, high: float, pick: End) -> float:
    """The chosen place in a range of rates; a range of one value may leave the other end NaN."""
    low, high = (high if np.isnan(low) else low), (low if np.isnan(high) else high)
    return {"low": low, "middle": (low + high) / 2.0, "high": high}[pick]


def _policy_rate(row: Any, phase: str, pick: Pick) -> BaseRate:
    if row.basis == "":
        told = remark("policy_row_without_rate", row=row.row, action=row.action, text=row.source)
        return base_rate({}, (), (told,))
    end = end_taken(pick, phase)
    values: dict[str, float] = {}
    chosen: tuple[Remark, ...] = ()
    for base in BASES:
        low, high = getattr(row, f"rate_low_{base}"), getattr(row, f"rate_high_{base}")
        values[base] = pick_from_range(low, high, end)
        if low < high:
            chosen = (_of_range(base, end, (low, high)),)
            if pick == "by_round":
                first = phase == "initial"
                chosen += (remark("as_first_round") if first else remark("as_later_round"),)
    action = (remark("policy_action", action=row.action),) if row.action else ()
    source = remark(
        "rate_of_policy", row=row.row, text=row.source, action=action, chosen=chosen, phase=phase
    )
    if says_from_memory(row.provenance) or says_from_memory(row.source):
        source = remark("rate_from_memory", rate=source)
    rate = base_rate(values, source)
    return replace(rate, wetting=row.wetting, wetting_included=bool(row.wetting_included))


def _of_range(base: str, pick: End, ends: tuple[float, float]) -> Remark:
    """Which end of a range in a basis of `BASES` is taken."""
    return {
        "lb_per_lane_mile": remark("of_range", pick=pick, ends=ends),
        "g_per_m2": remark("of_area_range", pick=pick, ends=ends),
        "gal_per_lane_mile": remark("of_liquid_range", pick=pick, ends=ends),
    }[base]


def says_from_memory(text: str) -> bool:
    """Whether a provenance, or the source of a policy's row, says that a rate is from memory."""
    return FROM_MEMORY in text.casefold()


def is_from_memory(source: Remark | tuple[()]) -> bool:
    """Whether a rate is from memory.

    Parameters
    ----------
    source : rate_source of a row of the plan; an empty tuple where there is no rate.

    Returns
    -------
    True where the policy's row says of its rate that it is from memory.
    """
    return isinstance(source, Remark) and source.code == "rate_from_memory"


def policy_row_of(source: Remark | tuple[()]) -> str:
    """Number of the policy's row that a rate comes from; "" where it comes from none.

    Parameters
    ----------
    source : rate_source of a row of the plan; an empty tuple where there is no rate.

    Returns
    -------
    The number as text.
    """
    if not isinstance(source, Remark):
        return ""
    values = dict(source.values)
    if source.code == "rate_from_memory":
        return policy_row_of(values["rate"])
    return str(values["row"]) if source.code == "rate_of_policy" else ""


def policy_rate(
    rates: Iterable[Any],
    condition: Condition | None,
    service_class: str,
    material: str,
    phase: str,
    pick: Pick,
    wettings: Sequence[str] = (),
) -> tuple[BaseRate, list[Finding]]:
    """The policy's rate for one kind of segment, or no rate with a note that says why.

    ``wettings`` : which wetting a row may be for, see `wetting.rows_may_be_for`; () for any.
    """
    if condition is None:
        return base_rate({}, (), (remark("no_forecast"),)), []
    rates = list(rates)
    rows = policy_rows(rates, condition, service_class, material, phase, wettings)
    temp_f = condition.pavement_temp_f
    if not rows:
        of_class = (remark("of_class", name=service_class),) if service_class else ()
        what = remark("the_material", material=material) if material else remark("any_material")
        note = remark(
            "no_policy_row",
            event=condition.event,
            pavement_f=temp_f,
            service_class=of_class,
            material=what,
            phase=phase,
            lacking=tuple(
                remark("but_it_lacks", what=one)
                for one in what_is_lacking(
                    rates, condition, service_class, material, phase, wettings
                )
            ),
        )
        return base_rate({}, (), (note,)), []
    findings = []
    if len(rows) > 1 and material:
        numbers = [int(row.row) for row in rows]
        found = remark(
            "policy_rows_equal",
            rows=numbers,
            event=condition.event,
            pavement_f=temp_f,
            taken=numbers[0],
        )
        findings.append(
            Finding("caution", remark("of_policy"), found, (remark("narrow_policy_rows"),))
        )
    return _policy_rate(rows[0], phase, pick), findings


def planner_rates(
    rates: pd.DataFrame, routes: Iterable[str], label: str
) -> tuple[dict[str, BaseRate], list[Finding]]:
    """The planner's own rate of each route in one application; a route without one is left out.

    A row for the route itself wins over "*"; then a row for the application over one for all.
    """
    found: dict[str, Any] = {}
    findings: list[Finding] = []
    given = rates[rates[[f"rate_{base}" for base in BASES]].notna().any(axis=1)]
    for row in lines(given[given["application"].isin([label, "", ALL])]):
        level = 2 * (row.route_id != ALL) + (row.application == label)
        key = str(row.route_id)
        if key not in found or level > found[key][0]:
            found[key] = (level, row)
        elif level == found[key][0]:
            findings.append(_repeated(row, found[key][1], label))
    chosen = {route: found.get(route, found.get(ALL)) for route in routes}
    return {
        route: base_rate(
            {base: float(getattr(held[1], f"rate_{base}")) for base in BASES},
            remark("rate_of_planner", row=int(held[1].row)),
        )
        for route, held in chosen.items()
        if held is not None
    }, findings


def _repeated(row: Any, first: Any, label: str) -> Finding:
    return Finding(
        "caution",
        remark("route_in_round", route=row.route_id, application=label),
        remark("rate_given_twice", first=int(first.row), second=int(row.row)),
        (remark("remove_a_rate"),),
    )


def width_factor(lane_width_ft: Floats, policy: Policy) -> Floats:
    """What a rate per lane-mile is multiplied by for the width of the lane, shape (n,).

    Source: Minnesota Snow and Ice Control Field Handbook for Snowplow Operators, LRRB manual
    2005-01, p. 15: an 18 ft road takes 0.75 of the rate for two lanes (24 ft).
    """
    if not policy.scale_by_lane_width:
        return np.ones_like(lane_width_ft)
    return lane_width_ft / policy.reference_lane_width_ft


def rate_on_lane(
    base: pd.DataFrame, lane_width_ft: Floats, density_lb_gal: Floats, policy: Policy
) -> Floats:
    """Rates in any basis as lb per lane-mile of the lane they fall on, shape (n,).

    Parameters
    ----------
    base : columns lb_per_lane_mile, g_per_m2, gal_per_lane_mile; NaN but for one.
    density_lb_gal : of the material; NaN leaves a rate in gallons unknown.

    A rate per area already depends on the width, so it is not scaled a second time.
    """
    per_lane = base["lb_per_lane_mile"].to_numpy()
    per_lane = np.where(
        np.isnan(per_lane), base["gal_per_lane_mile"].to_numpy() * density_lb_gal, per_lane
    )
    per_lane = per_lane * width_factor(lane_width_ft, policy)
    per_area = area_rate_lb_per_lane_mile(base["g_per_m2"].to_numpy(), lane_width_ft)
    return np.where(np.isnan(per_lane), per_area, per_lane)


@dataclass(frozen=True)
class Sensitive:
    """The effect of sensitive areas on rates; arrays of shape (n,)."""

    rate_lb_per_lane_mile: Floats
    cap_lb_per_lane_mile: Floats
    lowered: NDArray[np.bool_]


def cap_of_material(cap_lb_per_lane_mile: Floats, counted_lb_per_lb: Floats) -> Floats:
    """A cap of dry chemical as the rate of a material that just keeps it.

    Parameters
    ----------
    cap_lb_per_lane_mile : of dry chemical; infinity or NaN for none. Shape (n,).
    counted_lb_per_lb : dry chemical that a pound of the material counts for; NaN where nobody knows
        it: then the cap holds the material's own mass, which is never too much. Shape (n,).

    Returns
    -------
    lb of material per lane-mile, shape (n,); infinity for what has no chemical, as sand.
    """
    counted = np.where(np.isnan(counted_lb_per_lb), 1.0, counted_lb_per_lb)
    cap = np.asarray(cap_lb_per_lane_mile, dtype=float)
    none = np.where(np.isnan(cap), np.nan, np.inf)
    allowed: Floats = np.divide(cap, counted, out=none, where=counted > 0.0)
    return allowed


def lower_in_areas(
    rate: Floats,
    area_ids: pd.Series,
    areas: pd.DataFrame | None,
    policy: Policy,
    counted_lb_per_lb: Floats | None = None,
) -> Sensitive:
    """Rates lowered where a part lies in sensitive areas: min(rate x factor, cap), lowest counts.

    Parameters
    ----------
    rate : of the material, lb per lane-mile, shape (n,).
    counted_lb_per_lb : see `cap_of_material`; None: all of the material.

    Returns
    -------
    Sensitive. ``cap_lb_per_lane_mile`` is the rate of the material that the lowest cap allows,
    infinity where there is none: a cap is of dry chemical.
    """
    counted = np.ones(len(rate)) if counted_lb_per_lb is None else counted_lb_per_lb
    lowered = rate.copy()
    cap = np.full(len(rate), np.inf)
    if areas is None or not len(areas):
        return Sensitive(lowered, cap, np.zeros(len(rate), dtype=bool))
    usual = 1.0 if np.isnan(policy.sensitive_factor) else policy.sensitive_factor
    factors = dict(zip(areas["area_id"], areas["rate_factor"].fillna(usual), strict=True))
    caps = dict(
        zip(areas["area_id"], areas["max_rate_lb_per_lane_mile"].fillna(np.inf), strict=True)
    )
    codes, sets = pd.factorize(area_ids)
    for code, names in enumerate(sets):
        if names:
            where = codes == code
            lowest_cap = np.full(int(where.sum()), min(caps[name] for name in names))
            cap[where] = cap_of_material(lowest_cap, counted[where])
            lowest = min(factors[name] for name in names)
            lowered[where] = np.minimum(rate[where] * lowest, cap[where])
    return Sensitive(lowered, cap, lowered < rate)


def base_rates(
    rows: pd.DataFrame,
    application: Application,
    rates: pd.DataFrame,
    policy: Policy,
    conditions: dict[tuple[str, str], Condition],
    pick: Pick,
) -> tuple[pd.DataFrame, list[Finding]]:
    """The base rate of each row in one application.

    Parameters
    ----------
    rows : columns route_id, zone, service_class, material, wetting; shape (n,).

    Returns
    -------
    DataFrame on the index of ``rows``: lb_per_lane_mile, g_per_m2, gal_per_lane_mile, source, note,
    wetting, wetting_included, see `BaseRate`.
    """
    route_code, route_ids = pd.factorize(rows["route_id"])
    given, findings = planner_rates(rates, [str(route) for route in route_ids], application.label)
    kinds = ["zone", "service_class", "material", "wetting"]
    kind_code = rows.groupby(kinds, sort=False, dropna=False).ngroup().to_numpy()
    # a route with a rate of its own never asks the policy
    own = [given.get(str(route)) for route in route_ids]
    is_own = np.array([rate is not None for rate in own], dtype=bool)[route_code]
    asking = set(kind_code[~is_own].tolist())
    table = list(lines(policy.rates))
    choices: list[BaseRate] = []
    for code, kind in enumerate(lines(rows[kinds].drop_duplicates())):
        if code not in asking:
            choices.append(NO_RATE)
            continue
        weather = conditions.get((str(kind.zone), application.label))
        rate, found = policy_rate(
            table,
            weather,
            str(kind.service_class),
            str(kind.material),
            application.phase,
            pick,
            rows_may_be_for(str(kind.wetting), policy),
        )
        choices.append(rate)
        findings += found
    place = np.where(is_own, len(choices) + route_code, kind_code)
    choices += [rate or NO_RATE for rate in own]
    base = pd.DataFrame([vars(choice) for choice in choices])
    return base.iloc[place].set_axis(rows.index), findings
