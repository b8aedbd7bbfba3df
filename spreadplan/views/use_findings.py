"""What matters most in a storm's use of material, ranked by consequence.

Every finding has the mass that is surely in question: the end of its 95 % interval that lies
nearest to "nothing is wrong". Findings are ranked by that mass times what such mass means.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from spreadplan.frames import lines
from spreadplan.reconcile.applied import summed_applied
from spreadplan.reconcile.liquid import LITTLE, MUCH, NONE
from spreadplan.reconcile.storm import OFF_ROUTE, StormUse
from spreadplan.reconcile.true_mass import CONTESTED, INCOMPLETE, MISSING, NO_TICKETS
from spreadplan.reconcile.verdicts import (
    CLEARLY,
    MORE_ROUNDS,
    MORE_ROUNDS_KIND,
    NO_PLAN,
    OTHER_MATERIAL,
)
from spreadplan.remarks import Finding, Remark, Severity, remark
from spreadplan.units import POUNDS_PER_TON

SENSITIVE, MISSED, ROAD, METER, BOOKS = 4.0, 4.0, 1.0, 1.0, 0.25
"""What a mass in question weighs: too much in a sensitive area, a road left untreated, wrong by
plan, wrong by the controller, missing in the books only. Common practice, no source."""
SEVERITIES: Final[Mapping[float, Severity]] = {4.0: "problem", 1.0: "caution", 0.25: "note"}
RANKING: Final = remark("how_ranked", sensitive=SENSITIVE, books=BOOKS)
LEAST_LB: Final = 200.0
"""A smaller weighted mass is no finding to act on; it stands in the tables. Common practice, no
source."""
NOTHING_SHARE: Final = 0.01


@dataclass(frozen=True)
class Weighed:
    """A finding with the mass, in lb, that is surely in question, and what such mass means."""

    finding: Finding
    sure_lb: float
    weight: float

    @property
    def consequence_lb(self) -> float:
        """What findings are ranked by."""
        return self.weight * self.sure_lb


def findings(
    use: StormUse, rows: pd.DataFrame, left_out_lb: Mapping[str, float], confidence: float
) -> list[Weighed]:
    """Everything to act on, the gravest first.

    Parameters
    ----------
    rows : segments as `use_segments.with_plan` returns them.
    left_out_lb : impossible jumps of each truck's running total.
    confidence : of the policy's decision rule.
    """
    found: Iterable[Weighed] = (
        *_too_much(use, rows, confidence),
        *_more_rounds(use, rows),
        *_too_little(use, rows),
        *_unheard(rows),
        *_without_plan(rows),
        *_off_route(use),
        *_piles(use),
        *_ahead_of_plow(use.ahead_of_plow),
        *_trucks(use.trucks),
        *_liquid(use.trucks),
        *_yards(use.balance),
        *_jumps(left_out_lb),
    )
    grave = [one for one in found if one.consequence_lb >= LEAST_LB]
    return sorted(grave, key=lambda one: (-one.consequence_lb, str(one.finding.subject.values)))


def _weighed(
    subject: Remark,
    what: Remark,
    evidence: Iterable[Remark],
    advice: Iterable[Remark],
    sure_lb: float,
    weight: float,
) -> Weighed:
    found = Finding(SEVERITIES[weight], subject, what, tuple(advice), tuple(evidence))
    return Weighed(found, float(sure_lb), weight)


# --- on the road -------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Stretch:
    """Segments of one route, material and verdict, taken together. Masses in lb."""

    route_id: str
    material: str
    count: int
    lane_miles: float
    applied_lb: float
    low_lb: float
    high_lb: float
    planned_lb: float
    rounds: float
    made: float
    rate: float
    planned_rate: float
    areas: str
    truck: str

    @property
    def subject(self) -> Remark:
        """Which route it is, and the sensitive areas on it."""
        if self.areas:
            return remark("of_route_in_area", route=self.route_id, areas=self.areas)
        return remark("of_route", route=self.route_id)

    @property
    def driver(self) -> Remark:
        """The truck that put down most, or words for it."""
        return remark("named_truck", truck=self.truck) if self.truck else remark("the_truck")


def _stretches(use: StormUse, rows: pd.DataFrame) -> Iterator[_Stretch]:
    """The segments in ``rows`` by route and material."""
    keys = ["route_id", "segment_id", "material"]
    parts = use.parts.merge(rows[keys], on=keys, how="inner")
    by_route = ["route_id", "material"]
    sums = summed_applied(parts, by_route).to_dict("index") if len(parts) else {}
    trucks = parts.groupby([*by_route, "truck_id"])["applied_lb"].sum().sort_values()
    main = {(route, material): truck for route, material, truck in trucks.index}
    areas = _each(rows[rows["area"].astype(bool)], by_route, "area")
    rows = rows.assign(rounds=rows["lane_miles"] * rows["rounds_planned"])
    for one in _summed(rows, by_route, ["lane_miles", "treated", "planned_lb", "rounds"]):
        key = one.route_id, one.material
        total = sums.get(key)
        applied, low, high = (
            float(total[name]) if total else 0.0
            for name in ("applied_lb", "applied_lo_lb", "applied_hi_lb")
        )
        yield _Stretch(
            route_id=str(one.route_id),
            material=str(one.material),
            count=one.count_,
            lane_miles=one.lane_miles,
            applied_lb=applied,
            low_lb=low,
            high_lb=high,
            planned_lb=one.planned_lb,
            rounds=one.rounds / one.lane_miles,
            made=one.treated / one.lane_miles,
            rate=applied / one.treated if one.treated > 0.0 else math.nan,
            planned_rate=one.planned_lb / one.rounds if one.rounds > 0.0 else math.nan,
            areas=", ".join(areas.get(key, ())),
            truck=str(main.get(key, "")),
        )


def _summed(rows: pd.DataFrame, keys: list[str], numbers: list[str]) -> Iterator[Any]:
    """Sums of columns and the count of rows, ``count_``, by keys, in their order: in one go."""
    groups = rows.groupby(keys, sort=True)
    return lines(groups[numbers].sum().assign(count_=groups.size()).reset_index())


def _each(rows: pd.DataFrame, keys: list[str], column: str) -> dict[Any, list[Any]]:
    """The different cells of a column for each value of the keys, in the order of the rows."""
    found: dict[Any, list[Any]] = {}
    for *key, cell in rows[[*keys, column]].drop_duplicates().itertuples(index=False):
        found.setdefault(key[0] if len(key) == 1 else tuple(key), []).append(cell)
    return found


def _too_much(use: StormUse, rows: pd.DataFrame, confidence: float) -> Iterator[Weighed]:
    over = rows[rows["kind"] == "over"]
    wrong = set(use.trucks.loc[use.trucks["test_again"].astype(bool), "truck_id"])
    sure_pct = 100.0 * confidence
    for one in _stretches(use, over):
        several = one.count > 1
        sure = (
            remark("sure_on_each", sure_pct=sure_pct)
            if several
            else remark("sure_too_much", sure_pct=sure_pct)
        )
        yield _weighed(
            one.subject,
            remark(
                "more_than_planned",
                excess_lb=one.applied_lb - one.planned_lb,
                material=one.material,
            ),
            (*_put_down(one), *_cause(one), sure),
            _over_advice(one, one.truck in wrong),
            max(one.low_lb - one.planned_lb, 0.0),
            SENSITIVE if one.areas else ROAD,
        )


def _more_rounds(use: StormUse, rows: pd.DataFrame) -> Iterator[Weighed]:
    """More than the plan because it was spread more often, each round within its rate."""
    surely = rows[(rows["kind"] == MORE_ROUNDS_KIND) & (rows["verdict"] == "over")]
    for one in _stretches(use, surely):
        excess_lb = one.applied_lb - one.planned_lb
        yield _weighed(
            one.subject,
            remark("more_by_rounds", cause=MORE_ROUNDS, excess_lb=excess_lb, material=one.material),
            (*_put_down(one), *_cause(one), remark("rate_not_shown")),
            (remark("ask_about_rounds"),),
            max(one.low_lb - one.planned_lb, 0.0),
            SENSITIVE if one.areas else ROAD,
        )


def _put_down(one: _Stretch) -> tuple[Remark, ...]:
    if one.applied_lb < NOTHING_SHARE * one.planned_lb:
        if one.applied_lb > 0.0:
            return (remark("hardly_put_down", planned_lb=one.planned_lb),)
        return (remark("none_put_down", planned_lb=one.planned_lb),)
    said = remark(
        "put_down",
        segments=one.count,
        lane_miles=one.lane_miles,
        applied_lb=one.applied_lb,
        ends=(one.low_lb, one.high_lb),
        planned_lb=one.planned_lb,
    )
    return (said, remark("spread_by", truck=one.truck)) if one.truck else (said,)


def _cause(one: _Stretch) -> tuple[Remark, ...]:
    """How rounds and rate compare with the plan; nothing where nothing was put down."""
    if not (one.rate > 0.0 and one.planned_rate > 0.0):
        return ()
    said = remark(
        "rounds_and_rate",
        made=one.made,
        wanted=one.rounds,
        rate_lb_per_lane_mile=one.rate,
        planned_lb_per_lane_mile=one.planned_rate,
    )
    return (said,)


def _over_advice(one: _Stretch, wrong: bool) -> Iterator[Remark]:
    if wrong:
        yield remark("test_before_blame", truck=one.truck)
    by_rate = one.rate > (1.0 + CLEARLY) * one.planned_rate
    by_rounds = one.made > (1.0 + CLEARLY) * one.rounds
    if by_rate and by_rounds:
        yield remark("ask_about_both", truck=one.driver)
    elif by_rate:
        yield remark("ask_about_rate", truck=one.driver)
    elif by_rounds:
        yield remark("ask_about_rounds")
    else:
        yield remark("ask_about_settings")


def _too_little(use: StormUse, rows: pd.DataFrame) -> Iterator[Weighed]:
    for one in _stretches(use, rows[rows["is_missed"] & (rows["verdict"] == "under")]):
        yield _weighed(
            one.subject,
            remark("next_to_untreated", segments=one.count, lane_miles=one.lane_miles),
            (*_put_down(one), remark("was_heard")),
            (remark("ask_if_closed"),),
            max(one.planned_lb - one.high_lb, 0.0),
            MISSED,
        )
    for one in _stretches(use, rows[~rows["is_missed"] & (rows["verdict"] == "under")]):
        few = one.made < (1.0 - CLEARLY) * one.rounds
        short_lb = one.planned_lb - one.applied_lb
        advice = (
            remark("ask_about_few_rounds") if few else remark("look_at_the_gate", truck=one.driver)
        )
        yield _weighed(
            one.subject,
            remark("less_than_planned", short_lb=short_lb, material=one.material),
            (*_put_down(one), *_cause(one)),
            (advice,),
            max(one.planned_lb - one.high_lb, 0.0),
            ROAD,
        )


def _unheard(rows: pd.DataFrame) -> Iterator[Weighed]:
    """Planned segments on which nobody can say what happened."""
    unknown = rows[(rows["verdict"] == "unknown") & (rows["reason"] != NO_PLAN)]
    unknown = unknown.assign(
        lacking_lb=(unknown["planned_lb"] - unknown["applied_lb"]).clip(lower=0.0)
    )
    why = _each(unknown, ["route_id"], "reason")
    numbers = ["lane_miles", "planned_lb", "applied_lb", "lacking_lb"]
    for one in _summed(unknown, ["route_id"], numbers):
        reasons = sorted(why[one.route_id], key=lambda reason: str(reason.code))
        another = set(reasons) == {OTHER_MATERIAL}
        yield _weighed(
            remark("of_route", route=one.route_id),
            remark("not_judged", segments=one.count_, lane_miles=one.lane_miles),
            (
                remark("because", reasons=reasons),
                remark("heard_of", planned_lb=one.planned_lb, applied_lb=one.applied_lb),
            ),
            (remark("look_for_other_name") if another else remark("look_for_records"),),
            one.lacking_lb,
            ROAD,
        )


def _without_plan(rows: pd.DataFrame) -> Iterator[Weighed]:
    """Mass where the plan has none; without any plan there is nothing to say."""
    if not rows["planned_lb"].notna().any():
        return
    extra = rows[(rows["reason"] == NO_PLAN) & (rows["applied_lb"] > 0.0)]
    keys = ["route_id", "material"]
    drivers = _each(extra, keys, "trucks")
    for one in _summed(extra, keys, ["applied_lb", "applied_lo_lb"]):
        texts = drivers[one.route_id, one.material]
        trucks = sorted({name for text in texts for name in text.split(";")})
        yield _weighed(
            remark("of_route", route=one.route_id),
            remark("none_was_planned", applied_lb=one.applied_lb, material=one.material),
            (remark("on_segments_by", segments=one.count_, trucks=trucks),),
            (remark("ask_about_material"),),
            one.applied_lo_lb,
            ROAD,
        )


def _off_route(use: StormUse) -> Iterator[Weighed]:
    off = use.parts[(use.parts["segment_id"] == OFF_ROUTE) & (use.parts["reported_lb"] > 0.0)]
    unplaced = off["unplaced_lb"] / off["reported_lb"]
    for row in _masses(off, 1.0 - unplaced):
        ends = (row.applied_lo_lb, row.applied_hi_lb)
        yield _weighed(
            _truck(row),
            remark("on_no_route", applied_lb=row.applied_lb),
            (remark("released_away", applied_lb=row.applied_lb, ends=ends),),
            (remark("look_at_points"),),
            row.applied_lo_lb,
            ROAD,
        )
    for row in _masses(off, unplaced):
        ends = (row.applied_lo_lb, row.applied_hi_lb)
        yield _weighed(
            _truck(row),
            remark("at_no_place", applied_lb=row.applied_lb),
            (remark("released_unseen", applied_lb=row.applied_lb, ends=ends),),
            (remark("look_at_receiver"),),
            row.applied_lo_lb,
            BOOKS,
        )


def _truck(row: Any) -> Remark:
    return remark("truck_with", truck=row.truck_id, material=row.material)


def _masses(parts: pd.DataFrame, share: pd.Series[float]) -> Iterator[Any]:
    """A share of each part, summed by truck and material as `summed_applied` does."""
    masses = [name for name in parts.columns if name.endswith("_lb")]
    some = parts.assign(**{name: parts[name] * share for name in masses})[share > 0.0]
    if len(some):
        yield from lines(summed_applied(some, ["truck_id", "material"]).reset_index())


def _piles(use: StormUse) -> Iterator[Weighed]:
    by_truck = use.piles.drop(columns="geometry").groupby("truck_id", sort=True)["mass_lb"]
    for row in lines(by_truck.agg(["sum", "size", "idxmax"]).reset_index()):
        worst = use.piles.loc[row.idxmax]
        largest = remark(
            "largest_pile",
            piles=row.size,
            largest_lb=float(worst["mass_lb"]),
            route=worst["route_id"],
            segment=worst["segment_id"],
        )
        yield _weighed(
            remark("of_truck", truck=row.truck_id),
            remark("released_standing", mass_lb=float(row.sum)),
            (largest,),
            (remark("stop_the_feeder"),),
            row.sum,
            ROAD,
        )


def _ahead_of_plow(treatments: pd.DataFrame) -> Iterator[Weighed]:
    """Material that a plow took off before it could work, by route and material."""
    if treatments.empty:
        return
    for (route, material), rows in treatments.groupby(["route_id", "material"], sort=True):
        low, off, high = (float(rows[f"off{end}_lb"].sum()) for end in ("_lo", "", "_hi"))
        segments = list(dict.fromkeys(rows["segment_id"]))
        evidence = remark(
            "plowed_off",
            treatments=len(rows),
            spread_by=sorted(set(rows["truck_id"])),
            segments=segments,
            plowed_by=sorted(set(rows["plow_truck_id"])),
            when=_minutes_later(rows["minutes"]),
            ends=(low, high),
        )
        yield _weighed(
            remark("of_route", route=route),
            remark("put_down_ahead_of_plow", off_lb=off, material=material),
            (evidence,),
            (remark("plow_first"),),
            low,
            ROAD,
        )


def _minutes_later(minutes: pd.Series[float]) -> Remark:
    soonest, latest = round(float(minutes.min()), 1), round(float(minutes.max()), 1)
    if soonest == latest:
        return remark("after_minutes", minutes=soonest)
    return remark("after_minutes_between", soonest=soonest, latest=latest)


# --- controllers, tickets, stock ---------------------------------------------------------------


def _liquid(trucks: pd.DataFrame) -> Iterator[Weighed]:
    """Trucks whose prewetting liquid did not run as set: the solid that went without counts."""
    look = remark("look_at_prewet")
    wrong = {LITTLE: look, NONE: look, MUCH: remark("look_at_liquid_setting")}
    for truck in lines(trucks[trucks["prewet_verdict"].isin(list(wrong))]):
        put, wanted = float(truck.prewet_gal), float(truck.prewet_set_gal)
        share = min(abs(put - wanted) / wanted, 1.0) if wanted > 0.0 else 1.0
        what = remark(
            "liquid_missing",
            mass_lb=float(truck.reported_lb),
            material=truck.material,
            set_gal=wanted,
            put_gal=put,
        )
        yield _weighed(
            remark("of_truck", truck=truck.truck_id),
            what,
            (),
            (wrong[truck.prewet_verdict],),
            share * truck.reported_lb,
            ROAD,
        )


def _trucks(trucks: pd.DataFrame) -> Iterator[Weighed]:
    for row in lines(trucks):
        reported_lb = float(row.reported_lb)
        net_lb = float(row.loaded_lb - row.returned_lb)
        accounts = remark("tickets_account_for", accounted_lb=net_lb)
        both = remark("reported_and_ticketed", reported_lb=reported_lb, accounted_lb=net_lb)
        about, advice = _truck(row), (row.advice,)
        if row.test_again and reported_lb > 0.0:
            nearest = row.season_lo if row.season_ratio > 1.0 else row.season_hi
            sure_lb = abs(nearest - 1.0) * reported_lb
            yield _weighed(about, *_wrong_ratio(row), advice, sure_lb, METER)
        elif row.verdict == INCOMPLETE:
            what = remark("records_fall_short")
            yield _weighed(about, what, (both,), advice, max(net_lb - reported_lb, 0.0), BOOKS)
        elif row.verdict == CONTESTED:
            what = remark("tickets_disagree")
            yield _weighed(about, what, (both,), advice, abs(net_lb - reported_lb), BOOKS)
        elif reported_lb <= 0.0 and net_lb > 0.0:
            yield _weighed(about, remark("reported_nothing"), (accounts,), advice, net_lb, METER)
        elif row.verdict in (MISSING, NO_TICKETS):
            low_lb = max(row.ratio_lo * reported_lb - net_lb, 0.0)
            missing = row.verdict == MISSING
            what = remark("tickets_missing") if missing else remark("no_tickets")
            yield _weighed(about, what, (_presumed(row, net_lb),), advice, low_lb, BOOKS)


def _wrong_ratio(row: Any) -> tuple[Remark, tuple[Remark, ...]]:
    """What is wrong with a truck's reports, and the evidence."""
    ratio = float(row.season_ratio)
    little = ratio > 1.0
    evidence = remark(
        "ratio_of_season",
        low=float(row.season_lo),
        high=float(row.season_hi),
        storms=int(row.storms),
        ratio=float(row.ratio),
        reported_lb=float(row.reported_lb),
        true_lb=float(row.ratio * row.reported_lb),
    )
    what = (
        remark("reports_too_little", ratio=ratio)
        if little
        else remark("reports_too_much", ratio=ratio)
    )
    return what, (evidence,)


def _presumed(row: Any, net_lb: float) -> Remark:
    """What a truck put down beyond its tickets."""
    missing = row.verdict == MISSING
    return remark(
        "partly_presumed",
        true_lb=float(row.ratio * row.reported_lb),
        presumed_lb=float(row.without_ticket_lb),
        accounted=remark("mass_accounted", accounted_lb=net_lb)
        if row.loads
        else remark("nothing_accounted"),
        chance=(remark("chance_missing", chance=float(row.p_missing)),) if missing else (),
    )


def _yards(balance: pd.DataFrame) -> Iterator[Weighed]:
    wrong = ("more delivered than recorded", "more used than recorded")
    for row in lines(balance[balance["verdict"].isin(wrong)]):
        difference, u, counted, expected = (
            POUNDS_PER_TON * float(value)
            for value in (
                row.difference_ton,
                row.difference_u_ton,
                row.counted_ton,
                row.expected_ton,
            )
        )
        more = difference > 0.0
        evidence = remark(
            "counted_and_expected",
            counted_lb=counted,
            until=row.counted_at,
            expected_lb=expected,
            since=row.opening_at,
            difference=(difference, 2.0 * u),
        )
        yield _weighed(
            remark("yard_with", yard=row.yard_id, material=row.material),
            remark(
                "books_say",
                difference_lb=abs(difference),
                more=remark("more") if more else remark("less"),
            ),
            (evidence,),
            (remark("count_after_delivery") if more else remark("count_after_loads"),),
            max(abs(difference) - 2.0 * u, 0.0),
            BOOKS,
        )


def _jumps(left_out_lb: Mapping[str, float]) -> Iterator[Weighed]:
    for truck, mass in sorted(left_out_lb.items()):
        if mass > 0.0:
            yield _weighed(
                remark("of_truck", truck=truck),
                remark("total_jumped", mass_lb=mass),
                (remark("jump_left_out"),),
                (remark("look_at_the_counter"),),
                mass,
                BOOKS,
            )
