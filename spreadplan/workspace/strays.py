"""Files that are not read because of their name, kind or place, and what they should be called.

A file that is missing switches its part of the work off. Where one lies beside it that seems to be
meant, that is a mistake, and nobody would notice.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from spreadplan.errors import Problem
from spreadplan.schema.tables import TABLES
from spreadplan.workspace.whole_files import VECTOR_SUFFIXES

STORMS, TELEMETRY, RECORDS = "storms", "telemetry", (".csv", ".parquet")
INTO_STORM: Final = f"the folder of its storm, {STORMS}/STORM/"
ALWAYS: Final = ("workspace.toml", "columns.toml")
#: Endings of files that may hold a table; a letter or a picture does not.
DATA: Final = frozenset(
    {
        ".csv",
        ".txt",
        ".tsv",
        ".tab",
        ".dat",
        ".xls",
        ".xlsx",
        ".xlsm",
        ".xlsb",
        ".ods",
        ".numbers",
        ".json",
        ".geojson",
        ".gpkg",
        ".parquet",
        ".shp",
        ".dbf",
        ".kml",
        ".kmz",
        ".gml",
        ".gdb",
        ".fgb",
        ".gpx",
        ".dxf",
        ".zip",
        ".7z",
        ".gz",
        ".toml",
        ".yaml",
        ".yml",
        ".ini",
    }
)
#: Part of a shapefile, not one by itself.
BESIDE_SHAPES: Final = ".dbf"
LIKE: Final = 0.85
#: letters that a name has more where somebody made a copy
COPY: Final = re.compile(r"^copyof|copy$")


def stray_files(
    folder: Path, own: Sequence[str], storms: Mapping[str, Sequence[str]] | None
) -> Iterator[Problem]:
    """Cautions on files that seem to be meant but are not read.

    Parameters
    ----------
    own : names of files that are wanted in the workspace's folder, as the contract has them.
    storms : storm → names of files that are wanted in its folder; None where no storm is read.
    """
    own = [*own, *ALWAYS, *([] if storms is None else [STORMS])]
    found = [_misnamed(folder, "", own)]
    if storms is not None:
        wanted = {file for files in storms.values() for file in files} if storms else OF_STORMS
        of_storms = [file for file in OF_STORMS if file in wanted]
        every = folder / STORMS
        found += [_misplaced(folder, "", [*_without(of_storms, own), TELEMETRY], INTO_STORM)]
        found += [_misplaced(every, f"{STORMS}/", [*own, *of_storms], "the folder it is for")]
        found += [_loose_records(folder, "", INTO_STORM, named=True)]
    for storm, files in (storms or {}).items():
        prefix = f"{STORMS}/{storm}/"
        place, records = folder / prefix, folder / prefix / TELEMETRY
        found += [_misnamed(place, prefix, [*files, TELEMETRY])]
        found += [_misplaced(place, prefix, _without(own, files), "the workspace's own folder")]
        found += [_loose_records(place, prefix, f"{prefix}{TELEMETRY}/", named=records.exists())]
    said: set[str] = set()
    for caution in (one for cautions in found for one in cautions):
        if caution.file not in said:
            yield caution
        said.add(caution.file)


def _without(files: Sequence[str], others: Sequence[str]) -> list[str]:
    """The files that belong in one place only: assignments may stand in both."""
    return [file for file in files if file not in others]


def _misnamed(folder: Path, prefix: str, files: Sequence[str]) -> Iterator[Problem]:
    """What stands in the right place under another name or as another kind of file."""
    names = _visible(folder)
    there = {
        file: next((one for one in _spellings(file) if os.path.lexists(folder / one)), "")
        for file in files
    }
    missing = [file for file in files if not there[file]]
    for name in names:
        if name in KNOWN:
            continue
        file = next((file for file in files if name.casefold() in _spellings(file)), "")
        if file and there[file]:
            yield _caution(prefix + name, *_one_of_two(folder, name, there[file]))
        elif meant := file or _meant(name, missing, names):
            yield _caution(prefix + name, "is not read", _remedy(folder / name, meant))


def _one_of_two(folder: Path, name: str, read: str) -> tuple[str, str]:
    """Two names that differ in capitals: two files, or one where the system sees no difference."""
    try:
        same = os.path.samefile(folder / name, folder / read)
    except OSError:  # a link to nothing
        same = False
    if same:
        return f"is read as {read} here, which other computers would not do", f"call it {read}"
    return f"is not read, {read} is", "remove the one that is out of date"


def _misplaced(folder: Path, prefix: str, files: Sequence[str], where: str) -> Iterator[Problem]:
    """What stands in a folder in which nobody looks for it."""
    for name in _visible(folder):
        is_storm = folder.name == STORMS and (folder / name).is_dir()
        if any(name.casefold() in _spellings(file) for file in files) and not is_storm:
            yield _caution(prefix + name, "is not read here", f"put it into {where}")


def _loose_records(folder: Path, prefix: str, where: str, named: bool) -> Iterator[Problem]:
    """Records of trucks beside the folder that they belong in; ``named`` : only what says so."""
    for name in _visible(folder):
        path = folder / name
        if name in KNOWN or path.suffix.lower() not in RECORDS or path.is_dir():
            continue
        if TELEMETRY in _words(path) or not (named or _meant(name, OF_STORMS, [])):
            remedy = f"put it into {where} if it holds records of trucks"
            yield _caution(prefix + name, "is not read here", remedy)


def _visible(folder: Path) -> list[str]:
    """Names in a folder, without those that programs keep for themselves."""
    if not folder.is_dir():
        return []
    return sorted(
        name for name in os.listdir(folder) if not name.startswith((".", "~$")) and name[-1] != "~"
    )


def _spellings(file: str) -> list[str]:
    """The names under which a file is read."""
    if file.endswith(".geojson"):
        stem = file.removesuffix(".geojson")
        return [f"{stem}{suffix}" for suffix in VECTOR_SUFFIXES]
    return [file]


TABLE_FILES: Final = tuple(table.file for table in TABLES.values())
OF_STORMS: Final = tuple(table.file for table in TABLES.values() if table.per_storm)
KNOWN: Final = {
    *(name for file in TABLE_FILES for name in _spellings(file)),
    *ALWAYS,
    "policy.toml",
    STORMS,
    TELEMETRY,
    "results",
}


def _meant(name: str, files: Iterable[str], beside: Sequence[str]) -> str:
    """Which of some files a name seems to mean; "" for none."""
    path = Path(name)
    endings = {suffix.lower().strip() for suffix in path.suffixes}
    if endings and not endings & DATA:
        return ""
    if endings == {BESIDE_SHAPES} and f"{path.stem}.shp".lower() in map(str.lower, beside):
        return ""
    by_letters = {_letters(file): file for file in files}
    whole = COPY.sub("", _letters(name))
    if whole in by_letters:
        return by_letters[whole]
    tables = [word for word, file in by_letters.items() if file in TABLE_FILES]
    alike = get_close_matches(whole, tables, 1, LIKE)  # a slip of the pen comes before a word
    alike += [word for word in _words(path) if word in tables]
    return by_letters[alike[0]] if alike and endings else ""  # a folder is named for one thing


def _letters(name: str) -> str:
    """What is left of a name when one looks at its letters alone, of one and of many."""
    stem = unicodedata.normalize("NFKC", name).casefold().partition(".")[0]
    return _singular("".join(letter for letter in stem if letter.isalpha()))


def _words(path: Path) -> list[str]:
    stem = path.name.casefold().partition(".")[0]
    return [_singular(word) for word in re.split(r"[\W\d_]+", stem) if word]


def _singular(word: str) -> str:
    return f"{word[:-3]}y" if word.endswith("ies") else word.removesuffix("s")


def _remedy(path: Path, file: str) -> str:
    endings = [suffix.lower().strip() for suffix in path.suffixes]
    if file in (STORMS, TELEMETRY):
        return f"call the folder {file}" if path.is_dir() else f"put what it holds into {file}/"
    if path.is_dir() and not endings:
        return f"put its file beside this folder, as {file}"
    for spelling in _spellings(file):
        own = Path(spelling).suffix
        if own in endings and endings[endings.index(own) + 1 :] in ([], [".txt"]):
            more = ", and the files that belong to it likewise" if own == ".shp" else ""
            return f"call it {spelling}{more}"
    if (file.endswith(".geojson"), endings[-1:]) == (True, [".json"]):
        return f"call it {file}"
    return f"save what it holds as {file}"


def _caution(file: str, what: str, remedy: str) -> Problem:
    return Problem(file=file, row=0, column="*", what=what, remedy=remedy, fatal=False)
