"""Each treatment against the plan in force when it was made: its rate, and how many there were.

Treatments made under one plan are judged together: their mass against that of as many rounds as
were made, at the rate of that plan. What is judged of a segment is the worst of them. Masses in lb.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from spreadplan.metrology import probability_above
from spreadplan.reconcile.applied import OFF_ROUTE, SEGMENT_KEYS, summed_applied
from spreadplan.reconcile.in_force import LEAST_PASS, InForce, version_at
from spreadplan.reconcile.use import TruckUse
from spreadplan.reconcile.verdicts import (
    BOTH_ABOVE,
    CONTESTED_HERE,
    GUESSED_WAY,
    MAX_RELATIVE_U,
    MIN_COVERAGE,
    MORE_ROUNDS,
    NOT_IN_ROUTES,
    OTHER_MATERIAL,
    TOO_SHORT,
    UNPLACED,
    DecisionRule,
    allowances,
)

WORST_FIRST: Final = ("over", "under", "probably_over", "probably_under", "within", "unknown")
NO_JUDGEMENT: Final = (CONTESTED_HERE, TOO_SHORT, NOT_IN_ROUTES, GUESSED_WAY)
"""Reasons that leave nothing to say of a rate either."""
MASS_LACKING: Final = (OTHER_MATERIAL, UNPLACED)
"""Reasons for which a low rate is not shown: mass of the treatment may lie there unseen."""
PART: Final = [*SEGMENT_KEYS, "truck_id"]


def treatments_of(uses: Sequence[TruckUse]) -> pd.DataFrame:
    """Passes while spreading of all trucks.

    Parameters
    ----------
    uses : of any trucks, also of none.

    Returns
    -------
    route_id, segment_id, material, time_s, reported_lb, passes (see `TruckUse.treatments`) and
    truck_id; without a row where nothing is known of passes.
    """
    tables = [pd.DataFrame(use.treatments).assign(truck_id=use.truck_id) for use in uses]
    names = ["route_id", "segment_id", "material", "time_s", "reported_lb", "passes", "truck_id"]
    known = [table for table in tables if len(table)]
    return pd.concat(known, ignore_index=True) if known else pd.DataFrame(columns=names)


def rates_by_version(
    parts: pd.DataFrame,
    treatments: pd.DataFrame,
    plan: InForce,
    per_round: pd.Series[float],
    rule: DecisionRule,
) -> pd.DataFrame:
    """What was put down on each segment under each version of the plan, against its rate.

    Parameters
    ----------
    parts : as `applied.applied_parts` returns them.
    treatments : as `treatments_of` returns them; looked at only where there are several versions.
    per_round : passes of one application, by route and segment.

    Returns
    -------
    One row for each segment, material and version under which it was treated: version, applied_lb,
    applied_u_lb, passes, made (rounds), planned_lb, allowed_lb, least_lb (of one round; NaN: none
    planned), p_over, p_under of the mass of the rounds that were made.
    """
    own = _split(parts[parts["segment_id"] != OFF_ROUTE], treatments, plan)
    keys = [*SEGMENT_KEYS, "version"]
    rows = summed_applied(own, keys).join(own.groupby(keys)["passes"].sum()).reset_index()
    pair = pd.MultiIndex.from_frame(rows[["route_id", "segment_id"]])
    rows["made"] = rows["passes"] / per_round.reindex(pair).to_numpy(dtype=float)
    one = _one_round(plan, rule).reindex(pd.MultiIndex.from_frame(rows[keys]))
    limits = {name: one[name].to_numpy(dtype=float) for name in one.columns}
    applied, u, made = (
        rows[name].to_numpy(dtype=float) for name in ("applied_lb", "applied_u_lb", "made")
    )
    return rows.assign(
        **limits,
        p_over=probability_above(applied, u, made * limits["allowed_lb"]),
        p_under=probability_above(made * limits["least_lb"], u, applied),
    )


def _split(parts: pd.DataFrame, treatments: pd.DataFrame, plan: InForce) -> pd.DataFrame:
    """The parts by the version under which they were put down; their sums stay what they are."""
    if not plan.several or treatments.empty:
        return parts.assign(version=0)
    since_s = np.array([one.since_s for one in plan.versions])
    version = version_at(since_s, treatments["time_s"].to_numpy(dtype=float))
    by = [*PART, "version"]
    sums = treatments.assign(version=version).groupby(by)[["reported_lb", "passes"]].sum()
    whole = sums.groupby(level=PART).transform("sum")
    share = (sums / whole.where(whole > 0.0)).rename(columns={"reported_lb": "mass"})
    share["mass"] = share["mass"].fillna(share["passes"]).fillna(0.0)
    share["passes"] = share["passes"].fillna(share["mass"])
    shares = share.rename(columns={"passes": "of_passes"}).reset_index()
    found = parts.merge(shares, on=PART, how="left")
    mass, passes = found.pop("mass").fillna(1.0), found.pop("of_passes").fillna(1.0)
    common = ["reported_lb", "applied_lb", "fleet_u_lb", "truck_u_lb", "storm_u_lb"]
    return found.assign(
        version=found["version"].fillna(0).astype(int),
        passes=found["passes"] * passes,
        own_u_lb=found["own_u_lb"] * np.sqrt(mass),
        **{name: found[name] * mass for name in common},
    )


def _one_round(plan: InForce, rule: DecisionRule) -> pd.DataFrame:
    """planned_lb, allowed_lb and least_lb of one round, by segment, material and version.

    The mean of the rounds that were in force, or of all of that version where none was.
    """
    found = []
    for version, whole in enumerate(plan.versions):
        mine = plan.segments[plan.segments["version"] == version]
        tables = [allowances(rows, rule) for rows in (mine, whole.segments)]
        every = pd.concat(tables).drop_duplicates(SEGMENT_KEYS)
        found.append(every.assign(version=version))
    rows = pd.concat(found, ignore_index=True)
    masses = ["planned_lb", "allowed_lb", "least_lb"]
    rounds = rows["rounds_planned"].where(rows["rounds_planned"] > 0.0)
    rows[masses] = rows[masses].div(rounds, axis=0)
    return rows.set_index([*SEGMENT_KEYS, "version"])[masses]


def against_rates(
    rows: pd.DataFrame, rates: pd.DataFrame, plan: InForce, rule: DecisionRule
) -> pd.DataFrame:
    """Treatments of each segment, planned and made, their rate, and by which plans they are judged.

    Parameters
    ----------
    rows : SEGMENT_KEYS, applications, rounds_planned, coverage, reason, as `verdicts.judge` has
        judged them.
    rates : as `rates_by_version` returns them.

    Returns
    -------
    DataFrame on the index of ``rows``: treatments, planned_treatments (NaN: no plan), rate_verdict,
    rounds_verdict, issue.
    """
    keys = pd.MultiIndex.from_frame(rows[SEGMENT_KEYS])
    judged = rates.assign(verdict=_verdicts(rates, rule))
    order = judged["verdict"].map({name: rank for rank, name in enumerate(WORST_FIRST)})
    worst = order.groupby([judged[key] for key in SEGMENT_KEYS]).min().reindex(keys)
    verdict = np.array([*WORST_FIRST], dtype=object)[worst.fillna(5).to_numpy(dtype=int)]
    reason = rows["reason"].to_numpy(dtype=object)
    low = np.isin(verdict, ["under", "probably_under"])
    blind = _is_one_of(reason, NO_JUDGEMENT) | (low & _is_one_of(reason, MASS_LACKING))
    on = (rows["segment_id"] != OFF_ROUTE).to_numpy()
    made = np.floor(rows["applications"].to_numpy(dtype=float) + 0.5)
    planned = rows["rounds_planned"].to_numpy(dtype=float)
    return pd.DataFrame(
        {
            "treatments": np.where(on, made, np.nan),
            "planned_treatments": np.where(on, planned, np.nan),
            "rate_verdict": np.where(blind, "unknown", verdict),
            "rounds_verdict": _rounds(rows, made, planned, reason),
            "issue": _issues(keys, judged, plan),
        },
        index=rows.index,
    )


def _verdicts(rates: pd.DataFrame, rule: DecisionRule) -> np.ndarray:
    p_over, p_under = rates["p_over"].to_numpy(), rates["p_under"].to_numpy()
    made, passes, planned, u = (
        rates[name].to_numpy(dtype=float)
        for name in ("made", "passes", "planned_lb", "applied_u_lb")
    )
    sure = rule.confidence
    vague = (u > MAX_RELATIVE_U * made * planned) & (p_over < sure) & (p_under < sure)
    nothing = ~(passes >= LEAST_PASS) | np.isnan(planned) | np.isnan(p_over) | vague
    conditions = [nothing, p_over >= sure, p_over >= 0.5, p_under >= sure, p_under >= 0.5]
    names = ["unknown", "over", "probably_over", "under", "probably_under"]
    return np.select(conditions, names, "within").astype(object)


def _rounds(
    rows: pd.DataFrame, made: np.ndarray, planned: np.ndarray, reason: np.ndarray
) -> np.ndarray:
    """`more` also where a verdict on the mass says so; `fewer` only where passes were heard."""
    more = (made > planned) | _is_one_of(reason, (MORE_ROUNDS, BOTH_ABOVE))
    thin = ~(rows["coverage"].to_numpy(dtype=float) >= MIN_COVERAGE)
    blind = np.isnan(planned) | _is_one_of(reason, (CONTESTED_HERE, TOO_SHORT, NOT_IN_ROUTES))
    fewer = made < planned
    conditions = [blind, more, fewer & thin, fewer]
    return np.select(conditions, ["unknown", "more", "unknown", "fewer"], "as_planned")


def _is_one_of(reason: np.ndarray, wanted: Sequence[object]) -> np.ndarray:
    return np.array([one in wanted for one in reason], dtype=bool)


def _issues(keys: pd.MultiIndex, judged: pd.DataFrame, plan: InForce) -> list[str]:
    """Names of the versions that planned or saw something of each segment, ``;`` between."""
    seen = judged.loc[judged["passes"] >= LEAST_PASS, [*SEGMENT_KEYS, "version"]]
    asked = plan.segments[[*SEGMENT_KEYS, "version"]]
    both = pd.concat([seen, asked]).drop_duplicates().sort_values("version", kind="stable")
    names = [one.name for one in plan.versions]
    found: dict[tuple[str, ...], list[str]] = {}
    for *key, version in both.itertuples(index=False, name=None):
        found.setdefault(tuple(key), []).append(names[int(version)])
    return [";".join(filter(None, found.get(key, []))) for key in keys]
