"""Over-application, with the evidence to act on it or to defend it.

Everything that a plain comparison would call over is listed; ``supported`` says whether the
measurement bears it out with the policy's confidence, ``reason`` whether the rate was too high or
there were more rounds than planned: only the first is an over-application. Masses in lb, rates in
lb per lane-mile.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache, partial
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.metrology import Z95, probability_above
from spreadplan.reconcile.verdicts import MORE_ROUNDS, why_above
from spreadplan.remarks import Remark, remark
from spreadplan.schema.results import RESULTS
from spreadplan.season.use import SEGMENT_KEYS, StormOfSeason, layered_u


def evidence(
    storms: Sequence[StormOfSeason],
    calibrations: Mapping[str, pd.DataFrame],
    shares: pd.DataFrame,
    confidence: float,
) -> pd.DataFrame:
    """Every segment of every storm whose estimate lies above its limit.

    Parameters
    ----------
    storms : measured ones; planned storms say nothing about what was put down.
    calibrations : discharge tests as judged at the start of each storm (`Calibration.tests`); a
        storm may be missing.
    shares : as `chloride.area_shares` returns it: which segments touch which area.
    confidence : probability needed to act on a finding.

    Returns
    -------
    The table ``evidence``, the surest first. Rates are those of one application, made and allowed,
    lo and hi the ends of the 95 % interval. ``supported`` is False where the estimate lies above
    the limit but the measurement can't tell it from a conforming one.
    """
    frames = [
        _of_storm(one, calibrations.get(one.storm), confidence)
        for one in storms
        if one.source == "measured"
    ]
    frames = [frame for frame in frames if len(frame)]
    if not frames:
        return pd.DataFrame(columns=RESULTS["evidence"].names)
    table = pd.concat(frames, ignore_index=True)
    table["area_id"] = _areas_of(table, shares)
    says = [_sentence(row) for row in lines(table)]
    table["says"] = pd.Series(says, table.index, dtype=object)
    order = ["supported", "p_over", "over_lb"]
    return table.sort_values(order, ascending=False, kind="stable", ignore_index=True)[
        RESULTS["evidence"].names
    ]


def _of_storm(one: StormOfSeason, tests: pd.DataFrame | None, confidence: float) -> pd.DataFrame:
    rows = one.segments[one.segments["applied_lb"] > one.segments["allowed_lb"]].copy()
    if not len(rows):
        return rows
    u = rows["applied_u_lb"]
    treated = rows["lane_miles"] * rows["applications"]
    treated = treated.where(treated > 0.0)
    planned = rows["lane_miles"] * rows["rounds_planned"]
    p_over = probability_above(
        *(rows[name].to_numpy(dtype=float) for name in ("applied_lb", "applied_u_lb", "allowed_lb"))
    )
    rows = rows.assign(
        storm=one.storm,
        p_over=p_over,
        over_lb=rows["applied_lb"] - rows["allowed_lb"],
        rate_lb_per_lane_mile=rows["applied_lb"] / treated,
        rate_lo_lb_per_lane_mile=(rows["applied_lb"] - Z95 * u).clip(lower=0.0) / treated,
        rate_hi_lb_per_lane_mile=(rows["applied_lb"] + Z95 * u) / treated,
        limit_lb_per_lane_mile=rows["allowed_lb"] / planned.where(planned > 0.0),
        supported=p_over >= confidence,
    )
    verdict = np.where(rows["supported"], "over", "probably_over")
    rows["reason"] = why_above(rows, verdict, confidence)
    mass = one.parts[one.parts["applied_lb"] > 0.0]
    trucks = mass.groupby(SEGMENT_KEYS)["truck_id"].agg(lambda ids: "; ".join(sorted(set(ids))))
    segment = pd.MultiIndex.from_frame(rows[SEGMENT_KEYS])
    rows["trucks"] = trucks.reindex(segment).fillna("").to_numpy(dtype=object)
    in_force = cache(partial(calibration_in_force, tests))  # few trucks treat many segments
    calibrations = [
        tuple(in_force(truck, row.material) for truck in row.trucks.split("; ") if truck)
        for row in lines(rows)
    ]
    rows["calibration"] = pd.Series(calibrations, rows.index, dtype=object)
    return rows


def calibration_in_force(tests: pd.DataFrame | None, truck_id: str, material: str) -> Remark:
    """Which calibration a truck had.

    ``tests`` : test_id, truck_id, material, performed_at, valid; as judged at the moment asked
    about. None: no test was read.
    """
    if tests is None:
        return remark("calibration_not_read", truck=truck_id)
    own = tests[(tests["truck_id"] == truck_id) & (tests["material"] == material) & tests["valid"]]
    if not len(own):
        return remark("no_valid_test", truck=truck_id, material=material)
    last = own.sort_values("performed_at", kind="stable").iloc[-1]
    others = (remark("and_other_tests", more=len(own) - 1),) if len(own) > 1 else ()
    return remark(
        "calibration_in_force",
        truck=truck_id,
        test=last["test_id"],
        day=pd.Timestamp(last["performed_at"]),
        others=others,
    )


def _areas_of(rows: pd.DataFrame, shares: pd.DataFrame) -> list[str]:
    touched: dict[tuple[str, str], list[str]] = {}
    for one in lines(shares):
        touched.setdefault((str(one.route_id), str(one.segment_id)), []).append(str(one.area_id))
    return [
        "; ".join(touched.get((str(row.route_id), str(row.segment_id)), [])) for row in lines(rows)
    ]


def _sentence(row: Any) -> Remark:
    made, low, high, limit = (
        float(getattr(row, f"{name}_lb_per_lane_mile"))
        for name in ("rate", "rate_lo", "rate_hi", "limit")
    )
    if row.reason == MORE_ROUNDS:
        return remark(
            "rounds_explain_it",
            what=MORE_ROUNDS,
            made=float(row.applications),
            planned=float(row.rounds_planned),
            made_lb_per_lane_mile=made,
            ends=(low, high),
            limit_lb_per_lane_mile=limit,
        )
    chance_pct = 100.0 * float(row.p_over)
    if np.isnan(made):
        return remark("above_allowed", over_lb=float(row.over_lb), chance_pct=chance_pct)
    doubt = () if row.supported else (remark("not_supported"),)
    return remark(
        "rate_over_limit",
        made_lb_per_lane_mile=made,
        ends=(low, high),
        limit_lb_per_lane_mile=limit,
        chance_pct=chance_pct,
        doubt=doubt,
    )


def repeat_offences(
    storms: Sequence[StormOfSeason], use: pd.DataFrame, confidence: float
) -> pd.DataFrame:
    """Segments over the season as a whole: small excesses that add up, or chance that does not.

    Parameters
    ----------
    use : as `use.season_use` returns it.

    Returns
    -------
    The table ``repeated``: those whose season's estimate lies above the season's limit, the surest
    first; verdict is "over" or "probably_over", reason as in `reconcile.verdicts.judge`. The
    truck's error is common to all storms, so more storms do not make it certain.
    """
    measured = [one for one in storms if one.source == "measured"]
    columns = RESULTS["repeated"].names
    if not measured:
        return pd.DataFrame(columns=columns)
    rows = pd.concat(
        [
            one.segments[one.segments["allowed_lb"].notna()].assign(storm=one.storm)
            for one in measured
        ],
        ignore_index=True,
    )
    rows["above"] = rows["applied_lb"] > rows["allowed_lb"]
    more = (rows["applications"] / rows["rounds_planned"]).replace(np.inf, np.nan).fillna(1.0)
    rows["of_rounds_lb"] = rows["allowed_lb"] * more.clip(lower=1.0)
    sums = rows.groupby(SEGMENT_KEYS, sort=True).agg(
        storms=("storm", "nunique"),
        storms_above=("above", "sum"),
        applied_lb=("applied_lb", "sum"),
        allowed_lb=("allowed_lb", "sum"),
        of_rounds_lb=("of_rounds_lb", "sum"),
    )
    judged = use[~use["as_prewet"]].merge(
        rows[["storm", *SEGMENT_KEYS]], on=["storm", *SEGMENT_KEYS]
    )
    sums["applied_u_lb"] = layered_u(judged, SEGMENT_KEYS)
    sums = sums.fillna({"applied_u_lb": 0.0})
    sums["over_lb"] = sums["applied_lb"] - sums["allowed_lb"]
    sums["p_over"] = probability_above(
        *(sums[name].to_numpy(dtype=float) for name in ("applied_lb", "applied_u_lb", "allowed_lb"))
    )
    sums["verdict"] = np.where(sums["p_over"] >= confidence, "over", "probably_over")
    table = sums[sums["over_lb"] > 0.0].reset_index()
    # rounds made over rounds planned, each storm as far as it was allowed to add
    allowed = table["allowed_lb"].where(table["allowed_lb"] > 0.0)
    share = (table["of_rounds_lb"] / allowed).fillna(1.0)
    table["reason"] = why_above(
        table.assign(applications=share, rounds_planned=1.0),
        table["verdict"].to_numpy(),
        confidence,
    )
    return table.sort_values(["p_over", "over_lb"], ascending=False, ignore_index=True)[columns]


class Support(NamedTuple):
    """Segments of single storms above their limit by the bare figures.

    listed : over their rate by the bare figures; supported : those of them that the measurement
    supports; more_rounds : the others, with more rounds than planned, none shown over its rate.
    """

    listed: int
    supported: int
    more_rounds: int


def support(table: pd.DataFrame) -> Support:
    """How many findings a plain comparison makes, and how many the measurement supports.

    Parameters
    ----------
    table : as `evidence` returns it.

    Returns
    -------
    Support, numbers of rows.
    """
    if not len(table):
        return Support(0, 0, 0)
    rounds = table["reason"] == MORE_ROUNDS
    supported = table["supported"].astype(bool) & ~rounds
    return Support(int((~rounds).sum()), int(supported.sum()), int(rounds.sum()))


def of_rate(table: pd.DataFrame) -> pd.DataFrame:
    """The evidence without what more rounds alone explain.

    Parameters
    ----------
    table : as `evidence` returns it.

    Returns
    -------
    Rows of ``table`` with all its columns, see `evidence`.
    """
    return table[table["reason"] != MORE_ROUNDS]
