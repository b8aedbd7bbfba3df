"""What matters most in a storm's use of material, in plain words, ranked by consequence.

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
from spreadplan.reconcile.storm import OFF_ROUTE, StormUse
from spreadplan.reconcile.true_mass import CONTESTED, INCOMPLETE
from spreadplan.reconcile.verdicts import CLEARLY, MORE_ROUNDS, MORE_ROUNDS_KIND, OTHER_MATERIAL
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import Display, as_text, percent, plural
from spreadplan.views.use_segments import NO_PLAN

SENSITIVE, MISSED, ROAD, METER, BOOKS = 4.0, 4.0, 1.0, 1.0, 0.25
"""What a mass in question weighs: too much in a sensitive area, a road left untreated, wrong by
plan, wrong by the controller, missing in the books only. Common practice, no source."""
WEIGHTS_IN_WORDS: Final = (
    "Findings are ranked by the mass that is surely in question (the end of the 95 % interval "
    f"nearest to none), counted {SENSITIVE:g} times where too much lies in a sensitive area or a "
    f"road was left untreated, and {BOOKS:g} times where only a ticket or a count is missing."
)
LEAST_LB: Final = 200.0
"""A smaller weighted mass is no finding to act on; it stands in the tables. Common practice, no
source."""
NOTHING_SHARE: Final = 0.01


@dataclass(frozen=True)
class Finding:
    """One thing to act on.

    headline, evidence, advice : in the reader's units. sure_lb : mass that is surely in question.
    weight : what such mass means.
    """

    headline: str
    evidence: str
    advice: str
    sure_lb: float
    weight: float

    @property
    def consequence_lb(self) -> float:
        """What findings are ranked by."""
        return self.weight * self.sure_lb


def findings(
    use: StormUse,
    rows: pd.DataFrame,
    left_out_lb: Mapping[str, float],
    confidence: float,
    shown: Display,
) -> list[Finding]:
    """Everything to act on, the gravest first.

    Parameters
    ----------
    rows : segments as `use_segments.with_plan` returns them.
    left_out_lb : impossible jumps of each truck's running total.
    confidence : of the policy's decision rule.
    """
    found: Iterable[Finding] = (
        *_too_much(use, rows, confidence, shown),
        *_more_rounds(use, rows, shown),
        *_too_little(use, rows, shown),
        *_unheard(rows, shown),
        *_without_plan(rows, shown),
        *_off_route(use, shown),
        *_piles(use, shown),
        *_trucks(use.trucks, shown),
        *_yards(use.balance, shown),
        *_jumps(left_out_lb, shown),
    )
    grave = (one for one in found if one.consequence_lb >= LEAST_LB)
    return sorted(grave, key=lambda one: (-one.consequence_lb, one.headline))


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


def _each(rows: pd.DataFrame, keys: list[str], column: str) -> dict[Any, list[str]]:
    """The different texts of a column for each value of the keys, in the order of the rows."""
    found: dict[Any, list[str]] = {}
    for *key, text in rows[[*keys, column]].drop_duplicates().itertuples(index=False):
        found.setdefault(key[0] if len(key) == 1 else tuple(key), []).append(str(text))
    return found


def _too_much(
    use: StormUse, rows: pd.DataFrame, confidence: float, shown: Display
) -> Iterator[Finding]:
    over = rows[rows["kind"] == "over"]
    wrong = set(use.trucks.loc[use.trucks["test_again"].astype(bool), "truck_id"])
    for one in _stretches(use, over):
        excess = shown.show(one.applied_lb - one.planned_lb, "bulk")
        inside = f", sensitive area {one.areas}" if one.areas else ""
        yield Finding(
            f"Route {one.route_id}{inside}: {excess} of {one.material} more than planned",
            f"{_put_down(one, shown)} {_cause(one, shown)} {_sure(one.count, confidence)}",
            _over_advice(one, one.truck in wrong),
            max(one.low_lb - one.planned_lb, 0.0),
            SENSITIVE if one.areas else ROAD,
        )


def _more_rounds(use: StormUse, rows: pd.DataFrame, shown: Display) -> Iterator[Finding]:
    """More than the plan because it was spread more often, each round within its rate."""
    surely = rows[(rows["kind"] == MORE_ROUNDS_KIND) & (rows["verdict"] == "over")]
    for one in _stretches(use, surely):
        excess = shown.show(one.applied_lb - one.planned_lb, "bulk")
        inside = f", sensitive area {one.areas}" if one.areas else ""
        yield Finding(
            f"Route {one.route_id}{inside}: {MORE_ROUNDS}, {excess} of {one.material}",
            f"{_put_down(one, shown)} {_cause(one, shown)} That the rate of a round was too high "
            "is not shown.",
            "Ask why it was spread more often than planned; conditions on the road may have called "
            "for it.",
            max(one.low_lb - one.planned_lb, 0.0),
            SENSITIVE if one.areas else ROAD,
        )


def _put_down(one: _Stretch, shown: Display) -> str:
    interval = shown.show_range(one.low_lb, one.high_lb, "bulk")
    planned = f"{shown.show(one.planned_lb, 'bulk')} were planned"
    if one.applied_lb < NOTHING_SHARE * one.planned_lb:
        return f"{'Next to n' if one.applied_lb > 0.0 else 'N'}othing was put down where {planned}."
    segments = plural(one.count, "segment")
    driver = f" Spread by {one.truck}." if one.truck else ""
    return (
        f"On {segments} ({shown.show(one.lane_miles, 'lane_distance')}) the true mass is "
        f"{shown.show(one.applied_lb, 'bulk')} (95 %: {interval}) where "
        f"{planned}.{driver}"
    )


def _sure(count: int, confidence: float) -> str:
    least = f"at least {100.0 * confidence:g} % sure"
    return f"That it is too much is {least}{' on each of them' if count > 1 else ''}."


def _cause(one: _Stretch, shown: Display) -> str:
    """How rounds and rate compare with the plan; "" where nothing was put down."""
    if not (one.rate > 0.0 and one.planned_rate > 0.0):
        return ""
    rate, planned = (shown.show(value, "rate") for value in (one.rate, one.planned_rate))
    made, wanted = (as_text(value, 1, plain=True) for value in (one.made, one.rounds))
    rounds = f"Rounds made: {made}, planned: {wanted}"
    return f"{rounds}; mean rate {rate}, {planned} planned."


def _over_advice(one: _Stretch, wrong: bool) -> str:
    causes = []
    if one.rate > (1.0 + CLEARLY) * one.planned_rate:
        causes.append(f"the rate that was set in {one.truck or 'the truck'} on this route")
    if one.made > (1.0 + CLEARLY) * one.rounds:
        causes.append("why it was spread more often than planned")
    look = " and ".join(causes) or "the settings of this route"
    first = (
        f"{one.truck}'s controller reports wrongly: test it before anything is said of the driver. "
        if wrong
        else ""
    )
    return f"{first}Ask about {look}; conditions on the road may have called for it."


def _too_little(use: StormUse, rows: pd.DataFrame, shown: Display) -> Iterator[Finding]:
    for one in _stretches(use, rows[rows["is_missed"] & (rows["verdict"] == "under")]):
        yield Finding(
            f"Route {one.route_id}: {plural(one.count, 'segment')} "
            f"({shown.show(one.lane_miles, 'lane_distance')}) next to untreated",
            f"{_put_down(one, shown)} The truck was heard on its way, so it is not for want of "
            "records.",
            "Ask whether it was closed, plowed only, or taken by another truck; if not, treat it "
            "first next time.",
            max(one.planned_lb - one.high_lb, 0.0),
            MISSED,
        )
    for one in _stretches(use, rows[~rows["is_missed"] & (rows["verdict"] == "under")]):
        short = shown.show(one.planned_lb - one.applied_lb, "bulk")
        yield Finding(
            f"Route {one.route_id}: {short} of {one.material} less than planned",
            f"{_put_down(one, shown)} {_cause(one, shown)}",
            _under_advice(one),
            max(one.planned_lb - one.high_lb, 0.0),
            ROAD,
        )


def _under_advice(one: _Stretch) -> str:
    if one.made < (1.0 - CLEARLY) * one.rounds:
        return "Ask why it was spread less often than planned."
    return f"Look at the rate and the gate that were set in {one.truck or 'the truck'}."


def _unheard(rows: pd.DataFrame, shown: Display) -> Iterator[Finding]:
    """Planned segments on which nobody can say what happened."""
    unknown = rows[(rows["verdict"] == "unknown") & (rows["reason"] != NO_PLAN)]
    unknown = unknown.assign(
        lacking_lb=(unknown["planned_lb"] - unknown["applied_lb"]).clip(lower=0.0)
    )
    why = _each(unknown, ["route_id"], "reason")
    numbers = ["lane_miles", "planned_lb", "applied_lb", "lacking_lb"]
    for one in _summed(unknown, ["route_id"], numbers):
        reasons = " and ".join(sorted(why[one.route_id]))
        planned, heard = (shown.show(mass, "bulk") for mass in (one.planned_lb, one.applied_lb))
        yield Finding(
            f"Route {one.route_id}: {plural(one.count_, 'segment')} "
            f"({shown.show(one.lane_miles, 'lane_distance')}) can't be judged",
            f"{reasons[:1].upper()}{reasons[1:]}: {planned} were planned, {heard} were heard of.",
            _unheard_advice(set(why[one.route_id])),
            one.lacking_lb,
            ROAD,
        )


def _unheard_advice(reasons: set[str]) -> str:
    if reasons == {OTHER_MATERIAL}:
        return (
            "See whether the route got another material, or the controller or materials.csv calls "
            "it by another name."
        )
    return "Look for records that were not sent, and at the receiver and antenna of the truck."


def _without_plan(rows: pd.DataFrame, shown: Display) -> Iterator[Finding]:
    """Mass where the plan has none; without any plan there is nothing to say."""
    if not rows["planned_lb"].notna().any():
        return
    extra = rows[(rows["reason"] == NO_PLAN) & (rows["applied_lb"] > 0.0)]
    keys = ["route_id", "material"]
    drivers = _each(extra, keys, "trucks")
    for one in _summed(extra, keys, ["applied_lb", "applied_lo_lb"]):
        mass = shown.show(one.applied_lb, "bulk")
        texts = drivers[one.route_id, one.material]
        trucks = ", ".join(sorted({name for text in texts for name in text.split(";")}))
        yield Finding(
            f"Route {one.route_id}: {mass} of {one.material} where none was planned",
            f"On {plural(one.count_, 'segment')}, by {trucks}.",
            "Ask whether the route got another material, or a truck another's route.",
            one.applied_lo_lb,
            ROAD,
        )


def _off_route(use: StormUse, shown: Display) -> Iterator[Finding]:
    off = use.parts[(use.parts["segment_id"] == OFF_ROUTE) & (use.parts["reported_lb"] > 0.0)]
    unplaced = off["unplaced_lb"] / off["reported_lb"]
    for row in _masses(off, 1.0 - unplaced):
        mass = shown.show(row.applied_lb, "bulk")
        yield Finding(
            f"{row.truck_id}: {mass} of {row.material} on no route",
            f"True mass {mass} (95 %: "
            f"{shown.show_range(row.applied_lo_lb, row.applied_hi_lb, 'bulk')}) was "
            "released away from every segment of the routes.",
            "See on a map where the points of use_points.parquet without a segment lie: a yard, a "
            "private place, or a road that is missing in the routes.",
            row.applied_lo_lb,
            ROAD,
        )
    for row in _masses(off, unplaced):
        mass = shown.show(row.applied_lb, "bulk")
        yield Finding(
            f"{row.truck_id}: nobody knows where {mass} of {row.material} lies",
            f"True mass {mass} (95 %: "
            f"{shown.show_range(row.applied_lo_lb, row.applied_hi_lb, 'bulk')}) was released where "
            "the truck had no position, none that can be believed, or no way from one to the next. "
            "It counts for the truck. Segments that may lack just this mass are not judged.",
            "Look at the receiver and antenna of the truck, and whether the positions are degrees "
            "of longitude and latitude.",
            row.applied_lo_lb,
            BOOKS,
        )


def _masses(parts: pd.DataFrame, share: pd.Series[float]) -> Iterator[Any]:
    """A share of each part, summed by truck and material as `summed_applied` does."""
    masses = [name for name in parts.columns if name.endswith("_lb")]
    some = parts.assign(**{name: parts[name] * share for name in masses})[share > 0.0]
    if len(some):
        yield from lines(summed_applied(some, ["truck_id", "material"]).reset_index())


def _piles(use: StormUse, shown: Display) -> Iterator[Finding]:
    by_truck = use.piles.drop(columns="geometry").groupby("truck_id", sort=True)["mass_lb"]
    for row in lines(by_truck.agg(["sum", "size", "idxmax"]).reset_index()):
        worst = use.piles.loc[row.idxmax]
        yield Finding(
            f"{row.truck_id}: {shown.show(row.sum, 'bulk')} released standing still",
            f"{plural(row.size, 'pile')}, the largest {shown.show(worst['mass_lb'], 'mass')} on "
            f"route {worst['route_id']}, segment {worst['segment_id']} (reported mass).",
            "See whether the feeder stops when the truck does; clear the piles away.",
            float(row.sum),
            ROAD,
        )


# --- controllers, tickets, stock ---------------------------------------------------------------


def _trucks(trucks: pd.DataFrame, shown: Display) -> Iterator[Finding]:
    for row in lines(trucks):
        net_lb = row.loaded_lb - row.returned_lb
        advice = f"{row.advice[:1].upper()}{row.advice[1:]}."
        true = shown.show(row.ratio * row.reported_lb, "bulk")
        reported = shown.show(row.reported_lb, "bulk")
        if row.test_again and row.reported_lb > 0.0:
            nearest = row.season_lo if row.season_ratio > 1.0 else row.season_hi
            yield Finding(
                f"{row.truck_id} {row.verdict}: over the season the true mass of {row.material} is "
                f"{row.season_ratio:.2f} times what it says",
                f"95 % over the season: {row.season_lo:.2f} to {row.season_hi:.2f}, from the "
                f"tickets of {plural(int(row.storms), 'storm')}. In this storm it was "
                f"{row.ratio:.2f} times: {reported} reported, {true} put down.",
                advice,
                abs(nearest - 1.0) * row.reported_lb,
                METER,
            )
        elif row.verdict == INCOMPLETE:
            yield Finding(
                f"{row.truck_id}: its records do not tell all {row.material} that it put down",
                f"It reported {reported}; its tickets account for {shown.show(net_lb, 'bulk')}.",
                advice,
                max(net_lb - row.reported_lb, 0.0),
                BOOKS,
            )
        elif row.verdict == CONTESTED:
            yield Finding(
                f"{row.truck_id}: tickets and reports of {row.material} disagree",
                f"Its tickets account for {shown.show(net_lb, 'bulk')}; it reported {reported}.",
                advice,
                abs(net_lb - row.reported_lb),
                BOOKS,
            )
        elif row.reported_lb <= 0.0 and net_lb > 0.0:
            yield Finding(
                f"{row.truck_id} reported no {row.material} although it was loaded",
                f"Its tickets account for {shown.show(net_lb, 'bulk')}.",
                advice,
                net_lb,
                METER,
            )
        elif row.verdict in ("tickets missing", "no tickets"):
            accounted = shown.show(net_lb, "bulk") if row.loads else "nothing"
            low_lb = max(row.ratio_lo * row.reported_lb - net_lb, 0.0)
            yield Finding(
                f"{row.truck_id}: "
                + (
                    f"tickets of {row.material} are missing"
                    if row.verdict == "tickets missing"
                    else f"no tickets of {row.material}"
                ),
                f"It put down {true}, {shown.show(row.without_ticket_lb, 'bulk')} of it presumed: "
                f"its tickets account for {accounted}"
                + (
                    f" (probability that one is missing: {percent(row.p_missing, 3)})."
                    if row.verdict == "tickets missing"
                    else "."
                ),
                advice,
                low_lb,
                BOOKS,
            )


YARD_ADVICE: Final = {
    "more delivered than recorded": "Look for a delivery that nobody wrote down, then count again.",
    "more used than recorded": "Look for loads without a ticket and for loss from the pile, then "
    "count again.",
}


def _yards(balance: pd.DataFrame, shown: Display) -> Iterator[Finding]:
    for row in lines(balance[balance["verdict"].isin(list(YARD_ADVICE))]):
        difference, u, counted, expected = (
            POUNDS_PER_TON * value
            for value in (
                row.difference_ton,
                row.difference_u_ton,
                row.counted_ton,
                row.expected_ton,
            )
        )
        more = "more" if difference > 0.0 else "less"
        yield Finding(
            f"Yard {row.yard_id}: {shown.show(abs(difference), 'bulk')} {more} {row.material} than "
            "the books say",
            f"{shown.show(counted, 'bulk')} were counted on {shown.date(row.counted_at)}, "
            f"{shown.show(expected, 'bulk')} expected from the count of "
            f"{shown.date(row.opening_at)} and all tickets since. The difference is "
            f"{shown.show_pm(difference, 2.0 * u, 'bulk')} (95 %).",
            YARD_ADVICE[row.verdict],
            max(abs(difference) - 2.0 * u, 0.0),
            BOOKS,
        )


def _jumps(left_out_lb: Mapping[str, float], shown: Display) -> Iterator[Finding]:
    for truck, mass in sorted(left_out_lb.items()):
        if mass > 0.0:
            yield Finding(
                f"{truck}: {shown.show(mass, 'bulk')} of its running total could not be true",
                "Its total jumped by more than any feeder releases in that time. The jump is not "
                "counted as material.",
                "Look at the counter and its cable.",
                mass,
                BOOKS,
            )
