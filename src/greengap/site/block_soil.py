"""Soil by block from a table: what was derived elsewhere, or measured on the block as a whole."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from greengap.errors import Fate, ImportReport, InputProblem, several
from greengap.site.soil import EXTRAS, NUMBERS, drainage_class, no_soil, soil_defaults, with_drainage
from greengap.tables import ClassShare, DataFrame

SHARES = "drainage_shares"
COLUMNS = ("block", *NUMBERS, "drainage_class", SHARES, "covered_fraction", "source", *EXTRAS)
POSSIBLE_EXTRAS = {"slope_fraction": (0.0, 1.0), "aspect_deg": (0.0, 359.999)}


def block_soil_rows(soil: pd.DataFrame, shares: pd.DataFrame) -> pd.DataFrame:
    """The soil table as `soil_from_table` reads it: one row for each block, drainage shares as text.

    Parameters
    ----------
    soil : DataFrame[Soil]
    shares : DataFrame[ClassShare]
    """
    mine = shares[shares["soil_property"] == "drainage_class"]
    words = {
        block: "; ".join(f"{c} {s!r}" for c, s in zip(rows["class_name"], rows["share_fraction"].tolist(), strict=True))
        for block, rows in mine.groupby("block_id")
    }
    out = soil.rename(columns={"block_id": "block"})
    out = out.assign(**{SHARES: [words.get(block, "") for block in out["block"]]})
    return out[[column for column in COLUMNS if column in out]]


def soil_from_table(
    blocks: gpd.GeoDataFrame, path: Path, shown: Callable[[Path], str], report: ImportReport
) -> tuple[pd.DataFrame, DataFrame[ClassShare]]:
    """Soil of blocks from a CSV with one row for each.

    Parameters
    ----------
    blocks : GeoDataFrame
        Column block_id.
    path : Path
        Columns ``block`` and any of ``clay_fraction``, ``sand_fraction``, ``organic_matter_fraction``, ``ph``,
        ``available_water_fraction``, ``bulk_density_mg_m3``, ``drainage_class``, ``drainage_shares``
        (``well drained 0.7; poorly drained 0.3``), ``covered_fraction``, ``source``, ``slope_fraction``,
        ``aspect_deg``.
    shown : callable
        How a path is named to the user.
    report : ImportReport
        Counts the rows, and takes those of other blocks.

    Returns
    -------
    DataFrame
        Partial soil, see `soil.no_soil`.
    DataFrame[ClassShare]
        Drainage classes.

    Raises
    ------
    InputProblem
        If the file is no such table, a cell cannot be read, a value is impossible, or a block comes twice.
    """
    file = shown(path)
    try:
        with path.open(encoding="utf-8-sig", newline="") as lines:
            reader = csv.DictReader(line for line in lines if not line.startswith("#"))
            rows, header = list(reader), [str(name).strip().lower() for name in reader.fieldnames or []]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputProblem(file, "", f"cannot be read as a table ({error})", "Give a CSV file in UTF-8") from None
    if "block" not in header:
        raise InputProblem(file, "", "has no column block", f"Its columns may be {', '.join(COLUMNS)}")
    unknown = [name for name in header if name and name not in (*COLUMNS, "texture_class", "drainage_share_fraction")]
    if unknown:
        report.assume(f"{file}: nothing is read from {', '.join(unknown)}.")
    soil, found, shares = no_soil(blocks), [], []
    known, seen = set(soil["block_id"]), set()
    soil = soil.set_index("block_id")
    possible = {rule["column"]: rule["possible"] for rule in soil_defaults()["raster"].values()} | POSSIBLE_EXTRAS
    soil = soil.assign(**{column: np.nan for column in EXTRAS if column in header})
    used = 0
    for number, raw in enumerate(rows, start=2):
        row = {
            str(k).strip().lower(): (v or "").strip()
            for k, v in raw.items()
            if k is not None and not isinstance(v, list)
        }
        block, place = row.get("block", ""), f"row {number}"
        if block not in known:
            report.note(file, place, Fate.SKIPPED, f"there is no block {block!r}")
            continue
        if block in seen:
            found.append((place, f"block {block} comes twice"))
            continue
        seen.add(block)
        used += 1
        for column in (*NUMBERS, *EXTRAS):
            if not row.get(column):
                continue
            try:
                value = float(row[column])
            except ValueError:
                found.append((f"{place} ({block}), {column}", f"{row[column]!r} is not a number"))
                continue
            low, high = possible.get(column, (0.05, 3.0))
            if not low <= value <= high:
                found.append((f"{place} ({block}), {column}", f"{value:g} is not between {low:g} and {high:g}"))
                continue
            soil.loc[block, column] = value
        if row.get(SHARES):
            shares += _shares(row[SHARES], file, f"{place} ({block})", block)
        elif row.get("drainage_class"):
            word = drainage_class(row["drainage_class"], file, f"{place} ({block})")
            shares.append((block, "drainage_class", word, 1.0))
        try:
            cover = float(row.get("covered_fraction") or 1.0)
        except ValueError:
            cover = np.nan
        if not 0 <= cover <= 1:
            found.append((f"{place} ({block}), covered_fraction", "is not a share between 0 and 1"))
        soil.loc[block, "covered_fraction"] = cover
        soil.loc[block, "source"] = row.get("source") or file
    if found:
        raise several(file, found, "Correct these cells; fractions are shares from 0 to 1")
    report.count(file, len(rows), used)
    table = pd.DataFrame(shares, columns=list(ClassShare.to_schema().columns))
    checked = ClassShare.validate(table) if len(table) else ClassShare.empty()
    return with_drainage(soil.reset_index(), checked), checked


def _shares(text: str, file: str, place: str, block: str) -> list[tuple[str, str, str, float]]:
    """Drainage classes with their shares, from text such as ``well drained 0.7; poorly drained 0.3``."""
    out = []
    for part in text.split(";"):
        words, _, number = part.strip().rpartition(" ")
        try:
            share = float(number)
        except ValueError:
            share = -1.0
        if not 0 <= share <= 1.000001:
            what = f"{part.strip()!r} is not a drainage class and its share"
            raise InputProblem(file, f"{place}, {SHARES}", what, "Write well drained 0.7; poorly drained 0.3")
        out.append((block, "drainage_class", drainage_class(words, file, place), share))
    return out
