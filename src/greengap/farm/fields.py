"""Field polygons in: any vector file and CRS, repaired where that is safe, every row accounted for.

Areas are geodesic on WGS84. A repair that could change how much seed is bought is never made in
silence: small ones are reported with the area before and after, large ones set the row aside.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import cast

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError, ProjError

from greengap.errors import Fate, ImportReport, InputProblem, several
from greengap.farm.outlines import REDRAW, WGS84, clean_outlines, geodesic_area_m2, mended, position, without_doubles
from greengap.farm.settings import FILE, Repairs, suggestion
from greengap.polygon_file import BLOCK_COLUMNS, cell_text, read_polygon_file
from greengap.tables import Block, GeoDataFrame

FIELD_COLUMNS = ("field", "field_id", "field_name", "farm_field")

# Where to suspect that latitude stands before longitude.
FAR_M, NEAR_M = 300_000.0, 100_000.0
POLEWARD_DEG = 72.0  # no vegetables grow outdoors nearer to a pole
FAR_OUT_DEG = 6.0  # one UTM zone beyond the area a CRS is made for

ALIKE = 3  # rows written out where all have one cause


def read_blocks(
    path: Path,
    shown: str,
    report: ImportReport,
    *,
    layer: str | None = None,
    crs: str | None = None,
    block_column: str | None = None,
    field_column: str | None = None,
    accept_repairs: bool = False,
    repairs: Repairs | None = None,
) -> GeoDataFrame[Block]:
    """Read the blocks of a farm from a polygon file.

    Parameters
    ----------
    path : Path
        Vector file of any format that GDAL reads, also zipped; a folder for a file geodatabase.
    shown : str
        Name of the file as the user knows it.
    report : ImportReport
        Receives the row counts, findings and assumptions.
    layer : str, optional
        Layer to read; needed only if several hold polygons.
    crs : str, optional
        CRS of the coordinates, as "EPSG:26918"; wins over what the file says of itself.
    block_column, field_column : str, optional
        Columns with the names of blocks and fields.
    accept_repairs : bool
        Use all outlines whose repair changes area or parts noticeably, instead of setting them aside.
    repairs : Repairs, optional
        The same by name, and the other fixes that the farm accepts.

    Returns
    -------
    GeoDataFrame[Block]
        In file order, WGS84, longitude first, outer rings anticlockwise. `area_sown_m2` equals
        `area_gross_m2`. ``attrs["set_aside"]`` lists the names whose rows are reported and not used.

    Raises
    ------
    InputProblem
        If the file cannot be read, holds no usable polygon, has no or an unknown CRS, more than
        one layer with polygons, no such column, rings that do not close, coordinates off the
        earth or in the wrong order, or block names that are missing or not unique.

    Notes
    -----
    A crossing outline is repaired part by part (GEOS "structure" method, parts united), so ground
    that is drawn twice counts once. "Before" is the area of its lines by the even-odd rule, which
    does not depend on the sense of drawing. The repair is used if it changes that area by no more
    than 0.1 % and no more than 50 m² and leaves the number of parts as it was.
    """
    frame, place = read_polygon_file(path, shown, layer)
    frame = _with_crs(frame, shown, crs, report)
    names = _names(frame, shown, block_column, report)
    fields = _fields(frame, shown, field_column, names)
    rows = [f"{place}row {i + 1}" + (f" ({name})" if name else "") for i, name in enumerate(names)]

    repairs = repairs or Repairs()
    _known_repairs(repairs, names)
    outlines = clean_outlines(frame, shown, rows, names, report, repairs, accept_repairs)
    kept = [i for i, outline in enumerate(outlines) if outline is not None]
    if not kept:
        raise _nothing_usable(shown, report)
    _check_names(shown, [(rows[i], names[i]) for i in kept])

    blocks = gpd.GeoDataFrame(
        {"block_id": [names[i] for i in kept], "field": [fields[i] for i in kept], "row": [rows[i] for i in kept]},
        geometry=[outlines[i] for i in kept],
        crs=frame.crs,
    )
    lonlat = frame.crs.is_geographic
    blocks = _to_wgs84(blocks, shown, report)
    if lonlat:
        blocks = _without_swapped(blocks, shown, report, repairs)
    blocks = without_doubles(blocks, shown, report, repairs)
    blocks["area_gross_m2"] = [geodesic_area_m2(g) for g in blocks.geometry]
    blocks["area_sown_m2"] = blocks["area_gross_m2"]
    report.count(shown, len(frame), len(blocks))
    columns = ["block_id", "field", "area_gross_m2", "area_sown_m2", "geometry"]
    checked = Block.validate(blocks[columns].reset_index(drop=True))
    used = set(checked["block_id"])
    checked.attrs["set_aside"] = [name for name in names if name and name not in used]
    return cast("GeoDataFrame[Block]", checked)


# --- coordinates -------------------------------------------------------------------------------


def _with_crs(frame: gpd.GeoDataFrame, shown: str, crs: str | None, report: ImportReport) -> gpd.GeoDataFrame:
    """Attach the CRS and check that longitudes and latitudes lie on the earth."""
    own = frame.crs
    if own is not None and (own.name.startswith(("Undefined", "Unknown")) or own.is_engineering):
        own = None
    if crs is not None:
        try:
            given = CRS.from_user_input(int(crs) if crs.strip().isdigit() else crs)
        except CRSError as error:
            raise InputProblem(
                shown,
                "",
                f"the CRS {crs!r} given for it is not known",
                'Write crs under [files] in farm.toml as an EPSG code, for example "EPSG:26918"',
            ) from error
        if own is not None and not own.equals(given, ignore_axis_order=True):
            report.assume(f"{shown}: coordinates are taken as {given.name}, as told, though the file says {own.name}.")
        own = given
    if own is None:
        raise InputProblem(
            shown,
            "",
            "does not say which coordinate reference system its coordinates are in",
            'Add it as crs = "EPSG:..." under [files] in farm.toml (EPSG:4326 for longitude and latitude in degrees)',
        )
    frame = frame.set_crs(own, allow_override=True)
    if own.is_geographic:
        _check_degrees(frame, shown)
    return frame


def _check_degrees(frame: gpd.GeoDataFrame, shown: str) -> None:
    low_x, low_y, high_x, high_y = frame.geometry.bounds.to_numpy().T
    x, y = np.fmax(np.abs(low_x), np.abs(high_x)), np.fmax(np.abs(low_y), np.abs(high_y))
    off = np.flatnonzero((x > 180.0001) | (y > 90.0001))
    if not off.size:
        return
    if np.all((y[off] <= 180) & (x[off] <= 90)):
        what = "latitude {y:.4g} lies beyond the pole; latitude seems to stand before longitude"
        remedy = "Put longitude first"
    else:
        what = "{x:.7g}, {y:.7g} is not a longitude and latitude in degrees"
        remedy = (
            'If the coordinates are in metres or feet, give their CRS as crs = "EPSG:..." under [files] in farm.toml'
        )
    raise several(shown, [(f"row {i + 1}", what.format(x=high_x[i], y=high_y[i])) for i in off], remedy, most=ALIKE)


def _to_wgs84(blocks: gpd.GeoDataFrame, shown: str, report: ImportReport) -> gpd.GeoDataFrame:
    """Reproject; mend what rounding spoils; take rows out whose area is nothing."""
    area = blocks.crs.area_of_use
    try:
        out = blocks.to_crs(4326)
    except ProjError as error:
        raise _wrong_crs(shown, blocks.crs.name) from error
    places = np.abs(shapely.get_coordinates(out.geometry.values))
    if not (np.isfinite(places).all() and (places <= (180.0001, 90.0001)).all()):
        raise _wrong_crs(shown, blocks.crs.name)
    invalid = ~out.geometry.is_valid
    out.loc[invalid, "geometry"] = [mended(g) for g in out.geometry[invalid]]
    out["geometry"] = shapely.orient_polygons(out.geometry.values)
    west, south, east, north = out.total_bounds
    if area is not None and area.west < area.east:
        beyond = west > area.east + FAR_OUT_DEG or east < area.west - FAR_OUT_DEG
        beyond |= south > area.north + FAR_OUT_DEG or north < area.south - FAR_OUT_DEG
        if beyond:
            where = position((west + east) / 2, (south + north) / 2, 2)
            report.assume(f"{shown}: {blocks.crs.name} is right, though it is not made for {where}.")
    return out


def _wrong_crs(shown: str, name: str) -> InputProblem:
    return InputProblem(
        shown,
        "",
        f"its coordinates do not fit the coordinate reference system {name}",
        'Give the right one as crs = "EPSG:..." under [files] in farm.toml',
    )


def _without_swapped(blocks: gpd.GeoDataFrame, shown: str, report: ImportReport, repairs: Repairs) -> gpd.GeoDataFrame:
    """Set rows aside that land near the others only with longitude and latitude swapped, or swap them if told."""
    bounds = blocks.geometry.bounds.to_numpy()
    lon, lat = (bounds[:, 0] + bounds[:, 2]) / 2, (bounds[:, 1] + bounds[:, 3]) / 2
    arable = np.abs(lat) <= POLEWARD_DEG
    if not arable.any():
        if np.all(np.abs(lon) <= POLEWARD_DEG):
            where = position(lon[0], lat[0], 2)
            raise InputProblem(
                shown,
                "",
                f"the blocks lie at {where}, where nothing grows; latitude seems to stand before longitude",
                "Put longitude first, or check the CRS",
            )
        return blocks
    x, y = np.median(lon[arable]), np.median(lat[arable])
    centre = np.flatnonzero(arable)[np.argmin(np.hypot(lon[arable] - x, lat[arable] - y))]

    def away_m(to_lon: NDArray[np.float64], to_lat: NDArray[np.float64]) -> NDArray[np.float64]:
        n = len(to_lon)
        return WGS84.inv(np.full(n, lon[centre]), np.full(n, lat[centre]), to_lon, to_lat)[2]

    possible = np.abs(lon) <= 90
    swapped = possible & (away_m(lon, lat) > FAR_M)
    swapped &= away_m(np.where(possible, lat, lon), np.where(possible, lon, 0.0)) < NEAR_M
    for i in np.flatnonzero(swapped):
        place, where = blocks["row"].iloc[i], position(lon[i], lat[i], 2)
        if blocks["block_id"].iloc[i] in repairs.swap_axes:
            turned = shapely.orient_polygons(shapely.transform(blocks.geometry.iloc[i], lambda xy: xy[:, ::-1]))
            blocks.loc[blocks.index[i], "geometry"] = turned
            swapped[i] = False
            report.note(shown, place, Fate.REPAIRED, f"lay at {where}; latitude and longitude are swapped, as told")
            continue
        what = f"lies at {where}, far from the other blocks; latitude seems to stand before longitude. "
        report.note(shown, place, Fate.REVIEW, f"{what}Put longitude first", offer="swap_axes")
    return blocks[~swapped].reset_index(drop=True)


def _nothing_usable(shown: str, report: ImportReport) -> InputProblem:
    aside = [f for f in report.findings if f.file == shown and f.fate in (Fate.SKIPPED, Fate.REVIEW)]
    found = [(f.place, f.what.split(f". {REDRAW}")[0]) for f in aside]
    return several(shown, found, "Draw the outlines again; none of them can be used as it is", most=ALIKE)


# --- names -------------------------------------------------------------------------------------


def _column(frame: gpd.GeoDataFrame, wanted: Iterable[str]) -> str | None:
    """The first of the wanted columns that tells rows apart, whatever its case."""
    there = {str(c).lower(): str(c) for c in frame.columns if c != frame.geometry.name}
    for name in wanted:
        values = {cell_text(v) for v in frame[there[name]]} if name in there else set()
        constant = len(values) == 1 and len(frame) > 2  # the same word on every row names nothing
        if values - {""} and not constant:
            return there[name]
    return None


def _given_column(frame: gpd.GeoDataFrame, shown: str, column: str, setting: str) -> str:
    columns = [str(c) for c in frame.columns if c != frame.geometry.name]
    if column in columns:
        return column
    alike = [c for c in columns if c.lower() == column.lower()]
    if len(alike) == 1:
        return alike[0]
    raise InputProblem(
        shown,
        "",
        f"there is no column {column!r}",
        f"Its columns are {', '.join(columns) or '(none)'}; correct {setting} under [files] in farm.toml",
    )


def _names(frame: gpd.GeoDataFrame, shown: str, column: str | None, report: ImportReport) -> list[str]:
    if column is not None:
        column = _given_column(frame, shown, column, "block_column")
    else:
        column = _column(frame, BLOCK_COLUMNS)
        if column is None:
            report.assume(f"{shown}: no column holds block names, so blocks are numbered in the order of the file.")
            return [str(i + 1) for i in range(len(frame))]
        if column.lower() not in ("block", "block_id"):
            report.assume(f"{shown}: block names are taken from the column {column}.")
    return [cell_text(v) for v in frame[column]]


def _fields(frame: gpd.GeoDataFrame, shown: str, column: str | None, names: list[str]) -> list[str]:
    if column is not None:
        column = _given_column(frame, shown, column, "field_column")
    else:
        column = _column(frame, FIELD_COLUMNS)
    if column is None:
        return list(names)
    return [cell_text(v) or name for v, name in zip(frame[column], names, strict=True)]


def _check_names(shown: str, rows: list[tuple[str, str]]) -> None:
    """Refuse names that are missing, or the same but for capitals and blanks."""
    first: dict[str, tuple[str, str]] = {}
    found = []
    for place, name in rows:
        key = re.sub(r"\s", "", name).casefold()
        if not key:
            found.append((place, "the block has no name"))
        elif key in first:
            same = "the same name as" if first[key][1] == name else "but for capitals and blanks the same name as"
            found.append((place, f"{same} {first[key][0]}"))
        else:
            first[key] = (place, name)
    if found:
        raise several(
            shown,
            found,
            "Give each block a name of its own, or say which column holds the names with block_column "
            "under [files] in farm.toml",
        )


def _known_repairs(repairs: Repairs, names: list[str]) -> None:
    """Refuse a repair of a block that is not in the file."""
    there = set(names)
    for key in ("accept", "cut_overlap", "leave_out", "swap_axes"):
        for name in sorted(getattr(repairs, key)):
            if name not in there:
                what = f"{name!r} is not a block of the polygon file"
                raise InputProblem(FILE, f"repairs.{key}", what, suggestion(name, sorted(there)))
