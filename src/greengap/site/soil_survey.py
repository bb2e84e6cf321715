"""Soil of each block from survey map units and their component and horizon tables (SSURGO and its like).

A map unit is a mix of components, each with a share in per cent and a profile of horizons. Numbers are
averaged over depth, then over components, then over the area of the block; drainage classes are never
averaged, their shares are.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj.exceptions import ProjError

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.polygon_file import read_polygon_file
from greengap.safe_files import check_size
from greengap.site.soil import NUMBERS, WHOLE, drainage_class, no_soil, soil_defaults, with_drainage
from greengap.site.zonal import class_shares, misses_the_farm, percent
from greengap.tables import ClassShare, DataFrame

# Representative values of the survey's horizon table, with the factor to the column of `Soil`.
HORIZON_VALUES = {
    "claytotal_r": ("clay_fraction", 0.01),
    "sandtotal_r": ("sand_fraction", 0.01),
    "om_r": ("organic_matter_fraction", 0.01),
    "ph1to1h2o_r": ("ph", 1.0),
    "awc_r": ("available_water_fraction", 1.0),
    "dbthirdbar_r": ("bulk_density_mg_m3", 1.0),
}
COMPONENT_COLUMNS = ("mukey", "cokey", "comppct_r", "drainagecl")
RASTERS = (".tif", ".tiff", ".img", ".vrt")
SLOPE_COLUMN = "slope_r"  # of a component [percent]; not every export has it
HORIZON_COLUMNS = ("cokey", "hzdept_r", "hzdepb_r", *HORIZON_VALUES)


def soil_from_survey(
    blocks: gpd.GeoDataFrame,
    map_units: Path,
    components: Path,
    horizons: Path,
    shown: Callable[[Path], str],
    report: ImportReport,
) -> tuple[pd.DataFrame, DataFrame[ClassShare]]:
    """Area-weighted soil of each block from survey polygons or a raster of map-unit keys.

    Parameters
    ----------
    blocks : GeoDataFrame
        Columns block_id and geometry, with a CRS.
    map_units : Path
        Polygons with a column ``mukey``, in any vector format and CRS, or a raster whose cells are map-unit
        keys. Keys are counted by area and never averaged.
    components, horizons : Path
        Tables with a header, comma or pipe between the columns, representative values spelled ``claytotal_r``
        or ``claytotal.r``; or the raw export without a header (survey_columns.toml).
    shown : callable
        How a path is named to the user.
    report : ImportReport
        Counts the polygons, components and horizons that bear on the blocks, and takes what is left out.

    Returns
    -------
    DataFrame
        Partial soil, see `soil.no_soil`; `covered_fraction` is the share in map units with any value.
    DataFrame[ClassShare]
        Drainage classes, by area and component share.

    Raises
    ------
    InputProblem
        If a file cannot be read, lacks a column, a CRS or a header, or the polygons miss the blocks.
    """
    raster = map_units.suffix.lower() in RASTERS
    parts = (_cells if raster else _cut)(blocks, map_units, shown, report)
    keys = set(parts["mukey"])
    mix = read_components(components, shown, keys, report)
    profile = read_horizons(horizons, shown, set(mix["cokey"]), soil_defaults()["plough_layer"]["value"], report)
    values, drainage = map_unit_soil(mix, profile, soil_defaults()["plough_layer"]["value"])
    _report_bare_components(mix, profile, shown(components), report)

    soil = no_soil(blocks)
    area = blocks.set_axis(soil["block_id"]).geometry.to_crs(_equal_area(blocks)).area
    joined = parts.merge(values, on="mukey", how="left")
    for column in NUMBERS:
        known = joined[joined[column].notna()]
        weight = known["area_m2"].groupby(known["block_id"]).sum()
        total = (known["area_m2"] * known[column]).groupby(known["block_id"]).sum()
        soil[column] = (total / weight).reindex(soil["block_id"]).to_numpy()
    has_any = joined[list(NUMBERS)].notna().any(axis=1) | joined["mukey"].isin(drainage["mukey"])
    covered = joined["area_m2"].where(has_any, 0.0).groupby(joined["block_id"]).sum()
    share_known = (covered / area).reindex(soil["block_id"]).fillna(0.0).clip(upper=1.0).to_numpy()
    enough = share_known >= soil_defaults()["least_cover"]["value"]
    soil.loc[~enough, list(NUMBERS)] = np.nan
    soil["covered_fraction"] = np.where(enough, share_known, 0.0)
    soil["source"] = np.where(soil["covered_fraction"] > 0, "soil survey", "")

    mixed = parts[parts["block_id"].isin(soil["block_id"][enough])].merge(drainage, on="mukey")
    mixed["share_fraction"] *= mixed["area_m2"]
    shares = mixed.groupby(["block_id", "class_name"], as_index=False)["share_fraction"].sum()
    shares["share_fraction"] /= shares.groupby("block_id")["share_fraction"].transform("sum")
    shares.insert(1, "soil_property", "drainage_class")
    bare = joined[~has_any].groupby("block_id")["mukey"].agg(lambda keys: ", ".join(sorted(set(keys))))
    for block, share, used in zip(soil["block_id"], share_known, enough, strict=True):
        if share < WHOLE:
            where = f" (map units without values: {bare[block]})" if block in bare else ""
            what = f"the survey has soil values on {percent(share)} of the block{where}"
            what += "" if used or share <= 0 else "; that is too little to stand for the whole"
            report.note(shown(map_units), f"block {block}", Fate.USED, what)
    if mix[SLOPE_COLUMN].notna().any():
        soil["slope_fraction"] = _slopes(parts, mix).reindex(soil["block_id"]).to_numpy()
    return with_drainage(soil, shares), ClassShare.validate(shares)


def map_unit_soil(
    components: pd.DataFrame, horizons: pd.DataFrame, depth_cm: float
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Soil of each map unit from its components and their horizons.

    Parameters
    ----------
    components : DataFrame
        mukey, cokey, comppct_r [percent], drainagecl.
    horizons : DataFrame
        cokey, hzdept_r and hzdepb_r [cm], and the columns of `HORIZON_VALUES` in survey units.
    depth_cm : float
        Depth from the surface over which horizons are weighted [cm].

    Returns
    -------
    DataFrame
        mukey and the numbers of `Soil`: for each number the mean over the horizons that have it,
        weighted by thickness within `depth_cm`, then over the components that have it, weighted by
        their per cent; NaN where none has it.
    DataFrame
        mukey, class_name, share_fraction: by per cent of the components that have a drainage class.
    """
    layers = horizons.copy()
    layers["_cm"] = (layers["hzdepb_r"].clip(upper=depth_cm) - layers["hzdept_r"]).clip(lower=0.0)
    by_component = pd.DataFrame(index=pd.Index(components["cokey"].unique(), name="cokey"))
    for survey, (column, factor) in HORIZON_VALUES.items():
        known = layers[layers[survey].notna() & (layers["_cm"] > 0)]
        total = (known[survey] * known["_cm"]).groupby(known["cokey"]).sum()
        by_component[column] = total / known["_cm"].groupby(known["cokey"]).sum() * factor
    mix = components.merge(by_component, left_on="cokey", right_index=True, how="left")
    values = pd.DataFrame(index=pd.Index(sorted(components["mukey"].unique()), name="mukey"))
    for column in NUMBERS:
        known = mix[mix[column].notna() & (mix["comppct_r"] > 0)]
        total = (known[column] * known["comppct_r"]).groupby(known["mukey"]).sum()
        values[column] = total / known["comppct_r"].groupby(known["mukey"]).sum()
    classed = components[components["drainagecl"].notna() & (components["comppct_r"] > 0)]
    drainage = classed.groupby(["mukey", "drainagecl"], as_index=False)["comppct_r"].sum()
    drainage["share_fraction"] = drainage["comppct_r"] / drainage.groupby("mukey")["comppct_r"].transform("sum")
    drainage = drainage.rename(columns={"drainagecl": "class_name"}).drop(columns="comppct_r")
    return values.reset_index(), drainage


def read_components(path: Path, shown: Callable[[Path], str], mukeys: set[str], report: ImportReport) -> pd.DataFrame:
    """The components of some map units: mukey, cokey, comppct_r and slope_r [percent], drainagecl (None if not rated).

    Raises
    ------
    InputProblem
        If the table cannot be read, a column is missing, a per cent is not a number or a class unknown.
    """
    table = _read_table(path, COMPONENT_COLUMNS, shown, report, "component", (SLOPE_COLUMN,))
    read = len(table)
    table = table[table["mukey"].isin(mukeys)].reset_index(drop=True)
    for column in ("comppct_r", SLOPE_COLUMN):
        table[column] = _numbers(table[column], shown(path))
    table["drainagecl"] = [
        drainage_class(word, shown(path), f"component {key}") if word else None
        for word, key in zip(table["drainagecl"], table["cokey"], strict=True)
    ]
    unweighted = table["comppct_r"].isna()
    for key in table["cokey"][unweighted]:
        report.note(shown(path), f"component {key}", Fate.SKIPPED, "has no per cent of its map unit")
    report.count(shown(path), read, int((~unweighted).sum()), elsewhere=read - len(table))
    return table[~unweighted].reset_index(drop=True)


def read_horizons(
    path: Path, shown: Callable[[Path], str], cokeys: set[str], depth_cm: float, report: ImportReport
) -> pd.DataFrame:
    """The horizons of some components that begin above a depth; columns as `HORIZON_COLUMNS`.

    Raises
    ------
    InputProblem
        If the table cannot be read, a column is missing, or a value is not a number.
    """
    table = _read_table(path, HORIZON_COLUMNS, shown, report, "horizon")
    read = len(table)
    table = table[table["cokey"].isin(cokeys)].reset_index(drop=True)
    for column in HORIZON_COLUMNS[1:]:
        table[column] = _numbers(table[column], shown(path))
    shallow = table[~(table["hzdept_r"] >= depth_cm)]
    no_depth = shallow["hzdept_r"].isna() | shallow["hzdepb_r"].isna()
    bare = ~no_depth & shallow[list(HORIZON_VALUES)].isna().all(axis=1)
    for cokey in shallow["cokey"][no_depth]:
        report.note(shown(path), f"component {cokey}", Fate.SKIPPED, "a horizon has no depth")
    for cokey in shallow["cokey"][bare]:
        report.note(shown(path), f"component {cokey}", Fate.SKIPPED, "a horizon has no values")
    used = shallow[~no_depth & ~bare]
    report.count(shown(path), read, len(used), elsewhere=read - len(shallow))
    return used.reset_index(drop=True)


def _slopes(parts: pd.DataFrame, mix: pd.DataFrame) -> pd.Series:
    """Mean slope of each block [fraction], by per cent of the components and area of the map units."""
    known = mix[mix[SLOPE_COLUMN].notna() & (mix["comppct_r"] > 0)]
    weighted = (known[SLOPE_COLUMN] * known["comppct_r"]).groupby(known["mukey"]).sum()
    by_unit = weighted / known["comppct_r"].groupby(known["mukey"]).sum() / 100.0
    joined = parts.assign(slope=parts["mukey"].map(by_unit)).dropna(subset="slope")
    total = joined["area_m2"].groupby(joined["block_id"]).sum()
    return (joined["slope"] * joined["area_m2"]).groupby(joined["block_id"]).sum() / total


def _cells(blocks: gpd.GeoDataFrame, path: Path, shown: Callable[[Path], str], report: ImportReport) -> pd.DataFrame:
    """As `_cut`, from a raster of map-unit keys."""
    shares, covered = class_shares(blocks, path, None, "mukey", shown)
    names = blocks["block_id"].astype(str).to_numpy()
    area = pd.Series(blocks.geometry.to_crs(_equal_area(blocks)).area.to_numpy(), index=names)
    report.assume(f"{shown(path)} is read as a raster of map-unit keys, counted by area in each block.")
    part_m2 = shares["share_fraction"] * shares["block_id"].map(covered * area)
    return pd.DataFrame({"block_id": shares["block_id"], "mukey": shares["class_name"], "area_m2": part_m2})


def _cut(blocks: gpd.GeoDataFrame, path: Path, shown: Callable[[Path], str], report: ImportReport) -> pd.DataFrame:
    """The parts of blocks in map units: block_id, mukey, area_m2 on the ellipsoid."""
    file = shown(path)
    units, _ = read_polygon_file(path, file, None)
    if units.crs is None:
        remedy = "Add the .prj file, or assign the reference system that it was made in"
        raise InputProblem(file, "", "has no coordinate reference system", remedy)
    key = {str(c).lower(): c for c in units.columns}.get("mukey")
    if key is None:
        remedy = "Export the map-unit polygons with the column mukey"
        raise InputProblem(file, "", "has no column mukey, which ties polygons to the tables", remedy)
    crs = _equal_area(blocks)
    try:
        units = units[units.geometry.notna()].to_crs(crs).reset_index(drop=True)
    except ProjError as error:
        what = "its coordinates do not fit its coordinate reference system"
        raise InputProblem(file, "", what, "Assign the one it was made in") from error
    sound = np.array([np.isfinite(shapely.get_coordinates(shape)).all() for shape in units.geometry], dtype=bool)
    if not sound.all():
        what = f"{int((~sound).sum())} outlines have a coordinate that is not a number"
        raise InputProblem(file, "", what, "Download the survey again")
    placed = blocks.to_crs(crs)
    names = blocks["block_id"].astype(str).to_numpy()
    shapes, outlines = np.asarray(units.geometry.array), np.asarray(placed.geometry.array)
    at_block, at_unit = shapely.STRtree(shapes).query(outlines)  # by boxes, which invalid shapes have too
    if not len(at_block):
        west, south, east, north = units.to_crs("EPSG:4326").total_bounds
        w, s, e, n = blocks.to_crs("EPSG:4326").total_bounds
        raise misses_the_farm(file, (west, south, east, north), (w, s, e, n), "Give the survey of the farm's county")
    for number in np.unique(at_unit):
        if not shapely.is_valid(shapes[number]):
            shapes[number] = shapely.make_valid(shapes[number])
            report.note(file, f"row {number + 1}", Fate.REPAIRED, "the outline of the map unit crossed itself")
    hit = len(np.unique(at_unit))
    report.count(file, len(units), hit, elsewhere=len(units) - hit)
    parts = pd.DataFrame(
        {
            "block_id": names[at_block],
            "mukey": units[key].astype(str).str.strip().to_numpy()[at_unit],
            "area_m2": shapely.area(shapely.intersection(outlines[at_block], shapes[at_unit])),
        }
    )
    parts = parts.groupby(["block_id", "mukey"], as_index=False)["area_m2"].sum()
    return parts[parts["area_m2"] > 0].reset_index(drop=True)


def _equal_area(blocks: gpd.GeoDataFrame) -> str:
    west, south, east, north = blocks.to_crs("EPSG:4326").total_bounds
    return f"+proj=laea +lat_0={(south + north) / 2:.6f} +lon_0={(west + east) / 2:.6f} +datum=WGS84 +units=m"


@cache
def _raw_columns() -> dict[str, Any]:
    return tomllib.loads(Path(__file__).with_name("survey_columns.toml").read_text(encoding="utf-8"))


def _read_table(
    path: Path,
    wanted: tuple[str, ...],
    shown: Callable[[Path], str],
    report: ImportReport,
    raw: str,
    optional: tuple[str, ...] = (),
) -> pd.DataFrame:
    """Some columns of a survey table as text, empty where there is nothing."""
    file = shown(path)
    try:
        check_size(path, file)
        with path.open(encoding="utf-8-sig", newline="") as lines:
            first = lines.readline()
            separator = max("|,;\t", key=first.count)
            header = next(csv.reader([first], delimiter=separator), [])
        names = [name.strip().lower().replace(".", "_") for name in header]
        layout = _raw_columns()[raw]
        has_heading = bool(set(names) & {"mukey", "cokey", "comppct_r"})
        if not has_heading and not (separator == "|" and len(header) == layout["columns"]):
            what = "has no header line, nor the columns of a raw survey export; which is which cannot be told"
            raise InputProblem(file, "", what, "Export the table with column names")
        if not has_heading:
            report.assume(f"{file} is read as the {raw} table of a raw survey export, which has no header line.")
            names = [next((k for k, at in layout.items() if at == i), f"_{i}") for i in range(len(header))]
        twice = [name for name in (*wanted, *optional) if names.count(name) > 1]
        if twice:
            raise InputProblem(file, "", f"has the column {twice[0]} twice", "Keep one of the two")
        missing = [name for name in wanted if name not in names]
        if missing:
            raise InputProblem(file, "", f"has no column {', '.join(missing)}", "Export the table with it")
        table = pd.read_csv(
            path,
            sep=separator,
            dtype=str,
            encoding="utf-8-sig",
            na_values=["NA", ""],
            header=0 if has_heading else None,
            index_col=False,
        )
    except (OSError, UnicodeDecodeError, csv.Error, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        why = " ".join(str(error).split())
        raise InputProblem(file, "", f"cannot be read as a table ({why})", "Give a CSV file in UTF-8") from None
    table.columns = pd.Index(names[: len(table.columns)])
    for name in optional:
        if name not in table:
            table[name] = ""
    kept = table[[*wanted, *optional]]
    return kept.fillna("").apply(lambda column: column.astype(str).str.strip())


def _numbers(column: pd.Series, file: str) -> pd.Series:
    numbers = pd.to_numeric(column.where(column != ""), errors="coerce")
    wrong = (column != "") & numbers.isna()
    if wrong.any():
        row = int(wrong.idxmax())
        remedy = "Correct the table, or leave the cell empty"
        raise InputProblem(file, f"column {column.name}", f"{column[row]!r} is not a number", remedy)
    return numbers.astype(float)


def _report_bare_components(mix: pd.DataFrame, profile: pd.DataFrame, file: str, report: ImportReport) -> None:
    """Name the components that have a share of a map unit but neither horizons nor a drainage class."""
    bare = mix[~mix["cokey"].isin(profile["cokey"]) & mix["drainagecl"].isna()]
    for key, mukey, share in zip(bare["cokey"], bare["mukey"], bare["comppct_r"], strict=True):
        what = f"{share:g} % of map unit {mukey} without any value; the other components stand for it"
        report.note(file, f"component {key}", Fate.USED, what)
