"""Run a reader, or whole commands, on a spoilt workspace and say what came of it."""

from __future__ import annotations

import random
import re
import shutil
import signal
import sys
import traceback
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from types import FrameType
from typing import NoReturn

from spreadplan import runs
from spreadplan.errors import BadInput
from spreadplan.schema.tables import TABLES
from spreadplan.telemetry.scan import scan_telemetry
from spreadplan.workspace import read_workspace
from tests.hostile.mutators import mutate
from tests.hostile.small_county import small_county, write

FORMATS = ("geojson", "gpkg", "parquet", "shp")
LONGEST_MESSAGE = 1_000
#: file:row:column: what is wrong; what would be right
MESSAGE = re.compile(r"[^:]+:\d+:.+: .+; .+")
REFUSED, ACCEPTED, DEFECT = "refused", "accepted", "defect"


@dataclass(frozen=True)
class Case:
    """One spoilt file of one workspace."""

    seed: int
    reader: str
    routes: str
    how: str
    data: bytes


@dataclass(frozen=True)
class Outcome:
    """What a command did with a workspace."""

    kind: str
    words: str = ""


def readers() -> list[tuple[str, str]]:
    """Every file that is read, with the format of the workspace that holds it."""
    found = [(name, "geojson") for name in small_county()]
    for routes in FORMATS[1:]:
        found += [(name, routes) for name in small_county(routes) if name not in small_county()]
    return found


def case(seed: int) -> Case:
    """The case with this number; the same number gives the same case."""
    everything = readers()
    reader, routes = everything[seed % len(everything)]
    data, how = mutate(reader, small_county(routes)[reader], random.Random(seed))
    return Case(seed, reader, routes, how, data)


def lay_out(one: Case, folder: Path) -> Path:
    """The workspace of a case in a new folder."""
    shutil.rmtree(folder, ignore_errors=True)
    write({**small_county(one.routes), one.reader: one.data}, folder)
    return folder


def quiet(said: list[str] | None = None) -> runs.Options:
    """Options of a command that prints nothing and makes no PDF."""
    say = (lambda _text: None) if said is None else said.append
    return runs.Options(say, say, runs.no_progress, pdf=False)


def check(folder: Path) -> None:
    """Read everything."""
    runs.check(folder, quiet())


def read_alone(one: Case) -> Callable[[Path], object]:
    """Reads the spoilt file without the others: twenty times faster than all."""
    stem = Path(one.reader).stem
    storm = {"s1": (stem,)} if stem in TABLES and TABLES[stem].per_storm else {}
    tables = [stem] if stem in TABLES and not storm else ["policy"] if stem == "policy" else []

    def read(folder: Path) -> None:
        workspace = read_workspace(folder, required=[], optional=tables, storms=storm)
        if "telemetry" not in one.reader:
            return
        place = folder / "storms" / "s1" / "telemetry"
        renames = workspace.renames.get("telemetry", {})
        zone = workspace.settings.timezone
        with scan_telemetry(place, trucks=["T1", "T2"], renames=renames, timezone=zone) as files:
            kept = sum(len(records) for records in files.by_truck())
            if kept + len(files.quarantine()) != files.rows_read:
                raise AssertionError("a record was lost")

    return read


def outcome(folder: Path, work: Callable[[Path], object] = check) -> Outcome:
    """What came of it; a defect is anything but an acceptance or clear messages."""
    before = fingerprints(folder)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            work(folder)
        found = Outcome(ACCEPTED)
    except BadInput as error:
        unclear = [str(problem) for problem in error.problems if not is_clear(str(problem))]
        fatal = any(problem.fatal for problem in error.problems)
        found = (
            Outcome(DEFECT, f"unclear message: {unclear[0][:300]!r}")
            if unclear
            else (
                Outcome(REFUSED, str(error))
                if fatal
                else Outcome(DEFECT, "refused without a reason")
            )
        )
    except Exception as error:
        found = Outcome(
            DEFECT, f"{type(error).__name__}: {error}\n{traceback.format_exc()[-1500:]}"
        )
    after = fingerprints(folder)
    changed = {name for name in {**before, **after} if before.get(name) != after.get(name)}
    touched = {name for name in changed if not name.startswith("results/")}
    if touched or (found.kind == REFUSED and changed):
        return Outcome(DEFECT, f"files were changed: {sorted(changed)[:5]}")
    return found


def is_clear(message: str) -> bool:
    """One line of the promised form, without control characters, no longer than can be read."""
    return (
        MESSAGE.fullmatch(message) is not None
        and len(message) <= LONGEST_MESSAGE
        and len(message.splitlines()) == 1
        and message.isprintable()
    )


def fingerprints(folder: Path) -> dict[str, str]:
    """Every file below a folder with a hash of what it holds, the lock aside."""
    return {
        path.relative_to(folder).as_posix(): sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file() and path.name != ".lock"
    }


class TooSlowError(Exception):
    """A case took longer than it may."""


@contextmanager
def at_most(seconds: int) -> Iterator[None]:
    """Stop what takes longer; only where the system has alarms."""
    if sys.platform == "win32":
        yield
        return

    def stop(_number: int, _frame: FrameType | None) -> NoReturn:
        raise TooSlowError(f"took more than {seconds} s")

    old = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, old)
