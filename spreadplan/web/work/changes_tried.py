"""Changes to a plan that are tried: in an address, in words, and as `WhatIf` in inside units.

An address carries each change as a JSON list: what, whom it is for, the value and the system of
units that the value was typed in, e.g. ``["rate", "R01", "2", 250, "us"]``. So it can be sent to
someone else, and means the same to them whatever units they look at.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC
from typing import Any, Final, Literal
from urllib.parse import urlencode

from starlette.exceptions import HTTPException

from spreadplan.remarks import Remark, remark
from spreadplan.runs.what_if import EVERY, WhatIf
from spreadplan.views.display import Display
from spreadplan.views.voice import Voice

What = Literal["rate", "speed", "gate", "truck", "warmer"]
MOST: Final = 60
#: the kind of quantity of each change that has a value
QUANTITY: Final[Mapping[str, str]] = {"rate": "rate", "speed": "speed", "gate": "gate"}
#: °F that one degree of the system shown is
DEGREE_F: Final = {"us": 1.0, "metric": 1.8}
AREA: Final = "g_per_m2"
"""Stands in place of a system of units where a rate was typed in g/m²."""


@dataclass(frozen=True, kw_only=True)
class Tried:
    """One change. ``whom``: route, truck or zone. ``value``: a number, or a truck for "truck".

    ``application``: of a rate the round that it is for, of a truck that from which it holds; "" for
    all.
    """

    what: What
    whom: str
    application: str
    value: float
    truck: str
    system: str

    def text(self) -> str:
        """As the address has it."""
        value: Any = self.truck if self.what == "truck" else self.value
        parts = [self.what, self.whom, self.application, value, self.system]
        return json.dumps(parts, ensure_ascii=False, separators=(",", ":"))

    @property
    def place(self) -> tuple[str, str, str]:
        """What it changes: a later change of the same replaces it."""
        return self.what, self.whom, self.application

    def inside(self) -> float:
        """The value in the unit that the package uses."""
        if self.what == "warmer":
            return self.value * DEGREE_F[self.system]
        return to_inside(self.value, QUANTITY[self.what], self.system)

    def words(self, voice: Voice) -> str:
        """For people."""
        return voice.say(self._said())

    def _said(self) -> Remark:
        whom, label = self._whom(), self.application
        if self.what == "truck":
            since = [remark("from_round", application=label)] if label else []
            return remark("truck_to_try", whom=whom, truck=self.truck, since=since)
        if self.what == "speed":
            return remark("speed_to_try", whom=whom, speed_mph=self.inside())
        if self.what == "gate":
            return remark("gate_to_try", whom=whom, gate_in=self.inside())
        if self.what == "rate":
            when = [] if label in ("", EVERY) else [remark("only_in_round", application=label)]
            if self.system == AREA:
                typed = self.value
                return remark("area_rate_to_try", whom=whom, when=when, rate_g_per_m2=typed)
            rate = self.inside()
            return remark("rate_to_try", whom=whom, when=when, rate_lb_per_lane_mile=rate)
        step = self.inside()
        way = remark("warmer_by", step_f=step) if step >= 0 else remark("colder_by", step_f=-step)
        change = remark("pavement_than_forecast", change=way)
        return remark("weather_to_try", whom=whom, change=change)

    def _whom(self) -> Remark:
        if self.whom != EVERY:
            return remark("named_one", name=self.whom)
        if self.what == "warmer":
            return remark("all_zones")
        return remark("every_truck") if self.what == "gate" else remark("every_route")


def to_inside(value: float, kind: str, system: str) -> float:
    """A typed value in the unit that the package uses."""
    shown = Display(system, UTC)
    one, zero = shown.value(1.0, kind), shown.value(0.0, kind)
    return (value - zero) / (one - zero)


def parse(texts: Sequence[str]) -> tuple[Tried, ...]:
    """The changes of an address; a later one for the same place wins. Raises HTTPException 400."""
    if len(texts) > MOST:
        raise HTTPException(400, f"More than {MOST} changes at a time cannot be tried.")
    found: dict[tuple[str, str, str], Tried] = {}
    for text in texts:
        one = _parsed(text)
        found.pop(one.place, None)
        found[one.place] = one
    return tuple(found.values())


def _parsed(text: str) -> Tried:
    try:
        what, whom, application, value, system = json.loads(text)
        if what not in ("rate", "speed", "gate", "truck", "warmer") or system not in (
            *DEGREE_F,
            *([AREA] if what == "rate" else []),
        ):
            raise ValueError(what)
        if not (isinstance(whom, str) and isinstance(application, str)):
            raise ValueError(whom)
        if what == "truck":
            return Tried(
                what=what,
                whom=whom,
                application=application,
                value=math.nan,
                truck=str(value),
                system=system,
            )
        number = float(value)
        if not math.isfinite(number):
            raise ValueError(value)
    except (ValueError, TypeError, OverflowError, RecursionError):
        raise HTTPException(400, "This change cannot be understood.") from None
    return Tried(
        what=what, whom=whom, application=application, value=number, truck="", system=system
    )


def what_if(tried: Sequence[Tried]) -> WhatIf:
    """The changes as the plan takes them. Raises HTTPException 400 for a gate for all trucks."""

    def of(what: What) -> list[Tried]:
        return [one for one in tried if one.what == what]

    return WhatIf(
        rates=tuple(
            (one.whom, one.application or EVERY, one.inside())
            for one in of("rate")
            if one.system != AREA
        ),
        area_rates=tuple(
            (one.whom, one.application or EVERY, one.value)
            for one in of("rate")
            if one.system == AREA
        ),
        speeds=tuple((one.whom, one.inside()) for one in of("speed")),
        gates=tuple((one.whom, one.inside()) for one in of("gate")),
        trucks=tuple((one.whom, one.truck, one.application) for one in of("truck")),
        warmer=tuple((one.whom, one.inside()) for one in of("warmer")),
    )


def query(tried: Sequence[Tried], name: str = "c", **more: str) -> str:
    """The part of an address behind the question mark; "" where there is nothing to say."""
    pairs = [(key, value) for key, value in more.items() if value]
    pairs += [(name, one.text()) for one in tried]
    return f"?{urlencode(pairs)}" if pairs else ""


def without(tried: Sequence[Tried], one: Tried) -> tuple[Tried, ...]:
    """All but one."""
    return tuple(other for other in tried if other is not one)
