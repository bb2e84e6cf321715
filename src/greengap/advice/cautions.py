"""Cautions that a plan triggers: those of a species at its gap, general ones once for the whole farm."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from greengap.catalogue import Catalogue, Caution, Cover, Vegetable
from greengap.farm.settings import FarmSettings
from greengap.tables import Allocation, DataFrame, Gap, GapCaution, Odds, Soil

WHOLE_FARM = ""
# Triggers of the block's own ground; they are met at a gap, also by cautions for all covers.
GROUND_TRIGGERS = ("crusting ground", "steep for machines", "bare on a slope")


def _neighbours(gap: Any, catalogue: Catalogue) -> list[Vegetable]:
    return [catalogue.vegetables[c] for c in (gap.crop_before, gap.crop_after) if c in catalogue.vegetables]


def _shares_disease(cover: Cover, gap: Any, catalogue: Catalogue) -> bool:
    diseases = ",".join(catalogue.species[c.species].text("shared_diseases") for c in cover.components)
    own = {word.strip() for word in diseases.split(",") if word.strip()}
    return any(own & set(vegetable.shared_diseases) for vegetable in _neighbours(gap, catalogue))


def _at_gap(
    caution: Caution, cover: Cover, gap: Any, odds: Any, frost_years: int, settings: FarmSettings, catalogue: Catalogue
) -> bool:
    """True if the trigger of a species' caution is met in this gap."""
    match caution.trigger:
        case "animals eat":
            return settings.animals_eat_cover
        case "frost before termination":
            return settings.animals_eat_cover and frost_years > 0
        case "flowers":
            return bool(pd.notna(odds.first_flower))
        case "next crop":
            return bool(gap.crop_after)
        case "small seed next":
            after = catalogue.vegetables.get(gap.crop_after)
            return gap.establishment_after == "seeded" and after is not None and after.small_seeded
        case "reseeds":
            return bool(odds.ended_by == "seed set")
        case "crusting ground":
            word = settings.growers_word.get(gap.block_id)
            return word is not None and bool(word.crusts)
        case "shared disease":
            return _shares_disease(cover, gap, catalogue)
        case _:
            return True  # always, legal list: not known to be absent


def _on_ground(caution: Caution, gap: Any, slope: float, cover: Cover | None, catalogue: Catalogue) -> bool:
    """True if the slope of the block triggers a caution; a gap without a cover lies bare."""
    match caution.trigger:
        case "steep for machines":
            return cover is not None and slope >= catalogue.rule("steep_for_machines")
        case "bare on a slope":
            days = gap.waiting_d if cover is not None and gap.crop_after else gap.length_d if cover is None else 0
            return slope >= catalogue.rule("steep_ground") and days >= catalogue.rule("bare_on_a_slope")
        case _:
            return False


def _on_farm(caution: Caution, settings: FarmSettings) -> bool:
    """True if the trigger of a general caution is met on this farm."""
    match caution.trigger:
        case "animals eat":
            return settings.animals_eat_cover
        case "organic":
            return settings.organic
        case "herbicide history":
            return not settings.organic
        case _:
            return True


def list_cautions(
    allocation: DataFrame[Allocation],
    gaps: DataFrame[Gap],
    odds: DataFrame[Odds],
    frost_years: dict[str, int],
    settings: FarmSettings,
    catalogue: Catalogue,
    soil: DataFrame[Soil] | None = None,
) -> DataFrame[GapCaution]:
    """List the cautions of a plan.

    Parameters
    ----------
    allocation, gaps, odds, soil : tables
        Without soil no slope is known.
    frost_years : dict of option_id to int
        Weather years with a killing frost before the latest termination.
    settings : FarmSettings
    catalogue : Catalogue

    Returns
    -------
    DataFrame[GapCaution]
        First the general ones, with an empty gap, if anything is sown; then those of each gap; both
        in the order of the catalogue. Gaps on steep ground that nothing is sown in come last.
    """
    gap_of = {g.gap_id: g for g in gaps.itertuples()}
    sown = allocation[allocation["option_id"].notna()]
    odds_of = {o.option_id: o for o in odds[odds["option_id"].isin(sown["option_id"])].itertuples()}
    found: list[tuple[str, Caution]] = []
    slopes = {} if soil is None or "slope_fraction" not in soil else soil.set_index("block_id")["slope_fraction"]
    general = [c for c in catalogue.cautions if "all" in c.applies_to and c.trigger not in GROUND_TRIGGERS]
    if not sown.empty:
        found += [(WHOLE_FARM, c) for c in general if _on_farm(c, settings)]
    for chosen in sown.itertuples():
        cover, gap = catalogue.covers[chosen.cover_id], gap_of[chosen.gap_id]
        species = {c.species for c in cover.components}
        frosts, slope = frost_years.get(chosen.option_id, 0), slopes.get(gap.block_id, math.nan)
        found += [
            (gap.gap_id, c)
            for c in catalogue.cautions
            if (
                species & set(c.applies_to)
                and _at_gap(c, cover, gap, odds_of[chosen.option_id], frosts, settings, catalogue)
            )
            or _on_ground(c, gap, slope, cover, catalogue)
        ]
    for bare in allocation[allocation["option_id"].isna()].itertuples():
        gap = gap_of[bare.gap_id]
        slope = slopes.get(gap.block_id, math.nan)
        found += [(gap.gap_id, c) for c in catalogue.cautions if _on_ground(c, gap, slope, None, catalogue)]
    rows = [{"gap_id": g, "hazard": c.hazard, "caution": c.text, "defers_to": c.defers_to} for g, c in found]
    return GapCaution.validate(pd.DataFrame(rows, columns=list(GapCaution.to_schema().columns)))
