"""A fingerprint of a workspace's inputs: the same files give the same results."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path
from typing import Final

from spreadplan.schema.storm_tables import DRIVER_LOG

INPUTS: Final = frozenset(
    {
        ".csv",
        ".toml",
        ".geojson",
        ".json",
        ".gpkg",
        ".gpkg-wal",
        ".parquet",
        ".shp",
        ".shx",
        ".dbf",
        ".prj",
    }
)
DIGITS: Final = 16
PIECE_BYTES: Final = 1 << 20


def input_fingerprint(folder: Path, *, issued: bool = True) -> str:
    """Hash over the names and contents of all input files; results and hidden files don't count.

    ``issued`` : whether plans as they were issued, and drivers' logs, count; they are inputs of
    what judges by them, not of the plans themselves: a driver who writes while a plan is issued
    must not stop it.

    Source: SHA-256 (FIPS 180-4), its first 16 hexadecimal digits.
    """
    whole = sha256()
    for name in sorted(_inputs(folder)):
        if not issued and _of_no_plan(name):
            continue
        own = sha256()
        with (folder / name).open("rb") as file:
            while piece := file.read(PIECE_BYTES):
                own.update(piece)
        whole.update(f"{name}\0{own.hexdigest()}\n".encode("utf-8", "surrogateescape"))
    return whole.hexdigest()[:DIGITS]


def _of_no_plan(name: str) -> bool:
    parts = name.split("/")
    if parts[0] != "storms" or len(parts) < 3:
        return False
    return (parts[2] == "issued" and len(parts) > 3) or parts[2:] == [DRIVER_LOG.file]


def _inputs(folder: Path) -> list[str]:
    found = []
    for path in folder.rglob("*"):
        name = path.relative_to(folder)
        hidden = any(part.startswith(".") for part in name.parts)
        wanted = path.suffix.lower() in INPUTS and not hidden and name.parts[0] != "results"
        if wanted and path.is_file():  # a pipe would be waited for
            found.append(name.as_posix())
    return found
