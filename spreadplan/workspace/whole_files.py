"""What can be wrong with a file before anything in it is read."""

from __future__ import annotations

import unicodedata
from pathlib import Path

from spreadplan.schema.columns import Table

#: The forms in which a table of lines or areas may be given.
VECTOR_SUFFIXES = (".geojson", ".gpkg", ".parquet", ".shp")

#: No record takes less than a tenth of a byte, however well it is packed; so many rows are few
#: enough to be read whatever they are.
ROWS_PER_BYTE = 10
FEW_ROWS = 1_000_000


def no_plain_file(path: Path, most_bytes: int) -> tuple[str, str] | None:
    """Why a path is not read: a folder, a pipe or a device, a link to nothing, or far too large.

    Opening a pipe would wait for ever for someone to write into it.
    """
    if not path.is_file():
        return "is not a file", "put a plain file there, or remove it"
    if path.stat().st_size > most_bytes:
        return (
            f"is larger than {most_bytes // 1_000_000:,} MB",
            "split it, or remove what it is not for",
        )
    return None


def most_rows(path: Path, limit: int) -> int:
    """How many rows a columnar file of this size may declare: a small one cannot hold very many."""
    return min(limit, max(FEW_ROWS, ROWS_PER_BYTE * path.stat().st_size))


def stands_there(path: Path) -> bool:
    """Whether there is anything of this name, were it a link to nothing."""
    return path.exists() or path.is_symlink()


def readable_name(name: str) -> bool:
    """Whether the name of a file or folder is text that can be written into a result."""
    return not any(unicodedata.category(letter) in ("Cc", "Cs") for letter in name)


def find_vector(folder: Path, table: Table) -> tuple[list[Path], str]:
    """The files that may hold the table, and its usual name."""
    stem = table.file.removesuffix(".geojson")
    return [
        folder / f"{stem}{suffix}"
        for suffix in VECTOR_SUFFIXES
        if stands_there(folder / f"{stem}{suffix}")
    ], table.file
