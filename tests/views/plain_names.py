"""Finds keys where a person reads: materials and storms have names there, keys are for machines."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable
from html import unescape
from pathlib import Path

READ_OUT = re.compile(r'(?:aria-label|alt|title|placeholder|data-label|label)="([^"]*)"')
UNSEEN = re.compile(r"<(style|script|code|pre)\b.*?</\1>", re.S)
"""What no reader sees, and commands and cells that are shown to be typed."""


def keys_of(folder: Path) -> list[str]:
    """The keys of materials that do not read as a name, and the folders of storms."""
    with (folder / "materials.csv").open(encoding="utf-8-sig", newline="") as handle:
        materials = [row["material"] for row in csv.DictReader(handle)]
    storms = [path.name for path in (folder / "storms").iterdir() if path.is_dir()]
    return sorted(one for one in [*materials, *storms] if re.search(r"[_-]", one))


def seen(page: str) -> str:
    """What a reader sees of a page, or has read out."""
    spoken = " | ".join(READ_OUT.findall(page))
    text = re.sub(r"<[^>]+>", " ", UNSEEN.sub(" ", page))
    return unescape(re.sub(r"\s+", " ", f"{text} | {spoken}"))


def keys_in(text: str, keys: Iterable[str]) -> list[str]:
    """Each place where a key stands in a text, but for names and places of files."""
    found = []
    for key in keys:
        for place in re.finditer(rf"(?<![\w-]){re.escape(key)}(?![\w-])", text):
            before, after = text[: place.start()][-1:], text[place.end() :]
            if before not in ("/", "\\") and not re.match(r"[/\\]|\.\w", after):
                found.append(text[max(0, place.start() - 50) : place.end() + 30])
    return found
