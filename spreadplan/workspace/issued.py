"""Plans as they were issued: read back from a storm's folder, and whether they can be trusted.

An issue is a folder ``storms/STORM/issued/NUMBER/`` that is never changed. ``issue.json`` names
every file with its size and its hash, carries a hash of itself, and the hash of the issue before:
a byte that changed, a file that is missing or was added and a gap in the numbers are all seen. Who
changes an issue and every later one with all their hashes is not found out from the folder alone: a
packed file elsewhere, or a signature, is what tells then.

Source of the hash: SHA-256 (FIPS 180-4).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, TypeAlias

import pandas as pd

from spreadplan.errors import Problem
from spreadplan.journal import NotUnderstood, is_texts, only_keys, read_json
from spreadplan.places import can_be_a_name

ISSUED: Final = "issued"
ABOUT: Final = "issue.json"
FORMAT: Final = 1
LATEST: Final = "latest.json"
"""Number and hash of the last issue: what is missing at the end would leave no gap. It is written
last, so that after a crash it may lag behind by one."""
DRAFT: Final = ".draft-"
LOCK: Final = ".lock"
#: The tables that treatments are judged by, with every digit; the CSV files are for people.
EXACT: Final = {"segments": "exact/segments.parquet", "runs": "exact/runs.parquet"}
ROADS: Final = "exact/roads.parquet"
CLOCK: Final = "exact/clock.parquet"
"""What each truck was to do when; TIMES : when each part of a segment was to be treated. What was
issued before these were kept has neither."""
TIMES: Final = "exact/times.parquet"
CARDS: Final = "exact/cards.parquet"
"""What the card of each run says, and of which issue it is."""
Key: TypeAlias = tuple[str, str]
"""Names of a route and of a segment of it."""
MOST_MISSING: Final = 20
"""So many missing issues are named at most."""
MOST_BYTES: Final = 50_000_000
PIECE_BYTES: Final = 1 << 20
HEX_DIGITS: Final = 64
_TEXTS: Final = ("application", "route_id", "truck_id", "material")
COLUMNS: Final = {
    "segments": {
        "text": (*_TEXTS, "segment_id", "area_id"),
        "number": (
            "lane_miles",
            "target_rate_lb_per_lane_mile",
            "gate_in",
            "mass_lb",
            "mass_lo_lb",
            "mass_hi_lb",
            "max_rate_lb_per_lane_mile",
        ),
        "time": ("start", "due"),
    },
    "runs": {"text": _TEXTS, "number": ("mass_lb", "mass_lo_lb", "mass_hi_lb"), "time": ()},
}
"""Columns of the exact tables by what they hold."""

PUT_BACK: Final = (
    "put it back as it was issued, from a copy of the workspace or a file that pack wrote"
)


@dataclass(frozen=True, kw_only=True)
class Issue:
    """What ``issue.json`` says.

    Attributes
    ----------
    number : 1, 2, … within its storm.
    since : from when it is in force; issued_at : when it was made. Both in UTC.
    by, note : who issued it, and why; "" where nobody said.
    program : name and version of the program.
    inputs : fingerprint of the inputs, see `fingerprint.input_fingerprint`.
    before : hash of ``issue.json`` of the issue before, "" for the first.
    files : name → size in bytes and SHA-256 of every file of the issue.
    """

    storm: str
    number: int
    since: pd.Timestamp
    issued_at: pd.Timestamp
    by: str
    note: str
    program: str
    inputs: str
    before: str
    files: Mapping[str, tuple[int, str]]

    def as_bytes(self) -> bytes:
        """``issue.json``, with its own hash."""
        told: dict[str, Any] = {
            "format": FORMAT,
            "storm": self.storm,
            "number": self.number,
            "in_force_from": self.since.isoformat(),
            "issued_at": self.issued_at.isoformat(),
            "by": self.by,
            "note": self.note,
            "program": self.program,
            "inputs": self.inputs,
            "before": self.before,
            "files": {
                name: {"bytes": size, "sha256": digest}
                for name, (size, digest) in sorted(self.files.items())
            },
        }
        told["sealed"] = _sealed(told)
        return (json.dumps(told, ensure_ascii=False, indent=1) + "\n").encode("utf-8")


@dataclass(frozen=True, eq=False, kw_only=True)
class IssuedPlan:
    """An issue with the tables that treatments are judged by, in the inside units.

    Attributes
    ----------
    segments : one row for each application of each part of a segment, see `COLUMNS`; start and due
        (until when the run was to be done) are NaT where the plan has no times.
    runs : one row for each route, truck and material in one application.
    """

    issue: Issue
    segments: pd.DataFrame
    runs: pd.DataFrame


@dataclass
class Issues:
    """Issues of a storm that can be trusted, in order, and what is wrong with the others."""

    plans: list[IssuedPlan] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def _sealed(told: Mapping[str, Any]) -> str:
    text = json.dumps(told, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def understood(data: bytes) -> Issue:
    """What the bytes of an ``issue.json`` say. Raises NotUnderstood."""
    told = read_json(data)
    if told.get("format", FORMAT) != FORMAT:
        raise NotUnderstood("is of a format of which this program knows nothing")
    texts = {"storm", "in_force_from", "issued_at", "by", "note", "program", "inputs", "before"}
    only_keys(told, {*texts, "format", "number", "files", "sealed"})
    if not is_texts([told[name] for name in sorted(texts)]):
        raise NotUnderstood("has a number where a text should stand")
    if _sealed({name: told[name] for name in told if name != "sealed"}) != told["sealed"]:
        raise NotUnderstood("was changed after it was issued")
    number = told["number"]
    if isinstance(number, bool) or not isinstance(number, int) or number < 1:
        raise NotUnderstood('"number" is not 1, 2, …')
    return Issue(
        storm=told["storm"],
        number=number,
        since=_moment(told["in_force_from"]),
        issued_at=_moment(told["issued_at"]),
        by=told["by"],
        note=told["note"],
        program=told["program"],
        inputs=told["inputs"],
        before=told["before"],
        files=_files(told["files"]),
    )


def _moment(text: str) -> pd.Timestamp:
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            raise ValueError
        return pd.Timestamp(moment).tz_convert("UTC")
    except (ValueError, OverflowError):
        raise NotUnderstood(f"{text[:40]!r} is not a time with its offset") from None


def _files(told: Any) -> dict[str, tuple[int, str]]:
    wrong = NotUnderstood('"files" does not name each file with its size and its hash')
    if not isinstance(told, dict):
        raise wrong
    files = {}
    for name, one in told.items():
        if not (isinstance(one, dict) and one.keys() == {"bytes", "sha256"}):
            raise wrong
        size, digest = one["bytes"], one["sha256"]
        plain = all(map(can_be_a_name, name.split("/"))) and name != ABOUT
        if not (plain and type(size) is int and size >= 0 and isinstance(digest, str)):
            raise wrong
        files[name] = (size, digest)
    return files


def digest_of(path: Path) -> tuple[int, str]:
    """Size in bytes and SHA-256 of a file."""
    whole, size = hashlib.sha256(), 0
    with path.open("rb") as handle:
        while piece := handle.read(PIECE_BYTES):
            whole.update(piece)
            size += len(piece)
    return size, whole.hexdigest()


def last_number(place: Path) -> int:
    """The greatest number that was ever given in a storm's folder of issues, 0 for none."""
    try:
        known = latest_in(place)[0]
    except NotUnderstood:
        known = 0
    return max([known, *_numbers_in(place)])


def latest_in(place: Path) -> tuple[int, str]:
    """Number and hash that `LATEST` names; 0 and "" where it is missing. Raises NotUnderstood."""
    path = place / LATEST
    if not path.exists() and not path.is_symlink():
        return 0, ""
    if path.is_symlink() or not path.is_file() or path.stat().st_size > MOST_BYTES:
        raise NotUnderstood("is not a file")
    told = read_json(path.read_bytes())
    only_keys(told, {"number", "sha256"})
    if type(told["number"]) is not int or not isinstance(told["sha256"], str):
        raise NotUnderstood("does not name an issue and its hash")
    return told["number"], told["sha256"]


def latest_text(number: int, digest: str) -> str:
    """What `LATEST` says after an issue."""
    return json.dumps({"number": number, "sha256": digest}) + "\n"


def _numbers_in(place: Path) -> list[int]:
    """Numbers that are taken, whatever lies below them."""
    if not place.is_dir():
        return []
    names = (path.name for path in place.iterdir())
    return sorted(int(name) for name in names if _is_number(name))


def _is_number(name: str) -> bool:
    return name.isascii() and name.isdecimal() and not name.startswith("0") and len(name) < 9


def read_issues(folder: Path, storm: str, *, tables: bool = True) -> Issues:
    """The issues of a storm, each judged.

    Parameters
    ----------
    folder : of the workspace.
    tables : whether what treatments are judged by is read as well; without it the tables of the
        plans are empty.
    """
    found, shown = Issues(), f"storms/{storm}/{ISSUED}"
    place = folder / "storms" / storm / ISSUED
    if place.is_symlink() or (place.exists() and not place.is_dir()):
        found.problems.append(_problem(shown, "is not a folder", PUT_BACK))
        return found
    if not place.is_dir():
        return found
    found.problems += _strays(place, shown)
    numbers, before = _numbers_in(place), ""
    last = min(last_number(place), max(numbers, default=0) + MOST_MISSING)
    hashes = {}
    for number in range(1, last + 1):
        if number in numbers:
            before = _take(found, place / str(number), f"{shown}/{number}", storm, before, tables)
        else:
            what = f"is missing, and {last} issues were made"
            found.problems.append(_problem(f"{shown}/{number}/", what, PUT_BACK))
            before = "?"
        hashes[number] = before
    found.problems += [*_order(found.plans, shown), *_latest(place, shown, hashes)]
    return found


def _latest(place: Path, shown: str, hashes: Mapping[int, str]) -> Iterator[Problem]:
    """What is wrong with `LATEST`, or with the issue that it names."""
    try:
        number, digest = latest_in(place)
    except NotUnderstood as error:
        yield _problem(f"{shown}/{LATEST}", str(error), PUT_BACK)
        return
    if not max(hashes, default=0) - 1 <= number <= max(hashes, default=0):
        yield _problem(f"{shown}/{LATEST}", "does not name the last issue", PUT_BACK)
    elif hashes.get(number, digest) not in (digest, "?"):
        what = f"is not as {LATEST} has it: it was changed after the plan was issued"
        yield _problem(f"{shown}/{number}/{ABOUT}", what, PUT_BACK)


def _strays(place: Path, shown: str) -> Iterator[Problem]:
    for path in sorted(place.iterdir()):
        if (
            not _is_number(path.name)
            and path.name not in (LOCK, LATEST)
            and not path.name.startswith(DRAFT)
        ):
            yield _problem(
                f"{shown}/{path.name}",
                "is no issue: only folders that issue wrote, numbered 1, 2, …, lie here",
                "move it elsewhere",
            )


def _order(plans: list[IssuedPlan], shown: str) -> Iterator[Problem]:
    for earlier, later in pairwise(plans):
        if later.issue.since < earlier.issue.since:
            yield _problem(
                f"{shown}/{later.issue.number}/{ABOUT}",
                f"is in force from a time before that of issue {earlier.issue.number}",
                PUT_BACK,
            )


def _take(found: Issues, place: Path, shown: str, storm: str, before: str, tables: bool) -> str:
    """Judge one issue; gives the hash of its ``issue.json``, "?" where there is none."""
    about = place / ABOUT
    if place.is_symlink() or not place.is_dir():
        found.problems.append(_problem(shown, "is not a folder", PUT_BACK))
        return "?"
    if about.is_symlink() or not about.is_file() or about.stat().st_size > MOST_BYTES:
        found.problems.append(_problem(f"{shown}/{ABOUT}", "is missing, or no such file", PUT_BACK))
        return "?"
    data = about.read_bytes()
    digest = hashlib.sha256(data).hexdigest()
    try:
        issue = understood(data)
    except NotUnderstood as error:
        found.problems.append(_problem(f"{shown}/{ABOUT}", str(error), PUT_BACK))
        return digest
    faults = list(_faults(issue, place, shown, storm, before))
    plan = None
    if not faults:
        plan, faults = _tables(issue, place, shown) if tables else (_without(issue), [])
    found.problems += faults
    if plan is not None:
        found.plans.append(plan)
    return digest


def _faults(issue: Issue, place: Path, shown: str, storm: str, before: str) -> Iterator[Problem]:
    if (issue.storm, str(issue.number)) != (storm, place.name):
        what = f"is issue {issue.number} of the storm {issue.storm}"
        yield _problem(f"{shown}/{ABOUT}", what, "put it where it belongs")
    if before != "?" and issue.before != before:
        what = f"does not follow the issue before it: {issue.number - 1} is not as it was then"
        yield _problem(f"{shown}/{ABOUT}", what, PUT_BACK)
    there = _names(place)
    for name in sorted(there - issue.files.keys() - {ABOUT}):
        remedy = "take it away: nothing is added to an issue"
        yield _problem(f"{shown}/{name}", "was added after the plan was issued", remedy)
    for name, (size, digest) in issue.files.items():
        path = place / name
        if name not in there:
            yield _problem(f"{shown}/{name}", "is missing from the issue", PUT_BACK)
        elif path.is_symlink() or path.stat().st_size != size or digest_of(path)[1] != digest:
            yield _problem(f"{shown}/{name}", "was changed after the plan was issued", PUT_BACK)


def _names(place: Path) -> set[str]:
    """Everything below an issue but its folders."""
    return {
        path.relative_to(place).as_posix()
        for path in place.rglob("*")
        if path.is_symlink() or not path.is_dir()
    }


def _without(issue: Issue) -> IssuedPlan:
    return IssuedPlan(issue=issue, segments=pd.DataFrame(), runs=pd.DataFrame())


def _tables(issue: Issue, place: Path, shown: str) -> tuple[IssuedPlan | None, list[Problem]]:
    read: dict[str, pd.DataFrame] = {}
    faults = []
    for name, file in EXACT.items():
        try:
            if file not in issue.files:
                raise ValueError("the issue does not name it")
            read[name] = _exact(pd.read_parquet(place / file), COLUMNS[name])
        except Exception as error:  # a made-up file can fail anywhere in the library that reads it
            what = f"cannot be read ({str(error)[:80] or type(error).__name__})"
            faults.append(_problem(f"{shown}/{file}", what, PUT_BACK))
    if faults:
        return None, faults
    return IssuedPlan(issue=issue, segments=read["segments"], runs=read["runs"]), []


def _exact(frame: pd.DataFrame, columns: Mapping[str, tuple[str, ...]]) -> pd.DataFrame:
    """The columns in their types. Raises KeyError, TypeError or ValueError for what is not so."""
    texts = {name: frame[name].fillna("").astype(str).astype(object) for name in columns["text"]}
    numbers = {name: frame[name].astype(float) for name in columns["number"]}
    times = {name: pd.to_datetime(frame[name], utc=True) for name in columns["time"]}
    return pd.DataFrame({**texts, **numbers, **times})


def _problem(file: str, what: str, remedy: str) -> Problem:
    return Problem(file=file, row=0, column="*", what=what, remedy=remedy)


def with_present_names(plan: IssuedPlan, folder: Path, routes: pd.DataFrame) -> IssuedPlan:
    """The plan with the names that its segments have now, where a line tells them.

    Parameters
    ----------
    folder : of the storm.
    routes : route_id, segment_id, geometry as the workspace has them now.

    Returns
    -------
    A segment whose name is gone, and whose line, as drawn or the other way round, is that of
    exactly one present segment that the issue does not know by name, gets that one's; a route that
    is gone and whose segments all went to one other likewise. All others stay as they are.
    """
    pair = ["route_id", "segment_id"]
    names = set(zip(plan.segments["route_id"], plan.segments["segment_id"], strict=True))
    present = list(zip(routes["route_id"], routes["segment_id"], strict=True))
    gone, new = names - set(present), set(present) - names
    if not gone or not new:
        return plan
    roads = folder / ISSUED / str(plan.issue.number) / ROADS
    lines = dict(zip(present, routes.geometry, strict=True))
    found = _same_lines(pd.read_parquet(roads), gone, lines, new)
    keys = list(zip(plan.segments["route_id"], plan.segments["segment_id"], strict=True))
    now = pd.DataFrame([found.get(key, key) for key in keys], columns=pair, dtype=object)
    homes: dict[str, set[str]] = {}
    for (route, _), route_now in zip(keys, now["route_id"], strict=True):
        homes.setdefault(route, set()).add(route_now)
    moved = {route: min(to) for route, to in homes.items() if len(to) == 1}
    return replace(
        plan,
        segments=plan.segments.assign(**{name: now[name].to_numpy() for name in pair}),
        runs=plan.runs.assign(route_id=plan.runs["route_id"].map(moved).fillna(plan.runs.route_id)),
    )


def _same_lines(
    roads: pd.DataFrame, gone: set[Key], lines: Mapping[Key, Any], new: set[Key]
) -> dict[Key, Key]:
    """Names that are gone → the new name of the same line. ``lines`` : those of today, by name."""
    by_line: dict[bytes, set[Key]] = {}
    for key in new:
        for line in (lines[key], lines[key].reverse()):
            by_line.setdefault(line.wkb, set()).add(key)
    found = {}
    for route, segment, line in zip(
        roads["route_id"], roads["segment_id"], roads["line"], strict=True
    ):
        same = by_line.get(bytes(line), set())
        if (route, segment) in gone and len(same) == 1:
            found[route, segment] = min(same)
    return found
