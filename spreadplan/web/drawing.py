"""Small charts for the screen: they follow the page's colours, light or dark, and its width.

Reports have charts of their own, for paper. A chart here is data for ``web/parts.html``, which
draws it as SVG; nothing but places on the drawing is worked out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.views.display import as_text

Floats = NDArray[np.float64]
WIDTH, HEIGHT = 380.0, 240.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 366.0, 22.0, 202.0


@dataclass(frozen=True)
class Tick:
    """A line of the grid and what stands beside it."""

    at: float
    label: str


@dataclass(frozen=True)
class Axis:
    """One axis: its title with the unit, its ends in data, and its ticks."""

    title: str
    low: float
    high: float
    ticks: tuple[Tick, ...]


@dataclass(frozen=True)
class Mark:
    """Something drawn: a band, a line, a point with its error bar, or a note."""

    kind: str
    points: str = ""
    look: str = ""
    x: float = 0.0
    y: float = 0.0
    low: float = 0.0
    high: float = 0.0
    label: str = ""


@dataclass
class Chart:
    """A chart being drawn. ``alt`` says what it shows, for people who cannot see it."""

    alt: str
    x: Axis
    y: Axis
    marks: list[Mark] = field(default_factory=list)
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = RIGHT
    top: float = TOP
    bottom: float = BOTTOM

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Where a pair of values lies on the drawing."""
        return (
            round(_place(x, self.x.low, self.x.high, LEFT, RIGHT), 1),
            round(_place(y, self.y.low, self.y.high, BOTTOM, TOP), 1),
        )

    def line(self, x: Iterable[float], y: Iterable[float], look: str = "") -> None:
        """A line; breaks where a value is missing."""
        run: list[str] = []
        for one, other in zip(x, y, strict=True):
            if math.isfinite(one) and math.isfinite(other):
                run.append("{},{}".format(*self.place(one, other)))
                continue
            self._end_line(run, look)
            run = []
        self._end_line(run, look)

    def _end_line(self, run: Sequence[str], look: str) -> None:
        if len(run) > 1:
            self.marks.append(Mark("line", " ".join(run), look))

    def band(self, x: Floats, low: Floats, high: Floats) -> None:
        """The area between two lines, where both are known."""
        known = np.isfinite(low) & np.isfinite(high)
        x, low, high = x[known], low[known], high[known]
        there = [self.place(one, other) for one, other in zip(x, high, strict=True)]
        back = [self.place(one, other) for one, other in zip(x[::-1], low[::-1], strict=True)]
        self.marks.append(Mark("band", " ".join(f"{a},{b}" for a, b in [*there, *back])))

    def point(self, x: float, y: float, half: float, label: str, look: str = "") -> None:
        """A value with its uncertainty."""
        half = half if math.isfinite(half) else 0.0
        at, middle = self.place(x, y)
        _, low = self.place(x, y - half)
        _, high = self.place(x, y + half)
        self.marks.append(Mark("point", look=look, x=at, y=middle, low=low, high=high, label=label))

    def note(self, x: float, y: float, label: str, look: str = "start") -> None:
        """Words on the drawing; look: start, middle or end."""
        at, height = self.place(x, y)
        self.marks.append(Mark("note", look=look, x=at, y=height - 5.0, label=label))


def _place(value: float, low: float, high: float, start: float, end: float) -> float:
    return start + (value - low) / (high - low) * (end - start)


def step_of(span: float, most: int) -> float:
    """The round step that divides a span into at most so many parts.

    >>> step_of(430.0, 5), step_of(0.08, 4)
    (100.0, 0.02)
    """
    rough = max(span, 1e-12) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(one for one in (1.0, 2.0, 5.0, 10.0) if one * power >= rough * (1.0 - 1e-9))
    return float(f"{step * power:.6g}")


def number_axis(title: str, low: float, high: float, most: int = 5, vertical: bool = False) -> Axis:
    """An axis of numbers with round ends."""
    if not (math.isfinite(low) and math.isfinite(high)):
        low, high = 0.0, 1.0
    if high <= low:
        high = low + max(abs(low), 1.0)
    step = step_of(high - low, most)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    decimals = max(-math.floor(math.log10(step) + 1e-9), 0)
    start, end = (BOTTOM, TOP) if vertical else (LEFT, RIGHT)
    low, high = first * step, last * step
    ticks = (
        Tick(round(_place(n * step, low, high, start, end), 1), as_text(n * step, decimals))
        for n in range(first, last + 1)
    )
    return Axis(title, low, high, tuple(ticks))


def time_axis(title: str, start: pd.Timestamp, end: pd.Timestamp, zone: tzinfo) -> Axis:
    """An axis of moments, as seconds since 1970: months, days or hours."""
    if end <= start:
        end = start + pd.Timedelta(hours=1)
    first, last = start.tz_convert(zone), end.tz_convert(zone)
    days = (end - start) / pd.Timedelta(days=1)
    if days > 45:
        moments, form = pd.date_range(first.normalize(), last, freq="MS"), "%b"
    elif days > 2:
        freq = f"{max(math.ceil(days / 5), 1)}D"
        moments, form = pd.date_range(first.normalize(), last, freq=freq), "%b %d"
    else:
        freq = f"{max(math.ceil(24 * days / 5), 1)}h"
        moments, form = pd.date_range(first.floor("h", ambiguous=True), last, freq=freq), "%H:%M"
    low, high = start.timestamp(), end.timestamp()
    ticks = (
        Tick(round(_place(m.timestamp(), low, high, LEFT, RIGHT), 1), m.strftime(form))
        for m in moments
        if low <= m.timestamp() <= high
    )
    return Axis(title, low, high, tuple(ticks))
