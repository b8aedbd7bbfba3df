"""CSV and JSON of weather: columns by their names and units, what is missing, times."""

import json
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from spreadplan.errors import BadInput
from spreadplan.weather.files import read_weather_text
from spreadplan.workspace.parse import Rename

CHICAGO = ZoneInfo("America/Chicago")


def read(tmp_path, name, text, renames=None):
    path = tmp_path / name
    path.write_text(text if isinstance(text, str) else json.dumps(text))
    return read_weather_text(path, CHICAGO, renames or {})[0]


def test_an_export_of_airport_observations(tmp_path):
    """M is missing, T a trace, times are UTC: ASOS User's Guide, NOAA 1998, from memory."""
    found = read(
        tmp_path,
        "obs.csv",
        "station,valid,lon,lat,tmpf,dwpf,p01i,wxcodes\n"
        "KAAA,2026-12-02 03:53,-94.2,46.4,30.0,M,T,-SN BR\n"
        "KAAA,2026-12-02 04:53,-94.2,46.4,M,26.1,M,M\n",
    )
    assert list(found["time"]) == [
        pd.Timestamp("2026-12-02T03:53Z"),
        pd.Timestamp("2026-12-02T04:53Z"),
    ]
    assert found["air_temp_f"].to_numpy() == pytest.approx([30.0, np.nan], nan_ok=True)
    assert found["dew_point_f"].to_numpy() == pytest.approx([np.nan, 26.1], nan_ok=True)
    assert found["precipitation_in"].to_numpy() == pytest.approx([0.0001, np.nan], nan_ok=True)
    assert list(found["weather"]) == ["-SN BR", ""]


def test_local_times_utc_and_units_by_name(tmp_path):
    text = "{},pavement_temp_c,pavement_temp_u_c,precipitation_mm\n2026-12-02T04:00,-3,2,2.54\n"
    local = read(tmp_path, "a.csv", text.format("time"))
    assert local["time"][0] == pd.Timestamp("2026-12-02T10:00Z")
    assert read(tmp_path, "b.csv", text.format("time_utc"))["time"][0] == pd.Timestamp(
        "2026-12-02T04:00Z"
    )
    assert local["pavement_temp_f"][0] == pytest.approx(26.6)
    assert local["pavement_temp_u_f"][0] == pytest.approx(3.6)
    assert local["precipitation_in"][0] == pytest.approx(0.1)


def test_json_of_lists_side_by_side(tmp_path):
    """Hours as lists, the place above them, and a list of days that is no hour."""
    renames = {
        "time_utc": Rename("hourly.time"),
        "air_temp": Rename("hourly.t2", "c"),
        "lat": Rename("latitude"),
        "lon": Rename("longitude"),
    }
    found = read(
        tmp_path,
        "a.json",
        {
            "latitude": 46.4,
            "longitude": -94.2,
            "hourly_units": {"time": "iso8601", "t2": "degC"},
            "hourly": {"time": ["2026-12-02T00:00", "2026-12-02T01:00"], "t2": [0.0, None]},
            "daily": {"time": ["2026-12-02"], "high": [1.0]},
        },
        renames,
    )
    assert found["air_temp_f"].to_numpy() == pytest.approx([32.0, np.nan], nan_ok=True)
    assert list(found["time"].dt.hour) == [0, 1]
    assert set(found["lat"]) == {46.4}
    assert set(found["lon"]) == {-94.2}


def test_geojson_points_with_rows_of_their_own(tmp_path):
    """GeoJSON: RFC 7946, coordinates are longitude, latitude, height."""
    renames = {
        "time": Rename("features.properties.series.time"),
        "air_temp": Rename("features.properties.series.data.instant.t", "c"),
    }

    def feature(lon, *temps):
        series = [
            {"time": f"2026-12-02T0{hour}:00:00Z", "data": {"instant": {"t": one}}}
            for hour, one in enumerate(temps)
        ]
        point = {"type": "Point", "coordinates": [lon, 46.0, 300]}
        return {"type": "Feature", "geometry": point, "properties": {"series": series}}

    collection = {
        "type": "FeatureCollection",
        "features": [feature(-94.0, -1.0, -2.0), feature(-95.0, -3.0, -4.0)],
    }
    renames["lon"], renames["lat"] = Rename("lon"), Rename("lat")
    found = read(tmp_path, "a.geojson", collection, renames)
    assert list(found["lon"]) == [-94.0, -94.0, -95.0, -95.0]
    assert found["air_temp_f"].to_numpy() == pytest.approx([30.2, 28.4, 26.6, 24.8])


@pytest.mark.parametrize(
    ("name", "text", "row", "column", "words"),
    [
        ("a.csv", "time,air_temp_f\n2026-12-02T04:00,cold\n", 2, "air_temp_f", "not a number"),
        ("a.csv", "time,air_temp_f\n2026-12-02T04:00,900\n", 2, "air_temp_f", ""),
        ("a.csv", "time,air_temp\n2026-12-02T04:00,-3\n", 1, "air_temp", "unit"),
        ("a.csv", "air_temp_f\n30\n", 1, "time", ""),
        ("a.json", "{", 0, "*", "well-formed JSON"),
        ("a.json", "[" * 100_000, 0, "*", "nested"),
    ],
)
def test_what_is_wrong_is_named(tmp_path, name, text, row, column, words):
    with pytest.raises(BadInput) as error:
        read(tmp_path, name, text)
    problem = error.value.problems[0]
    assert (problem.file, problem.row, problem.column) == (name, row, column)
    assert words in str(problem)
