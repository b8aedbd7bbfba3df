"""The strip of a run, drawn: landmarks left of the road, distances in it, settings right of it.

All sizes are points, so that a driver at arm's length reads what stands in `Print`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

from spreadplan.reports.figure import INK, MUTED, WHITE, Drawing
from spreadplan.reports.sheet import Canvas
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


@dataclass(frozen=True, kw_only=True)
class Spacing:
    """How a column shares its width: the road's width, from the road to the distances, from those
    to the settings; the least and the most share of the width that landmarks get; what is left for
    the names of roads rather than print as large as can be.
    """

    road_pt: float
    lead_pt: float
    sign_pt: float
    least: float
    most: float
    roads_pt: float


#: by how many columns there are.
SPACINGS: Final = {
    1: Spacing(road_pt=30.0, lead_pt=24.0, sign_pt=26.0, least=0.22, most=0.36, roads_pt=70.0),
    2: Spacing(road_pt=26.0, lead_pt=16.0, sign_pt=22.0, least=0.02, most=0.36, roads_pt=0.0),
    3: Spacing(road_pt=24.0, lead_pt=13.0, sign_pt=18.0, least=0.0, most=0.02, roads_pt=0.0),
}
#: landmarks with less room than this are left out.
LEAST_MARK_PT: Final = 75.0
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
    for columns, spacing in SPACINGS.items():
        lines, wide = -(-pieces // columns), width / columns
        for size in PRINTS:
            beside = _beside(strip, size, spacing).road + spacing.least * wide
            beside += spacing.roads_pt if size is not PRINTS[-1] else 0.0
            if size.line_pt * lines <= room and beside <= wide:
                return size, columns
    line = min(room / max(-(-pieces // MOST_COLUMNS), 1), 12.0)
    spacing, smallest = SPACINGS[MOST_COLUMNS], Print(11.5, 11.5, 11.0, line)
    share = width / MOST_COLUMNS / _beside(strip, smallest, spacing).road
    letters = min(11.5, 0.95 * line, 11.5 * share)
    return Print(letters, letters, min(11.0, letters), line), MOST_COLUMNS


def strip_drawing(strip: Strip, width_pt: float, height_pt: float, name: str) -> Drawing:
    """A strip as a drawing of this size; `name` as in `figure.svg`."""
    size, columns = fits(strip, width_pt, height_pt)
    sheet = Canvas(width_pt, height_pt)
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

    sheet: Canvas
    strip: Strip
    pieces: tuple[StripPiece, ...]
    size: Print
    spacing: Spacing
    left: float
    wide: float

    @property
    def road_x(self) -> float:
        """Where the road's left edge is, right of the landmarks: they have what settings leave."""
        left = self.wide - _beside(self.strip, self.size, self.spacing).road - self.spacing.roads_pt
        return self.left + max(min(left, self.spacing.most * self.wide), 0.0) + 3.0

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
        if self.road_x - self.left >= LEAST_MARK_PT:
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
        for one, y in zip(mine, places, strict=True):
            bold, at = one.kind in ("reload", "area", "yard"), self.y_of(one.at)
            mile = f"\u2002{one.at:.1f}"
            room = edge - 3.0 - self.left - width_pt(mile, MARK_PT, bold)
            name = fitted(one.name, room, MARK_PT, bold) + mile
            self.sheet.text(edge - 3.0, y, name, MARK_PT, "right", bold=bold)
            self.sheet.line([(edge, y), (edge + 12.0, at), (edge + 22.0, at)], MUTED, 0.8)

    def _settings(self) -> None:
        size, lead = self.size, self.spacing.lead_pt
        beside = _beside(self.strip, size, self.spacing)
        left, dial, held, road = (self.road_x + x for x in beside)
        wanted = [self.y_of(one.at) for one in self.pieces]
        half = size.line_pt / 2.0
        places = spread_out(wanted, size.line_pt, HEAD_PT + half, self.high - half)
        heads = self.strip.unit, _head(self.strip.dial, size), _head(self.strip.held, size)
        for x, text in zip((left, dial, held), heads, strict=True):
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
            self.sheet.text(dial, y, one.dial, _dial_pt(one, size), bold=True)
            self.sheet.text(held, y, one.held, size.held_pt, bold=True)
            room = self.left + self.wide - road
            self.sheet.text(road, y, fitted(one.road, room, size.side_pt), size.side_pt)


class _Beside(NamedTuple):
    """Where distances, settings, speeds and roads begin, from the road's left edge."""

    mile: float
    dial: float
    held: float
    road: float


def _beside(strip: Strip, size: Print, spacing: Spacing) -> _Beside:
    """How much room the settings of a strip take."""
    miles = max((width_pt(one.mile, size.side_pt) for one in strip.pieces), default=0.0)
    dials = [width_pt(one.dial, _dial_pt(one, size), True) for one in strip.pieces]
    speeds = [width_pt(one.held, size.held_pt, True) for one in strip.pieces]
    dials.append(width_pt(_head(strip.dial, size), TICK_PT))
    speeds.append(width_pt(_head(strip.held, size), TICK_PT))
    mile = spacing.road_pt + spacing.lead_pt
    dial = mile + miles + spacing.sign_pt
    held = dial + 1.4 * GAP_PT + max(dials)
    return _Beside(mile, dial, held, held + GAP_PT + max(speeds))


def _head(text: str, size: Print) -> str:
    """The heading of a column; over small print only its first word has room."""
    return text if size in PRINTS else text.split()[0]


def _dial_pt(piece: StripPiece, size: Print) -> float:
    """Numbers are what is read from far; words in their place are smaller."""
    return size.dial_pt if any(map(str.isdigit, piece.dial)) else min(size.dial_pt, size.held_pt)


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
