"""Cab cards: what a driver needs for one truck on one route, large enough for a dark cab.

A card is one page for all applications: one list of changes with a column for each of them, those
with the same settings in one. Where that does not fit, each column gets a page of its own. Nothing
is left off to make a card fit: a list of changes too long for any page goes on overleaf.
"""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import pandas as pd
from pandas.api.typing import NaTType

from spreadplan.frames import lines
from spreadplan.planning.applications import may_be_icy
from spreadplan.planning.plan import StormPlan
from spreadplan.remarks import Remark, remark
from spreadplan.reports.cab_layout import Needs, Page, Size, arrange
from spreadplan.reports.render import html
from spreadplan.reports.text_width import lines_of
from spreadplan.views.display import NBSP, Display, as_text, file_names, short
from spreadplan.views.plan_rates import as_read, rate_text
from spreadplan.views.plan_totals import is_out_of_reach
from spreadplan.views.rate_sources import runs_from_memory
from spreadplan.views.setting import Setting
from spreadplan.views.voice import Voice
from spreadplan.views.words import TERMS

SPEED_STEPS: Final = (("10_mph_less", -10.0), ("5_mph_less", -5.0), ("", 0.0), ("5_mph_more", 5.0))
MOST_SPEED_ROWS: Final = 3
#: size of plain text, and the width of the narrowest page for it.
TEXT_PT: Final = 14.0
TEXT_ROOM_PT: Final = 530.0
#: letters of the numbers to see at a glance that fit beside each other.
KEY_LETTERS: Final = 15
Stretches = Sequence[Any]
"""Rows of the plan's table of settings, in driving order."""
SpeedCell = tuple[str, str, bool]
"""A speed, the setting for it, and whether it is the planned one."""


@dataclass(frozen=True)
class SpeedRow:
    """Settings by speed that keep one rate: which applications and rate they are of, the cells."""

    applications: str
    rate: str
    cells: tuple[SpeedCell, ...]


TROUBLE: Final = ("infeasible", "uncalibrated", "do_not_use", "no_rate")
#: what stands for a setting where there is none, by status.
SIGNS: Final = TERMS["cab_dial"]


@dataclass(frozen=True, kw_only=True)
class SettingLine:
    """A line of the list of changes: from here on, this setting, one for each column."""

    mile: str
    road: str
    dials: tuple[str, ...]
    speed: str
    sensitive: bool
    trouble: bool


@dataclass(frozen=True)
class CardColumn:
    """Applications with the same settings; ``stretches`` are those of the first of them."""

    applications: tuple[str, ...]
    start: str
    stretches: Stretches
    from_memory: bool = False

    @property
    def title(self) -> str:
        """Which applications, in short."""
        return ", ".join(self.applications)

    @property
    def idle(self) -> bool:
        """Whether nothing is to be spread at all."""
        return all(one.status == "untreated" for one in self.stretches)


@dataclass(frozen=True, kw_only=True)
class Block:
    """What stands together on a page: the settings of one or several columns.

    keys : for each column the numbers to see at a glance, in the order of ``key_names``.
    changes : the settings in the order of the route, the first from its start.
    speeds : rows of the table of settings by speed, those of most of the road first.
    speed_gate : the gate that they hold for.
    rate_place : which of the keys is a rate. memory : what is said of rates from memory, or "".
    told : plain sentences; alarms : those that need attention, with whether lines are marked.
    """

    columns: tuple[CardColumn, ...]
    key_names: tuple[str, ...]
    keys: tuple[tuple[str, ...], ...]
    changes: tuple[SettingLine, ...]
    dial_unit: str
    speeds: tuple[SpeedRow, ...]
    told: tuple[str, ...]
    alarms: tuple[tuple[bool, str], ...]
    rate_place: int = 0
    memory: str = ""
    speed_gate: str = ""

    @property
    def crowded(self) -> bool:
        """Whether the numbers to see at a glance are too long to be printed at full size."""
        return any(sum(len(number) for number in row) > KEY_LETTERS for row in self.keys)

    @property
    def needs(self) -> Needs:
        """What decides how much room it takes."""
        texts = [*self.told, *(text for _, text in self.alarms), self.memory]
        return Needs(
            len(self.columns),
            len(self.changes),
            len(self.speeds),
            sum(_lines(text) for text in texts if text),
        )


def cab_cards(
    plan: StormPlan,
    areas: pd.DataFrame,
    setting: Setting,
    as_of: pd.Timestamp,
    inputs_of: str = "",
) -> Iterator[tuple[str, str]]:
    """A card for each truck and route of the plan.

    Parameters
    ----------
    areas : sensitive areas: area_id, name.
    as_of : date of the data.
    inputs_of : when they were changed last, as text; no card made later from the same inputs says
        anything else.

    Yields
    ------
    Name of the card, safe as a file name without ending, and HTML. A route without a truck has
    none.
    """
    plan = as_read(plan, setting.display)
    pairs = plan.routes.loc[plan.routes["truck_id"] != "", ["truck_id", "route_id"]]
    pairs = pairs.drop_duplicates()
    labels = [f"{truck}_{route}" for truck, route in pairs.itertuples(index=False, name=None)]
    # two pairs may read alike ("A_B" + "C", "A" + "B_C"): the place in the list tells them apart
    keys = [
        label if labels.count(label) == 1 else f"{label} {place}"
        for place, label in enumerate(labels)
    ]
    names = file_names(keys)
    names_of_areas = {str(area.area_id): str(area.name or area.area_id) for area in lines(areas)}
    runs, begin = _runs(plan), _beginnings(plan, setting.voice)
    for key, (truck, route) in zip(keys, pairs.itertuples(index=False, name=None), strict=True):
        card = _Card(plan, runs[route], names_of_areas, setting.voice, begin)
        yield names[key], _page(card, truck, route, setting, as_of, inputs_of)


@dataclass
class _Run:
    """One application of a route: its row of the plan, its stretches, where the hopper runs out,
    whether the road may be icy, whether a rate is from memory.
    """

    route: Any
    stretches: list[Any]
    reloads: list[Any]
    icy: bool
    from_memory: bool


@dataclass(frozen=True)
class _Card:
    """What one card is made from; the runs by application."""

    plan: StormPlan
    runs: Mapping[str, _Run]
    areas: Mapping[str, str]
    voice: Voice
    begin: Mapping[tuple[str, str], str]

    @property
    def shown(self) -> Display:
        """How quantities are shown."""
        return self.voice.display


def _runs(plan: StormPlan) -> dict[str, dict[str, _Run]]:
    """By route and application. Rows become tuples once: a plan may have thousands of cards."""
    runs: dict[str, dict[str, _Run]] = {}
    keys = ["application", "route_id"]
    icy = {
        (str(label), str(route))
        for label, route, event in plan.segments[[*keys, "event"]]
        .drop_duplicates()
        .itertuples(index=False)
        if may_be_icy(str(event))
    }
    memory = runs_from_memory(plan)
    for route in lines(plan.routes):
        key = (route.application, route.route_id)
        run = _Run(route, [], [], key in icy, key in memory)
        runs.setdefault(route.route_id, {})[route.application] = run
    for stretch in lines(plan.settings):
        runs[stretch.route_id][stretch.application].stretches.append(stretch)
    for reload in lines(plan.reloads):
        runs[reload.route_id][reload.application].reloads.append(reload)
    return runs


def _beginnings(plan: StormPlan, voice: Voice) -> dict[tuple[str, str], str]:
    """When each application of each route begins, in words.

    A truck takes its routes one after another, in the order of the plan; it can't be on two.
    """
    shown, rounds = voice.display, {one.label: one.start for one in plan.applications}
    free: dict[str, tuple[pd.Timestamp, str]] = {}
    said: dict[tuple[str, str], str] = {}
    place = {label: number for number, label in enumerate(rounds)}
    for run in sorted(lines(plan.routes), key=lambda one: place[one.application]):
        start, after = rounds[run.application], ""
        if isinstance(start, NaTType):
            said[run.application, run.route_id] = shown.moment(start)
            continue
        ready, before = free.get(run.truck_id, (start, ""))
        if run.truck_id and run.loads and ready > start:
            start, after = ready, before
        moment = shown.moment(start)
        # the card of the route before has the day
        said[run.application, run.route_id] = moment
        if after:
            later = remark("begins_after", time=moment.split()[-1], route=short(after, 12))
            said[run.application, run.route_id] = voice.say(later)
        if run.truck_id and run.loads and math.isfinite(run.minutes):
            free[run.truck_id] = (start + pd.Timedelta(minutes=run.minutes), run.route_id)
    return said


def _page(
    card: _Card, truck: str, route: str, setting: Setting, as_of: pd.Timestamp, inputs_of: str
) -> str:
    first = next(iter(card.runs.values())).route
    sensitive = _sensitive(card)
    columns = _columns(card)
    together = _block(card, columns)
    apart = [_block(card, [column]) for column in columns] if len(columns) > 1 else [together]
    lines_used = _lines(f"S Sensitive: {sensitive}") if sensitive else 0
    pages = arrange(together.needs, [block.needs for block in apart], setting.paper, lines_used)
    content = dict(
        title=f"Cab card, truck {truck}, route {route}",
        **setting.context(as_of),
        truck=truck,
        route=route,
        material=setting.voice.material(first.material),
        yard=first.yard_id,
        storm=setting.voice.storm(card.plan.storm),
        sensitive=sensitive,
        inputs_of=inputs_of,
        pages=[
            _page_view(page, together if page.together else apart[page.block]) for page in pages
        ],
        distance=card.shown.unit("distance"),
        speed=card.shown.unit("speed"),
        off=setting.voice.say(remark("nothing_to_spread")),
        unset=setting.voice.say(remark("nothing_to_set")),
    )
    return html("cab_card.html", code=_code(content), **content)


def _code(content: Mapping[str, Any]) -> str:
    """Four letters or digits that tell a card from one that says anything else."""
    return hashlib.sha256(repr(sorted(content.items())).encode()).hexdigest()[:4].upper()


def _page_view(page: Page, block: Block) -> dict[str, Any]:
    return {
        "size": page.size.name,
        "block": block,
        "whole": page.first == 0,
        "lists": _cut(block.changes[page.first : page.last], page.size, len(block.columns)),
        "more": page.last < len(block.changes),
        "speeds": block.speeds[: page.speeds],
    }


def _lines(text: str) -> int:
    return lines_of(text, TEXT_PT, TEXT_ROOM_PT, bold=True)


def _cut(changes: Sequence[SettingLine], size: Size, columns: int) -> list[list[dict[str, Any]]]:
    """Changes in one or two lists side by side, with road names that fit on a line."""
    letters = size.road_letters - (columns - 1) * size.letters_per_dial
    rows = [
        vars(change)
        | {"road": short(change.road, letters - 2 * (change.sensitive + change.trouble))}
        for change in changes
    ]
    half = max(1, math.ceil(len(rows) / size.lists))
    return [rows[start : start + half] for start in range(0, len(rows), half)]


# --- blocks ------------------------------------------------------------------------------------


def _columns(card: _Card) -> list[CardColumn]:
    """Applications of one route; those with equal settings, loads and cautions share a column."""
    alike: dict[tuple[Any, ...], list[str]] = {}
    for label, run in card.runs.items():
        key = (
            tuple(_intervals([run.stretches], card.shown)),
            _key_numbers(run.stretches, card.shown),
            _loads(card, run),
            tuple(_alarms(run.stretches, card.voice)),
            run.from_memory,
            run.icy,
        )
        alike.setdefault(key, []).append(label)
    return [
        CardColumn(
            tuple(labels),
            card.begin[labels[0], card.runs[labels[0]].route.route_id],
            card.runs[labels[0]].stretches,
            card.runs[labels[0]].from_memory,
        )
        for labels in alike.values()
    ]


def _block(card: _Card, columns: Sequence[CardColumn]) -> Block:
    shown = card.shown
    every = [one for column in columns for one in column.stretches]
    closed = any(one.control == "closed_loop" for one in every)
    spread = [one for one in every if one.target_rate_lb_per_lane_mile > 0]
    icy = any(card.runs[column.applications[0]].icy for column in columns)
    notes = [*_gate_note(spread), *_speed_note(spread, closed, shown)]
    notes += [remark("may_be_icy")] if icy and spread else []
    told = [card.voice.say(note) for note in notes]
    for column in columns:
        label = f"Appl. {column.title}: " if len(columns) > 1 else ""
        told += [f"{label}{text}" for text in _loads(card, card.runs[column.applications[0]])]
    alarms = [alarm for column in columns for alarm in _alarms(column.stretches, card.voice)]
    from_memory = any(column.from_memory for column in columns)
    return Block(
        columns=tuple(columns),
        key_names=_key_names(closed, shown),
        keys=tuple(_key_numbers(column.stretches, shown) for column in columns),
        changes=tuple(_intervals([column.stretches for column in columns], shown)),
        dial_unit=f"rate to set, {shown.unit('rate')}" if closed else "feeder output, %",
        speeds=() if closed else _by_speed(columns, shown, faster=not icy),
        speed_gate=card.voice.say_all(_gate(spread)),
        rate_place=1 if closed else 2,
        memory=card.voice.say(remark("ask_about_memory")) if from_memory else "",
        told=tuple(told),
        alarms=tuple(dict.fromkeys(alarms)),
    )


def dial(stretch: Any, shown: Display) -> str:
    """What the driver sets on a stretch: the rate (closed loop) or the feeder output."""
    if stretch.status in SIGNS:
        return SIGNS[stretch.status].words
    if stretch.control == "closed_loop":
        return rate_text(stretch.rate_to_set_lb_per_lane_mile, shown)
    return as_text(float(stretch.feeder_pct), 1, plain=True)


def _intervals(rows: Sequence[Stretches], shown: Display) -> list[SettingLine]:
    """The list of changes of several applications of one route.

    A new line begins where any of them changes its setting; neighbours between which a driver
    changes nothing are one line.
    """
    ends = sorted({round(one.to_mi, 6) for column in rows for one in column})
    at = [0] * len(rows)
    changes: list[SettingLine] = []
    last_key: tuple[Any, ...] = ()
    speeds: list[float] = []
    for end in ends:
        here = [column[min(place, len(column) - 1)] for column, place in zip(rows, at, strict=True)]
        first = here[0]
        trouble = any(one.status in TROUBLE for one in here)
        key = (tuple(dial(one, shown) for one in here), first.area_id != "", trouble)
        speeds = [*speeds, first.speed_mph] if key == last_key else [first.speed_mph]
        low, high = (
            as_text(shown.value(limit, "speed"), 0) for limit in (min(speeds), max(speeds))
        )
        speed = low if low == high else f"{low}–{high}"
        if key == last_key:
            changes[-1] = replace(changes[-1], speed=speed)
        else:
            start = max(one.from_mi for one in here)
            road = next(one for one in here if one.from_mi == start)
            changes.append(
                SettingLine(
                    mile=as_text(shown.value(start, "distance"), 1),
                    road=str(road.from_name or road.from_segment_id),
                    dials=key[0],
                    speed=speed,
                    sensitive=key[1],
                    trouble=trouble,
                )
            )
        last_key = key
        at = [place + (round(one.to_mi, 6) <= end) for place, one in zip(at, here, strict=True)]
    return changes


def _key_names(closed: bool, shown: Display) -> tuple[str, ...]:
    rate = shown.unit("rate")
    middle = (
        (f"rate, {rate}", f"cal. no., {shown.unit('per_count')}")
        if closed
        else ("feeder, %", f"gives, {rate}")
    )
    return (f"gate, {shown.unit('gate')}", *middle, shown.unit("speed"))


def _key_numbers(stretches: Stretches, shown: Display) -> tuple[str, ...]:
    """The numbers to see at a glance, those of the start; none where nothing can be set."""
    first = next((one for one in stretches if one.status not in SIGNS), None)
    if first is None:
        return ()
    if first.control == "closed_loop":
        middle = dial(first, shown), shown.number(first.lb_per_count, "per_count")
    else:
        rate = rate_text(first.achieved_rate_lb_per_lane_mile, shown)
        middle = dial(first, shown), rate
    speed = as_text(shown.value(first.speed_mph, "speed"), 0)
    return (shown.number(first.gate_in, "gate"), *middle, speed)


def _by_speed(
    columns: Sequence[CardColumn], shown: Display, *, faster: bool
) -> tuple[SpeedRow, ...]:
    """Feeder settings around the planned speed, for the settings used on most of the road."""
    miles: Counter[tuple[str, tuple[SpeedCell, ...]]] = Counter()
    labels: dict[tuple[str, tuple[SpeedCell, ...]], list[str]] = {}
    for column in columns:
        for one in column.stretches:
            if one.status in SIGNS or not one.target_rate_lb_per_lane_mile > 0:
                continue
            rate = rate_text(one.achieved_rate_lb_per_lane_mile, shown)
            key = rate, _at_speeds(one, shown, faster)
            miles[key] += one.miles
            of = labels.setdefault(key, [])
            of += [label for label in column.applications if label not in of]
    return tuple(
        SpeedRow(", ".join(labels[key]), f"{key[0]}{NBSP}{shown.unit('rate')}", key[1])
        for key, _ in miles.most_common(MOST_SPEED_ROWS)
    )


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


def _gate_note(spread: Stretches) -> list[Remark]:
    """Where the gate stands, and that it stays."""
    gates = [one.gate_in for one in spread if math.isfinite(one.gate_in)][:1]
    return [remark("gate_stays", gate_in=gate) for gate in gates]


def _speed_note(spread: Stretches, closed: bool, shown: Display) -> list[Remark]:
    """Above which speed the rate is lost, and what 5 mph more takes away; never that one may."""
    known = [one for one in spread if math.isfinite(one.max_speed_mph)]
    if not known:
        return []
    top = min(one.max_speed_mph for one in known)
    lost = [] if is_out_of_reach(top, shown) else [remark("too_little_above", speed_mph=top)]
    if closed:
        return [remark("keeps_the_rate", lost=lost)]
    first = known[0]
    loss = 1.0 - first.rate_at_5_mph_more_lb_per_lane_mile / first.achieved_rate_lb_per_lane_mile
    return [remark("faster_gives_less", step_mph=5.0, less_pct=100.0 * loss, lost=lost)]


def _loads(card: _Card, run: _Run) -> tuple[str, ...]:
    """Loads, mass, time and where the hopper runs out."""
    route = run.route
    if not route.loads:
        return ()
    liquid = [remark("with_prewet", liquid_gal=route.prewet_gal)] if route.prewet_gal > 0 else []
    loads = remark(
        "loads_of_run",
        loads=route.loads,
        mass_lb=route.mass_lb,
        prewet=liquid,
        minutes=route.minutes,
    )
    return tuple(card.voice.say(one) for one in (loads, *(_empty(card, r) for r in run.reloads)))


def _empty(card: _Card, reload: Any) -> Remark:
    """Where a hopper runs out: distance along the route, as the card's list has it, and road."""
    every = card.plan.segments
    run = (every["route_id"] == reload.route_id) & (every["application"] == reload.application)
    before = 0.0
    for part in lines(every.loc[run, ["segment_id", "part", "from_mi", "length_mi", "name"]]):
        if (part.segment_id, part.part) == (reload.segment_id, reload.part):
            break
        before += part.length_mi
    mile = before + reload.miles_into_segment - part.from_mi
    at = as_text(card.shown.value(mile, "distance"), 1)
    place = f"{card.shown.unit('distance')}{NBSP}{at}"
    road = short(str(part.name or part.segment_id), 30)
    return remark("runs_empty", number=reload.load - 1, place=place, road=road)


def _alarms(stretches: Stretches, voice: Voice) -> Iterator[tuple[bool, str]]:
    """What needs attention, and whether the list of changes marks where."""
    for marked, said in _what_needs_attention(stretches):
        yield marked, voice.say(said)


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


def _sensitive(card: _Card) -> str:
    """The names of the sensitive areas on the route, in driving order."""
    stretches = next(iter(card.runs.values())).stretches
    ids = [one for stretch in stretches if stretch.area_id for one in stretch.area_id.split("; ")]
    return ", ".join(short(card.areas.get(one, one), 40) for one in dict.fromkeys(ids))
