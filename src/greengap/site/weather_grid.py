"""Daily weather on a grid from NetCDF: which variable is which, where its cells lie, which days it has."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyproj
import xarray as xr

from greengap.errors import ImportReport, InputProblem
from greengap.site.weather_quality import RADIATION_UNITS, celsius, millimetres
from greengap.site.zonal import misses_the_farm

VARIABLE_NAMES = {
    "tmin": ("tmin", "tasmin", "tn", "t2m_min", "tmn", "mn2t", "t2min", "tmin_degc", "min_temp", "temperature_min"),
    "tmax": ("tmax", "tasmax", "tx", "t2m_max", "tmx", "mx2t", "t2max", "tmax_degc", "max_temp", "temperature_max"),
    "precipitation": ("pr", "prcp", "precip", "precipitation", "rr", "ppt", "tp", "rain", "precipitation_mm"),
    "radiation": ("rsds", "ssrd", "solar", "radiation", "radiation_mj_m2_d", "qq"),
}
STANDARD_NAMES = {
    "precipitation": ("precipitation_amount", "precipitation_flux", "lwe_precipitation_rate", "rainfall_amount"),
    "radiation": ("surface_downwelling_shortwave_flux_in_air",),
}
ELEVATION_NAMES = ("elevation", "elevation_m", "elev", "orog", "altitude", "topo", "height", "dem")
COLUMNS = {
    "tmin": "tmin_degc",
    "tmax": "tmax_degc",
    "precipitation": "precipitation_mm",
    "radiation": "radiation_mj_m2_d",
}
YEARS = (1700, 2300)  # of weather; a date beyond is a slip
Box = tuple[float, float, float, float]  # west, south, east, north in degrees


@dataclass(frozen=True)
class Grid:
    """Where the cells of a file lie: one entry for each cell, and their places in the file."""

    kind: str  # "grid": boxes in `crs`; "points": centres only; "station": the place is given from outside
    crs: str
    lon: np.ndarray
    lat: np.ndarray
    bounds: np.ndarray  # (cell, 4) as x_low, y_low, x_high, y_high in `crs`; empty without boxes
    take: dict[str, slice]  # by dimension of the file


First = tuple[str, Grid, np.ndarray, list[str]]  # a file, its grid, heights and names of its cells


def read_grid(
    paths: Sequence[Path],
    shown: Callable[[Path], str],
    report: ImportReport,
    station: tuple[float, float, float | None, str] | None,
    near: Box | None,
) -> xr.Dataset:
    """Read daily weather from NetCDF files that split variables, years or both.

    Parameters
    ----------
    paths : sequence of Path
        Files on one grid: longitude and latitude, projected with a grid mapping, or two-dimensional
        longitude and latitude without a projection (then only cell centres are known).
    shown : callable
        How a path is named to the user.
    report : ImportReport
        Counts the days of each file, and takes changes of the calendar.
    station : tuple of (lat, lon, elevation [m], name), optional
        Place of a file that has no coordinates.
    near : tuple of (west, south, east, north), optional
        Only cells at this box and one cell around it are read [degrees].

    Returns
    -------
    Dataset
        Dimensions (cell_id, date), unchecked: tmin_degc, tmax_degc, precipitation_mm, and
        radiation_mj_m2_d where it is given; coordinates lon, lat, elevation_m (NaN if not known) and for a
        grid x_low, y_low, x_high, y_high in the CRS of ``attrs["crs"]``.

    Raises
    ------
    InputProblem
        If a file cannot be read, is not daily, lacks a variable or coordinates, lies on another grid
        than the first or away from `near`, repeats a day, or holds values that do not fit their unit.
    """
    pieces: dict[str, list[tuple[str, pd.DataFrame]]] = {key: [] for key in VARIABLE_NAMES}
    first: First | None = None
    listed: list[str] = []
    for path in paths:
        file = shown(path)
        try:
            source = xr.open_dataset(path, decode_coords=False)
        except (OSError, ValueError, OverflowError, RuntimeError, KeyError, AttributeError, TypeError) as error:
            told = "decode" in str(error)  # the reader's other complaints are about its own plug-ins
            why = f" ({' '.join(str(error).split())[:200]})" if told else ""
            remedy = "Give a NetCDF file whose time axis says its units"
            raise InputProblem(file, "", f"cannot be read as NetCDF{why}", remedy) from None
        try:
            with source:
                first = _read_one(source, file, station, near, first, pieces, listed, report)
        except (
            RuntimeError,
            OSError,
            OverflowError,
            IndexError,
            UnicodeDecodeError,
        ) as error:  # read when it is needed
            raise InputProblem(file, "", "is damaged, and cannot be read to its end", "Download it again") from error
    joined = {COLUMNS[key]: _joined(parts, key) for key, parts in pieces.items() if parts}
    for key in ("tmin", "tmax", "precipitation"):
        if COLUMNS[key] not in joined:
            what = f"no variable is {key}; there are {', '.join(sorted(set(listed)))}"
            name = VARIABLE_NAMES[key][1] if key != "precipitation" else "pr"
            remedy = f"Add a file with {name}, or name the variable so if it is one of these"
            raise InputProblem(", ".join(shown(p) for p in paths), "", what, remedy)
    assert first is not None  # some file gave a variable
    _, grid, elevation, names = first
    days = pd.DatetimeIndex(np.unique(np.concatenate([table.index.to_numpy() for table in joined.values()])))
    coords: dict[str, Any] = {
        "cell_id": names,
        "date": days.to_numpy().astype("datetime64[ns]"),
        "lon": ("cell_id", grid.lon),
        "lat": ("cell_id", grid.lat),
        "elevation_m": ("cell_id", elevation),
    }
    if grid.kind == "grid":
        for at, edge in enumerate(("x_low", "y_low", "x_high", "y_high")):
            coords[edge] = ("cell_id", grid.bounds[:, at])
    arrays = {column: (("cell_id", "date"), table.reindex(days).to_numpy().T) for column, table in joined.items()}
    return xr.Dataset(arrays, coords=coords, attrs={"kind": grid.kind, "crs": grid.crs})


def _read_one(
    source: xr.Dataset,
    file: str,
    station: tuple[float, float, float | None, str] | None,
    near: Box | None,
    first: First | None,
    pieces: dict[str, list[tuple[str, pd.DataFrame]]],
    listed: list[str],
    report: ImportReport,
) -> First | None:
    """Take what one file holds into `pieces`; gives the grid that all files have to lie on."""
    time = _time(source, file)
    found = _variables(source, time, file)
    listed += [str(name) for name in source.data_vars]
    for key, name in found.items():
        grid = _grid(source, source[name], time, file, station, near)
        names = _cell_names(grid, station)
        if first is None:
            first = file, grid, _elevation(source, grid, station), names
        elif names != first[3]:
            what = f"lies on another grid than {first[0]}"
            raise InputProblem(file, name, what, "Bring the files to one grid, or name only files of one grid")
        table = _table(source[name], time, grid, names, file, report)
        unit = str(source[name].attrs.get("units", ""))
        if (values := _in_si(key, table, unit, file, name, report)) is not None:
            pieces[key].append((file, values))
    report.count(file, source.sizes[time], source.sizes[time] if found else 0)
    if not found:
        raise InputProblem(
            file,
            "",
            f"has no weather variable that is known; variables are {', '.join(map(str, source.data_vars))}",
            "Name them tasmin, tasmax and pr, or leave the file out",
        )
    return first


def _time(source: xr.Dataset, file: str) -> str:
    """The dimension that holds days."""
    for name in source.dims:
        if name in source.variables and (
            np.issubdtype(source[name].dtype, np.datetime64) or isinstance(source.indexes.get(name), xr.CFTimeIndex)
        ):
            index = source.indexes[name]
            first, last = int(min(index.year)), int(max(index.year))
            if not YEARS[0] <= first <= last <= YEARS[1]:
                what = f"its dates run from the year {first} to {last}"
                raise InputProblem(file, str(name), what, "Correct the units of its time axis")
            steps = np.diff(source[name].values[:400])
            days = np.array(
                [step / np.timedelta64(1, "D") if isinstance(step, np.timedelta64) else step.days for step in steps]
            )
            if len(days) and not 0.99 < float(np.median(days)) < 1.01:
                what = f"is not daily: its steps are {float(np.median(days)):g} days"
                raise InputProblem(
                    file, str(name), what, "Give daily minimum and maximum temperature and precipitation"
                )
            return str(name)
    remedy = "Add a time coordinate with units such as 'days since 1990-01-01'"
    raise InputProblem(file, "", "has no time axis that can be read as dates", remedy)


def _variables(source: xr.Dataset, time: str, file: str) -> dict[str, str]:
    """Names of the weather variables that a file holds."""
    found: dict[str, str] = {}
    for key, names in VARIABLE_NAMES.items():
        daily = [str(n) for n in source.data_vars if time in source[n].dims and source[n].ndim <= 3]
        matches = [n for n in daily if n.lower() in names]
        if not matches and key in STANDARD_NAMES:
            matches = [n for n in daily if source[n].attrs.get("standard_name") in STANDARD_NAMES[key]]
        elif not matches:
            word = {"tmin": "minimum", "tmax": "maximum"}[key]
            matches = [
                n
                for n in daily
                if source[n].attrs.get("standard_name") == "air_temperature"
                and f"time: {word}" in str(source[n].attrs.get("cell_methods", ""))
            ]
        if len(matches) > 1:
            what = f"variables {' and '.join(matches)} could both be {key}"
            raise InputProblem(file, "", what, "Keep one of them in the file")
        if matches:
            found[key] = matches[0]
    return found


def _grid(
    source: xr.Dataset,
    variable: xr.DataArray,
    time: str,
    file: str,
    station: tuple[float, float, float | None, str] | None,
    near: Box | None,
) -> Grid:
    dims = [str(d) for d in variable.dims if d != time]
    empty = np.empty((0, 4))
    if not dims or all(variable.sizes[d] == 1 and d not in source.variables for d in dims):
        if station is None:
            remedy = "Add [station] with lat = ... and lon = ... to farm.toml"
            raise InputProblem(file, str(variable.name), "has no coordinates", remedy)
        return Grid(
            "station",
            "",
            np.array([float(station[1])]),
            np.array([float(station[0])]),
            empty,
            dict.fromkeys(dims, slice(None)),
        )
    x_name, y_name = _axis(source, dims, "x"), _axis(source, dims, "y")
    crs = _crs(source, variable, x_name, y_name, file)
    if len(dims) == 2 and x_name and y_name and crs is not None and max(source.sizes[x_name], source.sizes[y_name]) > 1:
        return _boxes(source, crs, x_name, y_name, file, near)
    wide: dict[str, Any] = {}
    for axis in ("x", "y"):
        fitting = (source[n] for n in source.variables if source[n].ndim and set(source[n].dims) <= set(dims))
        wide[axis] = next((v for v in fitting if _is(v, axis)), None)
    if wide["x"] is None or wide["y"] is None:
        remedy = "Add lat and lon coordinates, or a grid_mapping with the projection"
        raise InputProblem(file, str(variable.name), "does not say where its cells lie", remedy)
    lon, lat = (each.transpose(*dims) for each in xr.broadcast(wide["x"], wide["y"]))
    take = {d: slice(None) for d in dims}
    return Grid("points", "", _west_positive(lon.to_numpy().ravel()), lat.to_numpy().ravel().astype(float), empty, take)


def _west_positive(lon: np.ndarray) -> np.ndarray:
    """Longitudes from -180 to 180."""
    return (lon.astype(float) + 180.0) % 360.0 - 180.0


def _is(variable: Any, axis: str) -> bool:
    """Whether a variable is longitude (x) or latitude (y)."""
    word, unit = ("longitude", "degrees_east") if axis == "x" else ("latitude", "degrees_north")
    attrs = variable.attrs
    named = str(variable.name).lower() in (word, word[:3])
    return named or attrs.get("standard_name") == word or attrs.get("units") == unit


def _axis(source: xr.Dataset, dims: list[str], axis: str) -> str | None:
    """The dimension that runs east (x) or north (y), if it has coordinates."""
    words = ("x", "rlon", "easting") if axis == "x" else ("y", "rlat", "northing")
    for name in dims:
        if name in source.variables:
            standard = str(source[name].attrs.get("standard_name", ""))
            if _is(source[name], axis) or name.lower() in words or standard == f"projection_{axis}_coordinate":
                return name
    return None


def _crs(
    source: xr.Dataset, variable: xr.DataArray, x_name: str | None, y_name: str | None, file: str
) -> pyproj.CRS | None:
    """The CRS of the axes: of the grid mapping, else degrees where the axes are longitude and latitude."""
    mapping = str(variable.attrs.get("grid_mapping", "")).split(":")[0]
    mappings = [mapping] if mapping in source.variables else []
    mappings += [
        str(n) for n in source.variables if "grid_mapping_name" in source[n].attrs or "crs_wkt" in source[n].attrs
    ]
    if mappings:
        try:
            return pyproj.CRS.from_cf(source[mappings[0]].attrs)
        except (pyproj.exceptions.CRSError, KeyError) as error:
            what = f"its projection cannot be read ({error})"
            raise InputProblem(file, mappings[0], what, "Add the attribute crs_wkt to the grid mapping") from None
    if x_name and y_name and _is(source[x_name], "x") and _is(source[y_name], "y"):
        return pyproj.CRS("EPSG:4326")
    return None


def _boxes(source: xr.Dataset, crs: pyproj.CRS, x_name: str, y_name: str, file: str, near: Box | None) -> Grid:
    """Cells as boxes whose edges lie half-way between centres; only those near the farm."""
    edges, centres, width = {}, {}, {}
    for axis, name in (("x", x_name), ("y", y_name)):
        at = source[name].to_numpy().astype(float)
        if not crs.is_geographic and str(source[name].attrs.get("units", "")).lower() in (
            "km",
            "kilometer",
            "kilometre",
        ):
            at = at * 1000.0 / crs.axis_info[0].unit_conversion_factor
        centres[axis] = at
    for axis, at in centres.items():
        other = centres["y" if axis == "x" else "x"]
        step = np.diff(at) if len(at) > 1 else np.array([np.median(np.abs(np.diff(other)))])
        line = np.concatenate([[at[0] - step[0] / 2], (at[:-1] + at[1:]) / 2, [at[-1] + step[-1] / 2]])
        edges[axis] = np.minimum(line[:-1], line[1:]), np.maximum(line[:-1], line[1:])
        width[axis] = float(np.median(np.abs(step)))
    if crs.is_geographic and centres["x"].max() > 180:
        turn = centres["x"] - _west_positive(centres["x"])
        centres["x"] = centres["x"] - turn
        edges["x"] = edges["x"][0] - turn, edges["x"][1] - turn
    take = {x_name: slice(None), y_name: slice(None)}
    if near is not None:
        box = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform_bounds(*near)
        for axis, name, low, high in (("x", x_name, box[0], box[2]), ("y", y_name, box[1], box[3])):
            close = (edges[axis][1] >= low - width[axis]) & (edges[axis][0] <= high + width[axis])
            if not close.any():
                whole = (edges["x"][0].min(), edges["y"][0].min(), edges["x"][1].max(), edges["y"][1].max())
                area = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform_bounds(*whole)
                raise misses_the_farm(file, area, near, "Give weather of the farm's place", digits=2)
            index = np.flatnonzero(close)
            take[name] = slice(int(index[0]), int(index[-1]) + 1)
            centres[axis] = centres[axis][take[name]]
            edges[axis] = edges[axis][0][take[name]], edges[axis][1][take[name]]
    y, x = np.meshgrid(centres["y"], centres["x"], indexing="ij")
    corners = [np.meshgrid(edges["y"][i], edges["x"][i], indexing="ij") for i in (0, 1)]
    bounds = np.stack([corners[0][1], corners[0][0], corners[1][1], corners[1][0]], axis=-1).reshape(-1, 4)
    lon, lat = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(x.ravel(), y.ravel())
    return Grid(
        "grid", crs.to_wkt(), np.asarray(lon), np.asarray(lat), bounds, {y_name: take[y_name], x_name: take[x_name]}
    )


def _cell_names(grid: Grid, station: tuple[float, float, float | None, str] | None) -> list[str]:
    if grid.kind == "station" and station is not None:
        return [station[3]]
    return [f"{lat:.4f} {lon:.4f}" for lon, lat in zip(grid.lon, grid.lat, strict=True)]


def _elevation(source: xr.Dataset, grid: Grid, station: tuple[float, float, float | None, str] | None) -> np.ndarray:
    """Height of each cell [m], NaN where the file does not say."""
    if grid.kind == "station" and station is not None and station[2] is not None:
        return np.array([float(station[2])])
    for name in source.variables:
        if str(name).lower() in ELEVATION_NAMES and set(source[name].dims) == set(grid.take):
            return source[name].transpose(*grid.take).isel(grid.take).to_numpy().astype(float).ravel()
    return np.full(len(grid.lon), np.nan)


def _table(
    variable: xr.DataArray, time: str, grid: Grid, names: list[str], file: str, report: ImportReport
) -> pd.DataFrame:
    """A variable as stored, days down and cells across, on the calendar that people use."""
    part = variable.transpose(time, *grid.take).isel(grid.take)
    if isinstance(part.indexes[time], xr.CFTimeIndex):
        calendar = part.indexes[time].calendar
        part = part.convert_calendar("standard", dim=time, align_on="year" if calendar == "360_day" else "date")
        how = {"360_day": "its 360 days are spread over the year", "noleap": "29 February is missing and filled in"}
        report.assume(f"{file} counts time in the calendar {calendar}: {how.get(calendar, 'its dates are kept')}.")
    values = part.to_numpy().astype(float).reshape(part.sizes[time], -1)
    days = pd.DatetimeIndex(part[time].to_numpy()).normalize()
    if (twice := days.duplicated()).any():
        raise InputProblem(file, time, f"{days[twice][0]:%Y-%m-%d} comes twice", "Keep one value a day")
    return pd.DataFrame(values, index=days, columns=names)


def _in_si(key: str, table: pd.DataFrame, unit: str, file: str, name: str, report: ImportReport) -> pd.DataFrame | None:
    """A variable in SI units; nothing for radiation in a unit that is not known."""

    def declare(wanted: str) -> str:
        return f"set the variable's units attribute to {wanted}"

    values = table.to_numpy()
    if key in ("tmin", "tmax"):
        values = celsius(values, unit, file, name, table.index.to_numpy(), declare, report)
    elif key == "precipitation":
        values = millimetres(values, unit, file, name, declare, report)
    elif unit.strip().lower() in RADIATION_UNITS:
        values = values * RADIATION_UNITS[unit.strip().lower()]
    else:
        report.assume(f"Radiation in {file} is not used: its unit {unit!r} is not known.")
        return None
    return pd.DataFrame(values, index=table.index, columns=table.columns)


def _joined(parts: list[tuple[str, pd.DataFrame]], key: str) -> pd.DataFrame:
    """Stretches of years one after the other."""
    table = pd.concat([part for _, part in parts]).sort_index()
    if (twice := table.index.duplicated()).any():
        what = f"{table.index[twice][0]:%Y-%m-%d} has {key} in two files"
        raise InputProblem(", ".join(file for file, _ in parts), "", what, "Keep each day in one file")
    return table
