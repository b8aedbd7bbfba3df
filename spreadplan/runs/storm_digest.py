"""What the records of a storm say depends on this and nothing else: one digest of it all."""

from __future__ import annotations

import json
import platform
import sys
import zoneinfo
from collections.abc import Iterable, Mapping
from functools import cache
from hashlib import file_digest, sha256
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Final

import pandas as pd

from spreadplan import __version__
from spreadplan.telemetry.scan import SUFFIXES
from spreadplan.workspace import Workspace

PACKAGE: Final = Path(__file__).parents[1]
LIBRARIES: Final = ("numpy", "scipy", "pandas", "pyarrow", "shapely", "numba", "llvmlite", "tzdata")
"""Other versions of them may round another way, or know other time zones."""


def _program_digest() -> str:
    """Digest of the program's own source and of what it computes with."""
    known = []
    for name in LIBRARIES:
        try:
            known.append((name, version(name)))
        except PackageNotFoundError:  # time zones of the system, say
            known.append((name, ""))
    whole = sha256(repr([__version__, sys.version, platform.machine(), known]).encode())
    for path in sorted(PACKAGE.rglob("*.py")):
        data = path.read_bytes()
        whole.update(f"{path.relative_to(PACKAGE).as_posix()} {len(data)}\n".encode() + data)
    return whole.hexdigest()


PROGRAM: Final = _program_digest()
"""As it is when it is loaded: who changes the source meanwhile still runs the old one."""


def storm_digest(
    workspace: Workspace,
    storm: str,
    what: str,
    depends: Mapping[str, Any],
    tables: Iterable[pd.DataFrame] = (),
) -> str:
    """Digest of a storm's telemetry, of how it is read, of the program, and of what else counts.

    Parameters
    ----------
    what : is worked out from it.
    depends, tables : on what else that depends; JSON can hold ``depends``.

    Returns
    -------
    64 hexadecimal digits. Source: SHA-256, FIPS 180-4, NIST, 2015.
    """
    zone = workspace.settings.timezone
    read = {
        "what": what,
        "storm": storm,
        "program": PROGRAM,
        "trucks": sorted(workspace.table("trucks")["truck_id"]),
        "renames": repr(sorted(workspace.renames.get("telemetry", {}).items())),
        "timezone": [zone.key, _zone_digest(zone.key)],
        "files": _files(workspace.folder / f"storms/{storm}/telemetry"),
        "depends": depends,
        "tables": [_table_digest(table) for table in tables],
    }
    return sha256(json.dumps(read, sort_keys=True).encode()).hexdigest()


def telemetry_state(workspace: Workspace, storm: str) -> list[tuple[str, int, int]]:
    """Name, size and time of change of each file: has anything changed while it was read?"""
    folder = workspace.folder / f"storms/{storm}/telemetry"
    states = ((path.name, path.stat()) for path in sorted(folder.iterdir()))
    return [(name, state.st_size, state.st_mtime_ns) for name, state in states]


def _files(folder: Path) -> list[tuple[str, str]]:
    """Everything in the folder by name, what is read of it with its content."""
    found = []
    for path in sorted(folder.iterdir()):
        own = ""
        if path.suffix.lower() in SUFFIXES and path.is_file():  # a pipe would be waited for
            with path.open("rb") as file:
                own = file_digest(file, "sha256").hexdigest()
        found.append((path.name, own))
    return found


def _table_digest(table: pd.DataFrame) -> str:
    """Digest of every value of a table, to the bit."""
    whole = sha256()
    for name, column in table.items():
        if column.dtype == "geometry":
            texts: list[Any] = column.to_wkb(hex=True).tolist()
        elif column.dtype.kind in "biuf":
            whole.update(f"{name} {column.dtype} {len(column)}\n".encode())
            whole.update(column.to_numpy().tobytes())
            continue
        else:
            texts = column.tolist()
        whole.update(json.dumps([name, texts], default=repr).encode())
    return whole.hexdigest()


@cache
def _zone_digest(key: str) -> str:
    """Digest of what the system knows of a time zone; that of the package goes by its version."""
    for folder in zoneinfo.TZPATH:
        path = Path(folder, key)
        if path.is_file():
            return sha256(path.read_bytes()).hexdigest()
    return ""
