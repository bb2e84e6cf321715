"""Seeding method, depth and rates of a cover, and the seed a gap needs."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import pandas as pd

from greengap.advice.windows import wilson_interval
from greengap.catalogue import Catalogue, Species
from greengap.farm.settings import SeedLot
from greengap.process.seedbed import sole_rate, sowing_depth
from greengap.tables import Allocation, Block, DataFrame, GeoDataFrame, Option, Rate, Season, SeedNeed
from greengap.units import FOOT_M, HECTARE_M2


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


def emergence_fraction(method: str, catalogue: Catalogue) -> float:
    """Plants from live seed in a moist seedbed [fraction]."""
    return catalogue.rule(
        "emergence_fraction_drilled" if method == "drilled" else "emergence_fraction_broadcast_covered"
    )


def plants_per_m2(species: Species, share_of_sole_rate: float, stand_share: float, catalogue: Catalogue) -> float:
    """Plants to expect, from the rate of pure live seed and the stand share of the engine [m-2].

    Notes
    -----
    The engine's stand share is against a drilled stand; for broadcast seed it holds the worse emergence and
    the higher rate already (`greengap.process.seedbed.method_share`). The drilled rate is therefore what it is
    put on, whatever the method, so that neither counts twice.
    """
    live = seeds_per_m2(sole_rate(species, "drilled", catalogue), species.number("seed_weight")) * typical_pls(species)
    return live * share_of_sole_rate * emergence_fraction("drilled", catalogue) * stand_share


def rates(
    seed_need: DataFrame[SeedNeed],
    allocation: DataFrame[Allocation],
    season: DataFrame[Season],
    catalogue: Catalogue,
    seed_lots: Mapping[str, SeedLot],
) -> DataFrame[Rate]:
    """Rate card of every gap that is sown, with the stand that the weather years give.

    Parameters
    ----------
    seed_need : DataFrame[SeedNeed]
    allocation : DataFrame[Allocation]
    season : DataFrame[Season]
        For the stand of the option chosen, year by year.
    catalogue : Catalogue
    seed_lots : mapping of species to SeedLot

    Returns
    -------
    DataFrame[Rate]
        The error of the lot is that of its germination test: Wilson's interval at the rule
        ``germination_test_seeds``, over the germination.
    """
    option = dict(zip(allocation["gap_id"], allocation["option_id"], strict=True))
    stands = season[season["option_id"].isin(set(option.values()))].groupby("option_id")["stand_share"]
    spread = stands.quantile([0.1, 0.5, 0.9]).unstack()
    tested = int(catalogue.rule("germination_test_seeds"))
    rows = []
    for need in seed_need.itertuples():
        s, lot = catalogue.species[need.species], seed_lots.get(need.species)
        seeds = seeds_per_m2(need.bulk_rate_kg_ha, s.number("seed_weight"))
        low = high = None
        if lot is not None:
            ends = wilson_interval(round(lot.germination_fraction * tested), tested)
            low, high = (end / lot.germination_fraction for end in ends)
        rows.append(
            {
                "gap_id": need.gap_id,
                "block_id": need.block_id,
                "cover_id": need.cover_id,
                "species": need.species,
                "method": need.method,
                "sole_rate_kg_ha": sole_rate(s, need.method, catalogue),
                "share_of_sole_rate": need.share_of_sole_rate,
                "bulk_rate_kg_ha": need.bulk_rate_kg_ha,
                "pls_fraction": need.pls_fraction,
                "hard_seed_fraction": lot.hard_seed_fraction * lot.purity_fraction if lot is not None else 0.0,
                "seeds_m2": seeds,
                "seeds_ft2": seeds * FOOT_M**2,
                "live_seeds_m2": seeds * need.pls_fraction,
                **{
                    f"plants_p{p:.0f}_m2": plants_per_m2(
                        s, need.share_of_sole_rate, float(spread.loc[option[need.gap_id], p / 100]), catalogue
                    )
                    for p in (10, 50, 90)
                },
                "lot_low_share": low,
                "lot_high_share": high,
            }
        )
    table = pd.DataFrame(rows, columns=list(Rate.to_schema().columns))
    for column in ("lot_low_share", "lot_high_share"):
        table[column] = table[column].astype(float)
    return Rate.validate(table)


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
