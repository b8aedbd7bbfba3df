"""Everything that is said about calibration."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from spreadplan.calibration.standing import DO_NOT_USE
from spreadplan.views.words.term import Term

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
    "tare_missing": "Weight {number} has no empty weight, the others have one.",
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
}
