"""The whole chain, one line per stage: from a farm to a plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from greengap.catalogue import Catalogue
from greengap.errors import ImportReport
from greengap.farm.settings import FarmSettings
from greengap.tables import (
    Allocation,
    Block,
    CropCalendar,
    DataFrame,
    Gap,
    GapCaution,
    GeoDataFrame,
    Odds,
    Option,
    PurposeOdds,
    Recommendation,
    Season,
    SeedNeed,
    SeedOrder,
    Soil,
    Suitability,
)


@dataclass(frozen=True)
class Plan:
    """Everything that a plan says, as tables; outputs read it and compute nothing new.

    Attributes
    ----------
    metadata : dict
        Program and catalogue version, hashes of the inputs, weather years, place, notes.
    """

    settings: FarmSettings
    catalogue: Catalogue
    blocks: GeoDataFrame[Block]
    crop_calendar: DataFrame[CropCalendar]
    gaps: DataFrame[Gap]
    soil: DataFrame[Soil]
    options: DataFrame[Option]
    season: DataFrame[Season]
    odds: DataFrame[Odds]
    purpose_odds: DataFrame[PurposeOdds]
    suitability: DataFrame[Suitability]
    recommendation: DataFrame[Recommendation]
    allocation: DataFrame[Allocation]
    cautions: DataFrame[GapCaution]
    seed_need: DataFrame[SeedNeed]
    seed_order: DataFrame[SeedOrder]
    report: ImportReport
    metadata: dict[str, Any]
