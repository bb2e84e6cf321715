"""The plan as a seed order: what to buy, for which blocks, by when."""

from __future__ import annotations

import pandas as pd

from greengap.catalogue import Catalogue
from greengap.tables import DataFrame, SeedNeed, SeedOrder
from greengap.units import POUND_KG


def make_order(seed_need: DataFrame[SeedNeed], catalogue: Catalogue) -> DataFrame[SeedOrder]:
    """Add up the seed of all gaps by species and year.

    Parameters
    ----------
    seed_need : DataFrame[SeedNeed]
    catalogue : Catalogue

    Returns
    -------
    DataFrame[SeedOrder]
        Grams are sums of the grams of the gaps. Stock, bags and prices stay empty until they are known.
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
                **dict.fromkeys(["in_stock_kg", "bag_kg", "bags", "price_per_kg", "cost"]),
            }
        )
    return SeedOrder.validate(pd.DataFrame(rows, columns=list(SeedOrder.to_schema().columns)))
