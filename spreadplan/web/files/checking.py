"""Would the files still be right? They are read as any command reads them, before they count."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from spreadplan.errors import BadInput, Problem
from spreadplan.schema.tables import REFERENCES, TABLES
from spreadplan.web.files.edits import Add, Edit, Refused, table_of
from spreadplan.web.files.history import FOLDER
from spreadplan.workspace import read_workspace
from spreadplan.workspace.whole_files import find_vector

#: the tables of a storm that name its rounds of spreading: each may contradict the others
ROUNDS = {"forecast", "rates", "storm_assignments", "log", "driver_log"}
ALWAYS = ("workspace.toml", "columns.toml")


def check_files(
    folder: Path,
    texts: Mapping[str, str],
    places: Mapping[tuple[str, int], int],
    edits: Sequence[Edit],
) -> None:
    """Raise Refused where new texts of files bring problems that were not there before.

    ``places`` tells for a file and row which of the edits it came from.
    """
    storms: dict[str, set[str]] = {}
    changed = set()
    for file in texts:
        table, storm = table_of(file)
        names = ROUNDS if table.name in ROUNDS else {table.name}
        changed |= names
        if storm:
            storms.setdefault(storm, set()).update(names)
    needed = _needed(changed, only_added=all(isinstance(edit, Add) for edit in edits))
    with TemporaryDirectory(dir=folder / FOLDER, prefix="check-") as draft:
        _mirror(folder, Path(draft), needed, storms)
        for file, text in texts.items():
            target = Path(draft) / file
            target.parent.mkdir(parents=True, exist_ok=True)
            target.unlink(missing_ok=True)  # it may be a link to the file itself
            target.write_bytes(text.encode("utf-8"))
        fatal = _fatal(Path(draft), needed, storms)
    if not fatal:
        return
    earlier = {_sign(p) for p in _fatal(folder, needed, storms, absent_is_fine=True)}
    new = [problem for problem in fatal if _sign(problem) not in earlier]
    if new:
        raise Refused(new, places)


def _sign(problem: Problem) -> tuple[str, str, str]:
    return problem.file, problem.column, problem.what


def _needed(changed: set[str], only_added: bool) -> set[str]:
    """The tables whose rows can contradict those that changed."""
    needed = set(changed)
    if not only_added:  # what was taken out, others may still speak of
        needed |= {table for table, _, target, _ in REFERENCES if target in changed}
    while True:
        more = {target for table, _, target, _ in REFERENCES if table in needed} - needed
        if not more:
            return needed
        needed |= more


def _fatal(
    folder: Path,
    needed: set[str],
    storms: Mapping[str, set[str]],
    absent_is_fine: bool = False,
) -> list[Problem]:
    names = [name for name in needed if not TABLES[name].per_storm]
    if absent_is_fine:
        storms = {name: own for name, own in storms.items() if (folder / "storms" / name).is_dir()}
    try:
        read_workspace(folder, required=(), optional=names, storms=storms)
    except BadInput as error:
        return [problem for problem in error.problems if problem.fatal]
    return []


def _mirror(folder: Path, draft: Path, needed: set[str], storms: Mapping[str, set[str]]) -> None:
    """The files that are needed, as links to those of the workspace."""
    files = [folder / name for name in ALWAYS]
    for name in needed:
        table = TABLES[name]
        if table.vector:
            for path in find_vector(folder, table)[0]:
                files += folder.glob(f"{path.stem}.*")
        elif not table.per_storm:
            files.append(folder / table.file)
        else:
            files += [folder / "storms" / storm / table.file for storm in storms]
    for source in files:
        if source.is_file():
            target = draft / source.relative_to(folder)
            target.parent.mkdir(parents=True, exist_ok=True)
            try:
                os.link(source, target)
            except OSError:  # a file system without links
                shutil.copyfile(source, target)
