"""Everything that is said about calibration."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from spreadplan.views.words.term import Term

NO_SOURCE: Final = "common practice, no source"
DO_NOT_USE: Final = "do not use yet"
WORDS: Final[Mapping[str, str]] = {
    "run_unlike": (
        "This run gives {measured_lb_per_min:discharge}; {basis} {ends:range.discharge}. "
        "Look at weights, run time, gate and output again."
    ),
    "run_slipped": (
        "This run gives {measured_lb_per_min:discharge}; {basis} {ends:range.discharge}. "
        "{slip} it is {right_lb_per_min:discharge}."
    ),
    "by_model": "by the {tests:count.test} of this truck and gate it should be",
    "by_own_gate": "by this truck's earlier tests at this gate it should be about",
    "by_own_other_gate": "by this truck's tests at other gates it should be about",
    "by_own_other_material": "by this truck's tests with other materials it should be about",
    "by_fleet": "by the other trucks it should be about",
    "slip_kg": "If the scale shows kg and not lb,",
    "slip_lb": "If the scale shows lb and not kg,",
    "slip_zero_missing": "With one zero more in the weight",
    "slip_zero_more": "With one zero less in the weight",
    "slip_minutes": "If the run time is in minutes and not in seconds,",
    "more_than_hopper": (
        "{net_lb:mass} came out, and the hopper holds {capacity_lb:mass}. "
        "Look at weights and units again."
    ),
    "counts_missing": (
        "No sensor counts: a closed loop is calibrated by its counts, so this run says nothing "
        "about it. Give the count before and after the run."
    ),
    "counts_unlike": (
        "{measured_lb:per_count}; by this truck's earlier tests it should be about "
        "{usual_lb:number.per_count}, {usual_counts:,.0f} counts for this mass and not "
        "{counts:,.0f}. Look at both counts again."
    ),
    "gate_unknown": (
        "A gate of {gate_in:gate} is none of this truck's positions and was never tested; tested: "
        "{tested}. Measure it again."
    ),
    "gate_first": "The first test of this truck at a gate of {gate_in:gate}; tested: {tested}.",
    "one_gate": "{gate_in:gate}",
    "container_unlike": (
        "Weight {number} holds {net_lb:mass}, the others {ends:range.mass}. Read it again."
    ),
    # --- why a test does not count, and what is doubtful about one that does ---
    "voided": "voided: {by}",
    "not_weighed": "no weighing",
    # --- batches of brine ---
    "brine_too_weak": (
        "{strength_pct:.1f} % is weaker than {wanted_pct:.1f} %: circulate it over more salt and "
        "measure again before it is used; it freezes sooner"
    ),
    "brine_too_strong": (
        "{strength_pct:.1f} % is stronger than {wanted_pct:.1f} %: add water and measure again; "
        "salt may settle out and clog the nozzles"
    ),
    "brine_not_shown": (
        "{strength_pct:.1f} % is off {wanted_pct:.1f} %, but the reading is too coarse to tell: "
        "measure again, finer"
    ),
    "brine_not_judged": (
        "its chemical has no table here, or the reading lies outside it: read it again, and judge "
        "it by what its maker says"
    ),
    "brine_batch": "batch {batch}, {material:material}: {verdict:term.brine}; {advice:also}",
    "brine_batches": "{batches:count.brine batch}: {accepted} accepted",
    "nothing_caught": "nothing was caught",
    "no_liquid_came_out": "no liquid came out",
    "liquid_known_too_badly": (
        "one run is known within {within_pct:.0f}\u00a0% only, no better than an untested truck's"
    ),
    "liquid_repeats_disagree": (
        "at a setting of {setting_gal_per_min:liquid_flow} repeats disagree: "
        "{ends_gal_per_min:range.liquid_flow}; look for air, a clogged filter or a slipped "
        "reading, and run again"
    ),
    "liquid_levels_off": (
        "a setting of {setting_gal_per_min:liquid_flow} gives no more than a lower one: the pump "
        "or the filter is at its limit"
    ),
    "flow_unlike_setting": (
        "{ratio:.2f} times the flow that was set: check the units, gallons or liters, seconds or "
        "minutes"
    ),
    "catch_division_assumed": f"smallest step of the catch container assumed ({NO_SOURCE})",
    "no_output": "run without feeder output",
    "performed_later": "performed after the date of this calibration",
    "too_old": "{days:.0f} days old, more than the {most_days:g} days that the policy allows",
    "work_since": "{what} changed {on:date}, after this test",
    "other_work_since": "{what} change noted {on:date}, after this test: check with a short run",
    "only_test_below_full_output": (f"the only test here was not run at full output ({NO_SOURCE})"),
    "division_assumed": f"scale division assumed from the weighing method ({NO_SOURCE})",
    "short_run": f"run of {{run_s:g}} s is shorter than {{least_s:g}} s ({NO_SOURCE})",
    "odd_engine_speed": (
        f"engine at {{rpm:,.0f}} rev/min, outside {{low:,.0f}} to {{high:,.0f}} ({NO_SOURCE})"
    ),
    "far_from_usual_output": (
        f"run at {{at_pct:g}} % output, far from {{low_pct:g}} to {{high_pct:g}} % ({NO_SOURCE})"
    ),
    # --- how the form of the curve was chosen, and what must be known of it ---
    "one_output": (
        "proportional: nothing else follows from {tests:count.test} at practically one output"
    ),
    "line_above_dry": (
        "line: nothing came out at {dry_pct:g} % output, as the line through the other tests says"
    ),
    "line_from_dry": (
        "line: nothing came out at {dry_pct:g} % output, so a start-up threshold is certain"
    ),
    "startup_significant": (
        "line: the start-up differs from zero (t = {ratio:.1f}, more than the {critical:.1f} that "
        "chance allows at 5 %)"
    ),
    "startup_not_significant": (
        "proportional: a start-up threshold is not significant (t = {ratio:.1f}, less than the "
        "{critical:.1f} that chance allows at 5 %)"
    ),
    "only_an_average": (
        "proportional: a falling curve is impossible, so the tests only show an average"
    ),
    "line_of_two": "line: through the two tests, the least that describes both",
    "line_of_two_with_startup": (
        "line: through the two tests; its uncertainty allows for a start-up at "
        "0 ± {startup_u_pct:.0f} points"
    ),
    "levelling_off": (
        "saturating: levelling off is significant (F = {ratio:.1f}, more than the {critical:.1f} "
        "that chance allows at 5 %)"
    ),
    "tested_at_one_output": (
        "tested at {at_pct:.0f} % output only: away from it the start-up is assumed to lie at "
        f"0 ± {{startup_u_pct:.0f}} points of output ({NO_SOURCE})"
    ),
    "startup_from_dry": (
        "nothing came out at {dry_pct:g} % output: the start-up is taken as {dry_pct:g} ± "
        "{startup_u_pct:.0f} points"
    ),
    "stops_rising": "discharge stops rising at about {at_pct:.0f} % output",
    "does_not_fall_to_zero": (
        "the curve does not fall to zero at zero output: below the tested outputs expect less"
    ),
    "contradict_by_falling": ("tests contradict each other: more feeder output gave less material"),
    "contradict_by_scatter": (
        "tests contradict each other: they scatter {times:.1f} times as much as {usual_pct:.2g} % "
        "run-to-run repeatability explains"
    ),
    "counts_vary": (
        "mass per count depends on feeder output (p = {chance:.3f}): look for slip or air gaps"
    ),
    "counts_trend_untested": (
        "dependence of mass per count on output not tested (3 spread outputs needed)"
    ),
    "counts_unknown": "no valid test has sensor counts: mass per count is unknown",
    "of_predicted_output": "predicted output: {flag}",
    "between_gates": (
        "gate {gate_in:gate} was not tested: interpolated between {low_in:number.gate} and "
        "{high_in:gate}"
    ),
    # --- what to test next ---
    "run_tests": "{why}: run discharge tests with {material:material} {where}.",
    "never_tested_at_all": "Never tested",
    "tests_delivered_nothing": ("Its valid tests delivered nothing: look at the feeder first"),
    "no_test_counts": "No test counts any more ({reasons:also})",
    "at_each_gate_position": "at each gate position in use ({gates_in:list.gate})",
    "at_gate_position": "at the gate position in use",
    "against_target": "95 % uncertainty {current_pct:.1f} %, target {target_pct:g} %",
    "good_enough": "Good enough: {against}.",
    "read_the_counts": "Test again and read the sensor counts: a closed loop goes by them.",
    "find_the_contradiction": (
        "The tests contradict each other: look for the cause first (gate, moisture, oil "
        "temperature, weighing), void the wrong test, then repeat it."
    ),
    "find_the_slip": (
        "Mass per count changes with feeder output: look for slip or air gaps, then test again; "
        "further runs alone do not cure it ({against})."
    ),
    "do_runs": (
        "Do {runs:commas}, each for at least {run_s:.0f} s, on another day than the tests so far, "
        "and {weigh}{coarse:then}; {outcome}"
    ),
    "runs_at": "{runs:count.more run} at {at_pct:.0f} % output",
    "runs_between": "{runs:count.more run} at {low_pct:g} to {high_pct:g} % output",
    "weigh_containers": "weigh the catch, about {containers:count.container}, one by one",
    "weigh_the_truck": "weigh the truck before and after each run",
    "weigh_the_catch": "weigh the whole catch",
    "scale_too_coarse": " (this scale is too coarse for the target: use a finer)",
    "brings_it_down": (
        "this should bring the 95 % uncertainty from {current_pct:.1f} % to {reached_pct:.1f} % "
        "(target {target_pct:g} %)."
    ),
    "stays_above": (
        "even so about {reached_pct:.1f} % of now {current_pct:.1f} % would remain (target "
        "{target_pct:g} %): run-to-run repeatability of {repeatability_pct:.1f} % is the limit; "
        "look at gate, moisture and oil temperature."
    ),
    # --- what a calibration may be used for ---
    "tests_contradict": "its tests contradict each other: find the cause before you rely on them",
    "without_counts": (
        DO_NOT_USE + ": no valid test has sensor counts, and a closed loop goes by them"
    ),
    "known_too_badly": (
        DO_NOT_USE + "{where:then}: what comes out in a run is known within ± {within_pct:.0f} % "
        "only, no better than from a truck that was never tested (about 40 %)"
    ),
    "below_output": " below {low_pct:.0f} % output",
    "above_output": " above {high_pct:.0f} % output",
    "outside_outputs": " outside {low_pct:.0f} to {high_pct:.0f} % output",
    "tare_missing": "Weight {number} has no empty weight, the others have one.",
    # source of the need to calibrate again where the opening is changed: University of Delaware
    # T2/LTAP, Salt Spreader Calibration, 2020
    "gate_rule": (
        "A calibration holds only at the gate opening that was tested: set and measured before a "
        "storm, engine off, and not moved in it."
    ),
    # --- what a truck's certificate says ---
    "no_test_of_truck": "On {on:date} no discharge test of this truck counts: {why}.",
    "it_was_never_tested": "it was never tested",
    "nothing_came_out": "nothing came out in its tests",
    "liquid_counts": (
        "{material:material}, {circuit:term.circuit}: calibrated for settings of "
        "{ends_gal_per_min:range.liquid_flow}."
    ),
    "liquid_does_not_count": (
        "{material:material}, {circuit:term.circuit}: not calibrated ({why})."
    ),
    "boom_tests": (
        "{why}: test the boom with {material:material} at the lowest and the highest flow in use, "
        "twice each, and catch every nozzle."
    ),
    "liquid_models_made": (
        "{circuits:count.liquid circuit}; {valid} of {tests:count.liquid test} count"
    ),
    "nozzles_unsound": "look at truck {truck}, nozzles {nozzles:names}: clogged or worn in {test}",
    "until_it_is_tested": "Until it is tested, no setting of this truck can be relied on.",
    "judged_on": "Judged on {on:date}.",
    "counts_until": (
        "Judged on {on:date}; counts until {until:date}, its oldest test is then {age_days:g} days "
        "old."
    ),
    "counts_without_limit": "Judged on {on:date}; the policy sets no age limit.",
    "void_after_work": (
        "Void at once after work on the gate, {parts}. {rule} It holds for the material tested "
        "only."
    ),
    "parts_of_open_loop": "feeder or hydraulics",
    "parts_of_closed_loop": "feeder, hydraulics, sensor or controller",
    "no_test_with": "No test counts with: {materials:materials}.",
    "doubt_about": "{material:material}, gate {gate_in:gate}: {doubts:also}.",
    "target_not_reached": (
        "The target of {target_pct:g}\u00a0% (95 %) is not reached everywhere: see what to do next."
    ),
    "whole_material": "{material:material}",
    "material_at_gate": "{material:material}, gate {gate_in:gate}",
    "good_enough_now": "Good enough now",
    "each_of": "{which:also}.",
    "no_test_planned": "Nothing planned",
    "no_route_of_truck": "No route is assigned to this truck; test it before it is used.",
    "no_test_on_record": "No discharge test of this truck is on record.",
    "tests_that_count": (
        "{counting} of {tests:count.test} count; ± is the standard uncertainty u{place:then}"
    ),
    "all_on_next_page": ". All tests stand on the next page.",
    "more_on_next_page": "; {more} more on the next page",
    "calibration_number": "{value_lb:pm.per_count}{varies:then}",
    "varies_with_output": ", varies with output",
    "calibration_curve": "{slope_lb_per_min:pm.slope}{above:then}{up_to:then}",
    "above_start_up": " above {start_pct:.1f}\u00a0%",
    "up_to_output": ", up to {at_pct:.0f}\u00a0%",
    "drift_of_too_few": "Not judged: fewer than two tests.",
    "drift_not_comparable": (
        "Not judged: no two tests of one material and gate that can be compared."
    ),
    # --- what the charts say ---
    "curves_drawn": "Calibration against feeder output. {curves}",
    "tests_drawn": "{valid} of {tests:count.test} count",
    "no_curve_drawn": "{which}: {counts}, no curve.",
    "number_drawn": "{which}: {counts}; {value_lb:pm.per_count} (± standard uncertainty).",
    "curve_drawn": (
        "{which}: {counts}; at 50 % output {middle_lb_per_min:discharge}, 95 % band "
        "{ends:range.discharge}."
    ),
    "test_drawn": "{test}: {value}{off:then}",
    "test_is_off": "; does not count: {why}",
    "drift_drawn": "Successive tests compared. {series}",
    "series_drawn": (
        "{series}: {tests:count.test}, the last {last_pct:.1f} ± {expanded_pct:.1f} % of the "
        "first: {verdict:term.drift}."
    ),
    # --- what the command says ---
    "models_made": (
        "{models:count.discharge model}; {valid} of {tests:count.test} count on {on:date}"
    ),
    "to_be_tested": "to test: {truck}, {which}: {advice}",
    # --- a test that is being typed ---
    "run_long_enough": "Long enough: weighing and timing add {adds}.",
    "run_longer": (
        "Run longer: at least {run_s:.0f}\u00a0s, and {weigh}{coarse:then}. Weighing and timing "
        "add {adds}."
    ),
    "run_adds": "Weighing and timing add {adds}.",
    "adds_pct": "{measured_pct:.1f}\u00a0% (95 %), {allowed_pct:.1f}\u00a0% is allowed",
}
TERMS: Final[Mapping[str, Mapping[str, Term]]] = {
    "calibration_standing": {
        "untested": Term("not calibrated", "bad"),
        "do_not_use": Term(DO_NOT_USE, "bad"),
        "in_part": Term(f"{DO_NOT_USE} in part", "warn"),
        "contradicting": Term("tests contradict each other", "warn"),
        "short_of_target": Term("usable, target not reached", "warn"),
        "good": Term("good enough", "good"),
    },
    # of a truck with all its materials and gates
    "truck_standing": {
        "untested": Term("not calibrated", "bad"),
        "do_not_use": Term(DO_NOT_USE, "bad"),
        "in_part": Term("calibrated in part", "warn"),
        "contradicting": Term("tests contradict each other", "warn"),
        "short_of_target": Term("calibrated, more tests advised", "warn"),
        "good": Term("calibrated", "good"),
    },
    "drift": {"drift": Term("drift", "bad"), "steady": Term("steady", "good")},
    "brine": {
        "too_weak": Term("too weak", "bad"),
        "too_strong": Term("too strong", "warn"),
        "not_shown": Term("not shown", "warn"),
        "not_judged": Term("not judged", "none"),
        "accepted": Term("accepted", "good"),
    },
    "nozzle": {
        "clogged": Term("clogged", "bad"),
        "worn": Term("worn", "bad"),
        "not_shown": Term("not shown", "warn"),
        "even": Term("even", "good"),
    },
    "circuit": {
        "boom": Term("boom, liquid to the road", "none"),
        "prewet": Term("prewet, liquid onto the solid", "none"),
    },
    "control": {
        "closed_loop": Term("closed loop", "none"),
        "open_loop": Term("open loop", "none"),
    },
    "weighing": {
        "container": Term("containers", "none"),
        "vehicle_scale": Term("truck scale", "none"),
        "direct": Term("direct scale", "none"),
        "mixed": Term("mixed", "none"),
    },
    # sources of uncertainty, short enough for the head of a column
    "uncertainty_source": {
        "scale": Term("scale", "none"),
        "container filling": Term("filling", "none"),
        "timing": Term("timing", "none"),
        "sensor counts": Term("counts", "none"),
        "run-to-run repeatability": Term("run to run", "none"),
        "day to day": Term("day to day", "none"),
        "start-up and form of the curve": Term("form of curve", "none"),
        "dependence on feeder output": Term("output", "none"),
    },
}
