"""Remarks as sentences, in the units of the workspace and with the names that people use."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from string import Formatter
from typing import TYPE_CHECKING, Any, Final, TypeVar

import pandas as pd
from pandas.api.types import infer_dtype

from spreadplan.remarks import Remark
from spreadplan.views.display import KINDS, NBSP, NOTHING, Display, as_text, percent, plural
from spreadplan.views.words import TERMS, WORDS

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

R = TypeVar("R", bound="DataclassInstance")
JOINED: Final = {"": ", or ", "then": "", "commas": ", ", "also": "; "}
"""What stands between several remarks, by the form of their field."""
MOST_NAMED: Final = 5
"""So many names are listed; the rest are counted."""


@dataclass(frozen=True)
class Voice:
    """Says remarks for one workspace.

    materials, storms : what people call them, by their keys; else the key itself is read.
    """

    display: Display
    materials: Mapping[str, str] = field(default_factory=dict)
    storms: Mapping[str, str] = field(default_factory=dict)

    def say(self, remark: Remark) -> str:
        """A remark in words.

        Raises KeyError where the catalogue has no such code, or the remark lacks a value that the
        entry names.

        A field of an entry is ``{name}`` for text, or ``{name:form}``: a kind of quantity
        (``{need_lb_per_min:discharge}``), ``number.KIND`` without its unit, ``range.KIND`` for a
        pair, ``pm.KIND`` for a value with its uncertainty, ``step.KIND`` for a difference,
        ``down.KIND`` for a limit rounded down to a whole number, ``on_lane.rate`` for a pair of a
        rate and the width of the lane that it is on, ``list.KIND`` for several values with one
        unit, ``signed`` for a percentage with its sign, ``share`` for a share of one,
        ``tenth`` for a number with at most one decimal, ``money``, ``count.NOUN`` (``1 load``, ``2
        loads``), ``noun.NOUN`` for the noun alone (of a number, or as many as a tuple has),
        ``date``, ``moment``, ``weekday_time``, ``duration``, ``names`` for a list that may be long,
        ``material``, ``materials`` for a list of them, ``storm``, ``term.VOCABULARY`` for a status
        or verdict, and for numbers Python's own forms such as ``.2f``. Several remarks are joined
        by ", or ", or as the form says: ``then`` (nothing between them), ``commas``, ``also``
        (";").
        """
        return _Filler(self).vformat(WORDS[remark.code], (), dict(remark.values))

    def say_all(self, remarks: Iterable[Remark], between: str = "; ") -> str:
        """Several remarks, one after the other."""
        return between.join(self.say(one) for one in remarks)

    def table(self, frame: pd.DataFrame) -> pd.DataFrame:
        """A table with every remark, or tuple of remarks, in words; each is worded once."""
        known: dict[Any, str] = {}

        def worded(cell: Any) -> Any:
            if not isinstance(cell, (Remark, tuple)):
                return cell
            text = known.get(cell)
            if text is None:
                parts = (cell,) if isinstance(cell, Remark) else cell
                if not all(isinstance(one, Remark) for one in parts):
                    return cell
                text = known[cell] = self.say_all(parts)
            return text

        texts = [
            name
            for name in frame.columns
            if frame[name].dtype.kind == "O" and infer_dtype(frame[name]) != "string"
        ]
        return frame.assign(**{name: [worded(cell) for cell in frame[name]] for name in texts})

    def whole(self, result: R) -> R:
        """A result, a dataclass with tables among its fields, with all of them in words."""
        tables = {one.name: getattr(result, one.name) for one in fields(result)}
        return replace(
            result,
            **{
                name: self.table(table)
                for name, table in tables.items()
                if isinstance(table, pd.DataFrame)
            },
        )

    def material(self, key: str) -> str:
        """What people call a material: its name in materials.csv, or its key as words."""
        return self.materials.get(key) or plain_name(key)

    def storm(self, folder: str) -> str:
        """What people call a storm: its name in workspace.toml or its folder's, then its day."""
        day, rest = _dated(folder)
        name = self.storms.get(folder) or plain_name(rest)
        date = f"{day.day} {day:%B}" if day is not None else ""
        return ", ".join(part for part in (name, date) if part)

    def several_storms(self, folders: str) -> str:
        """Storms that a table lists with ``;`` between their folders."""
        return "; ".join(self.storm(one) for one in folders.split("; ") if one)

    @property
    def names(self) -> Mapping[str, Callable[[str], str]]:
        """Kind of a result's column -> what people call a key that stands in it."""
        return {
            "material": self.material,
            "storm": lambda key: self.storm(key) if key else "",
            "storms": self.several_storms,
        }


def plain_name(key: str) -> str:
    """A key as a person would write it.

    >>> plain_name("rock_salt"), plain_name("NaCl-brine"), plain_name("")
    ('Rock salt', 'NaCl brine', '')
    """
    return sentence_case(key.replace("_", " ").replace("-", " ").strip())


def sentence_case(text: str) -> str:
    """A text with a capital at its beginning.

    >>> sentence_case("route R1")
    'Route R1'
    """
    return text[:1].upper() + text[1:]


def as_sentence(text: str) -> str:
    """A text as a whole sentence.

    >>> as_sentence("test it again"), as_sentence("Test it.")
    ('Test it again.', 'Test it.')
    """
    return sentence_case(text) if text.endswith((".", "!", "?")) else f"{sentence_case(text)}."


def _dated(folder: str) -> tuple[pd.Timestamp | None, str]:
    """The day that a storm's folder begins with, if it does, and the rest."""
    if not re.match(r"\d{4}-\d{2}-\d{2}(?!\d)", folder):
        return None, folder
    try:
        return pd.Timestamp(folder[:10]), folder[10:].strip("-_ ")
    except ValueError:
        return None, folder


class _Filler(Formatter):
    """Fills the fields of an entry of the catalogue."""

    def __init__(self, voice: Voice) -> None:
        self._voice = voice

    def format_field(self, value: Any, form: str) -> str:
        """One value in the form that its field asks for."""
        if isinstance(value, Remark):
            return self._voice.say(value)
        if (
            isinstance(value, tuple)
            and form in JOINED
            and all(isinstance(one, Remark) for one in value)
        ):
            return self._voice.say_all(value, JOINED[form])
        head, _, rest = form.partition(".")
        shown = self._voice.display
        if form in KINDS:
            return shown.show(float(value), form)
        if rest in KINDS:
            if head == "number":
                return shown.number(float(value), rest)
            if head == "range":
                return shown.show_range(value[0], value[1], rest)
            if head == "pm":
                return shown.show_pm(value[0], value[1], rest)
            if head == "on_lane":
                return shown.show(shown.rate_on_lane(*value), rest)
            if head == "down":
                whole = math.floor(shown.value(float(value), rest) + 1e-9)
                return f"{whole}{NBSP}{shown.unit(rest)}"
            if head == "step":
                step = shown.value(float(value), rest) - shown.value(0.0, rest)
                return f"{as_text(step, 1, plain=True)}{NBSP}{shown.unit(rest)}"
            if head == "list":
                numbers = "; ".join(shown.number(float(one), rest) for one in value)
                return f"{numbers}{NBSP}{shown.unit(rest)}"
        if head == "term":
            return TERMS[rest][str(value)].words
        if head == "count":
            return plural(int(value), rest)
        if head == "noun":
            number = len(value) if isinstance(value, tuple) else int(value)
            return plural(number, rest, f"{rest}es" * rest.endswith("s")).partition(NBSP)[2]
        return self._text(value, form)

    def _text(self, value: Any, form: str) -> str:
        shown = self._voice.display
        if form == "signed":
            text = as_text(float(value), 0)
            return f"+{text}" if float(value) > 0.0 else text
        if form == "tenth":
            return as_text(float(value), 1, plain=True)
        if form == "money":
            return shown.money(float(value))
        if form == "share":
            return percent(float(value))
        if form in ("date", "moment", "weekday_time", "duration"):
            return str(getattr(shown, form)(value))
        if form == "material":
            return self._voice.material(str(value))
        if form == "storm":
            return self._voice.storm(str(value))
        if form == "names":
            return named([str(one) for one in value])
        if form == "materials":
            return named([self._voice.material(str(one)) for one in value])
        if isinstance(value, float) and not math.isfinite(value):
            return NOTHING
        return format(value, form)


def named(names: Iterable[str], most: int = MOST_NAMED) -> str:
    """A list of names; of a long one the first, and how many more.

    >>> named(["A", "B", "C"], 2)
    'A, B and 1 more'
    """
    every = list(names)
    shown = ", ".join(every[:most])
    return shown if len(every) <= most else f"{shown} and {len(every) - most} more"
