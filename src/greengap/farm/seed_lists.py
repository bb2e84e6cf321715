"""Seed in the shed and seed on offer: two lists that a farm keeps beside ``farm.toml``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from greengap.catalogue import Catalogue
from greengap.errors import ImportReport, InputProblem
from greengap.farm.list_file import Check, ListFile, ListRow
from greengap.farm.settings import SeedLot, suggestion
from greengap.units import POUND_KG

STOCK_FILE, PRICE_FILE = "seed_stock.csv", "seed_prices.csv"
INOCULANT = "inoculant "  # before the name of a group, in the column species of the price list
TAG_COLUMNS = ("purity_percent", "germination_percent", "hard_seed_percent")
STOCK_COLUMNS = ("lot", "kg", "lb", *TAG_COLUMNS, "tested", "noxious", "organic", "treated", "note")
PRICE_COLUMNS = (
    "supplier", "product", "bag_kg", "bag_lb", "price", "currency", *TAG_COLUMNS, "tested", "noxious", "organic",
    "treated", "available_kg", "available_lb", "note",
)  # fmt: skip


@dataclass(frozen=True)
class StockLot:
    """Seed in the shed; `tag` is None where it says neither purity nor germination.

    Attributes
    ----------
    tested : Timestamp or None
        Day of the germination test.
    noxious : str
        What the tag says of noxious weed seed, as the farm copied it.
    """

    species: str
    lot: str
    kg: float
    tag: SeedLot | None
    organic: bool | None
    treated: bool | None
    note: str = ""
    tested: pd.Timestamp | None = None
    noxious: str = ""


@dataclass(frozen=True)
class Offer:
    """A bag of seed, or a pack of inoculant, as a supplier quotes it.

    Attributes
    ----------
    species : str
        Species, or the inoculant group where `is_inoculant`.
    bag_kg : float
        Seed in a bag, or the seed that a pack treats [kg].
    price : float or None
        Of one bag or pack; None where it is not quoted.
    available_kg : float or None
        None where the supplier names no limit [kg].
    """

    species: str
    supplier: str
    product: str
    bag_kg: float
    price: float | None
    currency: str
    tag: SeedLot | None
    organic: bool | None
    treated: bool | None
    available_kg: float | None
    is_inoculant: bool = False
    note: str = ""
    tested: pd.Timestamp | None = None
    noxious: str = ""


@dataclass(frozen=True)
class SeedLists:
    """What is in the shed and on offer.

    Attributes
    ----------
    priced : bool
        False where there is no price list at all.
    tags : dict of species to SeedLot
        Tags that ``farm.toml`` names, for seed without a quote.
    """

    stock: tuple[StockLot, ...] = ()
    offers: tuple[Offer, ...] = ()
    priced: bool = False
    files: tuple[Path, ...] = ()
    tags: dict[str, SeedLot] = field(default_factory=dict)

    @property
    def currency(self) -> str:
        """The one currency of the price list, empty where none is named."""
        return next((offer.currency for offer in self.offers if offer.currency), "")

    def sold_out(self) -> tuple[str, ...]:
        """Species that are on the price list and that nobody has left."""
        offered = {o.species for o in self.offers if not o.is_inoculant}
        left = {o.species for o in self.offers if o.available_kg is None or o.available_kg > 0}
        in_shed = {lot.species for lot in self.stock if lot.kg > 0}
        return tuple(sorted(offered - left - in_shed))


def read_seed_lists(stock: Path | None, prices: Path | None, catalogue: Catalogue, report: ImportReport) -> SeedLists:
    """Read the shed and the price list.

    Parameters
    ----------
    stock, prices : Path or None
        None where there is none.
    catalogue : Catalogue
    report : ImportReport
        Receives the row counts.

    Returns
    -------
    SeedLists

    Raises
    ------
    InputProblem
        If a species is not known, a bag weighs nothing, an amount is below zero, a share of the tag cannot be,
        or two currencies stand in one list. All places are told at once.
    """
    lots = _read_stock(stock, catalogue, report) if stock is not None else ()
    offers = _read_prices(prices, catalogue, report) if prices is not None else ()
    files = tuple(path for path in (stock, prices) if path is not None)
    return SeedLists(lots, offers, prices is not None, files)


def add_tags(lists: SeedLists, tags: dict[str, SeedLot]) -> SeedLists:
    """Give lots and offers without a tag of their own the one that ``farm.toml`` names for the species."""
    return replace(
        lists,
        tags=dict(tags),
        stock=tuple(replace(lot, tag=lot.tag or tags.get(lot.species)) for lot in lists.stock),
        offers=tuple(
            o if o.is_inoculant else replace(o, tag=o.tag or tags.get(o.species)) for o in lists.offers
        ),
    )  # fmt: skip


def _species(file: ListFile, row: ListRow, catalogue: Catalogue) -> str:
    """Key of the species that a row names by key or by trade name; empty where it is not known."""
    said = row.text("species")
    names = {s.name.lower(): key for key, s in catalogue.species.items()}
    key = said if said in catalogue.species else names.get(said.lower(), "")
    if said and not key:
        what = f"{said:.40} is not a species of the catalogue"
        file.problem(row.line, "species", what, suggestion(said.lower().replace(" ", "_"), sorted(catalogue.species)))
    return key


def _tag(file: ListFile, row: ListRow) -> SeedLot | None:
    """Purity, germination and hard seed from the tag, None where neither is given."""

    def percent(lowest: float) -> Check:
        def check(value: float) -> str:
            if value < 0:
                return f"{value:g} % is below nothing"
            if value > 100:
                return f"{value:g} % is more than all of the seed"
            if lowest == 0 and 0 < value <= 1:
                return f"{value:g} % looks like a share; the column is in per cent"
            return f"{value:g} % would mean that no seed lives" if value <= lowest else ""

        return check

    remedy = "Copy the figure from the tag, as 85 for 85 %; leave the cell empty if there is no tag"
    purity, germination = (file.number(row, c, percent(0.0), remedy) for c in TAG_COLUMNS[:2])
    hard = file.number(row, TAG_COLUMNS[2], percent(-1.0), remedy) or 0.0
    if (purity is None) != (germination is None):
        missing = TAG_COLUMNS[0] if purity is None else TAG_COLUMNS[1]
        if not row.text(missing):
            file.problem(row.line, missing, "is empty beside the other figure of the tag", remedy)
        return None
    if purity is None or germination is None:
        return None
    if germination + hard > 100:
        what = f"germination and hard seed add up to {germination + hard:g} %"
        file.problem(row.line, TAG_COLUMNS[2], what, "Correct one of them from the tag")
        return None
    return SeedLot(purity / 100, germination / 100, hard / 100)


def _weight(file: ListFile, row: ListRow, kg: str, lb: str, check: Check, remedy: str) -> float | None:
    """A weight given in kilograms or in pounds [kg]."""
    if row.text(kg) and row.text(lb):
        file.problem(row.line, f"{kg} and {lb}", "both are filled", "Fill one of the two")
        return None
    value = file.number(row, kg, check, remedy)
    if value is not None:
        return value
    pounds = file.number(row, lb, check, remedy)
    return None if pounds is None else pounds * POUND_KG


def _read_stock(path: Path, catalogue: Catalogue, report: ImportReport) -> tuple[StockLot, ...]:
    file = ListFile(path, path.name, ("species",), STOCK_COLUMNS)
    out = []

    def amount(value: float) -> str:
        return f"{value:g} cannot be in the shed" if value < 0 else ""

    for row in file.rows:
        kg = _weight(file, row, "kg", "lb", amount, "Write what is there, 0 for nothing")
        if not row.text("kg") and not row.text("lb"):
            file.problem(row.line, "kg", "the cell is empty", "Write what is there, in kg or in lb")
        tested = file.day(row, "tested")
        species, tag = _species(file, row, catalogue), _tag(file, row)
        lot = row.text("lot") or f"in the shed, row {row.line}"
        out.append(
            StockLot(
                species, lot, kg or 0.0, tag, file.yes(row, "organic"), file.yes(row, "treated"), row.text("note"),
                tested, row.text("noxious"),
            )
        )  # fmt: skip
    file.finish()
    report.count(path.name, len(file.rows), len(out))
    return tuple(out)


def _read_prices(path: Path, catalogue: Catalogue, report: ImportReport) -> tuple[Offer, ...]:
    file = ListFile(path, path.name, ("species",), PRICE_COLUMNS)
    groups = sorted({s.text("inoculant") for s in catalogue.species.values()} - {""})
    out = []

    def bag(value: float) -> str:
        return f"a bag of {value:g} holds no seed" if value <= 0 else ""

    def price(value: float) -> str:
        return f"a price of {value:g} is below nothing" if value < 0 else ""

    def available(value: float) -> str:
        return f"{value:g} cannot be available" if value < 0 else ""

    for row in file.rows:
        said = row.text("species").lower()
        is_inoculant = said.startswith(INOCULANT)
        if is_inoculant:
            species = said.removeprefix(INOCULANT).strip()
            if species not in groups:
                file.problem(row.line, "species", f"{species:.40} is no inoculant group", suggestion(species, groups))
        else:
            species = _species(file, row, catalogue)
        weight = _weight(file, row, "bag_kg", "bag_lb", bag, "Write the weight of a full bag")
        if not row.text("bag_kg") and not row.text("bag_lb"):
            file.problem(row.line, "bag_kg", "the cell is empty", "Write the weight of a full bag, in kg or in lb")
        out.append(
            Offer(
                species,
                row.text("supplier"),
                row.text("product"),
                weight or 1.0,
                file.number(row, "price", price, "Write what a bag costs; leave it empty if nobody quoted"),
                row.text("currency"),
                None if is_inoculant else _tag(file, row),
                file.yes(row, "organic"),
                file.yes(row, "treated"),
                _weight(
                    file, row, "available_kg", "available_lb", available, "Write 0 for sold out, nothing for no limit"
                ),
                is_inoculant,
                row.text("note"),
                file.day(row, "tested"),
                row.text("noxious"),
            )
        )
    file.finish()
    currencies: Sequence[str] = sorted({o.currency for o in out if o.currency})
    if len(currencies) > 1:
        what = f"holds prices in {' and '.join(currencies)}, which do not add up"
        raise InputProblem(path.name, "currency", what, "Keep one currency in the list")
    report.count(path.name, len(file.rows), len(out))
    return tuple(out)
