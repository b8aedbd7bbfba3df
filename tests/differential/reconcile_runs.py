"""Run `reconcile` as a user does, without drawing its pages: they are not at issue here."""

from __future__ import annotations

from pathlib import Path
from unittest import mock

from spreadplan.cli import main


def calibrate_quietly(folder: Path, as_of: str) -> None:
    """Write the discharge models as they stood on a date."""
    room = "spreadplan.runs.calibrating"
    with mock.patch(f"{room}.write_reports"):
        assert main(["calibrate", str(folder), "--as-of", as_of, "--no-pdf"]) == 0


def reconcile_quietly(folder: Path, storm: str = "s1") -> Path:
    """The folder of the storm's results."""
    room = "spreadplan.runs.reconciling"
    with (
        mock.patch(f"{room}.report_page"),
        mock.patch(f"{room}.write_reports"),
        mock.patch(f"{room}.write_geopackage"),
        mock.patch(f"{room}._layers"),
    ):
        assert main(["reconcile", str(folder), storm, "--no-pdf"]) == 0
    return folder / "results" / storm
