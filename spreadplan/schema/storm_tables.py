"""Who treats what, and the tables of one storm; limits as in `schema.tables`."""

from __future__ import annotations

from spreadplan.schema.columns import Column, Table, choice, ident, moment, number, quantity, text
from spreadplan.schema.limits import PAVEMENT_F, PAVEMENT_U_F, RATE_LIMITS
from spreadplan.schema.policy import SURFACES

ASSIGNMENTS = Table(
    name="assignments",
    file="assignments.csv",
    meaning="which truck treats which route",
    columns=(
        ident("route_id", "the route", example="R1"),
        ident("truck_id", "its truck", example="T1"),
        ident("yard_id", "the yard where it loads", example="Y1"),
        ident("material", "what it spreads", example="road_salt"),
        quantity(
            "prewet",
            "liquid_per_mass",
            "liquid put on each ton of solid",
            required=False,
            high=100,
            default=0.0,
            example="10",
        ),
        ident(
            "prewet_material",
            "which liquid that is, a material of materials.csv",
            required=False,
        ),
    ),
    key=("route_id",),
)

FORECAST = Table(
    name="forecast",
    file="forecast.csv",
    meaning="the weather to come, zone by zone",
    columns=(
        ident("zone", "forecast zone; * for all", example="*"),
        moment("start", "start of the period", example="2026-12-01T04:00"),
        moment("end", "end of the period", example="2026-12-01T12:00"),
        ident("event", "the event, as the policy names it", example="light_snow"),
        quantity(
            "pavement_temp",
            "temperature",
            "pavement temperature",
            low=PAVEMENT_F[0],
            high=PAVEMENT_F[1],
            example="26",
        ),
        quantity(
            "pavement_temp_u",
            "temperature_difference",
            "its standard uncertainty; without one a default by night and by day is taken",
            required=False,
            high=PAVEMENT_U_F,
        ),
        ident("trend", "trend of the pavement temperature", required=False, example="steady"),
        choice(
            "surface",
            "what lies on the road when it is treated",
            SURFACES,
            required=False,
            example="wet",
        ),
        quantity(
            "precipitation",
            "length",
            "precipitation as depth of water",
            unit="in",
            required=False,
            high=40,
            example="0.10",
        ),
        quantity(
            "snow_depth",
            "length",
            "depth of the snow that falls",
            unit="in",
            required=False,
            high=200,
            example="1",
        ),
        Column(
            name="plow",
            meaning="whether trucks plow as they treat",
            kind="flag",
            required=False,
            default=None,
            example="true",
        ),
        ident(
            "application",
            "which round of spreading the row belongs to",
            required=False,
            example="1",
        ),
        moment(
            "issued_at",
            "when the forecast was issued; the newest one counts, see the guide",
            required=False,
        ),
    ),
    per_storm=True,
)

STORM_ASSIGNMENTS = Table(
    name="storm_assignments",
    file="assignments.csv",
    meaning="trucks of this storm alone; they win over the assignments of all storms",
    columns=(
        *ASSIGNMENTS.columns,
        ident(
            "from_application",
            "the round of spreading from which the row holds; empty: from the first",
            required=False,
            example="1",
        ),
    ),
    key=("route_id", "from_application"),
    per_storm=True,
)

RATES = Table(
    name="rates",
    file="rates.csv",
    meaning="the planner's own rates; they win over the policy",
    columns=(
        ident("route_id", "the route; * for all", example="*"),
        ident("application", "which round of spreading", example="1"),
        moment("start", "when it starts", required=False),
    ),
    key=("route_id", "application"),
    rate=True,
    per_storm=True,
)

_HOW_FOUND = choice(
    "method",
    "how the mass was found: on a truck scale, on the loader's own, by counting buckets or by eye",
    ("scale", "loader_scale", "bucket_count", "estimate"),
    required=False,
)

_NET = "net mass; of a liquid its volume will do; may be empty where buckets are given"

_BUCKETS = number(
    "buckets",
    "how many buckets of the loader went in; weighed tickets that tell it teach what one holds",
    required=False,
    low=0,
    above=True,
    high=200,
)

LOADS = Table(
    name="loads",
    file="loads.csv",
    meaning="what trucks took from the yards",
    columns=(
        ident("ticket_id", "number of the load ticket", example="L1"),
        ident("truck_id", "the truck", example="T1"),
        ident("yard_id", "the yard", example="Y1"),
        moment("loaded_at", "when", example="2026-12-01T04:10"),
        ident("material", "the material", example="road_salt"),
        quantity("net", "mass", _NET, required=False, high=100_000, example="13800"),
        quantity("net", "volume", "net volume (liquids)", required=False, high=20_000),
        quantity(
            "scale_division",
            "mass",
            "smallest step that the scale shows",
            required=False,
            above=True,
            high=2_000,
        ),
        _HOW_FOUND,
        _BUCKETS,
    ),
    key=("ticket_id",),
    per_storm=True,
)

RETURNS = Table(
    name="returns",
    file="returns.csv",
    meaning="what trucks brought back",
    columns=(
        ident("truck_id", "the truck", example="T1"),
        ident("yard_id", "the yard", example="Y1"),
        moment("returned_at", "when", example="2026-12-01T11:00"),
        ident("material", "the material", example="road_salt"),
        quantity("net", "mass", _NET, required=False, high=100_000, example="1200"),
        quantity("net", "volume", "net volume (liquids)", required=False, high=20_000),
        _HOW_FOUND,
        _BUCKETS,
    ),
    per_storm=True,
)

WORKED = ("yes", "partly", "no")

DRIVER_LOG = Table(
    name="driver_log",
    file="driver_log.csv",
    meaning="what drivers set, what the road looked like and what worked",
    columns=(
        moment("time", "when", example="2026-12-01T05:10"),
        ident("truck_id", "the truck", example="T1"),
        ident("route_id", "the route", example="R1"),
        ident(
            "application",
            "its round of spreading; empty: the one that had begun last",
            required=False,
            example="1",
        ),
        Column(
            name="as_card",
            meaning="true if all was set as the cab card says",
            kind="flag",
            required=False,
            example="false",
        ),
        quantity(
            "gate",
            "length",
            "gate opening that was set",
            unit="in",
            required=False,
            above=True,
            high=60,
            example="3",
        ),
        number(
            "feeder_pct",
            "feeder output that was set, percent of full output",
            required=False,
            low=0,
            high=100,
            example="40",
        ),
        *(
            quantity(
                "rate",
                kind,
                what,
                required=False,
                high=RATE_LIMITS[basis].most,
                example=example,
            )
            for kind, basis, what, example in (
                ("rate_limit", "lb_per_lane_mile", "rate that was set", "250"),
                ("area_rate", "g_per_m2", "the same, on the area of the lanes", ""),
                ("liquid_rate", "gal_per_lane_mile", "the same of a liquid", ""),
            )
        ),
        choice(
            "surface",
            "what the road looked like",
            SURFACES,
            required=False,
            example="snow",
        ),
        choice("worked", "whether it worked", WORKED, required=False, example="partly"),
        text("note", "in your own words", example="drifting past the church"),
    ),
    per_storm=True,
)

HAPPENED = ("truck_out", "truck_back", "route_done", "hopper", "stock", "note")

LOG = Table(
    name="log",
    file="log.csv",
    meaning="what happened while the storm ran",
    columns=(
        moment("time", "when", example="2026-12-01T04:45"),
        choice(
            "what",
            "truck_out: a truck cannot go on; truck_back: it can again; route_done: a truck has "
            "treated a route; hopper: what is left in a truck; stock: what lies in a yard; note",
            HAPPENED,
            example="note",
        ),
        ident("truck_id", "the truck", required=False),
        ident("route_id", "the route", required=False),
        ident("application", "its round of spreading", required=False),
        quantity(
            "value",
            "mass",
            "what is left in the truck, or lies in the yard",
            required=False,
            high=4e9,
        ),
        ident("yard_id", "the yard", required=False),
        ident("material", "the material", required=False),
        text("note", "in your own words", example="drifting on County Road 1"),
    ),
    per_storm=True,
)
