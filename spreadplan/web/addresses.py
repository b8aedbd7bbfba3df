"""Names in addresses: trucks, routes and storms may be called anything."""

from __future__ import annotations

import re
from typing import Final
from urllib.parse import quote

#: What a browser, a server or one between them may read as something else, written otherwise.
ESCAPES: Final = {"~": "~t", "/": "~s", "\\": "~b", "%": "~p"}
_BACK: Final = {short: plain for plain, short in ESCAPES.items()} | {"~d": ".", "~n": ""}
LONGEST_NUMBER: Final = 18


def address(*names: str) -> str:
    """An address on this server with these names as its parts.

    >>> address("trucks", "TC-101", "test"), address("plan", "a/b?"), address("trucks", "..")
    ('/trucks/TC-101/test', '/plan/a~sb%3F', '/trucks/~d.')
    """
    return "".join(f"/{_part(name)}" for name in names)


def _part(name: str) -> str:
    text = "".join(ESCAPES.get(letter, letter) for letter in name) or "~n"
    return quote(f"~d{text[1:]}" if text[0] == "." else text, safe="~", errors="replace")


def name_of(part: str) -> str:
    """The name that a part of an address stands for, with its percent signs resolved.

    >>> name_of("a~sb?"), name_of("~d."), name_of("TC-101")
    ('a/b?', '..', 'TC-101')
    """
    return re.sub("~.", lambda found: _BACK.get(found[0], found[0]), part)


def number_of(text: str) -> int | None:
    """A whole number as an address, a form or a header has it; None for anything else.

    >>> number_of("12"), number_of("9" * 5000), number_of("²"), number_of("")
    (12, None, None, None)
    """
    fits = text.isascii() and text.isdigit() and len(text) <= LONGEST_NUMBER
    return int(text) if fits else None
