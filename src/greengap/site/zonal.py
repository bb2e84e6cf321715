"""Exact area-weighted summaries of rasters over blocks.

A cell counts by the part of it that lies in the block, however small, so that no block is lost
between cell centres. Blocks are taken to the raster's CRS; rasters are never resampled. In a raster
on longitude and latitude the weights are areas in square degrees: within a block of 1 km they differ
from true areas by less than 0.03 %.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from pyproj.exceptions import CRSError, ProjError
from rasterio.errors import RasterioError
from rasterio.warp import transform_bounds
from rasterio.windows import Window
from shapely.geometry import box

from greengap.errors import InputProblem
from greengap.tables import ClassShare, DataFrame

MOST_CELLS = 20_000_000  # of one window in memory; larger ones are read in parts


def zonal_means(
    blocks: gpd.GeoDataFrame, rasters: Mapping[str, Path], shown: Callable[[Path], str] = str
) -> pd.DataFrame:
    """Area-weighted mean of each raster in each block.

    Parameters
    ----------
    blocks : GeoDataFrame
        Columns block_id and geometry (polygons), with a CRS.
    rasters : mapping of str to Path
        Name of the quantity and its one-band raster, in any CRS. Rasters on one grid share the
        coverage, which is worked out once.
    shown : callable
        How a path is named to the user.

    Returns
    -------
    DataFrame
        block_id and for each name: ``name`` (mean over the cells with a value; NaN without any),
        ``name_covered_fraction`` (share of the block under cells with a value), ``name_lowest`` and
        ``name_highest`` (of the cells touched). Rows as in `blocks`, values in the raster's own unit.

    Raises
    ------
    InputProblem
        If a raster cannot be read, has no CRS, is rotated, has several bands, misses the blocks or
        has no value under them.
    """
    out = pd.DataFrame({"block_id": blocks["block_id"].astype(str).to_numpy()})
    for names, table in _by_grid(blocks, rasters, ["mean", "count", "min", "max"], shown):
        for name in names:
            out[name] = table[f"{name}_mean"].astype(float)
            out[f"{name}_covered_fraction"] = table[f"{name}_covered_fraction"]
            out[f"{name}_lowest"] = table[f"{name}_min"].astype(float)
            out[f"{name}_highest"] = table[f"{name}_max"].astype(float)
    return out


def class_shares(
    blocks: gpd.GeoDataFrame,
    path: Path,
    classes: Mapping[int, str] | None = None,
    soil_property: str = "drainage_class",
    shown: Callable[[Path], str] = str,
) -> tuple[DataFrame[ClassShare], pd.Series]:
    """Share of each block in each class of a raster of whole numbers.

    Parameters
    ----------
    blocks : GeoDataFrame
        Columns block_id and geometry, with a CRS.
    path : Path
        One-band raster of class numbers.
    classes : mapping of int to str, optional
        Name of each class; without it, the number is the name.
    soil_property : str
        Soil column that the classes belong to.
    shown : callable
        How a path is named to the user.

    Returns
    -------
    DataFrame[ClassShare]
        Shares of the covered part of a block; they add up to 1. Two numbers with one name are one class.
    Series
        Covered share of each block (index block_id) [fraction].

    Raises
    ------
    InputProblem
        As `zonal_means`; also if a cell is not a whole number or a number has no name.
    """
    ((_, table),) = _by_grid(blocks, {"classes": path}, ["unique", "frac", "count"], shown)
    rows = []
    for block_id, numbers, shares in zip(
        table["block_id"], table["classes_unique"], table["classes_frac"], strict=True
    ):
        for number, share in zip(numbers, shares, strict=True):
            if number != round(number):
                raise InputProblem(
                    shown(path), f"block {block_id}", f"{number:g} is not the number of a class", "Store whole numbers"
                )
            if classes and int(number) not in classes:
                known = ", ".join(str(k) for k in sorted(classes))
                raise InputProblem(
                    shown(path),
                    f"block {block_id}",
                    f"class {int(number)} has no name; named are {known}",
                    f"Add {int(number)} = ... to the classes of this raster in farm.toml",
                )
            name = classes[int(number)] if classes else str(int(number))
            rows.append((block_id, soil_property, name, float(share)))
    found = pd.DataFrame(rows, columns=["block_id", "soil_property", "class_name", "share_fraction"])
    found = found.groupby(["block_id", "soil_property", "class_name"], as_index=False)["share_fraction"].sum()
    covered = table.set_index("block_id")["classes_covered_fraction"]
    return ClassShare.validate(found), covered


def percent(share: float) -> str:
    """A share in whole per cent; never 0 % of something, nor 100 % of less than all.

    Examples
    --------
    >>> percent(0.004), percent(0.316), percent(0.998), percent(1.0)
    ('<1 %', '32 %', '>99 %', '100 %')
    """
    if 0 < share < 0.01:
        return "<1 %"
    if 0.99 < share < 1:
        return ">99 %"
    return f"{100 * share:.0f} %"


def misses_the_farm(
    file: str, covers: tuple[float, ...], farm: tuple[float, ...], remedy: str, digits: int = 3
) -> InputProblem:
    """The problem that a file of a place lies elsewhere than the farm.

    Parameters
    ----------
    file : str
        Name of the file as the user knows it.
    covers, farm : tuple of (west, south, east, north)
        What the file covers, and where the blocks lie, on WGS84 [°].
    remedy : str
        What to do, unless the blocks would lie in `covers` with longitude and latitude exchanged.
    digits : int
        Decimals of the degrees that are printed.

    Returns
    -------
    InputProblem
        Names both places.
    """

    def place(bounds: tuple[float, ...]) -> str:
        west, south, east, north = (f"{edge:.{digits}f}" for edge in bounds)
        return f"{west} to {east} E, {south} to {north} N"

    what = f"misses the farm: it covers {place(covers)}, the farm {place(farm)}"
    west, south, east, north = farm
    if box(south, west, north, east).intersects(box(*covers)):
        what += "; with longitude and latitude swapped it would fit"
        remedy = "Check the axis order of the polygons: longitude comes first"
    return InputProblem(file, "", what, remedy)


@contextmanager
def open_raster(path: Path, shown: Callable[[Path], str] = str) -> Iterator[rasterio.DatasetReader]:
    """Open a raster, or say in one sentence why it cannot be used.

    Raises
    ------
    InputProblem
        If it cannot be read, has no CRS, is rotated or has several bands.
    """
    name = shown(path)
    try:
        source = rasterio.open(path)
    except RasterioError as error:
        what = f"cannot be read as a raster ({_reason(error, path)})"
        raise InputProblem(name, "", what, "Give a GeoTIFF that GDAL opens") from None
    with source:
        if source.crs is None:
            raise InputProblem(
                name,
                "",
                "has no coordinate reference system",
                "Assign the one it was made in (gdal_edit -a_srs EPSG:...)",
            )
        if source.transform.b or source.transform.d:
            raise InputProblem(name, "", "its grid is rotated", "Warp it to a grid with north up (gdalwarp)")
        if source.count != 1:
            what = f"has {source.count} bands and it is not said which one is meant"
            raise InputProblem(name, "", what, "Keep the one band (gdal_translate -b 1)")
        yield source


def _by_grid(
    blocks: gpd.GeoDataFrame, rasters: Mapping[str, Path], operations: list[str], shown: Callable[[Path], str]
) -> Iterator[tuple[list[str], pd.DataFrame]]:
    """Summaries of rasters, those on one grid together; columns as exactextract names them, and covered shares."""
    grids: dict[tuple[Any, ...], list[str]] = {}
    for name, path in rasters.items():
        with open_raster(path, shown) as source:
            key = (source.crs.to_wkt(), *source.transform[:6], source.width, source.height)
        grids.setdefault(key, []).append(name)
    for (wkt, *_), names in grids.items():
        try:
            outlines = blocks.geometry.to_crs(wkt).to_numpy()
        except (ProjError, CRSError) as error:
            what = "has a coordinate reference system that the farm cannot be taken to"
            raise InputProblem(shown(rasters[names[0]]), "", what, "Assign the one it was made in") from error
        placed = gpd.GeoDataFrame(
            {"block_id": blocks["block_id"].astype(str).to_numpy(), "_row": np.arange(len(blocks))},
            geometry=outlines,
            crs=wkt,
        )
        with open_raster(rasters[names[0]], shown) as source:
            if not box(*placed.total_bounds).intersects(box(*_ordered(source.bounds))):
                covers = transform_bounds(source.crs, "EPSG:4326", *_ordered(source.bounds))
                farm = tuple(float(edge) for edge in blocks.to_crs("EPSG:4326").total_bounds)
                remedy = "Give a raster of the farm, or correct its coordinate reference system"
                raise misses_the_farm(shown(rasters[names[0]]), covers, farm, remedy)
            cell_area = abs(source.transform.a * source.transform.e)
        table = pd.concat(list(_in_parts(placed, {n: rasters[n] for n in names}, operations, shown)))
        table = table.sort_values("_row").drop(columns="_row").reset_index(drop=True)
        area = shapely.area(placed.geometry.to_numpy())  # square degrees too, as the cells
        for name in names:
            share = (table[f"{name}_count"] * cell_area / area).clip(0.0, 1.0)
            if (share == 0).all():
                what, remedy = "has no value under any block", "Give a raster with data on the farm"
                raise InputProblem(shown(rasters[name]), "", what, remedy)
            table[f"{name}_covered_fraction"] = share
        yield names, table


def _in_parts(
    placed: gpd.GeoDataFrame, rasters: Mapping[str, Path], operations: list[str], shown: Callable[[Path], str]
) -> Iterator[pd.DataFrame]:
    """Summaries of rasters on one grid; blocks far apart are split so that no window gets too large."""
    with open_raster(next(iter(rasters.values())), shown) as source:
        window, edges = _window(source, placed)
    if window.width * window.height > MOST_CELLS and len(placed) > 1:
        west, south, east, north = placed.total_bounds
        at = placed.geometry.bounds["minx" if east - west > north - south else "miny"].to_numpy()
        for half in np.array_split(np.argsort(at, kind="stable"), 2):
            yield from _in_parts(placed.iloc[half], rasters, operations, shown)
        return
    sources = [
        NumPyRasterSource(_read(path, window, shown), *edges, name=name, srs_wkt=placed.crs.to_wkt())
        for name, path in rasters.items()
    ]
    table = exact_extract(sources, placed, operations, include_cols=["block_id", "_row"], output="pandas")
    if len(sources) == 1:  # exactextract leaves the name of a single raster out
        table = table.rename(columns={o: f"{next(iter(rasters))}_{o}" for o in operations})
    yield table


def _window(source: rasterio.DatasetReader, placed: gpd.GeoDataFrame) -> tuple[Window, tuple[float, ...]]:
    """The cells under the blocks, at least one, as window and outer edges (xmin, ymin, xmax, ymax)."""
    west, south, east, north = placed.total_bounds
    grid = source.transform  # not rotated, see `open_raster`
    columns = [(x - grid.c) / grid.a for x in (west, east)]
    rows = [(y - grid.f) / grid.e for y in (south, north)]
    left = min(max(math.floor(min(columns)), 0), source.width - 1)
    right = max(min(math.ceil(max(columns)), source.width), left + 1)
    top = min(max(math.floor(min(rows)), 0), source.height - 1)
    bottom = max(min(math.ceil(max(rows)), source.height), top + 1)
    corners = (grid.c + grid.a * left, grid.f + grid.e * top, grid.c + grid.a * right, grid.f + grid.e * bottom)
    return Window(left, top, right - left, bottom - top), _ordered(corners)


def _ordered(bounds: tuple[float, ...]) -> tuple[float, ...]:
    """Two opposite corners as (xmin, ymin, xmax, ymax)."""
    x0, y0, x1, y1 = bounds
    return min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)


def _reason(error: Exception, path: Path) -> str:
    """What the raster library says, without the path on this machine."""
    said = str(error).replace(f"'{path}'", "it is").replace(str(path), path.name)
    return " ".join(said.split()).rstrip(".")


def _read(path: Path, window: Window, shown: Callable[[Path], str]) -> np.ndarray:
    """A window as float64, north up and west left, NaN where there is no value."""
    with open_raster(path, shown) as source:
        try:
            cells = source.read(1, window=window, masked=True).astype("float64")
        except RasterioError as error:
            what = f"its cells cannot be read ({_reason(error, path)})"
            raise InputProblem(shown(path), "", what, "Make the file anew") from None
        cells = cells.filled(np.nan) * source.scales[0] + source.offsets[0]
        cells[~np.isfinite(cells)] = np.nan
        if source.transform.e > 0:
            cells = cells[::-1]
        if source.transform.a < 0:
            cells = cells[:, ::-1]
        return np.ascontiguousarray(cells)
