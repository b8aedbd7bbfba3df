"""Everything that is said about planning."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from spreadplan.views.words.calibration import DO_NOT_USE
from spreadplan.views.words.term import Term

WORDS: Final[Mapping[str, str]] = {
    # --- what it is about ---
    "of_route": "route {route}",
    "route_in_round": "route {route}, application {application}",
    "of_storm": "storm {storm:storm}",
    "of_truck": "truck {truck}",
    "truck_with": "truck {truck}, {material:material}",
    "truck_with_gate": "truck {truck}, {material:material}, gate {gate_in:gate}",
    "of_rates": "rates",
    "of_policy": "policy",
    "of_times": "times",
    "zone_in_round": "zone {zone}, application {application}",
    "material_in_zone": "{material:material}, {zone}, application {application}",
    "zone": "zone {zone}",
    "all_zones": "all zones",
    "yard_with": "yard {yard}, {material:material}",
    # --- rounds and who treats what ---
    "no_rounds": "no application: neither the forecast nor the rates have rows",
    "add_a_round": "add a row to forecast.csv, or one with an application to rates.csv",
    "several_forecast_rows": (
        "forecast rows {rows:names} all belong to this application; the plan takes the coldest "
        "pavement temperature and the sum of precipitation"
    ),
    "name_the_rounds": (
        "give each row its own application if they are separate rounds of spreading"
    ),
    "own_assignment": "this storm's own assignment: truck {truck}{since:then}",
    "from_round": " from application {application} on",
    "undo_own_assignment": (
        "take its row out of the storm's assignments.csv where the usual truck treats it"
    ),
    "no_truck_here": "no truck is assigned to this route",
    "no_truck_assigned": "no truck is assigned to it",
    "assign_it": "add it to assignments.csv",
    # --- the rest of a storm ---
    "rest_from": (
        "this is the rest of the storm as known at {at:moment}, from {base:then}; in the plan: "
        "{option:term.rest_option}"
    ),
    "rest_of_issue": "issue {number}",
    "rest_of_files": "the plan from the files, since nothing was issued before",
    "of_cards": "cab cards",
    "cards_new": "{new:count.card} new, {kept:count.card} stay as they were issued",
    "rest_option_costs": (
        "{option:term.rest_option}: {late_lane_miles:lane_distance} late, at most "
        "{late_min:duration}; {untreated_lane_miles:lane_distance} untreated; {lb:mass}; "
        "{hours:tenth} h"
    ),
    "round_is_over": (
        "what is left of application {application} on {routes:names} is not planned any more: a "
        "later round of it has begun"
    ),
    "next_round_treats_it": "the later round treats it",
    "out_and_driving": (
        "is out since {since:moment} by the log, but its records show it spreading until "
        "{until:moment}"
    ),
    "log_wins_truck_back": "the log counts; write truck_back into it if the truck can go on",
    "done_but_not_seen": (
        "the log says that {truck} has done it, its records show it spreading on "
        "{seen_share:share} of it"
    ),
    "log_wins": "the log counts; check what was written down",
    "known_by_the_clock": (
        "no records and no entry in the log of {trucks:names}: what they have done follows from "
        "the clock of the plan in force"
    ),
    "add_records_or_log": "add their records, or write down what is done",
    # --- who could take over what is late ---
    "takeover": (
        "{rounds:noun.application} {rounds:names}: give it to {truck} instead of {before}: {late} "
        "becomes {then}, {more}"
    ),
    "late_by": "{late_min:minutes} late",
    "in_time": "in time",
    "not_treated_at_all": "not treated",
    "so_much_more": "{mass_lb:mass} more",
    "so_much_less": "{mass_lb:mass} less",
    "same_mass": "as much material",
    "relieved": "then route {route}, application {application}, {late} becomes {then}",
    "takeover_gains": (
        "with the takeovers proposed: late {late_after_lane_miles:lane_distance}, at most "
        "{worst_after_min:duration} (as planned {late_before_lane_miles:lane_distance}, at most "
        "{worst_before_min:duration}); no truck gets to "
        "{untreated_after_lane_miles:lane_distance} (as planned "
        "{untreated_before_lane_miles:number.lane_distance})"
    ),
    "takeover_gap": (
        "by the solver's estimates no other takeover of these runs is better by more than "
        "{gap_pct:.2g} %; see plan_reassigned.csv"
    ),
    "takeover_is_a_proposal": (
        "nothing is changed until you put it into the storm's assignments.csv"
    ),
    # --- rates ---
    "rate_of_policy": "policy row {row}: {text}; {action:then}{chosen:then}{phase}",
    "policy_action": "{action}; ",
    "policy_row_without_rate": ("no rate: policy row {row} gives none and says: {action} ({text})"),
    "of_range": "{pick} of {ends:range.rate}, ",
    "of_area_range": "{pick} of {ends:range.area_rate}, ",
    "of_liquid_range": "{pick} of {ends:range.liquid_rate}, ",
    "as_first_round": "as the first round does, ",
    "as_later_round": "as later rounds start low, ",
    "rate_from_memory": "{rate} (from memory, not checked against its source)",
    "rate_of_planner": "planner (rates.csv row {row})",
    "rate_tried": "rate being tried, in no file yet",
    "no_forecast": "no rate: the forecast has no row for this zone and application",
    "no_policy_row": (
        "no rate: the policy has no row for {event} at {pavement_f:temperature}"
        "{service_class:then}, {material}, {phase}{lacking:then}"
    ),
    "but_it_lacks": "; {what}",
    "surface_is": "no row for a surface that is {surface}",
    "surface_not_stated": "rows name a surface, the forecast none",
    "snow_depth_is": "no row for {depth_in:water} of snow",
    "wetting_is": "no row for {wetting} material",
    "snow_depth_not_stated": "rows name a depth of snow, the forecast none",
    "plowing_is": "no row for a treatment with plowing",
    "no_plowing": "no row for a treatment without plowing",
    "plow_not_stated": "rows name plowing, the forecast does not say",
    "treatment_is": "no row for treatment {number} of this event",
    "of_class": ", class {name}",
    "the_material": "{material:material}",
    "any_material": "any material",
    "no_density": "no rate: a rate in gallons or liters needs the material's density_lb_gal",
    "for_lane_width": "{share:.3g} of the rate for a lane of {width_ft:width}",
    "lowered_in_area": "sensitive area {area}: lowered from {before_lb_per_lane_mile:on_lane.rate}",
    "segments_without_rate": (
        "{why:also} ({segments:count.segment}, {lane_miles:lane_distance}, routes {routes:names})"
    ),
    "give_the_rate": "give the rate in rates.csv, or add a row to the policy",
    "of_lot": "lot {lot}, application {application}",
    "of_lots": "lots",
    "lot_without_rate": "no rate",
    "give_a_row_for_lots": "add a row to the policy for class {service_class}",
    "lots_have_no_setting": (
        "no gate or feeder setting and no time is worked out for lots, and their mass is taken as "
        "uncertain by 40 %"
    ),
    "set_by_maker": "set the spreader by its maker's instructions and weigh what it uses",
    "policy_rows_equal": (
        "rows {rows:names} of policy.toml hold equally for {event} at {pavement_f:temperature}; "
        "the plan takes row {taken}"
    ),
    "narrow_policy_rows": "make one of the rows more specific, or narrow its temperatures",
    "rate_given_twice": (
        "rates.csv rows {first} and {second} both give its rate; the plan takes row {first}"
    ),
    "remove_a_rate": "remove one of the rows",
    "memory_in_use": "rate from memory in use: {source}",
    "check_the_source": "check the rate against its source before relying on it",
    # --- settings and what stands in their way ---
    "gives_too_little": (
        "needs {need_lb_per_min:discharge}, gate {gate_in:gate} gives at most "
        "{most_lb_per_min:number.discharge}: {ways}"
    ),
    "drive_slower": "slower, at most {speed_mph:down.speed}",
    "more_passes": "{times} times the passes",
    "nobody_gives_enough": "no tested truck and gate gives enough",
    "gives_too_much": (
        "needs only {need_lb_per_min:discharge}, gate {gate_in:gate} gives more at its lowest "
        "setting: {ways}"
    ),
    "nobody_gives_so_little": "no tested truck and gate gives so little",
    "own_other_gate": "gate {gate_in:gate} for the whole storm",
    "other_truck": "truck {truck} (gate {gate_in:gate})",
    "fewer_passes": "{fewer} {fewer:noun.pass} instead of {passes:.0f}",
    "test_smaller_gate": "gate {gate_in:gate} once it is tested",
    "slower_feeder": "less than {least_pct:g} % feeder if it runs steadily there",
    "too_many_lanes": "{lanes:g} lanes in one pass, {truck} covers at most {most:g}: more passes",
    "count_the_tank": "measure it; the plan may need {most_gal:volume}",
    "tank_runs_short": "runs short: needs {needed_gal:volume}, has {on_hand_gal:volume}",
    "tank_may_run_short": (
        "may run short: needs {needed_gal:volume}, at most {most_gal:volume}; has "
        "{on_hand_gal:volume}"
    ),
    "make_or_order": "make or order {order_gal:volume}, or load elsewhere",
    # --- liquid before an event ---
    "liquid_in_round": "{material:material}, application {application}, {zone}",
    "liquid_after_onset": (
        "put down when the event has begun ({event} from {onset:moment}): that is no anti-icing "
        "any more, and snow or ice dilutes it"
    ),
    "liquid_too_early": (
        "put down {ahead_h:.0f}\u00a0h before the event, more than {most_h:.0f}\u00a0h: traffic "
        "wears it off (Minnesota handbook: days in advance; the number: common practice, no source)"
    ),
    "liquid_too_late": (
        "{lane_miles:lane_distance} get it after the event begins at {onset:moment}: begin "
        "earlier, or use more trucks"
    ),
    "liquid_before_rain": (
        "{event} is forecast at or before the onset: it washes liquid off, and what is left may "
        "refreeze (City of Eugene, guidelines for anti-icing: not before rain)"
    ),
    "liquid_in_wind": (
        "{event} is forecast: snow that blows over a dry road sticks to wet spots (City of Eugene: "
        "not in strong winds)"
    ),
    "liquid_too_warm": (
        "pavement at {pavement_f:temperature}, above {most_f:temperature}: not if it stays so "
        "(City of Eugene)"
    ),
    "liquid_slippery": (
        "pavement at {pavement_f:temperature}, above {most_f:temperature}: magnesium and calcium "
        "chloride can make a warm, dry road slippery (Minnesota handbook, from memory)"
    ),
    "liquid_too_cold": (
        "pavement at {pavement_f:temperature}, below {least_f:temperature}: salt is usually not "
        "worth its cost there (Minnesota handbook, p. 15)"
    ),
    "look_at_anti_icing": "look at time, place and liquid again; guidance, not an order",
    "need_of_tank": (
        "yard {yard}, {material:material}: {needed_gal:volume} needed (at most "
        "{most_gal:volume}), {stock}"
    ),
    "liquid_on_hand": "{on_hand_gal:volume} on hand",
    "boom_never_tested": (
        "{truck} has no valid test of its boom with {material:material}: catch what comes out at "
        "the lowest and the highest flow in use"
    ),
    "flow_outside_tests": "a flow of {flow_gal_per_min:liquid_flow} is outside the tested ones",
    "flows_outside_tests": "flows of {ends_gal_per_min:range.liquid_flow}, outside the tested ones",
    "no_liquid_tank": (
        "it has liquid to spread and states no liquid tank: loads are counted by capacity_lb"
    ),
    "state_the_liquid_tank": "state liquid_tank_gal in trucks.csv",
    "outside_tested": "feeder {at_pct:.0f} % is outside the tested {low_pct:g} to {high_pct:g} %",
    "rate_missed": "nearest setting gives {off_pct:signed} % of the target rate",
    "rate_of_neighbor": (
        "too short for a setting of its own, that of its neighbors gives {off_pct:signed} % of the "
        "target rate"
    ),
    "at_gate_and_output": " at gate {gate_in:gate} and {output_pct:.0f} % output",
    "voided_by_work": (
        "work on the {what} of {truck} is on record between the storm's start and this "
        "application: its tests no longer count, test it again"
    ),
    "untested_at_its_gate": (
        "the gate of {truck} stays at {gate_in:gate} through the storm, and it has no valid "
        "discharge test with {material:material} there: test it there, or take another truck"
    ),
    "never_tested": (
        "{truck} has no valid discharge test with {material:material}{counts:then}: test it {at}"
    ),
    "with_counts": " that has sensor counts",
    "at_gates": "at gate {gates_in:list.gate}",
    "at_each_gate": "at each gate used",
    "no_setting": (
        "no setting can be given for {routes:noun.route} {routes:names}; its mass is uncertain by "
        "40 %"
    ),
    "not_to_be_used": "{why:also}; {effect}",
    "see_certificate_or_other_truck": (
        "see what to do next on its calibration certificate, or take another truck"
    ),
    "rate_out_of_reach": "{lane_miles:lane_distance} cannot get the target rate",
    "on_segment": "{segment}: {fault:also}",
    "feeder_outside_tests": (
        "the plan uses feeder outputs of {low_pct:.0f} to {high_pct:.0f} %, tested were "
        "{tested_lo_pct:g} to {tested_hi_pct:g} %"
    ),
    "test_there": "run a discharge test at those outputs",
    "many_changes": "needs {changes} changes of the setting, more than {most}",
    "steps_past_tolerance": ("the steps of its control give {off}, on {lane_miles:lane_distance}"),
    "finer_steps": "a finer step of the control, another gate or another truck",
    "joined_past_tolerance": (
        "pieces too short for a setting of their own, {lane_miles:lane_distance}, get {off}: "
        "{more_lb:mass} more and {less_lb:mass} less"
    ),
    "off_by": (
        "up to {high_pct:.0f} % too much and {low_pct:.0f} % too little, past the policy's "
        "tolerance of {over_pct:g} and {under_pct:g} %"
    ),
    "even_out_speeds": "bring the faster stretches down to the speed of those beside them",
    "see_certificate": "see the truck's calibration certificate",
    "test_is_due": "a discharge test is due",
    "gate_to_move": (
        "its gate has to be moved: the plan has it at {planned_in:gate} for the whole storm, in "
        "its latest test it stood at {tested_in:gate}"
    ),
    "runs_at_gate": "{gate_in:gate} for {routes:names}",
    "gate_moves_between_runs": "one gate cannot serve all its runs: {gates:also}",
    "move_between_runs": (
        "move and measure it in the yard before the run, engine off, never on the road; or give "
        "the run to another truck. {rule}"
    ),
    "move_it_in_the_yard": (
        "set and measure it in the yard before the storm, engine off; then it stays"
    ),
    # --- material, loads, times ---
    "not_counted": "no stock count before the storm: what is on hand is not known",
    "count_it": "measure the pile; {most_lb:bulk} cover the plan",
    "runs_short": "{needed_lb:bulk} needed, {on_hand_lb:number.bulk} on hand",
    "order_or_load_elsewhere": "order {order_lb:bulk}, or load at another yard",
    "may_run_short": (
        "{on_hand_lb:bulk} on hand cover the plan ({needed_lb:number.bulk}), but not the upper end "
        "of its 95 % interval ({most_lb:number.bulk})"
    ),
    "order_to_be_safe": "order {order_lb:bulk} to be safe",
    "no_tank": "prewetting is planned, but no prewet tank is known",
    "state_the_tank": "state prewet_tank_gal in trucks.csv, or plan without prewetting",
    "tank_runs_dry": "the prewet tank runs dry before the hopper: the plan has more loads",
    "refill_liquid": "refill liquid more often than solids, or prewet less",
    "too_many_loads": ("takes {loads:count.load} of {load_lb:mass}: no run-out points and times"),
    "check_the_load": (
        "check capacity_lb and prewet_tank_gal of the truck, the rate, and the route's length"
    ),
    "times_assumed": (
        "ways go over the roads of the routes, or straight x {detour:g} where those do not lead "
        "there; without spreading a truck drives {speed_mph:speed} where it states no other speed; "
        "loading takes {reload_min:g} min where the yard states none; the truck leaves its yard "
        "full, and no earlier than its application begins"
    ),
    "state_reload": (
        "state reload_min in yards.csv and travel_speed in trucks.csv; take the times as a first "
        "estimate"
    ),
    # --- what cannot be tried ---
    "speed_not_possible": "a spreading speed is above 0 and at most {most_mph:speed}",
    "rate_not_possible": "a rate is at least 0 and at most {most_lb_per_lane_mile:rate}",
    "area_rate_not_possible": "a rate is at least 0 and at most {most_g_per_m2:area_rate}",
    "shift_not_possible": (
        "the pavement temperature can be shifted by at most {most_f:step.temperature}"
    ),
    # --- melting ---
    "melting_verdict": "{verdict:term.melting} at {pavement_f:temperature}",
    "grip_only": "does not melt: it gives grip only",
    "state_the_chemical": "state the material's chemical or chloride to have melting checked",
    "below_eutectic": ("no {chemical} brine stays liquid below {limit_f:temperature}"),
    "too_cold_for_salt": (
        "below {limit_f:temperature} sodium chloride is usually not cost-effective (Minnesota "
        "field handbook, 2005-01): consider another material, or plowing and grip"
    ),
    "no_chloride_content": "state the material's chloride or dry chemical to have this checked",
    "no_time_of_treatment": "nobody is to treat it, or no time is known for it",
    "no_water_forecast": "the forecast states no precipitation: give precipitation_in",
    "forecast_ends_first": "the forecast does not reach until the truck is back",
    "truck_is_back": "the truck is back",
    "forecast_ends": "the forecast ends",
    "holds_until": ("holds until {until:weekday_time}; {then} {needed:weekday_time}; {doubt}"),
    "gives_out_before": (
        "holds until {until:weekday_time}, {short_min:duration} before {then} "
        "{needed:weekday_time}; {doubt}. Come back sooner, plow, or take another rate"
    ),
    "too_little_from_the_start": (
        "too little for the snow that lies there when it is treated. Plow, or take another rate"
    ),
    "until_by_temperature": (
        "with the pavement colder by its uncertainty until {colder:weekday_time}, warmer until "
        "{warmer:weekday_time}"
    ),
    # --- the storm at a glance ---
    "nothing_to_decide": "Nothing stops this plan",
    "to_decide": "{problems:count.problem} to solve before the storm",
    "to_decide_now": "{problems:count.problem} to solve now",
    "first_round_at": "the first {start:moment}",
    "no_start_given": "no start given",
    "routes_and_trucks": "{routes:count.route}, {trucks:count.truck}",
    "longest_run": "longest run {route}: {minutes:duration}",
    "longest_run_unknown": "longest run: not known",
    "need_within": "95\u00a0%: {ends:range.bulk}",
    "over_any_speed": "over {most}",
    "stock_not_counted": "stock not counted",
    "stock_on_hand": "{on_hand_lb:bulk} on hand{beyond:then}",
    "beyond_this_scale": ", beyond this scale",
    "need_of_yard": (
        "yard {yard}, {material:material}: {needed_lb:bulk} needed (at most "
        "{most_lb:number.bulk}), {stock}"
    ),
    # --- what the charts and maps say ---
    "needs_drawn": "Need against stock. {yards}",
    "need_drawn": "{yard}, {material:material}: {needed_lb:bulk} needed, {stock}.",
    "plan_drawn": (
        "Map of {routes:count.route}, {rates}; {areas:count.sensitive area}; {yards:count.yard}."
    ),
    "rates_drawn": "rates {ends:range.rate}",
    "no_rates_drawn": "no rate",
    # --- how it was worked out ---
    "pick_taken": "Of a policy's range the plan takes the {pick} value.",
    "pick_by_round": (
        "Of a policy's range the first round takes the middle value and later rounds the low end: "
        "a treatment that is made again starts with the lowest rate (Minnesota Snow and Ice "
        "Control Field Handbook, p. 15)."
    ),
    "rates_scaled": (
        "Rates per lane are meant for a lane of {width_ft:width} and are scaled with the width of "
        "the lane."
    ),
    "rates_not_scaled": "Rates per lane hold whatever the width of the lane.",
    "errors_in_common": (
        "A truck's calibration error is common to all its segments and does not average out; "
        "different trucks err independently. Intervals are 95 %."
    ),
    "mass_at_target": (
        "Where a rate is not reached, or a truck is not calibrated, mass is taken at the target "
        "rate."
    ),
    "melting_leaves_out": (
        "Until when a treatment holds compares the strength of brine and fallen snow with what "
        "keeps snow loose. Snow that fell before stays where the forecast's plow is not yes. "
        "Traffic, wind, sun and what bounces or runs off are not in it. Guidance, not a promise; "
        "the operator on the road decides."
    ),
    "one_gate_for_plan": (
        "{rule} So a truck has one gate for the whole plan, unless a run would miss its rate."
    ),
    "no_faster": "as planned",
    "times_leave_out": "Times leave out traffic, plowing and breaks.",
    # --- what a cab card says ---
    "run_from_to": "{about}{start:moment} to {end}{after:then}",
    "after_route": ", after {route}",
    "no_time_given": "no time given",
    "mile_zero": "{unit} 0 is where the run begins: {road}{at:then}.",
    "at_landmark": ", at {names:names}",
    "weather_of_run": "{event}{pavement:then}{water:then}",
    "pavement_at": ", pavement {pavement_f:temperature}",
    "water_expected": ", {water_in:water} of water",
    "gate_for_this_run": (
        "Gate {gate_in:gate} for this run, {others_in:list.gate} for other runs of this truck. "
        "Move it only at {yard} before you leave, never on the road: engine off, key out, "
        "hydraulic pressure off, then measure the opening. At another opening no setting here "
        "holds."
    ),
    "spread_width": "Spread {lanes:g} {lanes:noun.lane} in one pass, {width_ft:width}.",
    "lanes_vary": "The lanes to spread change: they stand beside each setting.",
    "hold_the_speed": "The rate holds at the planned speed only.{lost:then}",
    "joined_on_run": (
        "Pieces too short for a change have their neighbors' setting: {more_lb:mass} more and "
        "{less_lb:mass} less than asked in all."
    ),
    "past_tolerance_here": (
        "On {lane_miles:lane_distance} the setting gives more or less than asked by over the "
        "policy's tolerance."
    ),
    "number_in_controller": (
        "calibration number in the controller {lb_per_count:per_count}, set by the shop"
    ),
    "strip_drawn": (
        "The run as a strip of {length_mi:distance}, {pieces:count.setting}. {dials:names}."
    ),
    "gate_stands": "gate {gate_in:gate}",
    "gate_stays": ("Gate {gate_in:gate} for the whole storm: moved, no setting here holds."),
    "may_be_icy": "The road may be icy: never faster than planned.",
    "ask_about_memory": (
        "Rate from memory, not checked against its source: ask before you rely on it."
    ),
    "keeps_the_rate": "The controller follows your speed and keeps the rate.{lost:then}",
    "faster_gives_less": (
        "{step_mph:step.speed} faster, feeder unchanged: {less_pct:.0f}\u00a0% less material at "
        "the start.{lost:then}"
    ),
    "too_little_above": " Above {speed_mph:down.speed} too little comes out.",
    "loads_of_run": ("{loads:count.load}, {mass_lb:bulk}{prewet:then}, about {minutes:duration}."),
    "loads_of_liquid": (
        "{loads:count.load}, {liquid_gal:volume} in all, about {minutes:duration}."
    ),
    "stirred_and_strained": (
        "Pump off and pressure let off before anyone touches a hose or nozzle; eye protection."
    ),
    "flow_at_its_speed": (
        "The flow fits the planned speed: hold it. A control that follows the speed takes "
        "{enter_gal_per_lane_mile:liquid_rate} for {rate_gal_per_lane_mile:number.liquid_rate}."
    ),
    "with_prewet": ", prewet {liquid_gal:volume}",
    "runs_empty": "load {number} ends about here",
    "never_tested_ask": (
        "This truck has no valid test: no setting can be given. Ask before you spread."
    ),
    "doubtful_ask": (
        f"{DO_NOT_USE.capitalize()} where marked: its tests leave too much in doubt, no setting "
        "can be given. Ask before you spread."
    ),
    "no_rate_ask": "No rate is planned for the marked stretches. Ask before you spread.",
    "reached_slower": (
        "Marked: too little comes out at the planned speed; the rate is reached at "
        "{speed_mph:down.speed} or less."
    ),
    "not_settable_ask": "Marked: the rate cannot be set as planned. Ask before you spread.",
    "watch_it": "Some settings lie outside what was tested: watch what comes out.",
    "nothing_to_spread": "nothing to spread",
    "nothing_to_set": "no setting can be given",
    # --- changes that are tried ---
    "every_route": "all routes",
    "every_truck": "all trucks",
    "named_one": "{name}",
    "only_in_round": ", application {application}",
    "rate_to_try": "{whom}{when:then}: rate {rate_lb_per_lane_mile:rate}",
    "area_rate_to_try": "{whom}{when:then}: rate {rate_g_per_m2:area_rate}",
    "speed_to_try": "{whom}: speed {speed_mph:speed}",
    "gate_to_try": "{whom}: gate {gate_in:gate}",
    "truck_to_try": "{whom}: truck {truck}{since:then}",
    "weather_to_try": "{whom}: {change}",
    "not_there": 'there is no {what} "{name}"',
    "nobody_treats_it_yet": "route {route} has no assignment yet: add it to assignments.csv",
}
TERMS: Final[Mapping[str, Mapping[str, Term]]] = {
    "plan_status": {
        "unassigned": Term("no truck", "bad"),
        "no_rate": Term("no rate", "bad"),
        "uncalibrated": Term("not calibrated", "bad"),
        "do_not_use": Term(DO_NOT_USE, "bad"),
        "infeasible": Term("rate not reached", "bad"),
        "extrapolated": Term("outside tested outputs", "warn"),
        "ok": Term("as wanted", "good"),
        "untreated": Term("not treated", "none"),
    },
    "rest_option": {
        "as_assigned": Term("as assigned", "none"),
        "takeover": Term("others take over from trucks that are out", "none"),
        "reassign_late": Term("others take over from late trucks too", "none"),
        "skip_lowest_class": Term("the class with the longest promise is left out", "none"),
        "later_rounds": Term("rounds to come begin later", "none"),
    },
    "melting": {
        "too cold": Term("too cold", "bad"),
        "will not melt": Term("will not melt", "bad"),
        "gives out": Term("gives out first", "warn"),
        "holds": Term("holds", "good"),
        "abrasive": Term("abrasive", "none"),
        "unknown": Term("not known", "none"),
    },
    "holding": {
        "gives out": Term("gives out first", "warn"),
        "holds": Term("holds", "good"),
        "abrasive": Term("abrasive", "none"),
        "unknown": Term("not known", "none"),
        "": Term("not treated", "none"),
    },
    "yard_stock": {
        "short": Term("short", "bad"),
        "may_run_short": Term("may run short", "warn"),
        "may_run_short_by_weather": Term("may run short by weather", "warn"),
        "not_counted": Term("not counted", "none"),
        "enough": Term("enough", "good"),
    },
    # what a driver reads where there is nothing to set
    "cab_dial": {
        "unassigned": Term("no truck", "bad"),
        "no_rate": Term("no rate", "bad"),
        "uncalibrated": Term("no setting", "bad"),
        "do_not_use": Term("no setting", "bad"),
        "untreated": Term("off", "none"),
    },
    # roads of a map that have no colour for their rate
    "plan_map": {
        "doubt": Term("no setting, or rate not reached", "bad"),
        "none": Term("not treated", "none"),
    },
}
