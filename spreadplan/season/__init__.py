"""Season: budgets, forecast, scarce salt, chloride, over-application, savings."""

from spreadplan.season.budgets import Season
from spreadplan.season.season import SeasonAccounts, SeasonInputs, work_out_season
from spreadplan.season.use import StormOfSeason, planned_storm

__all__ = [
    "Season",
    "SeasonAccounts",
    "SeasonInputs",
    "StormOfSeason",
    "planned_storm",
    "work_out_season",
]
