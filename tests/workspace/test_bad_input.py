"""One clear line for each mistake: file, row, column, what is wrong, what would be right."""

from __future__ import annotations

import json
import re

import pytest

from spreadplan.errors import BadInput
from spreadplan.planning.geometry import segment_lengths_mi
from spreadplan.schema.tables import TABLES
from spreadplan.workspace import read_workspace
from tests.conftest import FILES, route_features

pytestmark = pytest.mark.usefixtures("blank_charts")

STORM_TABLES = [table.name for table in TABLES.values() if table.per_storm]


def read(folder):
    return read_workspace(
        folder,
        required=["trucks", "materials"],
        optional=[*TABLES, "policy"],
        storms={"s1": STORM_TABLES},
    )


def problems(folder):
    with pytest.raises(BadInput) as caught:
        read(folder)
    return [problem for problem in caught.value.problems if problem.fatal]


def edit(file, old, new, count=1):
    assert old in FILES[file]
    return {file: FILES[file].replace(old, new, count)}


def with_routes(change):
    collection = route_features()
    change(collection["features"])
    return {"routes.geojson": json.dumps(collection)}


def test_the_small_workspace_is_clean(workspace):
    result = read(workspace())
    assert not [problem for problem in result.cautions if problem.fatal]
    assert len(result.tables["routes"]) == 3


CELLS = [
    ("trucks.csv", "14000", "heavy", "2", "capacity_lb", "is not a number"),
    ("trucks.csv", "14000", "nan", "2", "capacity_lb", "is not a number"),
    ("trucks.csv", "14000", "inf", "2", "capacity_lb", "is not a number"),
    ("trucks.csv", "14000", "-14000", "2", "capacity_lb", "not possible"),
    ("trucks.csv", "14000", "", "2", "capacity_lb", "is empty"),
    ("trucks.csv", "open_loop", "open", "2", "control", "is not known"),
    ("trucks.csv", "2;3", "2;wide", "2", "gate_positions_in", "is not a number"),
    ("trucks.csv", "T2,", "T1,", "3", "truck_id", "stands already in row 2"),
    ("discharge_tests.csv", "2026-10-20T09:00", "2026-02-30", "2", "performed_at", "not a date"),
    ("discharge_tests.csv", "2026-10-20T09:00", "20.10.2026", "2", "performed_at", "not a date"),
    ("discharge_tests.csv", "2026-10-20T09:00", "1826-10-20", "2", "performed_at", "years"),
    ("discharge_tests.csv", "2026-10-20T09:00", "2026-11-01T01:30", "2", "performed_at", "twice"),
    (
        "discharge_tests.csv",
        "2026-10-20T09:00",
        "2026-03-08T02:30",
        "2",
        "performed_at",
        "not exist",
    ),
    ("discharge_tests.csv", "100,60,", "100,0,", "2", "duration_s", "not possible"),
    ("discharge_tests.csv", "D1,T1", "D1,T9", "2", "truck_id", "not in trucks.csv"),
    ("weighings.csv", "30000,29400", "29400,30000", "2", "gross_lb", "less than tare"),
    ("weighings.csv", "30000,29400", "30000,", "2", "tare_lb", "empty for a truck scale"),
    ("weighings.csv", "80,5,4", "80,5,2.5", "3", "count", "not a whole number"),
    ("weighings.csv", "D2,", "D7,", "3", "test_id", "not in discharge_tests.csv"),
    ("weighings.csv", "D3,direct", "D3,bucket", "4", "method", "is not known"),
    ("assignments.csv", "R1,T1,Y1", "R1,T1,Y5", "2", "yard_id", "not in yards.csv"),
    ("assignments.csv", "R2,", "R1,", "3", "route_id", "stands already"),
    ("yards.csv", "-94,46", "46,-94", "2", "lat", "not possible"),
    ("storms/s1/rates.csv", "*,1,200", "R9,1,200", "2", "route_id", "not in routes.geojson"),
    ("storms/s1/rates.csv", "*,1,200", "*,1,-5", "2", "rate_lb_per_lane_mile", "not possible"),
    ("storms/s1/forecast.csv", "T10:00", "T03:00", "2", "end", "not after the start"),
]


@pytest.mark.slow
@pytest.mark.parametrize(("file", "old", "new", "row", "column", "words"), CELLS)
def test_a_wrong_cell_is_named(workspace, file, old, new, row, column, words):
    found = [str(problem) for problem in problems(workspace(edit(file, old, new)))]
    assert any(line.startswith(f"{file}:{row}:{column}: ") and words in line for line in found), (
        found
    )
    assert all(re.fullmatch(r"[^:]+:\d+:[^:]+: .+; .+", line) for line in found)


HEADERS = [
    ("trucks.csv", "capacity_lb", "capacity", "capacity", "no unit"),
    ("trucks.csv", "capacity_lb", "capacity_stone", "capacity_stone", "no unit"),
    ("trucks.csv", "capacity_lb", "load", "capacity", "column is missing"),
    ("trucks.csv", "capacity_lb", "truck_id", "truck_id", "stands twice"),
    ("weighings.csv", "tare_lb", "gross_kg", "gross_kg", "given twice"),
    (
        "storms/s1/rates.csv",
        "rate_lb_per_lane_mile",
        "rate_lb_per_mile",
        "rate_lb_per_mile",
        "basis",
    ),
    ("storms/s1/rates.csv", "rate_lb_per_lane_mile", "rate_lb", "rate_lb", "basis"),
    ("storms/s1/rates.csv", "rate_lb_per_lane_mile", "amount", "rate", "rate is missing"),
]


@pytest.mark.parametrize(("file", "old", "new", "column", "words"), HEADERS)
def test_a_wrong_header_is_named(workspace, file, old, new, column, words):
    found = problems(workspace(edit(file, old, new)))
    assert any(
        p.file == file and p.row == 1 and p.column == column and words in p.what for p in found
    ), [str(p) for p in found]


WHOLE_FILES = [
    (b"", "is empty"),
    (b"\n\n", "is empty"),
    (FILES["trucks.csv"].replace(",", ";").replace("2;3", "2").encode(), "separated by semicolons"),
    (FILES["trucks.csv"].replace(",", "\t").encode(), "separated by tabs"),
    (FILES["trucks.csv"].encode("utf-16"), "UTF-16"),
    (FILES["trucks.csv"].replace("T1", "Tä").encode("latin-1"), "not UTF-8"),
    (FILES["trucks.csv"].replace("T1", "T\x00").encode(), "NUL"),
    (FILES["trucks.csv"].replace("auger", '"auger').encode(), "not well-formed CSV"),
    (FILES["trucks.csv"].replace("auger", "a" * 20_000).encode(), "not well-formed CSV"),
    (FILES["trucks.csv"].replace(",auger", "").encode(), "has 5 cells where the header has 6"),
    (b",".join(b"c%d" % i for i in range(10_000)), "has 10000 columns"),
]


@pytest.mark.parametrize(("content", "words"), WHOLE_FILES)
def test_a_file_that_cannot_be_understood_is_named(workspace, content, words):
    found = problems(workspace({"trucks.csv": content}))
    assert any(p.file == "trucks.csv" and words in p.what for p in found), [str(p) for p in found]


def test_a_missing_required_file_and_a_missing_folder(workspace, tmp_path):
    found = problems(workspace({"trucks.csv": None}))
    assert any(str(p).startswith("trucks.csv:0:*: file is missing; add trucks.csv") for p in found)
    assert "is not a folder" in problems(tmp_path / "nowhere")[0].what


def test_all_problems_come_in_one_go_in_file_order(workspace):
    changes = {
        **edit("trucks.csv", "14000", "x"),
        **edit("weighings.csv", "30000", "y"),
        **edit("yards.csv", "46", "z"),
    }
    files = [problem.file for problem in problems(workspace(changes))]
    assert files == ["trucks.csv", "weighings.csv", "yards.csv"]


def test_unknown_columns_are_one_caution_each_and_nothing_more(workspace):
    text = FILES["yards.csv"].replace("lat\n", "lat,colour\n").replace("46\n", "46,red\n")
    result = read(workspace({"yards.csv": text}))
    assert [str(c) for c in result.cautions] == [
        "yards.csv:1:colour: is not a column of this file; it is ignored"
    ]


GEOMETRIES = [
    ({"type": "Point", "coordinates": [-94, 46]}, "is a Point"),
    (
        {
            "type": "MultiLineString",
            "coordinates": [[[-94, 46], [-94, 46.1]], [[-93, 46], [-93, 46.1]]],
        },
        "is a MultiLineString",
    ),
    (None, "is empty"),
    ({"type": "LineString", "coordinates": []}, "is empty"),
    ({"type": "LineString", "coordinates": [[46, -94], [46.05, -94]]}, "outside the globe"),
]


@pytest.mark.parametrize(("geometry", "words"), GEOMETRIES)
def test_a_wrong_geometry_is_named_by_its_feature(workspace, geometry, words):
    changes = with_routes(lambda features: features[1].update(geometry=geometry))
    found = problems(workspace(changes))
    assert [(p.file, p.row, p.column) for p in found] == [("routes.geojson", 2, "geometry")]
    assert words in found[0].what


def test_segments_of_next_to_no_length_are_carried_with_one_caution(workspace):
    """5 cm, nothing, and 1.2 m: a real network of 86,000 segments had three of them."""
    cm = 1e-2 / 111_132.0

    def shorten(features):
        more = {"T": 5 * cm, "Z": 0.0, "long": 120 * cm, "cut": 95 * cm, "W": 1e-12}
        for name, north in more.items():
            one = json.loads(json.dumps(features[0]))
            one["properties"]["segment_id"] = name
            one["geometry"]["coordinates"] = [[-94, 46.05], [-94, 46.05 + north]]
            features.append(one)
        features.extend(
            {**features[2], "properties": {**features[2]["properties"], "segment_id": f"more{at}"}}
            for at in range(3)
        )

    made = read(workspace(with_routes(shorten)))
    assert [str(c) for c in made.cautions if "shorter" in c.what] == [
        "routes.geojson:4:geometry: is shorter than 3 ft (1 m), as are 3 more (5, 7, 8), 2 of them "
        "without any length; carried as it is; if it is a slip, draw its second end or remove it"
    ]
    lengths = segment_lengths_mi(made.tables["routes"].geometry) * 1609.344
    assert lengths[3:8] == pytest.approx([0.05, 0.0011, 1.2, 0.95, 0.0011], rel=0.02)
    assert (lengths > 0).all()


def test_a_file_of_segments_without_length_is_refused(workspace):
    def shrink(features):
        for feature in features[:2]:
            feature["geometry"]["coordinates"] = [[-94, 46], [-94, 46]]

    found = [str(problem) for problem in problems(workspace(with_routes(shrink)))]
    assert found == [
        "routes.geojson:1:geometry: is shorter than 3 ft (1 m), as are 1 more (2), 2 of them "
        "without any length; check the coordinate system of the file, or draw the second ends"
    ]


def test_swapped_coordinates_are_found_where_both_are_on_the_globe(workspace):
    def swap(features):
        for feature in features:
            line = feature["geometry"]["coordinates"]
            feature["geometry"]["coordinates"] = [[lat, lon + 50] for lon, lat in line]

    changes = {**with_routes(swap), "yards.csv": "yard_id,lon,lat\nY1,-44,46\n"}
    (found,) = problems(workspace(changes))
    assert (found.file, found.row, found.column) == ("routes.geojson", 1, "geometry")
    assert "with 2 more (2, 3)" in found.what
    assert found.remedy == "are longitude and latitude exchanged?"


def test_a_line_that_runs_twice_and_a_line_drawn_twice_are_cautions(workspace):
    def bend(features):
        features[0]["geometry"]["coordinates"] = [[-94, 46], [-94, 46.05], [-94, 46.02]]
        features[1]["geometry"]["coordinates"] = features[0]["geometry"]["coordinates"][::-1]

    cautions = read(workspace(with_routes(bend))).cautions
    said = [(c.row, c.what.split(",")[0]) for c in cautions if c.column == "geometry"]
    assert (1, "runs twice along the same road") in said
    assert (2, "is the same line as feature 1 of its route") in said


def test_a_loop_that_only_crosses_itself_is_fine(workspace):
    ramp = [[-94, 46], [-93.99, 46], [-93.99, 46.01], [-93.995, 46.01], [-93.995, 45.99]]
    changes = with_routes(lambda features: features[0]["geometry"].update(coordinates=ramp))
    assert not [c for c in read(workspace(changes)).cautions if c.column == "geometry"]


def test_duplicate_segments_and_absurd_speeds(workspace):
    def change(features):
        features[1]["properties"].update(segment_id="a", speed_mph=2000)

    found = [(p.row, p.column) for p in problems(workspace(with_routes(change)))]
    assert found == [(2, "speed_mph"), (2, "segment_id")]


POLICY_ROW = """[[rate]]
event = "light_snow"
pavement_temp_min_f = 20
pavement_temp_max_f = 28
material = "salt"
rate_lb_per_lane_mile = [250, 350]
source = "a table"
"""
POLICIES = [
    (
        POLICY_ROW.replace("rate_lb_per_lane_mile", "rate_lb_per_mile"),
        1,
        "rate.rate_lb_per_mile",
        "basis",
    ),
    (POLICY_ROW.replace("[250, 350]", "[350, 250]"), 1, "rate.rate_lb_per_lane_mile", "not a rate"),
    (POLICY_ROW.replace('source = "a table"', ""), 1, "rate.source", "is missing"),
    (POLICY_ROW.replace("min_f = 20", "min_f = 40"), 1, "rate.pavement_temp_max", "below"),
    (POLICY_ROW + "rate_kg_per_lane_km = 5", 1, "rate.rate_kg_per_lane_km", "given twice"),
    ("[tolerance]\nconfidence = 95\n", 0, "tolerance.confidence", "not possible"),
    ("[tolerance\n", 1, "*", "not well-formed TOML"),
    ("rate = 5\n", 0, "rate", "not a list"),
]


@pytest.mark.parametrize(("text", "row", "key", "words"), POLICIES)
def test_a_wrong_policy_is_named(workspace, text, row, key, words):
    found = problems(workspace({"policy.toml": text}))
    assert any((p.row, p.column) == (row, key) and words in p.what for p in found), found


SETTINGS = [
    ('units = "us"', 'units = "imperial"', "workspace.units"),
    ("America/Chicago", "Mars/Base", "workspace.timezone"),
    ("2027-04-30", "2025-04-30", "workspace.season_end"),
    ('name = "Small"', "", "workspace.name"),
]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("section", "key", "low", "high"),
    [
        ("sensitive", "factor", 0, 1),
        ("tolerance", "over_pct", 0, 200),
        ("tolerance", "under_pct", 0, 100),
        ("tolerance", "confidence", 0.5, 0.9999),
        ("tolerance", "calibration_pct", 0.1, 100),
        ("tolerance", "calibration_max_age_days", 1, 10_000),
    ],
)
def test_numbers_of_the_policy_have_limits(workspace, section, key, low, high):
    for value in (low, high):
        read(workspace({"policy.toml": f"[{section}]\n{key} = {value}\n"}))
    for value in (low - 0.01, high + 0.01, "true", '"much"', "nan"):
        found = problems(workspace({"policy.toml": f"[{section}]\n{key} = {value}\n"}))
        assert [one.column for one in found] == [f"{section}.{key}"], value
        assert f"from {low:g} to {high:g}" in found[0].remedy


@pytest.mark.parametrize(("old", "new", "key"), SETTINGS)
def test_a_wrong_setting_is_named(workspace, old, new, key):
    found = problems(workspace(edit("workspace.toml", old, new)))
    assert [p.column for p in found] == [key]


def test_a_broken_geojson_is_said_with_its_line_and_without_our_paths(workspace):
    found = problems(workspace({"routes.geojson": '{"type": "FeatureCollection",\n"features": ['}))
    assert [(p.file, p.row) for p in found if p.file == "routes.geojson"] == [("routes.geojson", 0)]
    said = str(next(p for p in found if p.file == "routes.geojson"))
    assert "not well-formed JSON" in said
    assert "line 2" in said
    assert "/" not in said


def with_stream(**properties):
    ring = [[-94.01, 46.0], [-94.0, 46.0], [-94.0, 46.01], [-94.01, 46.0]]
    feature = {
        "type": "Feature",
        "properties": {"area_id": "S1", **properties},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }
    collection = {"type": "FeatureCollection", "features": [feature]}
    return {"sensitive_areas.geojson": json.dumps(collection)}


@pytest.mark.parametrize(
    ("given", "column", "words"),
    [
        ({"mean_flow_cfs": 2, "low_flow_cfs": 20}, "low_flow_cfs", "is above the mean flow"),
        ({"low_flow_cfs": 0}, "low_flow_cfs", "not possible"),
        ({"background_mg_l": -3}, "background_mg_l", "not possible"),
        ({"background_mg_l": "20 mg/L"}, "background_mg_l", "is not a number"),
    ],
)
def test_flows_and_background_that_cannot_be(workspace, given, column, words):
    found = problems(workspace(with_stream(**given)))
    assert [(p.file, p.row, p.column) for p in found] == [("sensitive_areas.geojson", 1, column)]
    assert words in found[0].what


def test_flows_and_background_are_read_in_their_units(workspace):
    folder = workspace(with_stream(mean_flow_m3_s=1, low_flow_cfs=7, background_mg_l=20))
    (area,) = read(folder).tables["sensitive_areas"].itertuples()
    assert area.mean_flow_cfs == pytest.approx(35.314667)
    assert (area.low_flow_cfs, area.background_mg_l) == (7.0, 20.0)


# --- written down twice --------------------------------------------------------------------------

WEIGHED = "test_id,method,gross_lb,tare_lb,count,scale_division_lb\n"
D1, D2, D3 = ("D1,container,66,6,1,0.5\n", "D2,container,80,5,4,0.5\n", "D3,direct,410,,,1\n")
CANS = [f"D1,container,{gross},6,1,0.5\n" for gross in (66, 64, 65.5, 67)]
TRUCK = "D1,vehicle_scale,30000,29400,,20\n"


def weighing_lines(workspace, *rows):
    """What is said of these weighings, with the row and whether it stops the work."""
    folder = workspace({"weighings.csv": WEIGHED + "".join(rows)})
    try:
        found = read(folder).cautions
    except BadInput as error:
        found = error.problems
    return [
        (problem.row, problem.what, problem.fatal)
        for problem in found
        if problem.file == "weighings.csv" and "twice" in problem.what
    ]


TWICE = "what was weighed counts twice"


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        # the file pasted below itself: several tests, each of one row or of some
        ([D1, D2, D3] * 2, [(5, f"rows 5 to 7 say the same as rows 2 to 4: {TWICE}", True)]),
        (
            [*CANS, D2, D3, *CANS, D2, D3],
            [(8, f"rows 8 to 13 say the same as rows 2 to 7: {TWICE}", True)],
        ),
        # a part of it
        ([*CANS, D2, D3, D2, D3], [(8, f"rows 8 to 9 say the same as rows 6 to 7: {TWICE}", True)]),
        # and sorted afterwards
        (
            [row for row in [*CANS, D2, D3] for _ in range(2)],
            [
                (2 * number + 3, f"says the same as row {2 * number + 2}: {TWICE}", True)
                for number in range(6)
            ],
        ),
        # a truck before and after its run
        ([TRUCK, D2, D3, TRUCK], [(5, f"says the same as row 2: {TWICE}", True)]),
        ([TRUCK, TRUCK, D2, D3], [(3, f"says the same as row 2: {TWICE}", True)]),
        # one test alone: three containers in the same order again are odd, two are not
        (
            [*CANS[:3], *CANS[:3], D2, D3],
            [(5, f"rows 5 to 7 say the same as rows 2 to 4: {TWICE}", False)],
        ),
        ([*CANS[:2], *CANS[:2], D2, D3], []),
        # containers filled alike
        ([D1, D1, D1, D2, D3], []),
        ([D1, D2, D1, D3], []),
        ([*CANS, CANS[0], CANS[2], D2, D3], []),
        ([TRUCK, TRUCK.replace("30000", "30020"), D2, D3], []),
    ],
)
def test_weighings_that_stand_twice(workspace, rows, expected):
    assert weighing_lines(workspace, *rows) == expected


RETURNS = "truck_id,yard_id,returned_at,material,net_lb\n"
LOADS = "ticket_id,truck_id,yard_id,loaded_at,material,net_lb\n"
BACK = "T1,Y1,2026-12-01T11:00,salt,1200\n"


def test_a_return_that_stands_twice_is_refused_like_a_ticket(workspace):
    text = RETURNS + BACK + BACK.replace("1200", "1201") + BACK + BACK.replace("T1", "T2")
    (problem,) = problems(workspace({"storms/s1/returns.csv": text}))
    assert str(problem) == (
        "storms/s1/returns.csv:4:*: the same return stands already in row 2; keep one of the two; "
        "it would count twice"
    )


def test_weather_that_stands_twice_is_refused(workspace):
    row = FILES["storms/s1/forecast.csv"].splitlines()[1] + "\n"
    text = FILES["storms/s1/forecast.csv"] + row
    (problem,) = problems(workspace({"storms/s1/forecast.csv": text}))
    assert (problem.row, problem.what) == (3, "the same weather stands already in row 2")


def test_a_ticket_in_the_folders_of_two_storms_is_refused(workspace):
    loads = LOADS + "L1,T1,Y1,2026-12-01T04:00,salt,12000\n"
    folder = workspace(
        {
            "storms/s1/loads.csv": loads,
            "storms/s1/returns.csv": RETURNS + BACK,
            # numbers may begin anew in each storm
            "storms/s2/loads.csv": loads + "L2,T1,Y1,2026-12-01T06:00,salt,12000\n",
            "storms/s3/loads.csv": LOADS + "L1,T1,Y1,2026-12-09T04:00,salt,12000\n",
            "storms/s3/returns.csv": RETURNS + BACK.replace("1200", "1300") + BACK,
        }
    )
    with pytest.raises(BadInput) as caught:
        read_workspace(
            folder,
            required=["trucks", "materials"],
            optional=[*TABLES, "policy"],
            storms=dict.fromkeys(("s1", "s2", "s3"), STORM_TABLES),
        )
    assert [str(problem).split(";")[0] for problem in caught.value.problems if problem.fatal] == [
        "storms/s2/loads.csv:2:*: stands already in storms/s1/loads.csv, row 2",
        "storms/s3/returns.csv:3:*: stands already in storms/s1/returns.csv, row 2",
    ]


@pytest.mark.parametrize(
    ("day", "what"),
    [
        ("2026-11-30", None),
        ("2026-12-03", None),
        ("2025-12-01", "lies 365 days before the storm's forecast"),
        ("2026-12-21", "lies 20 days after the storm's forecast"),
    ],
)
def test_tickets_far_from_the_storm_s_weather_draw_a_caution(workspace, day, what):
    """The forecast runs from 04:00 to 10:00 on 1 December 2026."""
    folder = workspace(
        {
            "storms/s1/loads.csv": LOADS + f"L1,T1,Y1,2026-12-01T04:00,salt,12000\n"
            f"L2,T1,Y1,{day}T04:00,salt,12000\nL3,T1,Y1,{day}T05:00,salt,12000\n",
            "storms/s1/returns.csv": RETURNS + BACK.replace("2026-12-01", day),
        }
    )
    said = [str(one) for one in read(folder).cautions if "forecast" in one.what]
    if what is None:
        assert said == []
        return
    assert said == [
        f"storms/s1/loads.csv:3:loaded_at: {what}, and so do 1 more; check its date, and those in "
        "storms/s1/forecast.csv",
        f"storms/s1/returns.csv:2:returned_at: {what}; check its date, and those in "
        "storms/s1/forecast.csv",
    ]
