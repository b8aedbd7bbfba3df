"""A list of moves: stored before the first of them is made, finished by whoever comes next.

Results are put in place by one, and so are the files that a form of the web application changes.
From the moment at which the list is on the disk the moves count; after a crash the next one to open
the folder makes those that are left. A list that cannot be understood, or that names a file outside
its folder, is put aside as it is: nothing of it is carried out and nothing is deleted.
"""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from spreadplan.durable import put_text, sync_folder
from spreadplan.places import Outside, inside

VERSION: Final = 1
ASIDE: Final = "set-aside-"
#: A list of a hundred thousand results has some ten megabytes.
MOST_BYTES: Final = 100_000_000


class NotUnderstood(ValueError):
    """Why a journal or a line of the history cannot be used, as the rest of a sentence."""


@dataclass(frozen=True)
class Journal:
    """Moves of files from name to name below a folder, and files that go after them.

    ``about`` is what the owner of the list wants to find again after a crash.
    """

    moves: tuple[tuple[str, str], ...] = ()
    removed: tuple[str, ...] = ()
    about: Mapping[str, Any] = field(default_factory=dict)

    def write(self, path: Path, root: Path) -> None:
        """Store the list. Raises Outside, with nothing stored, for what must not be moved."""
        self._judge(root)
        told = {
            "version": VERSION,
            "moves": self.moves,
            "removed": self.removed,
            "about": self.about,
        }
        put_text(path, json.dumps(told))

    def _judge(self, root: Path) -> None:
        for source, target in self.moves:
            path = inside(root, source)
            # a link or a folder, once moved, could lead the next move elsewhere
            if path.is_symlink() or (path.exists() and not path.is_file()):
                raise Outside(f"{path}: is not a plain file; put it elsewhere")
            inside(root, target)
        for name in self.removed:
            inside(root, name)

    def carry_out(self, root: Path) -> None:
        """Make the moves that are not made yet; safe to repeat from any point."""
        for source, target in self.moves:
            if (root / source).exists():
                (root / target).parent.mkdir(parents=True, exist_ok=True)
                os.replace(root / source, root / target)
        for name in self.removed:
            (root / name).unlink(missing_ok=True)
        touched = (*(target for _, target in self.moves), *self.removed)
        for folder in {(root / name).parent for name in touched}:
            if folder.is_dir():
                sync_folder(folder)


def read_journal(path: Path, root: Path) -> Journal:
    """A list that was stored, all its names judged. Raises NotUnderstood."""
    if path.is_symlink() or not path.is_file():
        raise NotUnderstood("is not a file")
    if path.stat().st_size > MOST_BYTES:
        raise NotUnderstood("is far too large")
    data = read_json(path.read_bytes())
    if data.get("version", VERSION) != VERSION:
        what = f"is of version {str(data['version'])[:20]}"
        raise NotUnderstood(f"{what}, of which this program knows nothing")
    only_keys(data, {"version", "moves", "removed", "about"})
    moves, removed, about = data["moves"], data["removed"], data["about"]
    if not isinstance(moves, list) or not all(is_texts(move) and len(move) == 2 for move in moves):
        raise NotUnderstood('"moves" is not a list of pairs of names')
    if not is_texts(removed):
        raise NotUnderstood('"removed" is not a list of names')
    if not isinstance(about, dict):
        raise NotUnderstood('"about" is not an object')
    journal = Journal(tuple((source, target) for source, target in moves), tuple(removed), about)
    try:
        journal._judge(root)
    except ValueError as error:
        raise NotUnderstood(f"names what it must not: {error}") from None
    return journal


def read_json(data: bytes) -> dict[str, Any]:
    """A JSON object. Raises NotUnderstood for anything else."""
    try:
        found = json.loads(data.decode("utf-8"))
        if b"\\u" in data:  # half a letter can stand in JSON, but in no file
            json.dumps(found, ensure_ascii=False).encode("utf-8")
    except (ValueError, RecursionError):
        raise NotUnderstood("is empty" if not data.strip() else "is not JSON") from None
    if not isinstance(found, dict):
        raise NotUnderstood("is not a JSON object")
    return found


def only_keys(data: Mapping[str, Any], needed: set[str]) -> None:
    """Raise NotUnderstood where a key is missing or unknown."""
    missing, unknown = needed - data.keys(), data.keys() - needed
    if missing:
        raise NotUnderstood(f'has no "{min(missing)}"')
    if unknown:
        raise NotUnderstood(f'has "{min(unknown)[:40]}", which this program does not know')


def is_texts(value: object) -> bool:
    """Whether a value is a list of texts."""
    return isinstance(value, list) and all(isinstance(one, str) for one in value)


def set_aside(root: Path, paths: Iterable[Path]) -> Path:
    """Move what cannot be understood into a new folder below ``root``; gives the folder."""
    aside = root / f"{ASIDE}{uuid.uuid4().hex[:12]}"
    aside.mkdir()
    for path in paths:
        os.rename(path, aside / path.name)
    sync_folder(root)
    return aside
