"""The telemetry of a storm, for `check` as for `reconcile`."""

from __future__ import annotations

from collections.abc import Iterator

from spreadplan.errors import BadInput, Problem
from spreadplan.runs.options import Options
from spreadplan.telemetry.scan import TelemetryFiles, scan_telemetry
from spreadplan.workspace import Workspace
from spreadplan.workspace.places import far_records


def scan(workspace: Workspace, storm: str, options: Options) -> TelemetryFiles:
    """The clean telemetry of a storm."""
    place = f"storms/{storm}/telemetry"
    folder = workspace.folder / place
    if not folder.is_dir():
        raise BadInput(
            [
                Problem(
                    file=place,
                    row=0,
                    column="*",
                    what="folder is missing",
                    remedy="add the trucks' records as .csv or .parquet",
                )
            ]
        )
    files = scan_telemetry(
        folder,
        trucks=set(workspace.table("trucks")["truck_id"]),
        renames=workspace.renames.get("telemetry", {}),
        timezone=workspace.settings.timezone,
        shown=f"{place}/",
        progress=options.progress,
    )
    cautions = [*files.cautions, *_unlisted(workspace, files)]
    if "routes" in workspace.tables:
        cautions += far_records(files.sampled, workspace.tables["routes"])
    if not files.rows_kept:
        files.close()
        nothing = Problem(
            file=place,
            row=0,
            column="*",
            what="has no usable record",
            remedy="add the trucks' records as .csv or .parquet",
        )
        raise BadInput([*cautions, nothing])
    for caution in cautions:
        options.caution(f"caution: {caution}")
    return files


def _unlisted(workspace: Workspace, files: TelemetryFiles) -> Iterator[Problem]:
    """Materials that the records name and materials.csv does not."""
    known = set(workspace.table("materials")["material"])
    for name, (file, row) in files.first_named.items():
        if name not in known:
            yield Problem(
                file=file,
                row=row,
                column="material",
                what=f'"{name}" is not in materials.csv',
                remedy="spell it as materials.csv does, or add it there; what it stands for cannot "
                "be judged against the plan",
                fatal=False,
            )
