"""Application-rate planning and compliance reporting for winter road maintenance.

The commands' work from Python: `open_workspace` leads to all of it, and each single step can be
called with plain arrays and frames. What stands in ``__all__`` is kept; anything else may change.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spreadplan.errors import BadInput, CannotWrite, Problem
    from spreadplan.library import (
        CalibrationResult,
        OpenWorkspace,
        PlanResult,
        Result,
        SeasonResult,
        UseResult,
        open_workspace,
    )
    from spreadplan.steps import (
        FeederSetting,
        fit_discharge_curve,
        match_positions,
        setting_for_rate,
        truck_ratios,
        verdicts,
    )

__version__ = "0.1.0"
__all__ = [
    "BadInput",
    "CalibrationResult",
    "CannotWrite",
    "FeederSetting",
    "OpenWorkspace",
    "PlanResult",
    "Problem",
    "Result",
    "SeasonResult",
    "UseResult",
    "__version__",
    "fit_discharge_curve",
    "match_positions",
    "open_workspace",
    "setting_for_rate",
    "truck_ratios",
    "verdicts",
]

_ERRORS = ("BadInput", "CannotWrite", "Problem")
_STEPS = (
    "FeederSetting",
    "fit_discharge_curve",
    "match_positions",
    "setting_for_rate",
    "truck_ratios",
    "verdicts",
)


def __getattr__(name: str) -> Any:
    """Import a name when it is first asked for: the command line needs few of them."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    home = "errors" if name in _ERRORS else "steps" if name in _STEPS else "library"
    return getattr(import_module(f"{__name__}.{home}"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
