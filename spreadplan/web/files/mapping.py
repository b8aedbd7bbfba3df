"""The background of maps: none, or tiles from a server that the workspace names."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from spreadplan.workspace.tomlfiles import read_toml

ADDRESS = re.compile(r"https?://[A-Za-z0-9.-]+(:\d{1,5})?/[!-~]*")


@dataclass(frozen=True)
class Tiles:
    """``[map]`` of workspace.toml: ``tiles``, an address with {z}, {x} and {y}, and ``credit``."""

    address: str
    credit: str


def tiles(folder: Path) -> Tiles | None:
    """The tiles that workspace.toml names; None where it names none, or no usable address."""
    data, _ = read_toml(folder / "workspace.toml", "workspace.toml")
    section = data.get("map", {})
    address = section.get("tiles", "") if isinstance(section, dict) else ""
    if not (isinstance(address, str) and ADDRESS.fullmatch(address)):
        return None
    if not all(part in address for part in ("{z}", "{x}", "{y}")):
        return None
    return Tiles(address, str(section.get("credit", "")))


def tile_hosts(folder: Path) -> list[str]:
    """The hosts that pages may ask for tiles, as the content-security-policy names them."""
    found = tiles(folder)
    if found is None:
        return []
    parts = urlsplit(found.address)
    return [f"{parts.scheme}://{parts.netloc}"]
