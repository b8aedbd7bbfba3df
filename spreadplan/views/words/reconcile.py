"""Everything that is said about reconcile."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from spreadplan.views.words.term import Term

WORDS: Final[Mapping[str, str]] = {
    # --- what to do about a truck's reports ---
    "nothing_needed": "none needed",
    "error_below_target": "none needed: the error is below the {target_pct:g} % of the policy",
    "no_error_proven": (
        "no error is shown, but {low:.2f} to {high:.2f} is possible; its tickets would have found "
        "an error of {found_pct:.0f} %. {more}"
    ),
    "so_many_loads": (
        "About {loads} more weighed {loads:noun.load}, with a return ticket after each last one, "
        "would tell"
    ),
    "more_tickets": "More load tickets, and a return ticket after each last load, would tell more",
    "weigh_do_not_count": "Its loads were counted, not weighed: weigh some on a scale",
    "test_again": (
        "test {truck} again with {material:material}: expect its calibration number to change to "
        "{ratio:.2f} times the present one (95 %: {low:.2f} to {high:.2f}){drift:then}"
    ),
    "and_drifts": (
        "; its ratio changes by {month_pct:+.1f} % a month, so look for wear or a slipping feeder"
    ),
    "materials_differ": (
        "find out before judging {truck}: the materials that its tickets name are not those that "
        "it reported. A name is spelt differently, the records name none, or its controller was "
        "set to another material"
    ),
    "weigh_its_loads": (
        "weigh the loads of {truck} with {material:material}: without tickets its true mass is "
        "known only from the fleet, {low:.2f} to {high:.2f} times what it reports"
    ),
    "reported_none": (
        "{truck} was loaded with {material:material} but reported none: check its sensor and record"
    ),
    "find_its_tickets": "look for missing load tickets of {truck} before judging it: {why}",
    "more_came_back": "its tickets say that more came back than went out",
    "tickets_fall_short": (
        "it put down about {share:.2f} times what its tickets account for; {loads} of its usual "
        "{loads:noun.load} would explain it"
    ),
    "find_out_first": (
        "find out before judging {truck}: its tickets account for {accounted_lb:mass}, its "
        "controller for {reported_lb:mass}. Records or tickets are missing, or belong to another "
        "truck"
    ),
    "export_unreadable": (
        "put the export of {truck} right: {lost_pct:.0f} % of its records could not be read, so "
        "that nothing can be held against it"
    ),
    "sent_no_records": "look for the records of {truck}: it has load tickets, but sent none",
    "sensor_says_nothing": (
        "look at the sensor and the export of {truck}: in {unknown_pct:.0f} % of the time with its "
        "spreader on, its records do not tell how much it released, so that nothing can be held "
        "against it"
    ),
}
TERMS: Final[Mapping[str, Mapping[str, Term]]] = {}
