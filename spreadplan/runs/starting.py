"""The `new` and `demo` commands."""

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
from spreadplan.runs.checking import check
from spreadplan.runs.issuing import issue
from spreadplan.runs.options import Options
from spreadplan.runs.reconciling import reconcile
from spreadplan.runs.rest_of_storm import plan_rest
from spreadplan.runs.seasons import season
from spreadplan.runs.warming import compiling
from spreadplan.workspace.starter import starter_files

#: the storm of the sample county that the demo goes through; `season` works on all twelve
SHOWN_STORM = "2026-12-31-year-end-snow"
#: when a plan of it is issued, and why: before it, and after a truck broke down
ISSUED = (
    ("2026-12-31T15:00", "before the storm"),
    ("2026-12-31T21:00", "TC-101 is out, and it turns colder"),
)
ISSUED_BY = "Night desk"
GUIDE = "guide.html"
Step = tuple[str, Callable[[], object]]
#: written last, and what a running command leaves behind
LAST, LOCK = "workspace.toml", "results/.lock"


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
    raise BadInput(
        [
            Problem(
                file=str(folder),
                row=0,
                column="*",
                what="is not a new or empty folder",
                remedy="name another",
            )
        ]
    )


def _is_begun(path: Path, name: Path, files: Mapping[str, bytes]) -> bool:
    """Whether a file is one of these, as far as it goes; a link leads to somebody else's."""
    if path.is_symlink():
        return False
    if name.as_posix() == LOCK:
        return True
    content = files.get(name.as_posix())
    whole = content is not None and path.stat().st_size <= len(content)
    return whole and content is not None and content.startswith(path.read_bytes())


def demo(folder: Path, options: Options) -> None:
    """Copy the sample county and run every command on it."""
    county = resource("sample_routes") / "county"
    paths = [path for path in sorted(county.rglob("*")) if path.is_file()]
    _fill(
        folder, {path.relative_to(county).as_posix(): path.read_bytes() for path in paths}, options
    )
    steps: list[Step] = [
        ("check", lambda: check(folder, options)),
        ("calibrate", lambda: calibrate(folder, options)),
        *(step for at, why in ISSUED for step in _plan_and_issue(folder, at, why, options)),
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


def _plan_and_issue(folder: Path, at: str, why: str, options: Options) -> list[Step]:
    """The plan as it stands at a time, then the same as it is issued."""
    # what is planned before the storm gives way to the plan of its rest; its pages are in its issue
    shown = options if at == ISSUED[-1][0] else replace(options, pdf=False)
    said = f'issue {SHOWN_STORM} --at {at} --by "{ISSUED_BY}" --note "{why}"'
    return [
        (f"plan {SHOWN_STORM} --at {at}", lambda: plan_rest(folder, SHOWN_STORM, at, shown)),
        (
            said,
            lambda: issue(folder, SHOWN_STORM, options, at=at, by=ISSUED_BY, note=why),
        ),
    ]


def _run(steps: Iterable[Step], options: Options) -> None:
    for name, step in steps:
        options.say(f"--- spreadplan {name}")
        step()
