"""What every report of a workspace shares: its name, its voice, its paper."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any, Protocol

import pandas as pd

from spreadplan.views.display import Display
from spreadplan.views.voice import Voice


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

    @property
    def currency(self) -> str:
        """The sign or word of its prices."""
        ...

    @property
    def rate_unit(self) -> str:
        """ "g_per_m2" where rates are to be read per area, else ""."""
        ...

    @property
    def lane_width_ft(self) -> float:
        """Width of the reference lane."""
        ...

    @property
    def call(self) -> str:
        """Whom a driver calls, "" for nobody."""
        ...

    @property
    def storms(self) -> Mapping[str, str]:
        """What people call its storms, by their folders."""
        ...


@dataclass(frozen=True)
class Setting:
    """Name of the workspace, how it speaks and shows quantities, the size of the paper, and whom a
    driver calls.
    """

    workspace: str
    voice: Voice
    paper: str
    call: str = ""

    @property
    def display(self) -> Display:
        """How quantities are shown."""
        return self.voice.display

    def context(self, as_of: pd.Timestamp) -> dict[str, Any]:
        """What the base of every template asks for; ``as_of`` is the date of the data."""
        return {"workspace": self.workspace, "paper": self.paper, "as_of": self.display.date(as_of)}


def voice_of(
    settings: WorkspaceSettings, materials: pd.DataFrame | None = None, units: str = ""
) -> Voice:
    """How a workspace speaks.

    materials : its table of materials; without it a material's key is read as words.
    units : "us" or "metric" where somebody wants others than the workspace's own.
    """
    system = units or settings.units
    # g/m² is a metric unit: who looks at a metric workspace in US units gets lb/lane-mile
    per_area = settings.rate_unit == "g_per_m2" and system in ("metric", settings.units)
    lane_ft = settings.lane_width_ft if per_area else 0.0
    display = Display(system, settings.timezone, settings.currency, lane_ft)
    named = {}
    if materials is not None:
        named = dict(zip(materials["material"], materials["name"], strict=True))
    return Voice(display, named, settings.storms)


def setting_of(
    settings: WorkspaceSettings, materials: pd.DataFrame | None = None, units: str = ""
) -> Setting:
    """Letter paper goes with US units, A4 with metric ones; see `voice_of`."""
    voice = voice_of(settings, materials, units)
    paper = "A4" if voice.display.system == "metric" else "letter"
    return Setting(settings.name, voice, paper, settings.call)
