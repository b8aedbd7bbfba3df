"""One function for each command: read → compute → results → reports. Only here the rooms join.

Each is imported when it is first asked for: `check` needs nothing of what `reconcile` does.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spreadplan.runs.calibrating import calibrate
    from spreadplan.runs.checking import check
    from spreadplan.runs.comparing import compare
    from spreadplan.runs.issuing import issue
    from spreadplan.runs.options import Options, no_progress
    from spreadplan.runs.packing import pack, verify
    from spreadplan.runs.planning import compute_plan, plan
    from spreadplan.runs.reconciling import compute_use, reconcile
    from spreadplan.runs.rest_of_storm import plan_rest
    from spreadplan.runs.seasons import compute_season, season
    from spreadplan.runs.starting import demo, new
    from spreadplan.runs.weathering import weather

__all__ = [
    "Options",
    "calibrate",
    "check",
    "compare",
    "compute_plan",
    "compute_season",
    "compute_use",
    "demo",
    "issue",
    "new",
    "no_progress",
    "pack",
    "plan",
    "plan_rest",
    "reconcile",
    "season",
    "verify",
    "weather",
]

_HOMES = {
    "calibrating": ("calibrate",),
    "checking": ("check",),
    "comparing": ("compare",),
    "issuing": ("issue",),
    "options": ("Options", "no_progress"),
    "packing": ("pack", "verify"),
    "planning": ("compute_plan", "plan"),
    "reconciling": ("compute_use", "reconcile"),
    "rest_of_storm": ("plan_rest",),
    "seasons": ("compute_season", "season"),
    "starting": ("demo", "new"),
    "weathering": ("weather",),
}


def __getattr__(name: str) -> Any:
    home = next((home for home, names in _HOMES.items() if name in names), None)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{home}"), name)
