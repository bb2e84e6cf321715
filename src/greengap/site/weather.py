"""Daily weather of the farm: read, checked, and given to each block by the area of the cells it lies in."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
import xarray as xr

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.site.weather_cells import read_cells
from greengap.site.weather_grid import read_grid
from greengap.site.weather_quality import checked_days, complete_years
from greengap.site.weather_station import read_station
from greengap.site.zonal import percent
from greengap.tables import BlockCell, DataFrame

NETCDF = {".nc", ".nc4", ".cdf", ".netcdf"}
ENOUGH_YEARS = 10  # with fewer, one year in either direction moves the odds by more than 10 %


def read_weather(
    paths: Sequence[Path],
    shown: Callable[[Path], str],
    report: ImportReport,
    station: tuple[float, float, float | None, str] | None = None,
    near: tuple[float, ...] | None = None,
) -> xr.Dataset:
    """Read daily weather from NetCDF grids or from the text files of one station.

    Parameters
    ----------
    paths : sequence of Path
        All NetCDF or all text; variables and years may be split over files.
    shown : callable
        How a path is named to the user.
    report : ImportReport
        Takes what was set aside, filled or assumed.
    station : tuple of (lat, lon, elevation [m] or None, name), optional
        Where a station was measured.
    near : tuple, optional
        (lon, lat) of the farm, or its (west, south, east, north); of a grid only the cells there and
        one cell around are read.

    Returns
    -------
    Dataset
        Dimensions (cell_id, date), every day from first to last: ``tmin_degc``, ``tmax_degc``,
        ``precipitation_mm``, ``filled`` (bool: some value of the day is not measured) and where it is
        given ``radiation_mj_m2_d``. Coordinates by cell: lon, lat, elevation_m (NaN if not known), and
        for a grid x_low, y_low, x_high, y_high in the CRS of ``attrs["crs"]``. Attributes: kind ("grid", "points",
        "station"), files, years (complete calendar years). Gaps longer than five days are NaN.

    Raises
    ------
    InputProblem
        See `read_grid` and `read_station`; also if kinds of files are mixed or less than one year is complete.
    """
    gridded = [path.suffix.lower() in NETCDF for path in paths]
    files = ", ".join(shown(path) for path in paths)
    if any(gridded) and not all(gridded):
        raise InputProblem(
            files, "", "grids and station files together", "Name NetCDF files only, or station files only"
        )
    if len(paths) == 1 and gridded[0] and (kept := read_cells(paths[0], files, report)) is not None:
        return kept
    if gridded and gridded[0]:
        west, south, *rest = near or (0.0, 0.0)
        east, north = rest or (west, south)
        raw = read_grid(paths, shown, report, station, (west, south, east, north) if near else None)
    else:
        raw = read_station(paths, shown, report, station)
    weather = checked_days(raw, files, report)
    years = complete_years(weather)
    longest = _longest_stretch(weather)
    if longest < 365:
        what = f"no full year: the longest stretch without a hole is {longest} days"
        raise InputProblem(files, "", what, "Give at least one year, better twenty")
    if len(years) < ENOUGH_YEARS:
        report.assume(
            f"Only {len(years)} complete weather {'year' if len(years) == 1 else 'years'} in {files}: the odds are "
            f"counts out of so few years that they say little; give {ENOUGH_YEARS} or more."
        )
    weather.attrs.update(raw.attrs, files=files, years=years)
    return weather


def cell_weights(
    blocks: gpd.GeoDataFrame, weather: xr.Dataset, report: ImportReport | None = None
) -> DataFrame[BlockCell]:
    """Share of each block in each weather cell.

    Parameters
    ----------
    blocks : GeoDataFrame
        Columns block_id and geometry, with a CRS.
    weather : Dataset
        As from `read_weather`.
    report : ImportReport, optional
        Takes blocks that reach beyond the grid, and the distance of a station.

    Returns
    -------
    DataFrame[BlockCell]
        For a grid by area (in a grid on degrees, corrected for latitude); a block just outside takes
        the nearest cell. For stations and points the nearest one has weight 1.

    Raises
    ------
    InputProblem
        If blocks lie more than a cell outside the grid; says which share of the farm that is.
    """
    names = blocks["block_id"].astype(str).to_numpy()
    cells = weather["cell_id"].to_numpy().astype(str)
    file = str(weather.attrs.get("files", "weather"))
    if weather.attrs.get("kind") != "grid":
        nearest, distance_m = _nearest(blocks, weather)
        if report is not None:
            for cell in np.unique(nearest):
                far = distance_m[nearest == cell].max() / 1000
                report.assume(
                    f"Weather of {cells[cell]}, up to {far:.0f} km away, stands for the blocks nearest to it."
                )
        rows = {"block_id": names, "cell_id": cells[nearest], "weight_fraction": 1.0}
        return BlockCell.validate(pd.DataFrame(rows))
    bounds = np.stack([weather[edge].to_numpy() for edge in ("x_low", "y_low", "x_high", "y_high")], axis=1)
    boxes = shapely.box(*bounds.T)
    crs = pyproj.CRS(weather.attrs["crs"])
    outlines = np.asarray(blocks.geometry.to_crs(crs).array)
    at_block, at_cell = shapely.STRtree(boxes).query(outlines)
    parts = shapely.intersection(outlines[at_block], boxes[at_cell])
    areas = shapely.area(parts)
    covered = np.bincount(at_block, areas, len(outlines)) / shapely.area(outlines)
    if crs.is_geographic:
        areas = areas * np.cos(np.radians(shapely.get_y(shapely.centroid(parts))))
    table = pd.DataFrame({"block_id": names[at_block], "cell_id": cells[at_cell], "weight_fraction": areas})
    table = table[areas > 0]
    outside = np.flatnonzero(covered <= 0)
    if len(outside):
        reach = np.hypot(bounds[:, 2] - bounds[:, 0], bounds[:, 3] - bounds[:, 1]).max() / np.sqrt(2)
        tree = shapely.STRtree(boxes)
        nearest = tree.nearest(outlines[outside])
        far = shapely.distance(outlines[outside], boxes[nearest]) > reach
        if far.any():
            share = shapely.area(outlines[outside[far]]).sum() / shapely.area(outlines).sum()
            which = ", ".join(names[outside[far]])
            what = f"{percent(share)} of the farm lies more than a cell outside the grid: block {which}"
            raise InputProblem(file, "", what, "Give weather of the farm's place")
        rows = {"block_id": names[outside], "cell_id": cells[nearest], "weight_fraction": 1.0}
        table = pd.concat([table, pd.DataFrame(rows)])
    if report is not None:
        for at in np.flatnonzero(covered < 0.999):
            what = f"weather cells cover {percent(covered[at])} of the block; the nearest stand for all of it"
            report.note(file, f"block {names[at]}", Fate.USED, what)
    table["weight_fraction"] /= table.groupby("block_id")["weight_fraction"].transform("sum")
    order = pd.Categorical(table["block_id"], categories=list(dict.fromkeys(names)))
    table = table.assign(_order=order.codes).sort_values(["_order", "cell_id"]).drop(columns="_order")
    return BlockCell.validate(table.reset_index(drop=True))


def site_weather(weather: xr.Dataset, weights: pd.DataFrame) -> tuple[xr.Dataset, dict[str, str]]:
    """Weather of each set of weights: blocks in the same cells in the same shares are one site.

    Parameters
    ----------
    weather : Dataset
        As from `read_weather`.
    weights : DataFrame
        `BlockCell`; weights that agree to 1e-6 are the same.

    Returns
    -------
    Dataset
        Dimensions (site_id, date): the variables of `weather`, weighted means of the cells; NaN where a
        cell with weight has no value; ``filled`` where any of them is filled. Coordinates lon, lat, elevation_m.
    dict of str to str
        Site of each block.
    """
    rounded = weights.assign(weight_fraction=weights["weight_fraction"].round(6))
    rounded = rounded[rounded["weight_fraction"] > 0].sort_values(["block_id", "cell_id"])
    keys = {
        str(block): tuple(zip(rows["cell_id"], rows["weight_fraction"], strict=True))
        for block, rows in rounded.groupby("block_id")
    }
    sites = {key: f"site {number}" for number, key in enumerate(sorted(set(keys.values())), start=1)}
    cells = {str(cell): at for at, cell in enumerate(weather["cell_id"].to_numpy())}
    matrix = np.zeros((len(sites), len(cells)))
    for row, key in enumerate(sites):
        for cell, weight in key:
            matrix[row, cells[cell]] = weight
    matrix /= matrix.sum(axis=1, keepdims=True)
    arrays = {}
    for name, variable in weather.data_vars.items():
        values = variable.transpose("cell_id", "date").to_numpy()
        if name == "filled":
            mean = np.stack([values[row > 0].any(axis=0) for row in matrix])
        else:  # cells without weight may be NaN, so that a plain matrix product will not do
            mean = np.stack([row[row > 0] @ values[row > 0] for row in matrix])
        arrays[name] = (("site_id", "date"), mean)
    coords = {"site_id": list(sites.values()), "date": weather["date"].to_numpy()}
    for name in ("lon", "lat", "elevation_m"):
        values = weather[name].to_numpy()
        coords[name] = ("site_id", np.array([row[row > 0] @ values[row > 0] for row in matrix]))
    attrs = {key: weather.attrs[key] for key in ("files", "years") if key in weather.attrs}
    return xr.Dataset(arrays, coords=coords, attrs=attrs), {block: sites[key] for block, key in keys.items()}


def _nearest(blocks: gpd.GeoDataFrame, weather: xr.Dataset) -> tuple[np.ndarray, np.ndarray]:
    """The nearest cell of each block, and how far it is [m]."""
    centres = blocks.geometry.to_crs("EPSG:4326").representative_point()
    lon, lat = weather["lon"].to_numpy(), weather["lat"].to_numpy()
    geod = pyproj.Geod(ellps="WGS84")
    distance = np.stack(
        [
            geod.inv(np.full(len(lon), x), np.full(len(lat), y), lon, lat)[2]
            for x, y in zip(centres.x, centres.y, strict=True)
        ]
    )
    nearest = distance.argmin(axis=1)
    return nearest, distance[np.arange(len(nearest)), nearest]


def _longest_stretch(weather: xr.Dataset) -> int:
    """Days in a row without a hole, in the best cell."""
    total = weather["tmin_degc"] + weather["tmax_degc"] + weather["precipitation_mm"]
    longest = 0
    for cell in np.isfinite(total.transpose("cell_id", "date").to_numpy()):
        holes = np.flatnonzero(np.concatenate([[True], ~cell, [True]]))
        longest = max(longest, int(np.diff(holes).max()) - 1)
    return longest
