"""The `check` command: it reads everything and computes nothing, so that it is quick."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path, PurePosixPath

from spreadplan.errors import BadInput, Problem
from spreadplan.runs.options import GENERAL, Options, say_cautions
from spreadplan.schema.tables import TABLES
from spreadplan.workspace import Workspace, read_workspace
from spreadplan.workspace.load import storm_names

PER_STORM = tuple(table.name for table in TABLES.values() if table.per_storm)


def check(folder: Path, options: Options) -> None:
    """Read every input, report every problem, write nothing."""
    said: list[str] = []

    def caution(line: str) -> None:
        said.append(line)
        told(line)

    told, options = options.caution, replace(options, caution=caution)
    storms = dict.fromkeys(storm_names(folder), PER_STORM)
    workspace = read_workspace(
        folder,
        required=["trucks", "materials"],
        optional=[*GENERAL, "policy"],
        storms=storms,
        issued=True,
    )
    say_cautions(workspace, options)
    for name, frame in workspace.tables.items():
        options.say(f"{workspace.files[name]}: {len(frame)} rows")
    for storm, tables in workspace.storms.items():
        for name, frame in tables.items():
            options.say(f"storms/{storm}/{TABLES[name].file}: {len(frame)} rows")
        if issues := workspace.issued.get(storm):
            options.say(f"storms/{storm}/issued: {len(issues)} issues, each as it was issued")
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
        from spreadplan.runs.scanning import scan  # late: who begins has no records yet

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
    """Each file that is not there; one that several storms lack is said once."""
    lacking: dict[str, list[str]] = {}
    for file in workspace.absent:
        place = PurePosixPath(file)
        of_storm = place.parts[0] == "storms"
        lacking.setdefault(f"storms/STORM/{place.name}" if of_storm else file, []).append(file)
    for name, files in lacking.items():
        several = f" in {len(files)} of {len(workspace.storms)} storms" if len(files) > 1 else ""
        shown = name if several else files[0]
        options.say(f"{shown}: not there{several}; what needs it is left out")
