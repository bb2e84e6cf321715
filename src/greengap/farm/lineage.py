"""Where blocks come from: split, merged, renamed; so that what is known of old blocks goes on with their ground."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from pathlib import Path

import pandas as pd
import shapely
from shapely.errors import ShapelyError

from greengap.errors import ImportReport
from greengap.farm.list_file import ListFile
from greengap.tables import BlockLineage, DataFrame

LINEAGE_FILE = "block_lineage.csv"  # beside farm.toml; a farm file holds the same as a table
WAYS = ("split", "merged", "renamed", "beds", "buffer", "cut out")
COLUMNS = ("block", "from_block", "way", "date", "outline")


def read_lineage(path: Path, shown: str, report: ImportReport, blocks: Collection[str]) -> DataFrame[BlockLineage]:
    """Read where blocks come from.

    Parameters
    ----------
    path : Path
        CSV with the columns block, from_block, way, date, and where it is known outline: that of from_block as it was,
        as WKT in WGS84.
    shown : str
        Name of the file as the user knows it.
    report : ImportReport
        Counts the rows.
    blocks : collection of str
        Blocks of the farm.

    Returns
    -------
    DataFrame[BlockLineage]

    Raises
    ------
    InputProblem
        If a block is neither one of the farm nor one that others come from, a way or a day cannot be read, or a block
        comes of itself by way of others.
    """
    file = ListFile(path, shown, COLUMNS[:4], COLUMNS[4:])
    ways = ", ".join(WAYS)
    known = {*blocks, *(row.text("from_block") for row in file.rows)}
    rows = []
    for row in file.rows:
        block, parent, way = row.text("block"), row.text("from_block"), row.text("way").lower()
        if block and block not in known:
            remedy = "Name a block of the farm, or one that another row names under from_block"
            file.problem(row.line, "block", f"{block:.40} is not known", remedy)
        if way and way not in WAYS:
            file.problem(row.line, "way", f"{way:.40} is none of {ways}", f"Write one of {ways}")
        if block and block == parent and way not in ("cut out", "merged"):
            file.problem(
                row.line, "from_block", f"{block:.40} cannot come of itself", "Name the block as it was called"
            )
        outline = row.text("outline")
        if outline:
            try:
                if shapely.from_wkt(outline).geom_type not in ("Polygon", "MultiPolygon"):
                    raise ShapelyError
            except ShapelyError:
                file.problem(row.line, "outline", "is not an outline in WKT", "Leave the cell empty, or correct it")
        rows.append((block, parent, way, file.day(row, "date"), outline))
    found = pd.DataFrame(rows, columns=list(BlockLineage.to_schema().columns))
    pairs = [(b, p) for b, p in zip(found["block_id"], found["parent_id"], strict=True) if b != p]
    for number, (block, parent) in enumerate(pairs):
        if block in _above(parent, pairs):
            line = file.rows[number].line
            file.problem(
                line, "from_block", f"{block:.40} comes of {parent:.40}, which comes of it", "Take one row out"
            )
    file.finish()
    report.count(shown, len(file.rows), len(rows))
    return BlockLineage.validate(found) if rows else BlockLineage.empty()


def to_text(lineage: DataFrame[BlockLineage]) -> str:
    """Lineage as CSV; `read_lineage` reads it."""
    names = {"block_id": "block", "parent_id": "from_block"}
    return str(lineage.rename(columns=names).to_csv(index=False, date_format="%Y-%m-%d", lineterminator="\n"))


def _above(block: str, pairs: Iterable[tuple[str, str]]) -> set[str]:
    """Everything that a block comes of."""
    parents: dict[str, list[str]] = {}
    for child, parent in pairs:
        parents.setdefault(child, []).append(parent)
    found: set[str] = set()
    wanted = [block]
    while wanted:
        for parent in parents.get(wanted.pop(), []):
            if parent not in found:
                found.add(parent)
                wanted.append(parent)
    return found


def ancestors(lineage: pd.DataFrame, block_id: str) -> dict[str, pd.Timestamp]:
    """Blocks that a block comes of, each with the day until which what is known of it is known of this ground.

    Examples
    --------
    >>> rows = [("East a", "East", "split", "2026-05-01", ""), ("Home", "East a", "renamed", "2027-01-09", "")]
    >>> table = pd.DataFrame(rows, columns=["block_id", "parent_id", "way", "date", "outline"])
    >>> table["date"] = pd.to_datetime(table["date"])
    >>> list(ancestors(table, "Home"))
    ['East a', 'East']
    """
    found: dict[str, pd.Timestamp] = {}
    wanted = [(block_id, pd.Timestamp.max)]
    while wanted:
        name, until = wanted.pop()
        rows = lineage[(lineage["block_id"] == name) & (lineage["parent_id"] != name)]
        for parent, day in zip(rows["parent_id"], rows["date"], strict=True):
            last = min(until, day)
            if parent != block_id and (parent not in found or found[parent] < last):
                found[parent] = last
                wanted.append((str(parent), last))
    return found


def inherited(table: pd.DataFrame, lineage: pd.DataFrame, blocks: Iterable[str], day: str = "date") -> pd.DataFrame:
    """Rows of the blocks of today: their own, and those of the blocks they come of until they were made.

    Parameters
    ----------
    table : DataFrame
        With block_id and a day.
    lineage : DataFrame[BlockLineage]
    blocks : iterable of str
    day : str
        Column of the day.

    Returns
    -------
    DataFrame
        The same columns and `part_of`: the block that the row was written for, empty where it is the block itself.
        Rows of blocks that nothing comes of, and of no block, stay as they are.
    """
    table = table.assign(part_of="")
    if lineage.empty or table.empty:
        return table
    parts, used = [], set()
    for block in blocks:
        for parent, until in ancestors(lineage, block).items():
            theirs = table[(table["block_id"] == parent) & (table[day] <= until)]
            used.update(theirs.index)
            parts.append(theirs.assign(block_id=block, part_of=parent))
    now = set(blocks)
    kept = table[table["block_id"].isin(now) | ~table.index.isin(used)]
    return pd.concat([kept, *(p for p in parts if len(p))]).sort_index(kind="stable").reset_index(drop=True)
