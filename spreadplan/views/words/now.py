"""Everything that is said of a storm while it runs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from spreadplan.views.words.term import Term

WORDS: Final[Mapping[str, str]] = {
    "truck_loads": "loads for {route} until {until}",
    "truck_travels": "on the way for {route} until {until}",
    "truck_spreads": "spreads {route} until {until}",
    "truck_waits": "waits until {until}",
    "truck_stands": "nothing planned just now",
    "truck_not_begun": "has not begun",
    "truck_finished": "all done",
    "truck_is_out": "out since {since}",
    "next_run": "{route} ({application}) from {start}",
    "no_next_run": "nothing more",
    "runs_lost": "{runs:count.run} without a truck",
    "storm_begins": "Spreading has not begun: it starts {start:moment}, in {minutes:duration}.",
    "storm_is_over": (
        "The storm is over since {end:moment}. What happened can still be written down."
    ),
    "storm_has_no_times": (
        "The plan has no times: without a forecast, or a start in rates.csv, nobody can say what a "
        "truck does now."
    ),
    "now_by_issues": "By the plan as issued: {issues:also}.",
    "now_by_files": "No plan was issued: this is the plan that the files give.",
}
TERMS: Final[Mapping[str, Mapping[str, Term]]] = {
    "truck_state": {
        "out": Term("out", "bad"),
        "late": Term("late", "warn"),
        "in_time": Term("in time", "good"),
    },
    "doing": {
        "out": Term("out", "bad"),
        "spreading": Term("spreads", "none"),
        "driving": Term("drives", "none"),
        "in_yard": Term("in the yard", "none"),
        "unknown": Term("not known", "none"),
    },
    "known_by": {
        "records": Term("its records", "none"),
        "log": Term("what was written down", "none"),
        "clock": Term("the plan in force", "none"),
    },
    "run_state": {
        "lost": Term("no truck", "bad"),
        "to_come": Term("to come", "none"),
        "done": Term("done", "good"),
    },
    "happened": {
        "truck_out": Term("truck out", "bad"),
        "truck_back": Term("truck back", "good"),
        "route_done": Term("route done", "good"),
        "hopper": Term("salt left in a truck", "none"),
        "stock": Term("stock at a yard", "none"),
        "note": Term("note", "none"),
    },
}
