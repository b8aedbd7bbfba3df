"""Budgets of the agency, its yards and routes against what was used and what is to come.

Used mass is the true one (reported mass corrected by each truck's ratio); the reported one stands
beside it. Masses in lb inside, short tons in the tables.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy import special

from spreadplan.frames import lines
from spreadplan.materials import chemical_fraction, price_per_ton
from spreadplan.remarks import Remark, remark
from spreadplan.schema.results import RESULTS
from spreadplan.season.forecast import SeasonForecast, burn_down, forecast_season
from spreadplan.season.use import summed_use
from spreadplan.units import POUNDS_PER_TON

MOST_NAMED: Final = 6
LEAST_NAMED_LB: Final = 200.0
"""Trucks and storms without a ticket for less than this are not named. Common practice, no source.
"""
VERDICTS: Final = ("within", "likely to run out", "over", "no budget", "not known")
SCOPE_COLUMN: Final[Mapping[str, str]] = {
    "agency": "all",
    "yard": "yard_id",
    "route": "route_id",
}


@dataclass(frozen=True, kw_only=True)
class Season:
    """The season asked for.

    name : as in budgets.csv. start, end : its first and last moment. as_of : storms are known up to
    here. confidence : probability needed to call a budget overspent. earlier_storms and
    earlier_days : of earlier seasons, where known.
    """

    name: str
    start: pd.Timestamp
    end: pd.Timestamp
    as_of: pd.Timestamp
    confidence: float = 0.95
    earlier_storms: float = 0.0
    earlier_days: float = 0.0


def budget_table(
    use: pd.DataFrame, budgets: pd.DataFrame, materials: pd.DataFrame, season: Season
) -> pd.DataFrame:
    """Every budget of the season, and the agency's use of materials that have none.

    Parameters
    ----------
    use : as `use.season_use` returns it.
    budgets : season, scope, scope_id, material, budget_lb. The id of the agency does not matter.
    materials : material, kind, density_lb_gal, moisture_pct, cost_per_ton, cost_per_gal.

    Returns
    -------
    The table ``budget``. forecast_ton is the expected total at the season's end,
    forecast_lo_ton and forecast_hi_ton its 90 % prediction interval (NaN with too few storms).
    Verdict: "over" where the budget is already exceeded with the policy's confidence, "likely to
    run out" where the season's total exceeds it more likely than not, else "within"; "not known"
    with too few storms; "no budget". without_ticket_ton is the part of used_ton that rests on loads
    that no ticket names, without_ticket the trucks and storms. dry_ton is NaN where the moisture is
    not known, cost where the price is not.
    """
    rows = use.assign(all="")
    wanted = _with_unbudgeted(budgets[budgets["season"] == season.name], use, season.name)
    facts = {str(one.material): one for one in lines(materials)}
    sums = {scope: summed_use(rows, [column, "material"]) for scope, column in SCOPE_COLUMN.items()}
    by_storm = {
        scope: summed_use(rows, [column, "material", "storm"])["applied_lb"]
        for scope, column in SCOPE_COLUMN.items()
    }
    planned = rows[rows["source"] == "planned"]
    found = []
    for one in lines(wanted):
        key = ("" if one.scope == "agency" else one.scope_id, one.material)
        used = _row(sums[one.scope], key)
        uses = _storm_uses(by_storm[one.scope], key)
        column = SCOPE_COLUMN[one.scope]
        here = planned[(planned[column] == key[0]) & (planned["material"] == one.material)]
        found.append(
            _budget_row(one, used, uses, facts.get(one.material), season)
            | {
                "planned_storms": here["storm"].nunique(),
                "without_ticket": _without_ticket(rows, column, key),
            }
        )
    table = pd.DataFrame(found, columns=RESULTS["budget"].names)
    order = table["scope"].map({scope: place for place, scope in enumerate(SCOPE_COLUMN)})
    return (
        table.assign(order=order)
        .sort_values(["order", "scope_id", "material"], kind="stable", ignore_index=True)
        .drop(columns="order")
    )


def _with_unbudgeted(budgets: pd.DataFrame, use: pd.DataFrame, season: str) -> pd.DataFrame:
    """The budgets, and a row without one for each material that the agency has none for."""
    have = set(budgets.loc[budgets["scope"] == "agency", "material"])
    without = [name for name in sorted(use["material"].unique()) if name not in have]
    columns = ["season", "scope", "scope_id", "material", "budget_lb"]
    more = pd.DataFrame([(season, "agency", "", name, np.nan) for name in without], columns=columns)
    frames = [frame for frame in (budgets[columns], more) if len(frame)]
    return pd.concat(frames, ignore_index=True) if frames else budgets[columns]


def _row(sums: pd.DataFrame, key: tuple[str, str]) -> Mapping[str, float]:
    if key not in sums.index:
        names = ("reported_lb", "applied_lb", "without_ticket_lb", "applied_u_lb", "storms")
        return dict.fromkeys(names, 0.0)
    row = sums.loc[[key]].iloc[0]
    return {str(name): float(value) for name, value in row.items()}


def _without_ticket(use: pd.DataFrame, column: str, key: tuple[str, str]) -> tuple[Remark, ...]:
    """Which trucks in which storms, the greatest mass first."""
    here = use[(use[column] == key[0]) & (use["material"] == key[1])]
    sums = here.groupby(["truck_id", "storm"])["without_ticket_lb"].sum()
    ordered = sums[sums >= LEAST_NAMED_LB].sort_values(ascending=False, kind="stable")
    named = [
        remark("truck_in_storm", truck=truck, storm=storm)
        for truck, storm in ordered.index[:MOST_NAMED]
    ]
    more = len(ordered) - len(named)
    return (*named, remark("and_more", more=more)) if more else tuple(named)


def _storm_uses(by_storm: pd.Series, key: tuple[str, str]) -> np.ndarray[Any, np.dtype[np.float64]]:
    level = by_storm[
        (by_storm.index.get_level_values(0) == key[0])
        & (by_storm.index.get_level_values(1) == key[1])
    ]
    return level.to_numpy(dtype=float) / POUNDS_PER_TON


def _budget_row(
    one: Any, used: Mapping[str, float], uses: Any, material: Any, season: Season
) -> dict[str, Any]:
    """One row of the table; ``one`` is a budget, ``material`` a row of the materials or None."""
    used_ton, used_u_ton = (used[name] / POUNDS_PER_TON for name in ("applied_lb", "applied_u_lb"))
    budget_ton = one.budget_lb / POUNDS_PER_TON
    outlook = forecast_season(
        uses,
        used_u_ton,
        start=season.start,
        as_of=season.as_of,
        end=season.end,
        earlier_storms=season.earlier_storms,
        earlier_days=season.earlier_days,
    )
    low, high = outlook.interval() if outlook.possible else (np.nan, np.nan)
    expected = outlook.expected if outlook.possible else np.nan
    p_now = _p_over(used_ton, used_u_ton, budget_ton)
    known = outlook.possible and not np.isnan(budget_ton)
    p_season = outlook.p_above(budget_ton) if known else np.nan
    price = price_per_ton(material)
    moisture = float(material.moisture_pct) if material is not None else np.nan
    chemical = chemical_fraction(material).value if material is not None else np.nan
    return {
        "season": season.name,
        "scope": one.scope,
        "scope_id": one.scope_id,
        "material": one.material,
        "budget_ton": budget_ton,
        "chemical_lb": used["applied_lb"] * chemical,
        "used_ton": used_ton,
        "used_u_ton": used_u_ton,
        "storms": int(used["storms"]),
        "forecast_ton": expected,
        "forecast_hi_ton": high,
        "verdict": _verdict(budget_ton, p_now, p_season, season),
        "forecast_lo_ton": low,
        "left_ton": budget_ton - used_ton,
        "p_over_now": p_now,
        "p_over_season": p_season,
        "storms_to_come": outlook.storms_to_come if outlook.possible else np.nan,
        "reported_ton": used["reported_lb"] / POUNDS_PER_TON,
        "without_ticket_ton": used["without_ticket_lb"] / POUNDS_PER_TON,
        "dry_ton": used_ton * (1.0 - moisture / 100.0),
        "cost": used_ton * price,
        "season_cost": expected * price,
        "note": _note(outlook),
    }


def _p_over(used: float, used_u: float, budget: float) -> float:
    if np.isnan(budget):
        return float("nan")
    return float(special.ndtr((used - budget) / used_u)) if used_u > 0.0 else float(used > budget)


def _verdict(budget: float, p_now: float, p_season: float, season: Season) -> str:
    if np.isnan(budget):
        return "no budget"
    if p_now >= season.confidence:
        return "over"
    if np.isnan(p_season):
        return "not known"
    return "likely to run out" if p_season >= 0.5 else "within"


def _note(outlook: SeasonForecast) -> tuple[Remark, ...]:
    if outlook.days_left <= 0.0:
        return (remark("season_is_over"),)
    if not outlook.possible:
        return (remark("too_few_storms", storms=len(outlook.uses)),)
    return ()


def storm_table(use: pd.DataFrame, materials: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Use by any of storm, route_id, yard_id, truck_id and material: true, reported, cost.

    Returns
    -------
    ``by`` (material is always among them) and used_ton, used_lo_ton, used_hi_ton (95 %),
    used_u_ton, reported_ton, without_ticket_ton, difference_pct (true over reported,
    less 1), treated_lane_miles, rate_lb_per_lane_mile (per application), applications (mean over
    the storms and lane-miles), ton_per_application, storms, cost, chemical_lb. Mass off the routes
    counts in the tons, but not in what is per lane-mile or per application.
    """
    by = list(dict.fromkeys([*by, "material"]))
    total = summed_use(use, by)
    road = use[use["treated_lane_miles"] > 0.0].groupby(by, sort=True)
    on_road = road["applied_lb"].sum().reindex(total.index)
    treated = total["treated_lane_miles"].where(total["treated_lane_miles"] > 0.0)
    applications = treated / road["lane_miles"].sum().reindex(total.index)
    rounds = applications * total["storms"]
    prices = {str(one.material): price_per_ton(one) for one in lines(materials)}
    chemical = {str(one.material): chemical_fraction(one).value for one in lines(materials)}
    names = total.index.get_level_values("material")
    tons = total["applied_lb"] / POUNDS_PER_TON
    reported = total["reported_lb"].where(total["reported_lb"] > 0.0)
    return pd.DataFrame(
        {
            "used_ton": tons,
            "used_lo_ton": total["applied_lo_lb"] / POUNDS_PER_TON,
            "used_hi_ton": total["applied_hi_lb"] / POUNDS_PER_TON,
            "used_u_ton": total["applied_u_lb"] / POUNDS_PER_TON,
            "reported_ton": total["reported_lb"] / POUNDS_PER_TON,
            "without_ticket_ton": total["without_ticket_lb"] / POUNDS_PER_TON,
            "difference_pct": 100.0 * (total["applied_lb"] / reported - 1.0),
            "treated_lane_miles": total["treated_lane_miles"],
            "rate_lb_per_lane_mile": on_road / treated,
            "applications": applications,
            "ton_per_application": on_road / POUNDS_PER_TON / rounds,
            "storms": total["storms"],
            "cost": tons * np.array([prices[name] for name in names]),
            "chemical_lb": total["applied_lb"] * np.array([chemical[name] for name in names]),
        }
    ).reset_index()


def material_burn_down(
    use: pd.DataFrame, material: str, season: Season, steps: int = 12
) -> pd.DataFrame:
    """The agency's burn-down of one material in short tons, see `forecast.burn_down`."""
    rows = use[use["material"] == material]
    storms = rows.groupby("storm", sort=False)
    by_storm = pd.DataFrame(
        {"start": storms["start"].min(), "use": storms["applied_lb"].sum() / POUNDS_PER_TON}
    )
    total = summed_use(rows, ["material"])["applied_u_lb"]
    return burn_down(
        by_storm,
        used_u=float(total.iloc[0]) / POUNDS_PER_TON if len(total) else 0.0,
        start=season.start,
        as_of=season.as_of,
        end=season.end,
        steps=steps,
        earlier_storms=season.earlier_storms,
        earlier_days=season.earlier_days,
    )
