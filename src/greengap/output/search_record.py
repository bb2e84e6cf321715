"""The record of the search for organic seed as it is handed over, with what the farm filled in before."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from greengap.catalogue import Catalogue
from greengap.farm.seed_search import Attempt, what_is_missing
from greengap.plan import Plan
from greengap.tables import DataFrame, OrderLine
from greengap.units import write


def search_record(plan: Plan, lines: DataFrame[OrderLine], attempts: Sequence[Attempt] = ()) -> pd.DataFrame:
    """Rows for the record of the search for organic seed, to be filled in; none where the farm is not organic.

    For each species and year that is to be bought and is not said to be organic, as many attempts as the rule
    ``organic_search_attempts``; what the farm filled in before stands in them, and nothing of it is lost.
    """
    columns = [
        "year", "species", "variety", "quantity", "attempt", "supplier_asked", "date", "organic_offered",
        "why_not_equivalent_form_quality_quantity", "taken_instead",
    ]  # fmt: skip
    if not plan.settings.organic:
        return pd.DataFrame(columns=columns)
    wanted = int(plan.catalogue.rule("organic_search_attempts"))
    kept: dict[tuple[int, str], list[Attempt]] = {}
    for one in attempts:
        if one.begun:
            kept.setdefault((one.year, one.species), []).append(one)
    rows = []
    for (year, species), some in _to_search(lines).groupby(["year", "species"], sort=True):
        done = kept.pop((int(year), str(species)), [])
        asked = {a.supplier for a in done}
        known = [s for s in dict.fromkeys(some["supplier"]) if s and s not in asked]
        quantity = write(int(some["seed_g"].sum()), "g", plan.settings.units)
        name = plan.catalogue.species[str(species)].name
        rows += _attempt_rows(int(year), name, done)
        for attempt in range(len(done) + 1, wanted + 1):
            supplier = known[attempt - len(done) - 1] if attempt - len(done) <= len(known) else ""
            rows.append([int(year), name, "", quantity, attempt, supplier, "", "", "", ""])
    for (year, species), done in sorted(kept.items()):
        rows += _attempt_rows(year, plan.catalogue.species[species].name, done)
    return pd.DataFrame(rows, columns=columns)


def _to_search(lines: DataFrame[OrderLine]) -> pd.DataFrame:
    """What is to be bought and is not said to be organic."""
    return lines[(lines["from_where"] != "shed") & ~lines["organic"].fillna(False).astype(bool)]


def _attempt_rows(year: int, name: str, done: Sequence[Attempt]) -> list[list[object]]:
    said = {True: "yes", False: "no", None: ""}
    return [
        [year, name, a.variety, a.quantity, number, a.supplier, "" if a.date is None else f"{a.date:%Y-%m-%d}",
         said[a.offered], a.why_not, a.instead]
        for number, a in enumerate(done, start=1)
    ]  # fmt: skip


def search_lacks(catalogue: Catalogue, lines: DataFrame[OrderLine], attempts: Sequence[Attempt]) -> Iterator[str]:
    """What the record of the search still lacks, a line for each species and year."""
    wanted = int(catalogue.rule("organic_search_attempts"))
    for year, species in _to_search(lines).groupby(["year", "species"], sort=True).groups:
        lacking = what_is_missing(attempts, species, int(year), wanted)
        name = catalogue.species[species].name
        yield f"{name}, {year}: {'; '.join(lacking) if lacking else 'complete'}."
