"""The season record as lines for a terminal: what holds, and what was corrected, in the farm's units."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from greengap.catalogue import Catalogue
from greengap.farm.season_record import KINDS, current
from greengap.output.summary import aligned
from greengap.tables import DataFrame, SeasonRecord
from greengap.units import System, write

# How a column is said: words before, quantity and unit after. Those that are said by themselves have no words.
SAID: dict[str, tuple[str, str]] = {
    "species": ("", ""), "seed_kg": ("", "kg"), "seed_left_kg": ("left ", "kg"), "area_m2": ("on ", "m2"),
    "lot": ("lot ", ""), "method": ("", ""), "depth_mm": ("", "depth_mm"), "soil_state": ("soil ", ""),
    "weather": ("", ""), "frame": ("frame ", ""), "plants": ("plants ", ""), "cover_fraction": ("ground covered ", "%"),
    "height_mm": ("height ", "depth_mm"), "weed_plants": ("weeds ", ""), "weed_cover_fraction": ("under weeds ", "%"),
    "weed_height_mm": ("weeds high ", "depth_mm"), "weed_level": ("weeds against it: ", ""), "cause": ("", ""),
    "lost_fraction": ("lost ", "%"), "fresh_g": ("fresh ", "g"), "dry_g": ("dry ", "g"),
    "nitrogen_fraction": ("N ", "%"), "carbon_to_nitrogen": ("C:N ", ""), "water_mm": ("", "mm"), "hours": ("", "h"),
    "tool": ("", ""), "days_lost": ("days lost ", ""), "choice": ("", ""), "note": ("", ""),
}  # fmt: skip
YES_NO_SAID = {"tag_kept": ("tag kept", "tag not kept"), "seed_seen": ("seed seen", "no seed seen")}


def row_words(row: Mapping[str, Any], catalogue: Catalogue, units: System) -> str:
    """What a row says besides day and place.

    Parameters
    ----------
    row : mapping
        Of `SeasonRecord`.
    catalogue : Catalogue
    units : str
    """
    parts = []
    kind = KINDS.get(row["what"])
    if row["cover_id"] in catalogue.covers and (kind is None or "cover_id" in kind.columns):
        parts.append(catalogue.covers[row["cover_id"]].name)
    for column, (before, unit) in SAID.items():
        value = row[column]
        if pd.isna(value) or value == "":
            continue
        if column == "species":
            species = catalogue.species.get(value)
            value = species.name if species else value
        parts.append(before + quantity(value, unit, units))
    for column, (yes, no) in YES_NO_SAID.items():
        if not pd.isna(row[column]):
            parts.append(yes if row[column] else no)
    return ", ".join(parts)


def quantity(value: Any, unit: str, units: System) -> str:
    """A value for a person."""
    if isinstance(value, str):
        return value
    if unit == "kg":
        return write(float(value) * 1000, "g", units).replace(".000 ", " ")
    if unit == "%":
        return f"{100 * float(value):g} %"
    if unit in ("g", "h"):
        return f"{float(value):g} {unit}"
    if unit:
        return write(float(value), unit, units)
    return f"{float(value):g}"


def record_lines(
    record: DataFrame[SeasonRecord], catalogue: Catalogue, units: System, every: bool = False
) -> list[str]:
    """The record as a table: what holds, or every row with what became of it.

    Parameters
    ----------
    record : DataFrame[SeasonRecord]
    catalogue : Catalogue
    units : str
    every : bool
        Also what was corrected or struck out.

    Returns
    -------
    list of str
    """
    held = current(record)
    shown = record if every else held
    if shown.empty:
        return ["Nothing is written down yet."]
    ids = set(held["record_id"])
    fate = {row.corrects: "corrected" if row.what != "struck" else "struck out" for row in record.itertuples()}
    rows = []
    for row in shown.sort_values(["date", "visit", "frame"], kind="stable").to_dict("records"):
        state = "" if row["record_id"] in ids else fate.get(row["record_id"], "overtaken")
        if row["what"] == "struck":
            state = ""
        line = [
            row["record_id"][:8], f"{row['date']:%d %b %Y}", row["gap_id"] or row["block_id"] or "whole farm",
            KINDS[row["what"]].words if row["what"] in KINDS else row["what"], row_words(row, catalogue, units),
            row["who"],
        ]  # fmt: skip
        rows.append([*line, state] if every else line)
    heads = ["row", "day", "where", "what", "", "who"] + (["now"] if every else [])
    return list(aligned([heads, *rows]))
