"""How a cab card is spread over pages, and how large it is printed.

Heights are those of `cab_card.html` as printed, in points, a little on the safe side; the tests
that count pages of crowded cards tell when they no longer hold.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

#: height of the page between its margins.
PAGE_PT: Final = {"letter": 731.0, "A4": 781.0}
#: truck and route, material and yard; the closing line.
FRAME_PT: Final = 108.0 + 34.0
KEYS_HEAD_PT: Final = 22.0
KEY_ROW_PT: Final = 46.5
LIST_HEAD_PT: Final = 39.0
SPEED_HEAD_PT: Final = 20.0
SPEED_ROW_PT: Final = 39.0
LINE_PT: Final = 18.2
MOST_COLUMNS: Final = 4


@dataclass(frozen=True)
class Size:
    """How a list of changes is printed: class of the style sheet, height of a row, lists side by
    side, letters of a road's name with one column of settings, and those that each further column
    takes away.
    """

    name: str
    row_pt: float
    lists: int
    road_letters: int
    letters_per_dial: int


SIZES: Final = (
    Size("huge", 32.5, 1, 36, 5), Size("large", 25.5, 1, 42, 6), Size("usual", 20.2, 1, 50, 7),
    Size("double", 20.2, 2, 20, 99),
)  # fmt: skip


@dataclass(frozen=True)
class Needs:
    """What of a block decides its height: columns, changes, rows by speed, lines of text."""

    columns: int
    changes: int
    speeds: int
    lines: int


@dataclass(frozen=True, kw_only=True)
class Page:
    """Changes ``first`` to ``last`` (excluded), with so many rows by speed, of the block that holds
    all columns (``together``) or of the block of one column.
    """

    size: Size
    together: bool
    block: int
    first: int
    last: int
    speeds: int


def arrange(
    together: Needs, apart: Sequence[Needs], paper: str, sensitive_lines: int
) -> list[Page]:
    """Pages of a card: one for all columns if any size allows it, else one or more for each."""
    room = PAGE_PT[paper] - FRAME_PT - LINE_PT * sensitive_lines
    page = _one_page(together, room, 0, True) if together.columns <= MOST_COLUMNS else None
    if page is not None:
        return [page]
    pages: list[Page] = []
    for number, needs in enumerate(apart):
        page = _one_page(needs, room, number, False)
        pages += [page] if page is not None else _overleaf(needs, room, number)
    return pages


def _one_page(needs: Needs, room: float, block: int, together: bool) -> Page | None:
    """The largest print that fits; rather fewer rows by speed than another page."""
    for speeds in range(needs.speeds, min(needs.speeds, 1) - 1, -1):
        for size in SIZES:
            if size.lists > 1 and needs.columns > 1:
                continue
            if height_pt(needs, size, speeds) <= room:
                return Page(
                    size=size,
                    together=together,
                    block=block,
                    first=0,
                    last=needs.changes,
                    speeds=speeds,
                )
    return None


def height_pt(needs: Needs, size: Size, speeds: int) -> float:
    """Height of a block; a single setting needs no list."""
    listed = 0.0
    if needs.changes > 1:
        listed = LIST_HEAD_PT + size.row_pt * -(-needs.changes // size.lists)
    by_speed = SPEED_HEAD_PT + SPEED_ROW_PT * speeds if speeds else 0.0
    keys = KEYS_HEAD_PT + KEY_ROW_PT * needs.columns
    return keys + listed + by_speed + LINE_PT * needs.lines


def _overleaf(needs: Needs, room: float, block: int) -> Iterator[Page]:
    """A list that no page holds, on as many as it takes."""
    size, speeds = SIZES[-1], min(needs.speeds, 1)
    fixed = height_pt(Needs(1, 0, needs.speeds, needs.lines + 1), size, speeds) + LIST_HEAD_PT
    first = max(2, size.lists * int((room - fixed) / size.row_pt))
    full = max(2, size.lists * int((room - LIST_HEAD_PT - 2 * LINE_PT) / size.row_pt))
    cuts = [0, *range(first, needs.changes, full), needs.changes]
    for start, end in pairwise(cuts):
        yield Page(size=size, together=False, block=block, first=start, last=end, speeds=speeds)
