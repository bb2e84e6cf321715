"""Sprays that are planned on the farm and beside it: typed by the farm, what the label says in the farm's words.

The program knows no product and no label. What nobody has said counts as harmful to bees.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from greengap.errors import ImportReport
from greengap.farm.list_file import ListFile, ListRow
from greengap.farm.settings import FILE, suggestion
from greengap.units import FOOT_M

SPRAY_FILE = "planned_sprays.csv"
TABLES = "planned_sprays"  # of farm.toml
REQUIRED = ("from",)
OPTIONAL = (
    "block", "neighbour", "distance_m", "distance_ft", "until", "product", "label_on_bees", "harms_bees", "call",
    "note",
)  # fmt: skip
COLUMNS = (*REQUIRED, *OPTIONAL)
NOT_KNOWN = {"", "not known", "unknown", "?"}
LONGEST_D, LONGEST_TEXT, FARTHEST_M = 60, 500, 10_000.0
YEARS = range(1950, 2201)


@dataclass(frozen=True)
class PlannedSpray:
    """A spray on a block of the farm, or on a neighbour's ground.

    Attributes
    ----------
    place : str
        Where it was typed: the file and its row.
    block_id : str
        Block of the farm; empty where it is the `neighbour`'s ground.
    neighbour : str
        Whose ground, in the farm's words.
    distance_m : float or None
        From the neighbour's ground to the farm's nearest block; None where nobody has said [m].
    first, last : Timestamp
        Days on which it may be sprayed.
    product, label_on_bees : str
        As on the label; empty where it is not known.
    harms_bees : bool or None
        What the farm reads on the label; None where it is not known.
    call : str
        Who is to be called before it is sprayed.
    """

    place: str
    block_id: str
    neighbour: str
    distance_m: float | None
    first: pd.Timestamp
    last: pd.Timestamp
    product: str = ""
    label_on_bees: str = ""
    harms_bees: bool | None = None
    call: str = ""
    note: str = ""


def read_sprays(
    path: Path | None, tables: Sequence[Mapping[str, str]], blocks: Sequence[str], report: ImportReport
) -> tuple[PlannedSpray, ...]:
    """Read the list beside ``farm.toml`` and the tables in it.

    Parameters
    ----------
    path : Path or None
        CSV with the columns `COLUMNS`; None where there is none.
    tables : sequence of mapping
        Cells of each ``[[planned_sprays]]`` in ``farm.toml``.
    blocks : sequence of str
        Blocks of the farm.
    report : ImportReport

    Returns
    -------
    tuple of PlannedSpray
        By their first day.

    Raises
    ------
    InputProblem
        If a block is not known, a day or a distance cannot be read, or a row names no ground; all rows at once.
    """
    found = []
    if path is not None:
        file = ListFile(path, path.name, REQUIRED, OPTIONAL)
        found += _sprays(file, f"{path.name} row", blocks)
        report.count(path.name, len(file.rows), len(found))
    if tables:
        found += _sprays(ListFile.of_tables(tables, FILE, TABLES, REQUIRED, OPTIONAL), f"{FILE} spray", blocks)
    return tuple(sorted(found, key=lambda s: (s.first, s.last, s.block_id, s.neighbour, s.product)))


def _sprays(file: ListFile, place: str, blocks: Sequence[str]) -> list[PlannedSpray]:
    out = []
    for row in file.rows:
        first, last = file.day(row, "from"), file.day(row, "until")
        for column, day in (("from", first), ("until", last)):
            if day is not None and day.year not in YEARS:
                file.problem(row.line, column, f"{day:%Y-%m-%d} is no day of a season", "Correct the year")
        if first is not None and last is not None and not 0 <= (last - first).days <= LONGEST_D:
            what = "lies before the day in from" if last < first else f"is more than {LONGEST_D} days after from"
            file.problem(row.line, "until", f"{last:%Y-%m-%d} {what}", "Write the days on which it may be sprayed")
        _ground(file, row, blocks)
        for column in OPTIONAL:
            if len(row.text(column)) > LONGEST_TEXT:
                file.problem(row.line, column, f"has more than {LONGEST_TEXT} letters", "Shorten it")
        metres = _distance(file, row)
        harms = None if row.text("harms_bees").lower() in NOT_KNOWN else file.yes(row, "harms_bees")
        if first is not None:
            out.append(
                PlannedSpray(
                    f"{place} {row.line}", row.text("block"), row.text("neighbour"), metres, first,
                    first if last is None else last,
                    row.text("product"), row.text("label_on_bees"), harms, row.text("call"), row.text("note"),
                )
            )  # fmt: skip
    file.finish()
    return out


def _ground(file: ListFile, row: ListRow, blocks: Sequence[str]) -> None:
    """One of block and neighbour, and a block that is there."""
    block, neighbour = row.text("block"), row.text("neighbour")
    if bool(block) == bool(neighbour):
        what = "both are filled" if block else "both are empty"
        file.problem(row.line, "block and neighbour", what, "Name a block of yours, or say whose ground it is")
    if block and block not in blocks:
        file.problem(row.line, "block", f"{block:.40} is not a block", suggestion(block, list(blocks)))


def _distance(file: ListFile, row: ListRow) -> float | None:
    """How far a neighbour's ground is [m]."""
    remedy = "Write how far it is from your nearest block, in m or in ft; 0 if it lies beside it"

    def far(value: float) -> str:
        return f"a distance of {value:g} cannot be" if not 0 <= value <= FARTHEST_M else ""

    metres, feet = file.number(row, "distance_m", far, remedy), file.number(row, "distance_ft", far, remedy)
    if metres is not None and feet is not None:
        file.problem(row.line, "distance_m and distance_ft", "both are filled", "Fill one of the two")
    found = metres if metres is not None else None if feet is None else feet * FOOT_M
    if found is not None and row.text("block"):
        file.problem(row.line, "distance_m", "is for a neighbour's ground", "Leave it empty for a block of your own")
    return found
