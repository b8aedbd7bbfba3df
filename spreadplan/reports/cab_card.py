"""Cab cards: what a driver needs for one run, large enough for a dark cab.

A run is one application of one route by one truck, and a card is one page for it: what to set at
the start, then the run as a strip with every change of the setting where it is. Nothing is left off
to make a card fit: the more changes, the smaller the print and the strip beside them.
"""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning.landmarks import landmarks
from spreadplan.planning.plan import StormPlan
from spreadplan.remarks import Remark, remark
from spreadplan.reports.cab_layout import Texts, arranged
from spreadplan.reports.render import html
from spreadplan.reports.strip_chart import strip_drawing
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.cab_strip import SIGNS, dial, is_liquid, strip_of
from spreadplan.views.display import NBSP, Display, as_text, file_names, short
from spreadplan.views.plan_rates import as_read, rate_text
from spreadplan.views.plan_totals import icy_runs, is_out_of_reach
from spreadplan.views.rate_sources import runs_from_memory
from spreadplan.views.run_times import RunTime, run_times
from spreadplan.views.setting import Setting
from spreadplan.views.voice import Voice

SPEED_STEPS: Final = (("10_mph_less", -10.0), ("5_mph_less", -5.0), ("", 0.0), ("5_mph_more", 5.0))
MOST_SPEED_ROWS: Final = 2
#: letters of the numbers to see at a glance that fit beside each other.
KEY_LETTERS: Final = 14
#: of a truck's runs so many are listed, those around the card's own.
MOST_RUNS: Final = 5
#: kinds of weather on a run, the coldest first.
MOST_WEATHER: Final = 3
#: pounds: joining short pieces is not worth a line below this.
LEAST_JOINED_LB: Final = 1.0
Stretches = Sequence[Any]
"""Rows of the plan's table of settings, in driving order."""
SpeedCell = tuple[str, str, bool]
"""A speed, the setting for it, and whether it is the planned one."""


@dataclass(frozen=True)
class CardIssue:
    """The issued plan that a card belongs to, and the issue whose card it replaces."""

    number: int
    replaces: int | None = None


@dataclass(frozen=True)
class SpeedRow:
    """Settings by speed that keep one rate."""

    rate: str
    cells: tuple[SpeedCell, ...]


@dataclass(frozen=True)
class RunLine:
    """A run of the truck among its others."""

    number: int
    when: str
    route: str
    application: str
    here: bool


@dataclass(frozen=True, kw_only=True)
class _Run:
    """One application of a route: its row of the plan, its stretches, where the hopper runs out,
    its weather, whether the road may be icy, whether a rate is from memory.
    """

    route: Any
    stretches: list[Any]
    reloads: list[Any]
    weather: tuple[Remark, ...]
    icy: bool
    from_memory: bool

    @property
    def spread(self) -> list[Any]:
        """The stretches on which material is to be spread."""
        return [one for one in self.stretches if one.target_rate_lb_per_lane_mile > 0]

    @property
    def closed(self) -> bool:
        """Whether the truck's controller holds the rate by itself."""
        return any(one.control == "closed_loop" for one in self.stretches) and not self.liquid

    @property
    def liquid(self) -> bool:
        """Whether liquid goes to the road."""
        return any(is_liquid(one) for one in self.stretches)


@dataclass(frozen=True, kw_only=True)
class _Cards:
    """What all cards of a plan are made from."""

    plan: StormPlan
    areas: Mapping[str, str]
    voice: Voice
    marks: Mapping[tuple[str, str], pd.DataFrame]
    times: Mapping[tuple[str, str], RunTime]
    starts: Mapping[tuple[str, str, str, int], float]
    setting: Setting
    issue: CardIssue | None

    @property
    def shown(self) -> Display:
        """How quantities are shown."""
        return self.voice.display


def cab_cards(
    plan: StormPlan,
    areas: pd.DataFrame,
    setting: Setting,
    as_of: pd.Timestamp,
    inputs_of: str = "",
    *,
    yards: pd.DataFrame | None = None,
    issue: CardIssue | None = None,
    only: Mapping[tuple[str, str], CardIssue | None] | None = None,
) -> Iterator[tuple[str, str]]:
    """A card for each run of the plan: a truck on a route in one application.

    Parameters
    ----------
    areas : sensitive areas: area_id, name.
    as_of : date of the data.
    inputs_of : when they were changed last, as text; no card made later from the same inputs says
        anything else.
    yards : yard_id, lon, lat: landmarks; None for none.
    issue : the issued plan that the cards belong to; None for a plan that was not issued.
    only : application and route of the cards that are made, with the issue of each; None: all.

    Yields
    ------
    Name of the card, safe as a file name without ending, and HTML. A run without a truck has none.
    """
    marks = _marks(plan, yards)
    plan = as_read(plan, setting.display)
    runs = _runs(plan)
    cards = _Cards(
        plan=plan,
        areas={str(area.area_id): str(area.name or area.area_id) for area in lines(areas)},
        voice=setting.voice,
        marks=marks,
        times=run_times(plan),
        starts=_starts(plan),
        setting=setting,
        issue=issue,
    )
    labels = ["_".join((one.route.truck_id, *key[::-1])) for key, one in runs.items()]
    # two runs may read alike ("A_B" + "C", "A" + "B_C"): the place in the list tells them apart
    often = Counter(labels)
    keys = [one if often[one] == 1 else f"{one} {place}" for place, one in enumerate(labels)]
    names = file_names(keys)
    for key, (own, run) in zip(keys, runs.items(), strict=True):
        if only is None:
            yield names[key], _page(cards, run, as_of, inputs_of)
        elif own in only:
            yield names[key], _page(replace(cards, issue=only[own]), run, as_of, inputs_of)


def _runs(plan: StormPlan) -> dict[tuple[str, str], _Run]:
    """By application and route, those with a truck. Rows become tuples once: a plan may have
    thousands of cards.
    """
    keys = ["application", "route_id"]
    weather: dict[tuple[str, str], list[Remark]] = {}
    icy = icy_runs(plan)
    columns = [*keys, "event", "pavement_temp_f", "precipitation_in"]
    every = plan.segments[columns].drop_duplicates()
    for row in lines(every.sort_values("pavement_temp_f", kind="stable")):
        key = (str(row.application), str(row.route_id))
        weather.setdefault(key, []).append(_weather(row))
    memory = runs_from_memory(plan)
    runs = {
        (str(route.application), str(route.route_id)): _Run(
            route=route,
            stretches=[],
            reloads=[],
            weather=tuple(dict.fromkeys(weather[route.application, route.route_id]))[:MOST_WEATHER],
            icy=(route.application, route.route_id) in icy,
            from_memory=(route.application, route.route_id) in memory,
        )
        for route in lines(plan.routes[plan.routes["truck_id"] != ""])
    }
    for name, table in (("stretches", plan.settings), ("reloads", plan.reloads)):
        for row in lines(table):
            run = runs.get((row.application, row.route_id))
            if run is not None:
                getattr(run, name).append(row)
    return runs


def _weather(row: Any) -> Remark:
    event = str(row.event).replace("_", " ")
    temperature = [remark("pavement_at", pavement_f=row.pavement_temp_f)]
    water = [remark("water_expected", water_in=row.precipitation_in)]
    return remark(
        "weather_of_run",
        event=event or "no forecast",
        pavement=temperature if math.isfinite(row.pavement_temp_f) else (),
        water=water if row.precipitation_in > 0.0 else (),
    )


def _marks(plan: StormPlan, yards: pd.DataFrame | None) -> dict[tuple[str, str], pd.DataFrame]:
    """Landmarks by application and route.

    The road is the same in every application, so they are worked out once, save where the rest of a
    storm has less of a route in one of them.
    """
    known = pd.DataFrame({"yard_id": [], "lon": [], "lat": []}) if yards is None else yards
    pairs = zip(plan.segments["segment_id"], plan.segments["part"], strict=True)
    parts = pd.Series(list(pairs), index=plan.segments.index, dtype=object)
    roads = plan.segments.drop_duplicates(["route_id", "segment_id", "part"])
    found: dict[tuple[str, str], pd.DataFrame] = {}
    same: dict[tuple[str, tuple[tuple[str, int], ...]], pd.DataFrame] = {}
    for label, rows in plan.segments.groupby("application", sort=False):
        road = parts[rows.index].groupby(rows["route_id"]).agg(tuple)
        new = [route for route, way in road.items() if (route, way) not in same]
        # what crosses a route is there, whether it is left to do or not
        others = roads[~parts[roads.index].isin(parts[rows.index])]
        others = others.assign(route_id="\0" + others["route_id"])
        whole = pd.concat([rows, others]) if len(others) else rows
        marked = landmarks(whole if new else whole.iloc[:0], known)
        # a road without a name is called by its route
        marked["name"] = marked["name"].astype(str).str.replace("\0", "", regex=False)
        by_route = dict(list(marked.groupby("route_id")))
        for route, way in road.items():
            if route in new and route in by_route:
                same[str(route), way] = by_route[route]
            if (route, way) in same:
                found[str(label), str(route)] = same[str(route), way]
    return found


def _starts(plan: StormPlan) -> dict[tuple[str, str, str, int], float]:
    """Where each part begins along its run, and its segment would: miles since the start."""
    every = plan.segments
    begin = every.groupby(["application", "route_id"], sort=False)["length_mi"].cumsum()
    begin = begin - every["length_mi"] - every["from_mi"]
    keys = [every[name] for name in ("application", "route_id", "segment_id", "part")]
    return dict(zip(zip(*keys, strict=True), begin, strict=True))


def _page(cards: _Cards, run: _Run, as_of: pd.Timestamp, inputs_of: str) -> str:
    route, shown = run.route, cards.shown
    reloads = tuple(_reload(cards, one) for one in run.reloads)
    strip = strip_of(
        run.stretches,
        cards.marks.get((route.application, route.route_id)),
        cards.areas,
        reloads,
        cards.voice,
    )
    words = _texts(cards, run)
    speeds = () if run.closed or run.liquid else _by_speed(run.stretches, shown, faster=not run.icy)
    layout = arranged(words, len(speeds), len(_truck_runs(cards, run)), cards.setting.paper)
    drawn = strip_drawing(strip, layout.width_pt, layout.strip_pt, "strip")
    content = dict(
        title=f"Cab card, truck {route.truck_id}, route {route.route_id}, "
        f"application {route.application}",
        **cards.setting.context(as_of),
        truck=route.truck_id,
        route=route.route_id,
        application=route.application,
        material=cards.voice.material(route.material),
        yard=route.yard_id,
        storm=cards.voice.storm(cards.plan.storm),
        inputs_of=inputs_of,
        issue=cards.issue,
        key_names=_key_names(run, shown),
        keys=_key_numbers(run, shown),
        marks=words,
        tight=layout.tight,
        speeds=speeds,
        speed_gate=cards.voice.say_all(_gate(run.spread)),
        strip=drawn.svg(),
        runs=_truck_runs(cards, run),
        call=cards.setting.call,
        controller=_controller(run, cards.voice),
        nothing=cards.voice.say(
            remark("nothing_to_set") if run.spread else remark("nothing_to_spread")
        ),
        from_memory=run.from_memory,
        rate_place=0 if run.liquid else 1 if run.closed else 2,
    )
    return html("cab_card.html", code=_code(content), **content)


def _code(content: Mapping[str, Any]) -> str:
    """Four letters or digits that tell a card from one that says anything else."""
    return hashlib.sha256(repr(sorted(content.items())).encode()).hexdigest()[:4].upper()


# --- what stands where -------------------------------------------------------------------------


def _texts(cards: _Cards, run: _Run) -> Texts:
    """The sentences of a card, by where they stand."""
    say = cards.voice.say
    notes = [*_gate_note(cards, run), *_width_note(run.spread), *_speed_note(run, cards.shown)]
    notes += [remark("may_be_icy")] if run.icy and run.spread else []
    notes += _loads(run)
    joined = run.route.joined_more_lb, run.route.joined_less_lb
    if max(joined) >= LEAST_JOINED_LB:
        notes.append(remark("joined_on_run", more_lb=joined[0], less_lb=joined[1]))
    alarms = [(marked, say(one)) for marked, one in _what_needs_attention(run.stretches)]
    if run.route.past_tolerance_lane_miles > 0.0:
        past = remark("past_tolerance_here", lane_miles=run.route.past_tolerance_lane_miles)
        alarms.append((False, say(past)))
    when = cards.times.get((run.route.application, run.route.route_id))
    return Texts(
        when=say(when.said(cards.shown)) if when else "",
        start=_mile_zero(cards, run),
        told=tuple(say(one) for one in notes),
        alarms=tuple(alarms),
        memory=say(remark("ask_about_memory")) if run.from_memory else "",
        weather=tuple(say(one) for one in run.weather),
    )


def _mile_zero(cards: _Cards, run: _Run) -> str:
    """Where the run's distances begin, by name."""
    marks = cards.marks.get((run.route.application, run.route.route_id))
    if not run.stretches:
        return ""
    first = run.stretches[0]
    road = short(str(first.from_name or first.from_segment_id), 36)
    at: tuple[Remark, ...] = ()
    if marks is not None:
        here = marks[(marks["at_mi"] < 0.03) & (marks["kind"] != "road")]
        names = [short(str(name), 24) for name in here["name"].drop_duplicates()[:2]]
        at = (remark("at_landmark", names=names),) if names else ()
    return cards.voice.say(remark("mile_zero", unit=cards.shown.unit("distance"), road=road, at=at))


def _truck_runs(cards: _Cards, run: _Run) -> list[RunLine]:
    """The runs of the truck in their order, those around this one; not those with nothing to do."""
    own = (run.route.application, run.route.route_id)
    mine = [
        (key, time)
        for key, time in cards.times.items()
        if time.truck == run.route.truck_id and (key == own or not pd.isna(time.end))
    ]
    mine.sort(key=lambda one: one[1].order)
    place = next((number for number, (key, _) in enumerate(mine) if key == own), 0)
    first = max(0, min(place - MOST_RUNS // 2, len(mine) - MOST_RUNS))
    return [
        RunLine(first + number + 1, time.span(cards.shown), short(key[1], 14), key[0], key == own)
        for number, (key, time) in enumerate(mine[first : first + MOST_RUNS])
    ]


def _key_names(run: _Run, shown: Display) -> tuple[str, ...]:
    rate, speed = shown.unit("rate"), shown.unit("speed")
    if run.liquid:
        flow = shown.unit("liquid_flow")
        return (
            f"rate, {shown.unit('liquid_rate')}",
            f"gives, {flow}",
            f"set, {flow}",
            f"hold, {speed}",
        )
    middle = (f"set rate, {rate}",) if run.closed else ("set feeder, %", f"gives, {rate}")
    names = (f"gate, {shown.unit('gate')}", *middle)
    names += (f"planned, {speed}" if run.closed else f"hold, {speed}",)
    return (*names, f"prewet, {shown.unit('liquid_per_mass')}")


def _key_numbers(run: _Run, shown: Display) -> tuple[str, ...]:
    """The numbers to see at a glance, those of the start; none where nothing can be set."""
    first = next((one for one in run.stretches if one.status not in SIGNS), None)
    if first is None:
        return ()
    speed = as_text(shown.value(first.speed_mph, "speed"), 0)
    if run.liquid:
        rate = shown.number(first.rate_gal_per_lane_mile, "liquid_rate")
        flow = shown.number(first.flow_gal_per_min, "liquid_flow")
        return (rate, flow, dial(first, shown), speed)
    middle: tuple[str, ...] = (dial(first, shown),)
    if not run.closed:
        middle += (rate_text(first.achieved_rate_lb_per_lane_mile, shown),)
    wet = run.route.prewet_gal / run.route.mass_lb if run.route.mass_lb > 0.0 else 0.0
    prewet = shown.number(wet * POUNDS_PER_TON, "liquid_per_mass") if wet > 0.0 else "off"
    return (shown.number(first.gate_in, "gate"), *middle, speed, prewet)


def _controller(run: _Run, voice: Voice) -> str:
    """What the shop sets in a controller, and the driver leaves alone."""
    numbers = {one.lb_per_count for one in run.spread if math.isfinite(one.lb_per_count)}
    if not run.closed or not numbers:
        return ""
    return voice.say(remark("number_in_controller", lb_per_count=min(numbers)))


def _by_speed(stretches: Stretches, shown: Display, *, faster: bool) -> tuple[SpeedRow, ...]:
    """Feeder settings around the planned speed, for the settings used on most of the road."""
    miles: Counter[SpeedRow] = Counter()
    for one in stretches:
        if one.status in SIGNS or not one.target_rate_lb_per_lane_mile > 0:
            continue
        rate = rate_text(one.achieved_rate_lb_per_lane_mile, shown)
        row = SpeedRow(f"{rate}{NBSP}{shown.unit('rate')}", _at_speeds(one, shown, faster))
        miles[row] += one.miles
    return tuple(row for row, _ in miles.most_common(MOST_SPEED_ROWS))


def _at_speeds(one: Any, shown: Display, faster: bool) -> tuple[SpeedCell, ...]:
    cells = []
    for step, more_mph in SPEED_STEPS:
        pct = getattr(one, f"feeder_at_{step}_pct") if step else one.feeder_pct
        if one.speed_mph + more_mph <= 0 or (more_mph > 0 and not faster):
            continue
        at = as_text(shown.value(one.speed_mph + more_mph, "speed"), 0)
        text = f"{as_text(pct, 1, plain=True)}{NBSP}%" if math.isfinite(pct) else "cannot"
        cells.append((f"{at}{NBSP}{shown.unit('speed')}", text, not step))
    return tuple(cells)


def _gate(spread: Stretches) -> list[Remark]:
    """Where the gate stands; nothing where no setting is given."""
    gates = [one.gate_in for one in spread if math.isfinite(one.gate_in)][:1]
    return [remark("gate_stands", gate_in=gate) for gate in gates]


def _gate_note(cards: _Cards, run: _Run) -> list[Remark]:
    """Where the gate stands: for the whole storm, or moved for this run and how."""
    gates = [one.gate_in for one in run.spread if math.isfinite(one.gate_in)][:1]
    every = cards.plan.routes
    mine = every.loc[every["truck_id"] == run.route.truck_id, "gate_in"].dropna()
    others = [gate for gate in sorted(mine.unique()) if gate not in gates]
    if gates and others:
        return [
            remark("gate_for_this_run", gate_in=gates[0], others_in=others, yard=run.route.yard_id)
        ]
    return [remark("gate_stays", gate_in=gate) for gate in gates]


def _width_note(spread: Stretches) -> list[Remark]:
    """How many lanes a pass covers, and how wide that is, where it is the same all along."""
    lanes = {(one.lanes_per_pass, round(one.lane_width_ft, 1)) for one in spread}
    if len(lanes) != 1:
        return [remark("lanes_vary")] if lanes else []
    count, width = next(iter(lanes))
    return [remark("spread_width", lanes=float(count), width_ft=count * width)]


def _speed_note(run: _Run, shown: Display) -> list[Remark]:
    """Above which speed the rate is lost, and what 5 mph more takes away; never that one may."""
    if run.liquid:
        return _liquid_note(run)
    known = [one for one in run.spread if math.isfinite(one.max_speed_mph)]
    if not known:
        return []
    top = min(one.max_speed_mph for one in known)
    fastest = max(one.speed_mph for one in known)
    unsaid = is_out_of_reach(top, shown) or (run.icy and top > fastest)
    lost = [] if unsaid else [remark("too_little_above", speed_mph=top)]
    if run.closed:
        return [remark("keeps_the_rate", lost=lost)]
    first = known[0]
    loss = 1.0 - first.rate_at_5_mph_more_lb_per_lane_mile / first.achieved_rate_lb_per_lane_mile
    if not math.isfinite(loss):  # on ice nothing is said of a higher speed
        return [remark("hold_the_speed", lost=lost)]
    return [remark("faster_gives_less", step_mph=5.0, less_pct=100.0 * loss, lost=lost)]


def _liquid_note(run: _Run) -> list[Remark]:
    """That a flow holds at its speed, and what a control takes that follows the speed itself."""
    known = [one for one in run.spread if math.isfinite(one.setting_gal_per_min)]
    if not known:
        return []
    wanted = known[0].rate_gal_per_lane_mile
    enter = wanted * known[0].setting_gal_per_min / known[0].flow_gal_per_min
    return [
        remark("flow_at_its_speed", enter_gal_per_lane_mile=enter, rate_gal_per_lane_mile=wanted)
    ]


def _loads(run: _Run) -> list[Remark]:
    """Loads, mass and time of a run."""
    route = run.route
    if not route.loads:
        return []
    if route.liquid_gal > 0.0:
        volume, minutes = route.liquid_gal, route.minutes
        return [
            remark("loads_of_liquid", loads=route.loads, liquid_gal=volume, minutes=minutes),
            remark("stirred_and_strained"),
        ]
    liquid = [remark("with_prewet", liquid_gal=route.prewet_gal)] if route.prewet_gal > 0 else []
    return [
        remark(
            "loads_of_run",
            loads=route.loads,
            mass_lb=route.mass_lb,
            prewet=liquid,
            minutes=route.minutes,
        )
    ]


def _reload(cards: _Cards, reload: Any) -> tuple[float, str]:
    """Where a hopper runs out: miles along the run, and what to say there."""
    key = (reload.application, reload.route_id, reload.segment_id, reload.part)
    text = cards.voice.say(remark("runs_empty", number=reload.load - 1))
    return cards.starts[key] + reload.miles_into_segment, text


def _what_needs_attention(stretches: Stretches) -> Iterator[tuple[bool, Remark]]:
    status = {one.status for one in stretches}
    if "uncalibrated" in status:
        yield True, remark("never_tested_ask")
    if "do_not_use" in status:
        yield True, remark("doubtful_ask")
    if "no_rate" in status:
        yield True, remark("no_rate_ask")
    infeasible = [one for one in stretches if one.status == "infeasible"]
    short_of = [one for one in infeasible if one.max_speed_mph < one.speed_mph]
    if short_of:
        slow = min(one.max_speed_mph for one in short_of)
        yield True, remark("reached_slower", speed_mph=slow)
    if len(infeasible) > len(short_of):
        yield True, remark("not_settable_ask")
    if "extrapolated" in status:
        yield False, remark("watch_it")
