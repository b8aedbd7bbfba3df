"""Everything that is said about the weather to come and its doubt."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from spreadplan.views.words.term import Term

WORDS: Final[Mapping[str, str]] = {
    "may_run_short_by_weather": (
        "{on_hand_lb:bulk} on hand cover the plan ({needed_lb:number.bulk}), but not what it takes "
        "if the pavement turns out otherwise than forecast (up to {most_lb:number.bulk}, 90 %)"
    ),
    "order_for_the_weather": "{order_lb:bulk} more would cover that as well",
    # --- what if ---
    "next_row_colder": "one policy row colder",
    "next_row_warmer": "one policy row warmer",
    "pavement_on_next_row": (
        "{change}: each row of the forecast at the nearest temperature at which the next row of "
        "the policy holds"
    ),
    # --- the doubt of the forecast ---
    "any_pavement": "any temperature",
    "pavement_below": "{to_f:temperature} or colder",
    "pavement_above": "warmer than {from_f:temperature}",
    "pavement_between": "{ends:range.temperature}",
    "need_by_weather": "by weather 90\u00a0%: {ends:range.bulk}",
    "forecast_doubt": (
        "Ranges by weather: the pavement normally distributed about the forecast, event and trend "
        "as stated; where the forecast gives no uncertainty, {night_f:step.temperature} by night "
        "and {day_f:step.temperature} to {bright_day_f:number.temperature_step} by day (errors of "
        "road temperature in an Iowa field trial, winter 2003-04), or what the policy sets; "
        "{common:share} of the error's variance is the same for all rows and zones of the storm "
        "(our choice)."
    ),
    "of_forecast": "forecast, application {application}",
    "weather_decides": (
        "whether the pavement goes below {border_f:temperature} between {start:moment} and "
        "{end:moment} decides {mass_lb:bulk} ({more}): {chance:share} that it does"
    ),
    "more_if_colder": "more if it does",
    "less_if_colder": "less if it does",
    "measure_and_plan_again": (
        "measure the pavement before the application begins, and plan again if it lies on the "
        "other side"
    ),
    "weather_without_row_below": (
        "the policy has no row below {border_f:temperature} ({lane_miles:lane_distance}): "
        "{chance:share} that the pavement is colder than that"
    ),
    "weather_without_row_above": (
        "the policy has no row above {border_f:temperature} ({lane_miles:lane_distance}): "
        "{chance:share} that the pavement is warmer than that"
    ),
    "have_a_rate_ready": (
        "decide now what to do then; the range by weather counts the rate of the nearest row"
    ),
}

TERMS: Final[Mapping[str, Mapping[str, Term]]] = {
    "u_origin": {
        "stated": Term("stated in the forecast", "none"),
        "policy": Term("set in the policy", "none"),
        "night": Term("default by night", "none"),
        "day": Term("default by day", "none"),
        "night and day": Term("default, part night and part day", "none"),
    },
}
