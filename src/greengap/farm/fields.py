"""Field polygons in: any vector file and CRS, repaired where that is safe, every row accounted for.

Areas are geodesic on WGS84. A repair that could change how much seed is bought is never made in
silence: small ones are reported with the area before and after, large ones set the row aside.
"""

from __future__ import annotations

import re
import shutil
import stat
import tempfile
import warnings
import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path, PurePosixPath
from typing import cast

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from numpy.typing import NDArray
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj import CRS, Geod
from pyproj.exceptions import CRSError, ProjError
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from greengap.errors import Fate, ImportReport, InputProblem, several
from greengap.tables import Block, GeoDataFrame

WGS84 = Geod(ellps="WGS84")

# Columns that hold block names where the farm does not say which one does, best first.
BLOCK_COLUMNS = ("block", "block_id", "name", "field", "id")
FIELD_COLUMNS = ("field", "field_id", "field_name", "farm_field")

# Limits of what passes as a repair, a double or an overlap; geometry, not agronomy.
REPAIR_SHARE = 0.001
REPAIR_M2 = 50.0
DUPLICATE_SHARE = 0.02  # of the union, by which two outlines of one block may differ
WITHIN_SHARE = 0.95  # of the smaller, from which it counts as lying inside the larger
OVERLAP_SHARE = 0.005  # of the smaller, from which an overlap is reported
THIN_M = 0.5  # area over perimeter, half the mean width of a strip
TINY_M2 = 50.0
# Where to suspect that latitude stands before longitude.
FAR_M, NEAR_M = 300_000.0, 100_000.0
POLEWARD_DEG = 72.0  # no vegetables grow outdoors nearer to a pole
FAR_OUT_DEG = 6.0  # one UTM zone beyond the area a CRS is made for

ALIKE = 3  # rows written out where all have one cause

# What a packed file may hold before it is unpacked.
MOST_MEMBERS, MOST_BYTES = 200, 500_000_000

DATASETS = (".gpkg", ".shp", ".geojson", ".json", ".kml", ".gml", ".fgb", ".tab", ".mif", ".csv", ".parquet")
NOT_READ = "is not a polygon file that can be read"
GIVE = "Give a GeoPackage, GeoJSON, shapefile, KML, file geodatabase, GeoParquet or a CSV with WKT"
REDRAW = "Redraw it in a GIS or on paper with the corners in walking order"


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
        Use outlines whose repair changes area or parts noticeably, instead of setting them aside.

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
    frame, place = _read_file(path, shown, layer)
    frame = _with_crs(frame, shown, crs, report)
    names = _names(frame, shown, block_column, report)
    fields = _fields(frame, shown, field_column, names)
    rows = [f"{place}row {i + 1}" + (f" ({name})" if name else "") for i, name in enumerate(names)]

    outlines = _outlines(frame, shown, rows, report, accept_repairs)
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
        blocks = _without_swapped(blocks, shown, report)
    blocks = _without_doubles(blocks, shown, report)
    blocks["area_gross_m2"] = [geodesic_area_m2(g) for g in blocks.geometry]
    blocks["area_sown_m2"] = blocks["area_gross_m2"]
    report.count(shown, len(frame), len(blocks))
    columns = ["block_id", "field", "area_gross_m2", "area_sown_m2", "geometry"]
    checked = Block.validate(blocks[columns].reset_index(drop=True))
    used = set(checked["block_id"])
    checked.attrs["set_aside"] = [name for name in names if name and name not in used]
    return cast("GeoDataFrame[Block]", checked)


def geodesic_area_m2(geometry: Polygon | MultiPolygon, geod: Geod = WGS84) -> float:
    """Area of a polygon on the ellipsoid, holes taken off, whichever way its rings are drawn.

    Parameters
    ----------
    geometry : Polygon or MultiPolygon
        Longitude and latitude [°].
    geod : Geod
        Ellipsoid.

    Returns
    -------
    float
        Area; edges are geodesics [m²].

    References
    ----------
    .. [1] C. F. F. Karney, "Algorithms for geodesics", J. Geodesy, vol. 87, pp. 43-55, 2013.

    Examples
    --------
    >>> round(geodesic_area_m2(shapely.box(-76.5, 42.44, -76.498, 42.4415)), 3)
    27418.302
    """

    def ring_m2(ring: BaseGeometry) -> float:
        lon, lat = np.asarray(ring.coords)[:, :2].T
        return abs(geod.polygon_area_perimeter(lon, lat)[0])

    parts = [p for p in _polygons(geometry) if not p.is_empty]
    return float(sum(ring_m2(p.exterior) - sum(ring_m2(hole) for hole in p.interiors) for p in parts))


# --- opening files -----------------------------------------------------------------------------


def _read_file(path: Path, shown: str, layer: str | None) -> tuple[gpd.GeoDataFrame, str]:
    """All features of the one polygon layer, and how its rows are introduced in messages."""
    if not path.exists():
        raise InputProblem(shown, "", "there is no such file", "Correct the name or add the file")
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the GIS library: repeated field names, heights, open rings
        plain = _plain_file(path, shown, Path(folder), layer)
        if plain.suffix.lower() in (".parquet", ".geoparquet"):
            return _read_parquet(plain, shown), ""
        try:
            return _read_layer(plain, shown, layer)
        except (DataSourceError, DataLayerError, UnicodeDecodeError) as error:
            raise InputProblem(shown, "", NOT_READ, GIVE) from error


def _plain_file(path: Path, shown: str, folder: Path, layer: str | None) -> Path:
    """The file to open, unpacked into `folder` if need be."""
    if path.is_dir():
        return path
    with path.open("rb") as file:
        head = file.read(512)
    if head.startswith(b"PK"):
        return _unpacked(path, shown, folder, layer)
    if b"<OGRVRT" in head or b"<OGRWFS" in head:
        raise InputProblem(shown, "", "only points to data elsewhere", GIVE)
    suffix = path.suffix.lower()
    if suffix == ".shp" and not any(p.suffix.lower() == ".shx" for p in path.parent.glob(f"{path.stem}.*")):
        raise InputProblem(
            shown, "", "the .shx file of this shapefile is missing", "Copy all its parts (.shp, .shx, .dbf, .prj)"
        )
    if suffix == ".gml":  # the GIS library writes a file of its own beside it
        for part in path.parent.glob(f"{path.stem}.*"):
            shutil.copy(part, folder / part.name)
        return folder / path.name
    return path


def _unpacked(path: Path, shown: str, folder: Path, layer: str | None) -> Path:
    """Unpack a zip (or KMZ) with care and find the one dataset in it."""

    def refuse(what: str) -> InputProblem:
        return InputProblem(shown, "", what, "Unpack it and name the polygon file itself")

    try:
        with zipfile.ZipFile(path) as packed:
            members = [m for m in packed.infolist() if not m.is_dir() and not m.filename.startswith("__MACOSX/")]
            if len(members) > MOST_MEMBERS:
                raise refuse(f"the zip holds {len(members)} files, more than {MOST_MEMBERS}")
            left = MOST_BYTES
            for member in members:
                name = PurePosixPath(member.filename.replace("\\", "/"))
                if name.is_absolute() or ".." in name.parts or ":" in member.filename:
                    raise refuse(f"the zip holds a file with an unsafe name, {member.filename!r}")
                if stat.S_ISLNK(member.external_attr >> 16):
                    raise refuse(f"the zip holds a link, {member.filename!r}")
                if member.flag_bits & 1:
                    raise refuse("the zip asks for a password")
                target = folder.joinpath(*name.parts)
                target.parent.mkdir(parents=True, exist_ok=True)
                with packed.open(member) as source, target.open("wb") as copy:
                    while chunk := source.read(1 << 20):
                        left -= len(chunk)  # declared sizes may lie
                        if left < 0:
                            raise refuse(f"the zip unpacks to more than {MOST_BYTES // 1_000_000} MB")
                        copy.write(chunk)
    except (zipfile.BadZipFile, NotImplementedError, EOFError) as error:
        raise InputProblem(shown, "", "is a damaged zip file", "Copy or download it again") from error
    found = _datasets(folder)
    if not found:
        raise refuse("the zip holds no polygon file")
    if len({p.parent for p in found}) == 1 and all(p.suffix.lower() == ".shp" for p in found):
        return found[0] if len(found) == 1 else found[0].parent  # a folder of shapefiles reads as layers
    if len(found) > 1:
        named = [p for p in found if p.stem == layer]
        if len(named) != 1:
            listed = ", ".join(p.relative_to(folder).as_posix() for p in found)
            raise refuse(f"the zip holds several polygon files: {listed}")
        found = named
    return found[0]


def _datasets(folder: Path) -> list[Path]:
    """Polygon files below a folder; known by their first bytes where the extension says nothing."""
    files = sorted(p for p in folder.rglob("*") if p.is_file() and not p.name.startswith("._"))
    geodatabases = sorted({p.parent for p in files if p.suffix == ".gdbtable"})
    if geodatabases:
        return [_named_geodatabase(inner, folder / f"unpacked_{i}.gdb") for i, inner in enumerate(geodatabases)]
    known = [p for p in files if p.suffix.lower() in DATASETS]
    if len(known) > 1:  # a table beside a shapefile is not the dataset
        known = [p for p in known if p.suffix.lower() not in (".csv", ".json")] or known
    if known:
        return known
    signs = {b"SQLite format 3": ".gpkg", b"{": ".geojson", b"PAR1": ".parquet", b"\x00\x00\x27\x0a": ".shp"}
    for path in files:
        with path.open("rb") as file:
            head = file.read(64).removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n")
        for sign, suffix in signs.items():
            if head.startswith(sign) and path.suffix.lower() != ".shx":
                known.append(path.rename(path.with_name(path.name + suffix)))
                break
    return known


def _named_geodatabase(folder: Path, name: Path) -> Path:
    """A file geodatabase under a name by which the GIS library knows it as one."""
    if folder.suffix == ".gdb":
        return folder
    name.mkdir()
    for part in [p for p in folder.iterdir() if p.is_file()]:
        part.rename(name / part.name)
    return name


def _read_parquet(path: Path, shown: str) -> gpd.GeoDataFrame:
    try:
        return gpd.read_parquet(path)
    except ImportError as error:
        raise InputProblem(
            shown, "", "is GeoParquet, which needs the package pyarrow", "Install pyarrow, or save as GeoPackage"
        ) from error
    except Exception as error:  # the reader raises many kinds
        raise InputProblem(shown, "", NOT_READ, GIVE) from error


def _read_layer(path: Path, shown: str, layer: str | None) -> tuple[gpd.GeoDataFrame, str]:
    listed = [(str(name), kind) for name, kind in pyogrio.list_layers(path)]
    names = [name for name, _ in listed]
    if layer is not None:
        if layer not in names:
            raise InputProblem(
                shown, "", f"there is no layer {layer!r}", f"Its layers are {', '.join(names)}; name one as layer"
            )
        chosen = layer
    elif len(names) == 1:
        chosen = names[0]
    else:
        maybe = ("Polygon", "Surface", "Unknown", "Collection")
        holding = [name for name, kind in listed if kind and any(word in kind for word in maybe)]
        holding = [n for n in holding if _has_polygons(_read_features(path, shown, n))] if len(holding) > 1 else holding
        if len(holding) > 1:
            raise InputProblem(
                shown,
                "",
                f"{len(holding)} layers hold polygons: {', '.join(holding)}",
                'Say which one holds the blocks, with layer = "..." under [files] in farm.toml',
            )
        if not holding:
            raise _no_polygons(shown)
        chosen = holding[0]
    frame = _read_features(path, shown, chosen)
    if not _has_polygons(frame):
        raise _no_polygons(shown)
    return frame, f"layer {chosen}, " if len(names) > 1 else ""


def _read_features(path: Path, shown: str, layer: str) -> pd.DataFrame:
    options = {}
    if path.suffix.lower() in (".csv", ".tsv", ".txt"):
        options = {"GEOM_POSSIBLE_NAMES": "wkt,geometry,geom,the_geom,wkt_geom,polygon", "KEEP_GEOM_COLUMNS": "NO"}
    try:
        return pyogrio.read_dataframe(path, layer=layer, **options)
    except shapely.errors.GEOSException as error:
        raise _open_rings(path, shown, layer, options) from error


def _open_rings(path: Path, shown: str, layer: str, options: dict[str, str]) -> InputProblem:
    """Say which features stop the whole file from being read."""
    meta, _, outlines, columns = pyogrio.raw.read(path, layer=layer, **options)
    table = pd.DataFrame({str(n).lower(): c for n, c in zip(meta["fields"], columns, strict=True)})
    name = next((c for c in BLOCK_COLUMNS if c in table), None)
    found = []
    for i, outline in enumerate(outlines):
        try:
            shapely.from_wkb(outline)
        except shapely.errors.GEOSException as error:
            called = _text(table[name].iloc[i]) if name else ""
            is_open = "closed" in str(error) or "LinearRing" in str(error)
            what = "the outline is not closed, its last corner differs from the first" if is_open else str(error)
            found.append((f"row {i + 1}" + (f" ({called})" if called else ""), what))
    return several(shown, found or [("", NOT_READ)], "Close the outline in a GIS, or draw it again")


def _has_polygons(frame: pd.DataFrame) -> bool:
    if not isinstance(frame, gpd.GeoDataFrame):
        return False
    return any(True for g in frame.geometry if g is not None for _ in _polygons(g))


def _polygons(geometry: BaseGeometry) -> Iterator[Polygon]:
    """Its polygonal parts, also out of collections."""
    if isinstance(geometry, Polygon):
        yield geometry
    elif hasattr(geometry, "geoms"):
        for part in geometry.geoms:
            yield from _polygons(part)


def _no_polygons(shown: str) -> InputProblem:
    return InputProblem(shown, "", "holds no polygons", "Give the outlines of the blocks as polygons")


def _nothing_usable(shown: str, report: ImportReport) -> InputProblem:
    aside = [f for f in report.findings if f.file == shown and f.fate in (Fate.SKIPPED, Fate.REVIEW)]
    found = [(f.place, f.what.removesuffix(f". {REDRAW}")) for f in aside]
    return several(shown, found, "Draw the outlines again; none of them can be used as it is", most=ALIKE)


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
    if not np.isfinite(shapely.get_coordinates(out.geometry.values)).all():
        raise _wrong_crs(shown, blocks.crs.name)
    invalid = ~out.geometry.is_valid
    out.loc[invalid, "geometry"] = [_mended(g) for g in out.geometry[invalid]]
    out["geometry"] = shapely.orient_polygons(out.geometry.values)
    west, south, east, north = out.total_bounds
    if area is not None and area.west < area.east:
        beyond = west > area.east + FAR_OUT_DEG or east < area.west - FAR_OUT_DEG
        beyond |= south > area.north + FAR_OUT_DEG or north < area.south - FAR_OUT_DEG
        if beyond:
            where = _position((west + east) / 2, (south + north) / 2, 2)
            report.assume(f"{shown}: {blocks.crs.name} is right, though it is not made for {where}.")
    return out


def _wrong_crs(shown: str, name: str) -> InputProblem:
    return InputProblem(
        shown,
        "",
        f"its coordinates do not fit the coordinate reference system {name}",
        'Give the right one as crs = "EPSG:..." under [files] in farm.toml',
    )


def _without_swapped(blocks: gpd.GeoDataFrame, shown: str, report: ImportReport) -> gpd.GeoDataFrame:
    """Set rows aside that land near the others only with longitude and latitude swapped."""
    bounds = blocks.geometry.bounds.to_numpy()
    lon, lat = (bounds[:, 0] + bounds[:, 2]) / 2, (bounds[:, 1] + bounds[:, 3]) / 2
    arable = np.abs(lat) <= POLEWARD_DEG
    if not arable.any():
        if np.all(np.abs(lon) <= POLEWARD_DEG):
            where = _position(lon[0], lat[0], 2)
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
        report.note(
            shown,
            blocks["row"].iloc[i],
            Fate.REVIEW,
            f"lies at {_position(lon[i], lat[i], 2)}, far from the other blocks; latitude seems to stand before "
            "longitude. Put longitude first",
        )
    return blocks[~swapped].reset_index(drop=True)


def _position(lon: float, lat: float, digits: int = 4) -> str:
    """A place in words, as on a map: 42.4430 N, 76.5010 W."""
    return f"{abs(lat):.{digits}f} {'N' if lat >= 0 else 'S'}, {abs(lon):.{digits}f} {'E' if lon >= 0 else 'W'}"


# --- names -------------------------------------------------------------------------------------


def _text(value: object) -> str:
    """A cell as text: whole numbers without a decimal point, nothing for nothing."""
    if value is None or (not isinstance(value, (str, list, dict, np.ndarray)) and pd.isna(value)):
        return ""
    if isinstance(value, (float, np.floating)) and float(value).is_integer():
        return str(int(value))
    return re.sub(r"\s+", " ", str(value)).strip()


def _column(frame: gpd.GeoDataFrame, wanted: Iterable[str]) -> str | None:
    """The first of the wanted columns that tells rows apart, whatever its case."""
    there = {str(c).lower(): str(c) for c in frame.columns if c != frame.geometry.name}
    for name in wanted:
        values = {_text(v) for v in frame[there[name]]} if name in there else set()
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
    return [_text(v) for v in frame[column]]


def _fields(frame: gpd.GeoDataFrame, shown: str, column: str | None, names: list[str]) -> list[str]:
    if column is not None:
        column = _given_column(frame, shown, column, "field_column")
    else:
        column = _column(frame, FIELD_COLUMNS)
    if column is None:
        return list(names)
    return [_text(v) or name for v, name in zip(frame[column], names, strict=True)]


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


# --- outlines ----------------------------------------------------------------------------------


def _outlines(
    frame: gpd.GeoDataFrame, shown: str, rows: list[str], report: ImportReport, accept_repairs: bool
) -> list[Polygon | MultiPolygon | None]:
    """One clean outline a row, or None where the row is reported and not used."""
    geometries = frame.geometry.values
    heights = int(np.sum(shapely.has_z(geometries)))
    if heights:
        report.assume(f"{shown}: heights of {heights} outlines are left out; areas are those of the map.")
    out: list[Polygon | MultiPolygon | None] = []
    for place, geometry in zip(rows, shapely.force_2d(geometries), strict=True):
        reason = _no_outline(geometry)
        if reason:
            report.note(shown, place, Fate.SKIPPED, reason)
            out.append(None)
            continue
        out.append(_outline(geometry, frame.crs, shown, place, report, accept_repairs))
    return out


def _no_outline(geometry: BaseGeometry | None) -> str:
    if geometry is None:
        return "has no geometry"
    if geometry.is_empty:
        return "its geometry is empty"
    if not any(True for _ in _polygons(geometry)):
        return f"is a {geometry.geom_type.lower()}, not a polygon"
    if not np.isfinite(shapely.get_coordinates(geometry)).all():
        return "has a coordinate that is not a number"
    return ""


def _outline(
    geometry: BaseGeometry, crs: CRS, shown: str, place: str, report: ImportReport, accept_repairs: bool
) -> Polygon | MultiPolygon | None:
    parts = list(_polygons(geometry))
    drawn = parts[0] if len(parts) == 1 else MultiPolygon(parts)
    drawn = shapely.remove_repeated_points(drawn)
    if geometry.geom_type == "GeometryCollection":
        report.note(shown, place, Fate.REPAIRED, "points and lines beside the polygon are left out")
    outline: Polygon | MultiPolygon | None = drawn
    fate = Fate.USED
    if not drawn.is_valid:
        outline, fate = _repaired(drawn, crs, shown, place, report, accept_repairs)
    if outline is None:
        return None
    if fate is Fate.USED and outline.geom_type == "MultiPolygon":
        report.note(shown, place, Fate.USED, f"has {len(outline.geoms)} parts, planned as one block")
    return outline


def _mended(drawn: Polygon | MultiPolygon) -> Polygon | MultiPolygon:
    """Make each part valid and unite them, so that ground drawn twice counts once."""
    fixed = [shapely.make_valid(p, method="structure", keep_collapsed=False) for p in _polygons(drawn)]
    united = shapely.union_all([part for g in fixed for part in _polygons(g)])
    return united if isinstance(united, (Polygon, MultiPolygon)) else MultiPolygon(list(_polygons(united)))


def _even_odd(drawn: Polygon | MultiPolygon) -> BaseGeometry:
    """Ground that lies inside an odd number of rings, however each ring is drawn."""
    rings = [ring for part in _polygons(drawn) for ring in (part.exterior, *part.interiors)]
    ground: BaseGeometry = Polygon()
    for ring in rings:
        ground = shapely.symmetric_difference(ground, shapely.make_valid(Polygon(ring), method="linework"))
    return ground


def _repaired(
    drawn: Polygon | MultiPolygon, crs: CRS, shown: str, place: str, report: ImportReport, accept_repairs: bool
) -> tuple[Polygon | MultiPolygon | None, Fate]:
    """Repair an outline and decide whether the repair is small enough to be used unasked."""

    def area_m2(geometry: BaseGeometry) -> float:
        polygons = MultiPolygon(list(_polygons(geometry)))
        return geodesic_area_m2(gpd.GeoSeries([polygons], crs=crs).to_crs(4326).iloc[0])

    where = _crossing(drawn, crs)
    outline = _mended(drawn)
    if outline.is_empty:
        report.note(shown, place, Fate.SKIPPED, "its outline encloses no ground")
        return None, Fate.SKIPPED
    # Loops at a corner leave crumbs that nobody drew as a part.
    sizes = [area_m2(p) for p in _polygons(outline)]
    crumb_m2 = min(REPAIR_M2, REPAIR_SHARE * sum(sizes))
    whole = [p for p, size in zip(_polygons(outline), sizes, strict=True) if size >= crumb_m2]
    outline = whole[0] if len(whole) == 1 else MultiPolygon(whole)
    before = area_m2(_even_odd(drawn))
    after = area_m2(outline)
    change = abs(after - before)
    parts_before, parts_after = len(list(_polygons(drawn))), len(whole)
    small = change <= REPAIR_M2 and change <= REPAIR_SHARE * before and parts_before == parts_after
    areas = {"area_before_m2": before, "area_after_m2": after}
    if small or accept_repairs:
        report.note(shown, place, Fate.REPAIRED, f"the outline crosses or touches itself{where}; repaired", **areas)
        return outline, Fate.REPAIRED
    effect = f"mending it would give {after:,.0f} instead of {before:,.0f} m²"
    if parts_before != parts_after:
        effect = (
            f"mended, it would fall into another number of parts ({parts_after} for {parts_before}), {after:,.0f} m²"
        )
    report.note(shown, place, Fate.REVIEW, f"the outline crosses itself{where}; {effect}. {REDRAW}", **areas)
    return None, Fate.REVIEW


def _crossing(drawn: BaseGeometry, crs: CRS) -> str:
    """Where the first fault lies that GEOS names, in words."""
    found = re.search(r"\[(\S+) (\S+)\]", shapely.is_valid_reason(drawn))
    if not found:
        return ""
    point = gpd.GeoSeries.from_xy([float(found[1])], [float(found[2])], crs=crs).to_crs(4326).iloc[0]
    return f" near {_position(point.x, point.y)}"


def _without_doubles(blocks: gpd.GeoDataFrame, shown: str, report: ImportReport) -> gpd.GeoDataFrame:
    """Set the second of two equal outlines aside; report overlaps, strips and specks."""
    west, south, east, north = blocks.total_bounds
    lon_0, lat_0 = round((west + east) / 2, 2), round((south + north) / 2, 2)
    flat = blocks.geometry.to_crs(f"+proj=laea +lon_0={lon_0} +lat_0={lat_0} +datum=WGS84 +units=m").values
    pairs = shapely.STRtree(flat).query(flat, predicate="intersects").T
    rows, names, area = blocks["row"].tolist(), blocks["block_id"].tolist(), shapely.area(flat)
    aside: set[int] = set()
    overlaps = []
    for j, i in sorted((int(b), int(a)) for a, b in pairs if a < b):  # i stands before j in the file
        if i in aside or j in aside:
            continue
        shared = shapely.intersection(flat[i], flat[j])
        union = area[i] + area[j] - shared.area
        if union - shared.area < DUPLICATE_SHARE * union:
            report.note(shown, rows[j], Fate.REVIEW, f"has the same outline as {names[i]}. Delete one of the two")
            aside.add(j)
        elif shared.length > 0 and shared.area / shared.length >= THIN_M:
            overlaps.append((i, j, shared.area))
    for i, j, shared_m2 in overlaps:
        if i in aside or j in aside:
            continue
        small, large = (i, j) if area[i] < area[j] else (j, i)
        share = shared_m2 / area[small]
        if share >= WITHIN_SHARE:
            what = f"lies inside {names[large]}; where both are planned, that ground is counted twice"
        elif share >= OVERLAP_SHARE:
            what = f"overlaps {names[large]} by {shared_m2:,.0f} m² ({share:.1%}), ground that is counted twice"
        else:
            continue
        report.note(shown, rows[small], Fate.USED, what)
    thin = area / np.maximum(shapely.length(flat), 1e-9)
    for i in range(len(blocks)):
        if i not in aside and (thin[i] < THIN_M or area[i] < TINY_M2):
            what = f"is very narrow, about {2 * thin[i]:.1f} m wide" if thin[i] < THIN_M else "is very small"
            report.note(shown, rows[i], Fate.USED, f"{what} ({area[i]:,.1f} m²); it may be left over from drawing")
    return blocks[[i not in aside for i in range(len(blocks))]].reset_index(drop=True)
