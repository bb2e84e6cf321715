"""The plan as a seed order: lots from the shed, whole bags to buy, inoculant, money, and what is missing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from greengap.advice.seeding import pls_fraction, typical_pls
from greengap.catalogue import Catalogue
from greengap.farm.seed_lists import Offer, SeedLists, StockLot
from greengap.farm.settings import SeedLot
from greengap.tables import DataFrame, InoculantLine, OrderLine, Reserve, SeedNeed, SeedOrder
from greengap.units import POUND_KG

ENOUGH_G = 0.5  # of pure live seed: less is rounding


@dataclass
class _Need:
    """Pure live seed that a species needs in a year, and what is still open of it [g]."""

    species: str
    year: int
    live_g: float
    allowance_fraction: float
    area_m2: float
    needed_by: pd.Timestamp
    blocks: str
    open_g: float = 0.0

    def __post_init__(self) -> None:
        self.open_g = self.live_g


def _needs(seed_need: DataFrame[SeedNeed]) -> list[_Need]:
    out = []
    for (species, year), need in seed_need.groupby(["species", seed_need["sow_date"].dt.year], sort=True):
        out.append(
            _Need(
                str(species),
                int(year),
                float((need["seed_g"] * need["pls_fraction"]).sum()),
                float(need["allowance_fraction"].iloc[0]),
                float(need["area_sown_m2"].sum()),
                need["sow_date"].min(),
                ", ".join(dict.fromkeys(need["block_id"])),
            )
        )
    return sorted(out, key=lambda n: (n.year, n.species))


def lot_pls(tag: SeedLot | None, species: str, catalogue: Catalogue) -> float:
    """Pure live seed of a lot: from its tag, or of an ordinary lot."""
    if tag is None:
        return typical_pls(catalogue.species[species])
    return pls_fraction(tag.purity_fraction, tag.germination_fraction, tag.hard_seed_fraction)


def order_lines(
    seed_need: DataFrame[SeedNeed],
    lists: SeedLists,
    catalogue: Catalogue,
    organic: bool,
    reserve: DataFrame[Reserve] | None = None,
) -> DataFrame[OrderLine]:
    """Fill the need of every species and year from the shed, then from what is on offer.

    Parameters
    ----------
    seed_need : DataFrame[SeedNeed]
    lists : SeedLists
        Shed and price list; without a price list seed is ordered by weight.
    catalogue : Catalogue
    organic : bool
        Treated seed is passed over, organic seed comes first.
    reserve : DataFrame[Reserve], optional
        Seed on top for sowing again: from what is left of lots and bags, then from more bags.

    Returns
    -------
    DataFrame[OrderLine]
        By year and species. Bags are rounded up once for each lot over the whole farm. The shed is emptied in
        the order of the list, the earlier year first; a lot that an organic farm may not use is passed over.

    Notes
    -----
    Of the offers that can fill the rest alone the one with the lowest sum is taken, else the cheapest live
    seed first until the need is filled. Offers without a price come after those with one.
    """
    left = {id(lot): lot.kg * 1000 for lot in lists.stock}
    sold: dict[int, float] = {}
    kept = {} if reserve is None else {(r.species, r.year): float(r.live_seed_g) for r in reserve.itertuples()}
    rows: list[dict[str, Any]] = []
    for need in _needs(seed_need):
        lines = _from_shed(need, lists.stock, left, catalogue, organic)
        lines += _bought(need, lists, sold, catalogue, organic)
        again = kept.get((need.species, need.year), 0.0)
        lines = _with_reserve(need, lines, again, lists, left, sold, catalogue, organic)
        s = catalogue.species[need.species]
        for number, line in enumerate(lines, start=1):
            live = float(line.pop("live_g"))
            line.pop("shed_id", None)
            net = live / (1 + need.allowance_fraction)
            per_g = need.area_m2 / need.live_g * float(line["pls_fraction"])
            rows.append(
                {
                    "year": need.year,
                    "species": need.species,
                    "line": number,
                    "name": s.name,
                    "live_seed_g": round(net),
                    "allowance_g": round(live) - round(net),
                    "left_sows_m2": float(line["left_g"]) * per_g,
                    "currency": lists.currency,
                    "needed_by": need.needed_by,
                    "blocks": need.blocks,
                }
                | line
            )
    table = pd.DataFrame(rows, columns=list(OrderLine.to_schema().columns))
    for column in ("organic", "treated"):
        table[column] = table[column].astype("boolean")
    for column in (
        "bag_kg", "bags", "price_per_bag", "cost", "reserve_cost", "purity_fraction", "germination_fraction",
        "hard_seed_fraction",
    ):  # fmt: skip
        table[column] = table[column].astype(float)
    table["tested"] = pd.to_datetime(table["tested"])
    return OrderLine.validate(table)


def _line(from_where: str, live_g: float, pls: float, tag: SeedLot | None, **more: Any) -> dict[str, Any]:
    return {
        "from_where": from_where,
        "supplier": "",
        "lot": "",
        "organic": None,
        "treated": None,
        "live_g": live_g,
        "pls_fraction": pls,
        "tag_known": tag is not None,
        "purity_fraction": None if tag is None else tag.purity_fraction,
        "germination_fraction": None if tag is None else tag.germination_fraction,
        "hard_seed_fraction": None if tag is None else tag.hard_seed_fraction,
        "tested": None,
        "noxious": "",
        "seed_g": math.ceil(live_g / pls - 1e-9),
        "reserve_g": 0,
        "bag_kg": None,
        "bags": None,
        "left_g": 0,
        "price_per_bag": None,
        "cost": None,
        "reserve_cost": None,
        "note": ""
        if tag is not None
        else "tag not entered: reckoned as an ordinary lot; ask for purity and germination",
    } | more


def _from_shed(
    need: _Need, stock: Sequence[StockLot], left: dict[int, float], catalogue: Catalogue, organic: bool
) -> list[dict[str, Any]]:
    """Lines for the lots in the shed, in the order of the list."""
    lines = []
    for lot in stock:
        if lot.species != need.species or left[id(lot)] < 1 or need.open_g <= ENOUGH_G:
            continue
        if organic and lot.treated:
            continue
        pls = lot_pls(lot.tag, lot.species, catalogue)
        live = min(math.floor(left[id(lot)]) * pls, need.open_g)  # whole grams, as they are weighed
        line = _line(
            "shed", live, pls, lot.tag, lot=lot.lot, organic=lot.organic, treated=lot.treated, tested=lot.tested,
            noxious=lot.noxious, shed_id=id(lot),
        )  # fmt: skip
        line["seed_g"] = min(int(line["seed_g"]), math.floor(left[id(lot)]))
        left[id(lot)] -= float(line["seed_g"])
        line["left_g"] = math.floor(max(left[id(lot)], 0.0))
        if lot.tag is None:
            line["note"] = "tag not entered: count a germination before you rely on it"
        elif lot.tested is not None and (need.needed_by - lot.tested).days > catalogue.rule("germination_test_age"):
            line["note"] = f"tested {lot.tested:%d %b %Y}: count a germination before you rely on the tag"
        need.open_g -= live
        lines.append(line)
    return lines


def _bought(
    need: _Need, lists: SeedLists, sold: dict[int, float], catalogue: Catalogue, organic: bool
) -> list[dict[str, Any]]:
    """Lines for what has to be bought, and for what cannot be had."""
    if need.open_g <= ENOUGH_G:
        return []
    offers = [o for o in lists.offers if o.species == need.species and not o.is_inoculant]
    treated = [o for o in offers if organic and o.treated]
    offers = [o for o in offers if not (organic and o.treated)]
    lines: list[dict[str, Any]] = []
    for offer in _in_order(need, offers, sold, catalogue, organic):
        if need.open_g <= ENOUGH_G:
            break
        pls = lot_pls(offer.tag, offer.species, catalogue)
        most = _bags_left(offer, sold)
        bags = min(math.ceil(need.open_g / pls / offer.bag_kg / 1000 - 1e-9), most)
        if bags < 1:
            continue
        live = min(need.open_g, bags * offer.bag_kg * 1000 * pls)
        line = _line(
            "buy", live, pls, offer.tag, supplier=offer.supplier, lot=offer.product, organic=offer.organic,
            treated=offer.treated, bag_kg=offer.bag_kg, bags=float(bags), price_per_bag=offer.price,
            cost=None if offer.price is None else bags * offer.price, tested=offer.tested, noxious=offer.noxious,
        )  # fmt: skip
        line["left_g"] = max(math.floor(bags * offer.bag_kg * 1000 - float(line["seed_g"])), 0)
        notes = [str(line["note"])] if line["note"] else []
        if offer.price is None:
            notes.append("no price quoted")
        if organic and offer.organic is not True:
            notes.append("not said to be organic: record the search, and see that it is untreated")
        elif organic and offer.treated is None:
            notes.append("ask that it is untreated")
        line["note"] = "; ".join(notes)
        sold[id(offer)] = sold.get(id(offer), 0.0) + bags
        need.open_g -= live
        lines.append(line)
    if need.open_g > ENOUGH_G:
        tag = lists.tags.get(need.species)
        pls = lot_pls(tag, need.species, catalogue)
        known = offers or treated
        if known:
            what = "all that is on offer is treated, which an organic farm may not sow" if not offers else "sold out"
            lines.append(
                _line("missing", need.open_g, pls, tag, note=f"{what}: find another supplier or another cover")
            )
        else:
            what = "not in the price list: ask for a quote" if lists.priced else "no price list: ask for a quote"
            lines.append(_line("no quote", need.open_g, pls, tag, note=what))
        need.open_g = 0.0
    return lines


def _with_reserve(
    need: _Need,
    lines: list[dict[str, Any]],
    live_g: float,
    lists: SeedLists,
    left: dict[int, float],
    sold: dict[int, float],
    catalogue: Catalogue,
    organic: bool,
) -> list[dict[str, Any]]:
    """Lines with seed for sowing again: what their lots and bags have left, then more bags."""
    for line in lines:
        if live_g <= ENOUGH_G:
            return lines
        taken = min(math.ceil(live_g / line["pls_fraction"] - 1e-9), int(line["left_g"]))
        line["reserve_g"] += taken
        line["left_g"] -= taken
        if "shed_id" in line:
            left[line["shed_id"]] -= taken
        live_g -= taken * line["pls_fraction"]
    if live_g <= ENOUGH_G:
        return lines
    more = _bought(replace(need, live_g=live_g), lists, sold, catalogue, organic)
    place = ("from_where", "supplier", "lot", "bag_kg")
    known = {tuple(line[key] for key in place): line for line in lines}
    for extra in more:
        extra["reserve_g"], extra["seed_g"], extra["live_g"] = extra["seed_g"], 0, 0.0
        extra["reserve_cost"] = extra["cost"]
        same = known.get(tuple(extra[key] for key in place))
        if same is None:
            lines.append(extra)
            continue
        for key in ("reserve_g", "left_g"):
            same[key] += extra[key]
        for key in ("bags", "cost", "reserve_cost"):
            if extra[key] is not None:
                same[key] = (same[key] or 0.0) + extra[key]
    return lines


def _bags_left(offer: Offer, sold: dict[int, float]) -> int:
    if offer.available_kg is None:
        return 10**6
    return math.floor(offer.available_kg / offer.bag_kg + 1e-9) - int(sold.get(id(offer), 0.0))


def _in_order(
    need: _Need, offers: Sequence[Offer], sold: dict[int, float], catalogue: Catalogue, organic: bool
) -> list[Offer]:
    """Offers as they are taken: organic first on an organic farm, then the lowest sum or the cheapest live seed."""

    def sum_alone(offer: Offer) -> float:
        pls = lot_pls(offer.tag, offer.species, catalogue)
        bags = math.ceil(need.open_g / pls / offer.bag_kg / 1000 - 1e-9)
        if offer.price is None or bags > _bags_left(offer, sold):
            return math.inf
        return bags * offer.price

    def per_live_kg(offer: Offer) -> float:
        pls = lot_pls(offer.tag, offer.species, catalogue)
        return math.inf if offer.price is None else offer.price / offer.bag_kg / pls

    return sorted(
        offers,
        key=lambda o: (
            organic and o.organic is not True,
            sum_alone(o),
            per_live_kg(o),
            o.supplier,
            o.product,
            o.bag_kg,
        ),
    )


def inoculant_lines(lines: DataFrame[OrderLine], lists: SeedLists, catalogue: Catalogue) -> DataFrame[InoculantLine]:
    """Inoculant for the legumes of an order, in whole packs.

    Parameters
    ----------
    lines : DataFrame[OrderLine]
        Seed from the shed is treated too.
    lists : SeedLists
        Packs stand in the price list as ``inoculant`` and the name of the group.
    catalogue : Catalogue

    Returns
    -------
    DataFrame[InoculantLine]
        Packs are rounded up once a group and year: the bacteria do not keep until another.
    """
    rows = []
    groups = lines["species"].map(lambda key: catalogue.species[key].text("inoculant"))
    for (year, group), some in lines[groups != ""].groupby(["year", groups[groups != ""]], sort=True):
        packs = [o for o in lists.offers if o.is_inoculant and o.species == group]
        priced = sorted(packs, key=lambda o: (o.price is None, o.price or 0.0, o.supplier, o.bag_kg))
        pack_kg = priced[0].bag_kg if priced else catalogue.rule("inoculant_pack_seed")
        seed_kg = float((some["seed_g"] + some["reserve_g"]).sum()) / 1000
        if seed_kg <= 0:
            continue
        count = math.ceil(seed_kg / pack_kg - 1e-9)
        price = priced[0].price if priced else None
        rows.append(
            {
                "year": int(year),
                "inoculant_group": group,
                "species": ", ".join(dict.fromkeys(some["name"])),
                "seed_kg": seed_kg,
                "pack_seed_kg": pack_kg,
                "packs": count,
                "pack_known": bool(priced),
                "supplier": priced[0].supplier if priced else "",
                "price_per_pack": price,
                "cost": None if price is None else count * price,
                "needed_by": some["needed_by"].min(),
            }
        )
    table = pd.DataFrame(rows, columns=list(InoculantLine.to_schema().columns))
    for column in ("price_per_pack", "cost"):
        table[column] = table[column].astype(float)
    return InoculantLine.validate(table)


def make_order(
    seed_need: DataFrame[SeedNeed], catalogue: Catalogue, lines: DataFrame[OrderLine] | None = None
) -> DataFrame[SeedOrder]:
    """Add up the seed of all gaps by species and year.

    Parameters
    ----------
    seed_need : DataFrame[SeedNeed]
    catalogue : Catalogue
    lines : DataFrame[OrderLine], optional
        Lots of the same need; shed, bags and money stay empty without them.

    Returns
    -------
    DataFrame[SeedOrder]
        Grams are sums of the grams of the gaps.
    """
    rows = []
    for (species, year), need in seed_need.groupby(["species", seed_need["sow_date"].dt.year], sort=True):
        seed_g = int(need["seed_g"].sum())
        pls_g = round(float((need["seed_g"] * need["pls_fraction"]).sum()))
        rows.append(
            {
                "species": species,
                "year": int(year),
                "name": catalogue.species[str(species)].name,
                "blocks": ", ".join(dict.fromkeys(need["block_id"])),
                "area_sown_m2": float(need["area_sown_m2"].sum()),
                "needed_by": need["sow_date"].min(),
                "pls_g": pls_g,
                "seed_g": seed_g,
                "seed_g_below_wanted_odds": int(need.loc[need["below_wanted_odds"], "seed_g"].sum()),
                "seed_kg": seed_g / 1000,
                "seed_lb": seed_g / 1000 / POUND_KG,
                "inoculant_group": need["inoculant_group"].iloc[0],
            }
            | _summed(lines, str(species), int(year))
        )
    return SeedOrder.validate(pd.DataFrame(rows, columns=list(SeedOrder.to_schema().columns)))


def _summed(lines: DataFrame[OrderLine] | None, species: str, year: int) -> dict[str, float | None]:
    """Shed, bags and money of a species and year."""
    empty: dict[str, float | None] = dict.fromkeys(["in_stock_kg", "bag_kg", "bags", "price_per_kg", "cost"])
    if lines is None:
        return empty
    mine = lines[(lines["species"] == species) & (lines["year"] == year)]
    shed, bought = mine[mine["from_where"] == "shed"], mine[mine["from_where"] == "buy"]
    out = empty | ({"in_stock_kg": float(shed["seed_g"].sum()) / 1000} if not shed.empty else {})
    if bought.empty:
        return out
    kg = float((bought["bags"] * bought["bag_kg"]).sum())
    out |= {"bags": float(bought["bags"].sum())}
    if len(set(bought["bag_kg"])) == 1:
        out["bag_kg"] = float(bought["bag_kg"].iloc[0])
    if bought["cost"].notna().all():
        out |= {"cost": float(bought["cost"].sum()), "price_per_kg": float(bought["cost"].sum()) / kg}
    return out
