"""Everything that is said about season."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from spreadplan.views.words.term import Term

WORDS: Final[Mapping[str, str]] = {
    # --- what it is about ---
    "of_budget": "budget {scope}, {material:material}",
    "of_area": "area {area}",
    "of_water": "water {water}",
    "of_waters": "water",
    "of_over_application": "over-application",
    "of_rounds": "rounds",
    "of_storms": "storms",
    "of_material": "material {material:material}",
    "tickets_of_truck": "tickets of {truck}, {material:material}",
    "tickets_of_material": "tickets of {material:material}",
    # --- budgets and storms ---
    "overspent": "{used_lb:number.bulk} of {budget_lb:bulk}: overspent",
    "move_budget": "move budget, or lower rates where the policy allows",
    "likely_to_run_out": (
        "{used_lb:number.bulk} of {budget_lb:bulk} used; the season's total is more likely than "
        "not to exceed it ({chance_pct:.0f} %)"
    ),
    "plan_for": "plan for up to {most_lb:bulk}",
    "season_is_over": "the season is over: nothing is forecast",
    "too_few_storms": "{storms} storms used it so far: too few to forecast from",
    "counted_as_planned": "{storms:also}: no telemetry; counted as planned",
    "one_storm": "{storm:storm}",
    "add_telemetry": "add the telemetry and reconcile",
    # --- trucks, tickets, books ---
    "spreads_more": (
        "spreads {off_pct:.0f} % more than it reports (95 %: {low_pct:+.0f} to {high_pct:+.0f} %)"
        "{drift:then}"
    ),
    "spreads_less": (
        "spreads {off_pct:.0f} % less than it reports (95 %: {low_pct:+.0f} to {high_pct:+.0f} %)"
        "{drift:then}"
    ),
    "reports_drift": " and drifts by {month_pct:+.1f} % a month",
    "use_presumed": (
        "{presumed_lb:bulk} of what it used in {storm:storm} are presumed: no ticket names them; "
        "{loads} of its usual loads would explain it"
    ),
    "look_for_tickets": "look for the missing load tickets",
    "use_without_tickets": "{used_lb:bulk} used by trucks that no ticket tells of: {trucks:names}",
    "weigh_loads": "weigh their loads",
    "more": "more",
    "less": "less",
    "books_differ": (
        "{difference:pm.bulk} {more} counted on {until:date} than the records since {since:date} "
        "explain"
    ),
    "find_the_delivery": "look for a delivery that nobody wrote down",
    "find_the_loads": "look for loads without a ticket, or salt given away",
    # --- over-application, chloride, water ---
    "above_their_limit": (
        "{listed} segments of single storms lie above their limit by the bare figures; the "
        "measurement supports {supported} of them"
    ),
    "act_on_those": "act on those; the others can't be told from conforming ones",
    "had_more_rounds": (
        "{segments} segments of single storms had {what}; none of them is shown to be over its rate"
    ),
    "too_few_rounds": "ask whether the plan had too few rounds",
    "rounds_explain_it": (
        "{what}: {made:.1f} where {planned:g} were planned, each {made_lb_per_lane_mile:rate} "
        "(95 %: {ends:range.rate}) against {limit_lb_per_lane_mile:number.rate}; no rate is shown "
        "to be over"
    ),
    "above_allowed": (
        "{over_lb:mass} above what was allowed, {chance_pct:.0f} % likely over its limit"
    ),
    "rate_over_limit": (
        "{made_lb_per_lane_mile:rate} (95 %: {ends:range.rate}) against "
        "{limit_lb_per_lane_mile:number.rate}: {chance_pct:.0f} % likely over its limit{doubt:then}"
    ),
    "not_supported": "; not supported: the measurement can't tell it from a conforming one",
    "chloride_unknown": (
        "{used_lb:bulk} used, and its chloride is not known: it is missing from every chloride "
        "figure"
    ),
    "state_chloride": "state chloride_fraction in materials.csv",
    "chloride_over_limit": (
        "{chloride_lb:bulk} of chloride this season against a limit of {limit_lb:number.bulk} "
        "({chance_pct:.0f} % likely over)"
    ),
    "lower_the_rate_there": "lower the rate there, and tell the environmental officer",
    "no_water_screened": "no water was screened: no sensitive area states a flow",
    "give_the_flow": "give mean_flow, low_flow and background in sensitive_areas",
    "one_reading": "{level_mg_l:,.0f} mg/L {reading} ({window})",
    "water_screened": (
        "{screening}: {figures:commas}, against {limit_mg_l:g} mg/L ({criterion}, {average} "
        "average); {basis}"
    ),
    "sample_the_water": (
        "sample the water; only samples and the regulator can say whether a standard is met"
    ),
    "waters_not_judged": ("not judged, since low flow or background is not known: {waters:names}"),
    "give_flow_or_sample": ("give low_flow and background in sensitive_areas, or sample the water"),
    # --- savings ---
    "beyond_their_settings": (
        "true mass less reported mass: what trucks put down beyond what they were set to"
    ),
    "above_allowed_in_areas": (
        "reported mass above what was allowed on segments that touch a sensitive area"
    ),
    "if_prewetted": (
        "routes on dry salt, if they were prewetted with {liquid_gal_per_ton:liquid_per_mass}, "
        "{whose}"
    ),
    "as_published": "as {source}, gives",
    "as_routes_are": "as the prewetted routes are",
    "lowered_in_areas": (
        "planned mass below what the rest of the route got; from none to all of it, since whether "
        "drivers lowered the rate within a segment is not recorded"
    ),
    "saved_by_prewetting": (
        "prewetted routes on salt: what they would have taken dry, less what they took; liquid as "
        "assigned"
    ),
    "from_tickets": "this season's load tickets",
    "from_plans_and_telemetry": "this season's plans and telemetry",
    "from_plans": "this season's plans",
    # --- what if ---
    "as_planned": "as planned",
    "rates_by": "rates {change_pct:+g} %",
    "every_rate_times": "every rate times {factor:g}",
    "colder_by": "{step_f:step.temperature} colder",
    "warmer_by": "{step_f:step.temperature} warmer",
    "pavement_than_forecast": "pavement {change} than forecast",
    "prewet_at": "prewet {liquid_gal_per_ton:liquid_per_mass}",
    "no_prewetting": "no prewetting",
    "scenario_drawn": "{scenario}: {mass_lb:bulk}.",
    "scenarios_drawn": "Material by scenario. {scenarios}",
    "scenario_found": (
        "{scenario}: {mass_lb:bulk}{more:then}, short {short_lb:bulk}, {lane_miles:lane_distance} "
        "not treatable"
    ),
    "with_difference": " ({sign}{more_lb:number.bulk})",
    "truck_without_route": "truck {truck} is not known or has no route",
    "truck_not_free": "route {route}: truck {truck} is not known or is out itself",
    "rates_below_zero": "{change_pct:g} % would make rates negative",
    "and_less_salt": "{first}, {less_pct:g} % less salt",
    "truck_out": "{truck} out",
    "out_of_service": "truck {truck} out of service: {routes:commas}",
    "route_to": "{route} to {truck}",
    "route_open": "{route} open",
    # --- scarce material ---
    "no_solution": "no solution was found: {message}",
    "sharing_impossible": "scarce {material:material}: {why}",
    "material_shared": (
        "scarce {material:material}, shared between routes: given up: {given_up}; hauled between "
        "yards: {hauled_lb:bulk}"
    ),
    "nothing": "nothing",
    "each_lost": "{classes:commas}",
    "class_gives_up": "class {name} {given_up_lb:bulk}",
    "class_without_name": "without a name",
    "haul_between": "{mass_lb:bulk} from {origin} to {target} ({way_mi:distance})",
    "yard_lacks": "yard {yard}: the",
    "area_allows_less": "area {area}: its limit against the",
    "needs_more_than_there_is": (
        "{where} least treatment of class {classes:names} needs {short_lb:bulk} more than there "
        "is, even with haul from the other yards"
    ),
    # --- where use and its limits come from ---
    "truck_in_storm": "{truck} in {storm:storm}",
    "and_more": "and {more} more",
    "calibration_not_read": "{truck}: calibration not read",
    "no_valid_test": "{truck}: no valid test with {material:material}",
    "calibration_in_force": "{truck}: test {test} of {day:date}{others:then}",
    "and_other_tests": " and {more} more",
    # --- chloride in a material, water ---
    "as_stated": "as stated in materials.csv",
    "no_salt": "no salt in it",
    "chemical_unknown": "not known: state chloride_fraction or chemical in materials.csv",
    "strength_unknown": (
        "not known: state chloride_fraction (the strength of a brine, or the water in the crystals "
        "of CaCl2 and MgCl2, is not known)"
    ),
    "from_formula": "NaCl {chloride:.4f} x purity {pure_lo:g} to {pure_hi:g} x dry share {dry}",
    "dry_share": "{share:g}",
    "dry_shares": "{low:g} to {high:g}",
    "at_flow": "at {flow}, on top of {background}{lacking:then}",
    "low_flow": "low flow",
    "mean_flow": "mean flow",
    "the_background": "the background",
    "background": "background",
    "no_background": "none",
    "one_not_known": ": {what} is not known",
    "both_not_known": ": {what} and {other} are not known",
    # --- how it was worked out ---
    "about_forecasts": (
        "Storms to come: Poisson with a gamma posterior from the storms so far. Use of a storm: "
        "gamma with unknown mean and shape. Both together give the distribution of the season's "
        "total in closed form; the interval holds 90 % of it. Storms are taken to come at a "
        "steady rate: spells and the course of the winter are left out."
    ),
    "about_screening": (
        "Screening estimate, in two readings wherever they differ: the chloride of an area "
        "reaches the water while the storm lasts, or all of it within the averaging time. Water "
        "is judged at its low flow, on top of its background; without these, mean flow and no "
        "background are taken, and nothing is called below. It says where to sample; whether a "
        "standard is met is for the regulator and for samples to tell."
    ),
    "about_savings": (
        "Practices are taken one after the other, each on what the one before leaves, so nothing "
        "is counted twice. What was measured here and what a borrowed percentage promises are "
        "never added up, nor are masses of different materials. Prewetting saves salt, not sand, "
        "and takes liquid: its price is taken off the money, and where it is not known, no money "
        "is given. A negative saving is more material: a truck that spreads less than it reports "
        "will use more once calibrated."
    ),
}
TERMS: Final[Mapping[str, Mapping[str, Term]]] = {
    "budget_verdict": {
        "over": Term("overspent", "bad"),
        "likely to run out": Term("likely to run out", "warn"),
        "within": Term("within", "good"),
        "no budget": Term("no budget", "none"),
        "not known": Term("too few storms", "none"),
    },
    "chloride_verdict": {
        "over": Term("over", "bad"),
        "probably_over": Term("probably over", "warn"),
        "within": Term("within", "good"),
        "no limit": Term("no limit", "none"),
    },
    "screening": {
        "above: sample": Term("above: sample", "bad"),
        "near: consider sampling": Term("near: consider sampling", "warn"),
        "not judged": Term("not judged", "none"),
        "below": Term("below", "good"),
    },
    "reading": {
        "spread over the storm": Term("spread over the storm", "none"),
        "all within the averaging time": Term("all within the averaging time", "none"),
    },
    "saving_state": {
        "still to gain": Term("still to gain", "none"),
        "already saved": Term("already saved", "none"),
    },
    "practice": {
        "calibrated rates": Term("calibrated rates", "none"),
        "lower rates in sensitive areas": Term("lower rates in sensitive areas", "none"),
        "prewetting": Term("prewetting", "none"),
    },
    "known_from": {
        "measured this season": Term("measured this season", "none"),
        "planned, not measured": Term("planned, not measured", "none"),
        "borrowed percentage": Term("borrowed percentage", "none"),
    },
}
