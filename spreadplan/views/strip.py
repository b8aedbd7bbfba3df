"""A run as a strip: its road drawn straight, with what is set, seen and guarded along it.

What is to be drawn is said here once; `reports.strip_chart` draws it for cards, plans and pages.
Distances are in the reader's unit, from where the run starts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

MOST_TICKS: Final = 12
STEPS: Final = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


@dataclass(frozen=True, kw_only=True)
class StripPiece:
    """A piece of road between two changes.

    at, end : where it begins and ends.
    mile : the first of them as text.
    dial : what is set, in one or two words; held : the speed that goes with it, "" for none.
    road : where one is when it begins.
    sensitive, off, trouble : it lies in a sensitive area; nothing is spread; something is wrong.
    """

    at: float
    end: float
    mile: str
    dial: str
    held: str
    road: str
    sensitive: bool
    off: bool
    trouble: bool


@dataclass(frozen=True)
class StripMark:
    """Something to be seen beside the road. kind : crossing, road, yard, area or reload."""

    at: float
    name: str
    kind: str


@dataclass(frozen=True, kw_only=True)
class Strip:
    """A run from its start to its end.

    areas : where sensitive areas begin and end.
    unit : of distances. dial, held : what the numbers beside the road are.
    alt : what it shows, for people who cannot see it.
    """

    pieces: tuple[StripPiece, ...]
    marks: tuple[StripMark, ...]
    areas: tuple[tuple[float, float], ...]
    unit: str
    dial: str
    held: str
    alt: str

    @property
    def length(self) -> float:
        """Of the whole run."""
        return self.pieces[-1].end if self.pieces else 0.0

    def ticks(self, most: int = MOST_TICKS) -> list[float]:
        """Where distances are marked: in even steps from 0, at most so many."""
        return ticks(self.length, most)


def ticks(length: float, most: int = MOST_TICKS) -> list[float]:
    """Even distances from 0 up to a length.

    >>> ticks(7.3, 10)
    [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0]
    """
    step = next((one for one in STEPS if length / one < most), length / most)
    if not step > 0.0:
        return [0.0]
    return [round(step * number, 6) for number in range(math.floor(length / step + 1e-9) + 1)]


def spread_out(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Places for labels: as near as possible to where they belong, in order, a gap apart.

    Parameters
    ----------
    wanted : ascending.
    gap : at least this between neighbours; less where there is no room for it.
    low, high : none lies outside.

    Returns
    -------
    Places with the least sum of squared distances from ``wanted`` before they are moved inside:
    isotonic regression of wanted places less their gaps (pool adjacent violators: Ayer et al.,
    An empirical distribution function for sampling with incomplete information, 1955).

    >>> spread_out([1.0, 1.0, 9.0], 2.0, 0.0, 10.0)
    [0.0, 2.0, 9.0]
    """
    if not wanted:
        return []
    room = (high - low) / (len(wanted) - 1) if len(wanted) > 1 else 0.0
    gap = min(gap, room) if len(wanted) > 1 else gap
    blocks: list[tuple[float, int]] = []
    for number, place in enumerate(wanted):
        mean, size = place - gap * number, 1
        while blocks and blocks[-1][0] >= mean:
            before, many = blocks.pop()
            mean, size = (before * many + mean * size) / (many + size), many + size
        blocks.append((mean, size))
    flat = [mean for mean, size in blocks for _ in range(size)]
    top = high - gap * (len(wanted) - 1)
    return [min(max(mean, low), top) + gap * number for number, mean in enumerate(flat)]


def marks_that_fit(marks: Sequence[StripMark], most: int, length: float) -> list[StripMark]:
    """The marks to draw where not all have room, in the order of the road.

    Reload points, areas and yards stay before roads that begin, those before crossings; of one kind
    those that lie farthest from what is drawn already.
    """
    kept: list[StripMark] = []
    for kinds in (("reload", "area", "yard"), ("road",), ("crossing",)):
        spare = [one for one in marks if one.kind in kinds]
        if len(kept) + len(spare) <= most:
            kept += spare
            continue
        while spare and len(kept) < most:
            best = max(
                spare, key=lambda one: min((abs(one.at - k.at) for k in kept), default=length)
            )
            kept.append(best)
            spare.remove(best)
    return sorted(kept, key=lambda one: (one.at, one.name))
