"""Cautions that the choice for a gap triggers, each where it applies and only there."""

from __future__ import annotations

import pandas as pd

from greengap.catalogue import Catalogue, Caution
from greengap.farm.settings import FarmSettings
from greengap.tables import Allocation, DataFrame, Gap, GapCaution, Odds


def _applies(caution: Caution, gap: object, odds: pd.Series, frost_years: int, settings: FarmSettings) -> bool:
    """True if the trigger of a caution is met in this gap."""
    match caution.trigger:
        case "animals eat":
            return settings.animals_eat_cover
        case "frost before termination":
            return settings.animals_eat_cover and frost_years > 0
        case "flowers":
            return bool(pd.notna(odds.first_flower))
        case "next crop":
            return bool(gap.crop_after)  # type: ignore[attr-defined]
        case "organic":
            return settings.organic
        case _:
            return True  # always, herbicide history, reseeds, legal list: not known to be absent


def list_cautions(
    allocation: DataFrame[Allocation],
    gaps: DataFrame[Gap],
    odds: DataFrame[Odds],
    frost_years: dict[str, int],
    settings: FarmSettings,
    catalogue: Catalogue,
) -> DataFrame[GapCaution]:
    """List the cautions of each gap that is sown.

    Parameters
    ----------
    allocation, gaps, odds : tables
    frost_years : dict of option_id to int
        Weather years with a killing frost before the latest termination.
    settings : FarmSettings
    catalogue : Catalogue

    Returns
    -------
    DataFrame[GapCaution]
        In the order of the catalogue.
    """
    gap_of = {g.gap_id: g for g in gaps.itertuples()}
    by_odds = odds.set_index("option_id")
    rows = []
    for chosen in allocation[allocation["option_id"].notna()].itertuples():
        species = {c.species for c in catalogue.covers[chosen.cover_id].components}
        for caution in catalogue.cautions:
            named = "all" in caution.applies_to or species & set(caution.applies_to)
            if named and _applies(
                caution,
                gap_of[chosen.gap_id],
                by_odds.loc[chosen.option_id],
                frost_years.get(chosen.option_id, 0),
                settings,
            ):
                rows.append(
                    {
                        "gap_id": chosen.gap_id,
                        "hazard": caution.hazard,
                        "caution": caution.text,
                        "defers_to": caution.defers_to,
                    }
                )
    return GapCaution.validate(pd.DataFrame(rows, columns=list(GapCaution.to_schema().columns)))
