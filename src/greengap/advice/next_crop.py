"""What the crop after a gap asks of the cover before it, and how the farm ends its covers."""

from __future__ import annotations

import pandas as pd

from greengap.catalogue import Catalogue, Vegetable
from greengap.farm.settings import FarmSettings
from greengap.process.afterwards import Ending, Following, NextCrop
from greengap.tables import DataFrame, Gap

DAY = pd.Timedelta(days=1)


def pest_interval_d(vegetable: Vegetable | None, establishment: str, catalogue: Catalogue) -> int:
    """Days that a crop has to keep from fresh green residue for the sake of its pests, 0 if it is not at risk.

    Parameters
    ----------
    vegetable : Vegetable or None
        None for a crop that the catalogue does not know.
    establishment : str
        transplanted, seeded or planted.
    catalogue : Catalogue
    """
    at_risk = vegetable is not None and "seedcorn_maggot_risk" in vegetable.values
    small = vegetable is not None and vegetable.small_seeded and establishment == "seeded"
    rules = [("pest_wait_green", at_risk), ("pest_wait_small_seeded", small)]
    return max((int(catalogue.rule(rule)) for rule, holds in rules if holds), default=0)


def next_crops(gaps: DataFrame[Gap], settings: FarmSettings, catalogue: Catalogue) -> dict[str, NextCrop]:
    """The next crop of each gap that has one, by gap_id.

    The least wait is the farm's own, where it has one for that way of setting a crop, else the rule
    ``waiting_least``; residue, pests and nitrogen can only make it longer.
    """
    found = {}
    for gap in gaps.itertuples():
        if not gap.crop_after:
            continue
        least = settings.waiting_d.get(gap.establishment_after, int(catalogue.rule("waiting_least")))
        vegetable = catalogue.vegetables.get(gap.crop_after)
        pests = pest_interval_d(vegetable, gap.establishment_after, catalogue)
        found[str(gap.gap_id)] = NextCrop(gap.end + DAY, least, pests, gap.establishment_after == "seeded")
    return found


def what_follows(gaps: DataFrame[Gap], settings: FarmSettings, catalogue: Catalogue) -> Following:
    """Next crops, the farm's way of ending covers, and the odds it wants."""
    return Following(next_crops(gaps, settings, catalogue), farm_ending(settings), settings.wanted_odds)


def farm_ending(settings: FarmSettings) -> Ending:
    """How this farm ends covers: worked in where it has tillage, coarse stems mown first where it has a mower."""
    return Ending(incorporated="tillage" in settings.equipment, chopped="mower" in settings.equipment)
