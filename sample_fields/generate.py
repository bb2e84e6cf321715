"""Makes the files of the sample farm: blocks, crop calendar, soil rasters and weather.

Everything here is invented: farm, valley, names, crops, soils and weather. The coordinates are a place on
earth and nothing more. The same seed gives the same numbers. Run it as ``python generate.py [FOLDER]``;
without a folder the files beside this script are written anew. ``farm.toml`` is written by hand.

Local metres serve for drawing: ``along`` runs up the valley, ``across`` from the creek to the terrace.
"""

from __future__ import annotations

import csv
import os
import sys
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely
import xarray as xr
from numpy.typing import NDArray
from rasterio.transform import Affine
from shapely.geometry import LineString, Point

Array = NDArray[np.float64]
Number = TypeVar("Number", float, Array)

SEED = 20_270_401
INVENTED = "yes: an invented farm in an invented valley; names, crops, soils and weather are made up"
CRS = "EPSG:32633"  # UTM zone 33 north, metres
ORIGIN_X, ORIGIN_Y = 418_480.0, 5_377_020.0  # where along = across = 0 lies; near 48.54 N, 13.90 E
TURN_RAD = np.radians(24.0)  # the valley rises to the east-north-east
CELL_M = 10.0
FIRST_YEAR, LAST_YEAR = 2000, 2024
SEASON_LIKE = 2007  # weather year that the made-up season of 2027 is drawn from

# ---------------------------------------------------------------------------------------------- the ground


def creek(along: Number) -> Number:
    """Upper edge of the grass beside the creek: the fields end on its meanders [m]."""
    return 24 + 15 * np.sin(along / 62 + 0.6) + 6 * np.sin(along / 23)


def lane(along: Number) -> Number:
    """Middle of the lane [m]."""
    return 138 + 8 * np.sin(along / 200 + 0.5)


def terrace_foot(along: Number) -> Number:
    """Foot of the wooded terrace slope [m]."""
    return lane(along) + 56 + 6 * np.sin(along / 90)


def terrace_edge(along: Number) -> Number:
    """Upper edge of that slope, where the bench begins [m]."""
    return terrace_foot(along) + 18


def to_map(along: Number, across: Number) -> tuple[Number, Number]:
    """Local metres to map coordinates in `CRS`."""
    cos, sin = np.cos(TURN_RAD), np.sin(TURN_RAD)
    return ORIGIN_X + along * cos - across * sin, ORIGIN_Y + along * sin + across * cos


def to_local(x: Array, y: Array) -> tuple[Array, Array]:
    """Map coordinates in `CRS` to local metres."""
    cos, sin = np.cos(TURN_RAD), np.sin(TURN_RAD)
    dx, dy = x - ORIGIN_X, y - ORIGIN_Y
    return dx * cos + dy * sin, dy * cos - dx * sin


# ---------------------------------------------------------------------------------------------- the blocks

# block, field, a point inside (along, across), note
BLOCKS: list[tuple[str, str, tuple[float, float], str]] = [
    ("Low Corner", "River", (90, 95), "lowest ground, heavy, stays wet into May"),
    ("River 1", "River", (240, 95), "curved creek edge, sandy along the bank"),
    ("River 2", "River", (400, 95), "curved creek edge, sandy along the bank"),
    ("Pond", "River", (500, 95), "around the irrigation pond, which is not part of it"),
    ("River 3", "River", (740, 95), "curved creek edge, sandy along the bank"),
    ("Hedge Corner", "River", (890, 80), "cut off by the hedge at the road"),
    ("Hollow", "Home", (140, 170), "cold air gathers behind the lane"),
    ("Beds 1", "Home", (280, 168), "permanent beds"),
    ("Beds 2", "Home", (328, 168), "permanent beds"),
    ("Beds 3", "Home", (372, 168), "permanent beds, the deepest of the three"),
    ("Lane Strip", "Home", (650, 150), "between lane and slope"),
    ("West Bench", "Bench", (170, 280), "on the terrace, even slope"),
    ("Middle Bench", "Bench", (370, 280), "bends around the packing yard"),
    ("Upper Bench", "Bench", (700, 280), "on the terrace, thin and sour toward the top"),
    ("Orchard Strip", "Bench", (700, 213), "below the fruit trees along the terrace edge"),
]


def _curve(
    line: Callable[[Array], Array], start: float, stop: float, shift: float = 0.0, step_m: float = 9.0
) -> list[tuple[float, float]]:
    along = np.linspace(start, stop, max(2, round((stop - start) / step_m) + 1))
    return list(zip(along.tolist(), (line(along) + shift).tolist(), strict=True))


def _box(west: float, south: float, east: float, north: float) -> list[tuple[float, float]]:
    return [(west, south), (east, south), (east, north), (west, north), (west, south)]


def drawn_lines() -> list[list[tuple[float, float]]]:
    """Every boundary as a line in local metres; neighbours share the line between them."""
    pond = [(563 + 26 * np.cos(a) + 4 * np.cos(2 * a), 84 + 15 * np.sin(a)) for a in np.linspace(0, 2 * np.pi, 25)]
    # Lines that divide run a little past both ends; what sticks out is dropped.
    river: list[tuple[float, float]] = [
        (34, 22),
        (150, 166),
        (325, 331),
        (468, 462),
        (634, 641),
        (842, 848),
        (946, 958),
    ]
    home: list[tuple[float, float, float]] = [(30, 26, 60), (238, 232, 60), (526, 524, 28), (792, 797, 28)]
    bench: list[tuple[float, float]] = [(48, 60), (300, 306), (571, 578), (836, 846)]
    return [
        # between creek and lane
        _curve(creek, -10, 970),
        _curve(lane, -10, 970, -4),
        *([(foot, -20.0), (head, lane(head) - 2)] for foot, head in river),
        [(882, 145), (963, 76)],  # the hedge
        pond,
        # between lane and slope
        _curve(lane, -10, 250, 6),
        _curve(terrace_foot, -10, 250),
        _curve(lane, 500, 810, 6),
        _curve(lane, 500, 810, 25),
        *([(foot, lane(foot) + 4), (head, lane(head) + reach)] for foot, head, reach in home),
        _box(262, 154, 304, 185),
        _box(307, 154, 349, 185),
        _box(352, 154, 394, 191),
        # on the terrace
        _curve(terrace_edge, 30, 880),
        [(30, 296), (170, 309), (306, 318), (430, 321), (575, 316), (720, 309), (880, 297)],
        *([(foot, terrace_edge(foot) - 6), (head, 345.0)] for foot, head in bench),
        [(452, 205), (454, 263), (576, 258)],  # the packing yard bites a corner out of Middle Bench
        _curve(terrace_edge, 565, 880, 14),
    ]


def make_blocks() -> gpd.GeoDataFrame:
    """Draw the blocks: all lines are cut where they meet, and the faces between them get their names.

    Returns
    -------
    GeoDataFrame
        Columns block, field, note and geometry (polygons in `CRS`, corners on whole centimetres).

    Raises
    ------
    ValueError
        If a name does not fall into exactly one face.
    """
    lines = []
    for line in drawn_lines():
        along, across = np.array(line).T
        lines.append(LineString(np.column_stack(to_map(along, across))))
    faces = shapely.get_parts(shapely.polygonize([shapely.unary_union(lines, grid_size=0.01)]))
    rows = []
    for block, field, (along, across), note in BLOCKS:
        inside = [face for face in faces if face.contains(Point(*to_map(along, across)))]
        if len(inside) != 1:
            raise ValueError(f"{block} falls into {len(inside)} faces instead of 1")
        rows.append({"block": block, "field": field, "note": note, "geometry": inside[0].normalize()})
    return gpd.GeoDataFrame(rows, crs=CRS)


def write_blocks(blocks: gpd.GeoDataFrame, path: Path) -> None:
    """Write the GeoPackage, layer ``blocks``."""
    path.unlink(missing_ok=True)
    os.environ["OGR_CURRENT_DATE"] = "2027-01-01T00:00:00.000Z"  # else the file holds the hour of writing
    blocks.to_file(
        path,
        layer="blocks",
        driver="GPKG",
        engine="pyogrio",
        metadata={"INVENTED": INVENTED},
        DESCRIPTION=f"Blocks of the sample farm. Invented: {INVENTED}",
        GEOMETRY_NAME="geom",
    )


# ---------------------------------------------------------------------------------------- the crop calendar

# block, crop, establishment, first day, last day of harvest, days the start may come early or late,
# days the end may come early or late. A block whose dates are firm has zeros, and empty cells in the file.
CROPS: list[tuple[str, str, str, str, str, int, int, int, int]] = [
    ("Low Corner", "cabbage", "transplanted", "2027-05-10", "2027-08-05", 5, 14, 6, 10),
    ("Low Corner", "sweet_corn", "seeded", "2028-06-01", "2028-08-30", 6, 9, 7, 8),
    ("River 1", "garden_pea", "seeded", "2027-04-08", "2027-06-28", 7, 10, 6, 7),
    ("River 1", "broccoli", "transplanted", "2027-08-22", "2027-10-28", 3, 6, 8, 10),
    ("River 1", "sweet_corn", "seeded", "2028-05-24", "2028-08-25", 6, 8, 6, 8),
    ("River 2", "lettuce", "transplanted", "2027-04-22", "2027-06-20", 6, 8, 5, 6),
    ("River 2", "spinach", "seeded", "2027-09-06", "2028-04-05", 4, 6, 7, 8),
    ("River 2", "winter_squash", "transplanted", "2028-06-01", "2028-09-10", 5, 7, 6, 8),
    ("Pond", "cabbage", "transplanted", "2027-04-12", "2027-06-30", 5, 9, 6, 8),
    ("Pond", "lettuce", "transplanted", "2027-09-06", "2027-10-20", 3, 5, 5, 7),
    ("Pond", "tomato", "transplanted", "2028-06-01", "2028-10-01", 6, 7, 10, 9),
    ("River 3", "potato", "planted", "2027-04-25", "2027-08-20", 6, 9, 8, 9),
    ("River 3", "onion", "transplanted", "2028-04-12", "2028-08-10", 5, 9, 6, 7),
    ("River 3", "spinach", "seeded", "2028-08-27", "2028-10-20", 3, 5, 7, 10),
    ("Hedge Corner", "muskmelon", "transplanted", "2027-06-12", "2027-09-08", 5, 6, 6, 8),
    ("Hedge Corner", "garden_pea", "seeded", "2028-04-10", "2028-06-30", 7, 10, 6, 7),
    ("Hedge Corner", "broccoli", "transplanted", "2028-08-14", "2028-10-20", 3, 6, 8, 9),
    ("Hollow", "onion", "transplanted", "2027-04-20", "2027-08-15", 5, 9, 6, 8),
    ("Hollow", "potato", "planted", "2028-05-02", "2028-08-31", 5, 9, 8, 9),
    ("Beds 1", "lettuce", "transplanted", "2027-04-18", "2027-06-12", 0, 0, 0, 0),
    ("Beds 1", "beet", "seeded", "2027-07-24", "2027-10-04", 0, 0, 0, 0),
    ("Beds 1", "pepper", "transplanted", "2028-06-01", "2028-09-30", 0, 0, 0, 0),
    ("Beds 2", "beet", "seeded", "2027-04-20", "2027-07-05", 0, 0, 0, 0),
    ("Beds 2", "radish", "seeded", "2027-08-25", "2027-09-30", 0, 0, 0, 0),
    ("Beds 2", "cucumber", "transplanted", "2028-06-01", "2028-08-25", 5, 6, 6, 8),
    ("Beds 3", "tomato", "transplanted", "2027-05-30", "2027-09-28", 5, 7, 8, 6),
    ("Beds 3", "garlic", "planted", "2027-10-14", "2028-07-14", 5, 9, 6, 7),
    ("Beds 3", "lettuce", "transplanted", "2028-08-25", "2028-10-10", 3, 5, 5, 7),
    ("Lane Strip", "radish", "seeded", "2027-04-10", "2027-05-12", 5, 7, 4, 5),
    ("Lane Strip", "snap_bean", "seeded", "2027-05-25", "2027-07-25", 4, 6, 5, 7),
    ("Lane Strip", "lettuce", "transplanted", "2027-08-22", "2027-10-05", 3, 5, 5, 7),
    ("Lane Strip", "onion", "transplanted", "2028-04-15", "2028-08-12", 5, 8, 6, 7),
    ("West Bench", "sweet_corn", "seeded", "2027-05-20", "2027-08-20", 6, 8, 6, 8),
    ("West Bench", "carrot", "seeded", "2028-04-20", "2028-07-20", 6, 8, 7, 8),
    ("West Bench", "spinach", "seeded", "2028-08-28", "2028-10-25", 3, 5, 8, 10),
    ("Middle Bench", "carrot", "seeded", "2027-04-15", "2027-07-10", 6, 9, 6, 8),
    ("Middle Bench", "summer_squash", "transplanted", "2028-05-28", "2028-08-31", 5, 7, 6, 10),
    ("Upper Bench", "winter_squash", "transplanted", "2027-06-08", "2027-09-15", 5, 7, 6, 9),
    ("Upper Bench", "snap_bean", "seeded", "2028-06-10", "2028-08-08", 5, 7, 5, 7),
    ("Orchard Strip", "garden_pea", "seeded", "2027-04-12", "2027-07-02", 7, 9, 6, 7),
    ("Orchard Strip", "spinach", "seeded", "2027-08-25", "2027-10-20", 4, 6, 7, 10),
    ("Orchard Strip", "watermelon", "transplanted", "2028-06-08", "2028-09-12", 5, 6, 6, 9),
]
CALENDAR_COLUMNS = (
    "block", "crop", "establishment", "start", "end", "start_early", "start_late", "end_early", "end_late",
)  # fmt: skip


def write_calendar(path: Path) -> None:
    """Write the crop calendar, one row a crop, ISO dates."""
    with path.open("w", newline="", encoding="utf-8") as file:
        file.write(f"# invented: {INVENTED}\n")
        out = csv.writer(file, lineterminator="\n")
        out.writerow(CALENDAR_COLUMNS)
        for block, crop, establishment, start, end, *slack in CROPS:
            soft = ["", "", "", ""]
            if any(slack):
                first, last = date.fromisoformat(start), date.fromisoformat(end)
                days = [timedelta(days=d) for d in slack]
                soft = [str(d) for d in (first - days[0], first + days[1], last - days[2], last + days[3])]
            out.writerow([block, crop, establishment, start, end, *soft])


# ------------------------------------------------------------------------------------------------- the soil


def _smooth_noise(shape: tuple[int, int], range_m: float, rng: np.random.Generator) -> Array:
    """Standard normal field that is alike over `range_m`: white noise blurred with a Gaussian."""
    rows, columns = (np.fft.fftfreq(n, d=CELL_M)[:, None] for n in shape)
    blur = np.exp(-2 * (np.pi * range_m) ** 2 * (rows**2 + columns.T**2))
    field = np.fft.ifft2(np.fft.fft2(rng.standard_normal(shape)) * blur).real
    return (field - field.mean()) / field.std()


def _step(value: Array, middle: float, width: float) -> Array:
    """Rise from 0 to 1 around `middle`."""
    return 1 / (1 + np.exp(-(value - middle) / width))


def make_soil(blocks: gpd.GeoDataFrame, rng: np.random.Generator) -> tuple[dict[str, Array], Affine]:
    """Soil as a story of the valley: creek gravel, silt of the flood plain, a heavy corner, loess on the bench.

    Returns
    -------
    dict of ndarray, shape (row, column)
        clay, sand, organic_matter [percent], ph, available_water [fraction of volume], drainage [class 1 to 7].
    Affine
        Transform of the 10 m grid.
    """
    west, south, east, north = blocks.total_bounds
    west, south = (np.floor(v / CELL_M) * CELL_M - 40 for v in (west, south))
    columns, rows = int(np.ceil((east + 40 - west) / CELL_M)), int(np.ceil((north + 40 - south) / CELL_M))
    top = south + rows * CELL_M
    x = west + (np.arange(columns) + 0.5) * CELL_M
    y = top - (np.arange(rows) + 0.5) * CELL_M
    along, across = to_local(*np.meshgrid(x, y))
    shape = (rows, columns)
    texture, humus, lime, water = (_smooth_noise(shape, r, rng) for r in (35, 30, 45, 40))

    bench = _step(across, 0, 1) * _step(across - terrace_foot(along), 9, 4)
    gravel = (1 - bench) * (1 - _step(across - creek(along), 26, 9))
    heavy = _step(-along, -150, 24) * (1 - _step(across - lane(along), 8, 9)) * (1 - 0.8 * gravel)
    hollow = (1 - bench) * _step(across - lane(along), 4, 5) * _step(-along, -250, 15)
    top_end = bench * _step(along, 640, 60) * _step(across, 262, 18)  # where the loess thins out

    clay = 19 - 9 * gravel + 16 * heavy + 3 * hollow + 2 * bench - 4 * top_end + 1.6 * texture
    sand = 24 + 38 * gravel - 1 * heavy + 4 * bench + 14 * top_end - 3.0 * texture
    organic = 2.9 - 0.9 * gravel + 1.3 * heavy + 0.5 * hollow - 0.4 * bench - 0.5 * top_end + 0.22 * humus
    ph = 6.6 + 0.35 * gravel + 0.1 * heavy - 0.4 * bench - 0.75 * top_end + 0.16 * lime
    silt = 100 - clay - sand
    # a straight line through usual figures of sandy loam, silt loam and clay loam
    held = 0.06 + 0.0016 * silt + 0.0008 * clay + 0.008 * organic
    wetness = 3.4 - 1.4 * gravel + 2.4 * heavy + 1.0 * hollow - 0.4 * bench - 0.4 * top_end + 0.22 * water
    return {
        "clay": clay,
        "sand": sand,
        "organic_matter": organic,
        "ph": np.clip(ph, 5.4, 7.3),
        "available_water": held,
        "drainage": np.clip(np.rint(wetness), 1, 7),
    }, Affine(CELL_M, 0, west, 0, -CELL_M, top)


SOIL_UNITS = {
    "clay": ("percent", 1), "sand": ("percent", 1), "organic_matter": ("percent", 2),
    "ph": ("pH", 2), "available_water": ("fraction", 3), "drainage": ("class", 0),
}  # fmt: skip


def write_soil(soil: dict[str, Array], transform: Affine, folder: Path) -> None:
    """Write one GeoTIFF a property, with its unit in the band and the mark that it is invented."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, values in soil.items():
        unit, decimals = SOIL_UNITS[name]
        kind = "uint8" if name == "drainage" else "float32"
        shape = {"height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": kind}
        how = {
            "compress": "deflate",
            "predictor": 2 if kind == "uint8" else 3,
            "nodata": 0 if kind == "uint8" else -9999,
        }
        with rasterio.open(folder / f"{name}.tif", "w", "GTiff", crs=CRS, transform=transform, **shape, **how) as out:
            out.write(np.round(values, decimals).astype(kind), 1)
            out.update_tags(INVENTED=INVENTED)
            out.update_tags(1, units=unit)
            out.set_band_unit(1, unit)
            out.set_band_description(1, f"{name.replace('_', ' ')}, 0 to 20 cm")


# ---------------------------------------------------------------------------------------------- the weather

# The grid is laid so that the line between two columns of cells runs through the farm.
LON = np.array([13.87, 13.89, 13.91])
LAT = np.array([48.52, 48.54, 48.56])
ELEVATION_M = np.array([[452.0, 446.0, 458.0], [470.0, 455.0, 463.0], [528.0, 506.0, 541.0]])  # south to north
REFERENCE_M = 455.0


def make_weather(rng: np.random.Generator) -> xr.Dataset:
    """Daily weather from a small generator, in the manner of Richardson.

    Wet and dry days are a Markov chain of first order, amounts are gamma distributed. Temperatures are a yearly
    wave, plus a shift on wet days, plus an effect of the year, plus anomalies that carry over from day to day
    and are correlated between minimum and maximum. Cells share the day and differ by elevation and a
    little noise. All parameters are invented; there is no trend.

    Returns
    -------
    Dataset, dims (time, lat, lon)
        tmin, tmax [degC], precipitation [mm], and elevation (lat, lon) [m].

    References
    ----------
    C. W. Richardson, "Stochastic simulation of daily precipitation, temperature, and solar radiation",
    Water Resources Research, vol. 17, pp. 182-190, 1981 (structure only, from memory).
    """
    time = pd.date_range(f"{FIRST_YEAR}-01-01", f"{LAST_YEAR}-12-31", freq="D")
    n, year = len(time), time.year.to_numpy() - FIRST_YEAR
    angle = 2 * np.pi * time.day_of_year.to_numpy() / 365.25
    summer = -np.cos(angle - 2 * np.pi * 20 / 365.25)  # -1 around 20 January, 1 around 21 July
    spring = np.cos(angle - 2 * np.pi * 110 / 365.25)  # 1 around 20 April

    # rain
    wetter_year = rng.normal(0, 0.015, year.max() + 1)[year]
    wet_after_dry, wet_after_wet = 0.275 + 0.02 * summer + wetter_year, 0.55 + 0.02 * summer + wetter_year
    draw, wet, before = rng.random(n), np.zeros(n, dtype=bool), False
    for day in range(n):
        before = wet[day] = draw[day] < (wet_after_wet if before else wet_after_dry)[day]
    rain = np.where(wet, rng.gamma(0.75, (5.75 + 2.2 * summer) / 0.75), 0.0)

    # temperature
    carry, together = 0.66, 0.72
    anomaly = np.zeros((n, 2))
    push = rng.multivariate_normal([0, 0], [[1, together], [together, 1]], n) * np.sqrt(1 - carry**2)
    anomaly[0] = push[0] / np.sqrt(1 - carry**2)
    for day in range(1, n):
        anomaly[day] = carry * anomaly[day - 1] + push[day]
    year_effect = rng.normal(0, 0.45, year.max() + 1)[year]
    cloud = wet - wet.mean()
    mean = 9.7 + 10.6 * summer + 0.8 * spring + year_effect
    spread = 12.2 + 1.8 * summer + 0.5 * spring
    tmax = mean + spread / 2 - (1.3 + 0.9 * summer) * cloud + (3.6 - 0.2 * summer) * anomaly[:, 0]
    tmin = mean - spread / 2 + (0.9 - 0.5 * summer) * cloud + (3.7 - 0.6 * summer) * anomaly[:, 1]

    higher = ELEVATION_M - REFERENCE_M
    noise = rng.normal(0, 0.2, (2, n, *higher.shape))
    tmax_cell = tmax[:, None, None] - 0.0068 * higher + noise[0]
    tmin_cell = tmin[:, None, None] - 0.0045 * higher + noise[1]
    tmin_cell = np.minimum(tmin_cell, tmax_cell - 0.5)
    local = rng.lognormal(-0.5 * 0.12**2, 0.12, (n, *higher.shape))
    rain_cell = rain[:, None, None] * local * (1 + 0.0006 * higher)

    dims = ("time", "lat", "lon")
    air = {"standard_name": "air_temperature", "units": "degC"}
    return xr.Dataset(
        {
            "tmin": (dims, tmin_cell, {**air, "long_name": "daily minimum at 2 m", "cell_methods": "time: minimum"}),
            "tmax": (dims, tmax_cell, {**air, "long_name": "daily maximum at 2 m", "cell_methods": "time: maximum"}),
            "precipitation": (
                dims,
                rain_cell,
                {
                    "standard_name": "lwe_thickness_of_precipitation_amount",
                    "units": "mm",
                    "long_name": "daily precipitation",
                    "cell_methods": "time: sum",
                },
            ),
            "elevation": (dims[1:], ELEVATION_M, {"standard_name": "surface_altitude", "units": "m"}),
        },
        {
            "time": ("time", time, {"standard_name": "time", "axis": "T"}),
            "lat": ("lat", LAT, {"standard_name": "latitude", "units": "degrees_north", "axis": "Y"}),
            "lon": ("lon", LON, {"standard_name": "longitude", "units": "degrees_east", "axis": "X"}),
        },
        {
            "Conventions": "CF-1.8",
            "title": "Invented daily weather of the sample farm",
            "invented": INVENTED,
            "seed": SEED,
        },
    )


def write_weather(weather: xr.Dataset, path: Path) -> None:
    """Write NetCDF-4, tenths in 16 bits, compressed."""
    packed: dict[str, Any] = {
        "dtype": "int16",
        "scale_factor": 0.1,
        "_FillValue": -32768,
        "zlib": True,
        "complevel": 9,
        "shuffle": True,
    }
    encoding = {name: dict(packed) for name in ("tmin", "tmax", "precipitation")}
    plain: dict[str, dict[str, Any]] = {name: {"_FillValue": None} for name in ("lat", "lon", "elevation")}
    clock: dict[str, dict[str, Any]] = {
        "time": {"units": f"days since {FIRST_YEAR}-01-01", "calendar": "standard", "dtype": "int32"}
    }
    path.unlink(missing_ok=True)
    weather.to_netcdf(path, engine="netcdf4", encoding=encoding | plain | clock)


def write_season(weather: xr.Dataset, path: Path) -> None:
    """Days of a made-up 2027 in the middle cell: a weather year with a wetter April and a frost on 12 September."""
    cell = weather.isel(lat=1, lon=1).sel(time=slice(f"{SEASON_LIKE}-01-01", f"{SEASON_LIKE}-11-30"))
    days = pd.date_range("2027-01-01", "2027-11-30")
    table = pd.DataFrame(
        {
            "date": days.strftime("%Y-%m-%d"),
            "tmin_c": cell["tmin"].to_numpy().round(1),
            "tmax_c": cell["tmax"].to_numpy().round(1),
            "precip_mm": cell["precipitation"].to_numpy().round(1),
        }
    )
    spring = (days >= "2027-03-18") & (days <= "2027-04-30")
    table.loc[spring, "precip_mm"] = (table.loc[spring, "precip_mm"] * 1.6).round(1)
    for day, tmin in (("2027-09-12", -3.5), ("2027-09-13", -4.0), ("2027-09-14", -1.5)):
        table.loc[table["date"] == day, ["tmin_c", "tmax_c"]] = tmin, 11.0
    path.parent.mkdir(parents=True, exist_ok=True)
    text = table.to_csv(index=False, lineterminator="\n")
    path.write_text("# Invented days of a season on the invented sample farm\n" + text, encoding="utf-8")


def generate(folder: Path) -> None:
    """Write all files of the farm but ``farm.toml`` into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    soil_rng, weather_rng = (np.random.default_rng(s) for s in np.random.SeedSequence(SEED).spawn(2))
    blocks = make_blocks()
    write_blocks(blocks, folder / "blocks.gpkg")
    write_calendar(folder / "crop_calendar.csv")
    write_soil(*make_soil(blocks, soil_rng), folder / "soil")
    weather = make_weather(weather_rng)
    write_weather(weather, folder / "weather.nc")
    write_season(weather, folder / "season_2027" / "days.csv")


if __name__ == "__main__":
    generate(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
