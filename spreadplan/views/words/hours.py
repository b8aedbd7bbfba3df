"""Everything that is said about the hours of a plan: what trucks do when, and what is late."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from spreadplan.views.words.term import Term

WORDS: Final[Mapping[str, str]] = {
    # --- what does not fit into the hours ---
    "truck_in_round": "truck {truck}, application {application}",
    "round_too_long": (
        "leaves {late_min:duration} late: its round before takes {needs_min:duration}, and rounds "
        "begin every {every_min:duration}"
    ),
    "begin_earlier": (
        "begin application {application} earlier by {shift_min:duration}: "
        "{late_after:lane_distance} late in place of {late_before:number.lane_distance}, "
        "{hours:+.1f} h, {mass}"
    ),
    "begin_later": (
        "begin application {application} later by {shift_min:duration}, {every_min:duration} after "
        "the one before: {late_after:lane_distance} late in place of "
        "{late_before:number.lane_distance}, {hours:+.1f} h, {mass}"
    ),
    "lighter_round": "give one of its routes to another truck, or put rounds further apart",
    "later_than_promised": (
        "{late_min:duration} later than class {service_class} is promised, "
        "{lane_miles:lane_distance} of it; truck {truck}"
    ),
    "other_truck_or_start": (
        "give it to a truck that is free earlier, put it first in assignments.csv, or change the "
        "promise in policy.toml"
    ),
    "no_shift_left": (
        "no shift is left, or none is long enough, for {lane_miles:lane_distance} of "
        "{routes:noun.route} {routes:names}"
    ),
    "add_a_shift": "add a shift to shifts.csv, or give the route to a truck that has one",
    "no_clock_without_start": (
        "{applications:noun.application} {applications:names} without a start: no times of day"
    ),
    "give_a_start": "give start in forecast.csv or rates.csv",
    # --- enough salt, enough hours, who cannot go ---
    "hours_suffice": "yes: every truck is done in time",
    "hours_short": "no: {trucks:noun.truck} {trucks:names} not done in time{late:then}",
    "and_late": ", {runs:count.run} late",
    "salt_suffices": "yes: every yard holds the need and its upper end",
    "salt_short": "no: short at {yards:names}",
    "salt_may_be_short": "perhaps not: the upper end is not covered at {yards:names}",
    "salt_not_counted": "not known: no count at {yards:names}",
    "all_can_go": "nobody: every route has a truck and a setting",
    "cannot_go": "{reasons:also}",
    "without_setting": "no setting for {trucks:noun.truck} {trucks:names}",
    "without_truck": "no truck for {routes:noun.route} {routes:names}",
    "hours_drawn": "What each truck does hour by hour. {trucks}",
    "truck_drawn": "{truck}: spreads for {spread_min:duration}, done {until:moment}.",
    "hours_unknown": "no times: no application has a start",
}
TERMS: Final[Mapping[str, Mapping[str, Term]]] = {
    "activity": {
        "load": Term("load", "none"),
        "travel": Term("on the way", "none"),
        "spread": Term("spread", "good"),
        "wait": Term("wait", "none"),
    },
}
