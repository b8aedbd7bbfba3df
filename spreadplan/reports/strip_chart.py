"""The strip of a run, drawn: landmarks left of the road, distances in it, settings right of it.

All sizes are points, so that a driver at arm's length reads what stands in `Print`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from spreadplan.reports.figure import INK, MUTED, WHITE, Drawing
from spreadplan.reports.sheet import Sheet
from spreadplan.reports.text_width import width_pt
from spreadplan.views.display import short
from spreadplan.views.strip import Strip, StripPiece, marks_that_fit, spread_out

SHADE: Final = "#6f7a84"
"""Sensitive road: dark enough to be seen in grey print and by dash light."""
MARK_PT: Final = 12.0
TICK_PT: Final = 11.0
EDGE_PT: Final = 8.0
HEAD_PT: Final = 15.0
GAP_PT: Final = 9.0
#: as on street signs; Publication 28, Postal Addressing Standards, United States Postal Service,
#: appendix C, from memory.
SHORT_WORDS: Final = {
    "Avenue": "Ave",
    "Boulevard": "Blvd",
    "County": "Co",
    "Drive": "Dr",
    "East": "E",
    "Highway": "Hwy",
    "Lane": "Ln",
    "North": "N",
    "Road": "Rd",
    "South": "S",
    "State": "St",
    "Street": "St",
    "West": "W",
    "eastbound": "EB",
    "northbound": "NB",
    "southbound": "SB",
    "westbound": "WB",
}


@dataclass(frozen=True)
class Spacing:
    """How a column shares its width: a part of it for landmarks, none where there is no room; the
    road's width, from the road to the distances, and from those to the settings.
    """

    landmarks: float
    road_pt: float
    lead_pt: float
    sign_pt: float


#: by how many columns there are.
SPACINGS: Final = {
    1: Spacing(0.36, 30.0, 24.0, 26.0),
    2: Spacing(0.36, 26.0, 16.0, 22.0),
    3: Spacing(0.0, 24.0, 13.0, 18.0),
}
MOST_COLUMNS: Final = max(SPACINGS)


@dataclass(frozen=True)
class Print:
    """Size of a setting, of the speed that goes with it and of what stands beside them, and the
    height of the line.
    """

    dial_pt: float
    held_pt: float
    side_pt: float
    line_pt: float


#: largest first.
PRINTS: Final = (
    Print(30.0, 22.0, 16.0, 36.0),
    Print(24.0, 18.0, 14.0, 29.0),
    Print(20.0, 16.5, 13.0, 24.0),
    Print(17.0, 16.0, 12.0, 20.0),
    Print(16.0, 16.0, 11.5, 17.5),
)


def fits(strip: Strip, width: float, height: float) -> tuple[Print, int]:
    """The largest print for a strip on a page, and in how many columns its road is cut."""
    room, pieces = height - HEAD_PT - EDGE_PT, len(strip.pieces)
    for columns in range(1, MOST_COLUMNS + 1):
        lines = -(-pieces // columns)
        for size in PRINTS:
            wide = _places(strip, strip.pieces, size, SPACINGS[columns], width / columns)[-1]
            if size.line_pt * lines <= room and wide <= width / columns:
                return size, columns
    line = room / max(-(-pieces // MOST_COLUMNS), 1)
    dial, side = min(11.5, 0.95 * line), min(11.0, 0.95 * line)
    return Print(dial, dial, side, line), MOST_COLUMNS


def strip_drawing(strip: Strip, width_pt: float, height_pt: float, name: str) -> Drawing:
    """A strip as a drawing of this size; `name` as in `figure.svg`."""
    size, columns = fits(strip, width_pt, height_pt)
    sheet = Sheet(width_pt, height_pt)
    wide = width_pt / columns
    share = -(-len(strip.pieces) // columns)
    for column in range(columns):
        pieces = strip.pieces[column * share : (column + 1) * share]
        if pieces:
            spacing = SPACINGS[columns]
            _Panel(sheet, strip, pieces, size, spacing, column * wide, wide).draw()
    return Drawing(sheet.figure_of(), strip.alt, name)


@dataclass(frozen=True)
class _Panel:
    """One column of the strip, from ``left`` on: the road between two distances."""

    sheet: Sheet
    strip: Strip
    pieces: tuple[StripPiece, ...]
    size: Print
    spacing: Spacing
    left: float
    wide: float

    @property
    def road_x(self) -> float:
        """Where the road's left edge is, right of the landmarks."""
        return self.left + _road_x(self.spacing, self.wide)

    @property
    def high(self) -> float:
        """Height of the strip."""
        return self.sheet.height_pt

    def y_of(self, at: float) -> float:
        """Height of a distance along the road."""
        low, high = self.pieces[0].at, self.pieces[-1].end
        share = (at - low) / (high - low) if high > low else 0.0
        top = HEAD_PT + EDGE_PT + 4.0
        return top + share * (self.high - top - EDGE_PT - 4.0)

    def holds(self, at: float) -> bool:
        """Whether a distance lies on this column."""
        return self.pieces[0].at - 1e-9 <= at <= self.pieces[-1].end + 1e-9

    def draw(self) -> None:
        """Everything, from the road outwards."""
        self._road()
        self._ticks()
        if self.spacing.landmarks:
            self._marks()
        self._settings()

    def _road(self) -> None:
        left, right = self.road_x, self.road_x + self.spacing.road_pt
        low, high = self.pieces[0].at, self.pieces[-1].end
        self._bar(low, high, WHITE)
        for begin, end in self.strip.areas:
            if begin < high and end > low:
                self._bar(max(begin, low), min(end, high), SHADE)
        middle = (left + right) / 2.0
        for one in self.pieces:
            if one.off:
                road = [(middle, self.y_of(one.at)), (middle, self.y_of(one.end))]
                self.sheet.line(road, INK, 1.2, (1.0, 3.0))
        for at in (*(one.at for one in self.pieces), high):
            self.sheet.line([(left - 3.0, self.y_of(at)), (right + 5.0, self.y_of(at))], INK, 2.2)

    def _bar(self, begin: float, end: float, colour: str) -> None:
        top, bottom = self.y_of(begin), self.y_of(end)
        wide = self.spacing.road_pt
        self.sheet.box(self.road_x, top, wide, bottom - top, colour, edge=1.4)

    def _ticks(self) -> None:
        left, right = self.road_x, self.road_x + self.spacing.road_pt
        middle = (left + right) / 2.0
        for one in self.strip.ticks():
            if not self.holds(one):
                continue
            y, text = self.y_of(one), f"{one:g}"
            for begin in (left, right - 4.0):
                self.sheet.line([(begin, y), (begin + 4.0, y)], INK, 1.2)
            half = width_pt(text, TICK_PT, True) / 2.0 + 1.0
            self.sheet.box(middle - half, y - 5.5, 2.0 * half, 11.0, WHITE)
            self.sheet.text(middle, y, text, TICK_PT, "center", bold=True)

    def _marks(self) -> None:
        gap, low, high = MARK_PT * 1.25, HEAD_PT + EDGE_PT, self.high - EDGE_PT
        mine = [one for one in self.strip.marks if self.holds(one.at)]
        mine = marks_that_fit(mine, int((high - low) / gap), self.strip.length)
        places = spread_out([self.y_of(one.at) for one in mine], gap, low, high)
        edge = self.road_x - 22.0
        mile = max((width_pt(f"{one.at:.1f}", TICK_PT) for one in mine), default=0.0) + 9.0
        for one, y in zip(mine, places, strict=True):
            bold, at = one.kind in ("reload", "area", "yard"), self.y_of(one.at)
            name = fitted(one.name, edge - mile - self.left, MARK_PT, bold)
            self.sheet.text(edge - mile, y, name, MARK_PT, "right", bold=bold)
            self.sheet.text(edge - 3.0, y, f"{one.at:.1f}", TICK_PT, "right")
            self.sheet.line([(edge, y), (edge + 12.0, at), (edge + 22.0, at)], MUTED, 0.8)

    def _settings(self) -> None:
        size, lead = self.size, self.spacing.lead_pt
        left, dial, held, road = (
            self.left + x for x in _places(self.strip, self.pieces, size, self.spacing, self.wide)
        )
        wanted = [self.y_of(one.at) for one in self.pieces]
        half = size.line_pt / 2.0
        places = spread_out(wanted, size.line_pt, HEAD_PT + half, self.high - half)
        for x, text in ((left, self.strip.unit), (dial, self.strip.dial), (held, self.strip.held)):
            self.sheet.text(x, 6.0, text, TICK_PT)
        for one, y, at in zip(self.pieces, places, wanted, strict=True):
            self.sheet.line([(left - lead + 5.0, at), (left - 4.0, y)], MUTED, 0.8)
            self.sheet.text(left, y, one.mile, size.side_pt)
            if one.sensitive or one.trouble:
                side, letter = min(15.0, size.line_pt - 1.0), "!" if one.trouble else "S"
                shade = INK if one.trouble else SHADE
                self.sheet.box(dial - side - 2.0, y - side / 2.0, side, side, shade)
                middle = dial - 2.0 - side / 2.0
                self.sheet.text(middle, y, letter, 0.8 * side, "center", bold=True, colour=WHITE)
            self.sheet.text(dial, y, one.dial, size.dial_pt, bold=True)
            self.sheet.text(held, y, one.held, size.held_pt, bold=True)
            room = self.left + self.wide - road
            self.sheet.text(road, y, fitted(one.road, room, size.side_pt), size.side_pt)


def _road_x(spacing: Spacing, wide: float) -> float:
    return max(wide * spacing.landmarks, 5.0)


def _places(
    strip: Strip, pieces: Sequence[StripPiece], size: Print, spacing: Spacing, wide: float
) -> tuple[float, float, float, float]:
    """Where in a column distances, settings, speeds and roads begin."""

    def widest(name: str, size_pt: float, bold: bool) -> float:
        return max((width_pt(getattr(one, name), size_pt, bold) for one in pieces), default=0.0)

    mile = _road_x(spacing, wide) + spacing.road_pt + spacing.lead_pt
    dial = mile + spacing.sign_pt + widest("mile", size.side_pt, False)
    head = width_pt(strip.dial, TICK_PT), width_pt(strip.held, TICK_PT)
    held = dial + GAP_PT + max(widest("dial", size.dial_pt, True), head[0])
    road = held + GAP_PT + max(widest("held", size.held_pt, True), head[1])
    return mile, dial, held, road


def fitted(text: str, room_pt: float, size_pt: float, bold: bool = False) -> str:
    """A name that takes no more room: as it is, with its usual short words, or cut in its middle;
    "" where hardly a letter has room.
    """
    if width_pt(text, size_pt, bold) <= room_pt:
        return text
    text = " ".join(SHORT_WORDS.get(word, word) for word in text.split(" "))
    if width_pt(text, size_pt, bold) <= room_pt:
        return text
    for letters in range(len(text) - 1, 3, -1):
        cut = short(text, letters)
        if width_pt(cut, size_pt, bold) <= room_pt:
            return cut
    return ""
