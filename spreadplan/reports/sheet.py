"""Lines, boxes and texts on a figure without axes: fast enough for hundreds of drawings.

Places are points from the upper left corner. A text is placed by the widths of its own letters,
which `text_width` knows; nothing has to be laid out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.transforms import Affine2D

from spreadplan.reports.figure import INK
from spreadplan.reports.text_width import width_pt

Point = tuple[float, float]
SIDES: Final = {"left": 0.0, "center": 0.5, "right": 1.0}
#: height of a capital as a share of the print.
CAPITAL: Final = 0.71


@dataclass(frozen=True)
class _Stroke:
    """A line or a box. fill : None for a line."""

    points: tuple[Point, ...]
    colour: str
    width: float
    fill: str | None
    dashes: tuple[float, ...]


@dataclass(frozen=True)
class _Word:
    """A text with its left end and its baseline."""

    x: float
    y: float
    text: str
    size: float
    bold: bool
    colour: str


@cache
def _font(size: float, bold: bool) -> FontProperties:
    return FontProperties(size=size, weight="bold" if bold else "normal")


class Canvas(Artist):
    """What is drawn, in the order in which it was added."""

    def __init__(self, width_pt: float, height_pt: float) -> None:
        super().__init__()
        self.width_pt, self.height_pt = width_pt, height_pt
        self._drawn: list[_Stroke | _Word] = []

    def line(
        self,
        points: Sequence[Point],
        colour: str,
        width: float,
        dashes: tuple[float, ...] = (),
    ) -> None:
        """A line through points."""
        self._drawn.append(_Stroke(tuple(points), colour, width, None, dashes))

    def box(
        self, x: float, y: float, wide: float, high: float, fill: str, edge: float = 0.0
    ) -> None:
        """A filled box from its upper left corner; ``edge`` is the width of a line around it."""
        corners = ((x, y), (x + wide, y), (x + wide, y + high), (x, y + high), (x, y))
        self._drawn.append(_Stroke(corners, INK, edge, fill, ()))

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        side: str = "left",
        *,
        bold: bool = False,
        colour: str = INK,
    ) -> None:
        """A text whose ``side`` stands at x and the middle of whose capitals stands at y."""
        if text:
            start = x - SIDES[side] * width_pt(text, size, bold)
            self._drawn.append(_Word(start, y + CAPITAL / 2.0 * size, text, size, bold, colour))

    def figure_of(self) -> Figure:
        """A figure of its size that holds it."""
        figure = Figure(figsize=(self.width_pt / 72.0, self.height_pt / 72.0))
        figure.add_artist(self)
        return figure

    def draw(self, renderer: Any) -> None:
        """Called when the figure is drawn."""
        upright = Affine2D().scale(1.0, -1.0).translate(0.0, self.height_pt)
        for one in self._drawn:
            pen = renderer.new_gc()
            pen.set_foreground(one.colour)
            if isinstance(one, _Word):
                font = _font(one.size, one.bold)
                renderer.draw_text(pen, one.x, one.y, one.text, font, 0.0)
            else:
                pen.set_linewidth(one.width)
                if one.dashes:
                    pen.set_dashes(0.0, one.dashes)
                renderer.draw_path(pen, Path(one.points), upright, _colour(one.fill))
            pen.restore()


def _colour(name: str | None) -> tuple[float, ...] | None:
    if name is None:
        return None
    return tuple(int(name[at : at + 2], 16) / 255.0 for at in (1, 3, 5))
