"""Pictures that lie under the outlines: the farm's own soil rasters, an air photo or a scanned map."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from rasterio.enums import Resampling
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.io import MemoryFile
from rasterio.transform import from_bounds
from rasterio.warp import reproject, transform_bounds
from rasterio.windows import from_bounds as window_of

from greengap.errors import InputProblem
from greengap.farm.settings import SoilRaster

MOST_PIXELS = 2_000
PAPER, DARK = (247, 248, 244), (70, 52, 36)  # one brown, light to dark: readable in grey


def _png(bands: np.ndarray) -> bytes:
    """A PNG of (4, height, width) uint8."""
    count, height, width = bands.shape
    with MemoryFile() as held, warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # a picture; its place is told beside it
        with held.open(driver="PNG", count=count, height=height, width=width, dtype="uint8") as out:
            out.write(bands)
        return bytes(held.read())


def _grid(bounds: tuple[float, float, float, float], width: int, height: int) -> tuple[Any, int, int]:
    scale = min(1.0, MOST_PIXELS / max(width, height, 1))
    columns, rows = max(1, round(width * scale)), max(1, round(height * scale))
    return from_bounds(*bounds, columns, rows), columns, rows


def soil_picture(raster: SoilRaster, around: tuple[float, float, float, float]) -> tuple[bytes, dict[str, Any]]:
    """One soil raster around the farm as a picture in longitude and latitude.

    Parameters
    ----------
    raster : SoilRaster
    around : (west, south, east, north)
        Of the farm [°].

    Returns
    -------
    bytes
        PNG.
    dict
        ``bounds`` [[south, west], [north, east]], ``low`` and ``high`` of what is drawn, ``unit``.
    """
    west, south, east, north = around
    pad_x, pad_y = (east - west) * 0.25 + 1e-4, (north - south) * 0.25 + 1e-4
    with rasterio.open(raster.path) as source:
        box = transform_bounds("EPSG:4326", source.crs, west - pad_x, south - pad_y, east + pad_x, north + pad_y)
        window = window_of(*box, transform=source.transform).round_offsets().round_lengths()
        full = rasterio.windows.Window(0, 0, source.width, source.height)
        window = window.intersection(full)
        values = source.read(1, window=window, masked=True).astype("float64").filled(np.nan)
        inner = rasterio.windows.bounds(window, source.transform)
        bounds = transform_bounds(source.crs, "EPSG:4326", *inner)
        transform, width, height = _grid(bounds, values.shape[1], values.shape[0])
        out = np.full((height, width), np.nan)
        reproject(
            values, out, src_transform=source.window_transform(window), src_crs=source.crs, dst_transform=transform,
            dst_crs="EPSG:4326", src_nodata=np.nan, dst_nodata=np.nan, resampling=Resampling.nearest,
        )  # fmt: skip
    known = np.isfinite(out)
    low, high = (float(np.nanmin(out)), float(np.nanmax(out))) if known.any() else (0.0, 0.0)
    share = np.where(known, (out - low) / (high - low or 1), 0)
    colours = [np.where(known, p + share * (d - p), 0) for p, d in zip(PAPER, DARK, strict=True)]
    bands = np.stack([*colours, np.where(known, 215, 0)]).round().astype("uint8")
    classes = {str(k): v for k, v in raster.classes.items()}
    west, south, east, north = bounds
    told = {
        "bounds": [[south, west], [north, east]], "low": round(low, 3), "high": round(high, 3), "unit": raster.unit,
        "classes": classes,
    }  # fmt: skip
    return _png(bands), told


def underlay_of_file(name: str, path: Path) -> tuple[bytes, list[list[float]] | None]:
    """A photo or map image as a PNG, with its corners if the file knows them.

    Returns
    -------
    bytes
        PNG, at most 2000 pixels a side.
    list or None
        [[south, west], [north, east]] of a georeferenced image.

    Raises
    ------
    InputProblem
        If it is no image that can be read.
    """
    remedy = "Give a GeoTIFF, or a JPEG or PNG with the places of two corners"
    try:
        with warnings.catch_warnings(), rasterio.open(path) as source:
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            if source.count == 0 or source.width * source.height > 400_000_000:
                raise InputProblem(name, "", "is too large to lay under the map", "Cut it to the farm")
            count = 3 if source.count >= 3 else 1
            scale = min(1.0, 2 * MOST_PIXELS / max(source.width, source.height))
            shape = (count, max(1, round(source.height * scale)), max(1, round(source.width * scale)))
            read = source.read(list(range(1, count + 1)), out_shape=shape).astype("float64")
            mask = source.dataset_mask(out_shape=shape[1:])
            if read.dtype != np.uint8:
                top = 255.0 if source.dtypes[0] == "uint8" else float(np.percentile(read, 99)) or 1.0
                read = np.clip(read / top * 255, 0, 255)
            bands = np.concatenate([np.repeat(read, 3, axis=0) if count == 1 else read, mask[None]]).astype("uint8")
            if source.crs is None:
                if max(bands.shape[1:]) > MOST_PIXELS:
                    step = int(np.ceil(max(bands.shape[1:]) / MOST_PIXELS))
                    bands = bands[:, ::step, ::step]
                return _png(bands), None
            bounds = transform_bounds(source.crs, "EPSG:4326", *source.bounds)
            transform, width, height = _grid(bounds, shape[2], shape[1])
            out = np.zeros((4, height, width), "uint8")
            own = source.transform * source.transform.scale(source.width / shape[2], source.height / shape[1])
            reproject(
                bands, out, src_transform=own, src_crs=source.crs, dst_transform=transform, dst_crs="EPSG:4326",
                resampling=Resampling.bilinear,
            )  # fmt: skip
            west, south, east, north = bounds
            return _png(out), [[south, west], [north, east]]
    except (RasterioError, ValueError) as error:
        raise InputProblem(name, "", "is not an image that can be read", remedy) from error
