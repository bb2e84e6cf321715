"""Seeding method, depth and rates of a cover, and the seed a gap needs."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import pandas as pd

from greengap.catalogue import Catalogue, Species
from greengap.farm.settings import SeedLot
from greengap.process.seedbed import sole_rate, sowing_depth
from greengap.tables import Allocation, Block, DataFrame, GeoDataFrame, Option, SeedNeed
from greengap.units import HECTARE_M2


def seeding_method(equipment: frozenset[str]) -> str | None:
    """How the farm can sow: drilled, broadcast, or not at all (None)."""
    if "drill" in equipment:
        return "drilled"
    return "broadcast" if "spreader" in equipment else None


def pls_fraction(purity_fraction: float, germination_fraction: float, hard_seed_fraction: float = 0.0) -> float:
    """Pure live seed as a share of bulk seed: purity x (germination + hard seed).

    Raises
    ------
    ValueError
        If a share lies outside 0 to 1 or the live seed is more than the seed.

    References
    ----------
    .. [1] S. Duiker, "Cover crop seed options", Penn State Extension: purity 0.90 and germination
       0.60 give 0.54.

    Examples
    --------
    >>> round(pls_fraction(0.90, 0.60), 4)
    0.54
    """
    live = germination_fraction + hard_seed_fraction
    if not (0 < purity_fraction <= 1 and 0 < live <= 1):
        raise ValueError(f"purity {purity_fraction} and live seed {live} must lie above 0 and not above 1")
    return purity_fraction * live


def bulk_rate(pls_rate_kg_ha: float, pls: float) -> float:
    """Seed out of the bag for a wanted rate of pure live seed [kg/ha].

    Examples
    --------
    >>> round(bulk_rate(100, 0.54), 1)
    185.2
    """
    return pls_rate_kg_ha / pls


def seeds_per_m2(rate_kg_ha: float, seed_weight_g: float) -> float:
    """Seeds on a square metre, from a rate and the weight of a thousand seeds [g]."""
    return rate_kg_ha * 100 / seed_weight_g


def typical_pls(species: Species) -> float:
    """Pure live seed of an ordinary lot, to which printed rates refer."""
    return pls_fraction(species.number("purity"), species.number("germination"))


def seed_needs(
    allocation: DataFrame[Allocation],
    options: DataFrame[Option],
    blocks: GeoDataFrame[Block],
    catalogue: Catalogue,
    equipment: frozenset[str],
    seed_lots: Mapping[str, SeedLot],
    below_wanted_odds: Collection[str] = (),
) -> DataFrame[SeedNeed]:
    """Seed of each species for each gap that is sown.

    Parameters
    ----------
    allocation : DataFrame[Allocation]
    options : DataFrame[Option]
    blocks : GeoDataFrame[Block]
    catalogue : Catalogue
    equipment : frozenset of str
        What the farm has; a drill is used before a spreader.
    seed_lots : mapping of species to SeedLot
        Lots with a tag; others are taken as ordinary lots.
    below_wanted_odds : collection of gap_id
        Gaps that are sown although no date keeps the wanted odds.

    Returns
    -------
    DataFrame[SeedNeed]
        Seed in whole grams: rounded here once, and only added up from here on.
    """
    area = blocks.set_index("block_id")["area_sown_m2"]
    sow = options.set_index("option_id")["sow_date"]
    allowance = catalogue.rule("seed_allowance")
    method = seeding_method(equipment)
    rows = []
    for chosen in allocation[allocation["option_id"].notna()].itertuples():
        cover = catalogue.covers[chosen.cover_id]
        depth = sowing_depth(cover, catalogue)
        for component in cover.components:
            species = catalogue.species[component.species]
            lot = seed_lots.get(component.species)
            pls = (
                pls_fraction(lot.purity_fraction, lot.germination_fraction, lot.hard_seed_fraction)
                if lot
                else typical_pls(species)
            )
            rate = sole_rate(species, str(method), catalogue) * component.share_of_sole_rate
            pls_rate = rate * typical_pls(species)
            bulk = bulk_rate(pls_rate, pls)
            area_m2 = float(area[chosen.block_id])
            rows.append(
                {
                    "gap_id": chosen.gap_id,
                    "block_id": chosen.block_id,
                    "cover_id": chosen.cover_id,
                    "species": component.species,
                    "sow_date": sow[chosen.option_id],
                    "method": method,
                    "area_sown_m2": area_m2,
                    "share_of_sole_rate": component.share_of_sole_rate,
                    "pls_fraction": pls,
                    "pls_rate_kg_ha": pls_rate,
                    "bulk_rate_kg_ha": bulk,
                    "allowance_fraction": allowance,
                    "depth_mm": depth.depth_mm[component.species],
                    "seed_g": round(area_m2 / HECTARE_M2 * bulk * (1 + allowance) * 1000),
                    "below_wanted_odds": chosen.gap_id in below_wanted_odds,
                    "inoculant_group": species.text("inoculant"),
                }
            )
    return SeedNeed.validate(pd.DataFrame(rows, columns=list(SeedNeed.to_schema().columns)))
