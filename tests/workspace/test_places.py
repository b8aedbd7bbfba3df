"""What lies where it cannot is refused, what is merely far is said, and sound places draw nothing.

Distances are checked against pyproj's geodesic on WGS 84; here the Earth is a sphere.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from pyproj import Geod

from spreadplan.cli import main
from spreadplan.workspace import read_workspace
from spreadplan.workspace.places import _apart_mi, _fits_clock, far_records
from tests.conftest import FILES, route_features
from tests.workspace.test_bad_input import problems, read

Build = Callable[..., Path]
MISSING = "is the minus sign of the longitude missing?"
TOO_MANY = "is the minus sign of the latitude one too many?"
EXCHANGED = "are longitude and latitude exchanged?"


def routes(**lines: list[list[float]]) -> dict[str, str]:
    """The small network with other lines for some of its features, by name of the segment."""
    collection = route_features()
    for feature in collection["features"]:
        name = feature["properties"]["segment_id"]
        if name in lines:
            feature["geometry"]["coordinates"] = lines[name]
    return {"routes.geojson": json.dumps(collection)}


def moved(change: Callable[[float, float], list[float]]) -> dict[str, str]:
    """The small network with every vertex changed."""
    lines = {
        feature["properties"]["segment_id"]: [
            change(*place) for place in feature["geometry"]["coordinates"]
        ]
        for feature in route_features()["features"]
    }
    return routes(**lines)


def yards(*places: tuple[float, float]) -> dict[str, str]:
    rows = "".join(f"Y{at},{lon},{lat}\n" for at, (lon, lat) in enumerate(places, 1))
    return {"yards.csv": f"yard_id,lon,lat\n{rows}"}


def areas(*rings: list[list[float]]) -> dict[str, str]:
    features = [
        {
            "type": "Feature",
            "properties": {"area_id": f"A{at}"},
            "geometry": {"type": "Polygon", "coordinates": [[*ring, ring[0]]]},
        }
        for at, ring in enumerate(rings)
    ]
    text = json.dumps({"type": "FeatureCollection", "features": features})
    return {"sensitive_areas.geojson": text}


def box(lon: float, lat: float, size: float = 0.02) -> list[list[float]]:
    return [[lon, lat], [lon + size, lat], [lon + size, lat + size], [lon, lat + size]]


def clock(name: str) -> dict[str, str]:
    return {"workspace.toml": FILES["workspace.toml"].replace("America/Chicago", name)}


REFUSED = {
    "a vertex at 0, 0": (
        routes(a=[[-94, 46], [0, 0], [-94, 46.05]]),
        "routes.geojson:1:geometry: jumps 6,410 miles (10,316 km) to its vertex 2 at longitude 0, "
        "latitude 0; draw that vertex again: 0, 0 is where a missing position ends up",
    ),
    "a line at 0, 0": (
        routes(a=[[0, 0], [0.001, 0.001]]),
        "routes.geojson:1:geometry: lies at longitude 0, latitude 0: 0, 0 is where a missing "
        "position ends up; draw it again",
    ),
    "a latitude of 0": (routes(a=[[-94, 46], [-94, 0]]), "often written as 0"),
    "a vertex without its sign": (
        routes(b=[[-94, 46.05], [93.95, 46.06]]),
        f"to its vertex 2 at longitude 93.95, latitude 46.06; {MISSING} draw that vertex again",
    ),
    "the first of two vertices without its sign": (
        routes(b=[[94, 46.05], [-93.95, 46.06]]),
        f"to its vertex 1 at longitude 94, latitude 46.05; {MISSING}",
    ),
    "half of a line without its sign": (
        routes(b=[[-94, 46.05], [-93.99, 46.05], [93.98, 46.05], [93.97, 46.05]]),
        f"to its vertex 3 at longitude 93.98, latitude 46.05; {MISSING}",
    ),
    "a line without its sign": (
        routes(b=[[94, 46.05], [93.95, 46.06]]),
        "routes.geojson:2:geometry: lies 6,055 miles (9,744 km) from the other roads, at longitude "
        f"94, latitude 46.05; {MISSING}",
    ),
    "all lines without their sign": (
        moved(lambda lon, lat: [-lon, lat]),
        "routes.geojson:1:geometry: lies 6,058 miles (9,750 km) from every yard, at longitude 94, "
        f"latitude 46, with 2 more (2, 3); {MISSING}",
    ),
    "a yard without its sign": (
        yards((-94, 46), (94, 46)),
        "yards.csv:3:lon: the yard lies 6,058 miles (9,749 km) from every road, at longitude 94, "
        f"latitude 46; {MISSING}",
    ),
    "the only yard without its sign": (
        yards((94, 46)),
        f"yards.csv:2:lon: the yard lies {{}}; {MISSING}",
    ),
    "a yard on the other half of the globe": (
        yards((-94, -46)),
        f"yards.csv:2:lat: the yard lies {{}}; {TOO_MANY}",
    ),
    "a yard at 0, 0": (yards((0, 0)), "yards.csv:2:lon: the yard lies {}; give it: an empty"),
    "a yard with an empty latitude": (yards((-94, 0)), "yards.csv:2:lat: the yard {}; give it"),
    "a yard with its coordinates exchanged": (
        yards((-84, 46), (46, -84)) | moved(lambda lon, lat: [lon + 10, lat]),
        f"yards.csv:3:lon: the yard lies {{}}; {EXCHANGED}",
    ),
    "an area without its sign": (
        areas(box(-94, 46), box(94, 46)),
        f"sensitive_areas.geojson:2:geometry: lies {{}}; {MISSING}",
    ),
    "an area with its coordinates exchanged": (
        areas(box(46, -84)) | moved(lambda lon, lat: [lon + 10, lat]) | yards((-84, 46)),
        f"sensitive_areas.geojson:1:geometry: lies {{}}; {EXCHANGED}",
    ),
    "an area with a vertex at 0, 0": (
        areas([[-94, 46], [-93.9, 46], [0, 0]]),
        "to its vertex 3 at longitude 0",
    ),
    "an area with a vertex without its sign": (
        areas([[-94, 46], [93.9, 46], [-94, 46.1]]),
        f"{MISSING} draw that vertex again",
    ),
    "a mirrored line in Wales": (
        moved(lambda lon, lat: [lon + 90.5, lat + 6])
        | yards((-3.5, 52))
        | clock("Europe/London")
        | routes(
            a=[[3.5, 52], [3.5, 52.05]],
            b=[[-3.5, 52.05], [-3.45, 52.06]],
            c=[[-3.5, 52.05], [-3.4, 52.05]],
        ),
        f"lies 293 miles (472 km) from the other roads, at longitude 3.5, latitude 52; {MISSING}",
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_is_refused_with_what_would_be_right(workspace, name):
    changes, line = REFUSED[name]
    (said,) = [str(problem) for problem in problems(workspace(changes))]
    for part in line.split("{}"):
        assert part in said


CAUTIONS = {
    "everything without its sign": (
        moved(lambda lon, lat: [-lon, lat]) | yards((94, 46)),
        "routes.geojson:0:*: lies about longitude 94, where no clock shows America/Chicago; "
        f"{MISSING} Or correct the time zone",
    ),
    "a yard one degree off": (yards((-94, 47)), "yards.csv:2:*: the yard lies 65 miles"),
    "yards of the whole state": (
        yards((-94, 46), (-94, 47), (-98, 44)),
        "yards.csv:3:*: the yard lies 65 miles (105 km) "
        "from every road, at longitude -94, latitude 47, with 1 more (4); check both coordinates",
    ),
    "a road far off": (
        routes(c=[[-98, 46.05], [-98, 46.06]]),
        "routes.geojson:3:geometry: lies 192 miles (309 km) from the other roads",
    ),
    "areas of other counties": (
        areas(box(-94, 46), box(-90, 40), box(-80, 40)),
        "sensitive_areas.geojson:2:geometry: lies 460 miles (740 km) from every road, with 1 more "
        "(3); it changes no rate here",
    ),
    "a slip of 0.1 degrees": (
        routes(a=[[-94, 46], [-94, 46.01], [-93.9, 46.02], [-94, 46.02], [-94, 46.05]]),
        "routes.geojson:1:geometry: runs 4.8 miles (7.8 km) to its vertex 3 and straight back; "
        "look at that vertex on a map",
    ),
    "a very long straight step": (
        routes(c=[[-94, 46.05], [-94, 46.4]]),
        "routes.geojson:3:geometry: runs 24.2 miles (38.9 km) to its vertex 2 straight on",
    ),
    "a long step among very short ones": (
        routes(c=[*([-94 + 0.001 * at, 46.05] for at in range(99)), [-93.7, 46.05]]),
        "routes.geojson:3:geometry: runs 9.7 miles",
    ),
    "a line mirrored across a near meridian": (
        routes(
            a=[[1.5, 52], [1.5, 52.05]],
            b=[[-1.5, 52.05], [-1.45, 52.06]],
            c=[[-1.5, 52.05], [-1.4, 52.05]],
        )
        | yards((-1.5, 52))
        | clock("Europe/London"),
        "routes.geojson:1:geometry: lies 123 miles (198 km) from the other roads, at longitude "
        f"1.5, latitude 52; {MISSING}",
    ),
}


@pytest.mark.parametrize("name", CAUTIONS)
def test_what_may_be_meant_is_said_once(workspace, name):
    changes, line = CAUTIONS[name]
    cautions = [str(caution) for caution in read(workspace(changes)).cautions]
    found = [caution for caution in cautions if caution.startswith(line)]
    assert len(found) == 1, cautions


SOUND = {
    "an island with a yard": routes(c=[[-96, 46.05], [-96, 46.06]]) | yards((-94, 46), (-96, 46)),
    "a yard half an hour away": yards((-94, 46.35)),
    "both sides of the date line": moved(lambda lon, lat: [(lon + 453.97) % 360 - 180, lat])
    | yards((180, 46)) | clock("Pacific/Fiji"),
    "near the pole": moved(lambda lon, lat: [lon, lat + 43]) | yards((-94, 89)),
    "times in UTC": moved(lambda lon, lat: [-lon, lat]) | yards((94, 46)) | clock("UTC"),
    "an area around everything": areas([[-110, 30], [-80, 30], [-80, 50], [-110, 50]]),
    "on the equator and the meridian": moved(lambda lon, lat: [lon + 94, lat - 46])
    | yards((0, 0)) | clock("Africa/Accra"),
}  # fmt: skip


@pytest.mark.parametrize("name", SOUND)
def test_sound_places_draw_nothing(workspace, name):
    assert [str(caution) for caution in read(workspace(SOUND[name])).cautions] == []


def test_a_file_of_nothing_but_jumps_is_named_in_time(workspace):
    """Degrees taken for another unit, say: each line is of no use, and the count is right."""
    collection = {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {
                    "route_id": "R1",
                    "segment_id": str(at),
                    "lanes": 1,
                    "speed_mph": 25,
                },
                "geometry": {
                    "type": "LineString",
                    "coordinates": [[at % 170, at % 70], [at % 170 - 90, at % 70 + 2]],
                },
            }
            for at in range(3_000)
        ],
    }
    folder = workspace({"routes.geojson": json.dumps(collection)})
    found = [problem for problem in problems(folder) if problem.file == "routes.geojson"]
    assert "to its vertex" in found[0].what
    assert "jumps too far, as 2,500 more do" in " ".join(problem.what for problem in found)


def test_the_sample_county_and_the_real_roads_draw_no_caution():
    top = Path(__file__).resolve().parents[2]
    for folder in (top / "sample_routes" / "county", top / "tests" / "real_roads" / "workspace"):
        made = read_workspace(
            folder, required=["routes"], optional=["yards", "sensitive_areas", "policy"]
        )
        assert [str(c) for c in made.cautions if c.file != "workspace.toml"] == []


def test_distances_agree_with_the_ellipsoid():
    rng = np.random.default_rng(5)
    one, other = (
        np.column_stack([rng.uniform(-180, 180, 500), rng.uniform(-90, 90, 500)]) for _ in "ab"
    )
    _, _, metres = Geod(ellps="WGS84").inv(*one.T, *other.T)
    assert _apart_mi(one, other) == pytest.approx(np.asarray(metres) / 1609.344, rel=0.006)


@pytest.mark.parametrize(
    ("lon", "zone", "fits"),
    [
        (-94, "America/Chicago", True),
        (94, "America/Chicago", False),
        (10, "Europe/Oslo", True),
        (-94, "UTC", True),
        (-94, "Etc/GMT+6", True),
        (94, "Etc/GMT+6", False),
        (75, "Asia/Shanghai", True),
        (-170, "Pacific/Auckland", True),
        (-0.1, "Europe/London", True),
        (-94, "Europe/London", False),
    ],
)
def test_a_clock_tells_the_side_of_the_globe(lon, zone, fits):
    assert _fits_clock(lon, ZoneInfo(zone)) is fits


def test_records_far_from_every_road_are_named(workspace):
    table = read(workspace()).tables["routes"]
    place = pd.DataFrame({"row": range(2, 12), "lon": -94.0, "lat": 46.01})
    lost = place.assign(lon=-place["lon"])
    mixed = pd.concat([lost.iloc[:4], place.iloc[4:]])
    nowhere = place.assign(lon=np.nan)
    some = {
        "good.csv": place,
        "lost.csv": lost,
        "mixed.csv": mixed,
        "nowhere.csv": nowhere,
        "other.csv": place.assign(lat=40.0),
    }
    found = [str(problem) for problem in far_records(some, table)]
    assert found == [
        "lost.csv:0:*: 100 % of its positions lie 6,057 miles (9,748 km) or more from every road, "
        f"as row 2 at longitude 94, latitude 46.01; {MISSING}",
        "other.csv:0:*: 100 % of its positions lie 415 miles (667 km) or more from every road, as "
        "row 2 at longitude -94, latitude 40; check the positions, or whether the file is of this "
        "operation",
    ]


def test_check_says_where_records_lie(workspace, capsys):
    header = "truck_id,time,lon,lat,speed_mph,spreading,feed_total_lb\n"
    rows = "".join(
        f"T1,2026-12-01T05:00:{second:02d},94,46.01,20,1,{second}\n" for second in range(50)
    )
    folder = workspace({"storms/s1/telemetry/a.csv": header + rows})
    assert main(["check", str(folder)]) == 0
    said = capsys.readouterr()
    assert "storms/s1/telemetry/a.csv:0:*: 100 % of its positions lie" in said.err
    assert "no problems found" not in said.out
