"""Names on lists of noxious weeds, and what was sprayed on a block: typed by the farm, from the law and the label."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from greengap.catalogue import Catalogue
from greengap.errors import ImportReport
from greengap.farm.lineage import inherited
from greengap.farm.list_file import ListFile
from greengap.farm.settings import suggestion

NAMES_FILE, HERBICIDE_FILE = "noxious_names.csv", "herbicides.csv"
NAME_COLUMNS = (("name", "list"), ("note",))  # that are needed, and that may be there
HERBICIDE_COLUMNS = (("block", "product", "applied"), ("species", "interval_d", "interval_months", "note"))
OTHER = "other"  # the line of a label for crops that it does not name
DAYS_A_MONTH = 30.4375


@dataclass(frozen=True)
class ListedPlant:
    """A name as a list of noxious weeds or of restricted seed has it."""

    name: str
    list_name: str


@dataclass(frozen=True)
class Sprayed:
    """A product used on a block, and the interval that its label gives for a species.

    Attributes
    ----------
    species : str
        Species, or "other" for crops that the label does not name; empty where no interval was entered.
    interval_d : float or None
        From the label, as the farm typed it [d].
    """

    block_id: str
    product: str
    applied: pd.Timestamp
    species: str = ""
    interval_d: float | None = None


@dataclass(frozen=True)
class LawLists:
    """Both lists; `named` is False where no list of names is there, which clears nothing."""

    plants: tuple[ListedPlant, ...] = ()
    sprayed: tuple[Sprayed, ...] = ()
    named: bool = False
    files: tuple[Path, ...] = ()


def read_law_lists(
    names: Path | None, herbicides: Path | None, blocks: Sequence[str], catalogue: Catalogue, report: ImportReport,
    lineage: pd.DataFrame | None = None,
) -> LawLists:  # fmt: skip
    """Read both lists.

    Parameters
    ----------
    names : Path or None
        CSV with the columns name and list.
    herbicides : Path or None
        CSV with the columns block, product, applied, and for each species that the label names (or "other") a row
        with species and interval_d or interval_months.
    blocks : sequence of str
        Blocks of the farm.
    catalogue : Catalogue
    report : ImportReport
    lineage : DataFrame[BlockLineage], optional
        By which what was sprayed on a block goes on with the blocks that came of it.

    Returns
    -------
    LawLists

    Raises
    ------
    InputProblem
        If a block or species is not known, a day or an interval cannot be read.
    """
    plants = _read_names(names, report) if names is not None else ()
    sprayed = _read_herbicides(herbicides, blocks, catalogue, report, lineage) if herbicides is not None else ()
    return LawLists(plants, sprayed, names is not None, tuple(p for p in (names, herbicides) if p is not None))


def _read_names(path: Path, report: ImportReport) -> tuple[ListedPlant, ...]:
    file = ListFile(path, path.name, *NAME_COLUMNS)
    file.finish()
    report.count(path.name, len(file.rows), len(file.rows))
    return tuple(ListedPlant(row.text("name"), row.text("list")) for row in file.rows)


def _read_herbicides(
    path: Path, blocks: Sequence[str], catalogue: Catalogue, report: ImportReport, lineage: pd.DataFrame | None
) -> tuple[Sprayed, ...]:
    file = ListFile(path, path.name, *HERBICIDE_COLUMNS)
    out = []

    def interval(value: float) -> str:
        return f"an interval of {value:g} is below nothing" if value < 0 else ""

    remedy = "Copy it from the rotation section of the label"
    for row in file.rows:
        block, species = row.text("block"), row.text("species")
        if block and block not in blocks and not (lineage is not None and (lineage["parent_id"] == block).any()):
            file.problem(row.line, "block", f"{block:.40} is not a block", suggestion(block, list(blocks)))
        known = {s.name.lower(): key for key, s in catalogue.species.items()} | {OTHER: OTHER}
        key = species if species in catalogue.species else known.get(species.lower(), "")
        if species and not key:
            what = f"{species:.40} is not a species of the catalogue, nor the word other"
            file.problem(row.line, "species", what, suggestion(species.lower(), sorted(catalogue.species)))
        days = file.number(row, "interval_d", interval, remedy)
        months = file.number(row, "interval_months", interval, remedy)
        if days is not None and months is not None:
            file.problem(row.line, "interval_d and interval_months", "both are filled", "Fill one of the two")
        if (days is not None or months is not None) and not species:
            file.problem(row.line, "species", "an interval without a species", "Name the species, or write other")
        length = days if days is not None else None if months is None else months * DAYS_A_MONTH
        applied = file.day(row, "applied")
        if applied is not None:
            out.append(Sprayed(block, row.text("product"), applied, key if length is not None else "", length))
    file.finish()
    report.count(path.name, len(file.rows), len(out))
    if lineage is None or lineage.empty or not out:
        return tuple(out)
    table = pd.DataFrame(
        {"block_id": [one.block_id for one in out], "applied": [one.applied for one in out], "one": out}
    )
    taken = inherited(table, lineage, blocks, "applied")
    taken = taken[taken["block_id"].isin(list(blocks))]
    return tuple(replace(one, block_id=block) for block, one in zip(taken["block_id"], taken["one"], strict=True))
