"""What each lot of an order is sown at: the rates of a plan by the lot's own tag."""

from __future__ import annotations

import pandas as pd

from greengap.advice.drill import catch_g
from greengap.advice.seeding import bulk_rate, seeds_per_m2
from greengap.catalogue import Catalogue
from greengap.tables import DataFrame, LotRate, OrderLine, SeedNeed


def lot_rates(seed_need: DataFrame[SeedNeed], lines: DataFrame[OrderLine], catalogue: Catalogue) -> DataFrame[LotRate]:
    """Rates of every lot for every cover that it goes into.

    Parameters
    ----------
    seed_need : DataFrame[SeedNeed]
    lines : DataFrame[OrderLine]
        Lots that cannot be had are left out.
    catalogue : Catalogue

    Returns
    -------
    DataFrame[LotRate]
        Cards are numbered in the order of the lines. Species in one bag of the shed, which have the same name of lot
        in its list, stand on one card; so does a lot that is used in two years.
    """
    cards: dict[tuple[object, ...], int] = {}
    rows = []
    for line in lines[lines["from_where"] != "missing"].itertuples():
        shed = line.from_where == "shed"
        place = (line.lot,) if shed else (line.species, line.supplier, line.lot, line.bag_kg, line.year)
        card = cards.setdefault((line.from_where, *place), len(cards) + 1)
        mine = seed_need[(seed_need["species"] == line.species) & (seed_need["sow_date"].dt.year == line.year)]
        for (cover_id, method), need in mine.groupby(["cover_id", "method"], sort=True):
            live = float(need["pls_rate_kg_ha"].iloc[0])
            rate = bulk_rate(live, line.pls_fraction)
            mix = seed_need[(seed_need["gap_id"] == need["gap_id"].iloc[0]) & (seed_need["cover_id"] == cover_id)]
            rows.append(
                {
                    "card": card,
                    "year": line.year,
                    "species": line.species,
                    "line": line.line,
                    "cover_id": cover_id,
                    "method": method,
                    "depth_mm": float(need["depth_mm"].iloc[0]),
                    "live_rate_kg_ha": live,
                    "rate_kg_ha": rate,
                    "share_of_sole_rate": float(need["share_of_sole_rate"].iloc[0]),
                    "live_weight_share": live / float(mix["pls_rate_kg_ha"].sum()),
                    "seeds_m2": seeds_per_m2(rate, catalogue.species[line.species].number("seed_weight")),
                    "g_per_100_m2": catch_g(rate, 100.0),
                    "sow_date": need["sow_date"].min(),
                    "blocks": ", ".join(dict.fromkeys(need["block_id"])),
                }
            )
    return LotRate.validate(pd.DataFrame(rows, columns=list(LotRate.to_schema().columns)))
