"""How wide a text is in the font of the reports, and how many lines it takes.

Where a page must hold what it is given, guessing by letters is too coarse: the widths of the
letters are looked up in the font itself.
"""

from __future__ import annotations

from functools import cache
from typing import Final

from matplotlib.ft2font import FT2Font, LoadFlags

from spreadplan.resources import resource

_UNITS: Final = 1000.0
"""Size at which letters are looked up, so that rounding does not matter."""


@cache
def _font(bold: bool) -> FT2Font:
    name = "Roboto-Bold.ttf" if bold else "Roboto-Regular.ttf"
    font = FT2Font(str(resource("templates") / "fonts" / name))
    font.set_size(_UNITS, 72)
    return font


@cache
def _advance(letter: str, bold: bool) -> float:
    """Width of a letter as a share of the size of the print.

    A letter that the font lacks comes from another one; none is wider than it is high.
    """
    font = _font(bold)
    if not font.get_char_index(ord(letter)):
        return 1.0
    glyph = font.load_char(ord(letter), flags=LoadFlags.NO_HINTING)
    return float(glyph.linearHoriAdvance) / 65536.0 / _UNITS


def width_pt(text: str, size_pt: float, bold: bool = False) -> float:
    """Width of a text on one line, points, without kerning."""
    return size_pt * sum(_advance(letter, bold) for letter in text)


def lines_of(text: str, size_pt: float, room_pt: float, bold: bool = False) -> int:
    """Lines that a text takes in a column ``room_pt`` wide, filled word by word.

    >>> lines_of("one two three", 10.0, 500.0), lines_of("one two three", 10.0, 40.0)
    (1, 2)
    """
    space = width_pt(" ", size_pt, bold)
    lines, used = 1, 0.0
    for word in text.split(" "):
        wide = width_pt(word, size_pt, bold)
        if used and used + space + wide > room_pt:
            lines, used = lines + 1, 0.0
        used += wide + (space if used else 0.0)
        while used > room_pt:
            lines, used = lines + 1, used - room_pt
    return lines
