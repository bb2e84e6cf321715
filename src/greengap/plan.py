"""The whole chain, one line per stage: from a farm to a plan."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import date
from importlib.metadata import version
from typing import Any, Literal

import pandas as pd
import xarray as xr

from greengap.advice.after import after_tables
from greengap.advice.allocation import allocate
from greengap.advice.cautions import list_cautions
from greengap.advice.choices import heed_choices
from greengap.advice.clocks import four_clocks
from greengap.advice.flowers import flower_dates
from greengap.advice.ground import ground_facts
from greengap.advice.irrigation import water_sets
from greengap.advice.ladder import make_ladders
from greengap.advice.law import label_gates, label_table, listed_names
from greengap.advice.next_crop import what_follows
from greengap.advice.options import list_options
from greengap.advice.purposes import growth_target, purpose_targets
from greengap.advice.ranking import rank
from greengap.advice.reserve import resow_reserve
from greengap.advice.seeding import rates, seed_needs, seeding_method
from greengap.advice.suitability import rate
from greengap.advice.windows import sowing_windows
from greengap.catalogue import Catalogue
from greengap.catalogue.learned import learned_sentences
from greengap.errors import ImportReport
from greengap.farm.gaps import find_gaps
from greengap.farm.season_record import current
from greengap.farm.settings import FarmSettings
from greengap.farm_input import Farm
from greengap.process.afterwards import Following
from greengap.process.drivers import Place
from greengap.process.season import Target, count_odds, simulate
from greengap.process.standing import Standing
from greengap.seed_order import inoculant_lines, make_order, order_lines
from greengap.site.frost import freeze_dates, freeze_percentiles, month_and_day
from greengap.site.growers_word import mark_word
from greengap.site.weather_join import splice_season
from greengap.tables import (
    After,
    Allocation,
    Block,
    ClassShare,
    Clock,
    CropCalendar,
    DataFrame,
    FlowerDates,
    Gap,
    GapCaution,
    GeoDataFrame,
    Ground,
    InoculantLine,
    LabelInterval,
    ListedName,
    NitrogenByDate,
    Odds,
    Option,
    OrderLine,
    PurposeOdds,
    Rate,
    Recommendation,
    Reserve,
    Rung,
    Season,
    SeasonRecord,
    SeedNeed,
    SeedOrder,
    Soil,
    Suitability,
    WaterSet,
    Window,
)

FREEZE_DEGC = 0.0
WITHIN = pd.Timestamp(1900, 1, 1)  # stands for a gap within one year, which sees the whole year so far
BEFORE_GAP = pd.Timedelta(days=40)  # days before a gap that its first sowing still looks back on
LIMITS = (
    "Calculated from past weather and published figures. A prediction, not a promise. Look at the block.",
    "Pests, flooded ground and mowing are not in it; how weeds do is a ranking, not a count.",
    "Nitrogen and waiting times are reckoned, not measured on your block: test the soil before you cut fertilizer.",
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
    after: DataFrame[After]
    nitrogen: DataFrame[NitrogenByDate]
    clocks: DataFrame[Clock]
    ladder: DataFrame[Rung]
    rates: DataFrame[Rate]
    order_lines: DataFrame[OrderLine]
    inoculants: DataFrame[InoculantLine]
    flowers: DataFrame[FlowerDates]
    listed_names: DataFrame[ListedName]
    label_intervals: DataFrame[LabelInterval]
    ground: DataFrame[Ground]
    water_sets: DataFrame[WaterSet]
    report: ImportReport
    metadata: dict[str, Any]
    reserve: DataFrame[Reserve] = field(default_factory=Reserve.empty)  # none unless the farm asks for one
    record: DataFrame[SeasonRecord] = field(default_factory=SeasonRecord.empty)  # what holds; decides nothing in it


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


def before_season(farm: Farm) -> Farm:
    """The farm as it was planned in winter: without this season's days."""
    return replace(farm, so_far=None, this_season=None)


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
    after: DataFrame[After]
    nitrogen: DataFrame[NitrogenByDate]
    clocks: DataFrame[Clock]

    def of_gaps(self, gap_ids: Collection[str]) -> Judged:
        """What was said of some of the gaps."""
        mine = set(self.options.loc[self.options["gap_id"].isin(gap_ids), "option_id"])
        tables = {f.name: getattr(self, f.name) for f in fields(self)}
        return Judged(
            **{
                name: table[table["gap_id"].isin(gap_ids) if "gap_id" in table else table["option_id"].isin(mine)]
                .reset_index(drop=True)
                for name, table in tables.items()
            }
        )  # fmt: skip


def join_judged(parts: Sequence[Judged]) -> Judged:
    """What was said of gaps that have nothing in common, as one."""
    if len(parts) == 1:
        return parts[0]

    def stack(name: str) -> Any:
        tables = [getattr(p, name) for p in parts]
        full = [t for t in tables if len(t)] or tables[:1]
        return pd.concat(full, ignore_index=True)

    return Judged(**{f.name: stack(f.name) for f in fields(Judged)})


def judged_of(plan: Plan) -> Judged:
    """What was run and rated for a plan."""
    return Judged(**{f.name: getattr(plan, f.name) for f in fields(Judged)})


def judge(
    farm: Farm,
    gaps: DataFrame[Gap],
    progress: Callable[[int, int], None] | None = None,
    options: DataFrame[Option] | None = None,
    standing: Mapping[str, Standing] | None = None,
) -> Judged:
    """Run and rate every cover in the gaps, each gap by itself; of `options`, if they are given, and not of all.

    What is `standing` in a gap is run from how it was found.
    """
    settings, catalogue = farm.settings, farm.catalogue
    growth_aim = growth_target(settings.growth_aim, catalogue, settings.units)
    aims = purpose_targets(settings.purposes, catalogue, settings.units)
    following = what_follows(gaps, settings, catalogue)
    if options is None:
        options = list_options(gaps, catalogue, following.crops)
    season, purpose_odds = run_seasons(
        farm, gaps, options, places(farm), growth_aim, aims, following, progress, standing
    )
    odds = count_odds(options, season, catalogue)
    windows = sowing_windows(gaps, options, odds, settings.wanted_odds)
    after, nitrogen = after_tables(gaps, windows, odds, season, following.crops, settings, catalogue)
    clocks = four_clocks(gaps, windows, season, following.crops, settings.wanted_odds, catalogue.rule("seed_margin"))
    suitability, recommendation = _rated(farm, gaps, windows, season, odds, purpose_odds)
    return Judged(options, windows, season, odds, purpose_odds, suitability, recommendation, after, nitrogen, clocks)


def _rated(
    farm: Farm,
    gaps: DataFrame[Gap],
    windows: DataFrame[Window],
    season: DataFrame[Season],
    odds: DataFrame[Odds],
    purpose_odds: DataFrame[PurposeOdds],
) -> tuple[DataFrame[Suitability], DataFrame[Recommendation]]:
    """Rate what was run, heed labels and the grower's word, and rank."""
    settings, catalogue = farm.settings, farm.catalogue
    block_of = dict(zip(gaps["gap_id"], gaps["block_id"], strict=True))
    suitability = rate(gaps, windows, odds, season, purpose_odds, farm.soil, farm.class_shares, settings, catalogue)
    if settings.growers_word:
        suitability = Suitability.validate(mark_word(suitability, block_of, settings.growers_word))
    suitability = label_gates(suitability, windows, block_of, farm.law_lists.sprayed, catalogue)
    return suitability, rank(gaps, windows, odds, suitability, settings, catalogue)


def replan_without(farm: Farm, plan: Plan, species: Collection[str]) -> Plan:
    """Plan anew without some species: covers that need them are not wanted, all else is weighed as before.

    Parameters
    ----------
    farm : Farm
    plan : Plan
        Of that farm; its seasons are taken over, since they do not depend on what is wanted.
    species : collection of str

    Returns
    -------
    Plan
    """
    gone = {key for key, c in plan.catalogue.covers.items() if {part.species for part in c.components} & set(species)}
    other = replace(farm, settings=replace(farm.settings, not_wanted=farm.settings.not_wanted | gone))
    run = (plan.windows, plan.season, plan.odds, plan.purpose_odds)
    judged = Judged(plan.options, *run, *_rated(other, plan.gaps, *run), plan.after, plan.nitrogen, plan.clocks)
    return settle(other, plan.gaps, judged)


def settle(farm: Farm, gaps: DataFrame[Gap], judged: Judged) -> Plan:
    """Decide for the whole farm, and reckon what follows: cautions, seed, order, ladder."""
    settings, catalogue = farm.settings, farm.catalogue
    options, windows, season, odds = judged.options, judged.windows, judged.season, judged.odds
    allocation = allocate(judged.recommendation, settings.purposes)
    allocation, recommendation, notes = heed_choices(
        allocation, judged.recommendation, gaps, options, odds, settings.choices, catalogue
    )
    frost_years = season.groupby("option_id")["frost_kill_d"].count().to_dict()
    cautions = list_cautions(allocation, gaps, odds, frost_years, settings, catalogue, farm.soil)
    chosen = recommendation["option_id"].isin(allocation["option_id"].dropna())
    day, first, last = (recommendation[c] for c in ("sow_best", "sow_from", "sow_until"))
    weak = recommendation.loc[chosen & (first.isna() | (day < first) | (day > last)), "gap_id"]
    seed_need = seed_needs(
        allocation, options, farm.blocks, catalogue, settings.equipment, settings.seed_lots, set(weak)
    )
    reserve = None
    if settings.reserve_odds is not None:
        reserve = resow_reserve(
            seed_need, allocation, options, odds, season, settings.reserve_odds, settings.wanted_odds,
            catalogue.rule("resow_after"),
        )  # fmt: skip
    lines = order_lines(seed_need, farm.seed_lists, catalogue, settings.organic, reserve)
    seed_order = make_order(seed_need, catalogue, lines)
    ladder = make_ladders(gaps, options, odds, recommendation, allocation, seed_need, catalogue, settings.wanted_odds)
    ground = ground_facts(farm.blocks, farm.soil, settings, catalogue)
    law = farm.law_lists
    return Plan(
        settings, catalogue, farm.blocks, farm.crop_calendar, gaps, farm.soil, farm.class_shares, options, windows,
        season, odds, judged.purpose_odds, judged.suitability, recommendation, allocation, cautions, seed_need,
        seed_order, judged.after, judged.nitrogen, judged.clocks, ladder,
        rates(seed_need, allocation, season, catalogue, settings.seed_lots), lines,
        inoculant_lines(lines, farm.seed_lists, catalogue), flower_dates(allocation, odds, catalogue),
        listed_names(list(seed_need["species"]), law.plants, law.named, catalogue),
        label_table(allocation, options, law.sprayed, catalogue), ground,
        water_sets(allocation, season, farm.blocks, ground, catalogue), farm.report, _metadata(farm, notes),
        Reserve.empty() if reserve is None else reserve, current(farm.record),
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
            irrigated=settings.waters(block_id),
            cold_offset_degc=settings.cold_offset_degc.get(block_id, 0.0),
            method=seeding_method(settings.equipment) or "drilled",
            stale_seedbed_d=settings.stale_seedbed_d,
            crusts=bool(block_id in settings.growers_word and settings.growers_word[block_id].crusts),
        )
        for block_id, point in zip(farm.blocks["block_id"], middle, strict=True)
    }


def _season_since(farm: Farm, gaps: DataFrame[Gap]) -> dict[str, Any]:
    """From when a gap sees this season's days: `WITHIN` for one within the year, a day for one over New Year."""
    days = pd.DatetimeIndex(_so_far(farm)["date"].to_numpy())
    out = {}
    for gap in gaps.itertuples():
        if gap.start.year == gap.end.year == days[-1].year:
            out[str(gap.gap_id)] = WITHIN
        elif gap.start.year != gap.end.year and days[-1].year in (gap.start.year, gap.end.year):
            first = max(gap.start - BEFORE_GAP, gap.end - pd.Timedelta(days=364))
            if first <= days[-1] and gap.end > days[0]:
                out[str(gap.gap_id)] = first
    return out


def _so_far(farm: Farm) -> xr.Dataset:
    assert farm.so_far is not None, "this season is spliced from it"
    return farm.so_far


def run_seasons(
    farm: Farm,
    gaps: DataFrame[Gap],
    options: DataFrame[Option],
    where: dict[str, Place],
    growth_aim: Target,
    aims: list[Target],
    following: Following,
    progress: Callable[[int, int], None] | None = None,
    standing: Mapping[str, Standing] | None = None,
) -> tuple[DataFrame[Season], DataFrame[PurposeOdds]]:
    """The seasons of all options; gaps of this year see this season's days so far."""

    def seasons(some: pd.DataFrame, weather: xr.Dataset) -> tuple[DataFrame[Season], DataFrame[PurposeOdds]]:
        return simulate(
            DataFrame[Option](some),
            weather,
            farm.site_of_block,
            where,
            farm.catalogue,
            growth_aim,
            aims,
            progress,
            following,
            standing,
        )

    if farm.this_season is None:
        return seasons(options, farm.weather)
    since = options["gap_id"].map(_season_since(farm, gaps))
    parts = []
    for first in sorted(since.dropna().unique()):
        within = first == WITHIN
        weather = farm.this_season if within else splice_season(farm.weather, _so_far(farm), since=pd.Timestamp(first))
        parts.append(seasons(options[since == first].reset_index(drop=True), weather))
    if since.isna().any() or not parts:
        parts.append(seasons(options[since.isna()].reset_index(drop=True), farm.weather))
    position = pd.Series(range(len(options)), index=options["option_id"])
    together = []
    for tables in zip(*parts, strict=True):
        table = pd.concat(tables, ignore_index=True)
        together.append(table.iloc[table["option_id"].map(position).argsort(kind="stable")].reset_index(drop=True))
    return Season.validate(together[0]), PurposeOdds.validate(together[1])


def freeze_lines(farm: Farm) -> list[str]:
    """The farm's freeze dates in words: in half the years and in one year of ten on the unkind side.

    Those of the weather over most of the farm's ground come first, then those of blocks that are set colder or
    warmer than their weather cell.
    """
    offsets = farm.settings.cold_offset_degc
    area = farm.blocks.set_index("block_id")["area_gross_m2"]
    plain = [block for block in area.index if not offsets.get(block)] or list(area.index)
    by_site = area[plain].groupby([farm.site_of_block[block] for block in plain]).sum()
    lines = _freeze_lines(farm, str(by_site.idxmax()), 0.0, "")
    for block in area.index:
        if offsets.get(block):
            lines += _freeze_lines(farm, farm.site_of_block[block], offsets[block], f" on {block}")
    return lines


def _freeze_lines(farm: Farm, site_id: str, offset_degc: float, where: str) -> list[str]:
    is_southern, site = southern(farm), farm.weather.sel(site_id=site_id)
    tmin = site["tmin_degc"].to_numpy() + offset_degc
    dates = freeze_dates(tmin, site["date"].to_numpy(), FREEZE_DEGC, is_southern)
    lines = []
    seasons: tuple[tuple[Literal["spring", "autumn"], str, float, str], ...] = (
        ("spring", "last_spring_d", 0.9, f"last freeze in spring{where}"),
        ("autumn", "first_autumn_d", 0.1, f"first freeze in autumn{where}"),
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
        "assumptions": [*farm.report.assumptions, *learned_sentences(farm.catalogue), *notes],
        "limits": [*LIMITS, uncalibrated_line(farm.catalogue)],
    }
