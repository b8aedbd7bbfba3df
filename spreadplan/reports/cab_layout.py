"""How the page of a cab card is shared out: what the texts leave is for the strip.

Heights are those of `cab_card.html` as printed, in points, a little on the safe side; the tests
that count pages of crowded cards tell when they no longer hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from spreadplan.reports.text_width import lines_of

#: height and width of the page between its margins.
PAGE_PT: Final = {"letter": (731.0, 552.0), "A4": (781.0, 536.0)}
#: truck, route and application; material, yard and storm; guidance; numbers at a glance.
HEAD_PT: Final = 56.0 + 25.0 + 23.0 + 64.0
SPEED_HEAD_PT: Final = 19.0
SPEED_ROW_PT: Final = 37.0
RUNS_HEAD_PT: Final = 22.0
RUN_PT: Final = 15.5
SPARE_PT: Final = 10.0
#: a strip lower than this shows nothing; texts get smaller before that.
LEAST_STRIP_PT: Final = 255.0
LEAST_AT_ALL_PT: Final = 120.0


@dataclass(frozen=True, kw_only=True)
class Texts:
    """The sentences of a card by where they stand; alarms with whether the strip marks where."""

    when: str
    start: str
    told: tuple[str, ...]
    alarms: tuple[tuple[bool, str], ...]
    memory: str
    weather: tuple[str, ...]


@dataclass(frozen=True)
class Layout:
    """How a card is printed: height and width of the strip, and whether its texts are small."""

    strip_pt: float
    width_pt: float
    tight: bool


def arranged(texts: Texts, speeds: int, runs: int, paper: str) -> Layout:
    """What the strip gets of a page, after texts, ``speeds`` rows by speed and ``runs`` lines."""
    height, width = PAGE_PT[paper]
    room = [height - _taken(texts, speeds, runs, width, size) for size in (13.0, 11.0)]
    tight = room[0] < LEAST_STRIP_PT
    return Layout(max(room[tight], LEAST_AT_ALL_PT), width, tight)


def _taken(texts: Texts, speeds: int, runs: int, width: float, size: float) -> float:
    """Height of everything but the strip, with texts in a size."""
    line = 1.24 * size
    full = [texts.start, *texts.told, *(text for _, text in texts.alarms), texts.memory]
    lines = sum(lines_of(text, size, width - 24.0, bold=True) for text in full if text)
    weather = sum(lines_of(text, size, width * 0.5 - 20.0) for text in texts.weather)
    beside = max(RUN_PT * runs, line * (weather + 2))
    by_speed = SPEED_HEAD_PT + SPEED_ROW_PT * speeds if speeds else 0.0
    when = 1.3 * 14.0 * lines_of(texts.when, 14.0, width - 10.0, bold=True) if texts.when else 0.0
    return HEAD_PT + when + lines * line + RUNS_HEAD_PT + beside + by_speed + SPARE_PT
