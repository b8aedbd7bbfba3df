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
    # --- weather from elsewhere ---
    "weather_of_zone": "zone {zone}: {rounds:count.round}, {place:then}",
    "weather_from_place": "from {place}, {miles:distance} from the middle of its routes",
    "weather_from_point": "from the nearest point, {miles:distance} from the middle of its routes",
    "weather_without_place": "from a file that names no place",
    "air_for_pavement": (
        "zone {zone}: {rounds:count.round} without a pavement temperature, so that of the air is "
        "taken, with a larger uncertainty; pavement may be many degrees colder on a clear night "
        "and warmer by day"
    ),
    "weather_left_out": "zone {zone}: {rows:count.row} without any temperature, left out",
    "no_event_in_weather": "nothing in it has to be treated; the forecast stays as it is",
    "events_not_in_policy": (
        "the policy has no row for {events:names}: give these rows of forecast.csv an event that "
        "it has, or a rate of your own"
    ),
    "forecast_written": (
        "{rows:count.row} added to forecast.csv, which had {kept}; none of those was changed, and "
        "the newest forecast counts"
    ),
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
