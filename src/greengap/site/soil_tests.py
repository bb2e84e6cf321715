"""Soil tests: points of a sampling, or one row for each block, to values of blocks."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from greengap.errors import Fate, ImportReport, InputProblem, several
from greengap.site.soil import no_soil
from greengap.table_file import read_rows
from greengap.tables import ClassShare, DataFrame

# What a laboratory's columns are called, without their unit: the column of `Soil` and the factor of organic carbon.
NAMES = {
    **dict.fromkeys(("ph", "ph_water", "ph_h2o", "soil_ph", "ph_target"), "ph"),
    **dict.fromkeys(("om", "organic_matter", "som", "humus"), "organic_matter_fraction"),
    **dict.fromkeys(("soc", "oc", "organic_carbon", "soc_target", "total_organic_carbon"), "organic_carbon"),
    **dict.fromkeys(("clay", "clay_target", "clay_content"), "clay_fraction"),
    **dict.fromkeys(("sand", "sand_target", "sand_content"), "sand_fraction"),
}
# Organic matter from organic carbon: 58 % carbon, the factor of van Bemmelen (common practice, no source read).
MATTER_PER_CARBON = 1 / 0.58
FACTORS = {"percent": 0.01, "pct": 0.01, "%": 0.01, "g_kg": 0.001, "g/kg": 0.001, "fraction": 1.0}
LON, LAT = ("lon", "longitude", "x", "long"), ("lat", "latitude", "y")
POSSIBLE = {
    "ph": (3.0, 10.0),
    "organic_matter_fraction": (0.0, 1.0),
    "clay_fraction": (0.0, 1.0),
    "sand_fraction": (0.0, 1.0),
}


@dataclass(frozen=True)
class _Column:
    at: int
    soil: str
    factor: float
    name: str


def soil_from_tests(
    blocks: gpd.GeoDataFrame, path: Path, shown: Callable[[Path], str], report: ImportReport
) -> tuple[pd.DataFrame, DataFrame[ClassShare]]:
    """Soil of blocks from laboratory tests.

    Parameters
    ----------
    blocks : GeoDataFrame
        Columns block_id and geometry, with a CRS.
    path : Path
        CSV or XLSX with a heading. Where: a column ``block``, or ``lon`` and ``lat``, or coordinates whose
        heading ends in an EPSG code (``x_25833``, ``y_25833``). What: ``ph``, ``om``, ``soc``, ``clay``,
        ``sand``, with the unit behind the name (``om_percent``, ``clay (g/kg)``); without one, per cent.
    shown : callable
        How a path is named to the user.
    report : ImportReport
        Counts the rows; takes those in no block, and how many tests stand for each block.

    Returns
    -------
    DataFrame
        Partial soil, see `soil.no_soil`: the mean over the tests in a block.
    DataFrame[ClassShare]
        Empty: tests say nothing of drainage.

    Raises
    ------
    InputProblem
        If the file cannot be read, says neither place nor property, or holds a value that cannot be.
    """
    file = shown(path)
    rows = read_rows(path, file, report)
    if len(rows) < 2:
        raise InputProblem(file, "", "holds no soil test", "Give a heading and a row for each test")
    heading = [cell.strip() for cell in rows[0].cells]
    columns = _columns(heading, file, report)
    where = _places(heading, rows[1:], blocks, file)
    soil = no_soil(blocks).set_index("block_id")
    found: dict[str, dict[str, list[float]]] = {}
    wrong, used = [], 0
    for row, block in zip(rows[1:], where, strict=True):
        values = {}
        for column in columns:
            cell = row.cells[column.at].strip() if column.at < len(row.cells) else ""
            if cell.lower() in ("", "na", "n/a", "-", "nan"):
                continue
            try:
                value = float(cell.replace(",", ".")) * column.factor
            except ValueError:
                wrong.append((f"row {row.number}, {column.name}", f"{cell!r} is not a number"))
                continue
            low, high = POSSIBLE[column.soil]
            if not low <= value <= high:
                wrong.append((f"row {row.number}, {column.name}", f"{cell} cannot be; check the unit in the heading"))
                continue
            values[column.soil] = value
        if block is None:
            report.note(file, f"row {row.number}", Fate.SKIPPED, "lies in no block")
        elif not values:
            report.note(file, f"row {row.number}", Fate.SKIPPED, "has no value")
        else:
            used += 1
            for name, value in values.items():
                found.setdefault(block, {}).setdefault(name, []).append(value)
    if wrong:
        raise several(file, wrong, "Correct the cells, or leave them empty")
    report.count(file, len(rows) - 1, used)
    if not found:
        raise InputProblem(file, "", "no test lies in any block", "Check the coordinates, or name the blocks")
    for block, by_name in found.items():
        for name, several_values in by_name.items():
            soil.loc[block, name] = float(np.mean(several_values))
        tests = max(len(v) for v in by_name.values())
        soil.loc[block, "source"] = f"mean of {tests} soil tests" if tests > 1 else "one soil test"
        soil.loc[block, "covered_fraction"] = 1.0
    few = sorted(block for block, by_name in found.items() if max(len(v) for v in by_name.values()) == 1)
    if few:
        report.assume(f"{file}: one test stands for all of {', '.join(few)}.")
    return soil.reset_index(), ClassShare.empty()


def _columns(heading: list[str], file: str, report: ImportReport) -> list[_Column]:
    """The columns that hold a property, with the factor to SI."""
    columns: list[_Column] = []
    for at, name in enumerate(heading):
        plain, unit = _name_and_unit(name)
        soil = NAMES.get(plain)
        if soil is None:
            continue
        factor = 1.0
        if soil != "ph":
            if unit and unit not in FACTORS:
                what = f"unit {unit!r} of {name} is not known"
                raise InputProblem(file, f"column {name}", what, f"Use one of {', '.join(sorted(FACTORS))}")
            if not unit:
                report.assume(f"{file} does not say the unit of {name}; it is taken as per cent.")
            factor = FACTORS[unit or "percent"]
        if soil == "organic_carbon":
            report.assume(
                f"{file}: organic matter is taken as {MATTER_PER_CARBON:.2f} times the organic carbon in {name}."
            )
            soil, factor = "organic_matter_fraction", factor * MATTER_PER_CARBON
        if any(column.soil == soil for column in columns):
            raise InputProblem(file, f"column {name}", "is there twice in meaning", "Keep one of the two")
        columns.append(_Column(at, soil, factor, name))
    if not columns:
        what = f"has no property that is known among {', '.join(h for h in heading if h) or 'none'}"
        raise InputProblem(file, "", what, "Name the columns ph, om_percent, clay_percent, sand_percent")
    return columns


def _name_and_unit(name: str) -> tuple[str, str]:
    text = name.strip().lower()
    if match := re.fullmatch(r"(.*?)\s*[(\[](.*)[)\]]", text):
        return re.sub(r"[\s-]+", "_", match[1].strip()), match[2].strip()
    text = re.sub(r"[\s-]+", "_", text)
    for unit in ("_percent", "_pct", "_g_kg", "_fraction", "_%"):
        if text.endswith(unit):
            return text.removesuffix(unit), unit.removeprefix("_")
    return text, ""


def _places(heading: list[str], rows: list, blocks: gpd.GeoDataFrame, file: str) -> list[str | None]:
    """The block of each row, None where it is in none."""
    plain = [re.sub(r"[\s-]+", "_", name.lower()) for name in heading]
    names = list(blocks["block_id"].astype(str))
    if "block" in plain:
        at = plain.index("block")
        alike = {re.sub(r"\s", "", name).casefold(): name for name in names}
        cells = [row.cells[at].strip() if at < len(row.cells) else "" for row in rows]
        return [alike.get(re.sub(r"\s", "", cell).casefold()) for cell in cells]
    epsg, at_x, at_y = _coordinates(plain, file)
    xy = np.full((len(rows), 2), np.nan)
    for i, row in enumerate(rows):
        for j, at in enumerate((at_x, at_y)):
            try:
                xy[i, j] = float(row.cells[at].replace(",", ".")) if at < len(row.cells) else np.nan
            except ValueError:
                what = f"{row.cells[at]!r} is not a coordinate"
                raise InputProblem(file, f"row {row.number}", what, "Correct it, or remove the row") from None
    try:
        to_blocks = pyproj.Transformer.from_crs(epsg, blocks.crs, always_xy=True)
    except pyproj.exceptions.CRSError:
        raise InputProblem(file, "", f"EPSG:{epsg} is not known", "Correct the code in the headings") from None
    x, y = to_blocks.transform(xy[:, 0], xy[:, 1])
    points = shapely.points(np.where(np.isfinite(x), x, 0.0), np.where(np.isfinite(y), y, 0.0))
    tree = shapely.STRtree(np.asarray(blocks.geometry.array))
    place: list[str | None] = [None] * len(rows)
    for point, block in zip(*tree.query(points, predicate="intersects"), strict=True):
        if place[point] is None and np.isfinite(x[point]):
            place[point] = names[block]
    return place


def _coordinates(plain: list[str], file: str) -> tuple[int, int, int]:
    """EPSG code and columns of the coordinates."""
    for at, name in enumerate(plain):
        if (match := re.fullmatch(r"x_(?:epsg_?)?(\d{4,6})", name)) is not None:
            other = name.replace("x_", "y_", 1)
            if other in plain:
                return int(match[1]), at, plain.index(other)
    for x, y in zip(LON, LAT, strict=False):
        if x in plain and y in plain and x != "x":
            return 4326, plain.index(x), plain.index(y)
    remedy = (
        "Add a column block, or lon and lat in degrees, or coordinates named x_25833 and y_25833 by their EPSG code"
    )
    raise InputProblem(file, "", "does not say where the tests were taken", remedy)
