"""Season: budgets, forecast, scarce salt, chloride, over-application, savings."""

from spreadplan.season.budgets import Season
from spreadplan.season.season import SeasonInputs, SeasonResult, work_out_season
from spreadplan.season.use import StormUse, planned_storm

__all__ = [
    "Season",
    "SeasonInputs",
    "SeasonResult",
    "StormUse",
    "planned_storm",
    "work_out_season",
]
