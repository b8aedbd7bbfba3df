"""Weather from grids: CF-NetCDF and GRIB, at the cells nearest to the places asked for.

Variables are known by their CF standard names, whatever the file calls them (NetCDF Climate and
Forecast Metadata Conventions, standard name table). `xarray` and what reads each format are
optional: ``pip install spreadplan[weather]``.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.errors import BadInput, Problem
from spreadplan.planning.geometry import distance_mi
from spreadplan.units import suffix_meant, to_canonical

Floats = NDArray[np.float64]

GRIB: Final = (".grib", ".grib2", ".grb", ".grb2")
NETCDF: Final = (".nc", ".nc4", ".cdf")

#: CF standard name → our column. A model's surface is not the pavement, so it is not taken for it.
STANDARD: Final = {
    "air_temperature": "air_temp_f",
    "dew_point_temperature": "dew_point_f",
    "lwe_thickness_of_precipitation_amount": "precipitation_in",
    "precipitation_amount": "precipitation_in",
    "precipitation_flux": "precipitation_in",
    "lwe_precipitation_rate": "precipitation_in",
}
#: names that variables of the pavement go by; CF has no standard name for it
PAVEMENT_NAMES: Final = ("pavement_temp", "pavement_temperature", "road_surface_temperature")
#: GRIB's short names of fields that are there without a standard name
SHORT: Final = {"2t": "air_temp_f", "2d": "dew_point_f", "tp": "precipitation_in"}
RATES: Final = ("precipitation_flux", "lwe_precipitation_rate")
KELVIN: Final = 273.15
#: cells are passed over where a grid has no values, as over the sea
_NEAREST_TRIED: Final = 200


def read_weather_grid(path: Path, places: Mapping[str, tuple[float, float]]) -> pd.DataFrame:
    """Weather at the cells nearest to some places.

    Parameters
    ----------
    path : a CF-NetCDF or GRIB file.
    places : longitude and latitude of each, degrees.

    Returns
    -------
    One row for each place and time: zone (the place), time, lon, lat (of its cell, -180 to 180),
    air_temp_f, dew_point_f, pavement_temp_f, precipitation_in (since the time before), NaN where
    missing. A cell without any value is passed over for the next.

    Raises
    ------
    BadInput : a package is missing, or the file holds no weather that is understood.
    """
    fields = [field for data in _opened(path) for field in _fields(path, data)]
    if not any(name in ("air_temp_f", "pavement_temp_f") for name, _ in fields):
        what = "has no air_temperature and no pavement temperature"
        remedy = "give a file whose variables carry CF standard names"
        raise _refused(path, what, remedy)
    rows = []
    for place, (lon, lat) in places.items():
        found: dict[str, pd.Series[Any]] = {}
        cell = (np.nan, np.nan)
        for name, field in fields:
            series, at = _nearest(path, field, lon, lat)
            found[name] = series if name not in found else found[name].combine_first(series)
            cell = at if np.isnan(cell[0]) else cell
        frame = pd.DataFrame(found).rename_axis("time").reset_index()
        rows.append(frame.assign(zone=place, lon=cell[0], lat=cell[1]))
    return pd.concat(rows, ignore_index=True)


def _refused(path: Path, what: str, remedy: str) -> BadInput:
    return BadInput([Problem(file=path.name, row=0, column="*", what=what, remedy=remedy)])


def _opened(path: Path) -> list[Any]:
    """The datasets of a file; a GRIB file holds one for each kind of level."""
    try:
        import xarray

        if path.suffix.lower() in GRIB:
            import cfgrib

            found: list[Any] = cfgrib.open_datasets(str(path), backend_kwargs={"indexpath": ""})
            return found
    except (ImportError, RuntimeError) as error:
        remedy = "install what reads it: pip install spreadplan[weather]"
        raise _refused(path, f"a package is missing that reads it ({error})", remedy) from None
    try:
        return [xarray.open_dataset(path)]
    except (OSError, ValueError) as error:
        why = str(error).split("\n")[0][:120]
        remedy = "give a NetCDF or GRIB file, and pip install spreadplan[weather]"
        raise _refused(path, f"cannot be read ({why})", remedy) from None


def _fields(path: Path, data: Any) -> list[tuple[str, Any]]:
    """Our columns in a dataset, each as an array of time and place in our unit."""
    found = []
    for name, field in data.data_vars.items():
        standard = str(field.attrs.get("standard_name", ""))
        ours = STANDARD.get(standard) or SHORT.get(str(field.attrs.get("GRIB_shortName", "")))
        if str(name) in PAVEMENT_NAMES or standard in PAVEMENT_NAMES:
            ours = "pavement_temp_f"
        if ours:
            found.append((ours, _in_our_unit(path, str(name), ours, _by_time(field))))
    return found


def _by_time(field: Any) -> Any:
    """A field along ``time``; a forecast by steps has its valid times there."""
    if "step" in field.dims and "valid_time" in field.coords:
        field = field.swap_dims(step="valid_time") if field.valid_time.ndim == 1 else field
    along = "valid_time" if "valid_time" in field.dims else ""
    if not along:
        named = [
            name
            for name, one in field.coords.items()
            if one.attrs.get("standard_name") == "time" or str(name) == "time"
        ]
        along = str(named[0]) if named else ""
    if not along:
        return field.expand_dims("time")
    if along not in field.dims:
        at = "valid_time" if "valid_time" in field.coords else along
        moment = field.coords[at].to_numpy()
        return field.drop_vars(["time"], errors="ignore").expand_dims(time=[moment])
    if along == "time":
        return field
    return field.drop_vars("time", errors="ignore").rename({along: "time"})


def _in_our_unit(path: Path, name: str, ours: str, field: Any) -> Any:
    """A field in the unit of our column; water is what fell since the time before."""
    unit = str(field.attrs.get("units", "")).strip()
    if ours.endswith("_f"):
        if unit.casefold() in ("k", "kelvin", "degk"):
            field, unit = field - KELVIN, "c"
        suffix = suffix_meant(unit, ["f", "c"])
        if not suffix:
            raise _refused(path, f"the unit of {name} is {unit!r}", "give K, degC or degF")
        return field.copy(data=to_canonical(field.to_numpy(), "temperature", suffix))
    standard, plain = str(field.attrs.get("standard_name", "")), unit.replace(" ", "")
    if standard in RATES:
        return _fallen(path, name, plain, field)
    # a kilogram of water on a square meter is a millimeter deep
    suffix = (
        "mm" if plain in ("kgm-2", "kgm**-2", "kg/m2") else suffix_meant(unit, ["mm", "m", "in"])
    )
    if not suffix:
        raise _refused(path, f"the unit of {name} is {unit!r}", "give kg m-2, mm, m or in")
    field = field.copy(data=to_canonical(field.to_numpy(), "length", suffix, "in"))
    if field.attrs.get("GRIB_stepType") == "accum" and field.sizes["time"] > 1:
        since = field.diff("time")
        return since.where(since >= 0.0, field.isel(time=slice(1, None)))
    return field


def _fallen(path: Path, name: str, unit: str, field: Any) -> Any:
    """A rate of precipitation as the water that fell since the time before."""
    per_s = {"kgm-2s-1": 1.0, "kgm**-2s**-1": 1.0, "mms-1": 1.0, "ms-1": 1000.0}
    per_s |= {"mmh-1": 1.0 / 3600.0, "mm/h": 1.0 / 3600.0}
    if unit not in per_s:
        raise _refused(path, f"the unit of {name} is {unit!r}", "give kg m-2 s-1, m s-1 or mm h-1")
    times = pd.DatetimeIndex(field["time"].to_numpy())
    seconds = np.diff(times) / np.timedelta64(1, "s")
    first = seconds[:1] if len(seconds) else np.array([3600.0])
    span = np.concatenate([first, seconds])
    axis = [len(span) if name == "time" else 1 for name in field.dims]
    depth_mm = field.to_numpy() * per_s[unit] * span.reshape(axis)
    return field.copy(data=to_canonical(depth_mm, "length", "mm", "in"))


def _nearest(
    path: Path, field: Any, lon: float, lat: float
) -> tuple[pd.Series[Any], tuple[float, float]]:
    """The series of the nearest cell that has values, and where that cell lies."""
    import xarray

    lons, lats = (_coordinate(path, field, name) for name in ("longitude", "latitude"))
    x, y = xarray.broadcast(lons, lats)
    levels = {name: 0 for name in field.dims if name != "time" and name not in x.dims}
    grid = field.isel(levels).transpose("time", *x.dims)
    across, up = x.to_numpy().ravel(), y.transpose(*x.dims).to_numpy().ravel()
    values = grid.to_numpy().reshape(grid.sizes["time"], -1).astype(float)
    for cell in np.argsort(distance_mi(across, up, lon, lat), kind="stable")[:_NEAREST_TRIED]:
        if np.isfinite(values[:, cell]).any():
            times = pd.DatetimeIndex(grid["time"].to_numpy()).tz_localize("UTC")
            east = (float(across[cell]) + 180.0) % 360.0 - 180.0
            return pd.Series(values[:, cell], index=times), (east, float(up[cell]))
    what = f"{field.name} has no value near {lat:.2f} N, {lon:.2f} E"
    raise _refused(path, what, "give a file that covers the routes")


def _coordinate(path: Path, field: Any, standard: str) -> Any:
    """Longitude or latitude of a field's cells, degrees east and north."""
    for name, one in field.coords.items():
        if one.attrs.get("standard_name") == standard or name in (standard, standard[:3]):
            bare = one.reset_coords(drop=True)
            return bare if standard == "latitude" else (bare + 180.0) % 360.0 - 180.0
    what = f"{field.name} has no {standard}"
    raise _refused(path, what, "give a file whose coordinates carry CF standard names")
