"""What every report of a workspace shares: its name, its units, its paper."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo
from typing import Any, Final, Protocol

import pandas as pd

from spreadplan.views.display import Display

US_WORDING: Final = (
    "Sentences that explain a finding or give advice are worded in US units: in, mi, mph, lb, tons "
    "of 2,000 lb, F."
)


class WorkspaceSettings(Protocol):
    """The part of `spreadplan.workspace.Settings` that reports need."""

    @property
    def name(self) -> str:
        """Name of the workspace."""
        ...

    @property
    def units(self) -> str:
        """The system of units to show: "us" or "metric"."""
        ...

    @property
    def timezone(self) -> tzinfo:
        """The zone to show times in."""
        ...


@dataclass(frozen=True)
class Setting:
    """Name of the workspace, how quantities are shown, and the size of the paper."""

    workspace: str
    display: Display
    paper: str

    def context(self, as_of: pd.Timestamp) -> dict[str, Any]:
        """What the base of every template asks for; ``as_of`` is the date of the data."""
        return {"workspace": self.workspace, "paper": self.paper,
                "as_of": self.display.date(as_of)}  # fmt: skip


def setting_of(settings: WorkspaceSettings) -> Setting:
    """Letter paper goes with US units, A4 with metric ones."""
    paper = "A4" if settings.units == "metric" else "letter"
    return Setting(settings.name, Display(settings.units, settings.timezone), paper)
