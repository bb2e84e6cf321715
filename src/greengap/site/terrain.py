"""Slope of each block, and where it falls to, from a raster of heights."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from pyproj.exceptions import CRSError, ProjError
from rasterio.errors import RasterioError
from rasterio.windows import Window, from_bounds

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.site.zonal import open_raster, percent

STEEPEST = 1.0  # 45 degrees; a block beyond it has another unit of height than of distance
COARSEST_M = 100.0  # cells beyond it say nothing of the slope of a block
LEVEL = 0.01  # ground that falls less on the whole faces nowhere
DIRECTIONS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def direction(aspect_deg: float) -> str:
    """One of eight directions.

    Examples
    --------
    >>> direction(350.0), direction(100.0)
    ('north', 'east')
    """
    return DIRECTIONS[round(aspect_deg / 45.0) % 8]


def block_slopes(
    blocks: gpd.GeoDataFrame, path: Path, shown: Callable[[Path], str], report: ImportReport
) -> pd.DataFrame:
    """Mean slope of each block, and where it falls to on the whole.

    Parameters
    ----------
    blocks : GeoDataFrame
        Columns block_id and geometry, with a CRS.
    path : Path
        One-band raster of heights [m], in any CRS with metres, feet or degrees.
    shown : callable
        How a path is named to the user.
    report : ImportReport
        Takes blocks that the raster does not cover.

    Returns
    -------
    DataFrame
        By block_id: `slope_fraction`, rise over run, the mean of its cells, and `aspect_deg`, clockwise from the
        north of the raster, of the mean fall, so that a ridge with two sides faces nowhere; NaN where the raster has
        no heights, `aspect_deg` also where the ground is level.

    Raises
    ------
    InputProblem
        If the raster cannot be used, misses the blocks, is too coarse or gives slopes that cannot be.

    References
    ----------
    .. [1] B. K. P. Horn, "Hill shading and the reflectance map", Proc. IEEE, vol. 69, pp. 14-47, 1981: the slope of a
       cell from its eight neighbours.
    """
    file = shown(path)
    names = blocks["block_id"].astype(str).to_numpy()
    with open_raster(path, shown) as source:
        try:
            placed = blocks[["geometry"]].assign(block_id=names).to_crs(source.crs.to_wkt())
        except (ProjError, CRSError) as error:
            what = "has a coordinate reference system that the farm cannot be taken to"
            raise InputProblem(file, "", what, "Assign the one it was made in") from error
        heights, edges = _heights(source, placed, file)
        grid, crs = source.transform, rasterio.crs.CRS(source.crs)
    if crs.is_geographic:
        middle = np.radians((edges[1] + edges[3]) / 2)
        metre_x, metre_y = abs(grid.a) * 111_320.0 * np.cos(middle), abs(grid.e) * 110_574.0
    else:
        unit = crs.linear_units_factor[1]
        metre_x, metre_y = abs(grid.a) * unit, abs(grid.e) * unit
    if max(metre_x, metre_y) > COARSEST_M:
        what = f"has cells of {max(metre_x, metre_y):.0f} m, too coarse for the slope of a block"
        raise InputProblem(file, "", what, "Give heights on cells of 30 m or less")
    fall_east, fall_south = _horn(heights, metre_x, metre_y)
    layers = {"slope": np.hypot(fall_east, fall_south), "east": fall_east, "south": fall_south}
    table = exact_extract(
        [NumPyRasterSource(cells, *edges, name=name, srs_wkt=placed.crs.to_wkt()) for name, cells in layers.items()],
        placed.reset_index(drop=True),
        ["mean"],
        include_cols=["block_id"],
        output="pandas",
    ).set_index("block_id")
    found, east, south = (table[f"{name}_mean"].astype(float).reindex(names) for name in layers)
    if (found > STEEPEST).any():
        block = found.idxmax()
        what = f"gives block {block} a slope of {percent(min(found.max(), 9.99))}"
        raise InputProblem(file, "", what, "Check that heights are in metres")
    for block in names[found.isna().to_numpy()]:
        report.note(file, f"block {block}", Fate.USED, "the raster has no heights here")
    aspect = np.degrees(np.arctan2(east, -south)) % 360.0
    return pd.DataFrame({"slope_fraction": found, "aspect_deg": aspect.where(np.hypot(east, south) >= LEVEL)})


def _heights(
    source: rasterio.DatasetReader, placed: gpd.GeoDataFrame, file: str
) -> tuple[np.ndarray, tuple[float, ...]]:
    """Heights under the blocks and two cells around, NaN where there are none, with the outer edges."""
    if source.transform.e > 0 or source.transform.a < 0:
        raise InputProblem(file, "", "is not stored with north up", "Warp it to a grid with north up (gdalwarp)")
    west, south, east, north = placed.total_bounds
    around = from_bounds(west, south, east, north, source.transform)
    top, left = max(int(around.row_off) - 2, 0), max(int(around.col_off) - 2, 0)
    bottom = min(int(around.row_off + around.height) + 3, source.height)
    right = min(int(around.col_off + around.width) + 3, source.width)
    if bottom <= top or right <= left:
        raise InputProblem(file, "", "misses the farm", "Give heights of the farm's place")
    window = Window(left, top, right - left, bottom - top)
    try:
        heights = source.read(1, window=window, masked=True).astype("float64").filled(np.nan)
    except RasterioError:
        raise InputProblem(file, "", "its cells cannot be read", "Make the file anew") from None
    grid = source.window_transform(window)
    edges = (grid.c, grid.f + grid.e * window.height, grid.c + grid.a * window.width, grid.f)
    return heights, edges


def _horn(z: np.ndarray, dx: float, dy: float) -> tuple[np.ndarray, np.ndarray]:
    """Fall of each cell to the east and to the south, drop over run, NaN at the rim.

    Examples
    --------
    >>> z = np.add.outer(np.arange(4.0), np.zeros(4))
    >>> east, south = _horn(z, 10.0, 10.0)
    >>> float(abs(east[1, 1])), float(south[1, 1])
    (0.0, -0.1)
    """
    east, south = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    if min(z.shape) < 3:
        return east, south
    a, b, c = z[:-2, :-2], z[:-2, 1:-1], z[:-2, 2:]
    d, f = z[1:-1, :-2], z[1:-1, 2:]
    g, h, i = z[2:, :-2], z[2:, 1:-1], z[2:, 2:]
    east[1:-1, 1:-1] = ((a + 2 * d + g) - (c + 2 * f + i)) / (8 * dx)
    south[1:-1, 1:-1] = ((a + 2 * b + c) - (g + 2 * h + i)) / (8 * dy)
    return east, south
