"""What a column and a table are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from spreadplan.units import SUFFIXES

Kind = Literal["id", "text", "choice", "flag", "whole", "number", "time", "quantity", "lengths"]


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    name : the name without its unit suffix.
    meaning : what it holds, in words for the person who fills it in.
    kind : how the text is understood; ``lengths`` is a list separated by semicolons.
    quantity : for ``quantity`` and ``lengths``, a key of `spreadplan.units.SUFFIXES`, or ``rate``.
    unit : the suffix that the column carries inside the package; the quantity's first by default.
    required : whether every row needs a value.
    default : what an empty cell or an absent column stands for.
    low, high : accepted values in the inside unit; ``above`` says that ``low`` itself is refused.
    choices : accepted words.
    example : a value for the starter workspace.
    shown : the suffix used in the starter workspace and in messages; the inside unit by default.
    """

    name: str
    meaning: str
    kind: Kind = "text"
    quantity: str = ""
    unit: str = ""
    required: bool = True
    default: object = None
    low: float | None = None
    high: float | None = None
    above: bool = False
    choices: tuple[str, ...] = ()
    example: str = ""
    shown: str = ""

    @property
    def inside(self) -> str:
        """The column's name inside the package, with its unit."""
        if not self.quantity or self.quantity == "rate":
            return self.name
        return f"{self.name}_{self.unit or next(iter(SUFFIXES[self.quantity]))}"

    def spellings(self) -> dict[str, str]:
        """Every accepted name of the column in a file, the usual one first, with its suffix."""
        if not self.quantity or self.quantity == "rate":
            return {self.name: ""}
        usual = self.shown or self.unit or next(iter(SUFFIXES[self.quantity]))
        suffixes = [usual, *(suffix for suffix in SUFFIXES[self.quantity] if suffix != usual)]
        return {f"{self.name}_{suffix}": suffix for suffix in suffixes}


@dataclass(frozen=True, kw_only=True)
class Table:
    """One file of the workspace.

    ``key`` are the columns that together name a row: no two rows may share them. ``vector`` tells a
    file of geometries (``LineString`` or ``Polygon``); ``rate`` that exactly one rate column, with
    its basis, is needed; ``per_storm`` that it lies in a storm's folder.
    """

    name: str
    file: str
    meaning: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    vector: str = ""
    rate: bool = False
    per_storm: bool = False

    def column(self, inside: str) -> Column:
        """The column whose inside name this is."""
        return next(column for column in self.columns if column.inside == inside)


def ident(name: str, meaning: str, *, required: bool = True, example: str = "") -> Column:
    """A column of identifiers."""
    return Column(
        name=name, meaning=meaning, kind="id", required=required, default="", example=example
    )


def quantity(
    name: str,
    kind: str,
    meaning: str,
    *,
    unit: str = "",
    required: bool = True,
    low: float | None = 0.0,
    high: float | None = None,
    above: bool = False,
    default: float = float("nan"),
    example: str = "",
    shown: str = "",
) -> Column:
    """A column of measured values with a unit suffix."""
    return Column(
        name=name,
        meaning=meaning,
        kind="quantity",
        quantity=kind,
        unit=unit,
        required=required,
        default=default,
        low=low,
        high=high,
        above=above,
        choices=(),
        example=example,
        shown=shown,
    )


def number(
    name: str,
    meaning: str,
    *,
    required: bool = True,
    low: float | None = None,
    high: float | None = None,
    above: bool = False,
    default: float = float("nan"),
    whole: bool = False,
    example: str = "",
) -> Column:
    """A column of plain numbers."""
    kind: Kind = "whole" if whole else "number"
    return Column(
        name=name,
        meaning=meaning,
        kind=kind,
        quantity="",
        unit="",
        required=required,
        default=default,
        low=low,
        high=high,
        above=above,
        choices=(),
        example=example,
    )


def choice(
    name: str,
    meaning: str,
    choices: tuple[str, ...],
    *,
    required: bool = True,
    default: str = "",
    example: str = "",
) -> Column:
    """A column of words from a short list."""
    return Column(
        name=name,
        meaning=meaning,
        kind="choice",
        required=required,
        default=default,
        choices=choices,
        example=example or choices[0],
    )


def text(name: str, meaning: str, *, example: str = "") -> Column:
    """A column of free text."""
    return Column(
        name=name, meaning=meaning, kind="text", required=False, default="", example=example
    )


def moment(name: str, meaning: str, *, required: bool = True, example: str = "") -> Column:
    """A column of dates or times."""
    return Column(name=name, meaning=meaning, kind="time", required=required, example=example)
