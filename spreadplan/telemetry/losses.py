"""What could not be used of each telemetry file, and whose records it was.

A file most of which is unreadable says nothing about a truck's sensor: the truck's records are then
incomplete, whatever the rest of them says.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from spreadplan.errors import Problem

MOST_LOST: Final = 0.2
"""A file of which more than this share of the records cannot be used, or lacks one and the same
field, is named. Common practice, no source."""

#: Codes of trucks that are none: of a row that names none, or another agency's.
NOBODY, FOREIGN = -1, -2
UNKNOWN_TRUCK: Final = "truck not in trucks.csv"
#: Said of a record without any amount; usual in part of a file, not in all of it.
NO_AMOUNT: Final = "neither a total nor a rate is given"


@dataclass
class Spoilt:
    """Records of a file with the same fault: how many, and the first as an example."""

    count: int
    row: int
    example: str

    def more(self, count: int, row: int, example: str) -> None:
        """Add others of the file."""
        if row < self.row:
            self.row, self.example = row, example
        self.count += count


@dataclass
class Losses:
    """Counts of one scan, by number of file.

    Attributes
    ----------
    read : records read.
    named : trucks that its records name.
    refused : by file and kind of reason: records that were refused; a repeated one is not lost.
    left_out : likewise, records that are used without one of their fields.
    trucks : refused records by file and truck; `NOBODY`, `FOREIGN` where it is not known.
    """

    read: dict[int, int] = field(default_factory=dict)
    named: dict[int, set[int]] = field(default_factory=dict)
    refused: dict[tuple[int, str], Spoilt] = field(default_factory=dict)
    left_out: dict[tuple[int, str], Spoilt] = field(default_factory=dict)
    trucks: dict[tuple[int, int], int] = field(default_factory=dict)

    def seen(self, file: int, rows: int, trucks: NDArray[Any]) -> None:
        """Rows of a file were read; ``trucks`` : codes of those that are records."""
        self.read[file] = self.read.get(file, 0) + rows
        of_truck = np.bincount(np.maximum(trucks, NOBODY) - NOBODY)[-NOBODY:]
        self.named.setdefault(file, set()).update(np.flatnonzero(of_truck).tolist())

    def refuse(self, file: int, trucks: NDArray[Any]) -> None:
        """Records of these trucks were refused."""
        counts = np.bincount(trucks - FOREIGN)
        for place in np.flatnonzero(counts).tolist():
            key = file, place + FOREIGN
            self.trucks[key] = self.trucks.get(key, 0) + int(counts[place])

    def leave_out(self, file: int, kind: str, count: int, row: int, example: str) -> None:
        """Records are used without a field."""
        _add(self.left_out, (file, kind), count, row, example)

    def count_refused(
        self,
        file: NDArray[Any],
        row: NDArray[Any],
        reason: NDArray[Any],
        kinds: Sequence[str],
        texts: Sequence[str],
    ) -> None:
        """Take up what was refused, shape (n,) each; ``reason`` points into the other two."""
        order = np.lexsort((row, reason, file))
        file, row, reason = file[order], row[order], reason[order]
        new = np.flatnonzero(np.diff(file, prepend=-1) | np.diff(reason, prepend=-1))
        for at, count in zip(new.tolist(), np.diff(np.append(new, len(file))), strict=True):
            code = int(reason[at])
            key = int(file[at]), kinds[code]
            _add(self.refused, key, int(count), int(row[at]), texts[code])

    def unusable(self) -> set[int]:
        """Files of which too many records were refused."""
        lost: dict[int, int] = {}
        for (file, _), spoilt in self.refused.items():
            lost[file] = lost.get(file, 0) + spoilt.count
        return {file for file, count in lost.items() if count > MOST_LOST * self.read[file]}

    def problems(self, shown: Sequence[str]) -> Iterator[Problem]:
        """One caution for each file that is spoilt; ``shown`` : their names."""
        unusable = self.unusable()
        for file, name in enumerate(shown):
            read = self.read.get(file, 0)
            if not read:
                what, remedy = "holds no record", "export it again, or remove it"
                yield Problem(file=name, row=0, column="*", what=what, remedy=remedy, fatal=False)
            elif file in unusable:
                reasons = [(k, one) for (at, k), one in self.refused.items() if at == file]
                yield _refused_caution(name, read, reasons)
            for (at, kind), one in self.left_out.items():
                least = 1.0 if kind == NO_AMOUNT else MOST_LOST
                if at == file and (one.count > least * read or one.count == read):
                    why = f", as row {one.row}: {one.example}" if one.example != kind else ""
                    what = f"{_share(one.count, read)}: {kind}{why}"
                    remedy = "the rest of each is used; put the column right in the export"
                    if "not on the globe" in one.example:
                        remedy = "are longitude and latitude exchanged? The rest of each is used"
                    yield Problem(
                        file=name, row=one.row, column="*", what=what, remedy=remedy, fatal=False
                    )

    def usable_shares(
        self, kept: Mapping[str, int], trucks: Sequence[str], shown: Sequence[str]
    ) -> dict[str, float]:
        """Share of each truck's records that could be used, of trucks that a spoilt file touches.

        A record without a truck may be of any that its file names, in its records or in its own
        name; where it names none, of any truck.

        Parameters
        ----------
        kept : truck → records used.
        trucks : truck of each code; ``shown`` : name of each file.
        """
        lost: dict[int, int] = {}
        unusable = self.unusable()
        for (file, truck), count in self.trucks.items():
            if file in unusable and truck != FOREIGN:
                whose: Iterable[int] = [truck]
                if truck == NOBODY:
                    whose = (
                        self.named.get(file) or _in_name(shown[file], trucks) or range(len(trucks))
                    )
                for one in whose:
                    lost[one] = lost.get(one, 0) + count
        return {
            trucks[one]: kept.get(trucks[one], 0) / (kept.get(trucks[one], 0) + count)
            for one, count in sorted(lost.items())
        }


def _add(
    table: dict[tuple[int, str], Spoilt], key: tuple[int, str], count: int, row: int, example: str
) -> None:
    if key in table:
        table[key].more(count, row, example)
    else:
        table[key] = Spoilt(count, row, example)


def _share(count: int, read: int) -> str:
    return (
        f"all {read:,} records"
        if count == read
        else (f"{count:,} of {read:,} records ({100 * count / read:.0f} %)")
    )


def _refused_caution(name: str, read: int, reasons: list[tuple[str, Spoilt]]) -> Problem:
    count = sum(one.count for _, one in reasons)
    kind, most = max(reasons, key=lambda reason: reason[1].count)
    of_them = "" if most.count == count else f", {most.count:,} of them"
    why = f", as row {most.row}: {most.example}" if most.example != kind else ""
    what = f"{_share(count, read)} refused{of_them}: {kind}{why}"
    remedy = "put the export right; until then no truck is judged by the file"
    if kind == UNKNOWN_TRUCK:
        remedy = "spell the truck as trucks.csv does, or add it there"
    return Problem(file=name, row=most.row, column="*", what=what, remedy=remedy, fatal=False)


# --- whose records ------------------------------------------------------------------------------


def _plain(name: str) -> str:
    return re.sub(r"[\W_]", "", name).casefold()


def _digits(name: str) -> str:
    return re.sub(r"\D", "", name).lstrip("0")


class Alike:
    """Which truck a name that is not listed stands for: spelt otherwise, or its number alone.

    >>> alike = Alike(["TC-105", "TC-107"])
    >>> alike.truck("tc 107"), alike.truck("107"), alike.truck("B-22")
    (1, 1, -2)
    """

    def __init__(self, trucks: Sequence[str]) -> None:
        self._by_letters: dict[str, list[int]] = {}
        self._by_number: dict[str, list[int]] = {}
        self._numbers = all(truck.isdigit() for truck in trucks)
        for code, truck in enumerate(trucks):
            self._by_letters.setdefault(_plain(truck), []).append(code)
            self._by_number.setdefault(_digits(truck), []).append(code)

    def truck(self, word: str) -> int:
        """Its code; `NOBODY` for no name, `FOREIGN` where no truck or more than one is like it."""
        if not word:
            return NOBODY
        found = self._by_letters.get(_plain(word), []) if _plain(word) else []
        number = _digits(word)
        if not found and number and (word.isdigit() or self._numbers):
            found = self._by_number.get(number, [])
        return found[0] if len(found) == 1 else FOREIGN


def _in_name(file: str, trucks: Sequence[str]) -> list[int]:
    """Trucks that the name of a file names."""
    name = _plain(file.rsplit("/", 1)[-1])
    return [at for at, truck in enumerate(trucks) if _plain(truck) and _plain(truck) in name]
