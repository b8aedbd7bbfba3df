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
    "follows_output": (
        "its ratio follows its output: {low:.2f} at {low_lb_per_min:discharge}, {high:.2f} at "
        "{high_lb_per_min:discharge}. One test says little of such a truck: test it at 20, 60 and "
        "100 % of its output; {then}"
    ),
    "after_exchange": "{what}; {then}",
    "exchanged_tickets": (
        "its ticket {ticket} and {other} of {truck} seem to be each other's: look at both"
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
        "loads would explain it"
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
    # --- why a segment is judged as it is ---
    "more_rounds": "more rounds than planned",
    "rate_above": "rate above the plan",
    "both_above": "rate above the plan, and more rounds than planned",
    "not_in_routes": "was planned here when the plan was issued, but is not in the routes now",
    "nothing_planned_here": "nothing planned here with this material",
    "truck_contested": "tickets and reports of its truck disagree",
    "too_short": "too short to tell who drove on it",
    "coverage_thin": "coverage too thin",
    "other_material": "another material than planned was put down here",
    "mass_unplaced": "mass of its truck without a known place may lie here",
    "way_guessed": "too much only with mass of a silence, whose way nobody saw",
    "too_uncertain": "too uncertain",
    "decision_rule": (
        "A segment is called over (under) only where the probability that its true mass lies "
        "above (below) the plan by more than {over_pct:g} % ({under_pct:g} %) is at least "
        "{sure_pct:g} %; probably over (under) where it is between 50 % and {sure_pct:g} %. Where "
        "more rounds were made than planned, and the rate of a round is not over its limit with "
        "that probability, it is called {more_rounds} instead of over. In a sensitive area with a "
        "greatest rate of its own, that rate is the upper limit where it is the lower one, without "
        "tolerance. Unknown: nothing was planned, the tickets of a truck cannot belong to what it "
        "reported, the segment is too short to tell who drove on it, less than {heard_pct:g} % of "
        "the expected passes were within hearing (unless what was heard is too much already), the "
        "others, made as planned, would make up for what seems to be missing, that may be mass of "
        "its truck of which nobody knows where it lies, or lies there under another material's "
        "name, it is too much only with mass of a silence of its truck, whose way nobody saw, or "
        "the standard uncertainty is more than {vague_pct:g} % of the plan. Method: JCGM 106:2012."
    ),
    # --- findings: what they are about ---
    "how_ranked": (
        "Findings are ranked by the mass that is surely in question (the end of the 95 % interval "
        "nearest to none), counted {sensitive:g} times where too much lies in a sensitive area or "
        "a road was left untreated, and {books:g} times where only a ticket or a count is missing."
    ),
    "of_route_in_area": "route {route}, sensitive area {areas}",
    # --- findings: on the road ---
    "more_than_planned": "{excess_lb:bulk} of {material:material} more than planned",
    "more_by_rounds": "{cause}, {excess_lb:bulk} of {material:material}",
    "less_than_planned": "{short_lb:bulk} of {material:material} less than planned",
    "next_to_untreated": "{segments:count.segment} ({lane_miles:lane_distance}) next to untreated",
    "none_put_down": "Nothing was put down where {planned_lb:bulk} were planned.",
    "hardly_put_down": "Next to nothing was put down where {planned_lb:bulk} were planned.",
    "put_down": (
        "On {segments:count.segment} ({lane_miles:lane_distance}) the true mass is "
        "{applied_lb:bulk} (95 %: {ends:range.bulk}) where {planned_lb:bulk} were planned."
    ),
    "spread_by": "Spread by {truck}.",
    "rounds_and_rate": (
        "Rounds made: {made:tenth}, planned: {wanted:tenth}; mean rate "
        "{rate_lb_per_lane_mile:rate}, {planned_lb_per_lane_mile:rate} planned."
    ),
    "sure_too_much": "That it is too much is at least {sure_pct:g} % sure.",
    "sure_on_each": "That it is too much is at least {sure_pct:g} % sure on each of them.",
    "rate_not_shown": "That the rate of a round was too high is not shown.",
    "ask_about_rounds": (
        "Ask why it was spread more often than planned; conditions on the road may have called for "
        "it."
    ),
    "test_before_blame": (
        "{truck}'s controller reports wrongly: test it before anything is said of the driver."
    ),
    "ask_about_rate": (
        "Ask about the rate that was set in {truck} on this route; conditions on the road may have "
        "called for it."
    ),
    "ask_about_both": (
        "Ask about the rate that was set in {truck} on this route and why it was spread more often "
        "than planned; conditions on the road may have called for it."
    ),
    "ask_about_settings": (
        "Ask about the settings of this route; conditions on the road may have called for it."
    ),
    "the_truck": "the truck",
    "named_truck": "{truck}",
    "was_heard": "The truck was heard on its way, so it is not for want of records.",
    "ask_if_closed": (
        "Ask whether it was closed, plowed only, or taken by another truck; if not, treat it first "
        "next time."
    ),
    "ask_about_few_rounds": "Ask why it was spread less often than planned.",
    "look_at_the_gate": "Look at the rate and the gate that were set in {truck}.",
    "not_judged": "{segments:count.segment} ({lane_miles:lane_distance}) can't be judged",
    "because": "Why: {reasons:also}.",
    "heard_of": "{planned_lb:bulk} were planned, {applied_lb:bulk} were heard of.",
    "look_for_other_name": (
        "See whether the route got another material, or the controller or materials.csv calls it "
        "by another name."
    ),
    "look_for_records": (
        "Look for records that were not sent, and at the receiver and antenna of the truck."
    ),
    "none_was_planned": "{applied_lb:bulk} of {material:material} where none was planned",
    "on_segments_by": "On {segments:count.segment}, by {trucks:names}.",
    "ask_about_material": (
        "Ask whether the route got another material, or a truck another's route."
    ),
    "on_no_route": "{applied_lb:bulk} on no route",
    "released_away": (
        "True mass {applied_lb:bulk} (95 %: {ends:range.bulk}) was released away from every "
        "segment of the routes."
    ),
    "look_at_points": (
        "See on a map where the points of use_points.parquet without a segment lie: a yard, a "
        "private place, or a road that is missing in the routes."
    ),
    "at_no_place": "nobody knows where {applied_lb:bulk} lies",
    "released_unseen": (
        "True mass {applied_lb:bulk} (95 %: {ends:range.bulk}) was released where the truck had no "
        "position, none that can be believed, or no way from one to the next. It counts for the "
        "truck. Segments that may lack just this mass are not judged."
    ),
    "look_at_receiver": (
        "Look at the receiver and antenna of the truck, and whether the positions are degrees of "
        "longitude and latitude."
    ),
    "released_standing": "{mass_lb:bulk} released standing still",
    "largest_pile": (
        "{piles:count.pile}, the largest {largest_lb:mass} on route {route}, segment {segment} "
        "(reported mass)."
    ),
    "stop_the_feeder": ("See whether the feeder stops when the truck does; clear the piles away."),
    "put_down_ahead_of_plow": "{off_lb:bulk} of {material:material} put down ahead of a plow",
    "plowed_off": (
        "{treatments:count.treatment} by {spread_by:names} on {segments:names}; the plow of "
        "{plowed_by:names} came over them {when} later. "
        "True mass that it must have taken off, 95 %: {ends:range.bulk}."
    ),
    "after_minutes": "{minutes:tenth} minutes",
    "after_minutes_between": "{soonest:tenth} to {latest:tenth} minutes",
    "plow_first": (
        "See whether the plow can go first, or plow and spreader in one pass; the spreader belongs "
        "behind the last plow."
    ),
    # --- what drivers set and saw ---
    "driver_set_gate": (
        "the driver set gate {set_in:gate} where the card says {card_in:list.gate}"
    ),
    "driver_set_feeder": (
        "the driver set the feeder to {set_pct:percent} where the card says {ends:range.percent}"
    ),
    "driver_set_rate": (
        "the driver set {set_lb_per_lane_mile:rate} where the card says {ends:range.rate}"
    ),
    "truck_gave_more": (
        "the truck gave {given_lb_per_lane_mile:rate} (95 %: {ends:range.rate}), more than the "
        "{set_lb_per_lane_mile:rate} that were set"
    ),
    "truck_gave_less": (
        "the truck gave {given_lb_per_lane_mile:rate} (95 %: {ends:range.rate}), less than the "
        "{set_lb_per_lane_mile:rate} that were set"
    ),
    # --- findings: controllers, tickets, stock ---
    "reports_too_little": (
        "reports too little: over the season its true mass is {ratio:.2f} times what it says"
    ),
    "reports_too_much": (
        "reports too much: over the season its true mass is {ratio:.2f} times what it says"
    ),
    "ratio_of_season": (
        "95 % over the season: {low:.2f} to {high:.2f}, from the tickets of "
        "{storms:count.storm}. In this storm it was {ratio:.2f} times: {reported_lb:bulk} "
        "reported, {true_lb:bulk} put down."
    ),
    "records_fall_short": "its records do not tell all that it put down",
    "reported_and_ticketed": (
        "It reported {reported_lb:bulk}; its tickets account for {accounted_lb:bulk}."
    ),
    "tickets_disagree": "tickets and reports disagree",
    "reported_nothing": "reported none although it was loaded",
    "tickets_account_for": "Its tickets account for {accounted_lb:bulk}.",
    "tickets_missing": "tickets are missing",
    "no_tickets": "no tickets",
    "partly_presumed": (
        "It put down {true_lb:bulk}, {presumed_lb:bulk} of it presumed: its tickets account for "
        "{accounted}{chance:then}."
    ),
    "mass_accounted": "{accounted_lb:bulk}",
    "nothing_accounted": "nothing",
    "chance_missing": " (probability that one is missing: {chance:share})",
    "books_say": "{difference_lb:bulk} {more} than the books say",
    "counted_and_expected": (
        "{counted_lb:bulk} were counted on {until:date}, {expected_lb:bulk} expected from the "
        "count of {since:date} and all tickets since. The difference is {difference:pm.bulk} "
        "(95 %)."
    ),
    "count_after_delivery": "Look for a delivery that nobody wrote down, then count again.",
    "count_after_loads": (
        "Look for loads without a ticket and for loss from the pile, then count again."
    ),
    "total_jumped": "{mass_lb:bulk} of its running total could not be true",
    "jump_left_out": (
        "Its total jumped by more than any feeder releases in that time. The jump is not counted "
        "as material."
    ),
    "look_at_the_counter": "Look at the counter and its cable.",
    # --- records ---
    "records_not_used": "{records:count.record} not used: {reason}",
    "records_not_used_such_as": "{records:count.record} not used; for instance: {reason}",
}
#: what was put right in the records, or noted of them -> how
PUT_RIGHT: Final[Mapping[str, str]] = {
    "amount by the set rate alone": "the rate that was set times the lane-miles driven",
    "temperature impossible, the rest of the record used": "taken as missing",
    "no position, the rest of the record used": "its mass counts for the truck; where it lies is "
    "taken from the records around it, or not known",
    "a cell cannot be read, the rest of the record used": "taken as empty",
    "speed impossible, the rest of the record used": "taken as empty",
    "total or rate impossible, the rest of the record used": "taken as missing",
    "time not usable, taken from the records beside it": "by where the record stands in its file",
    "spreading not said": "its counter decides",
    "total missing": "what the next one tells is spread over the way since the one before",
    "total unchanged": "a coarse counter or a pause; mass is spread over the way since the last "
    "change",
    "coarse counter": "the counter moves in large steps; they are spread over the way between",
    "total reset": "counted on from zero",
    "total wrapped": "the counter went over its end and was counted on",
    "impossible jump, not counted": "more than any feeder releases in that time",
    "total set back, not counted": "a smaller total that is no reset",
    "impossible rate, not counted": "more than any feeder releases",
    "rate missing": "taken from the records beside it",
    "silence, rate not counted across it": "no mass is made up for a time without records",
    "out of order": "sorted by time",
    "material changed": "the mass of each is kept apart",
}
TWIN_IS_USED: Final = "nothing lost: its twin is used"
TERMS: Final[Mapping[str, Mapping[str, Term]]] = {
    "use_verdict": {
        "over": Term("over", "bad"),
        "probably_over": Term("probably over", "warn"),
        "more_rounds": Term("more rounds than planned", "warn"),
        "under": Term("under", "bad"),
        "probably_under": Term("probably under", "warn"),
        "within": Term("within", "good"),
        "unknown": Term("unknown", "none"),
    },
    "truck_verdict": {
        "reports too little": Term("reports too little", "warn"),
        "reports too much": Term("reports too much", "warn"),
        "tickets and reports disagree": Term("tickets and reports disagree", "warn"),
        "records incomplete": Term("records incomplete", "warn"),
        "tickets missing": Term("tickets missing", "warn"),
        "no tickets": Term("no tickets", "none"),
        "not shown": Term("not shown", "none"),
        "agrees": Term("agrees", "good"),
    },
    "bucket_known": {
        "yard": Term("weighed here", "good"),
        "few": Term("few weighed here", "warn"),
        "others": Term("not known here, as in other yards", "warn"),
        "assumed": Term("not known, assumed", "bad"),
    },
    "driver_verdict": {
        "as_card": Term("as the card says", "good"),
        "differs": Term("not as the card says", "warn"),
        "not_said": Term("not said", "none"),
        "no_card": Term("no card of this truck", "none"),
    },
    "given": {
        "as_set": Term("as set", "good"),
        "more": Term("more than set", "warn"),
        "less": Term("less than set", "warn"),
        "unknown": Term("not known", "none"),
    },
    "worked": {
        "yes": Term("worked", "good"),
        "partly": Term("worked in part", "warn"),
        "no": Term("did not work", "bad"),
    },
    "forecast_verdict": {
        "as_forecast": Term("as forecast", "good"),
        "colder": Term("colder than forecast", "warn"),
        "warmer": Term("warmer than forecast", "warn"),
    },
    "balance_verdict": {
        "more used than recorded": Term("more used than recorded", "bad"),
        "more delivered than recorded": Term("more delivered than recorded", "bad"),
        "no opening count": Term("no opening count", "none"),
        "not counted yet": Term("not counted yet", "none"),
        "agrees": Term("agrees", "good"),
    },
}
