"""The whole chain, one line per stage: from a farm to a plan."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from importlib.metadata import version
from typing import Any

from greengap.advice.allocation import allocate
from greengap.advice.cautions import list_cautions
from greengap.advice.options import list_options
from greengap.advice.purposes import growth_target, purpose_targets
from greengap.advice.ranking import rank
from greengap.advice.seeding import seed_needs
from greengap.advice.suitability import rate
from greengap.advice.windows import sowing_windows
from greengap.catalogue import Catalogue
from greengap.errors import ImportReport
from greengap.farm.gaps import find_gaps
from greengap.farm.settings import FarmSettings
from greengap.farm_input import Farm
from greengap.process.drivers import Place
from greengap.process.season import count_odds, simulate
from greengap.seed_order import make_order
from greengap.site.frost import freeze_dates, freeze_percentiles, month_and_day
from greengap.tables import (
    Allocation,
    Block,
    ClassShare,
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
    Window,
)

FREEZE_DEGC = 0.0
LIMITS = (
    "Calculated from past weather and published figures. A prediction, not a promise. Look at the block.",
    "Growth is reckoned from warmth and a season's water; weeds, nitrogen and soil moisture day by day are not in it.",
    "No species is cleared as legal or safe: ask the state or national list, the label and your adviser.",
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
    class_shares: DataFrame[ClassShare]
    options: DataFrame[Option]
    windows: DataFrame[Window]
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


def plan_farm(farm: Farm, progress: Callable[[int, int], None] | None = None) -> Plan:
    """Plan the covers of a farm.

    Parameters
    ----------
    farm : Farm
    progress : callable, optional
        Called with (done, total) while the seasons are run.

    Returns
    -------
    Plan
        Depends on the farm's files, the catalogue and the program version only.
    """
    settings, catalogue = farm.settings, farm.catalogue
    growth_aim = growth_target(settings.growth_aim, catalogue, settings.units)
    aims = purpose_targets(settings.purposes, catalogue, settings.units)
    places = _places(farm)
    gaps = find_gaps(farm.crop_calendar, settings, catalogue, southern=_southern(farm))
    options = list_options(gaps, catalogue)
    season, purpose_odds = simulate(
        options, farm.weather, farm.site_of_block, places, catalogue, growth_aim, aims, progress
    )
    odds = count_odds(options, season, catalogue)
    windows = sowing_windows(gaps, options, odds, settings.wanted_odds)
    suitability = rate(gaps, windows, odds, season, purpose_odds, farm.soil, farm.class_shares, settings, catalogue)
    recommendation = rank(gaps, windows, odds, suitability, settings, catalogue)
    allocation = allocate(recommendation, settings.purposes)
    frost_years = season.groupby("option_id")["frost_kill_d"].count().to_dict()
    cautions = list_cautions(allocation, gaps, odds, frost_years, settings, catalogue)
    weak = recommendation.loc[(recommendation["rank"] == 1) & recommendation["sow_from"].isna(), "gap_id"]
    seed_need = seed_needs(
        allocation, options, farm.blocks, catalogue, settings.equipment, settings.seed_lots, set(weak)
    )
    seed_order = make_order(seed_need, catalogue)
    return Plan(
        settings, catalogue, farm.blocks, farm.crop_calendar, gaps, farm.soil, farm.class_shares, options, windows,
        season, odds, purpose_odds, suitability, recommendation, allocation, cautions, seed_need, seed_order,
        farm.report, _metadata(farm),
    )  # fmt: skip


def _southern(farm: Farm) -> bool:
    return bool(farm.blocks.total_bounds[[1, 3]].mean() < 0)


def _places(farm: Farm) -> dict[str, Place]:
    settings = farm.settings
    middle = farm.blocks.geometry.representative_point()
    soil = farm.soil.set_index("block_id")
    return {
        block_id: Place(
            soil=soil.loc[block_id],
            lat=round(float(point.y), 4),
            irrigated=settings.irrigated is None or block_id in settings.irrigated,
            cold_offset_degc=settings.cold_offset_degc.get(block_id, 0.0),
        )
        for block_id, point in zip(farm.blocks["block_id"], middle, strict=True)
    }


def freeze_lines(farm: Farm) -> list[str]:
    """The farm's freeze dates in words: in half the years and in one year of ten on the unkind side."""
    southern, site = _southern(farm), farm.weather.isel(site_id=0)
    dates = freeze_dates(site["tmin_degc"].to_numpy(), site["date"].to_numpy(), FREEZE_DEGC, southern)
    lines = []
    for season, column, late, words in (
        ("spring", "last_spring_d", 0.9, "last freeze in spring"),
        ("autumn", "first_autumn_d", 0.1, "first freeze in autumn"),
    ):
        days = dates.loc[dates[f"{season}_usable"], column].to_numpy()
        middle, unkind = (freeze_percentiles(days, p, season) for p in (0.5, late))
        if math.isnan(middle.day) or math.isnan(unkind.day):
            lines.append(f"{words}: none in {middle.years_without} of {middle.years} years")
            continue
        shown = [date(2001, *month_and_day(f.day, southern)) for f in (middle, unkind)]
        side = "after" if season == "spring" else "before"
        lines.append(f"{words}: {shown[0]:%d %b} in the median year, {side} {shown[1]:%d %b} in one year of ten")
    return lines


def _metadata(farm: Farm) -> dict[str, Any]:
    years = farm.weather["date"].dt.year
    return {
        "farm": farm.settings.name,
        "note": farm.settings.note,
        "program_version": version("greengap"),
        "catalogue_version": farm.catalogue.version,
        "weather_first_year": int(years.min()),
        "weather_last_year": int(years.max()),
        "weather_years": int(years.max() - years.min() + 1),
        "freeze": freeze_lines(farm),
        "wanted_odds": farm.settings.wanted_odds,
        "units": farm.settings.units,
        "inputs": farm.inputs,
        "assumptions": list(farm.report.assumptions),
        "limits": list(LIMITS),
    }
