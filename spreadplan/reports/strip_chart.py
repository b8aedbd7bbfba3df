"""The strip of a run, drawn: distances and landmarks left of the road, settings right of it.

All sizes are points, so that a driver at arm's length reads what stands in `Print`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure

from spreadplan.reports.figure import INK, LINE, MUTED, WHITE, Drawing, house_style
from spreadplan.reports.text_width import width_pt
from spreadplan.views.display import short
from spreadplan.views.strip import Strip, StripPiece, marks_that_fit, spread_out

SHADE: Final = "#6f7a84"
"""Sensitive road: dark enough to be seen in grey print and by dash light."""
MARK_PT: Final = 12.0
TICK_PT: Final = 11.0
EDGE_PT: Final = 8.0
#: the road, and how far what belongs to it stands from it.
ROAD_PT: Final = 20.0
MOST_COLUMNS: Final = 3


@dataclass(frozen=True)
class Print:
    """Size of a setting and of what stands beside it, and the height of its line."""

    dial_pt: float
    side_pt: float
    line_pt: float


#: largest first.
PRINTS: Final = (
    Print(30.0, 16.0, 36.0),
    Print(24.0, 14.0, 29.0),
    Print(20.0, 13.0, 24.0),
    Print(17.0, 12.0, 20.0),
    Print(16.0, 11.5, 17.5),
)


def fits(pieces: int, height_pt: float) -> tuple[Print, int]:
    """The largest print for so many settings, and in how many columns the road is cut."""
    room = height_pt - 2.0 * EDGE_PT
    for columns in range(1, MOST_COLUMNS + 1):
        lines = -(-pieces // columns)
        for size in PRINTS:
            if size.line_pt * lines <= room:
                return size, columns
    return Print(11.5, 11.0, room / max(-(-pieces // MOST_COLUMNS), 1)), MOST_COLUMNS


def strip_drawing(strip: Strip, width_pt: float, height_pt: float, name: str) -> Drawing:
    """A strip as a drawing of this size; `name` as in `figure.svg`."""
    size, columns = fits(len(strip.pieces), height_pt)
    with house_style():
        figure = Figure(figsize=(width_pt / 72.0, height_pt / 72.0))
        wide = width_pt / columns
        share = -(-len(strip.pieces) // columns)
        for column in range(columns):
            pieces = strip.pieces[column * share : (column + 1) * share]
            if not pieces:
                break
            axes = figure.add_axes((column / columns, 0.0, 1.0 / columns, 1.0))
            axes.set(xlim=(0.0, wide), ylim=(height_pt, 0.0))
            axes.set_axis_off()
            _Panel(axes, strip, pieces, size, wide, height_pt).draw(last=pieces[-1] is strip.pieces[-1])
    return Drawing(figure, strip.alt, name)


@dataclass(frozen=True)
class _Panel:
    """One column of the strip: the road between two distances."""

    axes: Axes
    strip: Strip
    pieces: tuple[StripPiece, ...]
    size: Print
    wide: float
    high: float

    @property
    def road_x(self) -> float:
        """Where the road's left edge is: landmarks take a third of the width."""
        return self.wide * 0.36

    def y_of(self, at: float) -> float:
        """Height of a distance along the road."""
        low, high = self.pieces[0].at, self.pieces[-1].end
        share = (at - low) / (high - low) if high > low else 0.0
        return EDGE_PT + 4.0 + share * (self.high - 2.0 * EDGE_PT - 8.0)

    def holds(self, at: float) -> bool:
        """Whether a distance lies on this column."""
        return self.pieces[0].at - 1e-9 <= at <= self.pieces[-1].end + 1e-9

    def draw(self, last: bool) -> None:
        """Everything, from the road outwards."""
        self._road()
        self._ticks(last)
        self._marks()
        self._settings()

    def _road(self) -> None:
        left, right = self.road_x, self.road_x + ROAD_PT
        low, high = self.pieces[0].at, self.pieces[-1].end
        self._bar(left, right, low, high, WHITE)
        for begin, end in self.strip.areas:
            if begin < high and end > low:
                self._bar(left, right, max(begin, low), min(end, high), SHADE)
        cuts = [[(left - 3, self.y_of(one.at)), (right + 5, self.y_of(one.at))] for one in self.pieces]
        cuts.append([(left - 3, self.y_of(high)), (right + 5, self.y_of(high))])
        self.axes.add_collection(LineCollection(cuts, colors=INK, linewidths=2.2))
        idle = [
            [(left + ROAD_PT / 2, self.y_of(one.at)), (left + ROAD_PT / 2, self.y_of(one.end))]
            for one in self.pieces
            if one.off
        ]
        self.axes.add_collection(LineCollection(idle, colors=INK, linewidths=1.2, linestyles="dotted"))

    def _bar(self, left: float, right: float, begin: float, end: float, colour: str) -> None:
        top, bottom = self.y_of(begin), self.y_of(end)
        corners = [[(left, top), (right, top), (right, bottom), (left, bottom)]]
        self.axes.add_collection(
            PolyCollection(corners, facecolors=colour, edgecolors=INK, linewidths=1.4)
        )

    def _ticks(self, last: bool) -> None:
        at = [one for one in self.strip.ticks() if self.holds(one)]
        left = self.road_x
        marks = [[(left - 8, self.y_of(one)), (left, self.y_of(one))] for one in at]
        self.axes.add_collection(LineCollection(marks, colors=INK, linewidths=1.2))
        for one in at:
            self._text(left - 11, self.y_of(one), f"{one:g}", TICK_PT, "right", bold=True)

    def _marks(self) -> None:
        mine = [one for one in self.strip.marks if self.holds(one.at)]
        gap = MARK_PT * 1.25
        mine = marks_that_fit(mine, int((self.high - 2 * EDGE_PT) / gap), self.strip.length)
        places = spread_out(
            [self.y_of(one.at) for one in mine], gap, EDGE_PT + 2, self.high - EDGE_PT - 2
        )
        edge = self.road_x - 46.0
        lines = []
        for one, y in zip(mine, places, strict=True):
            bold = one.kind in ("reload", "area", "yard")
            self._text(edge - 3, y, fitted(one.name, edge - 4, MARK_PT, bold), MARK_PT, "right", bold=bold)
            lines.append([(edge, y), (edge + 10, self.y_of(one.at)), (edge + 16, self.y_of(one.at))])
        self.axes.add_collection(LineCollection(lines, colors=MUTED, linewidths=0.8))

    def _settings(self) -> None:
        size, left = self.size, self.road_x + ROAD_PT + 24.0
        wanted = [self.y_of(one.at) for one in self.pieces]
        half = size.line_pt / 2.0
        places = spread_out(wanted, size.line_pt, half, self.high - half)
        miles = max(width_pt(one.mile, size.side_pt, True) for one in self.pieces)
        dials = max(width_pt(one.dial, size.dial_pt, True) for one in self.pieces)
        held = max(width_pt(one.held, size.side_pt, True) for one in self.pieces)
        lines = []
        for one, y, at in zip(self.pieces, places, wanted, strict=True):
            lines.append([(left - 19, at), (left - 4, y)])
            x = left
            self._text(x, y, one.mile, size.side_pt, "left")
            x += miles + 8.0
            if one.sensitive or one.trouble:
                self._sign(x, y, "!" if one.trouble else "S", one.trouble)
            x += 18.0
            self._text(x, y, one.dial, size.dial_pt, "left", bold=True)
            x += dials + 9.0
            self._text(x, y, one.held, size.side_pt, "left", bold=True)
            x += held + 9.0
            self._text(x, y, fitted(one.road, self.wide - x, size.side_pt), size.side_pt, "left")
        self.axes.add_collection(LineCollection(lines, colors=MUTED, linewidths=0.8))

    def _sign(self, x: float, y: float, letter: str, alarm: bool) -> None:
        self._bar_at(x, y, 15.0, INK if alarm else SHADE)
        self._text(x + 7.5, y, letter, 12.0, "center", bold=True, colour=WHITE)

    def _bar_at(self, x: float, y: float, side: float, colour: str) -> None:
        top, bottom = y - side / 2, y + side / 2
        corners = [[(x, top), (x + side, top), (x + side, bottom), (x, bottom)]]
        self.axes.add_collection(PolyCollection(corners, facecolors=colour, edgecolors="none"))

    def _text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        side: str,
        *,
        bold: bool = False,
        colour: str = INK,
    ) -> None:
        if text:
            # the height of a capital is about 0.71 of the print: its middle stands at y
            self.axes.text(
                x, y + 0.355 * size, text, fontsize=size, ha=side, va="baseline", color=colour,
                fontweight="bold" if bold else "normal",
            )  # fmt: skip


def fitted(text: str, room_pt: float, size_pt: float, bold: bool = False) -> str:
    """A name cut in its middle so that it takes no more room; "" where hardly a letter has any."""
    if width_pt(text, size_pt, bold) <= room_pt:
        return text
    for letters in range(len(text) - 1, 3, -1):
        cut = short(text, letters)
        if width_pt(cut, size_pt, bold) <= room_pt:
            return cut
    return ""
