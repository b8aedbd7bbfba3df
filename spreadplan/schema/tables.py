"""Every table of a workspace, column by column.

The limits are there to catch slips of the pen and wrong units (2,000 mph, a hopper of 24 lb), so
they lie well beyond what the trade uses: common practice, no source.
"""

from __future__ import annotations

from spreadplan.schema.columns import Column, Table, choice, ident, moment, number, quantity, text
from spreadplan.schema.limits import RATE_LIMITS
from spreadplan.schema.liquid_tables import BRINE_BATCHES, CATCHES, LIQUID_TESTS
from spreadplan.schema.lot_tables import AREAS
from spreadplan.schema.material_tables import BLENDS, MATERIALS
from spreadplan.schema.storm_tables import (
    ASSIGNMENTS,
    DRIVER_LOG,
    FORECAST,
    LOADS,
    LOG,
    RATES,
    RETURNS,
    STORM_ASSIGNMENTS,
)

CONTROLS = ("closed_loop", "open_loop")
METHODS = ("container", "vehicle_scale", "direct")
CHANGES = ("gate", "feeder", "hydraulics", "sensor", "liquid", "material", "other")

TRUCKS = Table(
    name="trucks",
    file="trucks.csv",
    meaning="the spreader trucks",
    columns=(
        ident("truck_id", "the truck's number", example="T1"),
        choice(
            "control",
            "closed_loop: the controller follows the ground speed and counts the "
            "feeder; open_loop: the driver sets the feeder",
            CONTROLS,
        ),
        choice("feeder", "auger or conveyor", ("auger", "conveyor")),
        quantity(
            "capacity",
            "mass",
            "largest load of material",
            low=500,
            high=100_000,
            example="14000",
        ),
        quantity(
            "prewet_tank",
            "volume",
            "size of the prewetting tank",
            required=False,
            high=5_000,
            example="120",
        ),
        quantity(
            "liquid_tank",
            "volume",
            "size of the tank for liquid that goes straight to the road",
            required=False,
            high=20_000,
        ),
        quantity(
            "boom_width",
            "length",
            "width that the boom covers",
            required=False,
            above=True,
            high=60,
        ),
        number(
            "min_feeder_pct",
            "lowest feeder output that runs steadily, percent of full output",
            required=False,
            low=0,
            high=100,
            default=0.0,
            example="10",
        ),
        number(
            "max_feeder_pct",
            "highest feeder output to use, percent of full output",
            required=False,
            low=0,
            high=100,
            above=True,
            default=100.0,
            example="100",
        ),
        number(
            "control_step_pct",
            "smallest step of the feeder control, percent of full output",
            required=False,
            low=0.1,
            high=50,
            default=1.0,
            example="5",
        ),
        Column(
            name="gate_positions",
            meaning="gate openings that the truck has, separated by semicolons",
            kind="lengths",
            quantity="length",
            unit="in",
            required=False,
            default=(),
            low=0,
            high=60,
            above=True,
            example="2;3;4",
        ),
        number(
            "max_spread_lanes",
            "most lanes that one pass can cover",
            required=False,
            low=0,
            above=True,
            high=10,
            example="2",
        ),
        quantity(
            "travel_speed",
            "speed",
            "speed without spreading, all in all; else 30 mph",
            required=False,
            above=True,
            high=75,
            example="35",
        ),
        ident(
            "home_yard_id",
            "yard where it starts and rests; else the yard of its first run",
            required=False,
            example="Y1",
        ),
    ),
    key=("truck_id",),
)

SHIFTS = Table(
    name="shifts",
    file="shifts.csv",
    meaning="when somebody drives a truck; without the file, always",
    columns=(
        ident("truck_id", "the truck", example="T1"),
        moment("from", "begin of the shift", example="2026-12-01T03:00"),
        moment("to", "its end", example="2026-12-01T15:00"),
    ),
    key=("truck_id", "from"),
)

DISCHARGE_TESTS = Table(
    name="discharge_tests",
    file="discharge_tests.csv",
    meaning="one row for each discharge test",
    columns=(
        ident("test_id", "name of the test", example="D1"),
        ident("truck_id", "the truck that was tested", example="T1"),
        ident("material", "the material in the hopper", example="road_salt"),
        moment("performed_at", "when the test was done", example="2026-10-20T09:30"),
        quantity(
            "gate",
            "length",
            "gate opening during the test",
            unit="in",
            above=True,
            high=60,
            example="3",
        ),
        number(
            "feeder_pct",
            "feeder output during the test, percent of full output",
            low=0,
            high=100,
            above=True,
            example="40",
        ),
        quantity(
            "duration", "duration", "how long the feeder ran", above=True, high=7_200, example="60"
        ),
        number(
            "sensor_counts",
            "pulses of the feeder sensor during the run (closed loop)",
            required=False,
            low=0,
            above=True,
            high=1e9,
            example="1200",
        ),
        quantity(
            "duration_u",
            "duration",
            "standard uncertainty of the run time",
            required=False,
            high=600,
        ),
        number(
            "engine_rpm",
            "engine speed during the run",
            required=False,
            low=0,
            high=6_000,
            example="1300",
        ),
        Column(
            name="spinner_on",
            meaning="whether the spinner turned",
            kind="flag",
            required=False,
            default=None,
            example="true",
        ),
        text("voided_by", "why this test no longer counts; empty if it does"),
        text("performed_by", "who did the test"),
    ),
    key=("test_id",),
)

WEIGHINGS = Table(
    name="weighings",
    file="weighings.csv",
    meaning="what was weighed; several rows of one test add up",
    columns=(
        ident("test_id", "the discharge test", example="D1"),
        choice(
            "method",
            "container: full and empty; vehicle_scale: truck before and after; "
            "direct: a scale that shows the material alone",
            METHODS,
        ),
        quantity(
            "gross", "mass", "full container, or truck before the run", high=200_000, example="96"
        ),
        quantity(
            "tare",
            "mass",
            "empty container, or truck after the run",
            required=False,
            high=200_000,
            example="6",
        ),
        number(
            "count",
            "how many equal containers this row stands for",
            required=False,
            low=1,
            high=1_000,
            whole=True,
            default=1,
            example="1",
        ),
        quantity(
            "scale_division",
            "mass",
            "smallest step that the scale shows",
            required=False,
            above=True,
            high=2_000,
            example="0.5",
        ),
    ),
)

CHANGES_TABLE = Table(
    name="changes",
    file="changes.csv",
    meaning="work on a truck that may end the validity of its tests",
    columns=(
        ident("truck_id", "the truck", example="T1"),
        moment("changed_at", "when the work was done", example="2026-10-12"),
        choice("what", "what was changed; liquid: pump, nozzles, hoses or flow meter", CHANGES),
        text("note", "in your own words", example="new gate plate"),
    ),
)

ROUTES = Table(
    name="routes",
    file="routes.geojson",
    meaning="the roads to treat, as lines",
    columns=(
        ident("route_id", "the route", example="R1"),
        ident("segment_id", "the segment, named once in its route", example="R1-01"),
        number("sequence", "order in which the route is driven", required=False, example="1"),
        number(
            "lanes",
            "lanes to treat on the segment, all passes together",
            low=0,
            high=20,
            above=True,
            example="2",
        ),
        quantity(
            "lane_width", "length", "width of a lane", required=False, low=4, high=40, example="12"
        ),
        number(
            "passes",
            "times the truck spreads along it in one application",
            required=False,
            low=1,
            high=20,
            whole=True,
            default=1,
            example="2",
        ),
        quantity("speed", "speed", "spreading speed", above=True, high=75, example="25"),
        text("service_class", "class of winter service", example="A"),
        ident("zone", "forecast zone", required=False, example="north"),
        Column(
            name="two_way",
            meaning="whether trucks drive it in both directions",
            kind="flag",
            required=False,
            default=True,
            example="true",
        ),
        text("name", "name of the road, for the cab card", example="County Road 1"),
    ),
    key=("route_id", "segment_id"),
    vector="LineString",
)

YARDS = Table(
    name="yards",
    file="yards.csv",
    meaning="where material is stored and loaded",
    columns=(
        ident("yard_id", "the yard", example="Y1"),
        number(
            "lon", "longitude, degrees east (west is negative)", low=-180, high=180, example="-94.2"
        ),
        number("lat", "latitude, degrees north", low=-90, high=90, example="46.1"),
        quantity(
            "reload",
            "duration",
            "time to load a truck",
            unit="min",
            required=False,
            high=600,
            example="12",
        ),
    ),
    key=("yard_id",),
)

_MOISTURE = number(
    "moisture_pct",
    "its water, percent of the mass as weighed, where that is not the material's own",
    required=False,
    low=0,
    high=60,
)

STOCK_COUNTS = Table(
    name="stock_counts",
    file="stock_counts.csv",
    meaning="what was measured on the pile",
    columns=(
        ident("yard_id", "the yard", example="Y1"),
        ident("material", "the material", example="road_salt"),
        moment("counted_at", "when it was measured", example="2026-11-01"),
        quantity(
            "on_hand",
            "mass",
            "mass on the pile; of a liquid its volume will do",
            required=False,
            high=4e9,
            example="800",
            shown="ton",
        ),
        quantity("on_hand", "volume", "volume in the tank (liquids)", required=False, high=1e9),
        quantity(
            "on_hand_u",
            "mass",
            "standard uncertainty of it",
            required=False,
            high=4e9,
            example="40",
            shown="ton",
        ),
        _MOISTURE,
    ),
    key=("yard_id", "material", "counted_at"),
)

DELIVERIES = Table(
    name="deliveries",
    file="deliveries.csv",
    meaning="what came in",
    columns=(
        ident("ticket_id", "number of the delivery ticket", example="N1"),
        ident("yard_id", "the yard", example="Y1"),
        ident("material", "the material", example="road_salt"),
        moment("delivered_at", "when it came", example="2026-11-05"),
        quantity(
            "net",
            "mass",
            "net mass on the ticket; of a liquid its volume will do",
            required=False,
            high=4e6,
            example="24.6",
            shown="ton",
        ),
        quantity("net", "volume", "volume on the ticket (liquids)", required=False, high=1e6),
        _MOISTURE,
    ),
    key=("ticket_id",),
)

SENSITIVE_AREAS = Table(
    name="sensitive_areas",
    file="sensitive_areas.geojson",
    meaning="places that need less salt, as polygons",
    columns=(
        ident("area_id", "the area", example="S1"),
        text("name", "its name", example="Wellhead"),
        text("kind", "what it is", example="wellhead"),
        quantity(
            "max_rate",
            "rate_limit",
            "highest rate allowed inside",
            required=False,
            high=RATE_LIMITS["lb_per_lane_mile"].most,
            example="150",
        ),
        number(
            "rate_factor",
            "share of the usual rate to use inside",
            required=False,
            low=0,
            high=1,
            example="0.7",
        ),
        quantity(
            "chloride_limit",
            "mass",
            "chloride allowed in a season",
            required=False,
            high=4e9,
            shown="ton",
        ),
        quantity(
            "mean_flow", "stream_flow", "mean flow of the receiving water", required=False, high=1e7
        ),
        quantity(
            "low_flow",
            "stream_flow",
            "low flow of the receiving water in winter, as the "
            "regulator reckons it; empty where it is not known or the water can dry up",
            required=False,
            above=True,
            high=1e7,
        ),
        quantity(
            "background",
            "concentration",
            "chloride in the receiving water without this season's salt",
            required=False,
            high=200_000,
        ),
    ),
    key=("area_id",),
    vector="Polygon",
)

BUDGETS = Table(
    name="budgets",
    file="budgets.csv",
    meaning="what may be used in a season",
    columns=(
        ident("season", "the season", example="2026-27"),
        choice("scope", "whose budget", ("agency", "yard", "route")),
        ident("scope_id", "which yard or route; empty for the agency", required=False),
        ident("material", "the material", example="road_salt"),
        quantity("budget", "mass", "mass for the season", high=4e9, example="2400", shown="ton"),
    ),
    key=("season", "scope", "scope_id", "material"),
)

TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        MATERIALS,
        BLENDS,
        TRUCKS,
        SHIFTS,
        DISCHARGE_TESTS,
        WEIGHINGS,
        LIQUID_TESTS,
        CATCHES,
        BRINE_BATCHES,
        CHANGES_TABLE,
        ROUTES,
        ASSIGNMENTS,
        YARDS,
        STOCK_COUNTS,
        DELIVERIES,
        AREAS,
        SENSITIVE_AREAS,
        BUDGETS,
        FORECAST,
        STORM_ASSIGNMENTS,
        RATES,
        LOADS,
        RETURNS,
        LOG,
        DRIVER_LOG,
    )
}

#: (table, column) must name a row of (table, column); ``*`` is always allowed where it has meaning.
REFERENCES: tuple[tuple[str, str, str, str], ...] = (
    ("blends", "material", "materials", "material"),
    ("blends", "part", "materials", "material"),
    ("discharge_tests", "truck_id", "trucks", "truck_id"),
    ("discharge_tests", "material", "materials", "material"),
    ("weighings", "test_id", "discharge_tests", "test_id"),
    ("liquid_tests", "truck_id", "trucks", "truck_id"),
    ("liquid_tests", "material", "materials", "material"),
    ("catches", "test_id", "liquid_tests", "test_id"),
    ("brine_batches", "yard_id", "yards", "yard_id"),
    ("brine_batches", "material", "materials", "material"),
    ("changes", "truck_id", "trucks", "truck_id"),
    ("trucks", "home_yard_id", "yards", "yard_id"),
    ("shifts", "truck_id", "trucks", "truck_id"),
    ("driver_log", "truck_id", "trucks", "truck_id"),
    ("driver_log", "route_id", "routes", "route_id"),
    ("log", "truck_id", "trucks", "truck_id"),
    ("log", "route_id", "routes", "route_id"),
    ("log", "yard_id", "yards", "yard_id"),
    ("log", "material", "materials", "material"),
    *(
        (table, column, target, column)
        for table in ("assignments", "storm_assignments")
        for column, target in (
            ("route_id", "routes"),
            ("truck_id", "trucks"),
            ("yard_id", "yards"),
            ("material", "materials"),
        )
    ),
    ("assignments", "prewet_material", "materials", "material"),
    ("storm_assignments", "prewet_material", "materials", "material"),
    ("stock_counts", "yard_id", "yards", "yard_id"),
    ("stock_counts", "material", "materials", "material"),
    ("deliveries", "yard_id", "yards", "yard_id"),
    ("deliveries", "material", "materials", "material"),
    ("areas", "truck_id", "trucks", "truck_id"),
    ("areas", "yard_id", "yards", "yard_id"),
    ("areas", "material", "materials", "material"),
    ("areas", "prewet_material", "materials", "material"),
    ("budgets", "material", "materials", "material"),
    ("rates", "route_id", "routes", "route_id"),
    ("loads", "truck_id", "trucks", "truck_id"),
    ("loads", "yard_id", "yards", "yard_id"),
    ("loads", "material", "materials", "material"),
    ("returns", "truck_id", "trucks", "truck_id"),
    ("returns", "yard_id", "yards", "yard_id"),
    ("returns", "material", "materials", "material"),
)
