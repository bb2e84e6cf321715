"""Setting a drill or spreader: how much seed to catch for the rate of a lot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from greengap.advice.seeding import seeds_per_m2
from greengap.catalogue import Catalogue, Cover
from greengap.farm.settings import Machinery
from greengap.process.seedbed import sowing_depth
from greengap.tables import BedSeed, Calibration, DataFrame, OrderLine, SeedNeed
from greengap.units import ACRE_M2

KG_HA_G_M2 = 0.1  # grams on a square metre for each kg/ha
HUNDREDTH_ACRE_M2 = ACRE_M2 / 100
ROW_M = 100.0


@dataclass(frozen=True)
class Drill:
    """What has to be measured on the machine; None where it was not.

    Attributes
    ----------
    width_m : float or None
        Sown width: openers times row spacing, or the spread [m].
    row_spacing_m : float or None
        Between openers [m].
    wheel_m : float or None
        Circumference of the drive wheel, rolled out on the ground [m].
    wheel_turns : int
        How often it is turned by hand.
    """

    width_m: float | None = None
    row_spacing_m: float | None = None
    wheel_m: float | None = None
    wheel_turns: int = 20


def farm_drill(machine: Machinery, asked: Drill | None = None) -> Drill:
    """The farm's drill, with what was asked for in place of what the farm has entered."""
    asked = asked or Drill()
    return Drill(
        machine.width_m if asked.width_m is None else asked.width_m,
        machine.row_spacing_m if asked.row_spacing_m is None else asked.row_spacing_m,
        machine.wheel_m if asked.wheel_m is None else asked.wheel_m,
        asked.wheel_turns,
    )


def catch_g(rate_kg_ha: float, area_m2: float) -> float:
    """Seed to catch on an area for a rate [g].

    Examples
    --------
    >>> round(catch_g(100.0, 40.468564224), 1)  # a hundredth of an acre
    404.7
    """
    return rate_kg_ha * KG_HA_G_M2 * area_m2


def true_rate_kg_ha(caught_g: float, area_m2: float) -> float:
    """Rate that a catch on an area stands for [kg/ha].

    Examples
    --------
    >>> round(true_rate_kg_ha(404.7, 40.468564224))
    100
    """
    return caught_g / KG_HA_G_M2 / area_m2


def wheel_area_m2(drill: Drill) -> float | None:
    """Area that the drill sows while its wheel turns [m2]: circumference x width x turns."""
    if drill.wheel_m is None or drill.width_m is None:
        return None
    return drill.wheel_m * drill.width_m * drill.wheel_turns


def seed_boxes(cover: Cover, catalogue: Catalogue) -> dict[int, list[str]]:
    """Species of a cover by seed box, or pass: seed much smaller or shallower than the rest goes into the second."""
    depth = sowing_depth(cover, catalogue)
    weights = {c.species: catalogue.species[c.species].number("seed_weight") for c in cover.components}
    ratio = catalogue.rule("mix_seed_size_ratio")
    boxes: dict[int, list[str]] = {}
    for key in weights:
        small = weights[key] * ratio < max(weights.values())
        shallow = not depth.one_pass and depth.depth_mm[key] < max(depth.depth_mm.values())
        boxes.setdefault(2 if small or shallow else 1, []).append(key)
    return dict(sorted(boxes.items()))


def share_out(total: int, weights: Sequence[float]) -> list[int]:
    """Whole grams in proportion to weights, which add up to the total: the largest fractions get what is left.

    Examples
    --------
    >>> share_out(10, [1.0, 1.0, 1.0])
    [4, 3, 3]
    """
    exact = [total * w / sum(weights) for w in weights]
    grams = [int(x) for x in exact]
    fractions = sorted(range(len(exact)), key=lambda i: -(exact[i] - grams[i]))  # stable: the first of equal ones
    for index in fractions[: total - sum(grams)]:
        grams[index] += 1
    return grams


def calibration(
    seed_need: DataFrame[SeedNeed], lines: DataFrame[OrderLine], catalogue: Catalogue, drill: Drill
) -> DataFrame[Calibration]:
    """What to catch for each cover of a plan, box by box.

    Parameters
    ----------
    seed_need : DataFrame[SeedNeed]
    lines : DataFrame[OrderLine]
        For the pure live seed of the lots: the mean of a species and year, by what is used of each lot. Where lots
        differ much, set the drill for each anew.
    catalogue : Catalogue
    drill : Drill

    Returns
    -------
    DataFrame[Calibration]
        By year, cover and box.
    """
    pls = lot_pls_by_year(lines)
    rows = []
    keys = [seed_need["sow_date"].dt.year, "cover_id"]
    for (year, cover_id), need in seed_need.groupby(keys, sort=True):
        cover = catalogue.covers[str(cover_id)]
        weights = {c.species: catalogue.species[c.species].number("seed_weight") for c in cover.components}
        first = need.drop_duplicates("species").set_index("species")
        for box, species in seed_boxes(cover, catalogue).items():
            rates = {
                key: float(first.loc[key, "pls_rate_kg_ha"]) / pls.get((int(year), key), first.loc[key, "pls_fraction"])
                for key in species
            }
            rate = sum(rates.values())
            wheel, strip = wheel_area_m2(drill), drill.width_m
            rows.append(
                {
                    "year": int(year),
                    "cover_id": cover_id,
                    "name": cover.name,
                    "box": box,
                    "species": ", ".join(catalogue.species[key].name for key in species),
                    "method": first.loc[species[0], "method"],
                    "depth_mm": float(first.loc[species[0], "depth_mm"]),
                    "rate_kg_ha": rate,
                    "seeds_m2": sum(seeds_per_m2(r, weights[key]) for key, r in rates.items()),
                    "g_per_100_m2": catch_g(rate, 100.0),
                    "g_per_hundredth_acre": catch_g(rate, HUNDREDTH_ACRE_M2),
                    "g_per_100_m_row": catch_g(rate, ROW_M * drill.row_spacing_m) if drill.row_spacing_m else None,
                    "g_per_wheel_turns": catch_g(rate, wheel) if wheel else None,
                    "wheel_turns": float(drill.wheel_turns) if wheel else None,
                    "strip_m": HUNDREDTH_ACRE_M2 / strip if strip else None,
                    "tolerance_fraction": catalogue.rule("drill_tolerance"),
                }
            )
    table = pd.DataFrame(rows, columns=list(Calibration.to_schema().columns))
    for column in ("g_per_100_m_row", "g_per_wheel_turns", "wheel_turns", "strip_m"):
        table[column] = table[column].astype(float)
    return Calibration.validate(table)


def lot_pls_by_year(lines: DataFrame[OrderLine]) -> dict[tuple[int, str], float]:
    """Pure live seed of what is sown of a species in a year: the mean of its lots by weight."""
    out = {}
    for (year, species), some in lines.groupby(["year", "species"]):
        weight = some["seed_g"].sum()
        if weight > 0:
            out[int(year), str(species)] = float((some["pls_fraction"] * some["seed_g"]).sum() / weight)
    return out


def bed_seed(seed_need: DataFrame[SeedNeed], lines: DataFrame[OrderLine]) -> DataFrame[BedSeed]:
    """Grams for each block, for weighing out by hand.

    Parameters
    ----------
    seed_need : DataFrame[SeedNeed]
    lines : DataFrame[OrderLine]

    Returns
    -------
    DataFrame[BedSeed]
        The grams of a species and year add up to what its lots give, to the gram: what rounding leaves goes to
        the blocks with the largest fractions.
    """
    rows = []
    totals = lines.groupby(["year", "species"])["seed_g"].sum()
    for (year, species), need in seed_need.groupby([seed_need["sow_date"].dt.year, "species"], sort=True):
        live = need["seed_g"] * need["pls_fraction"]
        shares = share_out(int(totals.get((year, species), 0)), list(live))
        for grams, (_, row) in zip(shares, need.iterrows(), strict=True):
            rows.append(
                {
                    "gap_id": row["gap_id"],
                    "block_id": row["block_id"],
                    "species": species,
                    "sow_date": row["sow_date"],
                    "area_sown_m2": row["area_sown_m2"],
                    "seed_g": max(grams, 1),
                    "half_g": grams // 2,
                }
            )
    return BedSeed.validate(pd.DataFrame(rows, columns=list(BedSeed.to_schema().columns)))
