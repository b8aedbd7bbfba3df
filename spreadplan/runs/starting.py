"""The `new`, `check` and `demo` commands."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable
from datetime import date
from pathlib import Path

from spreadplan.errors import BadInput, Problem
from spreadplan.reports.about_files import about_files
from spreadplan.resources import resource
from spreadplan.runs.calibrating import calibrate
from spreadplan.runs.options import Options, say_cautions
from spreadplan.runs.planning import GENERAL, plan
from spreadplan.runs.reconciling import reconcile, scan
from spreadplan.runs.seasons import season
from spreadplan.runs.warming import compiling
from spreadplan.schema.tables import TABLES
from spreadplan.workspace import Workspace, read_workspace
from spreadplan.workspace.load import storm_names
from spreadplan.workspace.starter import write_starter

#: the storm of the sample county that the demo plans and reconciles; `season` works on all twelve
SHOWN_STORM = "2026-12-31-year-end-snow"
PER_STORM = tuple(table.name for table in TABLES.values() if table.per_storm)


def new(folder: Path, options: Options) -> None:
    """Write a starter workspace."""
    today = date.today()
    start = date(today.year if today.month >= 5 else today.year - 1, 10, 1)
    end = date(start.year + 1, 4, 30)
    _refuse_full(folder)
    files = write_starter(folder, start.isoformat(), end.isoformat())
    page = about_files("spreadplan", "letter")
    (folder / "about-the-files.html").write_text(page, encoding="utf-8")
    options.say(f"{len(files)} files written to {folder}; about-the-files.html explains each")
    options.say(f"replace the example rows with your own, then run: spreadplan check {folder}")


def _refuse_full(folder: Path) -> None:
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise BadInput(
            [Problem(str(folder), 0, "*", "is not a new or empty folder", "name another")]
        )


def check(folder: Path, options: Options) -> None:
    """Read every input, report every problem, write nothing."""
    storms = dict.fromkeys(storm_names(folder), PER_STORM)
    workspace = read_workspace(
        folder, required=["trucks", "materials"], optional=[*GENERAL, "policy"], storms=storms
    )
    say_cautions(workspace, options)
    for name, frame in workspace.tables.items():
        options.say(f"{TABLES[name].file}: {len(frame)} rows")
    for storm, tables in workspace.storms.items():
        for name, frame in tables.items():
            options.say(f"storms/{storm}/{TABLES[name].file}: {len(frame)} rows")
    _check_telemetry(workspace, options)
    _absent(workspace, options)
    options.say("no problems found" if not workspace.cautions else "nothing that stops the work")


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
    _refuse_full(folder)
    shutil.copytree(resource("sample_routes") / "county", folder, dirs_exist_ok=True)
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
