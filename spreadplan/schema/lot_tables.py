"""Parking lots and yards that are treated beside the roads."""

from __future__ import annotations

from spreadplan.schema.columns import Table, ident, quantity, text

AREAS = Table(
    name="areas",
    file="areas.csv",
    meaning="parking lots, yards and walks that are treated beside the roads",
    columns=(
        ident("lot_id", "the lot", example="P1"),
        text("name", "what people call it", example="Library parking lot"),
        quantity("area", "area", "area to treat", above=True, high=1e9, example="24000"),
        ident("truck_id", "the truck that treats it", required=False),
        ident("yard_id", "the yard where it loads", example="Y1"),
        ident("material", "what it spreads", example="road_salt"),
        quantity(
            "prewet",
            "liquid_per_mass",
            "liquid put on each ton of solid",
            required=False,
            high=100,
            default=0.0,
            example="0",
        ),
        ident("prewet_material", "which liquid that is", required=False),
        text("service_class", "class of winter service, as policy rows name it", example="A"),
        ident("zone", "forecast zone", required=False, example="north"),
    ),
    key=("lot_id",),
)
