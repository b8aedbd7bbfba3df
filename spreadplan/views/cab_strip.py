"""The strip of a run as a cab card has it: what the driver sets, where, and what is seen there."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning.changes import LEAST_MI
from spreadplan.remarks import remark
from spreadplan.views.display import NBSP, Display, as_text
from spreadplan.views.plan_rates import rate_text
from spreadplan.views.strip import Strip, StripMark, StripPiece
from spreadplan.views.voice import Voice
from spreadplan.views.words import TERMS

TROUBLE: Final = ("infeasible", "uncalibrated", "do_not_use", "no_rate")
NEVER: Final = -1.0
#: what stands for a setting where there is none, by status.
SIGNS: Final = TERMS["cab_dial"]


def is_liquid(stretch: Any) -> bool:
    """Whether liquid goes to the road on a stretch: its driver sets a flow."""
    return math.isfinite(stretch.flow_gal_per_min)


def dial(stretch: Any, shown: Display) -> str:
    """What the driver sets on a stretch: rate (closed loop), feeder output, or flow of a liquid."""
    if stretch.status in SIGNS:
        return SIGNS[stretch.status].words
    if is_liquid(stretch):
        return shown.number(stretch.setting_gal_per_min, "liquid_flow")
    if stretch.control == "closed_loop":
        return rate_text(stretch.rate_to_set_lb_per_lane_mile, shown)
    return as_text(float(stretch.feeder_pct), 1, plain=True)


def strip_of(
    stretches: Sequence[Any],
    marks: pd.DataFrame | None,
    areas: Mapping[str, str],
    reloads: Sequence[tuple[float, str]],
    voice: Voice,
) -> Strip:
    """The strip of one run.

    Parameters
    ----------
    stretches : rows of ``plan_settings``, in driving order.
    marks : its landmarks, see `planning.landmarks`; None for none.
    areas : names of the sensitive areas by their ids.
    reloads : miles along the run where a hopper runs out, and what to say there.
    """
    shown = voice.display
    guarded, named = _areas(stretches, areas, shown)
    unit = shown.unit("distance")
    pieces = strip_pieces(stretches, shown)
    seen = (
        []
        if marks is None
        else [
            StripMark(shown.value(one.at_mi, "distance"), str(one.name), str(one.kind))
            for one in lines(marks)
        ]
    )
    seen += named
    seen += [StripMark(shown.value(at, "distance"), text, "reload") for at, text in reloads]
    alt = voice.say(
        remark(
            "strip_drawn",
            length_mi=float(stretches[-1].to_mi) if stretches else 0.0,
            pieces=len(pieces),
            dials=[f"{unit} {one.mile}: {one.dial} {one.held}".strip() for one in pieces],
        )
    )
    liquid = any(is_liquid(one) for one in stretches)
    closed = any(one.control == "closed_loop" for one in stretches) and not liquid
    return Strip(
        pieces=pieces,
        marks=tuple(seen),
        areas=tuple(guarded),
        unit=unit,
        dial=f"set {shown.unit('liquid_flow')}" if liquid else "set" if closed else "set %",
        held=f"{'planned' if closed else 'hold'} {shown.unit('speed')}",
        alt=alt,
    )


def strip_pieces(stretches: Sequence[Any], shown: Display) -> tuple[StripPiece, ...]:
    """A piece for every change; neighbours between which a driver changes nothing are one.

    With an open loop the speed is part of the setting: it gives its rate at that speed only. Where
    the speed changes so soon that nobody could hold it, all speeds of the piece are named.
    """
    vary = len({one.lanes_per_pass for one in stretches if one.status not in SIGNS}) > 1
    pieces: list[StripPiece] = []
    last: tuple[Any, ...] = ()
    speeds: list[float] = []
    held_as = _held_as(stretches)
    for number, one in enumerate(stretches):
        closed = one.control == "closed_loop" and not is_liquid(one)
        off = one.status in SIGNS
        lanes = (
            f", {one.lanes_per_pass:g}{NBSP}{noun_of(one.lanes_per_pass)}"
            if vary and not off
            else ""
        )
        key: tuple[Any, ...] = (dial(one, shown), one.area_id != "", one.status in TROUBLE, lanes)
        key += () if closed or off else (held_as[number],)
        speeds = [*speeds, one.speed_mph] if key == last else [one.speed_mph]
        held = "" if off else f"{_range(speeds, shown)}{lanes}"
        end = shown.value(one.to_mi, "distance")
        if key == last:
            pieces[-1] = replace(pieces[-1], end=end, held=held)
        else:
            at = shown.value(one.from_mi, "distance")
            pieces.append(
                StripPiece(
                    at=at,
                    end=end,
                    mile=as_text(at, 1),
                    dial=key[0],
                    held=held,
                    road=str(one.from_name or one.from_segment_id),
                    sensitive=key[1],
                    off=one.status == "untreated",
                    trouble=key[2],
                )
            )
        last = key
    return tuple(pieces)


def _held_as(stretches: Sequence[Any]) -> list[float]:
    """The speed of each stretch; of one that is too short to be held, that of the stretch before,
    at the start of a run that of the one after.
    """
    held: list[float] = []
    at = 0
    while at < len(stretches):
        end = at
        while end < len(stretches) and stretches[end].speed_mph == stretches[at].speed_mph:
            end += 1
        long = stretches[end - 1].to_mi - stretches[at].from_mi >= LEAST_MI - 1e-9
        held += [stretches[at].speed_mph if long else NEVER] * (end - at)
        at = end
    for number in range(1, len(held)):
        held[number] = held[number - 1] if held[number] == NEVER else held[number]
    first = next((speed for speed in held if speed != NEVER), 0.0)
    return [first if speed == NEVER else speed for speed in held]


def noun_of(lanes: float) -> str:
    """Lane or lanes."""
    return "lane" if lanes == 1.0 else "lanes"


def _range(speeds: Sequence[float], shown: Display) -> str:
    low, high = (as_text(shown.value(one, "speed"), 0) for one in (min(speeds), max(speeds)))
    return low if low == high else f"{low}–{high}"


def _areas(
    stretches: Sequence[Any], areas: Mapping[str, str], shown: Display
) -> tuple[list[tuple[float, float]], list[StripMark]]:
    """Where sensitive areas lie along a run, joined where they touch; a mark with each name."""
    spans: list[tuple[float, float]] = []
    marks: list[StripMark] = []
    inside: set[str] = set()
    for one in stretches:
        here = set(one.area_id.split("; ")) if one.area_id else set()
        at, end = (shown.value(mile, "distance") for mile in (one.from_mi, one.to_mi))
        if here and spans and abs(spans[-1][1] - at) < 1e-9:
            spans[-1] = (spans[-1][0], end)
        elif here:
            spans.append((at, end))
        marks += [
            StripMark(at, f"S {areas.get(area, area)}", "area") for area in sorted(here - inside)
        ]
        inside = here
    return spans, marks
