"""What a cover leaves for the next crop: how to end it, how long to wait, nitrogen, residue, water."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from greengap.catalogue import Catalogue
from greengap.farm.settings import FarmSettings
from greengap.process.afterwards import AFTER_END_D, AFTER_PLANTING_D, NextCrop
from greengap.process.nitrogen import crop_uptake_share
from greengap.tables import After, DataFrame, Gap, NitrogenByDate, Odds, Season, Window

QUANTILES = {"p10": 0.1, "p50": 0.5, "p90": 0.9}
COARSE_FROM = 0.5  # share of coarse stems from which the words speak of them


def ending_words(settings: FarmSettings, coarse: bool, frost: bool) -> str:
    """How this farm ends such a cover, in words."""
    tools = settings.equipment
    if frost:
        spring = "work what is left in lightly in spring" if "tillage" in tools else "rake it off where seed is sown"
        return f"frost kills it; leave it on the ground over winter, {spring}"
    if "tillage" in tools:
        if coarse:
            return "mow or chop the stems, then work them in" if "mower" in tools else "work it in; stems stay whole"
        return "mow, then work it in" if "mower" in tools else "work it in"
    if "mower" in tools:
        tarp = ", cover with a tarp for about three weeks" if "tarp" in tools else ""
        return f"mow to the ground and leave it as mulch{tarp}"
    if "roller_crimper" in tools:
        return "roll at full bloom, leave it as mulch; rolled sooner it stands up again"
    return "cover with a tarp for about three weeks" if "tarp" in tools else "there is no machine to end it with"


def crop_uptake_kg_ha(crop: str, day: Any, catalogue: Catalogue) -> Any:
    """Nitrogen a crop has taken up some days after it was set, NaN for a crop that the catalogue does not know.

    Its recommendation, spread by an S-curve over its days to harvest.
    """
    vegetable = catalogue.vegetables.get(crop)
    if vegetable is None or not {"nitrogen_recommendation", "days_to_harvest"} <= vegetable.values.keys():
        return np.full(np.shape(day), np.nan)
    total, length = (vegetable.values[name] for name in ("nitrogen_recommendation", "days_to_harvest"))

    def middle(value: Any) -> float:
        return float(value.number if value.number is not None else (value.low + value.high) / 2)

    return middle(total) * crop_uptake_share(day, middle(length), catalogue.rule("uptake_steepness"))


def after_tables(
    gaps: DataFrame[Gap],
    windows: DataFrame[Window],
    odds: DataFrame[Odds],
    season: DataFrame[Season],
    crops: Mapping[str, NextCrop],
    settings: FarmSettings,
    catalogue: Catalogue,
) -> tuple[DataFrame[After], DataFrame[NitrogenByDate]]:
    """What the best option of each cover leaves in each gap.

    Parameters
    ----------
    gaps, windows, odds, season : tables
        Of one farm.
    crops : mapping of gap_id to NextCrop
    settings : FarmSettings
    catalogue : Catalogue

    Returns
    -------
    after : DataFrame[After]
    nitrogen : DataFrame[NitrogenByDate]
        Of gaps with a next crop only.
    """
    best = season[season["option_id"].isin(set(windows["option_id"]))]
    by_option = best.groupby("option_id", sort=False)
    figures = [
        "waiting_d", "biomass_kg_ha", "carbon_to_nitrogen", "nitrogen_kg_ha", "nitrogen_fixed_kg_ha",
        "nitrogen_season_kg_ha", "water_lack_mm", "coarse_share", "leaching_kept_share", "drainage_mm",
        *(f"residue_left_{d}d_share" for d in AFTER_END_D), *(f"nitrogen_{d}d_kg_ha" for d in AFTER_PLANTING_D),
    ]  # fmt: skip
    table = by_option[figures].quantile(list(QUANTILES.values())).unstack()
    keys = [(name, word) for name in figures for word in QUANTILES]
    spread = {option: dict(zip(keys, row, strict=True)) for option, *row in table.itertuples(name=None)}
    drivers = best.groupby(["option_id", "waiting_driver"], observed=False).size().unstack().idxmax(axis=1)
    good = (best["water_lack_mm"] <= catalogue.rule("water_made_good")).groupby(best["option_id"]).sum()
    tied = best[best["tie_up_d"] > 0].groupby("option_id")["tie_up_d"].median()
    ended = {o.option_id: o for o in odds[odds["option_id"].isin(windows["option_id"])].itertuples()}
    by_gap = {gap.gap_id: gap for gap in gaps.itertuples()}
    rows: list[dict[str, Any]] = []
    dated: list[dict[str, Any]] = []
    for window in windows.itertuples():
        if window.option_id not in spread:
            continue
        gap, odd, figure = by_gap[window.gap_id], ended[window.option_id], spread[window.option_id]

        def at(name: str, word: str = "p50", figure: Any = figure) -> float:
            return float(figure[name, word])

        rows.append(
            {
                "gap_id": window.gap_id,
                "block_id": gap.block_id,
                "cover_id": window.cover_id,
                "option_id": window.option_id,
                "crop_after": gap.crop_after,
                "terminate_by": odd.terminate_by,
                "method": ending_words(settings, at("coarse_share") >= COARSE_FROM, odd.ended_by == "frost"),
                **{f"waiting_{word}_d": at("waiting_d", word) for word in QUANTILES},
                "waiting_driver": str(drivers[window.option_id]),
                "ready_years": odd.ready_years,
                "years": odd.years,
                "biomass_p50_kg_ha": at("biomass_kg_ha"),
                "carbon_kg_ha": at("biomass_kg_ha") * catalogue.rule("carbon_share"),
                "carbon_to_nitrogen": at("carbon_to_nitrogen"),
                "nitrogen_p50_kg_ha": at("nitrogen_kg_ha"),
                "nitrogen_fixed_p50_kg_ha": at("nitrogen_fixed_kg_ha"),
                "nitrogen_season_p50_kg_ha": at("nitrogen_season_kg_ha"),
                "tie_up_d": float(tied.get(window.option_id, 0.0)),
                **{
                    f"residue_left_{d}d_{word}_share": at(f"residue_left_{d}d_share", word)
                    for d in AFTER_END_D
                    for word in ("p10", "p90")
                },
                "water_lack_p50_mm": at("water_lack_mm"),
                "water_lack_p90_mm": at("water_lack_mm", "p90"),
                "refilled_years": int(good.get(window.option_id, 0)),
                "leaching_kept_share": at("leaching_kept_share") if at("drainage_mm", "p90") > 0 else 0.0,
            }
        )
        if window.gap_id in crops:
            dated.extend(
                {
                    "gap_id": window.gap_id,
                    "cover_id": window.cover_id,
                    "after_planting_d": d,
                    **{f"release_{word}_kg_ha": at(f"nitrogen_{d}d_kg_ha", word) for word in QUANTILES},
                    "crop_uptake_kg_ha": float(crop_uptake_kg_ha(gap.crop_after, float(d), catalogue)),
                }
                for d in AFTER_PLANTING_D
            )
    return (
        After.validate(pd.DataFrame(rows, columns=list(After.to_schema().columns))),
        NitrogenByDate.validate(pd.DataFrame(dated, columns=list(NitrogenByDate.to_schema().columns))),
    )
