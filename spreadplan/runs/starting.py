"""The `new`, `check` and `demo` commands."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path

from spreadplan import clock
from spreadplan.errors import BadInput, CannotWrite, Problem
from spreadplan.reports.about_files import about_files
from spreadplan.reports.guide import FILES_PAGE, guide_file
from spreadplan.resources import resource
from spreadplan.results.store import alone
from spreadplan.runs.calibrating import calibrate
from spreadplan.runs.options import Options, say_cautions
from spreadplan.runs.planning import GENERAL, plan
from spreadplan.runs.reconciling import reconcile, scan
from spreadplan.runs.seasons import season
from spreadplan.runs.warming import compiling
from spreadplan.schema.tables import TABLES
from spreadplan.workspace import Workspace, read_workspace
from spreadplan.workspace.load import storm_names
from spreadplan.workspace.starter import starter_files

#: the storm of the sample county that the demo plans and reconciles; `season` works on all twelve
SHOWN_STORM = "2026-12-31-year-end-snow"
GUIDE = "guide.html"
#: written last, and what a running command leaves behind
LAST, LOCK = "workspace.toml", "results/.lock"
PER_STORM = tuple(table.name for table in TABLES.values() if table.per_storm)


def new(folder: Path, options: Options) -> None:
    """Write a starter workspace."""
    today = clock.today()
    start = date(today.year if today.month >= 5 else today.year - 1, 10, 1)
    end = date(start.year + 1, 4, 30)
    files = starter_files(start.isoformat(), end.isoformat())
    _fill(folder, {name: text.encode() for name, text in files.items()}, options)
    options.say(
        f"{len(files)} files written to {folder}; {FILES_PAGE} explains each, {GUIDE} what to do "
        "with them"
    )
    options.say(f"replace the example rows with your own, then run: spreadplan check {folder}")


def _pages() -> dict[str, bytes]:
    """The pages to read, beside the files that they are about."""
    pages = {FILES_PAGE: about_files("spreadplan", "letter"), GUIDE: guide_file("letter")}
    return {name: page.encode() for name, page in pages.items()}


def _fill(folder: Path, tables: Mapping[str, bytes], options: Options) -> None:
    """Write files and pages into a new or empty folder, or finish what was interrupted at that.

    ``workspace.toml`` comes last: a folder without it is not taken for a workspace.
    """
    files = {**_pages(), **tables}
    _refuse_full(folder, files)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with alone(folder, options.caution):
            _refuse_full(folder, files)  # someone else may have been quicker
            for name in sorted(files, key=lambda name: name == LAST):
                path = folder / name
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(files[name])
    except (OSError, CannotWrite) as error:
        why = error.__cause__ if isinstance(error, CannotWrite) else error
        if not isinstance(why, OSError):
            raise
        raise CannotWrite(
            f"{folder}: cannot be written ({why.strerror or why}); free some space or allow "
            "writing, then run the command again: it goes on where this one stopped"
        ) from error


def _refuse_full(folder: Path, files: Mapping[str, bytes]) -> None:
    """Raise BadInput for a folder that holds anything but the beginnings of these files."""
    if folder.is_dir():
        there = (path for path in folder.rglob("*") if path.is_symlink() or not path.is_dir())
        begun = all(_is_begun(path, path.relative_to(folder), files) for path in there)
        last = folder / LAST
        if begun and not (last.exists() and last.read_bytes() == files[LAST]):
            return
    elif not folder.exists():
        return
    raise BadInput([Problem(str(folder), 0, "*", "is not a new or empty folder", "name another")])


def _is_begun(path: Path, name: Path, files: Mapping[str, bytes]) -> bool:
    """Whether a file is one of these, as far as it goes; a link leads to somebody else's."""
    if path.is_symlink():
        return False
    if name.as_posix() == LOCK:
        return True
    content = files.get(name.as_posix())
    whole = content is not None and path.stat().st_size <= len(content)
    return whole and content is not None and content.startswith(path.read_bytes())


def check(folder: Path, options: Options) -> None:
    """Read every input, report every problem, write nothing."""
    said: list[str] = []

    def caution(line: str) -> None:
        said.append(line)
        told(line)

    told, options = options.caution, replace(options, caution=caution)
    storms = dict.fromkeys(storm_names(folder), PER_STORM)
    workspace = read_workspace(
        folder, required=["trucks", "materials"], optional=[*GENERAL, "policy"], storms=storms
    )
    say_cautions(workspace, options)
    for name, frame in workspace.tables.items():
        options.say(f"{workspace.files[name]}: {len(frame)} rows")
    for storm, tables in workspace.storms.items():
        for name, frame in tables.items():
            options.say(f"storms/{storm}/{TABLES[name].file}: {len(frame)} rows")
    _check_telemetry(workspace, options)
    _absent(workspace, options)
    options.say("nothing that stops the work" if said else "no problems found")


def _check_telemetry(workspace: Workspace, options: Options) -> None:
    """Read the records of every storm; a header that cannot be understood is a problem."""
    problems: list[Problem] = []
    for storm in workspace.storms:
        place = f"storms/{storm}/telemetry"
        if not (workspace.folder / place).is_dir():
            options.say(f"{place}: not there; what needs it is left out")
            continue
        try:
            with scan(workspace, storm, options) as files:
                refused = "".join(
                    f"; {number} refused: {why}" for why, number in files.refused_by_kind().items()
                )
                options.say(f"{place}: {files.rows_read} records{refused}")
        except BadInput as error:
            problems += error.problems
    if problems:
        raise BadInput(problems)


def _absent(workspace: Workspace, options: Options) -> None:
    for file in workspace.absent:
        options.say(f"{file}: not there; what needs it is left out")


def demo(folder: Path, options: Options) -> None:
    """Copy the sample county and run every command on it."""
    county = resource("sample_routes") / "county"
    paths = [path for path in sorted(county.rglob("*")) if path.is_file()]
    _fill(folder, {path.relative_to(county).as_posix(): path.read_bytes() for path in paths},
          options)  # fmt: skip
    steps: Iterable[tuple[str, Callable[[], object]]] = [
        ("check", lambda: check(folder, options)),
        ("calibrate", lambda: calibrate(folder, options)),
        (f"plan {SHOWN_STORM}", lambda: plan(folder, SHOWN_STORM, options)),
    ]
    with compiling():  # what the steps after these need
        _run(steps, options)
    _run(
        [
            (f"reconcile {SHOWN_STORM}", lambda: reconcile(folder, SHOWN_STORM, options)),
            ("season", lambda: season(folder, options)),
        ],
        options,
    )
    options.say(f"look at {folder / 'results'}; the other storms wait for you to try them")


def _run(steps: Iterable[tuple[str, Callable[[], object]]], options: Options) -> None:
    for name, step in steps:
        options.say(f"--- spreadplan {name}")
        step()
