"""Tables of liquids: tests of what comes out, what was caught, batches of brine.

Limits as in `schema.tables`: they catch slips of the pen and wrong units.
"""

from __future__ import annotations

from spreadplan.schema.columns import Table, choice, ident, moment, number, quantity, text

CIRCUITS = ("boom", "prewet")

LIQUID_TESTS = Table(
    name="liquid_tests",
    file="liquid_tests.csv",
    meaning="one row for each test of a liquid circuit",
    columns=(
        ident("test_id", "name of the test"),
        ident("truck_id", "the truck that was tested"),
        ident("material", "the liquid in the tank"),
        moment("performed_at", "when the test was done"),
        choice(
            "circuit",
            "boom: liquid that goes straight to the road; prewet: liquid onto the solid",
            CIRCUITS,
        ),
        quantity(
            "setting",
            "liquid_flow",
            "flow that the control was set to",
            above=True,
            high=500,
        ),
        quantity("duration", "duration", "how long was caught", above=True, high=7_200),
        quantity(
            "duration_u",
            "duration",
            "standard uncertainty of the run time",
            required=False,
            high=600,
        ),
        text("voided_by", "why this test no longer counts; empty if it does"),
        text("performed_by", "who did the test"),
    ),
    key=("test_id",),
)

CATCHES = Table(
    name="catches",
    file="catches.csv",
    meaning="what was caught in a test of a liquid circuit; several rows of one test add up",
    columns=(
        ident("test_id", "the test"),
        ident("nozzle", "name of the nozzle; empty: all together", required=False),
        quantity("volume", "volume", "what was caught", high=5_000),
        quantity(
            "scale_division",
            "volume",
            "smallest step that can be read on the container",
            required=False,
            above=True,
            high=50,
        ),
    ),
)

BRINE_BATCHES = Table(
    name="brine_batches",
    file="brine_batches.csv",
    meaning="batches of brine that were made, with one measurement of their strength each",
    columns=(
        ident("batch_id", "name of the batch"),
        ident("yard_id", "the yard where it was made"),
        ident("material", "the brine"),
        moment("made_at", "when it was measured"),
        quantity("volume", "volume", "how much was made", required=False),
        number(
            "strength_pct",
            "dry salt in the brine, percent by mass, as a refractometer shows it",
            required=False,
            low=0,
            high=45,
        ),
        number(
            "strength_u_pct",
            "standard uncertainty of the refractometer, points of percent",
            required=False,
            low=0,
            high=10,
        ),
        number(
            "specific_gravity",
            "what a hydrometer shows, water being 1",
            required=False,
            low=0.95,
            high=1.45,
        ),
        number(
            "specific_gravity_u",
            "standard uncertainty of the hydrometer",
            required=False,
            low=0,
            high=0.1,
        ),
        quantity(
            "temperature",
            "temperature",
            "of the brine in the hydrometer jar",
            required=False,
            low=-40,
            high=150,
        ),
        text("note", "in your own words"),
    ),
    key=("batch_id",),
)
