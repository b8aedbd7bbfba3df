"""CF-NetCDF and GRIB2 at the cells nearest to places, with what makes grids hard."""

import numpy as np
import pandas as pd
import pytest

from spreadplan.errors import BadInput
from spreadplan.weather.grids import read_weather_grid

xarray = pytest.importorskip("xarray", reason="an optional package: spreadplan[weather]")
pytest.importorskip("netCDF4", reason="an optional package: spreadplan[weather]")

TIMES = pd.date_range("2026-12-02T00:00", periods=3, freq="h")
PLACE = {"north": (-94.1, 46.2)}


def dataset(lats, lons, **fields):
    coords = {
        "t": ("t", TIMES, {"standard_name": "time"}),
        "y": ("y", lats, {"standard_name": "latitude", "units": "degrees_north"}),
        "x": ("x", lons, {"standard_name": "longitude", "units": "degrees_east"}),
    }
    data = {
        name: (("t", "y", "x"), values, {"standard_name": standard, "units": unit})
        for name, (values, standard, unit) in fields.items()
    }
    return xarray.Dataset(data, coords)


def grid(lats, lons, function):
    values = [[[function(t, lat, lon) for lon in lons] for lat in lats] for t in range(3)]
    return np.array(values, dtype=float)


def written(tmp_path, data, name="a.nc"):
    path = tmp_path / name
    data.to_netcdf(path)
    return path


@pytest.mark.parametrize("down", [False, True])
@pytest.mark.parametrize("east", [False, True])
def test_the_nearest_cell_whatever_way_the_grid_runs(tmp_path, down, east):
    """Latitudes that descend, longitudes from 0 to 360; 271.15 K and 0.1 K an hour in one cell."""
    lats = np.array([45.0, 46.0, 47.0])
    lats = lats[::-1] if down else lats
    lons = np.array([-95.0, -94.0, -93.0]) + (360.0 if east else 0.0)
    kelvin = grid(
        lats,
        lons,
        lambda t, lat, lon: 271.15 + 0.1 * t + 10 * (lat != 46) + 20 * (lon % 360 != 266),
    )
    path = written(tmp_path, dataset(lats, lons, t2m=(kelvin, "air_temperature", "K")))
    found = read_weather_grid(path, PLACE)
    assert found["air_temp_f"].to_numpy() == pytest.approx([28.4, 28.58, 28.76])
    assert set(found["lon"]) == {-94.0}
    assert set(found["lat"]) == {46.0}
    assert list(found["time"]) == list(TIMES.tz_localize("UTC"))


def test_cells_without_values_are_passed_over(tmp_path):
    lats, lons = np.array([46.0, 47.0]), np.array([-94.0])
    celsius = grid(lats, lons, lambda t, lat, lon: np.nan if lat == 46.0 else -2.0)
    path = written(tmp_path, dataset(lats, lons, air=(celsius, "air_temperature", "degC")))
    found = read_weather_grid(path, PLACE)
    assert set(found["lat"]) == {47.0}
    assert found["air_temp_f"].to_numpy() == pytest.approx([28.4] * 3)


def test_a_grid_with_two_dimensional_coordinates(tmp_path):
    """As of a rotated or projected model: latitude and longitude for each cell."""
    lat = np.array([[45.0, 45.1], [46.2, 46.3]])
    lon = np.array([[-94.0, -93.0], [-94.1, -93.1]])
    celsius = np.broadcast_to([[0.0, 1.0], [-5.0, 2.0]], (3, 2, 2))
    data = xarray.Dataset(
        {
            "air": (
                ("time", "j", "i"),
                celsius,
                {"standard_name": "air_temperature", "units": "degC"},
            )
        },
        {
            "time": TIMES,
            "lat": (("j", "i"), lat, {"standard_name": "latitude"}),
            "lon": (("j", "i"), lon, {"standard_name": "longitude"}),
        },
    )
    found = read_weather_grid(written(tmp_path, data), PLACE)
    assert found["air_temp_f"].to_numpy() == pytest.approx([23.0] * 3)


@pytest.mark.parametrize(
    ("value", "standard", "unit"),
    [
        (2.54, "precipitation_amount", "kg m-2"),
        (0.00254, "lwe_thickness_of_precipitation_amount", "m"),
        (2.54 / 3600.0, "precipitation_flux", "kg m-2 s-1"),
        (0.00254 / 3600.0, "lwe_precipitation_rate", "m s-1"),
    ],
)
def test_water_of_every_kind_is_a_tenth_of_an_inch(tmp_path, value, standard, unit):
    """2.54 mm in an hour: 1 kg of water on a square meter is a millimeter deep."""
    lats, lons = np.array([46.0]), np.array([-94.0])
    fields = {
        "air": (grid(lats, lons, lambda t, lat, lon: -1.0), "air_temperature", "degC"),
        "water": (grid(lats, lons, lambda t, lat, lon: value), standard, unit),
    }
    found = read_weather_grid(written(tmp_path, dataset(lats, lons, **fields)), PLACE)
    assert found["precipitation_in"].to_numpy() == pytest.approx([0.1] * 3)


def test_a_pavement_temperature_is_known_by_its_name_and_a_surface_is_none(tmp_path):
    lats, lons = np.array([46.0]), np.array([-94.0])
    same = grid(lats, lons, lambda t, lat, lon: 270.15)
    fields = {
        "road_surface_temperature": (same, "", "K"),
        "skin": (same, "surface_temperature", "K"),
    }
    found = read_weather_grid(written(tmp_path, dataset(lats, lons, **fields)), PLACE)
    assert found["pavement_temp_f"].to_numpy() == pytest.approx([26.6] * 3)
    assert "air_temp_f" not in found
    alone = written(tmp_path, dataset(lats, lons, skin=fields["skin"]), "b.nc")
    with pytest.raises(BadInput, match="no air_temperature"):
        read_weather_grid(alone, PLACE)


def test_an_unknown_unit_and_a_file_of_another_kind_are_named(tmp_path):
    lats, lons = np.array([46.0]), np.array([-94.0])
    same = grid(lats, lons, lambda t, lat, lon: 1.0)
    odd = written(tmp_path, dataset(lats, lons, air=(same, "air_temperature", "rankine")))
    with pytest.raises(BadInput, match=r"a\.nc:0:\*: the unit of air is 'rankine'"):
        read_weather_grid(odd, PLACE)
    (tmp_path / "c.nc").write_text("no grid")
    with pytest.raises(BadInput, match=r"c\.nc:0:\*: cannot be read"):
        read_weather_grid(tmp_path / "c.nc", PLACE)


def test_grib2_with_accumulated_water(tmp_path):
    """A file written message by message by ecCodes: 2 m temperature, and meters of water since
    the start.
    """
    eccodes = pytest.importorskip("eccodes", reason="an optional package: spreadplan[weather]")
    pytest.importorskip("cfgrib", reason="an optional package: spreadplan[weather]")
    path = tmp_path / "a.grib2"
    with path.open("wb") as out:
        for step, kelvin, water in (
            (1, 271.15, 0.00254),
            (2, 270.15, 0.00508),
            (3, 269.15, 0.00508),
        ):
            for name, value in (("2t", kelvin), ("tp", water)):
                _message(eccodes, out, name, step, value)
    found = read_weather_grid(path, PLACE)
    assert list(found["time"]) == [pd.Timestamp(f"2026-12-02T0{one}:00Z") for one in (1, 2, 3)]
    assert found["air_temp_f"].to_numpy() == pytest.approx([28.4, 26.6, 24.8], abs=0.05)
    assert found["precipitation_in"].to_numpy()[1:] == pytest.approx([0.1, 0.0], abs=1e-3)
    assert (found["lat"].iloc[0], found["lon"].iloc[0]) == (46.0, -94.0)


def _message(eccodes, out, name, step, value):
    """A field of 3 x 3 cells, latitude descending, longitude 265 to 267 degrees east."""
    one = eccodes.codes_grib_new_from_samples("regular_ll_sfc_grib2")
    for key, given in {
        "Ni": 3,
        "Nj": 3,
        "latitudeOfFirstGridPointInDegrees": 47.0,
        "latitudeOfLastGridPointInDegrees": 45.0,
        "longitudeOfFirstGridPointInDegrees": 265.0,
        "longitudeOfLastGridPointInDegrees": 267.0,
        "iDirectionIncrementInDegrees": 1.0,
        "jDirectionIncrementInDegrees": 1.0,
        "dataDate": 20261202,
        "dataTime": 0,
        "shortName": name,
    }.items():
        eccodes.codes_set(one, key, given)
    eccodes.codes_set(one, "stepRange", f"0-{step}" if name == "tp" else str(step))
    eccodes.codes_set_values(one, np.full(9, value))
    eccodes.codes_write(one, out)
    eccodes.codes_release(one)
