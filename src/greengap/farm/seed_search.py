"""The record of the search for organic seed, as the farm filled it in, and what it still lacks."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from greengap.catalogue import Catalogue
from greengap.errors import ImportReport, InputProblem
from greengap.farm.list_file import ListFile
from greengap.farm.settings import suggestion

SEARCH_FILE = "seed_search.csv"
REASONS = ("form", "quality", "quantity")
COLUMNS = (
    "variety", "quantity", "attempt", "supplier_asked", "date", "organic_offered",
    "why_not_equivalent_form_quality_quantity", "taken_instead",
)  # fmt: skip


@dataclass(frozen=True)
class Attempt:
    """One supplier asked for organic seed of a species; empty texts where the record says nothing.

    Attributes
    ----------
    offered : bool or None
        Organic seed was offered; None where it is not said.
    """

    year: int
    species: str
    supplier: str
    date: pd.Timestamp | None
    offered: bool | None
    why_not: str
    instead: str
    variety: str = ""
    quantity: str = ""

    @property
    def begun(self) -> bool:
        """True if anything was filled in."""
        return bool(self.supplier and (self.date is not None or self.offered is not None or self.why_not))


def read_search(path: Path, catalogue: Catalogue, report: ImportReport | None = None) -> tuple[Attempt, ...]:
    """Read the record; its columns are those that ``greengap order`` writes.

    Parameters
    ----------
    path : Path
    catalogue : Catalogue
    report : ImportReport, optional
        Receives the row counts.

    Returns
    -------
    tuple of Attempt

    Raises
    ------
    InputProblem
        If a year, a species or a day cannot be read. All places are told at once.
    """
    if not path.is_file():
        raise InputProblem(path.as_posix(), "", "there is no such file", "Correct its name")
    file = ListFile(path, path.name, ("year", "species"), COLUMNS)
    names = {s.name.lower(): key for key, s in catalogue.species.items()}
    out = []
    for row in file.rows:
        said = row.text("species")
        key = said if said in catalogue.species else names.get(said.lower(), "")
        if said and not key:
            what = f"{said:.40} is not a species of the catalogue"
            file.problem(row.line, "species", what, suggestion(said.lower(), sorted(catalogue.species)))
        year = file.number(row, "year", _whole, "Write the year of sowing, as 2027")
        out.append(
            Attempt(
                int(year or 0), key, row.text("supplier_asked"), file.day(row, "date"),
                file.yes(row, "organic_offered"), row.text("why_not_equivalent_form_quality_quantity"),
                row.text("taken_instead"), row.text("variety"), row.text("quantity"),
            )
        )  # fmt: skip
    file.finish()
    if report is not None:
        report.count(path.name, len(file.rows), len(out))
    return tuple(out)


def _whole(value: float) -> str:
    return "" if value == int(value) and 1900 < value < 2200 else f"{value:g} is not a year"


def what_is_missing(attempts: Collection[Attempt], species: str, year: int, wanted: int) -> list[str]:
    """What the record of one species and year lacks, each in words; nothing for one that is complete.

    Parameters
    ----------
    attempts : collection of Attempt
    species : str
    year : int
    wanted : int
        Suppliers that are to be asked.

    Returns
    -------
    list of str
        A supplier who offered an equivalent in organic form leaves nothing else to be searched, but then that
        seed has to be taken; an offer that was not taken needs its reason: form, quality or quantity.
    """
    mine = [a for a in attempts if a.species == species and a.year == year and a.begun]
    out = []
    asked = {a.supplier.casefold() for a in mine}
    if len(asked) < wanted:
        out.append(f"{len(asked)} of {wanted} suppliers asked")
    if undated := [a.supplier for a in mine if a.date is None]:
        out.append(f"no date for {', '.join(undated)}")
    if unsaid := [a.supplier for a in mine if a.offered is None]:
        out.append(f"not said whether organic seed was offered by {', '.join(unsaid)}")
    unexplained = [a.supplier for a in mine if a.offered and not any(r in a.why_not.lower() for r in REASONS)]
    if unexplained:
        out.append(f"no reason (form, quality or quantity) against the offer of {', '.join(unexplained)}")
    if mine and not any(a.instead for a in mine):
        out.append("not said what was taken instead")
    return out
