"""What a folder must be to be served."""

from __future__ import annotations

from pathlib import Path

from spreadplan.errors import BadInput, Problem


def check_workspace(folder: Path) -> None:
    """Raise BadInput where a folder is no workspace."""
    if not (folder / "workspace.toml").is_file():
        what = "is not a workspace: it has no workspace.toml"
        remedy = "name a workspace, or make one with: spreadplan new FOLDER"
        raise BadInput([Problem(file=str(folder), row=0, column="*", what=what, remedy=remedy)])
