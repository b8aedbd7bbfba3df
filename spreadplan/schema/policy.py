"""The agency's rules: rates by weather, tolerances, validity."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final, Literal, get_args

import pandas as pd

End = Literal["low", "middle", "high"]
"""A place in a range of rates."""
Pick = Literal["by_round", "low", "middle", "high"]
"""Which place a plan takes in a policy's ranges; by round: the middle first, the low end later."""
PICKS: Final[tuple[Pick, ...]] = get_args(Pick)

SURFACES: Final = ("dry", "damp", "wet", "slush", "snow", "packed", "ice")
"""What may lie on a road, as a policy's row or a forecast names it."""
WETTINGS: Final = ("dry", "pretreated", "prewet", "slurry")
"""How a solid is wetted: not at all, in the stockpile, at the spreader, or as a slurry."""
SUCCESSIVE: Final = "successive"
"""Treatments one after another for as long as the event lasts."""

#: columns of `Policy.rates`; a rate has a low and a high end in exactly one of the three bases, or
#: none at all where a row only says what to do (``action``).
RATE_ROW_COLUMNS = (
    "row",
    "event",
    "pavement_temp_min_f",
    "pavement_temp_max_f",
    "trend",
    "service_class",
    "material",
    "phase",
    "surface",
    "wetting",
    "snow_depth_min_in",
    "snow_depth_max_in",
    "treatments",
    "plow",
    "wetting_included",
    "rate_low_lb_per_lane_mile",
    "rate_high_lb_per_lane_mile",
    "rate_low_g_per_m2",
    "rate_high_g_per_m2",
    "rate_low_gal_per_lane_mile",
    "rate_high_gal_per_lane_mile",
    "basis",
    "source",
    "provenance",
    "action",
)


def no_rates() -> pd.DataFrame:
    """An empty table of policy rates."""
    return pd.DataFrame({name: [] for name in RATE_ROW_COLUMNS})


@dataclass(frozen=True, kw_only=True)
class Service:
    """What a class of winter service is promised.

    Attributes
    ----------
    service_class : the class, "*" for all that have no entry of their own.
    first_pass_min : minutes from the start of an application until a segment has been treated; NaN:
        nothing is promised.
    cycle_min : longest time in minutes between two treatments of a segment while the event lasts;
        NaN: nothing is promised.
    """

    service_class: str
    first_pass_min: float = math.nan
    cycle_min: float = math.nan


@dataclass(frozen=True, kw_only=True)
class Policy:
    """`policy.toml`, with defaults where it is silent.

    Attributes
    ----------
    rates : one row per ``[[rate]]``; columns in `RATE_ROW_COLUMNS`. ``row`` counts from 1.
    services : one entry per ``[[service]]``; no class twice.
    sensitive_factor : share of the usual rate inside a sensitive area that states none itself.
    prewet_reduction_pct : how much less of the solid a rate for dry material asks for where the
        material is prewetted or pretreated, percent; NaN: such a rate is not for wetted material.
    over_pct, under_pct : how far an applied mass may lie above or below the plan.
    confidence : probability needed to call an application over or under.
    calibration_pct : 95 % half-width that a calibration should reach. The default of 5 % is from
        memory: no published figure was found, so the agency sets its own.
    calibration_max_age_days : a test counts this long. The default of a year follows the advice to
        calibrate before each season (University of Delaware T2/LTAP, Salt Spreader Calibration,
        2020).
    scale_by_lane_width : whether a rate per lane-mile is meant for the reference lane and shrinks
        or grows with the width of the lane.
    reference_lane_width_ft : the reference lane, from `workspace.toml`.
    night_u_f, day_u_f : standard uncertainty of a forecast pavement temperature where the forecast
        states none, °F; NaN: see `planning.forecast_doubt`.
    common_share : share of a forecast error's variance that all rows and zones of a storm have in
        common; NaN: see `planning.forecast_doubt`.
    """

    rates: pd.DataFrame = field(default_factory=no_rates)
    services: tuple[Service, ...] = ()
    sensitive_factor: float = 1.0
    prewet_reduction_pct: float = math.nan
    over_pct: float = 10.0
    under_pct: float = 10.0
    confidence: float = 0.95
    calibration_pct: float = 5.0
    calibration_max_age_days: float = 365.0
    scale_by_lane_width: bool = False
    reference_lane_width_ft: float = 12.0
    night_u_f: float = math.nan
    day_u_f: float = math.nan
    common_share: float = math.nan

    def service(self, service_class: str) -> Service:
        """What a class is promised: its own entry, else that of "*", else nothing."""
        by_class = {one.service_class: one for one in self.services}
        return by_class.get(service_class) or by_class.get("*") or Service(service_class="*")
