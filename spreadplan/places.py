"""Where a name may lead: a workspace may come from anyone, and what it names is not trusted.

Nothing is written, moved or deleted but below the folder that a name belongs to. A link that leads
out of it is refused as well: what it leads to is not the workspace's.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from spreadplan.errors import CannotWrite

#: A name of one letter and a colon is a drive where there are drives.
DRIVE: Final = re.compile(r"[A-Za-z]:")
LONGEST_BYTES: Final = 255
LONGEST_NAME: Final = 2_000


class Outside(CannotWrite, ValueError):
    """A name leads out of the folder that it belongs to."""


def can_be_a_name(part: str) -> bool:
    """Whether a text can be the name of one file or folder, on any system, and no more than that.

    >>> [can_be_a_name(text) for text in ("a b.csv", "..", "", "a/b", "a\\\\b", "C:x")]
    [True, False, False, False, False, False]
    """
    if part in ("", ".", "..") or set(part) & set("/\\\0") or DRIVE.match(part):
        return False
    try:
        return len(part.encode("utf-8")) <= LONGEST_BYTES
    except UnicodeEncodeError:
        return False


def inside(folder: Path, name: str) -> Path:
    """The file of this name, with slashes, below a folder. Raises Outside where it leads out."""
    parts = name.split("/")
    if len(name) > LONGEST_NAME or not all(map(can_be_a_name, parts)):
        raise Outside(f"{name[:200]!r} is not a file below {folder}")
    path = folder.joinpath(*parts)
    try:
        below = path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError):  # links that lead in a circle
        below = False
    if not below:
        raise Outside(f"{path}: is, or lies behind, a link that leads out of {folder}; remove it")
    return path


def own_folder(workspace: Path, name: str) -> Path:
    """A folder in which the program writes, made where it is missing.

    Raises Outside where it is a link that leads out of the workspace.
    """
    path = inside(workspace, name)
    path.mkdir(exist_ok=True)
    return path


def own_file(path: Path) -> Path:
    """A file that the program opens where it stands, such as a lock. Raises Outside for a link."""
    if path.is_symlink():
        raise Outside(f"{path}: is a link; remove it")
    return path
