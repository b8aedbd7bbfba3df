"""Over or under the plan? A decision rule with guard bands.

`over` is said only where the true mass lies above what is allowed with the confidence of the
policy: the estimate must be a guard band beyond the limit, and the width of the band follows from
the estimate's own uncertainty. Masses in lb.

Source: JCGM 106:2012, 7 (conformance probability) and 8.3 (guard bands).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from spreadplan.metrology import probability_above
from spreadplan.remarks import Remark, remark
from spreadplan.schema.policy import Policy

VERDICTS: Final = ("over", "probably_over", "within", "probably_under", "under", "unknown")

MIN_COVERAGE: Final = 0.8
"""Less of the expected passes within hearing, and missing mass says nothing. Common practice, no
source."""

MAX_RELATIVE_U: Final = 0.5
"""An estimate whose standard uncertainty is more than this share of the plan can't be judged.
Common practice, no source."""

CLEARLY: Final = 0.08
"""Rounds or rates that differ from the plan by more than this share are named as the cause. Common
practice, no source."""

MORE_ROUNDS: Final = remark("more_rounds")
RATE_ABOVE: Final = remark("rate_above")
BOTH_ABOVE: Final = remark("both_above")
"""Why a mass lies above the plan. Only the second and third are an over-application of rate."""

MORE_ROUNDS_KIND: Final = "more_rounds"
"""What `kinds` calls a mass above the plan that more rounds explain, each within its rate."""

NO_PLAN: Final = remark("nothing_planned_here")
NOT_IN_ROUTES: Final = remark("not_in_routes")
CONTESTED_HERE: Final = remark("truck_contested")
TOO_SHORT: Final = remark("too_short")
THIN: Final = remark("coverage_thin")
OTHER_MATERIAL: Final = remark("other_material")
UNPLACED: Final = remark("mass_unplaced")
GUESSED_WAY: Final = remark("way_guessed")
VAGUE: Final = remark("too_uncertain")
"""Why nothing can be said of a segment."""


@dataclass(frozen=True)
class DecisionRule:
    """How far from the plan is too far, and how sure one must be to say so.

    over_pct, under_pct : tolerances, percent of the plan.
    confidence : probability needed for a verdict without "probably", 0.5 to 1.
    """

    over_pct: float
    under_pct: float
    confidence: float

    @classmethod
    def of(cls, policy: Policy) -> DecisionRule:
        """The rule of a policy."""
        return cls(policy.over_pct, policy.under_pct, policy.confidence)

    def sentence(self) -> Remark:
        """The rule, to be put in words."""
        return remark(
            "decision_rule",
            over_pct=self.over_pct,
            under_pct=self.under_pct,
            sure_pct=100.0 * self.confidence,
            more_rounds=MORE_ROUNDS,
            heard_pct=100.0 * MIN_COVERAGE,
            vague_pct=100.0 * MAX_RELATIVE_U,
        )


def allowances(planned: pd.DataFrame, rule: DecisionRule) -> pd.DataFrame:
    """What may lie on each segment, all applications together.

    Parameters
    ----------
    planned : one row for each application of each part of a segment: application, route_id,
        segment_id, material, lane_miles, mass_lb (NaN: none planned), max_rate_lb_per_lane_mile
        (greatest rate of the sensitive area that it lies in; NaN: none). The area's limit has no
        tolerance, and never allows more than the plan with its tolerance does elsewhere.

    Returns
    -------
    route_id, segment_id, material, planned_lb, allowed_lb, least_lb and rounds_planned
    (applications with a mass); NaN where any part of the segment has no plan.
    """
    mass = planned["mass_lb"]
    limit = planned["max_rate_lb_per_lane_mile"] * planned["lane_miles"]
    with_tolerance = mass * (1.0 + rule.over_pct / 100.0)
    rows = planned[["route_id", "segment_id", "material"]].assign(
        planned_lb=mass,
        allowed_lb=with_tolerance.where(~(limit < with_tolerance), limit),
        least_lb=mass * (1.0 - rule.under_pct / 100.0),
    )
    keys = ["route_id", "segment_id", "material"]
    totals = rows.groupby(keys, sort=True).sum()
    unplanned = rows["planned_lb"].isna().groupby([rows[key] for key in keys], sort=True).any()
    treated = planned[mass > 0.0]
    rounds = treated.groupby(keys, sort=True)["application"].nunique().astype(float)
    totals = totals.assign(rounds_planned=rounds.reindex(totals.index).fillna(0.0))
    totals.loc[unplanned.to_numpy()] = np.nan
    return totals.reset_index()


def against_plan(applied: pd.DataFrame, allowed: pd.DataFrame) -> pd.DataFrame:
    """Every segment with use or with a plan: a planned one that got nothing has zeros.

    ``applied`` : as `applied.applied_by_segment` returns it; ``allowed`` : as `allowances`.
    """
    keys = ["route_id", "segment_id", "material"]
    rows = applied.merge(allowed, on=keys, how="outer", validate="one_to_one")
    zeros = [
        "passes",
        "applications",
        "reported_lb",
        "applied_lb",
        "applied_u_lb",
        "applied_lo_lb",
        "applied_hi_lb",
    ]
    return rows.fillna(dict.fromkeys(zeros, 0.0))


def judge(rows: pd.DataFrame, rule: DecisionRule) -> pd.DataFrame:
    """Verdict on each segment.

    Parameters
    ----------
    rows : applied_lb, applied_u_lb, planned_lb, allowed_lb, least_lb (NaN: no plan), coverage
        (share of the expected passes during which the trucks that were to make them were heard,
        0 to 1), contested (a truck on it reported what its tickets cannot belong to), too_short (no
        truck can be followed on it), not_in_routes (planned when the plan was issued, but no
        segment of the routes now; False where it is left out); unplaced_lb, other_lb and guessed_lb
        as `unplaced.may_lie_here` gives them, none of the last four where it is left out;
        applications (rounds made) and rounds_planned.
    rule : the policy's tolerances, percent, and confidence, a share of 0 to 1.

    Returns
    -------
    DataFrame on the index of ``rows``: verdict, p_over, p_under, reason: a remark, of `unknown`,
    and of `over` and `probably_over` why it is more than the plan; else "".

    Source: JCGM 106:2012, 7 and 8.3.
    """
    applied, u, allowed, least = (
        rows[name].to_numpy(dtype=float)
        for name in ("applied_lb", "applied_u_lb", "allowed_lb", "least_lb")
    )
    p_over = probability_above(applied, u, allowed)
    p_under = probability_above(least, u, applied)
    causes = _why_unknown(rows, p_over, p_under, rule.confidence)
    conditions = [
        np.any(list(causes.values()), axis=0),
        p_over >= rule.confidence,
        p_over >= 0.5,
        p_under >= rule.confidence,
        p_under >= 0.5,
    ]
    names = ["unknown", "over", "probably_over", "under", "probably_under"]
    found = np.select(conditions, names, "within").astype(object)
    reason = np.full(len(rows), "", dtype=object)
    for cause, holds in reversed(causes.items()):
        reason[holds] = cause
    above = np.isin(found, ["over", "probably_over"])
    reason[above] = why_above(rows[above], found[above], rule.confidence)
    return pd.DataFrame(
        {"verdict": found, "p_over": p_over, "p_under": p_under, "reason": reason},
        index=rows.index,
    )


def _why_unknown(
    rows: pd.DataFrame, p_over: np.ndarray, p_under: np.ndarray, confidence: float
) -> dict[Remark, np.ndarray]:
    """For each reason of `unknown`, the first first, whether it holds; shape (rows,) each.

    ``rows`` : as `judge` takes them.
    """
    applied, u, planned, allowed, least, coverage = (
        rows[name].to_numpy(dtype=float)
        for name in (
            "applied_lb",
            "applied_u_lb",
            "planned_lb",
            "allowed_lb",
            "least_lb",
            "coverage",
        )
    )
    contested = rows["contested"].to_numpy(dtype=bool)
    short = rows["too_short"].to_numpy(dtype=bool) if "too_short" in rows else contested & False
    gone = rows["not_in_routes"].to_numpy(dtype=bool) if "not_in_routes" in rows else short & False
    other, unplaced, guessed = (
        rows[name].to_numpy(dtype=float) if name in rows else np.zeros(len(rows))
        for name in ("other_lb", "unplaced_lb", "guessed_lb")
    )
    # what was not heard can only add: too much is too much however thin the coverage
    thin = ~(coverage >= MIN_COVERAGE) & ~(p_over >= 0.5)
    # the mass that a segment lacks is known to exist, or passes that were not heard may have been
    # as planned: it was not shown to be left out
    unheard, renamed, elsewhere = (
        (p_under >= 0.5) & (more > 0.0) & (probability_above(least, u, applied + more) < 0.5)
        for more in ((1.0 - coverage) * planned, other, other + unplaced)
    )
    # nor shown to be too much where that rests on a way that nobody saw
    seen = probability_above(applied - guessed, u, allowed)
    vague = u > MAX_RELATIVE_U * np.maximum(planned, 0.0)
    return {
        NOT_IN_ROUTES: gone,
        NO_PLAN: np.isnan(allowed) | np.isnan(least),
        CONTESTED_HERE: contested,
        TOO_SHORT: short,
        THIN: thin | unheard,
        OTHER_MATERIAL: renamed,
        UNPLACED: elsewhere,
        GUESSED_WAY: (p_over >= 0.5) & (guessed > 0.0) & (seen < 0.5),
        VAGUE: vague & (p_over < confidence) & (p_under < confidence),
    }


def why_above(rows: pd.DataFrame, verdict: np.ndarray, confidence: float) -> np.ndarray:
    """Whether the rate of a round is above what is allowed, or only the number of rounds.

    Parameters
    ----------
    rows : applied_lb, applied_u_lb, allowed_lb, applications (rounds made) and rounds_planned of
        what is judged over or probably over; p_rate where the plan was replaced during the storm:
        the greatest P(true mass > allowed mass of the rounds made) under one of its versions.
    verdict : which of the two, shape (rows,).
    confidence : probability that ``over`` needs, 0 to 1; ``probably_over`` needs 0.5.

    Returns
    -------
    `MORE_ROUNDS` where there clearly were more and P(true mass > allowed mass of the rounds made)
    is less than the verdict needs, else `BOTH_ABOVE` or `RATE_ABOVE`; shape (rows,).
    """
    applied, u, allowed, made, planned = (
        rows[name].to_numpy(dtype=float)
        for name in ("applied_lb", "applied_u_lb", "allowed_lb", "applications", "rounds_planned")
    )
    share = np.divide(made, planned, out=np.ones(len(rows)), where=planned > 0.0)
    p_rate = probability_above(applied, u, allowed * np.maximum(share, 1.0))
    if "p_rate" in rows:
        p_rate = rows["p_rate"].fillna(0.0).to_numpy(dtype=float)
    enough = np.where(verdict == "over", confidence, 0.5)
    more = share > 1.0 + CLEARLY
    found = np.full(len(rows), RATE_ABOVE, dtype=object)
    found[more] = BOTH_ABOVE
    found[more & (p_rate < enough)] = MORE_ROUNDS
    return found


def kinds(rows: pd.DataFrame, more_rounds: Remark | str = MORE_ROUNDS) -> pd.Series[str]:
    """The verdicts of `VERDICTS`, with `MORE_ROUNDS_KIND` where that is all there is to say.

    Parameters
    ----------
    rows : verdict, reason, as `judge` gives them.
    more_rounds : the reason `MORE_ROUNDS` as it stands in them.

    Returns
    -------
    One kind a row, shape (rows,), on the index of ``rows``.
    """
    rounds = (rows["reason"] == more_rounds) & rows["verdict"].isin(["over", "probably_over"])
    return rows["verdict"].mask(rounds, MORE_ROUNDS_KIND)


@dataclass(frozen=True)
class PlainComparison:
    """Findings of a comparison without uncertainty, and how many of them the data support."""

    over: int
    over_supported: int
    under: int
    under_supported: int

    @property
    def unsupported(self) -> int:
        """Findings that the data don't support."""
        return self.over - self.over_supported + self.under - self.under_supported


def plain_comparison(rows: pd.DataFrame, mass: str = "applied_lb") -> PlainComparison:
    """What comparing a bare mass with the limits would have found.

    ``rows`` : verdict, allowed_lb, least_lb and the column ``mass`` (applied_lb or reported_lb).
    """
    # nothing lies beyond a limit that isn't there
    over = rows[mass] > rows["allowed_lb"].fillna(np.inf)
    under = rows[mass] < rows["least_lb"].fillna(-np.inf)
    return PlainComparison(
        int(over.sum()),
        int((over & (rows["verdict"] == "over")).sum()),
        int(under.sum()),
        int((under & (rows["verdict"] == "under")).sum()),
    )
