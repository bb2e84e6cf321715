"""Polygon files of any kind: opened with care, unpacked, the one layer with polygons found."""

from __future__ import annotations

import re
import shutil
import tempfile
import warnings
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from greengap.errors import InputProblem, several
from greengap.safe_files import check_size, check_xml, unpack_zip

# Columns that hold block names where the farm does not say which one does, best first.
UNCLOSED = "unclosed"  # attribute of a table: positions of rows whose rings had to be closed
BLOCK_COLUMNS = ("block", "block_id", "name", "field", "id")
DATASETS = (".gpkg", ".shp", ".geojson", ".json", ".kml", ".gml", ".gpx", ".fgb", ".tab", ".mif", ".csv", ".parquet")
XML_ENDINGS = (".kml", ".gml", ".gpx", ".xml")
# First bytes of kinds that can be told by them; others are left to the GIS library.
SIGNS = {
    ".gpkg": b"SQLite format 3",
    ".shp": b"\x00\x00\x27\x0a",
    ".geojson": b"{",
    ".fgb": b"fgb",
    ".parquet": b"PAR1",
    **dict.fromkeys(XML_ENDINGS, b"<"),
}
NOT_READ = "is not a polygon file that can be read"
GIVE = "Give a GeoPackage, GeoJSON, shapefile, KML, file geodatabase, GeoParquet or a CSV with WKT"

# Nothing that a file asks for is fetched from elsewhere.
pyogrio.set_gdal_config_options(
    {"GML_DOWNLOAD_SCHEMA": "NO", "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none", "GDAL_HTTP_MAX_RETRY": "0"}
)


def read_polygon_file(path: Path, shown: str, layer: str | None) -> tuple[gpd.GeoDataFrame, str]:
    """All features of the one polygon layer, and how its rows are introduced in messages.

    Parameters
    ----------
    path : Path
        Vector file, also zipped; a folder for a file geodatabase.
    shown : str
        Name of the file as the user knows it.
    layer : str, optional
        Layer to read; needed only if several hold polygons.

    Raises
    ------
    InputProblem
        If it cannot be read, is not safe to open, or holds none or several layers with polygons.
    """
    if not path.exists():
        raise InputProblem(shown, "", "there is no such file", "Correct the name or add the file")
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the GIS library: repeated field names, heights, open rings
        plain = _plain_file(path, shown, Path(folder), layer)
        if plain.suffix.lower() in (".parquet", ".geoparquet"):
            return _read_parquet(plain, shown), ""
        try:
            return _read_layer(plain, shown, layer)
        except InputProblem:
            raise
        except Exception as error:  # the GIS library raises many kinds on a damaged file
            raise InputProblem(shown, "", NOT_READ, GIVE) from error


def _plain_file(path: Path, shown: str, folder: Path, layer: str | None) -> Path:
    """The file to open, unpacked into `folder` if need be."""
    if path.is_dir():
        return path
    check_size(path, shown)
    with path.open("rb") as file:
        head = file.read(512)
    if head.startswith(b"PK"):
        found = _unpacked(path, shown, folder, layer)
        if found.is_file():
            with found.open("rb") as file:
                _check_kind(found, shown, file.read(512))
        return found
    _check_kind(path, shown, head)
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


def _check_kind(path: Path, shown: str, head: bytes) -> None:
    """Refuse what is something else than its name says, and XML that is not safe to open."""
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n\0")
    suffix = path.suffix.lower()
    sign = SIGNS.get(suffix)
    if sign is not None and not start.startswith(sign) and not head.startswith((sign, b"\xff\xfe", b"\xfe\xff")):
        what = f"ends in {suffix}, but is something else" if head else "is empty"
        raise InputProblem(shown, "", what, GIVE)
    if start.startswith(b"<") or start.startswith((b"\xff\xfe", b"\xfe\xff")) or suffix in XML_ENDINGS:
        check_xml(path, shown)


def _unpacked(path: Path, shown: str, folder: Path, layer: str | None) -> Path:
    """Unpack a zip (or KMZ) with care and find the one dataset in it."""
    remedy = "Unpack it and name the polygon file itself"

    def refuse(what: str) -> InputProblem:
        return InputProblem(shown, "", what, remedy)

    unpack_zip(path, shown, folder, remedy)
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
        holding = [n for n in holding if has_polygons(_read_features(path, shown, n))] if len(holding) > 1 else holding
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
    if not has_polygons(frame):
        raise _no_polygons(shown)
    return frame, f"layer {chosen}, " if len(names) > 1 else ""


def _read_features(path: Path, shown: str, layer: str) -> pd.DataFrame:
    options = {}
    if path.suffix.lower() in (".csv", ".tsv", ".txt"):
        options = {"GEOM_POSSIBLE_NAMES": "wkt,geometry,geom,the_geom,wkt_geom,polygon", "KEEP_GEOM_COLUMNS": "NO"}
    try:
        return pyogrio.read_dataframe(path, layer=layer, **options)
    except shapely.errors.GEOSException:
        return _with_open_rings(path, shown, layer, options)


def _with_open_rings(path: Path, shown: str, layer: str, options: dict[str, str]) -> gpd.GeoDataFrame:
    """Features of a file with rings that end away from where they begin: closed, and listed in the attributes."""
    meta, _, outlines, columns = pyogrio.raw.read(path, layer=layer, **options)
    table = pd.DataFrame({str(n): c for n, c in zip(meta["fields"], columns, strict=True)})
    by_name = {str(c).lower(): c for c in table}
    name = next((by_name[c] for c in BLOCK_COLUMNS if c in by_name), None)
    drawn, unclosed, found = [], [], []
    for i, outline in enumerate(outlines):
        try:
            drawn.append(shapely.from_wkb(outline))
        except shapely.errors.GEOSException as error:
            called = cell_text(table[name].iloc[i]) if name else ""
            place = f"row {i + 1}" + (f" ({called})" if called else "")
            try:
                drawn.append(shapely.from_wkb(outline, on_invalid="fix"))
                unclosed.append(i)
            except shapely.errors.GEOSException:
                found.append((place, f"its outline cannot be read ({error})"))
    if found:
        raise several(shown, found, "Draw the outline again")
    frame = gpd.GeoDataFrame(table, geometry=drawn, crs=meta["crs"])
    frame.attrs[UNCLOSED] = unclosed
    return frame


def has_polygons(frame: pd.DataFrame) -> bool:
    """Whether any row has a polygon."""
    if not isinstance(frame, gpd.GeoDataFrame):
        return False
    return any(True for g in frame.geometry if g is not None for _ in polygons_of(g))


def polygons_of(geometry: BaseGeometry) -> Iterator[Polygon]:
    """The polygonal parts of a geometry, also out of collections."""
    if isinstance(geometry, Polygon):
        yield geometry
    elif hasattr(geometry, "geoms"):
        for part in geometry.geoms:
            yield from polygons_of(part)


def _no_polygons(shown: str) -> InputProblem:
    return InputProblem(shown, "", "holds no polygons", "Give the outlines of the blocks as polygons")


def cell_text(value: object) -> str:
    """A cell as text: whole numbers without a decimal point, nothing for nothing."""
    if value is None or (not isinstance(value, (str, list, dict, np.ndarray)) and pd.isna(value)):
        return ""
    if isinstance(value, (float, np.floating)) and float(value).is_integer():
        return str(int(value))
    return re.sub(r"\s+", " ", str(value)).strip()
