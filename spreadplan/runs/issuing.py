"""The `issue` command: the present plan becomes the one in force, and is never changed after.

A plan is written whole into a hidden draft beside the issues; one move of its folder makes it an
issue. A kill or a full disk before that move leaves no trace that counts, after it nothing is left
to do. Whoever issues holds the storm's lock, so that two people get two numbers.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, time
from pathlib import Path
from typing import Final

import pandas as pd
from filelock import FileLock, Timeout

from spreadplan import __version__, clock
from spreadplan.calibration import Calibration
from spreadplan.durable import put_text, sync_file, sync_folder, write_synced
from spreadplan.errors import BadInput, CannotWrite, Problem
from spreadplan.frames import lines
from spreadplan.journal import NotUnderstood
from spreadplan.places import inside, own_file, own_folder
from spreadplan.planning import StormPlan
from spreadplan.reconcile.storm import with_area_limits
from spreadplan.reports.cab_card import CardIssue
from spreadplan.results.tables import as_described, write_csv
from spreadplan.runs.options import Options, pdf_writers_for, write_pages
from spreadplan.runs.planning import compute_plan, plan_pages, plan_tables, storm_start
from spreadplan.runs.rest_cards import said_on_cards
from spreadplan.runs.rest_in_force import times_of
from spreadplan.runs.rest_of_storm import RestOfStorm, rest_in, rest_pages, rest_to_issue
from spreadplan.runs.scarcity import scarce_tables, share_scarce
from spreadplan.views.issues import was_issued
from spreadplan.views.setting import voice_of
from spreadplan.workspace import Workspace
from spreadplan.workspace.fingerprint import input_fingerprint
from spreadplan.workspace.issued import (
    ABOUT,
    CARDS,
    CLOCK,
    COLUMNS,
    DRAFT,
    EXACT,
    ISSUED,
    LATEST,
    LOCK,
    ROADS,
    TIMES,
    Issue,
    Issues,
    digest_of,
    last_number,
    latest_in,
    latest_text,
    read_issues,
)
from spreadplan.workspace.references import NEAR_A_STORM

SECONDS_TO_WAIT: Final = 300.0
SECONDS_OF_SILENCE: Final = 1.0
LONGEST_TEXT: Final = 500
Pages = Callable[[Issue], Iterable[tuple[str, str]]]
"""Reports and cards of an issue, each with its name below ``results/`` and its HTML."""


def issue(
    folder: Path,
    storm: str,
    options: Options,
    *,
    at: str = "",
    by: str = "",
    note: str = "",
    option: str = "",
) -> Issue:
    """Make the present plan, computed now from the inputs, the one in force from a time.

    The newest forecast counts that was known then. Where a plan was issued before and the storm
    runs, that is the plan of its rest, and only cards that differ are made.

    Parameters
    ----------
    at : the time from which it is in force, ISO 8601; "" for now, or for the storm's start where
        the present moment lies outside the storm.
    by, note : who issues it, and why.
    option : of the rest, see `rest_of_storm`.
    """
    inputs = input_fingerprint(folder, issued=False)
    state = rest_to_issue(folder, storm, at)
    if state is not None:
        with pdf_writers_for(options) as writing:
            rest = rest_in(*state, writing, option)
            return issue_rest(rest, writing, by, note, inputs)
    workspace, fleet, result = compute_plan(
        folder, storm, options, at=lambda read: moment_of(read, storm, at)
    )
    since = moment_of(workspace, storm, at)
    return issue_plan(workspace, fleet, result, None, options, since, by, note, inputs)


def issue_rest(
    rest: RestOfStorm, options: Options, by: str = "", note: str = "", inputs: str = ""
) -> Issue:
    """Freeze the plan of the rest of a storm; parameters as `issue_plan` has them."""
    kept = rest.cards[~rest.cards["changed"]]
    former = {(one.application, one.route_id): int(one.issue) for one in lines(kept)}

    def pages(made: Issue) -> Iterable[tuple[str, str]]:
        return rest_pages(rest, made.number)

    return issue_plan(
        rest.workspace, rest.fleet, rest.plan, pages, options, rest.at, by, note, inputs, former
    )


def issue_plan(
    workspace: Workspace,
    fleet: Calibration,
    result: StormPlan,
    pages: Pages | None,
    options: Options,
    since: pd.Timestamp,
    by: str = "",
    note: str = "",
    inputs: str = "",
    former: Mapping[tuple[str, str], int] | None = None,
) -> Issue:
    """Freeze any plan of a storm, whatever it was computed by.

    Parameters
    ----------
    pages : its reports and cards; None for those that `plan` makes.
    since : from when it is in force.
    inputs : fingerprint of the inputs before the plan was computed; where it is given, nothing is
        issued if they have changed meanwhile.
    former : application and route of runs that keep the card of an earlier issue, and its number.

    Raises
    ------
    BadInput : a time before that of the last issue, texts that are too long, changed inputs.
    CannotWrite : the disk refused; nothing was issued.
    """
    folder, storm = workspace.folder, result.storm
    by, note = _text("--by", by), _text("--note", note)

    def usual(made: Issue) -> Iterable[tuple[str, str]]:
        replaces = made.number - 1 if made.number > 1 else None
        return plan_pages(workspace, fleet, result, CardIssue(made.number, replaces))

    with _alone(folder, storm, options.caution) as place:
        _clear_drafts(place)
        earlier = read_issues(folder, storm, tables=False)
        for problem in earlier.problems:
            options.caution(f"caution: {replace(problem, fatal=False)}")
        _not_before(earlier, since, workspace, storm)
        number = last_number(place) + 1
        made = Issue(
            storm=storm,
            number=number,
            since=since,
            issued_at=present_moment(workspace),
            by=by,
            note=note,
            program=f"spreadplan {__version__}",
            inputs=input_fingerprint(folder, issued=False),
            before=_hash_before(place, number),
            files={},
        )
        if inputs not in ("", made.inputs):
            raise BadInput([_asked(f"storms/{storm}", *CHANGED_MEANWHILE)])
        made = _written(place, made, workspace, result, pages or usual, options, former or {})
    options.say(voice_of(workspace.settings).say(was_issued(made)))
    options.say(f"look at {place / str(number)}")
    return made


CHANGED_MEANWHILE: Final = (
    "its inputs were changed while the plan was made",
    "see what was changed, then issue again",
)


def _written(
    place: Path,
    made: Issue,
    workspace: Workspace,
    result: StormPlan,
    pages: Pages,
    options: Options,
    former: Mapping[tuple[str, str], int],
) -> Issue:
    """Write the issue into a draft and move it into its place."""
    draft = place / f"{DRAFT}{uuid.uuid4().hex[:12]}"
    try:
        draft.mkdir()
        _write_tables(draft, workspace, result)
        _write_exact(draft, workspace, result)
        _write_course(draft, result, made.number, former)
        _write_pages(draft, pages(made), made.storm, options)
        names = sorted(
            path.relative_to(draft).as_posix() for path in draft.rglob("*") if path.is_file()
        )
        for name in names:
            sync_file(draft / name)
        made = replace(made, files={name: digest_of(draft / name) for name in names})
        write_synced(draft / ABOUT, made.as_bytes(), 0o644)
        for path in (draft, *(one for one in draft.rglob("*") if one.is_dir())):
            sync_folder(path)
        os.rename(draft, place / str(made.number))
        sync_folder(place)
        put_text(
            place / LATEST, latest_text(made.number, _hash_of(place / f"{made.number}/{ABOUT}"))
        )
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return made


def _write_tables(draft: Path, workspace: Workspace, result: StormPlan) -> None:
    voice = voice_of(workspace.settings, workspace.table("materials"))
    shares = share_scarce(result, workspace.table("yards"))
    for name, frame in {**plan_tables(result), **scarce_tables(shares)}.items():
        said = voice.table(as_described(name, frame))
        write_csv(said, draft / f"{name}.csv", voice.display.timezone)


def _write_exact(draft: Path, workspace: Workspace, result: StormPlan) -> None:
    """What treatments are judged by, with every digit, and the lines of all roads."""
    (draft / EXACT["segments"]).parent.mkdir()
    for name, frame in exact_tables(workspace, result).items():
        frame.to_parquet(draft / EXACT[name], index=False)
    routes = workspace.tables["routes"]
    lines = routes[["route_id", "segment_id"]].assign(line=routes.geometry.to_wkb())
    pd.DataFrame(lines).to_parquet(draft / ROADS, index=False)


def _write_course(
    draft: Path, result: StormPlan, number: int, former: Mapping[tuple[str, str], int]
) -> None:
    """Who was to do what when, and what the cards say: the rest of a storm is planned from it."""
    result.clock.to_parquet(draft / CLOCK, index=False)
    times_of(result).to_parquet(draft / TIMES, index=False)
    cards = said_on_cards(result)
    keys = zip(cards["application"], cards["route_id"], strict=True)
    issue = [former.get(key, number) for key in keys]
    cards.assign(issue=pd.Series(issue, dtype="int64")).to_parquet(draft / CARDS, index=False)


def exact_tables(workspace: Workspace, result: StormPlan) -> dict[str, pd.DataFrame]:
    """The tables that treatments are judged by, see `workspace.issued.COLUMNS`.

    ``due`` is when the run of a segment is to be done: the end of the run where the plan has one,
    else the start of its application.
    """
    segments = pd.DataFrame(result.segments.drop(columns="geometry"))
    segments = with_area_limits(segments)
    starts = {one.label: one.start for one in result.applications}
    start = pd.to_datetime(segments["application"].map(starts), utc=True)
    due = start
    if "ends_at" in result.routes:
        keys = ["application", "route_id"]
        ends = pd.to_datetime(result.routes["ends_at"], utc=True)
        ends = ends.groupby([result.routes[key] for key in keys]).max()
        own = ends.reindex(pd.MultiIndex.from_frame(segments[keys]))
        due = pd.Series(own.to_numpy(), index=segments.index)
        due = pd.to_datetime(due, utc=True).fillna(start)
    whole = {"segments": segments.assign(start=start, due=due), "runs": result.routes}
    return {
        name: whole[name][[one for names in columns.values() for one in names]]
        for name, columns in COLUMNS.items()
    }


def _write_pages(
    draft: Path, pages: Iterable[tuple[str, str]], storm: str, options: Options
) -> None:
    def place(name: str) -> Path:
        path = inside(draft, name.removeprefix(f"{storm}/"))
        path.parent.mkdir(parents=True, exist_ok=True)
        return path

    write_pages(place, pages, "plan report and cab cards", options)


def _clear_drafts(place: Path) -> None:
    """What an interrupted command left: it never became an issue."""
    for path in place.glob(f"{DRAFT}*"):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)


def _hash_before(place: Path, number: int) -> str:
    """Hash of the issue before, also where it is missing just now."""
    try:
        known, digest = latest_in(place)
    except NotUnderstood:
        known, digest = 0, ""
    return digest if known == number - 1 else _hash_of(place / str(number - 1) / ABOUT)


def _hash_of(path: Path) -> str:
    """Of the ``issue.json`` before; "" for the first issue or where it is not there."""
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


def present_moment(workspace: Workspace) -> pd.Timestamp:
    """The present moment; in a workspace that names its own day, noon of that day."""
    settings = workspace.settings
    if settings.as_of is None:
        return pd.Timestamp(clock.now()).floor("s")
    noon = datetime.combine(settings.as_of, time(12), tzinfo=settings.timezone)
    return pd.Timestamp(noon).tz_convert("UTC")


# --- from when, by whom ------------------------------------------------------------------------


def storm_end(workspace: Workspace, storm: str) -> pd.Timestamp:
    """When the storm is over: the end of its forecast, or its last start of a round without one."""
    forecast, rates = (workspace.table(name, storm) for name in ("forecast", "rates"))
    ends = pd.concat([forecast["end"], forecast["start"], rates["start"]]).dropna()
    return storm_start(workspace, storm) if ends.empty else pd.Timestamp(ends.max())


def moment_of(
    workspace: Workspace, storm: str, at: str, beside: pd.Timedelta = NEAR_A_STORM
) -> pd.Timestamp:
    """The time that somebody wrote, or now where that lies inside the storm, else its start.

    Raises BadInput for what is no time, or a time far from the storm.
    """
    start, end = storm_start(workspace, storm), storm_end(workspace, storm)
    if not at:
        now = present_moment(workspace)
        return now if start <= now <= end else start
    zone = workspace.settings.timezone
    shown = voice_of(workspace.settings).display
    example = start.tz_convert(zone).strftime("%Y-%m-%dT%H:%M")
    try:
        given = datetime.fromisoformat(at.strip())
        moment = pd.Timestamp(given if given.tzinfo else given.replace(tzinfo=zone))
        moment = moment.tz_convert("UTC")
    except (ValueError, OverflowError):
        raise BadInput([_asked("--at", f'"{at}" is not a time', f"write {example}")]) from None
    if not start - beside <= moment <= end + beside:
        what = f"{shown.moment(moment)} lies outside the storm"
        remedy = f"write a time between {shown.moment(start)} and {shown.moment(end)}"
        raise BadInput([_asked("--at", what, remedy)])
    return moment


def _not_before(earlier: Issues, since: pd.Timestamp, workspace: Workspace, storm: str) -> None:
    """An issue that came into force before the last one would change what is over."""
    zone = workspace.settings.timezone
    last = max((plan.issue.since for plan in earlier.plans), default=since)
    if since < last:
        what = f"lies before the time from which the last issue of {storm} is in force"
        remedy = f"write {last.tz_convert(zone).isoformat()} or later"
        raise BadInput([_asked("--at", what, remedy)])


def _text(option: str, given: str) -> str:
    text = " ".join(given.split())
    if len(text) > LONGEST_TEXT or not text.isprintable():
        what = f"is longer than {LONGEST_TEXT} letters, or has letters that cannot be shown"
        raise BadInput([_asked(option, what, "write a short line of plain text")])
    return text


def _asked(option: str, what: str, remedy: str) -> Problem:
    return Problem(file=option, row=0, column="*", what=what, remedy=remedy)


# --- one at a time -----------------------------------------------------------------------------


@contextmanager
def _alone(folder: Path, storm: str, tell: Callable[[str], None]) -> Iterator[Path]:
    """The storm's folder of issues, in which nobody else issues meanwhile."""
    name = f"storms/{storm}/{ISSUED}"
    try:
        place = own_folder(folder, name)
        lock = FileLock(own_file(place / LOCK))
        with _held(lock, name, tell):
            yield place
    except OSError as error:
        if isinstance(error, (FileNotFoundError, LookupError)) and place_is_there(folder):
            raise
        raise CannotWrite(
            f"{name}: cannot be written ({error.strerror or error}); nothing was issued and "
            "earlier issues are unchanged; free some space or allow writing, then issue again"
        ) from error


def place_is_there(folder: Path) -> bool:
    """Whether the workspace is still there: a file that is missing is then a defect of ours."""
    return folder.is_dir()


@contextmanager
def _held(lock: FileLock, name: str, tell: Callable[[str], None]) -> Iterator[None]:
    try:
        lock.acquire(timeout=SECONDS_OF_SILENCE)
    except Timeout:
        tell(f"{name}: somebody else is issuing here; waiting until it is done")
        try:
            lock.acquire(timeout=SECONDS_TO_WAIT)
        except Timeout:
            what = "somebody else is issuing here; try again when it is done"
            raise CannotWrite(f"{name}: {what}") from None
    try:
        yield
    finally:
        lock.release()
