"""Names as people say them: what of a page is a key of a file instead."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable
from html import unescape
from pathlib import Path

from tests.finished_county import COUNTY


def keys_of(county: Path = COUNTY) -> list[str]:
    """Keys of the materials, and the storms' folders."""
    with (county / "materials.csv").open(encoding="utf-8", newline="") as file:
        materials = [row["material"] for row in csv.DictReader(file)]
    return [*materials, *sorted(path.name for path in (county / "storms").iterdir())]


KEYS = keys_of()


def keys_seen(page: str) -> list[str]:
    """Each place where a reader of an HTML page meets a key, with what stands around it.

    What is hovered over or read out counts; the name of a file and the path to it do not.
    """
    return keys_in(text_of(page))


def keys_in(text: str, keys: Iterable[str] = KEYS) -> list[str]:
    """The same of plain text."""
    any_of = "|".join(re.escape(key) for key in keys)
    whole = re.compile(rf"(?<![\w/-])(?:{any_of})(?![\w/-]|\.\w)")
    return [text[max(0, one.start() - 60) : one.end() + 25] for one in whole.finditer(text)]


def text_of(page: str) -> str:
    """What is seen of an HTML page and what is read out to its reader."""
    spoken = re.findall(r'(?:aria-label|alt|title|placeholder|data-label)="([^"]*)"', page)
    page = re.sub(r"<(style|script)\b.*?</\1>", " ", page, flags=re.S)
    # <wbr> and the like only tell where a line may break
    page = re.sub(r"</?(?:wbr|b|i|em|strong|span)\b[^>]*>|[\u00ad\u200b]", "", page)
    seen = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))
    return unescape(" ".join([seen, *spoken])).translate({0xAD: None, 0x200B: None})
