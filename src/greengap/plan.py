"""The whole chain, one line per stage: from a farm to a plan."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from importlib.metadata import version
from typing import Any, Literal

from greengap.advice.allocation import allocate
from greengap.advice.cautions import list_cautions
from greengap.advice.choices import heed_choices
from greengap.advice.options import list_options
from greengap.advice.purposes import growth_target, purpose_targets
from greengap.advice.ranking import rank
from greengap.advice.seeding import seed_needs, seeding_method
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
    "Pests, crusted or flooded ground, mowing and residues are not in it; how weeds do is a ranking, not a count.",
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
    gaps = find_gaps(farm.crop_calendar, farm.settings, farm.catalogue, southern=southern(farm))
    return settle(farm, gaps, judge(farm, gaps, progress))


@dataclass(frozen=True)
class Judged:
    """What was run and rated for some gaps; those of a block depend on nothing but that block."""

    options: DataFrame[Option]
    windows: DataFrame[Window]
    season: DataFrame[Season]
    odds: DataFrame[Odds]
    purpose_odds: DataFrame[PurposeOdds]
    suitability: DataFrame[Suitability]
    recommendation: DataFrame[Recommendation]


def judge(farm: Farm, gaps: DataFrame[Gap], progress: Callable[[int, int], None] | None = None) -> Judged:
    """Run and rate every cover in the gaps, each gap by itself."""
    settings, catalogue = farm.settings, farm.catalogue
    growth_aim = growth_target(settings.growth_aim, catalogue, settings.units)
    aims = purpose_targets(settings.purposes, catalogue, settings.units)
    options = list_options(gaps, catalogue)
    season, purpose_odds = simulate(
        options, farm.weather, farm.site_of_block, places(farm), catalogue, growth_aim, aims, progress
    )
    odds = count_odds(options, season, catalogue)
    windows = sowing_windows(gaps, options, odds, settings.wanted_odds)
    suitability = rate(gaps, windows, odds, season, purpose_odds, farm.soil, farm.class_shares, settings, catalogue)
    recommendation = rank(gaps, windows, odds, suitability, settings, catalogue)
    return Judged(options, windows, season, odds, purpose_odds, suitability, recommendation)


def settle(farm: Farm, gaps: DataFrame[Gap], judged: Judged) -> Plan:
    """Decide for the whole farm, and reckon what follows: cautions, seed, order."""
    settings, catalogue = farm.settings, farm.catalogue
    options, windows, season, odds = judged.options, judged.windows, judged.season, judged.odds
    allocation = allocate(judged.recommendation, settings.purposes)
    allocation, recommendation, notes = heed_choices(
        allocation, judged.recommendation, gaps, options, odds, settings.choices, catalogue
    )
    frost_years = season.groupby("option_id")["frost_kill_d"].count().to_dict()
    cautions = list_cautions(allocation, gaps, odds, frost_years, settings, catalogue)
    chosen = recommendation["option_id"].isin(allocation["option_id"].dropna())
    day, first, last = (recommendation[c] for c in ("sow_best", "sow_from", "sow_until"))
    weak = recommendation.loc[chosen & (first.isna() | (day < first) | (day > last)), "gap_id"]
    seed_need = seed_needs(
        allocation, options, farm.blocks, catalogue, settings.equipment, settings.seed_lots, set(weak)
    )
    seed_order = make_order(seed_need, catalogue)
    return Plan(
        settings, catalogue, farm.blocks, farm.crop_calendar, gaps, farm.soil, farm.class_shares, options, windows,
        season, odds, judged.purpose_odds, judged.suitability, recommendation, allocation, cautions, seed_need,
        seed_order, farm.report, _metadata(farm, notes),
    )  # fmt: skip


def southern(farm: Farm) -> bool:
    """True if the farm lies south of the equator."""
    return bool(farm.blocks.total_bounds[[1, 3]].mean() < 0)


def places(farm: Farm) -> dict[str, Place]:
    """What the season needs to know of each block besides its weather."""
    settings = farm.settings
    middle = farm.blocks.geometry.representative_point()
    soil = farm.soil.set_index("block_id")
    return {
        block_id: Place(
            soil=soil.loc[block_id],
            lat=round(float(point.y), 4),
            irrigated=settings.irrigated is None or block_id in settings.irrigated,
            cold_offset_degc=settings.cold_offset_degc.get(block_id, 0.0),
            method=seeding_method(settings.equipment) or "drilled",
            stale_seedbed_d=settings.stale_seedbed_d,
        )
        for block_id, point in zip(farm.blocks["block_id"], middle, strict=True)
    }


def freeze_lines(farm: Farm) -> list[str]:
    """The farm's freeze dates in words: in half the years and in one year of ten on the unkind side."""
    is_southern, site = southern(farm), farm.weather.isel(site_id=0)
    dates = freeze_dates(site["tmin_degc"].to_numpy(), site["date"].to_numpy(), FREEZE_DEGC, is_southern)
    lines = []
    seasons: tuple[tuple[Literal["spring", "autumn"], str, float, str], ...] = (
        ("spring", "last_spring_d", 0.9, "last freeze in spring"),
        ("autumn", "first_autumn_d", 0.1, "first freeze in autumn"),
    )
    for season, column, late, words in seasons:
        days = dates.loc[dates[f"{season}_usable"], column].to_numpy()
        middle, unkind = (freeze_percentiles(days, p, season) for p in (0.5, late))
        if math.isnan(middle.day) or math.isnan(unkind.day):
            lines.append(f"{words}: none in {middle.years_without} of {middle.years} years")
            continue
        shown = [date(2001, *month_and_day(f.day, is_southern)) for f in (middle, unkind)]
        side = "after" if season == "spring" else "before"
        lines.append(f"{words}: {shown[0]:%d %b} in the median year, {side} {shown[1]:%d %b} in one year of ten")
    return lines


def uncalibrated_line(catalogue: Catalogue) -> str:
    """Which species grow by figures that no dated trial has set."""
    names = [catalogue.species[key].name.lower() for key in catalogue.uncalibrated()]
    if not names:
        return "Growth of every species is calibrated on dated trials."
    return (
        f"Growth is not calibrated on dated trials for {', '.join(names)}: read dry matter as a rank and a rough size."
    )


def _metadata(farm: Farm, notes: Sequence[str] = ()) -> dict[str, Any]:
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
        "assumptions": [*farm.report.assumptions, *notes],
        "limits": [*LIMITS, uncalibrated_line(farm.catalogue)],
    }
